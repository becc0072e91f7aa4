"""Fewer columns for a cover by swaps: compiled, on counts that are kept, with a short memory."""

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from bayreach.arrays import BoolArray, FloatArray, IntArray
from bayreach.cover._effort import Effort
from bayreach.rays.compiling import compiled

if TYPE_CHECKING:
    from bayreach.cover._hole_rows import Covering

BATCH = 2000
"""Swaps between two looks at the work left; sums are made anew then, so that no round-off gathers."""
SWAP_ENTRY, BATCH_ENTRY = 1.5e-9, 4e-9
"""Counted seconds: an entry looked at in a swap, and an entry of the shares in each batch."""
DROP_REST, ADD_REST = 4, 12
"""Most swaps for which a column just added stays, and one just dropped is not taken again."""
WANDERING = 0.02
"""Share of swaps that drop any column instead of the one that covers least by itself."""


class Counts(NamedTuple):
    """A choice of columns and the sums that swaps keep: which rows of which columns, and what each is worth.

    `value` (n_columns,) is the m² that only a column held covers, or the m² now dry that another would cover;
    `held` (n_rows,) how many columns held cover a row and `sole` the sum of their numbers: the only one's own
    where there is one. `blocked` (n_columns,) counts the columns held that exclude a column, `rests` is the
    swap until which it stays as it is.
    """

    column_starts: IntArray
    column_rows: IntArray
    row_starts: IntArray
    row_columns: IntArray
    clash_starts: IntArray
    clashes: IntArray
    areas: FloatArray
    chosen: BoolArray
    held: IntArray
    sole: IntArray
    value: FloatArray
    blocked: IntArray
    rests: IntArray


def swapped(
    case: "Covering",
    *,
    start: BoolArray,
    until: int,
    effort: Effort,
    seconds: float,
    begin: BoolArray | None = None,
    seed: int = 5,
) -> BoolArray:
    """Return columns (n_columns,) no more than `start`, which covers all but the area that may stay dry.

    The search begins at `start`, or at `begin` (n_columns,), fewer columns that may leave too much dry.

    Shares must be 0 or 1. Whenever all is covered that is asked, the column that covers least by itself is
    dropped; then one is dropped and the one added that covers most of what is dry, again and again. A column
    just moved rests for some swaps (tabu search, Glover 1986, from memory). Ends at `until` columns or after
    `seconds` of counted work.
    """
    end = effort.spent + seconds
    rng = np.random.default_rng(seed)
    counts, best = _counts(case, start if begin is None else begin), start.copy()
    first = 0
    while int(best.sum()) > until and effort.left(end) > 0.0:
        looked = swaps(counts, best, case.spare, (until, first), rng.random((BATCH, 3)))
        effort.spend(SWAP_ENTRY * looked + BATCH_ENTRY * case.shares.nnz)
        first += BATCH
    return best


def _counts(case: "Covering", start: BoolArray) -> Counts:
    columns, rows, n = case.shares.tocsc(), case.shares.tocsr(), case.shares.shape[1]
    pairs = np.concatenate([case.conflicts, case.conflicts[:, ::-1]]).astype(np.int64)
    pairs = pairs[np.argsort(pairs[:, 0], kind="stable")]
    return Counts(
        column_starts=columns.indptr.astype(np.int64),
        column_rows=columns.indices.astype(np.int64),
        row_starts=rows.indptr.astype(np.int64),
        row_columns=rows.indices.astype(np.int64),
        clash_starts=np.searchsorted(pairs[:, 0], np.arange(n + 1)).astype(np.int64),
        clashes=np.ascontiguousarray(pairs[:, 1]),
        areas=np.asarray(case.areas, dtype=np.float64),
        chosen=start.copy(),
        held=np.zeros(rows.shape[0], dtype=np.int64),
        sole=np.zeros(rows.shape[0], dtype=np.int64),
        value=np.zeros(n),
        blocked=np.zeros(n, dtype=np.int64),
        rests=np.zeros(n, dtype=np.int64),
    )


@compiled
def swaps(counts: Counts, best: BoolArray, spare: float, numbers: tuple[int, int], chance: FloatArray) -> int:
    """Make a batch of swaps, the fewest columns kept in `best` (n_columns,); return the entries looked at.

    `numbers` are the columns at which to stop and that of the first swap, `chance` (swaps, 3) is random. Sums
    are made anew first.
    """
    until, first = numbers
    dry = summed(counts)
    count, fewest, looked = int(counts.chosen.sum()), int(best.sum()), 0
    for turn in range(len(chance)):
        swap = first + turn
        while dry <= spare:
            if count < fewest:
                best[:] = counts.chosen
                fewest = count
            if count <= until:
                return looked
            more, entries = moved(counts, least(counts, -1))
            dry, looked, count = dry + more, looked + entries, count - 1
        out = least(counts, swap)
        if chance[turn, 0] < WANDERING:
            out = held_at(counts, int(chance[turn, 1] * count))
        if out >= 0:
            more, entries = moved(counts, out)
            dry, looked, count = dry + more, looked + entries, count - 1
            counts.rests[out] = swap + 1 + int(chance[turn, 1] * ADD_REST)
        into = most(counts, swap)
        if into >= 0:
            more, entries = moved(counts, into)
            dry, looked, count = dry + more, looked + entries, count + 1
            counts.rests[into] = swap + 1 + int(chance[turn, 2] * DROP_REST)
        looked += 2 * len(best) + 50
    return looked


@compiled
def summed(counts: Counts) -> float:
    """Make every sum anew from the columns held; return the m² dry."""
    counts.held[:], counts.sole[:], counts.value[:], counts.blocked[:] = 0, 0, 0.0, 0
    for column in range(len(counts.chosen)):
        if counts.chosen[column]:
            for place in range(counts.column_starts[column], counts.column_starts[column + 1]):
                counts.held[counts.column_rows[place]] += 1
                counts.sole[counts.column_rows[place]] += column
            for place in range(counts.clash_starts[column], counts.clash_starts[column + 1]):
                counts.blocked[counts.clashes[place]] += 1
    dry = 0.0
    for row in range(len(counts.areas)):
        if counts.held[row] == 0:
            dry += counts.areas[row]
            for place in range(counts.row_starts[row], counts.row_starts[row + 1]):
                counts.value[counts.row_columns[place]] += counts.areas[row]
        elif counts.held[row] == 1:
            counts.value[counts.sole[row]] += counts.areas[row]
    return dry


@compiled
def least(counts: Counts, swap: int) -> int:
    """Return the column held that covers least by itself, of those that do not rest (swap -1: of all)."""
    out = -1
    for column in range(len(counts.chosen)):
        free = counts.chosen[column] and (swap < 0 or counts.rests[column] <= swap)
        if free and (out < 0 or counts.value[column] < counts.value[out]):
            out = column
    return out


@compiled
def most(counts: Counts, swap: int) -> int:
    """Return the column that covers most of what is dry, of those that may be added and do not rest."""
    into = -1
    for column in range(len(counts.chosen)):
        free = not counts.chosen[column] and counts.blocked[column] == 0 and counts.rests[column] <= swap
        if free and (into < 0 or counts.value[column] > counts.value[into]):
            into = column
    return into


@compiled
def held_at(counts: Counts, place: int) -> int:
    """Return the column held at a place among those held; -1 beyond the last."""
    for column in range(len(counts.chosen)):
        if counts.chosen[column]:
            if place == 0:
                return column
            place -= 1
    return -1


@compiled
def moved(counts: Counts, column: int) -> tuple[float, int]:
    """Add a column that is not held, or drop one that is; return the m² more that are dry, entries seen."""
    adds = not counts.chosen[column]
    step = 1 if adds else -1
    change, seen = 0.0, counts.column_starts[column + 1] - counts.column_starts[column]
    for place in range(counts.column_starts[column], counts.column_starts[column + 1]):
        row = counts.column_rows[place]
        area = counts.areas[row]
        others = counts.held[row] - (0 if adds else 1)
        counts.held[row] += step
        counts.sole[row] += step * column
        if others == 0:
            change += area
            seen += counts.row_starts[row + 1] - counts.row_starts[row]
            for other in range(counts.row_starts[row], counts.row_starts[row + 1]):
                counts.value[counts.row_columns[other]] -= step * area
        elif others == 1:
            counts.value[counts.sole[row] - (column if adds else 0)] -= step * area
    counts.value[column] = change
    counts.chosen[column] = adds
    for place in range(counts.clash_starts[column], counts.clash_starts[column + 1]):
        counts.blocked[counts.clashes[place]] += step
    return -step * change, seen
