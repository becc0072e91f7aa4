"""Pulls to film: columns, what becomes of fog, film by all mechanisms, and the ledger that must close."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from bayreach.arrays import FloatArray, IntArray
from bayreach.deposit.direct import Flying, path_film
from bayreach.deposit.laid import Conditions, Laid, Sprayed, lay_film, settling
from bayreach.deposit.settled import SettledPerFog
from bayreach.deposit.throw import flying_table
from bayreach.film import Column, Film, Ledger
from bayreach.outcome import PassFilm
from bayreach.run._pulls import Pull
from bayreach.run._site import Site
from bayreach.tips import Tip

Progress = Callable[[str, float], None]
QUICK_CLASSES = 4
"""Droplet classes of a fog that is told at once."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Wetting:
    """What a list of pulls does.

    Parameters
    ----------
    columns : tuple of Column
        One a pull, per m³ sprayed.
    laid : Laid
        Film (wet, in m) by all mechanisms, the ledger, fog times, mist, creep and pools.
    first_pass : (2n,) int
        The first pull that lays direct film on each side; -1 for none.
    """

    columns: tuple[Column, ...]
    laid: Laid
    first_pass: IntArray

    @property
    def film(self) -> Film:
        """Wet film in m, (2n,) arrays."""
        return self.laid.film

    @property
    def ledger(self) -> Ledger:
        """Where every drop went, in m³; it has been checked."""
        return self.laid.ledger

    @property
    def error(self) -> float:
        """Greatest estimated relative error of a pull's direct film; NaN without pulls."""
        known = [column.error for column in self.columns if np.isfinite(column.error)]
        return max(known) if known else float("nan")


def flying_of(site: Site, tip: Tip) -> Flying | None:
    """Return the share of a tip's spray still flying at distances (m); None where all of it flies."""
    by_jet = site.job.film.throw_law == "jet"
    if not (by_jet or np.isfinite(tip.throw)):
        return None
    return flying_table(
        throw=None if by_jet else tip.throw,
        droplet=tip.droplet,
        droplet_spread=tip.droplet_spread,
        density=site.job.liquid.density,
        farthest=site.mesh.diagonal,
        jet_speed=site.job.film.jet_speed,
        entrainment=site.job.film.entrainment,
    )


def conditions_of(site: Site) -> Conditions:
    """Return the mechanisms that the job asks for and what they are told.

    Raises
    ------
    JobError
        When parts that are said to lap are none of the mesh.
    """
    film = site.job.film
    for part in {part for pair in film.laps for part in pair}:
        site.part_index(part)  # tells of one that the mesh lacks
    return Conditions(
        settled="settled" in film.mechanisms,
        creep="creep" in film.mechanisms,
        run_off="run_off" in film.mechanisms,
        friction_speed=film.friction_speed,
        exchange_speed=film.exchange_speed,
        settle_time=film.settle_time,
        n_classes=film.fog_classes,
        fog=film.fog,
        laps=film.laps,
        lap_reach=film.lap_reach,
        seam_gap=film.seam_gap,
        seam_lap=film.seam_lap,
        seam_time=film.seam_time,
        drain_time=film.drain_time,
    )


def settling_of(site: Site, tip: Tip) -> SettledPerFog:
    """Return the film per m³ of a tip's fog in each bay."""
    return settling(site.ground, tip, site.job.liquid, conditions_of(site), flying_of(site, tip))


def column_of(site: Site, pull: Pull, progress: Callable[[float], None] | None = None) -> Column:
    """Return one pull's column: film per m³ sprayed on every side that looks into a bay."""
    tip = pull.wand.tip
    return path_film(
        site.scene,
        site.targets,
        pull.path,
        tip,
        speed=pull.speed,
        lag=pull.wand.lag if pull.path.length else 0.0,
        rise=pull.wand.rise,
        fall=pull.wand.fall,
        air=site.air,
        flying=flying_of(site, tip),
        error=site.job.film.error,
        progress=progress,
    )


def pull_progress(progress: Progress, number: int, count: int) -> Callable[[float], None]:
    """Return what tells the share done of one pull as that of all `count`."""
    return lambda share: progress("spraying", (number + share) / count)


def wetting(site: Site, pulls: Sequence[Pull], progress: Progress) -> Wetting:
    """Return the film that `pulls` leave, by the mechanisms that the job asks for."""
    columns = []
    for number, pull in enumerate(pulls):
        progress("spraying", number / len(pulls))
        columns.append(column_of(site, pull, pull_progress(progress, number, len(pulls))))
    progress("settling", 1.0)
    return summed(site, pulls, columns)


def summed(site: Site, pulls: Sequence[Pull], columns: Sequence[Column], *, quick: bool = False) -> Wetting:
    """Return the wetting of pulls whose columns are known.

    With `quick`, fog that was not worked out before is taken as well mixed in every bay, in few classes.
    """
    conditions = conditions_of(site)
    if quick and not all(_is_fog_known(site, pull.wand.tip, conditions) for pull in pulls):
        conditions = replace(conditions, fog="mixed", n_classes=QUICK_CLASSES)
    laid = lay_film(
        site.ground,
        [
            Sprayed(
                column=column,
                volume=pull.count * pull.volume,
                duration=pull.count * pull.seconds,
                tip=pull.wand.tip,
                flying=flying_of(site, pull.wand.tip),
            )
            for pull, column in zip(pulls, columns, strict=True)
        ],
        site.job.liquid,
        conditions=conditions,
        uptake=site.uptake,
        blocked=site.blocked,
    )
    first = np.full(site.mesh.n_sides, -1, dtype=np.int64)
    for number, column in enumerate(columns):
        fresh = column.sides[first[column.sides] < 0]
        first[fresh] = number
    return Wetting(columns=tuple(columns), laid=laid, first_pass=first)


def _is_fog_known(site: Site, tip: Tip, conditions: Conditions) -> bool:
    return site.ground.knows_settling(tip, site.job.liquid, conditions, flying_of(site, tip))


def films_of(site: Site, wetting: Wetting) -> Iterator[PassFilm]:
    """Yield the film in m that each pass brings, in the target's terms, before uptake, creep and run-off."""
    laid = wetting.laid
    for column, ledger, load in zip(wetting.columns, laid.ledgers, laid.loads, strict=True):
        settled = np.zeros(0) if load is None else laid.fogs[load[0]].film(load[1]) * site.wet_share
        settled_sides = np.flatnonzero(settled)
        yield PassFilm(
            direct_sides=column.sides.astype(np.int64),
            direct=np.multiply(ledger.sprayed * site.wet_share, column.direct, dtype=np.float64),
            settled_sides=settled_sides,
            settled=settled[settled_sides],
        )


def direct_errors(site: Site, wetting: Wetting) -> FloatArray:
    """Return what the error of the direct film keeps within on 19 sides of 20, (2n,) m in the target's terms.

    Errors of passes are taken to be alike, so they add as they are.
    """
    errors = np.zeros(site.mesh.n_sides)
    for column, ledger in zip(wetting.columns, wetting.laid.ledgers, strict=True):
        if column.errors is not None:
            errors[column.sides] += ledger.sprayed * site.wet_share * column.errors
    return errors


PASSES_A_WORD = 62
"""Passes told by one array of `wet_by`: bits of a whole number that stays positive."""


def wet_by(columns: Sequence[Column], n_sides: int) -> dict[str, IntArray]:
    """Return which passes wet each side directly, as bits: `wet_by_0` holds the first 62 passes."""
    words: dict[str, IntArray] = {}
    for number, column in enumerate(columns):
        name = f"wet_by_{number // PASSES_A_WORD}"
        bits = words.setdefault(name, np.zeros(n_sides, dtype=np.int64))
        bits[column.sides[column.direct > 0.0]] |= np.int64(1) << (number % PASSES_A_WORD)
    return words
