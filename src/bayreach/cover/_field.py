"""What is left once the holes are fixed: passes that can be made, sides they cover, what it costs."""

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from bayreach.arrays import BoolArray, FloatArray, IntArray
from bayreach.cover._problem import ROUND_OFF, Problem

if TYPE_CHECKING:
    from scipy.sparse import csc_matrix, csr_matrix

REACHED = 1.0 - ROUND_OFF


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
