"""Models of array blocks, what a solver answers, and the bound that duals prove in plain numpy."""

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from bayreach.arrays import BoolArray, FloatArray, IntArray

if TYPE_CHECKING:
    from scipy.sparse import csr_matrix

INFINITE = math.inf
MARGIN = 1e-6
"""Columns by which a bound must be above a whole number to count as above it."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Answer:
    """What the solver found.

    Parameters
    ----------
    values : (n,) float
        The best feasible point, empty where none was found.
    objective : float
        Its cost; infinite where none was found.
    bound : float
        Proven: no feasible point costs less. Of an LP it is recomputed from the duals (see `dual_bound`).
    duals : (m,) float
        Row duals of an LP; empty for a MILP.
    status : str
        "optimal", "infeasible", "limit" (stopped by work or gap with whatever was found).
    """

    values: FloatArray
    objective: float
    bound: float
    duals: FloatArray
    status: str

    @property
    def found(self) -> bool:
        """Say whether there is a feasible point."""
        return bool(self.values.size)


@dataclass(kw_only=True, eq=False)
class Model:
    """A MILP under construction: min cost @ x, lower <= x <= upper, row_lower <= A x <= row_upper."""

    cost: list[FloatArray] = field(default_factory=list)
    lower: list[FloatArray] = field(default_factory=list)
    upper: list[FloatArray] = field(default_factory=list)
    integer: list[BoolArray] = field(default_factory=list)
    row_lower: list[FloatArray] = field(default_factory=list)
    row_upper: list[FloatArray] = field(default_factory=list)
    _rows: list[IntArray] = field(default_factory=list)
    _columns: list[IntArray] = field(default_factory=list)
    _values: list[FloatArray] = field(default_factory=list)
    n_columns: int = 0
    n_rows: int = 0

    def add_columns(
        self, count: int, *, cost: Any = 0.0, lower: Any = 0.0, upper: Any = 1.0, integer: bool = False
    ) -> IntArray:
        """Append `count` columns and return their indices; scalars are spread."""
        for store, value in ((self.cost, cost), (self.lower, lower), (self.upper, upper)):
            store.append(np.broadcast_to(np.asarray(value, dtype=np.float64), (count,)).copy())
        self.integer.append(np.full(count, integer))
        self.n_columns += count
        return np.arange(self.n_columns - count, self.n_columns)

    def add_rows(
        self,
        blocks: list[tuple[Any, IntArray]],
        *,
        lower: Any = -INFINITE,
        upper: Any = INFINITE,
    ) -> IntArray:
        """Append rows: the sum over `blocks` of (matrix (r, k), columns (k,)); return their indices."""
        from scipy.sparse import coo_matrix

        count = blocks[0][0].shape[0]
        for matrix, columns in blocks:
            part = coo_matrix(matrix)
            self._rows.append(part.row.astype(np.int64) + self.n_rows)
            self._columns.append(np.asarray(columns, dtype=np.int64)[part.col])
            self._values.append(part.data.astype(np.float64))
        for store, value in ((self.row_lower, lower), (self.row_upper, upper)):
            store.append(np.broadcast_to(np.asarray(value, dtype=np.float64), (count,)).copy())
        self.n_rows += count
        return np.arange(self.n_rows - count, self.n_rows)

    def add_exclusions(self, pairs: IntArray, columns: IntArray) -> None:
        """Append rows so that of the two `columns` (n,) at each of `pairs` (k, 2) at most one is 1."""
        from scipy.sparse import coo_matrix

        count = len(pairs)
        if count:
            places = (np.repeat(np.arange(count), 2), pairs.ravel())
            table = coo_matrix((np.ones(2 * count), places), shape=(count, len(columns)))
            self.add_rows([(table, columns)], upper=1.0)

    def add_entries(self, row: int, columns: IntArray, values: Any) -> None:
        """Put more columns into a row that is there already."""
        self._rows.append(np.full(len(columns), row, dtype=np.int64))
        self._columns.append(np.asarray(columns, dtype=np.int64))
        self._values.append(np.broadcast_to(np.asarray(values, dtype=np.float64), (len(columns),)).copy())

    def row_upper_of(self, row: int) -> float:
        """Return the upper limit of one row."""
        return float(joined(self.row_upper)[row])

    @property
    def n_entries(self) -> int:
        """Number of entries of A."""
        return sum(map(len, self._values))

    @property
    def n_blocks(self) -> int:
        """Number of blocks of entries added so far, for `entries_since`."""
        return len(self._rows)

    def entries_since(self, block: int) -> tuple[IntArray, IntArray, FloatArray]:
        """Return rows, columns and values of the entries added from a block on."""
        return (
            joined(self._rows[block:], int),
            joined(self._columns[block:], int),
            joined(self._values[block:]),
        )

    def matrix(self) -> "csr_matrix":
        """Return A (n_rows, n_columns)."""
        from scipy.sparse import csr_matrix

        return csr_matrix(
            (joined(self._values), (joined(self._rows, int), joined(self._columns, int))),
            shape=(self.n_rows, self.n_columns),
        )


def joined(parts: list[Any], kind: type = float) -> Any:
    """Return the parts as one array, of `kind` where there are none."""
    return np.concatenate(parts) if parts else np.zeros(0, dtype=kind)


def at_least(bound: float) -> int:
    """Return the fewest whole columns that a bound on their number leaves possible.

    >>> at_least(41.36), at_least(42.0 + 1e-9)
    (42, 42)
    """
    return math.ceil(bound - MARGIN)


def dual_bound(model: Model, duals: FloatArray) -> float:
    """Return the lower bound on the model's cost that row duals (m,) prove, in plain numpy.

    For any duals y, with reduced costs r = c - Aᵀy, every feasible x costs at least
    Σ_i (y_i lower_i if y_i > 0 else y_i upper_i) + Σ_j min(r_j lower_j, r_j upper_j).
    A dual whose side has no limit is dropped; a column without a limit on the side it needs makes the bound
    -inf.
    """
    row_lower, row_upper = joined(model.row_lower), joined(model.row_upper)
    duals = np.where((duals > 0) & np.isinf(row_lower), 0.0, duals)
    duals = np.where((duals < 0) & np.isinf(row_upper), 0.0, duals)
    sides = np.where(duals > 0, row_lower, row_upper)
    rows = float(np.sum(duals * np.where(duals == 0, 0.0, sides)))
    reduced = joined(model.cost) - model.matrix().T @ duals
    reduced[np.abs(reduced) < 1e-12] = 0.0
    ends = np.where(reduced > 0, joined(model.lower), joined(model.upper))
    return rows + float(np.sum(reduced * np.where(reduced == 0, 0.0, ends)))
