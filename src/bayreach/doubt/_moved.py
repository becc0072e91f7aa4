"""A pull as an unsteady hand makes it: the path turned and shifted as one rigid body."""

from dataclasses import replace
from typing import TypeVar

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import FloatArray, unit_vectors
from bayreach.poses import Stations, TipPath, clock_zero, turned_about

Poses = TypeVar("Poses", TipPath, Stations)


def moved(
    path: Poses,
    *,
    entry: ArrayLike,
    aim: ArrayLike,
    tilt: ArrayLike = (0.0, 0.0),
    place: ArrayLike = (0.0, 0.0),
    depth: float = 0.0,
    clock: float = 0.0,
) -> Poses:
    """Return `path` as a hand with these errors makes it.

    The wand is one rigid body: it is turned about its own line by `clock`, turned about `entry` by the
    rotation
    vector `tilt` (rad) across the line, shifted across by `place` (m) and pushed further by `depth` (m). The
    rim of
    the opening and what stands inside are not asked whether they allow it.

    Parameters
    ----------
    path : TipPath or Stations
        The nominal pull.
    entry : (3,) float
        Where the wand's line meets the opening, in m.
    aim : (3,) float
        Direction of the wand's line, inward.
    tilt, place : (2,) float
        Components along two unit vectors across the line: up made normal to it, and the line crossed with
        that.
    depth, clock : float
        In m and rad.
    """
    origin, line = np.asarray(entry, dtype=np.float64), unit_vectors(aim)
    first = clock_zero(line, (0.0, 0.0, -1.0))
    across = np.stack([first, np.cross(line, first)])
    rotation = np.asarray(tilt, dtype=np.float64) @ across
    angle = float(np.linalg.norm(rotation))
    turn_axis = rotation / angle if angle > 0.0 else first

    def turned(vectors: FloatArray) -> FloatArray:
        about_line = turned_about(vectors, line, clock)
        return about_line if angle == 0.0 else turned_about(about_line, turn_axis, angle)

    shift = np.asarray(place, dtype=np.float64) @ across + depth * turned(line)
    return replace(
        path,
        points=origin + turned(path.points - origin) + shift,
        axes=turned(path.axes),
        clocks=turned(path.clocks),
        depths=path.depths + depth,
    )
