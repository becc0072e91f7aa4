"""The one door to the MILP solver HiGHS: time that is kept, Ctrl-C that stops, bounds recomputed here."""

import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import numpy as np

from bayreach.arrays import FloatArray
from bayreach.cover._model import INFINITE, Answer, Model, dual_bound, joined
from bayreach.errors import PlanError

SHORTEST = 0.05
"""Seconds given to a run at least: time that is used up still gets an answer."""
BETWEEN = 0.5
"""Seconds between two words on how a run stands."""

Told = Callable[[float, float], None]
"""Told the best cost and the bound while a MILP is being solved."""


def solve(
    model: Model,
    *,
    start: FloatArray | None = None,
    seconds: float = 60.0,
    gap: float = 1e-6,
    relax: bool = False,
    told: Told | None = None,
) -> Answer:
    """Minimise `model` with HiGHS, from a `start` (n,) if given; `relax` drops integrality.

    HiGHS 1.16 can call a start optimal whose cost is above its own bound, where presolve alone closes the
    problem: such
    an answer is asked for again without the start.

    Raises
    ------
    PlanError
        When the solver refuses the model or ends in a state that means neither an answer nor "none".
    KeyboardInterrupt
        After the run has ended, when Ctrl-C was pressed during it.
    """
    end = time.monotonic() + seconds
    answer = _solved(model, start=start, seconds=seconds, gap=gap, relax=relax, told=told)
    excess = answer.objective - answer.bound
    believable = answer.found and excess <= 2.0 * gap * abs(answer.objective) + 1e-6
    if start is None or relax or answer.status == "limit" or believable:
        return answer
    left = end - time.monotonic()
    again = _solved(model, start=None, seconds=left, gap=gap, relax=relax, told=told)
    return again if again.found or not answer.found else answer


class Growing:
    """An LP kept in the solver while its model grows: each run starts from the basis of the one before."""

    def __init__(self, model: Model) -> None:
        self._model = model
        self._highs = _fresh(gap=0.0)
        self._columns = self._rows = self._blocks = 0

    def run(self, *, seconds: float) -> Answer:
        """Return the answer of the relaxed model as it now is."""
        self._catch_up()
        _run(self._highs, seconds=seconds)
        return _answer_of(self._highs, self._model, is_lp=True)

    def _catch_up(self) -> None:
        from scipy.sparse import coo_matrix

        model = self._model
        rows, columns, values = model.entries_since(self._blocks)
        shape = (model.n_rows, model.n_columns)
        old = rows < self._rows  # entries of rows the solver knows: these can be of new columns only
        if model.n_columns > self._columns:
            part = coo_matrix((values[old], (rows[old], columns[old])), shape=shape).tocsc()
            added = part[:, self._columns :]
            ends = (joined(each)[self._columns :] for each in (model.cost, model.lower, model.upper))
            starts = added.indptr[:-1].astype(np.int32)
            self._highs.addCols(added.shape[1], *ends, added.nnz, starts, added.indices, added.data)
        if model.n_rows > self._rows:
            lines = coo_matrix((values[~old], (rows[~old], columns[~old])), shape=shape).tocsr()[self._rows :]
            limits = (joined(each)[self._rows :] for each in (model.row_lower, model.row_upper))
            starts = lines.indptr[:-1].astype(np.int32)
            self._highs.addRows(lines.shape[0], *limits, lines.nnz, starts, lines.indices, lines.data)
        self._rows, self._columns, self._blocks = model.n_rows, model.n_columns, model.n_blocks


def _solved(
    model: Model, *, start: FloatArray | None, seconds: float, gap: float, relax: bool, told: Told | None
) -> Answer:
    import highspy

    highs = _fresh(gap=gap)
    if highs.passModel(_as_lp(model, relax)) == highspy.HighsStatus.kError:
        message = f"solver: HiGHS refuses a model of {model.n_rows} rows and {model.n_columns} columns."
        raise PlanError(message)
    if start is not None and not relax:
        solution = highspy.HighsSolution()
        solution.col_value = [float(value) for value in start]
        highs.setSolution(solution)
    _run(highs, seconds=seconds, told=told)
    return _answer_of(highs, model, is_lp=relax or not joined(model.integer, bool).any())


def _fresh(*, gap: float) -> Any:
    from highspy._core import _Highs as Highs  # the public class prints a banner on creation

    highs = Highs()
    for name, value in (
        ("output_flag", False),
        ("threads", 1),  # the solver's scheduler is global: it must not change within a process
        ("mip_rel_gap", gap),
        ("mip_abs_gap", 1e-9),
        ("mip_feasibility_tolerance", 1e-7),
        ("primal_feasibility_tolerance", 1e-8),
        ("random_seed", 7),
    ):
        highs.setOptionValue(name, value)
    return highs


def _run(highs: Any, *, seconds: float, told: Told | None = None) -> None:
    """Run the solver for so long at most; Ctrl-C ends the run and then does what it always does."""
    from highspy import cb

    highs.setOptionValue("time_limit", highs.getRunTime() + max(SHORTEST, seconds))
    last = time.monotonic()
    with _stoppable() as pressed:

        def look(kind: int, _text: str, so_far: Any, answer: Any, _: Any) -> None:
            nonlocal last
            if pressed:
                answer.user_interrupt = True
            if told is not None and kind == in_milp and time.monotonic() - last > BETWEEN:
                last = time.monotonic()
                told(float(so_far.mip_primal_bound), float(so_far.mip_dual_bound))

        kinds = cb.HighsCallbackType
        in_milp = int(kinds.kCallbackMipInterrupt)
        highs.setCallback(look, None)
        for kind in (
            kinds.kCallbackMipInterrupt,
            kinds.kCallbackSimplexInterrupt,
            kinds.kCallbackIpmInterrupt,
        ):
            highs.startCallback(kind)
        highs.run()


@contextmanager
def _stoppable() -> Iterator[list[int]]:
    """Collect Ctrl-C presses in the list given, and hand them on to the handler before at the end.

    An exception must not cross the solver's own frames, so the signal only leaves a mark while it runs.
    """
    pressed: list[int] = []
    if threading.current_thread() is not threading.main_thread():
        yield pressed  # signals reach the main thread only
        return
    before = signal.getsignal(signal.SIGINT)
    if not callable(before):
        yield pressed
        return
    signal.signal(signal.SIGINT, lambda number, _: pressed.append(number))
    try:
        yield pressed
    finally:
        signal.signal(signal.SIGINT, before)
    if pressed:
        before(signal.SIGINT, None)


def _as_lp(model: Model, relax: bool) -> Any:
    import highspy

    matrix = model.matrix().tocsc()
    lp = highspy.HighsLp()
    lp.num_col_, lp.num_row_ = model.n_columns, model.n_rows
    lp.col_cost_, lp.col_lower_, lp.col_upper_ = (
        joined(model.cost),
        joined(model.lower),
        joined(model.upper),
    )
    lp.row_lower_, lp.row_upper_ = joined(model.row_lower), joined(model.row_upper)
    lp.a_matrix_.format_ = highspy.MatrixFormat.kColwise
    lp.a_matrix_.start_ = matrix.indptr
    lp.a_matrix_.index_ = matrix.indices
    lp.a_matrix_.value_ = matrix.data
    if not relax:
        kinds = (highspy.HighsVarType.kContinuous, highspy.HighsVarType.kInteger)
        lp.integrality_ = [kinds[int(whole)] for whole in joined(model.integer, bool)]
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
        status.kInterrupt,
    ):
        message = f"solver: HiGHS ended with {highs.modelStatusToString(state)} on {model.n_rows} rows."
        raise PlanError(message)
    point = highs.getSolution()
    feasible = info.primal_solution_status == int(highspy.SolutionStatus.kSolutionStatusFeasible)
    values = np.array(point.col_value) if feasible else none
    duals = np.array(point.row_dual) if is_lp and point.dual_valid else none
    proven = dual_bound(model, duals) if duals.size else -INFINITE
    objective = float(joined(model.cost) @ values) if feasible else INFINITE
    bound = proven if is_lp else float(info.mip_dual_bound)
    return Answer(
        values=values,
        objective=objective,
        bound=bound,
        duals=duals,
        status="optimal" if state == status.kOptimal else "limit",
    )
