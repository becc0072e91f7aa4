"""Compiled: the films of one pull added to a run of samples."""

import numpy as np
from numpy.typing import NDArray

from bayreach.arrays import IntArray
from bayreach.rays.packets import compiled

Singles = NDArray[np.float32]


@compiled
def add_pull(total: Singles, sides: IntArray, table: Singles, rows: IntArray, amounts: Singles) -> None:
    """Add to `total` (s, n), at `sides` (k,), row `rows[i]` of `table` (v, k) times `amounts[i]`."""
    for sample in range(len(rows)):
        row, amount = rows[sample], amounts[sample]
        for place in range(len(sides)):
            total[sample, sides[place]] += amount * table[row, place]
