"""All mechanisms in their order: direct, settled, uptake, creep, run-off; and that no drop is lost."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import OUTSIDE, BoolArray, FloatArray, IntArray, unit_vectors
from bayreach.bays import Bays
from bayreach.deposit import settled as fog
from bayreach.deposit._air import air_of, bays_at
from bayreach.deposit._fates import Flying
from bayreach.deposit._fog_air import fog_grid
from bayreach.deposit._fog_bays import Doorways
from bayreach.deposit.creep import Creep, Seams, crept, laps_of, seams_of, together
from bayreach.deposit.mist import MistFigures, mist_figures
from bayreach.deposit.run_off import Outlets, Pools, Slopes, outlets, slopes_of
from bayreach.deposit.uptake import soaked
from bayreach.film import Column, Film, Ledger
from bayreach.liquids import Liquid
from bayreach.measure import side_areas, side_normals
from bayreach.rays import Scene
from bayreach.tips import Tip

LEAST_FOG = 0.01
"""Least share of a spray that its fog is taken for, so that its droplets are told."""
MOST_SETTLINGS = 16
"""Kinds of fog whose settling is remembered."""
LEAST_VOLUME = 1e-9
"""In m³: taken for a bay whose volume is not known; where all fog is waited for, volume does not matter."""


@dataclass(frozen=True, kw_only=True)
class Conditions:
    """Which mechanisms count, and what they are told.

    Parameters
    ----------
    settled, creep, run_off : bool
        Each can be switched off; without `settled`, all fog is counted as hanging.
    friction_speed, exchange_speed : float
        Stirring at the walls and air speed through openings, in m/s (see `settled`).
    settle_time : float
        In s after spraying: what has not settled by then still hangs.
    n_classes : int
        Droplet classes of the fog.
    fog : str
        "mixed": every bay is well mixed; "auto": only for classes that the air stirs faster than they fall,
        boxes of air for the others.
    laps : tuple of (str, str)
        Parts that lap without sharing edges of the mesh; where they lie within `lap_reach` m of each other
        they are seams too.
    seam_gap, seam_lap, seam_time : float
        Gap and lap of seams in m, and how long they are fed in s (common practice, no source).
    drain_time : float
        In s after which the retained film is told.
    """

    settled: bool = True
    creep: bool = False
    run_off: bool = False
    friction_speed: float = fog.FRICTION_SPEED
    exchange_speed: float = fog.EXCHANGE_SPEED
    settle_time: float = np.inf
    n_classes: int = 12
    fog: Literal["auto", "mixed"] = "auto"
    laps: tuple[tuple[str, str], ...] = ()
    lap_reach: float = 1e-3
    seam_gap: float = 50e-6
    seam_lap: float = 0.02
    seam_time: float = 3600.0
    drain_time: float = 3600.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Sprayed:
    """A pass that has been sprayed: its column, the liquid used in m³, how long it took in s, its tip.

    `flying`: the share of the spray still flying at distances in m; None: the tip's own law.
    """

    column: Column
    volume: float
    duration: float
    tip: Tip
    flying: Flying | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class Laid:
    """What came of all passes.

    Parameters
    ----------
    film : Film
        Wet film on every side.
    ledger : Ledger
        Of all passes together; it closes.
    ledgers : tuple of Ledger
        Of each pass: what it did before uptake, creep and run-off, which know no passes.
    time_to_95 : (n,) float
        Time in s until 5 % of the fog put into each bay hangs, the longest of all tips; zeros without fog.
    fogs : tuple of SettledPerFog
        What became of the fog of each tip that made any; how it was reckoned stands in it.
    loads : tuple of (int, (n,) float) or None
        Of each pass: which of `fogs` its fog is, and how much in m³ it put into each bay; None without fog.
    mist : tuple of MistFigures
        Figures at the end of each pass; empty without `settled`.
    soaked : (2n,) float
        Film in m that surfaces took up in themselves.
    surplus : (2n,) float
        Liquid in m³ that ran off each side; zeros without run-off.
    creep : Creep or None
    pools : Pools or None
    """

    film: Film
    ledger: Ledger
    ledgers: tuple[Ledger, ...]
    time_to_95: FloatArray
    fogs: tuple[fog.SettledPerFog, ...]
    loads: tuple[tuple[int, FloatArray] | None, ...]
    mist: tuple[MistFigures, ...]
    soaked: FloatArray
    surplus: FloatArray
    creep: Creep | None = None
    pools: Pools | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class Ground:
    """What all mechanisms need of a structure, worked out once and asked for many sprayings."""

    bays: Bays
    down: FloatArray
    areas: FloatArray
    rise: FloatArray
    volumes: FloatArray
    links: IntArray
    opening_areas: FloatArray
    slopes: Slopes | None = None
    outlets: Outlets | None = None
    _settlings: dict[tuple[object, ...], fog.SettledPerFog] = field(default_factory=dict)

    @cached_property
    def fog_air(self) -> fog.FogAir:
        """The air of the bays as boxes, made at the first call."""
        bays, scene = self.bays, Scene(self.bays.mesh)
        air = air_of(bays.mesh, bays)
        grids = []
        for bay in bays.bays:
            sides = bays.sides_of(bay.index)

            def is_here(points: FloatArray, index: int = bay.index) -> BoolArray:
                return np.asarray(bays_at(scene, air, points) == index)

            volume = float(self.volumes[bay.index])
            grids.append(fog_grid(scene, sides, volume, up=-self.down, is_here=is_here))
        return fog.FogAir(
            grids=tuple(grids),
            doors=Doorways(
                links=self.links,
                rates=np.zeros(len(self.links)),
                centers=np.array([opening.center for opening in bays.openings]).reshape(-1, 3),
                reaches=np.array([0.5 * opening.diameter for opening in bays.openings]),
            ),
        )

    def settling(self, tip: Tip, liquid: Liquid, conditions: Conditions, share: float) -> fog.SettledPerFog:
        """Return what becomes of the fog of a tip, as `settling` tells; once for equal droplets."""
        key = _settling_key(tip, liquid, conditions, share)
        if key not in self._settlings:
            while len(self._settlings) >= MOST_SETTLINGS:
                self._settlings.pop(next(iter(self._settlings)))
            self._settlings[key] = _settling(self, tip, liquid, conditions, share)
        return self._settlings[key]

    def knows_settling(
        self, tip: Tip, liquid: Liquid, conditions: Conditions, flying: Flying | None = None
    ) -> bool:
        """Return whether `settling` of a tip's fog is at hand already."""
        return _settling_key(tip, liquid, conditions, fog_share(self, tip, flying)) in self._settlings


def _settling_key(tip: Tip, liquid: Liquid, conditions: Conditions, share: float) -> tuple[object, ...]:
    return (tip.droplet, tip.droplet_spread, share, liquid.density, conditions)


def ground_of(bays: Bays, down: ArrayLike, *, run_off: bool = False) -> Ground:
    """Return the `Ground` of `bays`, `down` (3,) being down; `run_off` also works out slopes and outlets."""
    fall = unit_vectors(down)
    openings = bays.openings
    links = np.array([opening.links for opening in openings], dtype=np.int64).reshape(-1, 2)
    return Ground(
        bays=bays,
        down=fall,
        areas=side_areas(bays.mesh),
        rise=-(side_normals(bays.mesh) @ fall),
        volumes=np.maximum([bay.volume for bay in bays.bays], LEAST_VOLUME),
        links=links,
        opening_areas=np.array([opening.area for opening in openings]),
        slopes=slopes_of(bays.mesh, bays.side_bay, fall) if run_off else None,
        outlets=outlets(
            bays.mesh,
            [np.concatenate([opening.rim, _cap_points(bays, k)]) for k, opening in enumerate(openings)],
            [opening.center for opening in openings],
            [opening.normal for opening in openings],
            links,
        )
        if run_off
        else None,
    )


def _cap_points(bays: Bays, opening: int) -> FloatArray:
    """Return the corners (k, 3) of an opening's caps: its rim, and what passes through it."""
    return np.asarray(bays.cap_points[np.unique(bays.cap_faces[bays.cap_opening == opening])])


def settling(
    ground: Ground, tip: Tip, liquid: Liquid, conditions: Conditions, flying: Flying | None = None
) -> fog.SettledPerFog:
    """Return what becomes of the fog of `tip` in the bays of `ground`; it is linear in the fog.

    Fog is the finest part of the spray, for fine droplets stop first: as much of it as no longer flies
    (`flying`; None: the tip's own law) at the mean length of a straight way through the bays (`mean_way`).
    One rule for spray, plan and doubt, whatever the pass.
    """
    return ground.settling(tip, liquid, conditions, fog_share(ground, tip, flying))


def fog_share(ground: Ground, tip: Tip, flying: Flying | None = None) -> float:
    """Return the share of a tip's spray, the finest, that becomes fog: see `settling`."""
    flies = tip.share_flying if flying is None else flying
    gone = 1.0 - float(flies(np.array([mean_way(ground)]))[0])
    return round(max(gone, LEAST_FOG), 6)


def mean_way(ground: Ground) -> float:
    """Return the mean length in m of straight ways through all bays, 4 V / A (Cauchy 1841, mean chords)."""
    inside = ground.bays.side_bay != OUTSIDE
    return float(4.0 * ground.volumes.sum() / max(float(ground.areas[inside].sum()), 1e-12))


def _settling(
    ground: Ground, tip: Tip, liquid: Liquid, conditions: Conditions, share: float
) -> fog.SettledPerFog:
    classes = fog.fog_classes(
        tip.droplet, tip.droplet_spread, finest_share=share, n_classes=conditions.n_classes
    )
    return settling_of_classes(ground, classes, liquid, conditions)


def settling_of_classes(
    ground: Ground, classes: fog.FogClasses, liquid: Liquid, conditions: Conditions
) -> fog.SettledPerFog:
    """Return what becomes of a fog of droplet `classes` in the bays of `ground`."""
    rates = conditions.exchange_speed * ground.opening_areas
    boxes = None
    if conditions.fog == "auto":
        boxes = replace(ground.fog_air, doors=replace(ground.fog_air.doors, rates=rates))
    return fog.settled_per_fog(
        side_bay=ground.bays.side_bay,
        side_areas=ground.areas,
        rise=ground.rise,
        airways=fog.airways(ground.volumes, ground.links, ground.opening_areas, conditions.exchange_speed),
        classes=classes,
        density=liquid.density,
        friction_speed=conditions.friction_speed,
        time=conditions.settle_time,
        boxes=boxes,
    )


def lay_film(
    ground: Ground,
    passes: Sequence[Sprayed],
    liquid: Liquid,
    *,
    conditions: Conditions,
    uptake: ArrayLike = 0.0,
    blocked: BoolArray | None = None,
) -> Laid:
    """Return the film of all `passes` and where every drop of them is.

    Parameters
    ----------
    uptake : float or (2n,) float
        Film in m that each side soaks up first.
    blocked : (o,) bool, optional
        Openings that liquid cannot pass.

    Raises
    ------
    LedgerError
        When liquid has appeared or is missing.
    """
    n_bays = len(ground.bays.bays)
    direct, settled = np.zeros(ground.bays.mesh.n_sides), np.zeros(ground.bays.mesh.n_sides)
    for spray in passes:
        direct[spray.column.sides] += np.multiply(spray.volume, spray.column.direct, dtype=np.float64)
    ledgers = [_direct_ledger(spray, conditions.settled and n_bays > 0) for spray in passes]
    times, figures, fogs = np.zeros(n_bays), {}, []
    of_passes: list[tuple[int, FloatArray] | None] = [None] * len(passes)
    for places in _by_tip(passes) if conditions.settled and n_bays else []:
        loads = np.array([passes[k].volume * passes[k].column.fog_to_bay[:n_bays] for k in places])
        if not loads.sum() > 0.0:
            continue
        first = passes[places[0]]
        fate = settling(ground, first.tip, liquid, conditions, first.flying)
        settled += fate.film(loads.sum(axis=0))
        times = np.where(loads.sum(axis=0) > 0, np.maximum(times, fate.time_to_95), times)
        fogs.append(fate)
        for k, load in zip(places, loads, strict=True):
            ledgers[k] = ledgers[k].plus(_fog_ledger(fate, load))
            of_passes[k] = (len(fogs) - 1, load)
            figures[k] = _figures(ground, fate, load, passes[k], liquid)
    came = Film(direct=direct, settled=settled, creep=np.zeros_like(direct))
    stays = _stays(
        ground, came.total, liquid, conditions=conditions, uptake=np.asarray(uptake), blocked=blocked
    )
    total = Ledger()
    for ledger in ledgers:
        total = total.plus(ledger.check())
    return Laid(
        film=came if stays is None else replace(came, retained=stays.film),
        ledger=(total if stays is None else replace(total, **stays.volumes)).check(),
        ledgers=tuple(ledgers),
        time_to_95=times,
        fogs=tuple(fogs),
        loads=tuple(of_passes),
        mist=tuple(figures[k] for k in sorted(figures)),
        soaked=np.zeros_like(direct) if stays is None else stays.soaked,
        surplus=np.zeros_like(direct) if stays is None else stays.surplus,
        creep=None if stays is None else stays.creep,
        pools=None if stays is None else stays.pools,
    )


def _by_tip(passes: Sequence[Sprayed]) -> list[list[int]]:
    """Return the places of the passes of each tip."""
    groups: dict[int, list[int]] = {}
    for place, spray in enumerate(passes):
        groups.setdefault(id(spray.tip), []).append(place)
    return list(groups.values())


def _direct_ledger(spray: Sprayed, settles: bool) -> Ledger:
    """Return the ledger of a pass with its fog left out (it follows), or all hanging where none settles."""
    column, volume = spray.column, spray.volume
    fog_outside = float(column.fog_to_bay[-1]) if len(column.fog_to_bay) else 0.0
    inside = column.fog - fog_outside
    return Ledger(
        sprayed=volume,
        direct=volume * column.landed,
        suspended=0.0 if settles else volume * inside,
        escaped=volume * (column.escaped + fog_outside),
        elsewhere=volume * column.elsewhere,
    )


def _fog_ledger(fate: fog.SettledPerFog, load: FloatArray) -> Ledger:
    """Return the fates of fog put into each bay; nothing is sprayed here, the pass has told that already."""
    return Ledger(
        settled=float(fate.credited @ load),
        uncredited=float(fate.uncredited @ load),
        suspended=float(fate.suspended @ load),
        escaped=float(fate.escaped @ load),
    )


def _figures(
    ground: Ground, fate: fog.SettledPerFog, load: FloatArray, spray: Sprayed, liquid: Liquid
) -> MistFigures:
    """Return the mist figures of one pass: its own fog, and all that it left in each bay."""
    column, n = spray.column, len(load)
    bay = ground.bays.side_bay[column.sides]
    inside = bay >= 0
    landed = np.bincount(bay[inside], (column.direct * column.areas)[inside], minlength=n)
    return mist_figures(fate, load, spray.volume * landed + load, duration=spray.duration, liquid=liquid)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Stays:
    """What uptake, creep and run-off leave of the film (2n,), and the volumes in m³ for the ledger."""

    film: FloatArray
    soaked: FloatArray
    surplus: FloatArray
    volumes: dict[str, float]
    creep: Creep | None
    pools: Pools | None


def seams_in(ground: Ground, conditions: Conditions) -> Seams:
    """Return the seams of the structure: edges where parts meet, and declared parts that lap."""
    mesh, side_bay = ground.bays.mesh, ground.bays.side_bay
    names = list(mesh.part_names)
    pairs = [[names.index(part) for part in pair] for pair in conditions.laps]
    return together(seams_of(mesh, side_bay), laps_of(mesh, side_bay, pairs, conditions.lap_reach))


def _stays(
    ground: Ground,
    film: FloatArray,
    liquid: Liquid,
    *,
    conditions: Conditions,
    uptake: FloatArray,
    blocked: BoolArray | None,
) -> _Stays | None:
    """Return what stays of `film` (2n,) m after uptake, creep and run-off; None where none of them counts."""
    if not (conditions.creep or conditions.run_off or (uptake > 0).any()):
        return None
    free, taken = soaked(film, uptake)
    creep = pools = None
    if conditions.creep:
        creep = crept(
            seams_in(ground, conditions),
            free,
            ground.areas,
            liquid=liquid,
            gap=conditions.seam_gap,
            lap=conditions.seam_lap,
            time=conditions.seam_time,
        )
        free = free - creep.taken
    kept = free
    if conditions.run_off:
        assert ground.slopes is not None
        assert ground.outlets is not None
        kept = ground.slopes.retained(free, liquid, conditions.drain_time)
        pools = ground.slopes.pooled((free - kept) * ground.areas, ground.outlets, blocked)
    return _Stays(
        film=kept,
        soaked=taken,
        surplus=(free - kept) * ground.areas,
        volumes={
            "retained": float((kept + taken) @ ground.areas),
            "run_off": 0.0 if pools is None else float(pools.volumes.sum()) + pools.out,
            "creep": 0.0 if creep is None else float(creep.volumes.sum()),
        },
        creep=creep,
        pools=pools,
    )
