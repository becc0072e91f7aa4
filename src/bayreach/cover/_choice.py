"""The problem as holes see it: rows of sides that look alike, shares that each hole brings, reduced."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from bayreach.arrays import BoolArray, FloatArray, IntArray
from bayreach.cover._problem import ROUND_OFF, Problem
from bayreach.cover._reduce import alike, kept

if TYPE_CHECKING:
    from scipy.sparse import csc_matrix, csr_matrix


@dataclass(frozen=True, kw_only=True, eq=False)
class HoleChoice:
    """The problem seen by holes alone: sides that look alike are one row, their areas summed.

    Sides that existing openings cover by themselves are counted in `done_area` and `done_weight`. This
    relaxes limits on the
    number of passes; without such limits it is exact.
    """

    shares: (
        "csc_matrix"  # (n_rows, n_new): share of the missing need that each new entry can bring, at most 1
    )
    row_areas: FloatArray
    row_weights: FloatArray
    row_of: IntArray  # (n_sides,) row of each side, -1: done or out of reach
    holes: IntArray  # (n_new,) entry index of each column
    conflicts: IntArray  # (k, 2) columns
    done: BoolArray  # (n_sides,)
    done_area: float
    done_weight: float
    asked_area: float

    @property
    def attainable_area(self) -> float:
        """The m² covered with every candidate drilled (conflicts not counted: an upper bound)."""
        return self.done_area + float(self.row_areas.sum())

    def covered_rows(self, chosen: BoolArray) -> BoolArray:
        """Return (n_rows,) bool for the `chosen` columns (n_new,)."""
        return np.asarray(self.shares @ chosen.astype(float)) >= 1.0 - ROUND_OFF

    def area_of(self, chosen: BoolArray) -> float:
        """Return the m² covered with the `chosen` columns (n_new,) drilled."""
        return self.done_area + float(self.row_areas[self.covered_rows(chosen)].sum())

    def weight_of(self, chosen: BoolArray) -> float:
        """Return the weighted m² covered with the `chosen` columns (n_new,) drilled."""
        return self.done_weight + float(self.row_weights[self.covered_rows(chosen)].sum())


def hole_choice(problem: Problem) -> HoleChoice:
    """Return `problem` as seen by holes, reduced: sides done by openings dropped, identical sides merged."""
    existing = problem.enters(~problem.new)
    base = np.asarray(problem.strengths @ (problem.most * existing))
    done = base >= 1.0 - ROUND_OFF
    holes = np.flatnonzero(problem.new)
    shares = missing_shares(problem, base=base, done=done, open_passes=existing)
    reached = np.flatnonzero(np.asarray(shares.sum(axis=1)).ravel() >= 1.0 - ROUND_OFF)
    row_of_reached, first = alike(shares[reached])
    row_of = np.full(problem.n_sides, -1)
    row_of[reached] = row_of_reached
    column = np.full(problem.n_entries, -1)
    column[holes] = np.arange(len(holes))
    pairs = column[problem.conflicts] if len(problem.conflicts) else np.zeros((0, 2), dtype=int)
    n_rows = len(first)
    return HoleChoice(
        shares=shares[reached][first].tocsc(),
        row_areas=_sums(row_of_reached, problem.areas[reached], n_rows),
        row_weights=_sums(row_of_reached, problem.weights[reached], n_rows),
        row_of=row_of,
        holes=holes,
        conflicts=pairs[(pairs >= 0).all(axis=1)],
        done=done,
        done_area=float(problem.areas[done].sum()),
        done_weight=float(problem.weights[done].sum()),
        asked_area=problem.asked_area,
    )


def _sums(groups: IntArray, values: FloatArray, count: int) -> FloatArray:
    return np.asarray(np.bincount(groups, values, count), dtype=np.float64)


def missing_shares(
    problem: Problem, *, base: FloatArray, done: BoolArray, open_passes: BoolArray
) -> "csr_matrix":
    """Return (n_sides, n_new) sparse: the share of a side's missing need a new entry can bring.

    min(1, Σ over its passes of greatest film / (need − film of the open passes at their greatest)); nothing
    on sides that are done.
    """
    from scipy.sparse import csr_matrix, diags

    holes = np.flatnonzero(problem.new)
    amounts = diags(problem.most * ~open_passes)
    gains = csr_matrix(problem.strengths @ amounts @ problem.lets_in[holes].T)
    missing = np.where(done, np.inf, np.maximum(1.0 - base, 1e-300))
    shares = csr_matrix(diags(1.0 / missing) @ gains)
    shares.data = np.where(shares.data >= 1.0 - ROUND_OFF, 1.0, shares.data)
    shares.eliminate_zeros()
    return shares


def greedy_holes(choice: HoleChoice) -> BoolArray:
    """Return a choice of holes by greatest gain in area, conflicts respected; may fall short."""
    chosen = np.zeros(len(choice.holes), dtype=bool)
    allowed = np.ones(len(choice.holes), dtype=bool)
    level = np.zeros(len(choice.row_areas))
    columns = choice.shares
    index_of_column = np.repeat(np.arange(columns.shape[1]), np.diff(columns.indptr))
    while choice.area_of(chosen) < choice.asked_area * (1.0 - ROUND_OFF) and allowed.any():
        missing = np.maximum(0.0, 1.0 - level)
        gain = np.minimum(columns.data, missing[columns.indices]) * choice.row_areas[columns.indices]
        gains = np.bincount(index_of_column, gain, len(choice.holes)) * allowed
        best = int(np.argmax(gains))
        if gains[best] <= 0.0:
            break
        chosen[best], allowed[best] = True, False
        clash = choice.conflicts[(choice.conflicts == best).any(axis=1)]
        allowed[clash.ravel()] = False
        level += np.asarray(columns[:, [best]].todense()).ravel()
    return chosen


def is_enough(choice: HoleChoice, chosen: BoolArray) -> bool:
    """Say whether the `chosen` columns (n_columns,) cover the area asked."""
    return choice.area_of(chosen) >= choice.asked_area * (1.0 - ROUND_OFF)


def pruned(choice: HoleChoice, chosen: BoolArray) -> BoolArray:
    """Return `chosen` (n_columns,) without columns that what is asked does not need, least area first."""
    if not is_enough(choice, chosen):
        return chosen
    chosen = chosen.copy()
    columns = choice.shares
    level = np.asarray(columns @ chosen.astype(np.float64))
    used = np.flatnonzero(chosen)
    for column in used[np.argsort(np.diff(columns.indptr)[used], kind="stable")]:
        piece = slice(columns.indptr[column], columns.indptr[column + 1])
        tried = level.copy()
        tried[columns.indices[piece]] -= columns.data[piece]
        area = choice.done_area + float(choice.row_areas[tried >= 1.0 - ROUND_OFF].sum())
        if area >= choice.asked_area * (1.0 - ROUND_OFF):
            chosen[column], level = False, tried
    return chosen


def reduced(choice: HoleChoice, *, whole_area: bool) -> tuple[HoleChoice, IntArray]:
    """Return the choice without what it can do without (see `_reduce`), and the columns (indices) that stay.

    Outdone columns go for any target, then rows that look alike become one. Only where all that can be
    covered is asked (`whole_area`: and the area asked is a condition) do implied rows go too; their area
    counts as done, since every choice that covers the rest covers them.
    """
    shares, n_columns = choice.shares.tocsr(), len(choice.holes)
    spare = choice.attainable_area - choice.asked_area * (1.0 - ROUND_OFF)
    full = whole_area and bool((choice.row_areas > spare).all())
    left = kept(shares, choice.conflicts, full_cover=full)
    columns, rows = np.flatnonzero(left.columns), np.flatnonzero(left.rows)
    group, first = alike(shares[rows][:, columns])
    row_of = np.full(len(choice.row_areas) + 1, -1)  # the last place answers for row −1
    row_of[rows] = group
    column = np.full(n_columns, -1)
    column[columns] = np.arange(len(columns))
    gone = ~left.rows
    slim = HoleChoice(
        shares=shares[rows][:, columns][first].tocsc(),
        row_areas=_sums(group, choice.row_areas[rows], len(first)),
        row_weights=_sums(group, choice.row_weights[rows], len(first)),
        row_of=row_of[choice.row_of],
        holes=choice.holes[columns],
        conflicts=column[choice.conflicts],
        done=choice.done,
        done_area=choice.done_area + float(choice.row_areas[gone].sum()),
        done_weight=choice.done_weight + float(choice.row_weights[gone].sum()),
        asked_area=choice.asked_area,
    )
    return slim, columns


def partial_rows(choice: HoleChoice) -> BoolArray:
    """Return (n_rows,) bool: rows of which some column brings a part only."""
    rows = choice.shares.tocsr()
    partial = rows.copy()
    partial.data = (rows.data < 1.0).astype(float)
    return np.asarray(partial.sum(axis=1)).ravel() > 0
