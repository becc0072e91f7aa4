"""The fewest looks that check all that can be checked, by the same solver as the holes."""

from typing import TYPE_CHECKING

import numpy as np

from bayreach import cover
from bayreach.arrays import FloatArray, IntArray

if TYPE_CHECKING:
    from scipy.sparse import csr_matrix


def fewest_looks(
    seen: "csr_matrix", areas: FloatArray, *, share: float = 1.0, seconds: float = 20.0
) -> tuple[IntArray, int]:
    """Return the looks (indices) that see `share` of all that any look sees, and the fewest not disproven.

    Parameters
    ----------
    seen : (n_looks, n_sides) sparse
        1 where a look can judge a side.
    areas : (n_sides,) float
        m² of each side.
    share : float
        Share of the area within sight that must be seen.
    """
    within = np.flatnonzero(np.asarray(seen.sum(axis=0)).ravel() > 0)
    if not len(within):
        return np.zeros(0, dtype=np.int64), 0
    problem = cover.problem_of(seen[:, within].T, areas=areas[within], share=share)
    found, _ = cover.fewest_holes(problem, cover.hole_choice(problem), seconds=seconds)
    return np.flatnonzero(found.chosen), int(found.bound)
