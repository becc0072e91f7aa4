"""A bound on the work: an LP whose sides and cuts are added where its point gets them wrong."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from bayreach.arrays import FloatArray, IntArray
from bayreach.cover._effort import Effort
from bayreach.cover._field import Field
from bayreach.cover._highs import Growing
from bayreach.cover._work_model import WorkModel, work_model

if TYPE_CHECKING:
    from scipy.sparse import csr_matrix

FIRST_SIDES = 300
"""Sides in the first LP."""
SIDES_A_ROUND = 250
"""Most sides added in a round."""
MIXED_A_ROUND = 400
"""Most sides whose row is mended in a round."""
SLOW, STILL = 2e-3, 2
"""The LP ends after so many rounds in which the bound rose less than this share of itself."""
ROUND_ENTRY = 1e-7
"""Counted seconds an entry of the film matrix for finding what a point gets wrong."""
FEW = 25
"""Fewer new sides than this do not keep the LP going by themselves."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Relaxed:
    """The model grown, the bound its duals prove, the passes its points used, whether it can be met."""

    work: WorkModel
    bound: float
    support: FloatArray  # (n_passes,) greatest share made in the last points
    point: FloatArray  # (n_passes,) amounts of the last point
    feasible: bool


@dataclass(frozen=True, kw_only=True, eq=False)
class Point:
    """A fractional point: share of each pass made, its amount, and the surplus it is charged (θ)."""

    made: FloatArray
    amount: FloatArray
    pairs: FloatArray
    theta: float


def point_at(work: WorkModel, values: FloatArray) -> Point:
    """Return the point that the model's `values` are."""
    return Point(
        made=values[work.made],
        amount=values[work.amount],
        pairs=values[work.pairs],
        theta=float(values[work.theta]),
    )


def plan_point(field: Field, amounts: FloatArray, theta: float = -1.0) -> Point:
    """Return the point that a plan (n_passes,) is."""
    pairs = np.zeros(len(field.pair_entry))
    pairs[field.pair[amounts > 0]] = 1.0
    return Point(made=(amounts > 0).astype(np.float64), amount=amounts, pairs=pairs, theta=theta)


def relaxed(field: Field, start: FloatArray, *, effort: Effort, seconds: float, seed: int = 11) -> Relaxed:
    """Return the LP's bound on the cost of `field`, its rows found by generation, in `seconds` counted.

    Starts from a sample of sides and the surplus of a plan (`start`, amounts). Sides that the LP's point
    leaves short, surplus it does not pay for and shares it stretches (`mixed_rows`) are added until the bound
    rises no more. Every bound is recomputed from the duals; none is lost when work runs out.
    """
    end = effort.spent + seconds
    rng = np.random.default_rng(seed)
    chance = field.areas + field.weights
    count = min(FIRST_SIDES, len(chance))
    first = np.sort(
        rng.choice(len(chance), size=count, replace=False, p=(chance + 1e-12) / (chance + 1e-12).sum())
    )
    work = work_model(field, first, np.zeros(0, dtype=np.int64))
    charge(work, plan_point(field, start))
    lp = Growing(work.model)
    bound, support, still, amounts = 0.0, np.zeros(len(field.passes)), 0, start
    while still < STILL and effort.left(end) > 0.0:
        answer = lp.run(effort=effort, seconds=effort.left(end))
        effort.spend(field.strengths.nnz * ROUND_ENTRY)
        if answer.status == "infeasible":
            return Relaxed(work=work, bound=bound, support=support, point=amounts, feasible=False)
        before, bound = bound, max(bound, answer.bound)
        if not answer.found:
            break
        point, known = point_at(work, answer.values), 1.0 - answer.values[work.dry]
        amounts = point.amount
        support = np.maximum(0.5 * support, point.made)
        paid, joined = charge(work, point), _add_short(work, point)
        mended = joined < SIDES_A_ROUND and _mend(work, point, known)
        still = 0 if joined >= FEW or bound - before > SLOW * bound else still + 1
        if not (paid or joined or mended):
            break
    return Relaxed(work=work, bound=bound, support=support, point=amounts, feasible=True)


def charge(work: WorkModel, point: Point) -> bool:
    """Add the surplus that a point does not pay for as one cut; say whether there was any worth it.

    On a side of limit k, surplus is at least S t − k, and at least Σ over any passes A of (s t − k x): of the
    passes made in A each brings s t, and the limit is granted once for each. Per side the greater of the two
    at the point is taken (A: the passes with s t > k x) and all sides are summed into one row.
    """
    field = work.field
    rows = field.rows
    price = field.surplus_price.copy()
    price[work.heavy] = 0.0
    owner = np.repeat(np.arange(rows.shape[0]), np.diff(rows.indptr))
    limit = np.where(np.isfinite(field.limit), field.limit, 0.0)
    price[~np.isfinite(field.limit)] = 0.0
    together = np.maximum(0.0, field.levels(point.amount) - limit)
    each = rows.data * point.amount[rows.indices] - limit[owner] * point.made[rows.indices]
    over = each > 1e-12
    alone = np.bincount(owner[over], each[over], rows.shape[0])
    owed = float(price @ np.maximum(together, alone))
    if owed <= max(point.theta, 0.0) + 1e-3 * max(1.0, owed):
        return False
    one = np.where((together > 0) & (together >= alone), price, 0.0)
    paid = np.where(over & (alone > together)[owner], price[owner], 0.0)
    of_amount = np.asarray(rows.T @ one) + _column_sums(rows, paid * rows.data)
    of_made = -_column_sums(rows, paid * limit[owner])
    work.add_surplus(of_amount, of_made, float(one @ limit))
    return True


def short_sides(work: WorkModel, covered: FloatArray, *, most: int = SIDES_A_ROUND) -> IntArray:
    """Return the unknown sides that are least covered (n_sides, 0 to 1) for their area, at most so many.

    Shaken a little, so that of neighbours that lack the same not all come at once.
    """
    worth = (1.0 - covered) * (work.field.areas + work.field.weights)
    worth *= np.random.default_rng(len(work.sides)).uniform(0.5, 1.0, len(worth))
    worth[covered > 1.0 - 1e-6] = 0.0
    worth[work.sides] = 0.0
    order = np.argsort(-worth, kind="stable")[:most]
    return np.sort(order[worth[order] > 0]).astype(np.int64)


def _add_short(work: WorkModel, point: Point) -> int:
    """Add the sides that a point leaves shortest, and one row for what all unknown sides lack together.

    Returns the number of sides added.
    """
    field = work.field
    unknown = np.ones(len(field.areas), dtype=bool)
    unknown[work.sides] = False
    rows = np.flatnonzero(unknown)
    part = field.thin[rows]
    tight = _tight(work, part, point)
    lacking = np.maximum(0.0, 1.0 - tight.value)
    chance = field.areas + field.weights
    if lacking @ chance[rows] <= 1e-4 * chance.sum():
        return 0
    short = np.where(lacking > 1e-9, 1.0, 0.0)
    for row, share in work.spare:
        taken = share[rows] * short
        each = np.repeat(taken, np.diff(part.indptr))
        brought = (
            _column_sums(part, each * part.data * tight.of_amount),
            _column_sums(part, each * tight.of_made),
            np.asarray(taken @ tight.of_pair),
        )
        work.add_lacking((row, share), *brought, most=float(taken.sum()))
    covered = np.minimum(1.0, np.minimum(field.thin @ point.amount, field.reach @ point.made))
    joined = short_sides(work, covered)
    work.add_sides(joined)
    return len(joined)


def _column_sums(rows: "csr_matrix", values: FloatArray) -> FloatArray:
    """Return (n_columns,) sums of `values` (nnz,), given in the order of the entries of `rows`."""
    return np.asarray(np.bincount(rows.indices, values, rows.shape[1]), dtype=np.float64)


@dataclass(frozen=True, kw_only=True, eq=False)
class Tight:
    """For each row the cover inequality that is tightest at a point, see `_tight`; factors an entry."""

    value: FloatArray  # (n_rows,) left-hand side at the point
    of_amount: FloatArray  # (nnz,) 1 where a pass counts s t
    of_made: FloatArray  # (nnz,) 1 where it counts x
    of_pair: FloatArray  # (n_rows, n_pairs) 1 where a wand at an entry counts v


def _tight(work: WorkModel, rows: "csr_matrix", point: Point) -> Tight:
    """Return Σ_pairs min(v, Σ_passes of the pair min(s t, x)) ≥ 1 as the linear rows that are tight here.

    Each pair counts v, or each of its passes x or s t, whichever is least at the point. Whatever is chosen,
    the row holds for every plan that covers the side: if a pair used counts v = 1, or a pass used that counts
    x = 1, that is enough; else every pass used counts s t, and Σ s t ≥ 1. It implies S t ≥ 1 and V x ≥ 1.
    """
    field = work.field
    n_rows, n_pairs = rows.shape[0], len(field.pair_entry)
    owner = np.repeat(np.arange(n_rows), np.diff(rows.indptr))
    film, made = rows.data * point.amount[rows.indices], point.made[rows.indices]
    place = owner * n_pairs + field.pair[rows.indices]
    each = np.bincount(place, np.minimum(film, made), n_rows * n_pairs).reshape(n_rows, n_pairs)
    by_pair = each > point.pairs + 1e-9
    free = ~by_pair.ravel()[place]
    return Tight(
        value=np.minimum(each, point.pairs).sum(axis=1),
        of_amount=(free & (film < made)).astype(np.float64),
        of_made=(free & (film >= made)).astype(np.float64),
        of_pair=by_pair.astype(np.float64),
    )


def _mend(work: WorkModel, point: Point, covered: FloatArray) -> bool:
    """Add the tight rows of the known sides whose cover (n_sides known,) a point stretches most."""
    rows = work.field.thin[work.sides[: len(covered)]]
    broken = covered - _tight(work, rows, point).value
    worth = (work.field.areas + work.field.weights)[work.sides[: len(covered)]]
    worst = np.argsort(-broken * worth, kind="stable")
    worst = np.sort(worst[:MIXED_A_ROUND])
    worst = worst[broken[worst] > 0.01]
    if not len(worst):
        return False
    part = rows[worst]
    tight = _tight(work, part, point)
    of_amount, of_made = part.copy(), part.copy()
    of_amount.data = part.data * tight.of_amount
    of_made.data = tight.of_made
    of_amount.eliminate_zeros()
    of_made.eliminate_zeros()
    work.add_mixed(worst, of_amount, of_made, tight.of_pair)
    return True
