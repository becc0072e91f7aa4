"""The one door to the MILP solver HiGHS: work that is counted, Ctrl-C that stops, bounds recomputed here."""

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, NamedTuple

import numpy as np

from bayreach.arrays import FloatArray
from bayreach.cover._effort import Effort
from bayreach.cover._model import INFINITE, Answer, Model, dual_bound, joined
from bayreach.errors import PlanError

SHORTEST = 0.05
"""Counted seconds given to a run at least: work that is used up still gets an answer."""


class Costs(NamedTuple):
    """Counted seconds: an entry taken up and presolved, an iteration, and what that costs more an entry."""

    entry: float
    iteration: float
    iteration_entry: float


LP, MILP = Costs(4e-7, 5e-5, 8e-10), Costs(1e-5, 1e-4, 2e-9)
"""As measured on models of 300 to 6,400 rows and 2,500 to 420,000 entries: within a factor of two."""


def solve(
    model: Model,
    *,
    start: FloatArray | None = None,
    effort: Effort | None = None,
    seconds: float = 60.0,
    gap: float = 1e-6,
    enough: float = INFINITE,
    relax: bool = False,
) -> Answer:
    """Minimise `model` with HiGHS, from a `start` (n,) if given; `relax` drops integrality.

    A MILP's run ends where its bound is above `enough`, and any run after `seconds` of counted work (see
    `Effort`), at the same place every time: iterations and nodes are counted, not time. HiGHS 1.16 can call a
    start optimal whose cost is above its own bound, where presolve alone closes the problem: such an answer
    is asked for again without the start.

    Raises
    ------
    PlanError
        When the solver refuses the model or ends in a state that means neither an answer nor "none".
    KeyboardInterrupt
        After the run has ended, when Ctrl-C was pressed during it.
    """
    effort = Effort(allowed=seconds) if effort is None else effort
    end = effort.spent + seconds
    ends = _Ends(effort=effort, gap=gap, enough=enough)
    answer = _solved(model, ends, start=start, seconds=seconds, relax=relax)
    excess = answer.objective - answer.bound
    believable = answer.found and excess <= 2.0 * gap * abs(answer.objective) + 1e-6
    if start is None or relax or answer.status == "limit" or believable:
        return answer
    again = _solved(model, ends, start=None, seconds=effort.left(end), relax=relax)
    return again if again.found or not answer.found else answer


class Growing:
    """An LP kept in the solver while its model grows: each run starts from the basis of the one before."""

    def __init__(self, model: Model) -> None:
        self._model = model
        self._highs = _fresh(gap=0.0)
        self._columns = self._rows = self._blocks = 0

    def run(self, *, effort: Effort, seconds: float) -> Answer:
        """Return the answer of the relaxed model as it now is, after `seconds` of counted work at most."""
        self._catch_up()
        _run(self._highs, self._model, _Ends(effort=effort), seconds=seconds, is_lp=True)
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


class _Ends(NamedTuple):
    """What ends a run beside its seconds: the work counted in all, the gap, a bound that is enough."""

    effort: Effort
    gap: float = 0.0
    enough: float = INFINITE


def _solved(model: Model, ends: _Ends, *, start: FloatArray | None, seconds: float, relax: bool) -> Answer:
    import highspy

    highs = _fresh(gap=ends.gap)
    if highs.passModel(_as_lp(model, relax)) == highspy.HighsStatus.kError:
        message = f"solver: HiGHS refuses a model of {model.n_rows} rows and {model.n_columns} columns."
        raise PlanError(message)
    if start is not None and not relax:
        solution = highspy.HighsSolution()
        solution.col_value = [float(value) for value in start]
        highs.setSolution(solution)
    is_lp = relax or not joined(model.integer, bool).any()
    _run(highs, model, ends, seconds=seconds, is_lp=is_lp)
    return _answer_of(highs, model, is_lp=is_lp)


def _fresh(*, gap: float) -> Any:
    from highspy._core import _Highs as Highs  # the public class prints a banner on creation

    highs = Highs()
    for name, value in (
        ("log_to_console", False),
        ("timeless_log", True),
        ("mip_min_logging_interval", 0.0),  # every line of its table, so that work can be counted by them
        ("threads", 1),  # the solver's scheduler is global: it must not change within a process
        ("mip_rel_gap", gap),
        ("mip_abs_gap", 1e-9),
        ("mip_feasibility_tolerance", 1e-7),
        ("primal_feasibility_tolerance", 1e-8),
        ("random_seed", 7),
    ):
        highs.setOptionValue(name, value)
    return highs


def _run(highs: Any, model: Model, ends: _Ends, *, seconds: float, is_lp: bool) -> None:
    """Run the solver for so much counted work at most; Ctrl-C ends the run and then does what it always does.

    An LP has a limit of iterations. A MILP has none in HiGHS: its iterations are read from the table that it
    logs, a line at each of the places where it may be ended, which do not depend on time.
    """
    from highspy import cb

    costs, effort = LP if is_lp else MILP, ends.effort
    made = costs.entry * model.n_entries
    each = costs.iteration + costs.iteration_entry * model.n_entries
    left = max(SHORTEST, seconds - made)
    if is_lp:
        highs.setOptionValue("simplex_iteration_limit", max(1, int(left / each)))
    kinds = cb.HighsCallbackType
    text, line = int(kinds.kCallbackLogging), int(kinds.kCallbackMipLogging)
    said, done = "", 0.0
    with _stoppable() as pressed:

        def look(kind: int, words: str, so_far: Any, answer: Any, _: Any) -> None:
            nonlocal said, done
            if kind == text:
                said = words
            elif kind == line:
                done = each * _iterations(said)
                effort.tell(made + done)
            else:
                proven = not is_lp and so_far.mip_dual_bound > ends.enough
                answer.user_interrupt = bool(pressed or proven or done > left or effort.is_out_of_patience())

        highs.setCallback(look, None)
        for kind in (
            kinds.kCallbackLogging,
            kinds.kCallbackMipLogging,
            kinds.kCallbackMipInterrupt,
            kinds.kCallbackSimplexInterrupt,
            kinds.kCallbackIpmInterrupt,
        ):
            highs.startCallback(kind)
        highs.setOptionValue("time_limit", highs.getRunTime() + effort.clock_left())
        highs.run()
    if highs.getModelStatus() == _status().kTimeLimit:
        effort.struck = True
    effort.spend(made + each * max(0, highs.getInfo().simplex_iteration_count))


def _status() -> Any:
    import highspy

    return highspy.HighsModelStatus


def _iterations(line: str) -> int:
    """Return the iterations that a line of the solver's table ends with, before a time if it tells one.

    >>> _iterations(" L 0 0 0 0.00% 52.8 76.9 31.28% 0 0 6 8279"), _iterations("52.8 76.9 3% 0 0 6 123k 7.1s")
    (8279, 123000)
    """
    words = [word for word in line.split() if not word.endswith("s")]
    last = words[-1] if words else "0"
    scale = {"k": 1_000, "m": 1_000_000}.get(last[-1], 1)
    number = last[:-1] if scale > 1 else last
    return int(number) * scale if number.isdigit() else 0


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
    status = _status()
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
