"""Direct film: what flies straight from the tip to a side during a pull."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bayreach.arrays import BUDGET, OUTSIDE, BoolArray, FloatArray
from bayreach.deposit._air import Air, air_of
from bayreach.deposit._fates import Fate, Flying, fate_of
from bayreach.deposit._refined import refined_film
from bayreach.deposit._sampled import Spray, sampled_film
from bayreach.deposit._stations import flow_course, stations_for, time_shares, wet_part
from bayreach.film import Column
from bayreach.poses import Stations, TipPath
from bayreach.rays import Scene
from bayreach.sight import Targets
from bayreach.tips import Tip

__all__ = [
    "Air",
    "Flying",
    "Pull",
    "air_of",
    "columns",
    "flow_course",
    "path_film",
    "pull_film",
    "stations_for",
    "wet_part",
]

COLUMN_FATE_RAYS = 4_000
"""Rays that tell how much of a pull landed, turned to fog and escaped, where many pulls are compared."""
PULLS_AT_ONCE = 256
"""Pulls whose stations are made ready together."""

Progress = Callable[[float], None]


@dataclass(frozen=True, kw_only=True, eq=False)
class Pull:
    """One pull to be sprayed: where the tip is when, and what leaves it.

    Parameters
    ----------
    stations : Stations
        Samples of the pull; see `stations_for`.
    tip : Tip
        The pattern.
    speed : float or (k,) float
        Pull speed at the stations in m/s; only its course matters, as film is per volume sprayed.
    flow : float or (k,) float
        Flow at the stations as a share of the full flow; see `flow_course`.
    flying : callable, optional
        Share of the spray still flying at distances (...) in m; the tip's own law if None.
    """

    stations: Stations
    tip: Tip
    speed: ArrayLike = 1.0
    flow: ArrayLike = 1.0
    flying: Flying | None = None


def pull_film(
    scene: Scene,
    targets: Targets,
    stations: Stations,
    tip: Tip,
    *,
    speed: ArrayLike = 1.0,
    flow: ArrayLike = 1.0,
    air: Air | None = None,
    flying: Flying | None = None,
    error: float | None = None,
    progress: Progress | None = None,
    budget: int = BUDGET,
) -> Column:
    """Return the film per volume sprayed during one pull, and where the rest of the liquid went.

    Film of a side, in m per m³ sprayed: sum over stations of w g(d) tau(r) max(0, -d . n) / r² where nothing
    is in the way, averaged over the side's samples. d: unit vector from tip to sample; n: the side's normal;
    r: their distance in m; g: density of the pattern in 1/sr (`Tip.density`); tau: share still flying
    (`flying`, else `Tip.share_flying`); w: share of the pull's liquid that leaves at the station. It is the
    cosine and inverse square law of a point source (Holland and Steckelmacher 1952), summed along the pull.

    Parameters
    ----------
    scene : Scene
        What stands in the way, and what the liquid lands on.
    targets : Targets
        Samples of the sides asked about; made of `scene.mesh`.
    stations, tip, speed, flow, flying
        As in `Pull`.
    air : Air, optional
        Bays, to tell fog by bay and what left through openings; without it, fog is put down to one bay and
        only what meets nothing has escaped.
    error : float, optional
        Relative error of a side's film above which it is cut into finer pieces (see `_refined`); None:
        samples as given. The estimate that is left stands in the column's `error`, by side in its `errors`.
    progress : callable, optional
        Called with the share done, 0 to 1, as far as it can be told before it is known how fine sides must be
        cut; from this thread. An exception it raises, or a key press, stops the work in well under a second.
    budget : int
        Bytes that no array of pieces of sides may exceed (1 GiB if not given): they are then cut and kept in
        spans of sides. The film is the same to the last byte.
    """
    pull = Pull(stations=stations, tip=tip, speed=speed, flow=flow, flying=flying)
    shares = time_shares(stations, speed, flow)
    fate = _fate(scene, pull, shares, air=air)
    spray = replace(_sprays([pull], [shares])[0], tell=None if progress is None else _Rounds(progress))
    if error is None:
        sampled = sampled_film(scene, targets, spray, air)
    else:
        met = _met(targets, fate)
        sampled = refined_film(scene, targets, spray, air, error=error, met=met, budget=budget)
    errors = sampled.errors + np.where(sampled.film > 0.0, 0.0, _met(targets, fate))
    lit, inside = np.flatnonzero(sampled.film), _inside(targets, air)
    length = float(stations.lengths.sum())
    doubts = (errors[lit], sampled.bounds[lit])
    column = _column(targets, (lit, sampled.film[lit]), fate, inside, errors=doubts, length=length)
    # Sides that rays met and no sample did are part of the error, though not of the film.
    total = float(np.where(inside.sides, sampled.film, 0.0) @ targets.areas)
    return replace(column, error=float(errors @ targets.areas) / total) if total > 0.0 else column


def path_film(
    scene: Scene,
    targets: Targets,
    path: TipPath,
    tip: Tip,
    *,
    speed: float = 1.0,
    lag: float = 0.0,
    rise: float = 0.0,
    fall: float = 0.0,
    air: Air | None = None,
    flying: Flying | None = None,
    error: float = 0.02,
    progress: Progress | None = None,
    budget: int = BUDGET,
) -> Column:
    """Return the column of a pull along `path`, its stations and samples refined until the error is as asked.

    Parameters
    ----------
    speed : float
        Pull speed in m/s.
    lag : float
        Time in s by which the tip answers the trigger late: that part of the pull stays dry.
    rise, fall : float
        Times in s over which the flow grows at the start and dies at the end.
    error : float
        Relative error of the film, weighted by film, that is aimed at. The column's `error` is what was
        reached, estimated; it may be larger where the shortest step of 0.5 mm or the finest pieces do not do.
    progress, budget
        As in `pull_film`.
    """
    wet = wet_part(path, speed=speed, lag=lag)
    if wet is None:
        nothing = np.zeros(0)
        return Column(
            sides=nothing.astype(np.int32),
            direct=nothing.astype(np.float32),
            areas=nothing,
            fog_to_bay=np.zeros(air.n_bays + 1 if air else 2),
        )
    refine = 1.0
    told = None if progress is None else _Rounds(progress)
    while True:
        stations = stations_for(scene, wet, tip, refine=refine)
        flow = flow_course(stations, speed=speed, rise=rise, fall=fall)
        column = pull_film(
            scene,
            targets,
            stations,
            tip,
            flow=flow,
            air=air,
            flying=flying,
            error=error,
            progress=told,
            budget=budget,
        )
        if not column.error > error or refine >= 4.0:
            return column
        refine *= 2.0


def columns(
    scene: Scene,
    targets: Targets,
    pulls: Sequence[Pull],
    *,
    air: Air | None = None,
    floor: float = 0.0,
    fate_rays: int = COLUMN_FATE_RAYS,
    progress: Progress | None = None,
    budget: int = BUDGET,
) -> list[Column]:
    """Return the column of each pull, sparse from the start: far faster than `pull_film` one by one.

    Parameters
    ----------
    scene, targets, air
        As in `pull_film`; samples are not refined and no error per side is estimated.
    pulls : sequence of Pull
        Pulls; tips and throws that are the same object are made ready once.
    floor : float
        Film in 1/m² of one sample from one station below which no ray is asked: 0 asks all.
    fate_rays : int
        Rays of each pull that tell what landed, turned to fog and escaped.
    progress : callable, optional
        Called with the share done, 0 to 1, from this thread. An exception it raises, or a key press, stops
        the work.
    budget : int
        Bytes that no array of films or stations may exceed (1 GiB if not given): so many pulls are worked on
        together that even film on every side would keep to it. The columns are the same whatever it is.
    """
    from bayreach.deposit._spraying import sparse_film

    made: list[Column] = []
    inside = _inside(targets, air)
    for first, last in _groups(targets, pulls, 0 if air is None else air.n_bays, budget):
        group = pulls[first:last]
        shares = [time_shares(pull.stations, pull.speed, pull.flow) for pull in group]

        def tell(share: float, start: int = first, size: int = len(group)) -> None:
            if progress is not None:
                progress((start + 0.8 * share * size) / len(pulls))

        film = sparse_film(scene, targets, _sprays(group, shares), air, floor=floor, progress=tell)
        for place, pull in enumerate(group):
            fate = _fate(scene, pull, shares[place], air=air, rays=fate_rays)
            length = float(pull.stations.lengths.sum())
            made.append(
                _column(targets, film.of(place), fate, inside, errors=None, length=length, cut=floor > 0.0)
            )
            if progress is not None:
                progress((first + 0.8 * len(group) + 0.2 * (place + 1)) / len(pulls))
    return made


def _groups(targets: Targets, pulls: Sequence[Pull], n_bays: int, budget: int) -> Iterator[tuple[int, int]]:
    """Yield first and last + 1 of pulls worked on together: as many as the budget lets, one at least."""
    # Bytes of four for the film and its rows on each side; of eight for each bay's windows of a station.
    most = int(np.clip(budget // max(1, 4 * targets.n_sides), 1, PULLS_AT_ONCE))
    stations = budget // (8 * max(n_bays + 2, 10))
    first = 0
    while first < len(pulls):
        last, count = first + 1, len(pulls[first].stations.points)
        while last < min(len(pulls), first + most):
            count += len(pulls[last].stations.points)
            if count > stations:
                break
            last += 1
        yield first, last
        first = last


class _Rounds:
    """Tells of work that is done in rounds whose number shows only on the way: each is half of what is left.

    A round begins when the share told falls back, or after one that was done.
    """

    def __init__(self, progress: Progress) -> None:
        self._progress, self._done, self._last = progress, 0.0, 0.0

    def __call__(self, share: float) -> None:
        """Tell the share of all that the share of this round stands for."""
        if share < self._last or self._last >= 1.0:
            self._done += 0.5 * (1.0 - self._done)
        self._last = share
        self._progress(self._done + 0.5 * (1.0 - self._done) * share)


def _sprays(pulls: Sequence[Pull], shares: Sequence[FloatArray]) -> list[Spray]:
    return [
        Spray(stations=pull.stations, shares=share, tip=pull.tip, flying=pull.flying)
        for pull, share in zip(pulls, shares, strict=True)
    ]


def _fate(scene: Scene, pull: Pull, shares: FloatArray, *, air: Air | None, rays: int | None = None) -> Fate:
    flies = pull.tip.share_flying if pull.flying is None else pull.flying
    return fate_of(scene, pull.stations, pull.tip, shares=shares, flies=flies, air=air, rays=rays)


def _met(targets: Targets, fate: Fate) -> FloatArray:
    """Return the film (k,) in 1/m² that rays along the pattern met on each target side."""
    met = np.zeros(targets.n_sides)
    if targets.n_sides:
        place = np.minimum(np.searchsorted(targets.sides, fate.sides), targets.n_sides - 1)
        known = targets.sides[place] == fate.sides
        met[place[known]] = fate.landed_on[known] / targets.areas[place[known]]
    return met


@dataclass(frozen=True, kw_only=True, eq=False)
class _Inside:
    """Which target sides (k,) look into a bay, and whether those are all there are."""

    sides: BoolArray
    is_whole: bool


def _inside(targets: Targets, air: Air | None) -> _Inside:
    if air is None:
        return _Inside(sides=np.ones(targets.n_sides, dtype=np.bool_), is_whole=targets.is_whole)
    sides = air.side_bay[targets.sides] != OUTSIDE
    return _Inside(sides=sides, is_whole=int(sides.sum()) == air.n_inside)


def _column(
    targets: Targets,
    film: tuple[NDArray[np.integer], NDArray[np.floating]],
    fate: Fate,
    inside: _Inside,
    *,
    errors: tuple[FloatArray, FloatArray] | None,
    length: float,
    cut: bool = False,
) -> Column:
    """Return the column of a film: rows of the targets and what lies on each.

    So are the `errors`: those to be expected, by which the film is corrected, and what they keep within,
    which is told.
    Where every side is a target, the film is made to sum to what the rays say landed. Not so where it was
    `cut` off below a floor: what was left out is told as elsewhere.
    """
    kept = inside.sides[film[0]]
    rows, values = film[0][kept], film[1][kept].astype(np.float64)
    expected, bounds = (None, None) if errors is None else (errors[0][kept], errors[1][kept])
    areas = targets.areas[rows]
    total = float(values @ areas)
    closes = inside.is_whole and not cut and total > 0.0 and fate.landed > 0.0
    if closes:
        raw, values = values, _closed(values, areas, expected, fate.landed)
        bounds = None if bounds is None else bounds + np.abs(values - raw)
    lit = values > 0.0
    column = Column(
        sides=targets.sides[rows[lit]].astype(np.int32),
        direct=values[lit].astype(np.float32),
        areas=areas[lit],
        fog_to_bay=fate.fog,
        escaped=fate.escaped,
        closure=total / fate.landed - 1.0 if closes else float("nan"),
        errors=None if bounds is None else bounds[lit],
        length=length,
    )
    return column if closes else replace(column, elsewhere=fate.landed - column.landed)


def _closed(film: FloatArray, areas: FloatArray, errors: FloatArray | None, landed: float) -> FloatArray:
    """Return the film so corrected that film times area sums to what has landed.

    What is missing, or too much, goes to the sides in proportion to their estimated errors and to none by
    more than three times its own; the rest, or all where no errors are known, by one factor on all sides.
    """
    if errors is not None and errors.any():
        missing = landed - float(film @ areas)
        most = max(float(errors @ areas), 1e-300)
        film = np.maximum(film + errors * np.clip(missing / most, -3.0, 3.0), 0.0)
    total = float(film @ areas)
    return film * (landed / total) if total > 0.0 else film
