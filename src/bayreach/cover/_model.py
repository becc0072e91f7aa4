"""The one door to the MILP solver: models of array blocks, solved by HiGHS, bounds recomputed here."""

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from bayreach.arrays import BoolArray, FloatArray, IntArray
from bayreach.errors import PlanError

if TYPE_CHECKING:
    from scipy.sparse import csr_matrix

INFINITE = math.inf


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
        "optimal", "infeasible", "limit" (stopped by time or gap with whatever was found).
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

    def matrix(self) -> "csr_matrix":
        """Return A (n_rows, n_columns)."""
        from scipy.sparse import csr_matrix

        return csr_matrix(
            (_joined(self._values), (_joined(self._rows, int), _joined(self._columns, int))),
            shape=(self.n_rows, self.n_columns),
        )


def _joined(parts: list[Any], kind: type = float) -> Any:
    return np.concatenate(parts) if parts else np.zeros(0, dtype=kind)


def dual_bound(model: Model, duals: FloatArray) -> float:
    """Return the lower bound on the model's cost that row duals (m,) prove, in plain numpy.

    For any duals y, with reduced costs r = c - Aᵀy, every feasible x costs at least
    Σ_i (y_i lower_i if y_i > 0 else y_i upper_i) + Σ_j min(r_j lower_j, r_j upper_j).
    A dual whose side has no limit is dropped; a column without a limit on the side it needs makes the bound
    -inf.
    """
    row_lower, row_upper = _joined(model.row_lower), _joined(model.row_upper)
    duals = np.where((duals > 0) & np.isinf(row_lower), 0.0, duals)
    duals = np.where((duals < 0) & np.isinf(row_upper), 0.0, duals)
    sides = np.where(duals > 0, row_lower, row_upper)
    rows = float(np.sum(duals * np.where(duals == 0, 0.0, sides)))
    reduced = _joined(model.cost) - model.matrix().T @ duals
    reduced[np.abs(reduced) < 1e-12] = 0.0
    ends = np.where(reduced > 0, _joined(model.lower), _joined(model.upper))
    return rows + float(np.sum(reduced * np.where(reduced == 0, 0.0, ends)))


def solve(
    model: Model,
    *,
    start: FloatArray | None = None,
    seconds: float = 60.0,
    gap: float = 1e-6,
    relax: bool = False,
) -> Answer:
    """Minimise `model` with HiGHS, from a `start` (n,) if given; `relax` drops integrality.

    HiGHS 1.16 can call a start optimal whose cost is above its own bound, where presolve alone closes the
    problem: such
    an answer is asked for again without the start.

    Raises
    ------
    PlanError
        When the solver refuses the model or ends in a state that means neither an answer nor "none".
    """
    answer = _run(model, start=start, seconds=seconds, gap=gap, relax=relax)
    excess = answer.objective - answer.bound
    believable = answer.found and excess <= 2.0 * gap * abs(answer.objective) + 1e-6
    if start is None or relax or answer.status == "limit" or believable:
        return answer
    again = _run(model, start=None, seconds=seconds, gap=gap, relax=relax)
    return again if again.found or not answer.found else answer


def _run(model: Model, *, start: FloatArray | None, seconds: float, gap: float, relax: bool) -> Answer:
    import highspy
    from highspy._core import _Highs as Highs  # the public class prints a banner on creation

    highs = Highs()
    for name, value in (
        ("output_flag", False),
        ("threads", 1),  # the solver's scheduler is global: it must not change within a process
        ("time_limit", float(seconds)),
        ("mip_rel_gap", gap),
        ("mip_abs_gap", 1e-9),
        ("mip_feasibility_tolerance", 1e-7),
        ("primal_feasibility_tolerance", 1e-8),
        ("random_seed", 7),
    ):
        highs.setOptionValue(name, value)
    if highs.passModel(_as_lp(model, relax)) == highspy.HighsStatus.kError:
        message = f"solver: HiGHS refuses a model of {model.n_rows} rows and {model.n_columns} columns."
        raise PlanError(message)
    if start is not None and not relax:
        solution = highspy.HighsSolution()
        solution.col_value = [float(value) for value in start]
        highs.setSolution(solution)
    highs.run()
    return _answer_of(highs, model, is_lp=relax or not _joined(model.integer, bool).any())


def _as_lp(model: Model, relax: bool) -> Any:
    import highspy

    matrix = model.matrix().tocsc()
    lp = highspy.HighsLp()
    lp.num_col_, lp.num_row_ = model.n_columns, model.n_rows
    lp.col_cost_, lp.col_lower_, lp.col_upper_ = (
        _joined(model.cost),
        _joined(model.lower),
        _joined(model.upper),
    )
    lp.row_lower_, lp.row_upper_ = _joined(model.row_lower), _joined(model.row_upper)
    lp.a_matrix_.format_ = highspy.MatrixFormat.kColwise
    lp.a_matrix_.start_ = matrix.indptr
    lp.a_matrix_.index_ = matrix.indices
    lp.a_matrix_.value_ = matrix.data
    if not relax:
        kinds = (highspy.HighsVarType.kContinuous, highspy.HighsVarType.kInteger)
        lp.integrality_ = [kinds[int(whole)] for whole in _joined(model.integer, bool)]
    return lp


def _answer_of(highs: Any, model: Model, *, is_lp: bool) -> Answer:
    import highspy

    state, info = highs.getModelStatus(), highs.getInfo()
    none = np.zeros(0)
    status = highspy.HighsModelStatus
    if state in (status.kInfeasible, status.kUnboundedOrInfeasible):
        return Answer(values=none, objective=INFINITE, bound=INFINITE, duals=none, status="infeasible")
    if state not in (
        status.kOptimal,
        status.kTimeLimit,
        status.kObjectiveBound,
        status.kIterationLimit,
        status.kSolutionLimit,
    ):
        message = f"solver: HiGHS ended with {highs.modelStatusToString(state)} on {model.n_rows} rows."
        raise PlanError(message)
    point = highs.getSolution()
    feasible = info.primal_solution_status == int(highspy.SolutionStatus.kSolutionStatusFeasible)
    values = np.array(point.col_value) if feasible else none
    duals = np.array(point.row_dual) if is_lp and point.dual_valid else none
    proven = dual_bound(model, duals) if duals.size else -INFINITE
    objective = float(_joined(model.cost) @ values) if feasible else INFINITE
    bound = proven if is_lp else float(info.mip_dual_bound)
    return Answer(
        values=values,
        objective=objective,
        bound=bound,
        duals=duals,
        status="optimal" if state == status.kOptimal else "limit",
    )
