"""Fewest holes on many sides: an LP and MILPs that know only the rows that matter, the rest summed up."""

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from bayreach.arrays import BoolArray, FloatArray, IntArray
from bayreach.cover._effort import Effort
from bayreach.cover._field import REACHED
from bayreach.cover._highs import Growing, solve
from bayreach.cover._model import Model

if TYPE_CHECKING:
    from scipy.sparse import csr_matrix

FIRST, A_ROUND = 500, 500
"""Rows in the first LP, and most rows added in a round."""
ROUND_ENTRY = 2e-8
"""Counted seconds an entry of the shares for finding what a point leaves short."""
DONE = 1e-5
"""Share of the area that unknown rows may lack in the last LP."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Covering:
    """Rows to be covered by columns: all but `spare` m² of them.

    Parameters
    ----------
    shares : (n_rows, n_columns) sparse, 0 to 1
        Share of a row's missing need that a column brings; rows that all columns together cover.
    areas : (n_rows,)
        m² of the rows.
    spare : float
        m² of them that may stay uncovered.
    conflicts : (k, 2)
        Columns that exclude each other.
    """

    shares: "csr_matrix"
    areas: FloatArray
    spare: float
    conflicts: IntArray

    def dry(self, chosen: BoolArray) -> BoolArray:
        """Return the rows (n_rows,) that a choice of columns (n_columns,) does not cover."""
        return np.asarray(self.shares @ chosen.astype(np.float64)) < REACHED

    def over(self, dry: BoolArray) -> float:
        """Return the m² of the rows left dry (n_rows,) beyond what may stay so; below 0 where less."""
        return float(self.areas[dry].sum()) - self.spare

    def with_columns(self, among: IntArray) -> "Covering":
        """Return the covering with some of its columns only."""
        place = np.full(self.shares.shape[1], -1)
        place[among] = np.arange(len(among))
        pairs = place[self.conflicts]
        return replace(self, shares=self.shares[:, among], conflicts=pairs[(pairs >= 0).all(axis=1)])


@dataclass(frozen=True, kw_only=True, eq=False)
class Fractional:
    """What the LP gives: shares chosen (n_columns,), price p a m², weights λ (n_rows,), the rows it knew."""

    chosen: FloatArray
    price: float
    weights: FloatArray
    known: IntArray


class _Rows:
    """The LP min Σ y: known rows D y + d ≥ 1, what may stay dry, and sums over the rows not known."""

    def __init__(self, case: Covering) -> None:
        shares, conflicts = case.shares, case.conflicts
        self.shares, self.total = shares, float(case.areas.sum())
        self.part = case.areas / self.total
        self.spare = case.spare / self.total
        self.model = Model()
        self.columns = self.model.add_columns(shares.shape[1], cost=1.0, integer=True)
        self.known = np.zeros(0, dtype=np.int64)
        self.dry = np.zeros(0, dtype=np.int64)
        self.rows = np.zeros(0, dtype=np.int64)
        empty = [(np.zeros((1, 0)), self.dry)]
        self.limit = int(self.model.add_rows(empty, upper=self.spare * (1.0 + 1e-12) + 1e-12)[0])
        self.sums: list[tuple[int, IntArray]] = []  # row, the rows summed up in it
        self.model.add_exclusions(conflicts, self.columns)

    def add(self, rows: IntArray) -> None:
        """Make rows known."""
        from scipy.sparse import identity

        upper = (self.part[rows] <= self.spare * (1.0 + 1e-9) + 1e-12).astype(np.float64)
        dry = self.model.add_columns(len(rows), upper=upper)
        self.model.add_entries(self.limit, dry, self.part[rows])
        blocks = [(self.shares[rows], self.columns), (identity(len(rows)), dry)]
        self.rows = np.concatenate([self.rows, self.model.add_rows(blocks, lower=1.0)])
        self.known, self.dry = np.concatenate([self.known, rows]), np.concatenate([self.dry, dry])

    def lacking(self, chosen: FloatArray) -> FloatArray:
        """Return (n_rows,) what unknown rows lack, 0 to 1."""
        lacks = np.maximum(0.0, 1.0 - np.asarray(self.shares @ chosen))
        lacks[self.known] = 0.0
        return np.where(lacks > 1e-7, lacks, 0.0)

    def add_sum(self, rows: IntArray) -> None:
        """Add Σ part d of the known + Σ part (1 − D y) of `rows` ≤ what may stay dry."""
        brought = np.asarray(self.shares[rows].T @ self.part[rows])
        blocks = [(self.part[self.known][None, :], self.dry), (-brought[None, :], self.columns)]
        upper = self.spare * (1.0 + 1e-12) + 1e-12 - float(self.part[rows].sum())
        self.sums.append((int(self.model.add_rows(blocks, upper=upper)[0]), rows))

    def learn(self, chosen: FloatArray, rng: np.random.Generator) -> bool:
        """Add rows that a point leaves short and their sum; say whether what they lack matters."""
        lacks = self.lacking(chosen) * self.part
        if lacks.sum() <= DONE:
            return False
        self.add_sum(np.flatnonzero(lacks > 0))
        worth = lacks * rng.uniform(0.5, 1.0, len(lacks))
        worst = np.argsort(-worth, kind="stable")[:A_ROUND]
        self.add(np.sort(worst[worth[worst] > 0]))
        return True

    def proof(self, duals: FloatArray) -> tuple[float, FloatArray]:
        """Return the price a m² and the weights (n_rows,) that row duals stand for."""
        weights = np.zeros(len(self.part))
        weights[self.known] = np.maximum(0.0, duals[self.rows])
        price = max(0.0, -float(duals[self.limit]))
        for row, summed in self.sums:
            dual = max(0.0, -float(duals[row]))
            price += dual
            weights[summed] += dual * self.part[summed]
        return price / self.total, weights


def fractional(case: Covering, *, effort: Effort, seconds: float) -> Fractional | None:
    """Return the LP's answer, rows added where it is wrong; None where work ran out before the first one."""
    end = effort.spent + seconds
    rng = np.random.default_rng(3)
    lp = _Rows(case)
    count = min(FIRST, len(case.areas))
    lp.add(np.sort(rng.choice(len(case.areas), size=count, replace=False, p=lp.part)))
    solver, best = Growing(lp.model), None
    while True:
        answer = solver.run(effort=effort, seconds=effort.left(end))
        effort.spend(case.shares.nnz * ROUND_ENTRY)
        if not answer.found or not answer.duals.size:
            return best
        price, weights = lp.proof(answer.duals)
        chosen = answer.values[lp.columns]
        best = Fractional(chosen=chosen, price=price, weights=weights, known=lp.known)
        if not lp.learn(chosen, rng) or effort.left(end) <= 0.0:
            return best


def on_support(
    case: Covering, *, known: IntArray, start: BoolArray, effort: Effort, seconds: float
) -> BoolArray:
    """Return columns (n_columns,) chosen by MILPs on the rows `known`, more added while they fall short.

    What comes back covers all that is asked if `start` does.
    """
    end = effort.spent + seconds
    rng = np.random.default_rng(4)
    milp, dry = _Rows(case), case.dry(start)
    milp.add(known)
    lacks = milp.lacking(start.astype(np.float64))
    milp.add_sum(np.flatnonzero(lacks > 0))
    while effort.left(end) > 0.1:
        values = np.zeros(milp.model.n_columns)
        values[milp.columns] = start
        values[milp.dry] = dry[milp.known]
        effort.spend(case.shares.nnz * ROUND_ENTRY)
        answer = solve(milp.model, start=values, effort=effort, seconds=effort.left(end), gap=1e-4)
        if not answer.found:
            break
        chosen = answer.values[milp.columns] > 0.5
        if case.areas[case.dry(chosen)].sum() <= case.spare * (1.0 + 1e-9) + 1e-15:
            return chosen if chosen.sum() < start.sum() else start
        if not milp.learn(chosen.astype(np.float64), rng):
            break
    return start
