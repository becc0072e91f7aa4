"""Stage three: holes fixed, the least time and liquid that keep the coverage; bound by row generation."""

import math
import time
from dataclasses import dataclass

import numpy as np

from bayreach.arrays import BoolArray, FloatArray, IntArray
from bayreach.cover._field import REACHED, Field
from bayreach.cover._model import Answer, solve
from bayreach.cover._neighbourhood import rechosen
from bayreach.cover._search import greedy, improved, lowered
from bayreach.cover._work_model import Parts, Rows, every_row, point_of, work_model

FIRST_ROWS = 400
"""Sides in the first restricted problem."""
ROWS_A_ROUND = 600
"""Most sides added in a round of row generation."""
SMALL = 1500
"""A problem of no more sides than this is solved whole."""


@dataclass(frozen=True, kw_only=True, eq=False)
class WorkFound:
    """Amounts (n_passes of the field,), their cost, the proven bound and the cost of plain greedy."""

    amounts: FloatArray
    cost: float
    bound: float
    greedy_cost: float
    met: bool
    rows: int
    status: str


@dataclass(kw_only=True, eq=False)
class _Search:
    """Where the search stands: best plan, cost, proven bound, rows known and passes worth a MILP."""

    field: Field
    best: FloatArray
    cost: float
    bound: float
    rows: Rows
    support: BoolArray

    def offer(self, amounts: FloatArray) -> None:
        """Take `amounts` (n_passes,) where they reach what is asked for less."""
        if not self.field.is_met(self.field.levels(amounts) >= REACHED):
            return
        cost = self.field.cost(amounts)
        if cost < self.cost:
            self.best, self.cost = amounts, cost

    def is_closed(self, gap: float) -> bool:
        """Say whether the plan is within `gap` of the bound."""
        return math.isfinite(self.cost) and self.cost - self.bound <= gap * self.cost + 1e-12


def least_work(
    field: Field, *, seconds: float = 30.0, rounds: int = 60, gap: float = 1e-3, seed: int = 7
) -> WorkFound:
    """Return the least-cost amounts that reach what `field` asks, with a proven bound.

    Greedy and ruin-and-recreate give a first plan, an LP with row generation the bound, a MILP on the LP's
    passes and
    the plan's own a better plan, and a MILP on all passes a better bound; small problems go to that one at
    once.
    """
    end = time.monotonic() + seconds
    zero = np.zeros(len(field.passes))
    none = np.zeros(0, dtype=np.int64)
    if field.is_met(np.zeros(len(field.areas), dtype=bool)):
        return WorkFound(
            amounts=zero, cost=0.0, bound=0.0, greedy_cost=0.0, met=True, rows=0, status="optimal"
        )
    if not field.is_met(np.ones(len(field.areas), dtype=bool)):
        return _failed(zero, "infeasible")
    search = _Search(
        field=field,
        best=zero,
        cost=math.inf,
        bound=0.0,
        rows=Rows(covered=none, heavy=none),
        support=zero > 0,
    )
    plain = greedy(field, zero)
    search.offer(plain)
    greedy_cost = search.cost
    rng = np.random.default_rng(seed)
    search.offer(improved(field, lowered(field, plain), rounds=rounds, rng=rng, seconds=0.1 * seconds))
    if len(field.areas) <= SMALL:
        search.rows = every_row(field)
        feasible = True
    else:
        feasible = _relax(search, seconds=0.2 * seconds)
    if feasible and len(field.areas) > SMALL and math.isfinite(search.cost):
        _rechoose(search, rng, gap=gap, seconds=0.6 * (end - time.monotonic()))
    if feasible:
        _close(search, gap=gap, end=end)
    if not math.isfinite(search.cost):
        return _failed(zero, "limit" if feasible else "infeasible")
    # Where liquid costs nothing the solver leaves amounts as they fall; a hand wants no more than is needed.
    return WorkFound(
        amounts=lowered(field, search.best),
        cost=search.cost,
        bound=min(search.bound, search.cost),
        greedy_cost=greedy_cost,
        met=True,
        rows=len(search.rows.covered),
        status="optimal" if search.is_closed(gap) else "limit",
    )


def _failed(zero: FloatArray, status: str) -> WorkFound:
    return WorkFound(
        amounts=zero, cost=math.inf, bound=0.0, greedy_cost=math.inf, met=False, rows=0, status=status
    )


def _relax(search: _Search, *, seconds: float) -> bool:
    """Raise the bound by LPs, adding the sides they get wrong; False where nothing can be feasible.

    Sides that the LP's point leaves uncovered, or too wet unpaid, are added until what they weigh no longer
    matters: no
    aggregation error.
    """
    field = search.field
    end = time.monotonic() + seconds
    rng = np.random.default_rng(11)
    every = np.arange(len(field.passes))
    chance = field.weights + field.areas
    count = min(FIRST_ROWS, len(chance))
    first = np.sort(rng.choice(len(chance), size=count, replace=False, p=_chances(chance)))
    search.rows = Rows(covered=first, heavy=np.zeros(0, dtype=np.int64))
    search.support = search.best > 0
    while True:
        parts = work_model(field, every, search.rows)
        answer = solve(parts.model, relax=True, seconds=max(1.0, end - time.monotonic()))
        if answer.status == "infeasible":
            return False
        search.bound = max(search.bound, answer.bound)
        if not answer.found:
            return True
        search.support = search.support | (answer.values[parts.made] > 1e-6)
        amounts = answer.values[parts.amount]
        missing = _missing(field, answer.values[parts.made], amounts)
        missing[search.rows.covered] = 0.0
        unpaid = _unpaid(field, amounts, search.rows)
        done = missing.sum() <= 1e-4 * chance.sum() and unpaid.sum() <= 1e-3 * max(search.bound, 1e-12)
        if done or time.monotonic() > end:
            return True
        search.rows = search.rows.joined(_worst(missing), _worst(unpaid))


def _worst(values: FloatArray) -> IntArray:
    """Return the indices of the greatest positive values, at most a round's worth."""
    order = np.argsort(-values, kind="stable")[:ROWS_A_ROUND]
    return np.asarray(order[values[order] > 0], dtype=np.int64)


def _chances(values: FloatArray) -> FloatArray:
    even = np.full(len(values), 1e-12) + values
    return np.asarray(even / even.sum())


def _missing(field: Field, made: FloatArray, amounts: FloatArray) -> FloatArray:
    """Return (n_sides,): how far a fractional point leaves each side uncovered, in area plus weight."""
    reach = field.strengths.copy()
    reach.data = np.minimum(1.0, reach.data * np.repeat(field.most, np.diff(reach.indptr)))
    covered = np.minimum(1.0, np.minimum(field.levels(amounts), np.asarray(reach @ made)))
    missing = (1.0 - covered) * (field.areas + field.weights)
    return np.where(missing > 1e-9 * (field.areas + field.weights), missing, 0.0)


def _unpaid(field: Field, amounts: FloatArray, rows: Rows) -> FloatArray:
    """Return (n_sides,): seconds of surplus film that the rows do not make the model pay for."""
    surplus = np.maximum(0.0, field.levels(amounts) - field.limit) * field.surplus_price
    surplus[rows.heavy] = 0.0
    return np.where(surplus > 1e-9, surplus, 0.0)


def _rechoose(search: _Search, rng: np.random.Generator, *, gap: float, seconds: float) -> None:
    """Choose parts of the plan anew by small MILPs for a while."""
    field = search.field
    if field.most_passes < len(field.passes) or field.most_per_entry < len(field.passes):
        return  # limits on passes would have to be shared out; the MILPs below keep them
    end = time.monotonic() + seconds
    while not search.is_closed(gap):
        left = end - time.monotonic()
        if left <= 0.2:
            return
        each = min(left, 3.0)
        search.offer(rechosen(field, search.best, liked=search.support, rng=rng, seconds=each))


def _close(search: _Search, *, gap: float, end: float) -> None:
    """Solve MILPs, on the support while that gains and then on every pass, adding the rows they get wrong."""
    n_passes = len(search.field.passes)
    share = search.support.mean() if n_passes else 1.0
    phases = [True] if n_passes <= 60 or share > 0.8 or not search.support.any() else [False, True]
    for whole in phases:
        passes = np.arange(n_passes) if whole else np.flatnonzero(search.support)
        until = end if whole else time.monotonic() + 0.3 * (end - time.monotonic())
        while not search.is_closed(gap):
            left = until - time.monotonic()
            if left < 0.5 and math.isfinite(search.cost):
                break
            parts = work_model(search.field, passes, search.rows)
            start = point_of(search.field, parts, search.best) if math.isfinite(search.cost) else None
            answer = solve(parts.model, start=start, seconds=max(1.0, left), gap=0.5 * gap)
            if whole and math.isfinite(answer.bound):
                search.bound = max(search.bound, min(answer.bound, search.cost))
            if not answer.found or not _learn(search, parts, answer):
                break


def _learn(search: _Search, parts: Parts, answer: Answer) -> bool:
    """Take the MILP's plan, mended where short; add the rows it got wrong; say whether there were any."""
    field = search.field
    amounts = np.zeros(len(field.passes))
    amounts[parts.passes] = np.where(answer.values[parts.made] > 0.5, answer.values[parts.amount], 0.0)
    search.offer(lowered(field, greedy(field, amounts * (1.0 + 1e-9))))
    short = (field.levels(amounts) < REACHED) * (field.areas + field.weights)
    short[search.rows.covered] = 0.0
    unpaid = _unpaid(field, amounts, search.rows)
    heavy = _worst(unpaid) if unpaid.sum() > 1e-4 * search.cost else np.zeros(0, dtype=np.int64)
    covered = _worst(short)
    search.rows = search.rows.joined(covered, heavy)
    return bool(len(covered) or len(heavy))
