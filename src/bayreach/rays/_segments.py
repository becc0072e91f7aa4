"""Where a ray begins and ends: the one place that owns offsets."""

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import FloatArray
from bayreach.mesh import Mesh


def stop_short(mesh: Mesh) -> float:
    """Return how far in m from each of its ends a segment is let go free, so that no face blocks itself.

    0.1 mm, less in a box smaller than 1 m, more (4e-6 of the diagonal) where single precision needs it:
    measured to give no false hit and no false miss against double precision when coordinates are counted from
    the box's centre. Offsets along normals are not used: they leak at corners.
    """
    return max(min(1e-4, 1e-4 * mesh.diagonal), 4e-6 * mesh.diagonal)


def as_vectors(starts: ArrayLike, others: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Return both arguments as (n, 3) float; a single (3,) is repeated to match the other.

    Raises
    ------
    ValueError
        When the shapes cannot be matched.
    """
    one = np.atleast_2d(np.asarray(starts, dtype=np.float64))
    two = np.atleast_2d(np.asarray(others, dtype=np.float64))
    if one.ndim != 2 or two.ndim != 2 or one.shape[1] != 3 or two.shape[1] != 3:
        message = f"rays: (n, 3) needed for both ends, {one.shape} and {two.shape} found."
        raise ValueError(message)
    if len(one) != len(two) and 1 not in (len(one), len(two)):
        message = f"rays: {len(one)} starts and {len(two)} ends or directions; give as many of each, or one."
        raise ValueError(message)
    one, two = np.broadcast_arrays(one, two)
    return one, two
