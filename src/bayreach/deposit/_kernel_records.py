"""Records of arrays that the direct-film kernels read."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from bayreach.arrays import FloatArray, IntArray

UNIFORM, PROFILE, TABLE = 0, 1, 2
"""How a tip's density is looked up: a constant, a table over the cosine, or bins of two angles."""

MIXED = -3
"""Bay of a block whose sides look into three bays or more."""


class Grains(NamedTuple):
    """Blocks of samples, as `sight.Blocks`; `bays` (b, 2) of each block, `row_bay` (k,) of each side."""

    starts: IntArray
    centers: FloatArray
    radii: FloatArray
    axes: FloatArray
    cosines: FloatArray
    floors: FloatArray
    offsets: NDArray[np.float32]
    normals: NDArray[np.float32]
    weights: NDArray[np.float32]
    rows: NDArray[np.int32]
    bays: IntArray
    row_bay: IntArray


class Poses(NamedTuple):
    """Stations of pulls: `pulls` (s,), rising, and `tips` (s,) of each.

    Then its point, centre line, axis and clock (s, 3), its share (s,) of the pull's liquid and the way (s, 3)
    in m that the tip travels while it stands for the pull.
    """

    pulls: IntArray
    tips: IntArray
    points: FloatArray
    lines: FloatArray
    axes: FloatArray
    clocks: FloatArray
    shares: FloatArray
    sweeps: FloatArray


class Patterns(NamedTuple):
    """Tips.

    `kinds` (t,), `cosines` (t, 2) of the pattern's edges (2 and -2 where it has none), `ends` (t, 2) and
    `densities` (t, n) over the cosine between them, `reach` (t,) in m and `flying` (t, r) over the distance
    up to it; `polar`, `azimuth` and `bins` of tables.
    """

    kinds: IntArray
    cosines: FloatArray
    ends: FloatArray
    densities: FloatArray
    reach: FloatArray
    flying: FloatArray
    polar: FloatArray
    azimuth: FloatArray
    bins: FloatArray


class Panes(NamedTuple):
    """Windows of the stations, as `sight.Windows`."""

    starts: IntArray
    cones: FloatArray
    home: IntArray


class World(NamedTuple):
    """All that a kernel reads; `origin` (3,) of the scene, `stop`: length left free at both ends of a ray."""

    grains: Grains
    poses: Poses
    patterns: Patterns
    panes: Panes
    origin: FloatArray
    stop: float
    floor: float
