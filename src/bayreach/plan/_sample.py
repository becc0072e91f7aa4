"""Which sides a plan is made on: a sample drawn evenly by area, and sides found short each for itself."""

import math

import numpy as np

from bayreach.arrays import BoolArray, FloatArray, IntArray

MOST_SHORT = 3_000
"""Sides found short by a simulation that are planned on each for itself; of more a sample stands for all."""


def sample_sides(
    required: BoolArray, areas: FloatArray, side_bay: IntArray, most: int
) -> tuple[IntArray, FloatArray]:
    """Return the required sides (k,), or a sample of about `most`, and the m² that each stands for.

    Systematic sampling in proportion to area, bay by bay: every bay keeps its area. The marks are set over
    all sides that look into a bay, required or not, so that a changed keep-out moves none of them and what is
    known of the others stays of use.
    """
    sides = np.flatnonzero(required & (areas > 0))
    if len(sides) <= most:
        return sides, areas[sides]
    pool = np.flatnonzero((required | (side_bay >= 0)) & (areas > 0))
    # Where much needs no film more marks are set; by doublings, so that a small change changes nothing.
    count = most * 2 ** round(math.log2(areas[pool].sum() / areas[sides].sum()))
    pool = pool[np.argsort(side_bay[pool], kind="stable")]
    ends = np.cumsum(areas[pool])
    marks = (np.arange(count) + 0.5) * ends[-1] / count
    chosen, counts = np.unique(np.searchsorted(ends, marks), return_counts=True)
    asked = required[pool[chosen]]
    chosen, weight = pool[chosen[asked]], counts[asked].astype(np.float64)
    order = np.argsort(chosen)
    chosen, weight = chosen[order], weight[order]
    return chosen, _by_bay(weight, side_bay[chosen], areas[sides], side_bay[sides])


def _by_bay(weight: FloatArray, own_bay: IntArray, areas: FloatArray, side_bay: IntArray) -> FloatArray:
    """Return `weight` (k,) so scaled that it sums to the area of every bay that has a sample, and in all."""
    n_bays = int(max(side_bay.max(initial=-1), own_bay.max(initial=-1))) + 2
    real = np.bincount(side_bay + 1, areas, n_bays)
    found = np.bincount(own_bay + 1, weight, n_bays)
    scale = np.divide(real, found, out=np.zeros(n_bays), where=found > 0)
    scaled = weight * scale[own_bay + 1]
    total = float(scaled.sum())
    return scaled * (float(areas.sum()) / total) if total > 0 else scaled


def with_short(
    sides: IntArray,
    weight: FloatArray,
    short: IntArray,
    *,
    required: BoolArray,
    areas: FloatArray,
    side_bay: IntArray,
) -> tuple[IntArray, FloatArray]:
    """Return a sample (k,) and the m² of each, with the sides `short` (ids) in it each for itself.

    They are a stratum of their own: what was sampled elsewhere stands for the rest of its bay alone. Of more
    than `MOST_SHORT` a sample by area stands for all of them.
    """
    taken, own = sample_sides(_mask(short, len(required)), areas, side_bay, MOST_SHORT)
    rest = np.flatnonzero(required & (areas > 0) & ~_mask(short, len(required)))
    others = ~np.isin(sides, short)
    kept = _by_bay(weight[others], side_bay[sides[others]], areas[rest], side_bay[rest])
    both = np.concatenate([sides[others], taken])
    order = np.argsort(both)
    return both[order], np.concatenate([kept, own])[order]


def _mask(ids: IntArray, count: int) -> BoolArray:
    mask = np.zeros(count, dtype=bool)
    mask[ids] = True
    return mask
