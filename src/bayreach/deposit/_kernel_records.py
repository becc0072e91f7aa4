"""Records of arrays that the direct-film kernels read."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from bayreach.arrays import BoolArray, FloatArray, IntArray

UNIFORM, PROFILE, TABLE = 0, 1, 2
"""How a tip's density is looked up: a constant, a table over the cosine, or bins of two angles."""

UNKNOWN = -2
"""Bay of a station whose bay could not be told, as `sight.UNKNOWN_BAY`: a figure that kernels can read."""


class Grains(NamedTuple):
    """Blocks of samples, as `sight.Blocks`; `bays` (b,): the bay that all sides of a block look into.

    Of sixteen samples a tile: `points` (g, 3 x 16) are their x, y, z in m and `normals` (g, 3 x 16), row
    after row; `weights` (g, 16), nothing where a tile is left over; `groups` (b + 1,): where each block's
    tiles begin.
    """

    starts: IntArray
    centers: FloatArray
    radii: FloatArray
    axes: FloatArray
    cosines: FloatArray
    floors: FloatArray
    points: FloatArray
    normals: NDArray[np.float32]
    weights: NDArray[np.float32]
    groups: IntArray
    rows: NDArray[np.int32]
    bays: IntArray


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
    `densities` (t, n) over the cosine between them; `scales` (t,): the density where it is one figure, else
    1. `reach` (t,) in m and `flying` (t, r) over the distance up to it, `fades` (t,): whether it falls at
    all; `polar`, `azimuth` and `bins` of tables.
    """

    kinds: IntArray
    cosines: FloatArray
    ends: FloatArray
    densities: NDArray[np.float32]
    scales: FloatArray
    reach: FloatArray
    flying: NDArray[np.float32]
    fades: BoolArray
    polar: FloatArray
    azimuth: FloatArray
    bins: FloatArray


class Panes(NamedTuple):
    """Windows of the stations, as `sight.Windows`."""

    starts: IntArray
    firsts: IntArray
    planes: NDArray[np.float32]
    caps: FloatArray
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
