"""Arrays that enter the package are laid out row by row, whatever order they came in."""

import numpy as np

from bayreach.arrays import frozen_floats, frozen_ints


def test_arrays_are_stored_row_by_row_however_they_came() -> None:
    # Fancy indexing and transposing give column order; the ray engine, which reads memory as it is, then saw
    # other triangles and missed 96 of 100 rays.
    ints = np.asfortranarray(np.arange(12).reshape(4, 3))
    assert frozen_ints(ints, shape=(-1, 3), name="faces").flags.c_contiguous
    assert frozen_floats(ints.astype(float), shape=(-1, 3), name="points").flags.c_contiguous
