"""Whole pulls at speeds that a hand can hold, from amounts that a solver left continuous."""

import numpy as np

from bayreach.arrays import FloatArray, IntArray
from bayreach.cover._field import REACHED, Field

SWEEPS = 2
"""Times that each pass is tried one step higher, so that others can come down."""


def whole_pulls(
    field: Field, amounts: FloatArray, ratios: tuple[float, ...] | None
) -> tuple[IntArray, FloatArray]:
    """Return counts and ratios (n_passes,): at least `amounts`, then lowered where coverage allows.

    The fewest pulls that reach the amount, at the quickest level that still does; then one step down at a
    time, dearest pass first, and exchanges of a step up for steps down, while what is asked stays met.
    """
    used = amounts > 0
    if ratios is None:
        return used.astype(np.int64), np.where(used, amounts, 1.0)
    counts, levels = _ladder(np.sort(np.asarray(ratios)), float(amounts.max(initial=0.0)))
    ladder = counts * levels
    rungs = np.where(used, np.searchsorted(ladder, amounts * (1 - 1e-9)), -1)
    if field.is_met(field.levels(_amounts(ladder, rungs)) >= REACHED):
        rungs = _exchanged(field, _stepped_down(field, rungs, ladder), ladder)
    return np.where(rungs >= 0, counts[rungs], 0), np.where(rungs >= 0, levels[rungs], levels[0])


def _ladder(levels: FloatArray, most: float) -> tuple[IntArray, FloatArray]:
    """Return counts and levels of all amounts up to `most` or just above, by the fewest pulls each."""
    counts, ratios = [], []
    count = 0
    while count == 0 or count * levels[-1] < most:
        count += 1
        more = levels[count * levels > (count - 1) * levels[-1] * (1 + 1e-9)]
        counts.append(np.full(len(more), count, dtype=np.int64))
        ratios.append(more)
    return np.concatenate(counts), np.concatenate(ratios)


def _amounts(ladder: FloatArray, rungs: IntArray) -> FloatArray:
    return np.where(rungs >= 0, ladder[rungs], 0.0)


def _stepped_down(field: Field, rungs: IntArray, ladder: FloatArray) -> IntArray:
    """Lower one rung at a time (the last drops the pass), dearest pass first, while what is asked stays."""
    rungs = rungs.copy()
    amounts = _amounts(ladder, rungs)
    film = field.levels(amounts)
    over = field.surplus_price * (film > field.limit)
    order = np.argsort(-(field.unit + field.strengths.T @ over) * amounts, kind="stable")
    for candidate in order[rungs[order] >= 0]:
        column = slice(field.strengths.indptr[candidate], field.strengths.indptr[candidate + 1])
        sides, strength = field.strengths.indices[column], field.strengths.data[column]
        while rungs[candidate] >= 0:
            lower = ladder[rungs[candidate] - 1] if rungs[candidate] else 0.0
            tried = film.copy()
            tried[sides] -= strength * (ladder[rungs[candidate]] - lower)
            if not field.is_met(tried >= REACHED):
                break
            film, rungs[candidate] = tried, rungs[candidate] - 1
    return rungs


def _exchanged(field: Field, rungs: IntArray, ladder: FloatArray) -> IntArray:
    """Return rungs no dearer: one pass a step up, others down as far as that lets them, where it pays."""
    cost = field.cost(_amounts(ladder, rungs))
    for _ in range(SWEEPS):
        before = cost
        for candidate in np.flatnonzero(rungs >= 0):
            above = rungs[candidate] + 1
            if above == 0 or above == len(ladder) or ladder[above] > field.most[candidate]:
                continue
            tried = rungs.copy()
            tried[candidate] = above
            tried = _stepped_down(field, tried, ladder)
            now = field.cost(_amounts(ladder, tried))
            if now < cost * (1.0 - 1e-9):  # what is asked stays met: a step up takes no film away
                rungs, cost = tried, now
        if cost >= before:
            break
    return rungs
