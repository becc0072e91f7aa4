"""Where a tip travels: poses along a path, and the stations that sample it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import FloatArray, frozen_floats, unit_vectors


@dataclass(frozen=True, kw_only=True, eq=False)
class TipPath:
    """A polyline of tip poses, in the order of the pull (deepest first).

    Parameters
    ----------
    points : (k, 3) float
        Tip positions in m.
    axes : (k, 3) float
        Unit vectors along the wand's end, pointing forward (the way it was pushed in).
    clocks : (k, 3) float
        Unit vectors normal to `axes`: where a side tip sprays (clock zero turned by the clock angle).
    depths : (k,) float
        Insertion depth of each pose in m, measured along the wand from the opening; falls from first to last.
    """

    points: FloatArray
    axes: FloatArray
    clocks: FloatArray
    depths: FloatArray

    def __post_init__(self) -> None:
        points = frozen_floats(self.points, shape=(-1, 3), name="points")
        axes = frozen_floats(unit_vectors(self.axes), shape=points.shape, name="axes")
        clocks = frozen_floats(unit_vectors(self.clocks), shape=points.shape, name="clocks")
        depths = frozen_floats(self.depths, shape=(len(points),), name="depths")
        if len(points) < 1 or (np.diff(depths) > 0).any():
            message = f"depths: a path needs one pose or more, deepest first; found {depths.tolist()}."
            raise ValueError(message)
        for name, value in (("points", points), ("axes", axes), ("clocks", clocks), ("depths", depths)):
            object.__setattr__(self, name, value)

    @property
    def length(self) -> float:
        """Length of the pull in m: the fall in depth."""
        return float(self.depths[0] - self.depths[-1])


@dataclass(frozen=True, kw_only=True, eq=False)
class Stations:
    """Samples of a path. `lengths` (k,) in m is how much of the pull each station stands for."""

    points: FloatArray
    axes: FloatArray
    clocks: FloatArray
    depths: FloatArray
    lengths: FloatArray

    def __post_init__(self) -> None:
        points = frozen_floats(self.points, shape=(-1, 3), name="points")
        for name, shape in (
            ("axes", points.shape),
            ("clocks", points.shape),
            ("depths", (-1,)),
            ("lengths", (-1,)),
        ):
            object.__setattr__(self, name, frozen_floats(getattr(self, name), shape=shape, name=name))
        object.__setattr__(self, "points", points)


def clock_zero(axis: ArrayLike, down: ArrayLike) -> FloatArray:
    """Return the unit vector (3,) of clock angle 0 for a wand along `axis`: up, made normal to the axis.

    Where the axis is vertical, up is replaced by the mesh's +x direction.

    >>> [float(x) for x in clock_zero([1, 0, 0], [0, 0, -1]).round(9) + 0.0]
    [0.0, 0.0, 1.0]
    """
    along = unit_vectors(axis)
    for reference in (-unit_vectors(down), np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0])):
        across = reference - (reference @ along) * along
        if np.linalg.norm(across) > 1e-6:
            return unit_vectors(across)
    message = "axis: a wand needs a direction of non-zero length."
    raise ValueError(message)


def turned_about(vector: ArrayLike, axis: ArrayLike, angle: float) -> FloatArray:
    """Return `vector` (..., 3) turned by `angle` (rad, right-handed) about the unit vector `axis` (3,).

    Rodrigues' rotation formula: v cos a + (k x v) sin a + k (k . v)(1 - cos a).
    """
    vector = np.asarray(vector, dtype=np.float64)
    along = unit_vectors(axis)
    dot = (vector @ along)[..., None] * along
    turned: FloatArray = (
        vector * np.cos(angle) + np.cross(along, vector) * np.sin(angle) + dot * (1.0 - np.cos(angle))
    )
    return turned


def with_clock(path: TipPath, angle: float) -> TipPath:
    """Return `path` with the tip turned about its own axis by `angle` (rad, clockwise from behind).

    >>> start, aim, down = [0, 0, 0], [1, 0, 0], [0, 0, -1]
    >>> path = straight_path(entry=start, aim=aim, deepest=1, shallowest=0, clock=0, down=down)
    >>> [round(float(x), 9) + 0.0 for x in with_clock(path, np.pi).clocks[0]]
    [0.0, 0.0, -1.0]
    """
    clocks = path.clocks * np.cos(angle) + np.cross(path.axes, path.clocks) * np.sin(angle)
    return TipPath(points=path.points, axes=path.axes, clocks=clocks, depths=path.depths)


def straight_path(
    *, entry: ArrayLike, aim: ArrayLike, deepest: float, shallowest: float, clock: float, down: ArrayLike
) -> TipPath:
    """Return a straight wand's path through `entry` (3,) m along `aim`, `deepest` to `shallowest` (m).

    `clock` (rad) is counted clockwise as the hand behind the wand sees it, looking along the aim.
    """
    along = unit_vectors(aim)
    clock_axis = turned_about(clock_zero(along, down), along, clock)
    depths = np.array([deepest, shallowest]) if deepest > shallowest else np.array([deepest])
    return TipPath(
        points=np.asarray(entry, dtype=np.float64) + depths[:, None] * along,
        axes=np.tile(along, (len(depths), 1)),
        clocks=np.tile(clock_axis, (len(depths), 1)),
        depths=depths,
    )


def stations_of(path: TipPath, step: float) -> Stations:
    """Sample `path` at the middles of equal pieces no longer than `step` (m): midpoint rule, error O(step²).

    A path of one pose gives one station of length zero (a dwell).
    """
    if len(path.depths) == 1 or path.length == 0.0:
        return Stations(
            points=path.points[:1],
            axes=path.axes[:1],
            clocks=path.clocks[:1],
            depths=path.depths[:1],
            lengths=np.zeros(1),
        )
    count = max(1, int(np.ceil(path.length / step - 1e-9)))
    piece = path.length / count
    depths = path.depths[0] - piece * (np.arange(count) + 0.5)
    return poses_at(path, depths, lengths=np.full(count, piece))


def poses_at(path: TipPath, depths: ArrayLike, lengths: ArrayLike) -> Stations:
    """Return the poses of `path` at `depths` (k,) m, interpolated linearly, axes and clocks made unit."""
    depths = np.asarray(depths, dtype=np.float64)
    known = -path.depths  # np.interp wants a rising abscissa

    def along(values: FloatArray) -> FloatArray:
        return np.stack([np.interp(-depths, known, values[:, k]) for k in range(3)], axis=1)

    axes = unit_vectors(along(path.axes))
    clocks = along(path.clocks)
    clocks = unit_vectors(clocks - np.einsum("ij,ij->i", clocks, axes)[:, None] * axes)
    return Stations(
        points=along(path.points),
        axes=axes,
        clocks=clocks,
        depths=depths,
        lengths=np.asarray(lengths, dtype=np.float64),
    )
