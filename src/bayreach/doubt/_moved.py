"""A pull as an unsteady hand makes it: the path turned and shifted as one rigid body."""

from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import FloatArray, unit_vectors
from bayreach.insertion import straight_reach
from bayreach.job import Tolerances
from bayreach.poses import Stations, TipPath, clock_zero, turned_about
from bayreach.run import Pull, Site

Poses = TypeVar("Poses", TipPath, Stations)


def moved(
    path: Poses,
    *,
    entry: ArrayLike,
    aim: ArrayLike,
    tilt: ArrayLike = (0.0, 0.0),
    place: ArrayLike = (0.0, 0.0),
    depth: ArrayLike = 0.0,
    clock: float = 0.0,
) -> Poses:
    """Return `path` as a hand with these errors makes it.

    The wand is one rigid body: it is turned about its own line by `clock`, turned about `entry` by the
    rotation vector `tilt` (rad) across the line, shifted across by `place` (m) and pushed further by `depth`
    (m). Whether the opening and what stands inside allow it is asked by `Passable`.

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
    depth : float or (k,) float
        In m, the same for all poses or for each.
    clock : float
        In rad.
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

    push = np.asarray(depth, dtype=np.float64)
    shift = np.asarray(place, dtype=np.float64) @ across + push[..., None] * turned(line)
    return replace(
        path,
        points=origin + turned(path.points - origin) + shift,
        axes=turned(path.axes),
        clocks=turned(path.clocks),
        depths=path.depths + push,
    )


DRAWN_IN = (1.0, 0.75, 0.5, 0.25, 0.0)
"""Shares of a tilt and a shift that are tried, the whole first, until the wand passes."""
STOPS_SHORT = 20e-3
"""Greatest length in m by which a moved wand may stop short of its depth before it is drawn in instead."""


@dataclass(frozen=True, kw_only=True)
class Passable:
    """Moves the pulls of a site's straight wands no farther than the opening and the structure allow."""

    site: Site
    tolerances: Tolerances

    def poses(self, pull: Pull, stations: Stations, errors: FloatArray) -> list[Stations]:
        """Return `stations` moved by each row of `errors` (v, 6), standard normal: tilt, place, depth, clock.

        Where a moved straight wand meets something inside no more than `STOPS_SHORT` before its depth, its
        tip waits there until the pull has come as far. Where it is stopped sooner, by the rim of its opening
        or on its way, tilt and shift are drawn in together to the largest of the shares `DRAWN_IN` that lets
        it pass. Bent and flexible wands are moved as they are.
        """
        entry = pull.path.points[0] - pull.path.depths[0] * pull.path.axes[0]
        tolerances = self.tolerances
        tilts, places = tolerances.aim * errors[:, :2], tolerances.place * errors[:, 2:4]
        ends = np.full(len(errors), np.inf)
        if pull.wand.shape == "straight":
            shares, ends = self._allowed(pull, entry, tilts, places)
            tilts, places = shares[:, None] * tilts, shares[:, None] * places
        depths = np.minimum(stations.depths + tolerances.depth * errors[:, 4:5], ends[:, None])
        return [
            moved(
                stations,
                entry=entry,
                aim=pull.aim,
                tilt=tilts[row],
                place=places[row],
                depth=depths[row] - stations.depths,
                clock=float(tolerances.clock * errors[row, 5]),
            )
            for row in range(len(errors))
        ]

    def _allowed(
        self, pull: Pull, entry: FloatArray, tilts: FloatArray, places: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return the share (v,) of tilt and shift that lets the wand pass, and how deep (v,) in m it gets."""
        opening = self.site.space.opening_named(pull.opening)
        asked = float(pull.path.depths[0])
        shares = np.repeat(DRAWN_IN, len(tilts))[:, None]
        starts, aims = lines_of(
            entry,
            pull.aim,
            shares * np.tile(tilts, (len(DRAWN_IN), 1)),
            shares * np.tile(places, (len(DRAWN_IN), 1)),
        )
        reach = straight_reach(self.site.space, pull.wand, opening, aims, entries=starts)
        depths = reach.depths.reshape(len(DRAWN_IN), -1)
        first = np.argmax(depths >= asked - STOPS_SHORT, axis=0)
        # As planned the wand passes, whatever the rounding of what is stored says.
        first[(depths < asked - STOPS_SHORT).all(axis=0)] = len(DRAWN_IN) - 1
        ends = depths[first, np.arange(len(tilts))]
        return np.array(DRAWN_IN)[first], np.where(
            np.array(DRAWN_IN)[first] > 0.0, ends, np.maximum(ends, asked)
        )


def lines_of(
    entry: FloatArray, aim: FloatArray, tilts: FloatArray, places: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return a point (n, 3) and the direction (n, 3) of a wand's line moved as `moved` moves it.

    Turned by the rotation vector v across the line, |v| = a, the aim u becomes u cos a + (v / a x u) sin a.
    """
    line = unit_vectors(aim)
    first = clock_zero(line, (0.0, 0.0, -1.0))
    across = np.stack([first, np.cross(line, first)])
    vectors = tilts @ across
    angles = np.linalg.norm(vectors, axis=1, keepdims=True)
    sideways = np.cross(vectors, line) * np.sinc(angles / np.pi)
    return entry + places @ across, line * np.cos(angles) + sideways
