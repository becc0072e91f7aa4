"""Uptake: a porous or oxidised surface soaks up some liquid before any film stays on it."""

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import FloatArray


def soaked(film: ArrayLike, uptake: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Return the film (...) that stays on top and the film (...) soaked up, in m, of a wet `film` (...) m.

    `uptake` (...) is the thickness in m that the surface can hold in itself; what it takes is lost to
    the film.

    >>> [(1e6 * part).round(9).tolist() for part in soaked([1e-6, 5e-6], 2e-6)]
    [[0.0, 3.0], [1.0, 2.0]]
    """
    wet = np.asarray(film, dtype=np.float64)
    taken = np.minimum(wet, np.asarray(uptake, dtype=np.float64))
    return wet - taken, taken
