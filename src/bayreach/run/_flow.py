"""What becomes of the liquid after the last pull, as records: drains, pools, drips, creep, mass and mist."""

from typing import TypedDict

import numpy as np

from bayreach.arrays import OUTSIDE, FloatArray
from bayreach.deposit.laid import Laid
from bayreach.deposit.mist import LIMITS
from bayreach.deposit.run_off import STEEP, added_masses, moment_about_axis
from bayreach.film import Ledger
from bayreach.outcome import (
    BalanceRecord,
    CreepRecord,
    DripRecord,
    FateRecord,
    FogRecord,
    LimitRecord,
    LoadRecord,
    MistRecord,
    PlaceRecord,
    Point,
    PoolRecord,
)
from bayreach.run._site import Site
from bayreach.run._wetting import Wetting

UNEVEN = 0.1
"""Biot number of fog above which a bay that was taken as well mixed is said to be told too even."""


class Flow(TypedDict):
    """The outcome's entries that this room fills."""

    drains: tuple[PlaceRecord, ...]
    pools: tuple[PoolRecord, ...]
    drips: tuple[DripRecord, ...]
    creep: CreepRecord | None
    loads: tuple[LoadRecord, ...]
    balances: tuple[BalanceRecord, ...]
    mist: tuple[MistRecord, ...]
    mist_limits: tuple[LimitRecord, ...]
    fog: tuple[FogRecord, ...]


def flow_records(site: Site, laid: Laid) -> Flow:
    """Return the records of what `laid` says of liquid that runs, creeps, hangs and weighs."""
    mist, loads = _mist(site, laid), _loads(site, laid)
    return Flow(
        drains=_drains(site, laid),
        pools=_pools(site, laid),
        drips=_drips(site, laid),
        creep=_creep(laid),
        loads=loads,
        balances=_balances(site, loads),
        mist=mist,
        mist_limits=tuple(
            LimitRecord(name=limit.name, value_kg_m3=limit.value, source=limit.source) for limit in LIMITS
        )
        if mist
        else (),
        fog=_fog(site, laid),
    )


def _fog(site: Site, laid: Laid) -> tuple[FogRecord, ...]:
    """Return how the fog of each bay was reckoned, the classes of all tips together."""
    if not laid.fogs:
        return ()
    boxed = np.concatenate([fate.boxed for fate in laid.fogs]).sum(axis=0)
    biots = np.concatenate([fate.biots for fate in laid.fogs])
    return tuple(
        FogRecord(
            bay=bay.name,
            classes_mixed=len(biots) - int(boxed[bay.index]),
            classes_boxed=int(boxed[bay.index]),
            boxes=laid.fogs[0].boxes_of(bay.index),
            least_biot=float(biots.min()),
            greatest_biot=float(biots.max()),
        )
        for bay in site.bays.bays
    )


def _point(values: FloatArray) -> Point:
    x, y, z = (float(value) for value in values)
    return (x, y, z)


def _drains(site: Site, laid: Laid) -> tuple[PlaceRecord, ...]:
    """Return the openings in floors that lead out: what runs to them leaves, and they must stay open."""
    down = site.ground.down
    found = []
    for place, opening in enumerate(site.bays.openings):
        first, second = opening.links
        fall = float(opening.normal @ down)
        below = second if fall > 0 else first
        above = first if fall > 0 else second
        if abs(fall) > STEEP and below == OUTSIDE and above != OUTSIDE:
            volume = float(laid.pools.drips[place]) if laid.pools is not None else 0.0
            found.append(PlaceRecord(name=opening.name, center_m=_point(opening.center), volume_m3=volume))
    return tuple(found)


def _pools(site: Site, laid: Laid) -> tuple[PoolRecord, ...]:
    """Return the pools, greatest first, named by bay."""
    if laid.pools is None:
        return ()
    pools, names = laid.pools, [bay.name for bay in site.bays.bays]
    count = dict.fromkeys(names, 0)
    found = []
    for place in np.argsort(-pools.volumes, kind="stable"):
        bay, depth = names[pools.bay[place]], float(pools.depths[place])
        count[bay] += 1
        found.append(
            PoolRecord(
                name=f"{bay}, pool {count[bay]}",
                bay=bay,
                center_m=_point(pools.places[place]),
                volume_m3=float(pools.volumes[place]),
                depth_m=depth if np.isfinite(depth) else None,
            )
        )
    return tuple(found)


def _drips(site: Site, laid: Laid) -> tuple[DripRecord, ...]:
    """Return what drips out at each opening, and how much of it a plug there would keep in."""
    ground, pools = site.ground, laid.pools
    if pools is None or ground.slopes is None or ground.outlets is None or not pools.out > 0.0:
        return ()
    held = ground.slopes.held_back(laid.surplus, ground.outlets, site.blocked)
    return tuple(
        DripRecord(opening=opening.name, volume_m3=float(volume), kept_in_if_plugged_m3=float(kept))
        for opening, volume, kept in zip(site.bays.openings, pools.drips, held, strict=True)
        if volume > 0.0
    )


def _creep(laid: Laid) -> CreepRecord | None:
    creep = laid.creep
    if creep is None:
        return None
    return CreepRecord(
        fed_m=creep.fed_length,
        unfed_m=creep.unfed_length,
        volume_m3=float(creep.volumes.sum()),
        greatest_depth_m=float(creep.depths.max(initial=0.0)),
    )


def _loads(site: Site, laid: Laid) -> tuple[LoadRecord, ...]:
    """Return the mass that stays in each bay, wet, and its centre; dried it is the solids' share of it."""
    bays, liquid = site.bays, site.job.liquid
    n = len(bays.bays)
    film = laid.film.stays + laid.soaked
    masses = added_masses(film, site.side_areas, bays.side_bay, n, liquid.density)
    centers = site.mesh.corners.mean(axis=1).repeat(2, axis=0)
    moments = np.stack(
        [
            added_masses(film * centers[:, axis], site.side_areas, bays.side_bay, n, liquid.density)
            for axis in range(3)
        ],
        axis=1,
    )
    pooled = np.zeros(n)
    if laid.pools is not None:
        np.add.at(pooled, laid.pools.bay, liquid.density * laid.pools.volumes)
        np.add.at(
            moments,
            laid.pools.bay,
            liquid.density * laid.pools.volumes[:, None] * laid.pools.places,
        )
    total = masses + pooled
    return tuple(
        LoadRecord(
            bay=bay.name,
            film_kg=float(masses[bay.index]),
            pool_kg=float(pooled[bay.index]),
            dry_kg=float(total[bay.index] * liquid.volume_solids),
            center_m=_point(moments[bay.index] / total[bay.index]),
        )
        for bay in bays.bays
        if total[bay.index] > 0.0
    )


def _balances(site: Site, loads: tuple[LoadRecord, ...]) -> tuple[BalanceRecord, ...]:
    """Return the moment of all that stays about each of the job's hinge lines."""
    places = np.array([load.center_m for load in loads]).reshape(-1, 3)
    wet = np.array([load.film_kg + load.pool_kg for load in loads])
    dry = np.array([load.dry_kg for load in loads])
    return tuple(
        BalanceRecord(
            name=hinge.name,
            point_m=_point(hinge.point),
            axis=_point(hinge.axis),
            wet_n_m=moment_about_axis(places, wet, point=hinge.point, axis=hinge.axis, down=site.ground.down),
            dry_n_m=moment_about_axis(places, dry, point=hinge.point, axis=hinge.axis, down=site.ground.down),
        )
        for hinge in site.job.hinges
    )


def _mist(site: Site, laid: Laid) -> tuple[MistRecord, ...]:
    """Return the figures of each bay that got fog: the pass that leaves most mist, the solvent of all."""
    if not laid.mist:
        return ()
    airborne = np.max([figures.airborne for figures in laid.mist], axis=0)
    unsettled = np.max([figures.airborne_unsettled for figures in laid.mist], axis=0)
    vapour = np.sum([figures.vapour_if_all_dries for figures in laid.mist], axis=0)
    saturation = site.job.liquid.saturation
    return tuple(
        MistRecord(
            bay=bay.name,
            air_m3=float(laid.mist[0].volumes[bay.index]),
            airborne_kg_m3=float(airborne[bay.index]),
            airborne_unsettled_kg_m3=float(unsettled[bay.index]),
            vapour_if_all_dries_kg_m3=float(vapour[bay.index]),
            time_to_95_s=float(laid.time_to_95[bay.index]),
            vapour_kg_m3=float(min(vapour[bay.index], saturation)),
            saturation_kg_m3=saturation if np.isfinite(saturation) else None,
        )
        for bay in site.bays.bays
        if airborne[bay.index] > 0.0 or vapour[bay.index] > 0.0
    )


def fates_of(wetting: Wetting) -> list[FateRecord]:
    """Return where the liquid of each pass went; its ledger is checked once more as it is told.

    Raises
    ------
    LedgerError
        When more than a millionth of a pass's liquid is missing or too much.
    """
    return [
        FateRecord(
            direct_m3=ledger.direct,
            settled_m3=ledger.settled,
            uncredited_m3=ledger.uncredited,
            suspended_m3=ledger.suspended,
            escaped_m3=ledger.escaped,
            elsewhere_m3=ledger.elsewhere,
            direct_corrected_m3=column.corrected * ledger.sprayed,
            error=column.error if np.isfinite(column.error) else None,
        )
        for ledger, column in zip(map(Ledger.check, wetting.laid.ledgers), wetting.columns, strict=True)
    ]


def fog_warnings(site: Site, wetting: Wetting) -> list[str]:
    """Return what must be said of how fog was reckoned."""
    said = []
    fates = wetting.laid.fogs
    uneven = [(fate.biots > UNEVEN)[:, None] & ~fate.boxed for fate in fates]
    even = [bay.name for bay in site.bays.bays if any(told[:, bay.index].any() for told in uneven)]
    if even:
        said.append(
            f"Fog falls faster than the air stirs it (Biot number up to "
            f"{max(float(fate.biots.max()) for fate in fates):.1f}, well mixed below 0.1): settled film in "
            f"{', '.join(even[:8])} is told as an even layer, in truth most of it lies below the pull."
        )
    if any(fate.boxed.any() for fate in fates):
        said.append(
            "Fog is put evenly into the air of each bay that it came into, and falls and diffuses from there "
            "through boxes of air: more of it will lie below the pull than settled film tells."
        )
    return said
