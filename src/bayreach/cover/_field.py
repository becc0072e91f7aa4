"""What is left once the holes are fixed: passes that can be made, sides they cover, what it costs."""

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from bayreach.arrays import BoolArray, FloatArray, IntArray
from bayreach.cover._problem import ROUND_OFF, Problem

if TYPE_CHECKING:
    from scipy.sparse import csc_matrix, csr_matrix

REACHED = 1.0 - ROUND_OFF
SMALL = 20_000
"""A field of no more entries than this is solved as it is: every side, every trace of film."""
LOST = 1e-4
"""Share of its need by which a side of a larger field may be under-credited in the solver's rows."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Field:
    """A problem with its entries fixed, cut down to what matters; film in units of each side's need."""

    strengths: "csc_matrix"  # (n_sides, n_passes)
    areas: FloatArray
    weights: FloatArray
    limit: FloatArray  # in units of the need
    surplus_price: FloatArray  # (n_sides,) seconds for one need's depth of surplus on the side
    least: FloatArray
    most: FloatArray
    fixed: FloatArray
    unit: FloatArray
    entry: IntArray  # (n_passes,)
    pair: IntArray  # (n_passes,) index of (entry, wand)
    pair_entry: IntArray  # (n_pairs,) entry of each pair
    lets_in: "csr_matrix"  # (n_entries, n_passes); rows of entries that stay shut are empty
    is_new: BoolArray  # (n_entries,)
    conflicts: IntArray  # (k, 2) entries
    entry_price: FloatArray  # (n_entries,)
    pair_price: FloatArray  # (n_pairs,)
    most_per_entry: int
    most_passes: int
    most_new: int
    need_area: float
    need_weight: float
    sides: IntArray  # (n_sides,) rows of the problem
    passes: IntArray  # (n_passes,) columns of the problem

    @cached_property
    def rows(self) -> "csr_matrix":
        """`strengths` by rows."""
        return self.strengths.tocsr()

    @property
    def is_small(self) -> bool:
        """Say whether the solver can take the field as it is."""
        return bool(self.strengths.nnz <= SMALL)

    @cached_property
    def thin(self) -> "csr_matrix":
        """`strengths` by rows for the solver: without traces of film, the rest raised to make up for them.

        A trace is film that even the greatest amount makes less than LOST / (entries of the row) of the need.
        With T_s their sum at greatest amounts, Σ kept s·t ≥ 1 − T_s follows from Σ s·t ≥ 1, so rows divided
        by 1 − T_s ask for no more than the full rows do: what is proven on them holds.
        """
        from scipy.sparse import csr_matrix, diags

        if self.is_small:
            return self.rows
        rows = self.rows
        most = self.most[rows.indices] * rows.data
        owner = np.repeat(np.arange(rows.shape[0]), np.diff(rows.indptr))
        trace = most * np.diff(rows.indptr)[owner] < LOST
        lost = np.bincount(owner[trace], most[trace], rows.shape[0])
        kept = rows.copy()
        kept.data[trace] = 0.0
        kept.eliminate_zeros()
        return csr_matrix(diags(1.0 / (1.0 - lost)) @ kept)

    @cached_property
    def reach(self) -> "csr_matrix":
        """(n_sides, n_passes) by rows: share of the need a pass brings at its greatest amount, at most 1."""
        from scipy.sparse import csr_matrix, diags

        reach = csr_matrix(self.thin @ diags(self.most))
        reach.data = np.minimum(reach.data, 1.0)
        return reach

    @cached_property
    def pair_reach(self) -> "csr_matrix":
        """(n_sides, n_pairs) by rows: share of the need that all passes of a wand at an entry bring."""
        from scipy.sparse import csr_matrix

        n = len(self.passes)
        shape = (n, len(self.pair_entry))
        return _capped(self.reach @ csr_matrix((np.ones(n), (np.arange(n), self.pair)), shape=shape))

    @cached_property
    def entry_reach(self) -> "csr_matrix":
        """(n_sides, n_entries) by rows: share of the need that all passes let in by an entry bring."""
        return _capped(self.reach @ self.lets_in.T)

    @property
    def spare_area(self) -> float:
        """The m² that may stay uncovered."""
        return float(self.areas.sum()) - self.need_area * REACHED + 1e-15

    @property
    def spare_weight(self) -> float:
        """The weighted m² that may stay uncovered."""
        return float(self.weights.sum()) - self.need_weight * REACHED + 1e-15

    def with_passes(self, chosen: IntArray) -> "Field":
        """Return the field with some of its passes only, every side kept."""
        return replace(
            self,
            strengths=self.strengths[:, chosen],
            least=self.least[chosen],
            most=self.most[chosen],
            fixed=self.fixed[chosen],
            unit=self.unit[chosen],
            entry=self.entry[chosen],
            pair=self.pair[chosen],
            lets_in=self.lets_in[:, chosen],
            passes=self.passes[chosen],
        )

    def levels(self, amounts: FloatArray) -> FloatArray:
        """Return (n_sides,) film in units of the need."""
        return np.asarray(self.strengths @ amounts)

    def is_met(self, covered: BoolArray) -> bool:
        """Say whether the covered sides reach both the area and the weight asked."""
        return bool(
            self.areas[covered].sum() >= self.need_area * REACHED - 1e-15
            and self.weights[covered].sum() >= self.need_weight * REACHED - 1e-15
        )

    def cost(self, amounts: FloatArray) -> float:
        """Return the seconds of `amounts`, liquid, set-ups, wand changes and surplus film priced in."""
        used = amounts > 0
        surplus = np.maximum(0.0, self.levels(amounts) - self.limit)
        pairs = np.unique(self.pair[used])
        return float(
            self.fixed[used].sum()
            + self.unit @ amounts
            + self.surplus_price @ surplus
            + self.entry_price[np.unique(self.entry[used])].sum()
            + self.pair_price[pairs].sum()
        )


def field_of(problem: Problem, opened: BoolArray, *, need_area: float, need_weight: float) -> Field:
    """Return the field of `problem` with the entries `opened` (n_entries,) and the m² to be reached."""
    passes = np.flatnonzero(problem.enters(opened) & (problem.most > 0))
    strengths = problem.strengths[:, passes].tocsr()
    reach = np.asarray(strengths @ problem.most[passes]) >= REACHED
    sides = np.flatnonzero(reach)
    entry = _first_entry(problem, opened, passes)
    pairs, pair = np.unique(np.stack([entry, problem.wands[passes]]), axis=1, return_inverse=True)
    limits, prices = problem.limits, problem.prices
    endless = len(passes)
    return Field(
        strengths=strengths[sides].tocsc(),
        areas=problem.areas[sides],
        weights=problem.weights[sides],
        limit=problem.limit[sides] / problem.need[sides],
        surplus_price=prices.surplus_litre * 1e3 * problem.areas[sides] * problem.need[sides],
        least=problem.least[passes],
        most=problem.most[passes],
        fixed=problem.fixed_seconds[passes],
        unit=problem.unit_cost[passes],
        entry=entry,
        pair=pair.ravel().astype(np.int64),
        pair_entry=pairs[0].astype(np.int64),
        lets_in=_only(problem, opened)[:, passes],
        is_new=problem.new,
        conflicts=problem.conflicts,
        entry_price=np.full(problem.n_entries, prices.entry),
        pair_price=np.full(pairs.shape[1], prices.wand_change),
        most_per_entry=endless if limits.passes_per_entry is None else limits.passes_per_entry,
        most_passes=endless if limits.passes is None else limits.passes,
        most_new=problem.n_entries if limits.new_holes is None else limits.new_holes,
        need_area=need_area,
        need_weight=need_weight,
        sides=sides,
        passes=passes,
    )


def _capped(brought: "csr_matrix") -> "csr_matrix":
    from scipy.sparse import csr_matrix

    capped = csr_matrix(brought)
    capped.data = np.minimum(capped.data, 1.0)
    return capped


def _only(problem: Problem, opened: BoolArray) -> "csr_matrix":
    from scipy.sparse import csr_matrix, diags

    table = (diags(opened.astype(float)) @ problem.lets_in).tocsr()
    table.eliminate_zeros()
    return csr_matrix(table)


def _first_entry(problem: Problem, opened: BoolArray, passes: IntArray) -> IntArray:
    """Return the entry that each pass uses: the first opened one that lets it in, openings before holes."""
    order = np.argsort(problem.new, kind="stable")
    order = order[opened[order]]
    if not len(passes):
        return np.zeros(0, dtype=np.int64)
    table = problem.lets_in[order][:, passes].tocsc()
    table.sort_indices()
    return np.asarray(order[table.indices[table.indptr[:-1]]], dtype=np.int64)
