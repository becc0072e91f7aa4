"""Plans without a solver: greedy, lowering of amounts, ruin and recreate; seeded."""

from dataclasses import dataclass

import numpy as np

from bayreach.arrays import BoolArray, FloatArray, IntArray
from bayreach.cover._amount_kernels import Asked, Column, gains_of, lowest_of, rows_of, shift
from bayreach.cover._effort import Effort
from bayreach.cover._field import REACHED, Field

STEPS = 6
"""Amounts tried for each pass in the greedy, geometric from least to most."""
STALE = 200
"""Rounds of ruin and recreate without a better plan after which it ends."""
GREEDY_ENTRY, LOWER_ENTRY = 7e-10, 2e-10
"""Counted seconds an entry of the film matrix: for each pass raised, and for each pass lowered."""
GREEDY_PASS, LOWER_PASS = 2e-4, 3e-5
"""Counted seconds for each pass raised and lowered, whatever the size."""


@dataclass(frozen=True, kw_only=True)
class Noise:
    """How far scores are shaken: the generator and the size of the shake."""

    rng: np.random.Generator
    size: float


def greedy(field: Field, amounts: FloatArray, noise: Noise | None = None) -> FloatArray:
    """Return `amounts` raised, best gain per second first, until what is asked is met or nothing helps."""
    amounts, levels = amounts.copy(), field.levels(amounts)
    steps = np.geomspace(np.maximum(field.least, 1e-3 * np.maximum(field.most, 1e-12)), field.most, STEPS)
    while True:
        if field.is_met(levels >= REACHED):
            # Levels were shifted pass by pass: round-off must not make a plan look met.
            levels = field.levels(amounts)
            if field.is_met(levels >= REACHED):
                return amounts
        choice = _best_step(field, amounts, levels, steps, noise)
        if choice is None:
            return amounts
        step, candidate = choice
        shift(_column(field, candidate), float(steps[step, candidate] - amounts[candidate]), levels)
        amounts[candidate] = steps[step, candidate]


def _column(field: Field, candidate: int) -> Column:
    """Return the sides that a pass wets and how strongly."""
    table = field.strengths
    piece = slice(table.indptr[candidate], table.indptr[candidate + 1])
    return Column(sides=table.indices[piece], strengths=table.data[piece])


def _best_step(
    field: Field, amounts: FloatArray, levels: FloatArray, steps: FloatArray, noise: Noise | None
) -> tuple[int, int] | None:
    """Return the step and the pass that gain most a second; None where nothing gains."""
    covered = levels >= REACHED
    more = np.maximum(steps - amounts, 0.0)
    more[:, ~_allowed(field, amounts)] = 0.0
    # Sides that are done gain nothing more: only the rows left are looked at, and they become few.
    dry = np.flatnonzero(~covered)
    gains = gains_of(rows_of(field.rows), dry, 1.0 - levels[dry], _worth(field, covered)[dry], more)
    scores = gains / (_first_cost(field, amounts) + field.unit * more + 1e-12)
    if noise is not None:
        scores *= np.exp(noise.size * noise.rng.standard_normal(len(amounts)))
    step, candidate = divmod(int(np.argmax(scores)), len(amounts))
    return (step, candidate) if scores[step, candidate] > 0.0 else None


def _worth(field: Field, covered: BoolArray) -> FloatArray:
    """Return what covering a side is worth: its area or weight, whichever is still short, both if both."""
    worth = np.zeros(len(field.areas))
    for values, asked in ((field.areas, field.need_area), (field.weights, field.need_weight)):
        lacking = asked - values[covered].sum()
        if lacking > 0:
            worth += np.minimum(values / lacking, 1.0)
    return worth


def _first_cost(field: Field, amounts: FloatArray) -> FloatArray:
    """Return the seconds it costs to begin each pass that is not made yet: aim, set-up, wand."""
    used = amounts > 0
    has_entry = np.isin(field.entry, field.entry[used])
    has_pair = np.isin(field.pair, field.pair[used])
    begin = (
        field.fixed + field.entry_price[field.entry] * ~has_entry + field.pair_price[field.pair] * ~has_pair
    )
    return np.where(used, 0.0, begin)


def _allowed(field: Field, amounts: FloatArray) -> BoolArray:
    used = amounts > 0
    allowed = np.ones(len(amounts), dtype=bool)
    if used.sum() >= field.most_passes:
        allowed &= used
    opened = np.zeros(len(field.entry_price), dtype=bool)
    opened[field.entry[used]] = True
    if (opened & field.is_new).sum() >= field.most_new:
        allowed &= (opened | ~field.is_new)[field.entry]
    for one, other in ((0, 1), (1, 0)):
        shut = field.conflicts[opened[field.conflicts[:, one]], other]
        allowed &= ~np.isin(field.entry, shut)
    full = (
        np.bincount(field.entry[used], minlength=int(field.entry.max(initial=0)) + 1) >= field.most_per_entry
    )
    return allowed & (used | ~full[field.entry])


def lowered(field: Field, amounts: FloatArray) -> FloatArray:
    """Return `amounts` lowered one at a time, dearest first, as far as what is asked stays met.

    Each step is exact: the sides that only this pass brings up to the need are dropped from the most
    demanding on, while
    area and weight allow.
    """
    amounts = amounts.copy()
    levels = field.levels(amounts)
    if not field.is_met(levels >= REACHED):
        return amounts
    cost = field.cost(amounts)
    for _ in range(4):
        for candidate in np.argsort(-(field.fixed + field.unit * amounts) * (amounts > 0), kind="stable"):
            if amounts[candidate] <= 0:
                break
            new = _lowest(field, amounts[candidate], levels, int(candidate))
            if new < amounts[candidate]:
                shift(_column(field, int(candidate)), float(new - amounts[candidate]), levels)
                amounts[candidate] = new
        before, cost = cost, field.cost(amounts)
        if cost >= before * (1.0 - 1e-9):
            break
        levels = field.levels(amounts)  # they were shifted pass by pass
    return amounts


def _lowest(field: Field, amount: float, levels: FloatArray, candidate: int) -> float:
    """Return the least amount of one pass, 0 or from its least up, that keeps what is asked met."""
    covered = levels >= REACHED
    asked = Asked(
        areas=field.areas,
        weights=field.weights,
        spare_area=float(field.areas[covered].sum() - (field.need_area * REACHED - 1e-15)),
        spare_weight=float(field.weights[covered].sum() - (field.need_weight * REACHED - 1e-15)),
    )
    wanted = lowest_of(_column(field, candidate), float(amount), levels, asked, REACHED)
    # A hair more than the side asks for, so that round-off in the sum of films does not lose it again.
    return float(min(amount, max(field.least[candidate], wanted * (1.0 + 1e-9)))) if wanted > 0.0 else 0.0


def improved(
    field: Field,
    amounts: FloatArray,
    *,
    rounds: int,
    rng: np.random.Generator,
    effort: Effort,
    seconds: float,
) -> FloatArray:
    """Return a plan no dearer than `amounts` by ruin and recreate: take passes out, refill, lower.

    Ends after `rounds`, after `STALE` of them without a better plan, or after `seconds` of counted work.
    """
    begin, end = effort.spent, effort.spent + seconds
    best, best_cost, last = amounts, field.cost(amounts), 0
    current, current_cost = best, best_cost
    for turn in range(rounds):
        if effort.left(end) <= 0.0 or turn - last > STALE:
            break
        used = np.flatnonzero(current > 0)
        if not len(used):
            break
        ruined = current.copy()
        ruined[_ruin(field, used, rng)] = 0.0
        tried = lowered(field, greedy(field, ruined, Noise(rng=rng, size=0.3)))
        effort.spend(counted(field, ruined, tried))
        if not field.is_met(field.levels(tried) >= REACHED):
            continue
        cost = field.cost(tried)
        # Late acceptance would need a longer run; a threshold that shrinks to nothing is enough for some
        # hundred turns.
        done = max(turn / rounds, (effort.spent - begin) / seconds)
        if cost < current_cost * (1.0 + 0.01 * (1.0 - done)):
            current, current_cost = tried, cost
        if cost < best_cost * (1.0 - 1e-12):
            best, best_cost, last = tried, cost, turn
    return best


def counted(field: Field, before: FloatArray, after: FloatArray) -> float:
    """Return the counted seconds of raising `before` to `after` (n_passes,) by greedy and of lowering it."""
    raised, used = int((after > before).sum()), int((after > 0).sum())
    nnz = field.strengths.nnz
    return (GREEDY_PASS + GREEDY_ENTRY * nnz) * (raised + 1) + (LOWER_PASS + LOWER_ENTRY * nnz) * used


def _overlaps(field: Field, candidate: int) -> FloatArray:
    """Return (n_passes,) how much each pass wets of what one wets: the product of their columns."""
    one = _column(field, candidate)
    column = np.zeros(len(field.areas))
    column[one.sides] = one.strengths
    return np.asarray(field.strengths.T @ column)


def _ruin(field: Field, used: IntArray, rng: np.random.Generator) -> IntArray:
    """Return the passes to take out: one and those that share most sides with it, or a whole entry."""
    count = int(rng.integers(1, max(2, len(used) // 3) + 1))
    if rng.random() < 0.3:
        return np.asarray(rng.choice(used, size=min(count, len(used)), replace=False), dtype=np.int64)
    seed = rng.choice(used)
    if rng.random() < 0.2:
        return np.asarray(used[field.entry[used] == field.entry[seed]])
    overlap = _overlaps(field, int(seed))[used]
    return np.asarray(used[np.argsort(-overlap, kind="stable")[:count]])
