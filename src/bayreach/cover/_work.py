"""Stage three: holes fixed, the least time and liquid that keep the coverage; bound by row generation."""

import math
import time
from dataclasses import dataclass

import numpy as np

from bayreach.arrays import BoolArray, FloatArray, IntArray
from bayreach.cover._field import REACHED, Field
from bayreach.cover._model import Model, solve
from bayreach.cover._problem import ROUND_OFF
from bayreach.cover._search import greedy, improved, lowered

FIRST_ROWS = 400
"""Sides in the first restricted problem."""
ROWS_A_ROUND = 600
"""Most sides added in a round of row generation."""


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


@dataclass(frozen=True, kw_only=True, eq=False)
class _Parts:
    model: Model
    made: IntArray
    amount: IntArray
    covered: IntArray
    entries: IntArray
    pairs: IntArray
    passes: IntArray  # field columns in the model
    sides: IntArray  # field rows in the model


def work_model(
    field: Field, passes: IntArray, sides: IntArray, *, reward: FloatArray | None = None
) -> _Parts:
    """Build the MILP of some passes and sides of `field`; sides left out count as covered.

    min Σ fixed x + unit t + entry u + pair v + surplus o − reward z, with least x ≤ t ≤ most x, S t ≥ z, V
    x ≥ z where
    V = min(1, S most), S t − o ≤ limit, x ≤ v ≤ u, Σ x per entry and in all limited, areas z and weights z
    ≥ what is asked.
    """
    from scipy.sparse import coo_matrix, diags, identity

    model = Model()
    n = len(passes)
    most = field.most[passes]
    made = model.add_columns(n, cost=field.fixed[passes], integer=True)
    amount = model.add_columns(n, cost=field.unit[passes], upper=most)
    pair_names, pair_place = np.unique(field.pair[passes], return_inverse=True)
    entry_names = np.unique(field.lets_in[:, passes].tocoo().row).astype(np.int64)
    pairs = model.add_columns(len(pair_names), cost=field.pair_price, integer=True)
    entries = model.add_columns(len(entry_names), cost=field.entry_price[entry_names], integer=True)
    gain = np.zeros(len(sides)) if reward is None else reward[sides]
    covered = model.add_columns(len(sides), cost=-gain, lower=_must(field)[sides], integer=True)
    eye = identity(n)
    if n:
        model.add_rows([(eye, amount), (diags(-most), made)], upper=0.0)
        model.add_rows([(eye, amount), (diags(-field.least[passes]), made)], lower=0.0)
        to_pair = coo_matrix((np.ones(n), (np.arange(n), pair_place.ravel())), shape=(n, len(pair_names)))
        model.add_rows([(eye, made), (-to_pair, pairs)], upper=0.0)
        table = field.lets_in[entry_names][:, passes]
        model.add_rows([(eye, made), (-table.T, entries)], upper=0.0)
        if field.most_passes < len(field.passes):
            model.add_rows([(np.ones((1, n)), made)], upper=float(field.most_passes))
        if field.most_per_entry < len(field.passes):
            of_entry = coo_matrix(
                (np.ones(n), (np.searchsorted(entry_names, field.entry[passes]), np.arange(n))),
                shape=(len(entry_names), n),
            )
            model.add_rows([(of_entry, made)], upper=float(field.most_per_entry))
        _add_hole_rules(field, model, entries, entry_names)
    parts = _Parts(
        model=model,
        made=made,
        amount=amount,
        covered=covered,
        entries=entries,
        pairs=pairs,
        passes=passes,
        sides=sides,
    )
    _add_sides(field, parts)
    return parts


def _must(field: Field) -> FloatArray:
    """Return (n_sides,) 1 for sides without which what is asked cannot be had, else 0."""
    must = np.zeros(len(field.areas), dtype=bool)
    for values, asked in ((field.areas, field.need_area), (field.weights, field.need_weight)):
        must |= values > float(values.sum()) - asked * REACHED + 1e-15
    return must.astype(np.float64)


def _add_hole_rules(field: Field, model: Model, entries: IntArray, names: IntArray) -> None:
    new = field.is_new[names]
    if field.most_new < new.sum():
        model.add_rows([(new[None, :].astype(float), entries)], upper=float(field.most_new))
    pairs = field.conflicts[np.isin(field.conflicts, names).all(axis=1)]
    if len(pairs):
        rows = np.zeros((len(pairs), len(names)))
        rows[np.arange(len(pairs))[:, None], np.searchsorted(names, pairs)] = 1.0
        model.add_rows([(rows, entries)], upper=1.0)


def _add_sides(field: Field, parts: _Parts) -> None:
    from scipy.sparse import diags, identity

    model, sides, passes = parts.model, parts.sides, parts.passes
    left_out = np.ones(len(field.areas), dtype=bool)
    left_out[sides] = False
    if len(sides) and len(passes):
        strengths = field.rows[sides][:, passes]
        eye = identity(len(sides))
        model.add_rows([(strengths, parts.amount), (-eye, parts.covered)], lower=0.0)
        reach = (strengths @ diags(field.most[passes])).tocsr()
        greatest = np.asarray(reach.sum(axis=1)).ravel()
        reach.data = np.minimum(reach.data, 1.0)
        model.add_rows([(reach, parts.made), (-eye, parts.covered)], lower=0.0)
        over = np.flatnonzero((greatest > field.limit[sides]) & (field.surplus_price[sides] > 0))
        if len(over):
            cost = field.surplus_price[sides[over]]
            surplus = model.add_columns(len(over), cost=cost, upper=greatest[over])
            blocks = [(strengths[over], parts.amount), (-identity(len(over)), surplus)]
            model.add_rows(blocks, upper=field.limit[sides[over]])
    for values, asked in ((field.areas, field.need_area), (field.weights, field.need_weight)):
        lacking = asked * REACHED - 1e-15 - float(values[left_out].sum())
        scale = max(float(values[sides].sum()), 1e-300)
        if lacking > 0:
            row = values[sides][None, :] / scale
            model.add_rows([(row, parts.covered)], lower=lacking / scale - 10.0 * ROUND_OFF)


def least_work(
    field: Field, *, seconds: float = 30.0, rounds: int = 200, gap: float = 1e-3, seed: int = 7
) -> WorkFound:
    """Return the least-cost amounts that reach what `field` asks, with a proven bound.

    Greedy and ruin-and-recreate give a first plan, an LP with row generation the bound, a MILP on the LP's
    passes and
    the plan's own a better plan; on small problems that MILP has every pass and side, and closes.
    """
    end = time.monotonic() + seconds
    rng = np.random.default_rng(seed)
    zero = np.zeros(len(field.passes))
    if field.is_met(np.zeros(len(field.areas), dtype=bool)):
        return WorkFound(
            amounts=zero, cost=0.0, bound=0.0, greedy_cost=0.0, met=True, rows=0, status="optimal"
        )
    if not field.is_met(np.ones(len(field.areas), dtype=bool)):
        return _failed(zero, "infeasible")
    plain = greedy(field, zero)
    best = improved(field, lowered(field, plain), rounds=rounds, rng=rng, seconds=0.35 * seconds)
    met = field.is_met(field.levels(best) >= REACHED)
    bound, sides, support = _lp_bound(field, best, seconds=0.3 * seconds)
    found = _close(field, best if met else None, bound, sides, support, gap=gap, end=end)
    if found is None:
        return _failed(zero, "limit" if bound < math.inf else "infeasible")
    amounts, bound = found
    cost = field.cost(amounts)
    bound = min(bound, cost)
    return WorkFound(
        amounts=amounts,
        cost=cost,
        bound=bound,
        greedy_cost=field.cost(plain) if field.is_met(field.levels(plain) >= REACHED) else math.inf,
        met=True,
        rows=len(sides),
        status="optimal" if cost - bound <= gap * cost + 1e-9 else "limit",
    )


def _failed(zero: FloatArray, status: str) -> WorkFound:
    return WorkFound(
        amounts=zero, cost=math.inf, bound=0.0, greedy_cost=math.inf, met=False, rows=0, status=status
    )


def _lp_bound(field: Field, best: FloatArray, *, seconds: float) -> tuple[float, IntArray, BoolArray]:
    """Return an LP bound, the sides it needed and the passes it uses (n_passes,) bool.

    Sides that the LP's point would leave uncovered are added until what they weigh no longer matters: no
    aggregation error.
    """
    end = time.monotonic() + seconds
    rng = np.random.default_rng(11)
    n_sides, every = len(field.areas), np.arange(len(field.passes))
    chance = field.weights + field.areas
    count = min(FIRST_ROWS, n_sides)
    sides = np.sort(rng.choice(n_sides, size=count, replace=False, p=_chances(chance)))
    bound, support = 0.0, best > 0
    while True:
        parts = work_model(field, every, sides)
        answer = solve(parts.model, relax=True, seconds=max(1.0, end - time.monotonic()))
        if answer.status == "infeasible":
            return math.inf, sides, support
        bound = max(bound, answer.bound)
        if not answer.found:
            return bound, sides, support
        support = support | (answer.values[parts.made] > 1e-6)
        missing = _missing(field, answer.values[parts.made], answer.values[parts.amount])
        missing[sides] = 0.0
        if missing.sum() <= 1e-4 * chance.sum() or time.monotonic() > end:
            return bound, sides, support
        more = np.argsort(-missing, kind="stable")[:ROWS_A_ROUND]
        sides = np.union1d(sides, more[missing[more] > 0])


def _chances(values: FloatArray) -> FloatArray:
    even = np.full(len(values), 1e-12) + values
    return np.asarray(even / even.sum())


def _missing(field: Field, made: FloatArray, amounts: FloatArray) -> FloatArray:
    """Return (n_sides,): how far a fractional point leaves each side uncovered, in area plus weight."""
    reach = field.strengths.copy()
    reach.data = np.minimum(1.0, reach.data * np.repeat(field.most, np.diff(reach.indptr)))
    covered = np.minimum(1.0, np.minimum(field.levels(amounts), np.asarray(reach @ made)))
    return np.asarray((1.0 - covered) * (field.areas + field.weights))


def _close(
    field: Field,
    best: FloatArray | None,
    bound: float,
    sides: IntArray,
    support: BoolArray,
    *,
    gap: float,
    end: float,
) -> tuple[FloatArray, float] | None:
    """Solve MILPs on the support (or every pass), adding sides wrongly taken as covered."""
    every = len(field.passes) <= 60 or support.sum() > 0.9 * len(field.passes)
    passes = np.arange(len(field.passes)) if every else np.flatnonzero(support)
    if len(field.areas) <= 1500:
        sides = np.arange(len(field.areas))
    while time.monotonic() < end or best is None:
        if best is not None and field.cost(best) - bound <= gap * field.cost(best):
            break
        parts = work_model(field, passes, sides)
        start = None if best is None else _point(field, parts, best)
        left = max(1.0, end - time.monotonic())
        answer = solve(parts.model, start=start, seconds=left, gap=0.5 * gap)
        if every:
            bound = max(bound, answer.bound)
        if not answer.found:
            if every or answer.status != "infeasible":
                break
            every, passes = True, np.arange(len(field.passes))
            continue
        amounts = np.zeros(len(field.passes))
        amounts[passes] = np.where(answer.values[parts.made] > 0.5, answer.values[parts.amount], 0.0)
        wrongly = _wrongly_covered(field, amounts, sides)
        repaired = lowered(field, greedy(field, amounts * (1.0 + 1e-9)))
        if field.is_met(field.levels(repaired) >= REACHED) and (
            best is None or field.cost(repaired) < field.cost(best)
        ):
            best = repaired
        if not len(wrongly):
            break
        sides = np.union1d(sides, wrongly)
    return None if best is None else (best, bound)


def _wrongly_covered(field: Field, amounts: FloatArray, sides: IntArray) -> IntArray:
    short = field.levels(amounts) < REACHED
    short[sides] = False
    worth = (field.areas + field.weights) * short
    more = np.argsort(-worth, kind="stable")[:ROWS_A_ROUND]
    return np.asarray(more[worth[more] > 0], dtype=np.int64)


def _point(field: Field, parts: _Parts, amounts: FloatArray) -> FloatArray | None:
    """Return the model's point for a plan, or None where the plan uses passes that the model lacks."""
    outside = amounts.copy()
    outside[parts.passes] = 0.0
    if outside.any():
        return None
    values = np.zeros(parts.model.n_columns)
    used = amounts[parts.passes] > 0
    values[parts.made], values[parts.amount] = used, amounts[parts.passes]
    levels = field.levels(amounts)[parts.sides]
    values[parts.covered] = levels >= REACHED
    values[parts.pairs] = np.isin(np.unique(field.pair[parts.passes]), field.pair[parts.passes[used]])
    values[parts.entries] = np.isin(
        np.unique(field.lets_in[:, parts.passes].tocoo().row), field.entry[parts.passes[used]]
    )
    surplus = np.arange(parts.covered[-1] + 1 if len(parts.covered) else 0, parts.model.n_columns)
    if len(surplus):
        greatest = np.asarray(field.rows[parts.sides][:, parts.passes] @ field.most[parts.passes])
        over = (greatest > field.limit[parts.sides]) & (field.surplus_price[parts.sides] > 0)
        values[surplus] = np.maximum(0.0, levels - field.limit[parts.sides])[over]
    return values
