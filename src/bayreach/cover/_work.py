"""Stage three: holes fixed, the least time and liquid that keep the coverage; bound by row generation."""

import math
from dataclasses import dataclass, replace

import numpy as np

from bayreach.arrays import FloatArray, IntArray
from bayreach.cover._effort import Effort
from bayreach.cover._field import LOST, REACHED, Field
from bayreach.cover._highs import solve
from bayreach.cover._model import Answer
from bayreach.cover._relax import Relaxed, charge, plan_point, relaxed, short_sides
from bayreach.cover._search import counted, greedy, improved, lowered
from bayreach.cover._work_model import WorkModel, can_be_heavy, work_model

ROUNDS = 1000
"""Most rounds of ruin and recreate: work allowed ends them before."""
RUIN, RENEW = 0.06, 0.45
"""Shares of what the bound leaves that go into ruin and recreate, and into choosing parts of the plan anew;
the rest goes into the MILP of all passes, and what it proves."""
LIKED = 0.15
"""Share made in the LP from which a pass is among the first that a plan is chosen of."""
RIVALS = 30
"""Passes not made that may take the place of those made, each time a plan is chosen anew."""
TURN = 5.0
"""Counted seconds for each time."""
GAP = 5e-3
"""Gap at which the search stops by itself."""
SHORT = 0.2
"""Counted seconds for which no solver is begun."""


@dataclass(frozen=True, kw_only=True, eq=False)
class WorkFound:
    """Amounts (n_passes of the field,), their cost, the proven bound and the cost of plain greedy.

    `status` is "optimal" (within the gap asked), "limit" (the work allowed ran out) or "infeasible".
    """

    amounts: FloatArray
    cost: float
    bound: float
    greedy_cost: float
    met: bool
    rows: int
    status: str


@dataclass(kw_only=True, eq=False)
class _Search:
    """Where the search stands: best plan, its cost, the proven bound; the work counted and where it ends."""

    field: Field
    best: FloatArray
    gap: float
    effort: Effort
    end: float
    cost: float = math.inf
    bound: float = 0.0

    @property
    def left(self) -> float:
        """Counted seconds left."""
        return self.effort.left(self.end)

    def offer(self, amounts: FloatArray) -> None:
        """Take `amounts` (n_passes,) where they reach what is asked for less."""
        if not self.field.is_met(self.field.levels(amounts) >= REACHED):
            return
        cost = self.field.cost(amounts)
        if cost < self.cost:
            self.best, self.cost = amounts, cost

    def raise_bound(self, bound: float) -> None:
        """Take a proven bound where it is higher."""
        if math.isfinite(bound) or self.cost == math.inf:
            self.bound = max(self.bound, min(bound, self.cost))

    @property
    def is_closed(self) -> bool:
        """Say whether the plan is within the gap asked of the bound."""
        return math.isfinite(self.cost) and self.cost - self.bound <= self.gap * self.cost + 1e-12


def least_work(
    field: Field,
    *,
    seconds: float = 30.0,
    rounds: int = ROUNDS,
    gap: float = GAP,
    seed: int = 7,
    effort: Effort | None = None,
) -> WorkFound:
    """Return the least-cost amounts that reach what `field` asks, with a proven bound.

    Greedy gives a first plan, an LP with row generation the bound, ruin-and-recreate and small MILPs a better
    plan, and MILPs on the rows found the best plan and bound; small fields go to the MILP at once. The search
    ends as soon as the plan is within `gap` of the bound, and in `seconds` of counted work (see `Effort`,
    which `effort` goes on with): every part gets what is left.
    """
    effort = Effort(allowed=seconds) if effort is None else effort
    zero = np.zeros(len(field.passes))
    if field.is_met(np.zeros(len(field.areas), dtype=bool)):
        return WorkFound(
            amounts=zero, cost=0.0, bound=0.0, greedy_cost=0.0, met=True, rows=0, status="optimal"
        )
    if not field.is_met(np.ones(len(field.areas), dtype=bool)):
        return _failed(zero, "infeasible")
    search = _Search(field=field, best=zero, gap=gap, effort=effort, end=effort.spent + seconds)
    plain = greedy(field, zero)
    effort.spend(counted(field, zero, plain))
    search.offer(plain)
    greedy_cost = search.cost
    search.offer(lowered(field, plain))
    known = (
        _small(search) if field.is_small else _large(search, rounds=rounds, rng=np.random.default_rng(seed))
    )
    if not math.isfinite(search.cost):
        return _failed(zero, "infeasible" if search.bound == math.inf else "limit")
    # Where liquid costs nothing the solver leaves amounts as they fall; a hand wants no more than is needed.
    amounts = lowered(field, search.best)
    return WorkFound(
        amounts=amounts,
        cost=min(search.cost, field.cost(amounts)),
        bound=min(search.bound, search.cost),
        greedy_cost=greedy_cost,
        met=True,
        rows=known,
        status="optimal" if search.is_closed else "limit",
    )


def _failed(zero: FloatArray, status: str) -> WorkFound:
    return WorkFound(
        amounts=zero, cost=math.inf, bound=0.0, greedy_cost=math.inf, met=False, rows=0, status=status
    )


def _small(search: _Search) -> int:
    """Solve the field as it is."""
    field = search.field
    work = work_model(field, np.arange(len(field.areas)), can_be_heavy(field))
    _close(search, work, seconds=search.left, proves=True)
    return len(field.areas)


def _large(search: _Search, *, rounds: int, rng: np.random.Generator) -> int:
    """Bound by LP, better plans by ruin and recreate and small MILPs, then MILPs on the rows found."""
    field = search.field
    lp = relaxed(field, search.best, effort=search.effort, seconds=0.25 * search.left)
    if not lp.feasible:
        search.bound = math.inf
        return len(lp.work.sides)
    search.raise_bound(lp.bound)
    sides = lp.work.sides
    if math.isfinite(search.cost):
        left = search.left
        if rounds and not search.is_closed:
            effort, seconds = search.effort, RUIN * left
            search.offer(improved(field, search.best, rounds=rounds, rng=rng, effort=effort, seconds=seconds))
        sides = _renew(search, lp, sides, rng=rng, seconds=RENEW * left)
    return len(_close_on(search, np.arange(len(field.passes)), sides, lp.point, seconds=search.left))


def _renew(
    search: _Search, lp: Relaxed, sides: IntArray, *, rng: np.random.Generator, seconds: float
) -> IntArray:
    """Choose the plan anew by MILPs on few passes, again and again; return the sides known at the end.

    Of each are the passes made and some others: first those that the LP likes most, then some by chance,
    more likely those it likes.
    """
    end = search.effort.spent + seconds
    n_passes = len(search.field.passes)
    others = lp.support > LIKED
    while not search.is_closed and search.effort.left(end) > SHORT:
        passes = np.flatnonzero(others | (search.best > 0))
        if len(passes) == n_passes:
            break  # that is the MILP of all passes, which follows
        each = min(TURN, search.effort.left(end))
        sides = _close_on(search, passes, sides, lp.point, seconds=each)
        rest = np.flatnonzero(search.best <= 0)
        chance = lp.support[rest] + 0.05
        chosen = rng.choice(rest, size=min(RIVALS, len(rest)), replace=False, p=chance / chance.sum())
        others = np.isin(np.arange(n_passes), chosen)
    return sides


def _close_on(
    search: _Search, passes: IntArray, sides: IntArray, point: FloatArray, *, seconds: float
) -> IntArray:
    """Solve MILPs with some passes, the bound counts if they are all; return the sides known at the end.

    The model is built anew from the sides: the LP's own cuts are many and dense, and the solver does better
    without them. `point` are the LP's amounts, whose surplus is charged.
    """
    if search.is_closed:
        return sides
    whole = len(passes) == len(search.field.passes)
    part = search.field if whole else search.field.with_passes(passes)
    work = work_model(part, np.sort(sides), np.zeros(0, dtype=np.int64))
    charge(work, plan_point(part, point[passes]))
    inner = replace(search, field=part, best=search.best[passes])
    _close(inner, work, seconds=seconds, proves=whole)
    amounts = np.zeros(len(search.field.passes))
    amounts[passes] = inner.best
    search.offer(amounts)
    search.raise_bound(inner.bound)
    return work.sides


def _close(search: _Search, work: WorkModel, *, seconds: float, proves: bool) -> None:
    """Solve MILPs, adding the sides and the surplus they get wrong, until closed or out of work."""
    end = search.effort.spent + seconds
    turn = 0
    while not search.is_closed:
        left = search.effort.left(end)
        if left < SHORT and (turn or math.isfinite(search.cost)):
            return
        start = None
        if math.isfinite(search.cost):
            charge(work, plan_point(work.field, search.best))
            start = work.point_of(search.best)
        answer = solve(work.model, start=start, effort=search.effort, seconds=left, gap=0.5 * search.gap)
        if proves:
            search.raise_bound(answer.bound)
        if not answer.found or not _learn(search, work, answer):
            return
        turn += 1


def _learn(search: _Search, work: WorkModel, answer: Answer) -> bool:
    """Take the MILP's plan, mended where short; add what it got wrong; say whether there was anything."""
    field = search.field
    amounts = np.where(answer.values[work.made] > 0.5, answer.values[work.amount], 0.0)
    raised = (
        amounts * (1.0 + 1e-9) if field.is_small else np.minimum(amounts * (1.0 + 2.0 * LOST), field.most)
    )
    search.offer(lowered(field, greedy(field, raised)))
    unpaid = charge(work, plan_point(field, amounts, float(answer.values[work.theta])))
    levels = np.minimum(1.0, field.levels(raised))
    covered = np.where(levels >= REACHED, 1.0, 0.5 * levels)
    short = short_sides(work, covered, most=400)
    if field.is_met(field.levels(raised) >= REACHED):
        short = short[:0]
    work.add_sides(short)
    return bool(unpaid or len(short))
