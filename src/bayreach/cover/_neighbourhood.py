"""Better plans by small MILPs: most passes stay, a few that overlap and their rivals are chosen anew."""

from dataclasses import replace

import numpy as np

from bayreach.arrays import BoolArray, FloatArray, IntArray
from bayreach.cover._effort import Effort
from bayreach.cover._field import REACHED, Field
from bayreach.cover._highs import solve
from bayreach.cover._relax import charge, plan_point
from bayreach.cover._search import greedy, lowered
from bayreach.cover._work_model import work_model

TIGHT = 1.5
"""A side with less than this many needs of film is watched in the small problem."""
FREED = (5, 12)
"""Fewest and most passes chosen anew at a time."""
RIVALS = 40
"""Passes not made that may take their place."""
SMALL_ENTRY = 1e-7
"""Counted seconds an entry of the film matrix for making a small problem and mending its answer."""


def rechosen(
    field: Field,
    amounts: FloatArray,
    *,
    liked: BoolArray,
    rng: np.random.Generator,
    effort: Effort,
    seconds: float,
) -> FloatArray:
    """Return a plan from `amounts` with one neighbourhood chosen anew, or `amounts` where that does not help.

    A pass at random and those that share most sides with it are freed; rivals are the passes that lay most
    film on
    the sides left dry, those `liked` (n_passes,) by a relaxation first. Sides far above their need are
    taken as covered;
    what the small problem gets wrong is mended on the whole field.
    """
    freed = _freed(field, amounts, rng)
    kept = amounts.copy()
    kept[freed] = 0.0
    passes = np.union1d(freed, _rivals(field, kept, liked))
    small, sides = _small(field, kept, passes)
    levels = field.levels(amounts)[sides]
    watched = np.flatnonzero((levels < TIGHT) & (field.levels(kept)[sides] < REACHED))
    work = work_model(small, watched, np.zeros(0, dtype=np.int64))
    now = amounts[passes]
    for share in (1.0, 0.5):
        charge(work, plan_point(small, share * now))
    effort.spend(field.strengths.nnz * SMALL_ENTRY)
    answer = solve(work.model, start=work.point_of(now), effort=effort, seconds=seconds, gap=2e-3)
    if not answer.found:
        return amounts
    tried = kept.copy()
    tried[passes] = np.where(answer.values[work.made] > 0.5, answer.values[work.amount], 0.0)
    tried = lowered(field, greedy(field, tried * (1.0 + 1e-9)))
    met = field.is_met(field.levels(tried) >= REACHED)
    return tried if met and field.cost(tried) < field.cost(amounts) else amounts


def _freed(field: Field, amounts: FloatArray, rng: np.random.Generator) -> IntArray:
    used = np.flatnonzero(amounts > 0)
    count = min(len(used), int(rng.integers(FREED[0], FREED[1] + 1)))
    seed = int(rng.choice(used))
    part = field.strengths[:, used]
    overlap = np.asarray((part.T @ field.strengths[:, [seed]]).todense()).ravel()
    overlap *= np.exp(0.3 * rng.standard_normal(len(used)))
    overlap[used == seed] = np.inf
    return np.sort(used[np.argsort(-overlap, kind="stable")[:count]])


def _rivals(field: Field, kept: FloatArray, liked: BoolArray) -> IntArray:
    missing = np.maximum(0.0, 1.0 - field.levels(kept)) * (field.areas + field.weights)
    reach = field.strengths.copy()
    reach.data = np.minimum(1.0, reach.data * np.repeat(field.most, np.diff(reach.indptr)))
    worth = np.asarray(reach.T @ missing)
    worth[kept > 0] = 0.0
    worth = np.where(liked, 2.0 * worth, worth)
    best = np.argsort(-worth, kind="stable")[:RIVALS]
    return np.sort(best[worth[best] > 0])


def _small(field: Field, kept: FloatArray, passes: IntArray) -> tuple[Field, IntArray]:
    """Return the field of `passes` with the film of `kept` already laid, and its sides.

    Needs and limits shrink by what is laid; ways in that are used already cost nothing more.
    """
    from scipy.sparse import csc_matrix, diags

    laid = field.levels(kept)
    strengths = field.strengths[:, passes].tocsr()
    reach = laid + np.asarray(strengths @ field.most[passes])
    sides = np.flatnonzero(reach >= REACHED)
    missing = np.where(laid[sides] < REACHED, np.maximum(1.0 - laid[sides], 1e-6), 1.0)
    used = kept > 0
    entry_price = field.entry_price.copy()
    entry_price[np.unique(field.entry[used])] = 0.0
    pair_price = field.pair_price.copy()
    pair_price[np.unique(field.pair[used])] = 0.0
    small = replace(
        field,
        strengths=csc_matrix(diags(1.0 / missing) @ strengths[sides]),
        areas=field.areas[sides],
        weights=field.weights[sides],
        limit=np.maximum(field.limit[sides] - laid[sides], 0.0) / missing,
        surplus_price=field.surplus_price[sides] * missing,
        least=field.least[passes],
        most=field.most[passes],
        fixed=field.fixed[passes],
        unit=field.unit[passes],
        entry=field.entry[passes],
        pair=field.pair[passes],
        lets_in=field.lets_in[:, passes],
        entry_price=entry_price,
        pair_price=pair_price,
        sides=sides,
        passes=passes,
    )
    return small, sides
