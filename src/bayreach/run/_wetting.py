"""Pulls to film: columns, fog that settles, and the ledger that must close."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from bayreach.arrays import FloatArray
from bayreach.deposit.direct import Flying, pull_film, stations_for
from bayreach.deposit.settled import SettledPerFog, airways, fog_classes, settled_per_fog
from bayreach.deposit.throw import flying_table
from bayreach.film import Column, Film, Ledger
from bayreach.run._pulls import Pull
from bayreach.run._site import Site
from bayreach.sight import Targets, targets_of
from bayreach.tips import Tip

Progress = Callable[[str, float], None]


@dataclass(frozen=True, kw_only=True, eq=False)
class Wetting:
    """What a list of pulls does: film (wet, in m), where every drop went, and each pull's own column.

    Parameters
    ----------
    columns : tuple of Column
        One a pull, per m³ sprayed.
    film : Film
        (2n,) arrays.
    ledger : Ledger
        In m³; it has been checked.
    first_pass : (2n,) int
        The first pull that lays direct film on each side; -1 for none.
    error : float
        Greatest estimated relative error of a pull's direct film; NaN where it was not estimated.
    time_to_95 : float
        Time in s until 95 % of the fog has left the air of the slowest bay that got any; 0 without fog.
    """

    columns: tuple[Column, ...]
    film: Film
    ledger: Ledger
    first_pass: np.ndarray[tuple[int], np.dtype[np.int64]]
    error: float
    time_to_95: float


def targets_at(site: Site, samples: int = 4) -> Targets:
    """Return sample points of every side that looks into a bay."""
    return targets_of(site.mesh, np.flatnonzero(site.inside), samples)


def flying_of(site: Site, tip: Tip) -> Flying | None:
    """Return the share of a tip's spray still flying at distances (m); None where all of it flies."""
    if not np.isfinite(tip.throw):
        return None
    return flying_table(
        throw=tip.throw,
        droplet=tip.droplet,
        droplet_spread=tip.droplet_spread,
        density=site.job.liquid.density,
        farthest=site.mesh.diagonal,
    )


def column_of(site: Site, pull: Pull, targets: Targets) -> Column:
    """Return one pull's column: film per m³ sprayed on every side of `targets`."""
    path, tip = pull.wet_path, pull.wand.tip
    stations = stations_for(site.scene, path, tip)
    return pull_film(site.scene, targets, stations, tip, air=site.air, flying=flying_of(site, tip))


def settling_of(site: Site, tip: Tip) -> SettledPerFog:
    """Return the film per m³ of a tip's fog in each bay."""
    bays = site.bays
    return settled_per_fog(
        side_bay=bays.side_bay,
        side_areas=site.side_areas,
        rise=site.side_rise,
        airways=airways(
            [bay.volume for bay in bays.bays],
            [opening.links for opening in bays.openings],
            [opening.area for opening in bays.openings],
        ),
        classes=fog_classes(tip.droplet, tip.droplet_spread),
        density=site.job.liquid.density,
    )


def wetting(site: Site, pulls: Sequence[Pull], progress: Progress) -> Wetting:
    """Return the film that `pulls` leave, by the mechanisms that the job asks for.

    Film of fog is linear in the fog put into each bay, so the pulls of one tip share one solve.
    """
    targets = targets_at(site)
    columns = []
    for number, pull in enumerate(pulls):
        progress("spraying", number / max(1, len(pulls)))
        columns.append(column_of(site, pull, targets))
    return summed(site, pulls, columns)


def summed(site: Site, pulls: Sequence[Pull], columns: Sequence[Column]) -> Wetting:
    """Return the wetting of pulls whose columns are known."""
    n_sides = site.mesh.n_sides
    direct, settled = np.zeros(n_sides), np.zeros(n_sides)
    first = np.full(n_sides, -1, dtype=np.int64)
    ledger, slowest = Ledger(), 0.0
    fog_by_tip: dict[int, tuple[Tip, FloatArray]] = {}
    for number, (pull, column) in enumerate(zip(pulls, columns, strict=True)):
        volume = pull.count * pull.volume
        direct[column.sides] += volume * column.direct
        fresh = column.sides[first[column.sides] < 0]
        first[fresh] = number
        tip, fog = fog_by_tip.get(id(pull.wand.tip), (pull.wand.tip, np.zeros(len(site.bays.bays))))
        fog_by_tip[id(pull.wand.tip)] = (tip, fog + volume * column.fog_to_bay[:-1])
        ledger = ledger.plus(
            Ledger(
                sprayed=volume,
                direct=volume * column.landed,
                escaped=volume * column.escaped,
                elsewhere=volume * column.elsewhere,
            )
        )
    for tip, fog in fog_by_tip.values():
        if not fog.any():
            continue
        if "settled" not in site.job.film.mechanisms:
            ledger = ledger.plus(Ledger(suspended=float(fog.sum())))
            continue
        settling = settling_of(site, tip)
        settled += settling.film(fog)
        slowest = max(slowest, float(settling.time_to_95[fog > 0].max()))
        ledger = ledger.plus(
            Ledger(
                settled=float(settling.credited @ fog),
                uncredited=float(settling.uncredited @ fog),
                suspended=float(settling.suspended @ fog),
                escaped=float(settling.escaped @ fog),
            )
        )
    known = [column.error for column in columns if np.isfinite(column.error)]
    return Wetting(
        columns=tuple(columns),
        film=Film(direct=direct, settled=settled, creep=np.zeros(n_sides)),
        ledger=ledger.check(),
        first_pass=first,
        error=max(known) if known else float("nan"),
        time_to_95=slowest,
    )
