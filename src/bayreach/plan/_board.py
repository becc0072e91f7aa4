"""What a plan is made on: the ways in, the candidate passes, and their film on a sample of sides."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from bayreach import cover
from bayreach.arrays import BoolArray, FloatArray, IntArray
from bayreach.bays import Bays
from bayreach.deposit.direct import Air, Flying
from bayreach.errors import PlanError
from bayreach.insertion import Space
from bayreach.measure import side_areas
from bayreach.passes import Columns, Kept, lay_kept, pass_columns
from bayreach.plan._entries import (
    Drilling,
    Entries,
    Progress,
    entries_of,
    entry_indices,
    more_entries,
    per_candidate,
    wand_indices,
)
from bayreach.plan._sample import sample_sides, with_short
from bayreach.sight import targets_of
from bayreach.wands import Wand

if TYPE_CHECKING:
    from scipy.sparse import csc_matrix

    from bayreach.rays import Scene

AIM_SECONDS = 20.0
"""Seconds to push a wand in and aim it once. Common practice, no source."""
MOST_PULLS = 3
"""Most pulls along one path that a plan asks for."""
SAMPLES = 4
"""Points sprayed at on each side planned on."""
MOST_SIDES = 6_000
"""Sides that a plan is made on; where more need film, a sample drawn evenly by area stands for them."""
SHADOW_SHARE = 0.005
"""Share of area that no candidate reaches above which more candidate sites are looked for near it."""
NEVER = 1e3
"""In m: stands for a need that no film meets; what is asked of such a side cannot stay on it."""
MOST_FACTOR = 1.5
"""Most film aimed at, in needs, on a side where the columns promise too much."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Asked:
    """What is asked of the sides: needed, least and greatest wet film (m), priority, all (2n,); the share.

    `need` is infinite where what is asked cannot stay, however much is sprayed: such sides count as area and
    nothing is planned on them.
    `settled_per_fog` by wand name, (2n, n_bays) m per m³ of fog, gives credit for film that drifts down as
    fog; left out, only direct film counts.
    """

    required: BoolArray
    need: FloatArray
    limit: FloatArray
    priority: FloatArray
    share: float
    settled_per_fog: Mapping[str, FloatArray] | None = None

    @property
    def can_hold(self) -> BoolArray:
        """(2n,) bool: sides on which what is asked can stay."""
        return np.isfinite(self.need)


@dataclass(frozen=True, kw_only=True, eq=False)
class Ground:
    """The structure made ready: its mesh is `bays.mesh`; throw laws by wand; which way is down."""

    bays: Bays
    scene: "Scene"
    space: Space
    air: Air | None = None
    flying: Mapping[str, Flying | None] | None = None
    down: FloatArray

    @property
    def side_areas(self) -> FloatArray:
        """(2n,) float in m²."""
        return side_areas(self.bays.mesh)


@dataclass(frozen=True, kw_only=True, eq=False)
class Board:
    """Everything a plan is made from: what is asked, the ways in, the candidate passes and their columns.

    `sides` (k,) are the side ids planned on and `weight` (k,) the m² that each stands for; `kept` holds the
    columns by content and grows. `factor` (k,) is how many needs of film are aimed at on a
    side, where a simulation found that the columns promise too much. `barred` are the candidates (places in
    `entries.candidates`) whose whole motion was found not to be clear, and what each of them meets.
    """

    ground: Ground
    asked: Asked
    wands: tuple[Wand, ...]
    drilling: Drilling | None
    sides: IntArray
    weight: FloatArray
    factor: FloatArray
    entries: Entries
    columns: Columns
    kept: Kept
    limits: cover.Limits
    prices: cover.Prices
    barred: Mapping[int, str] = field(default_factory=dict)

    @property
    def said(self) -> tuple[str, ...]:
        """What was looked at more coarsely than usual, and which passes were left out, in words."""
        lines = [
            f"A pass of {one.wand.name} through {one.opening} was left out, since its whole motion is not "
            f"clear: {what}."
            for one, what in ((self.entries.candidates[k], self.barred[k]) for k in sorted(self.barred))
        ]
        return (*self.entries.said, *lines)

    @property
    def is_sample(self) -> bool:
        """Say whether not every side that needs film is planned on."""
        return len(self.sides) < int(self.asked.required.sum())


def board_of(
    ground: Ground,
    wands: Sequence[Wand],
    asked: Asked,
    *,
    drilling: Drilling | None = None,
    closed: Sequence[str] = (),
    limits: cover.Limits | None = None,
    prices: cover.Prices | None = None,
    most_sides: int = MOST_SIDES,
    most_paths: int = 24,
    seed: int = 7,
    kept: Kept | None = None,
    progress: Progress,
) -> Board:
    """Return the board for `wands`: ways in found, columns worked out (or found in `kept`).

    Raises
    ------
    PlanError
        When no side needs film, or there is no wand.
    """
    sides, weight, entries = _first_look(
        ground,
        wands,
        asked,
        drilling=drilling,
        closed=closed,
        most_sides=most_sides,
        most_paths=most_paths,
        seed=seed,
        progress=progress,
    )
    store = Kept() if kept is None else kept
    board = Board(
        ground=ground,
        asked=asked,
        wands=tuple(wands),
        drilling=drilling,
        sides=sides,
        weight=weight,
        factor=np.ones(len(sides)),
        entries=entries,
        columns=_columns(ground, asked, sides, entries=entries, kept=store, progress=progress),
        kept=store,
        limits=cover.Limits() if limits is None else limits,
        prices=cover.Prices() if prices is None else prices,
    )
    return _looked_closer(board, seed, progress)


def _looked_closer(board: Board, seed: int, progress: Progress) -> Board:
    """Return the board with more candidate sites near what no candidate reaches, where that is much."""
    if board.drilling is None or not board.entries.sites or board.drilling.most == 0:
        return board
    problem = problem_on(board)
    reached = np.asarray(problem.strengths @ problem.most) >= 1.0
    reached |= ~board.asked.can_hold[board.sides]  # no place for a hole helps there
    if float(problem.areas[~reached].sum()) < SHADOW_SHARE * float(problem.areas.sum()):
        return board
    ground = board.ground
    shadows = ground.bays.mesh.corners[board.sides[~reached] // 2].mean(axis=1)
    entries = more_entries(
        board.entries,
        ground.space,
        ground.bays,
        ground.scene,
        board.wands,
        drilling=board.drilling,
        among=shadows,
        down=ground.down,
        seed=seed,
        progress=progress,
    )
    columns = _columns(ground, board.asked, board.sides, entries=entries, kept=board.kept, progress=progress)
    return replace(board, entries=entries, columns=columns)


def lay_share(
    ground: Ground,
    wands: Sequence[Wand],
    asked: Asked,
    *,
    share: tuple[int, int],
    closed: Sequence[str] = (),
    drilling: Drilling | None = None,
    most_paths: int = 24,
    seed: int = 7,
    kept: Kept,
    progress: Progress,
) -> None:
    """Add to `kept` one share (k of n) of the columns that `board_of` asks for first, given the same.

    A board that is made with all shares kept works out none of those columns again, and is the same.
    """
    sides, _, entries = _first_look(
        ground,
        wands,
        asked,
        drilling=drilling,
        closed=closed,
        most_sides=MOST_SIDES,
        most_paths=most_paths,
        seed=seed,
        progress=progress,
    )
    keys, _ = lay_kept(
        ground.scene,
        targets_of(ground.bays.mesh, sides, SAMPLES),
        entries.candidates,
        air=ground.air,
        flying=ground.flying,
        share=share,
        kept=kept,
        progress=progress,
    )
    kept.used.update(keys.values())


def _first_look(
    ground: Ground,
    wands: Sequence[Wand],
    asked: Asked,
    *,
    drilling: Drilling | None,
    closed: Sequence[str],
    most_sides: int,
    most_paths: int,
    seed: int,
    progress: Progress,
) -> tuple[IntArray, FloatArray, Entries]:
    """Return the sides planned on (k,), the m² that each stands for, and the ways in."""
    if not asked.required.any():
        message = "plan: no side needs film; check the bays, the priorities and the keep-outs."
        raise PlanError(message)
    if not wands:
        message = "plan: no wand is given; add a [[wand]] table to the job."
        raise PlanError(message)
    sides, weight = sample_sides(asked.required, ground.side_areas, ground.bays.side_bay, most_sides)
    entries = entries_of(
        ground.space,
        ground.bays,
        ground.scene,
        wands,
        drilling=drilling,
        closed=closed,
        most_paths=most_paths,
        down=ground.down,
        seed=seed,
        progress=progress,
    )
    return sides, weight, entries


def _columns(
    ground: Ground, asked: Asked, sides: IntArray, *, entries: Entries, kept: Kept, progress: Progress
) -> Columns:
    fog = asked.settled_per_fog
    return pass_columns(
        ground.scene,
        targets_of(ground.bays.mesh, sides, SAMPLES),
        entries.candidates,
        air=ground.air,
        flying=ground.flying,
        settled_per_fog=None if fog is None else {name: rates[sides] for name, rates in fog.items()},
        kept=kept,
        progress=progress,
    )


def widened(board: Board, short: ArrayLike, progress: Progress) -> Board:
    """Return the board with the sides `short` (ids) planned on too; columns known already are reused."""
    areas, bays = board.ground.side_areas, board.ground.bays
    wanted = np.intersect1d(
        np.asarray(short, dtype=np.int64),
        np.flatnonzero(board.asked.required & board.asked.can_hold & (areas > 0)),
    )
    if not board.is_sample or not len(wanted):
        return board
    sides, weight = with_short(
        board.sides, board.weight, wanted, required=board.asked.required, areas=areas, side_bay=bays.side_bay
    )
    columns = _columns(
        board.ground, board.asked, sides, entries=board.entries, kept=board.kept, progress=progress
    )
    factor = np.ones(len(sides))
    place = np.searchsorted(sides, board.sides)
    place[place == len(sides)] = 0
    still = sides[place] == board.sides
    factor[place[still]] = board.factor[still]
    return replace(board, sides=sides, weight=weight, factor=factor, columns=columns)


def learnt(board: Board, amounts: FloatArray, film: FloatArray) -> Board:
    """Return the board that knows where the columns promised too much.

    `film` (2n,) m is the wet film that a simulation of `amounts` (n_passes,) found. A side that got less than
    its columns said is asked for as much more, at most `MOST_FACTOR`.
    """
    promised = problem_on(board).film_of(amounts)
    real = film[board.sides]
    over = np.divide(promised, real, out=np.ones(len(real)), where=(real > 0) & (promised > real))
    return replace(board, factor=np.maximum(board.factor, np.minimum(over, MOST_FACTOR)))


def _single(film: "csc_matrix") -> "csc_matrix":
    """Return the film to single precision: what is solved is then exactly what the stored columns say."""
    single = film.copy()
    single.data = film.data.astype(np.float32).astype(np.float64)
    return single


def problem_on(board: Board) -> cover.Problem:
    """Return the cover problem of a board: sides by candidate passes."""
    from scipy.sparse import csc_matrix, csr_matrix, diags_array

    asked, entries, candidates = board.asked, board.entries, board.entries.candidates
    volumes = per_candidate(candidates, "volume")
    entry = entry_indices(entries)
    shape = (len(entries.openings), len(candidates))
    most_new = None if board.drilling is None else board.drilling.most
    limits = board.limits if board.limits.new_holes is not None else replace(board.limits, new_holes=most_new)
    film = board.columns.film(volumes, credit=asked.settled_per_fog is not None)
    if board.barred:  # a pass that lays nothing is never chosen
        stays = np.ones(len(candidates))
        stays[list(board.barred)] = 0.0
        film = csc_matrix(film @ diags_array(stays))
    return cover.Problem(
        film=_single(film),
        areas=board.weight,
        weights=board.weight * asked.priority[board.sides],
        need=np.minimum(asked.need[board.sides], NEVER),
        limit=asked.limit[board.sides],
        lets_in=csr_matrix((np.ones(len(entry)), (entry, np.arange(len(entry)))), shape=shape),
        new=entries.is_new,
        least=np.full(len(candidates), min(cover.SPEED_LEVELS)),
        most=np.full(len(candidates), MOST_PULLS * max(cover.SPEED_LEVELS)),
        fixed_seconds=np.full(len(candidates), AIM_SECONDS),
        unit_seconds=per_candidate(candidates, "seconds"),
        unit_volume=volumes,
        wands=wand_indices(candidates, board.wands),
        conflicts=entries.conflicts,
        share=asked.share,
        limits=limits,
        prices=board.prices,
    )
