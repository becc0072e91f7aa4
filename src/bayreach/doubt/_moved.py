"""A pull as an unsteady hand makes it: the path turned and shifted as one rigid body."""

from dataclasses import dataclass, field, replace
from typing import TypeVar

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import FloatArray, unit_vectors
from bayreach.insertion import Hold, straight_reach
from bayreach.job import Tolerances
from bayreach.poses import Stations, TipPath, clock_zero, poses_at, turned_about
from bayreach.run import Pull, Site

Errors = tuple[FloatArray, FloatArray, FloatArray, FloatArray]
"""Of one pose: tilt (2,) in rad, place (2,) in m, push () in m and clock () in rad."""
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
    across = across_of(line)
    rotation = np.asarray(tilt, dtype=np.float64) @ across

    def turned(vectors: FloatArray) -> FloatArray:
        return turned_by(turned_about(vectors, line, clock), rotation)

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
    """Moves the pulls of a site's wands no farther than the opening and the structure allow."""

    site: Site
    tolerances: Tolerances
    _holds: dict[tuple[str, str], Hold] = field(default_factory=dict)

    def poses(self, pull: Pull, stations: Stations, errors: FloatArray) -> list[Stations]:
        """Return `stations` moved by each row of `errors` (v, 6), standard normal: tilt, place, depth, clock.

        Where a moved straight wand meets something inside no more than `STOPS_SHORT` before its depth, its
        tip waits there until the pull has come as far. Where it is stopped sooner, by the rim of its opening
        or on its way, tilt and shift are drawn in together to the largest of the shares `DRAWN_IN` that lets
        it pass. A bent wand is held and pushed as its line lies in the opening; where it then meets something
        at a station or an end of the pull, it waits as deep as planned, or all its errors are drawn in
        together. A flexible wand's tip goes along its path, which
        is turned and shifted as one stiff body without being tested, and twists about its own axis.
        """
        scales = self.tolerances
        tilts, places = scales.aim * errors[:, :2], scales.place * errors[:, 2:4]
        pushes, clocks = scales.depth * errors[:, 4], scales.clock * errors[:, 5]
        entry = self._entry(pull)
        if pull.wand.shape == "bent":
            return [
                self._held(pull, stations, entry, (tilts[row], places[row], pushes[row], clocks[row]))
                for row in range(len(errors))
            ]
        if pull.wand.shape == "flexible":
            return [
                _led(pull, stations, entry, (tilts[row], places[row], pushes[row], clocks[row]))
                for row in range(len(errors))
            ]
        shares, ends = self._allowed(pull, entry, tilts, places)
        tilts, places = shares[:, None] * tilts, shares[:, None] * places
        depths = np.minimum(stations.depths + pushes[:, None], ends[:, None])
        return [
            moved(
                stations,
                entry=entry,
                aim=pull.aim,
                tilt=tilts[row],
                place=places[row],
                depth=depths[row] - stations.depths,
                clock=float(clocks[row]),
            )
            for row in range(len(errors))
        ]

    def _entry(self, pull: Pull) -> FloatArray:
        """Return where (3,) in m the wand's line passes its opening."""
        if pull.wand.shape == "straight":
            return np.asarray(pull.path.points[0] - pull.path.depths[0] * pull.path.axes[0])
        if pull.entry is not None:
            return pull.entry
        return self.site.space.opening_named(pull.opening).center

    def _held(self, pull: Pull, stations: Stations, entry: FloatArray, errors: Errors) -> Stations:
        """Return the stations of a bent wand with these errors, or the largest part of them it passes."""
        key = (pull.wand.name, pull.opening)
        if key not in self._holds:
            opening = self.site.space.opening_named(pull.opening)
            self._holds[key] = Hold(space=self.site.space, wand=pull.wand, opening=opening)
        hold, line = self._holds[key], unit_vectors(pull.aim)
        up = turned_about(clock_zero(line, self.site.job.down), line, pull.clock)
        across = across_of(line)
        ends = pull.path.depths[[0, -1]]
        asked = np.concatenate([stations.depths, ends])

        def stand(share: float, deepest: float) -> tuple[FloatArray, ...]:
            tilt, place, push, clock = (share * error for error in errors)
            frame = np.stack([line, turned_about(up, line, float(clock))])
            rows = [*turned_by(frame, tilt @ across), entry + place @ across]
            depths = np.clip(asked + push, 0.0, min(deepest, pull.wand.length))
            return depths, *(np.tile(row, (len(asked), 1)) for row in rows)

        # Pushed too far it waits as deep as planned, as long as only that is in the way.
        tries = [(share, deepest) for share in DRAWN_IN[:-1] for deepest in (np.inf, float(ends[0]))]
        held = next((one for one in (stand(*each) for each in tries) if hold.clear(*one).all()), None)
        depths, *frames = stand(0.0, np.inf) if held is None else held
        points, axes, clocks = hold.tips(depths, *frames)
        return replace(stations, points=points[:-2], axes=axes[:-2], clocks=clocks[:-2], depths=depths[:-2])

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


def _led(pull: Pull, stations: Stations, entry: FloatArray, errors: Errors) -> Stations:
    """Return the stations of a flexible wand with these errors; its path goes straight on beyond its ends."""
    tilt, place, push, clock = errors
    path = pull.path
    beyond = abs(float(push)) + 1e-9
    ends = unit_vectors(path.axes[[0, -1]]) * np.array([[beyond], [-beyond]])
    longer = TipPath(
        points=np.vstack([path.points[0] + ends[0], path.points, path.points[-1] + ends[1]]),
        axes=np.vstack([path.axes[0], path.axes, path.axes[-1]]),
        clocks=np.vstack([path.clocks[0], path.clocks, path.clocks[-1]]),
        depths=np.concatenate([[path.depths[0] + beyond], path.depths, [path.depths[-1] - beyond]]),
    )
    along = poses_at(longer, stations.depths + push, lengths=stations.lengths)
    turned = moved(along, entry=entry, aim=pull.aim, tilt=tilt, place=place)
    twisted = turned.clocks * np.cos(clock) + np.cross(turned.axes, turned.clocks) * np.sin(clock)
    return replace(turned, clocks=twisted)


def across_of(line: FloatArray) -> FloatArray:
    """Return two unit vectors (2, 3) across a line: up made normal to it, and the line crossed with that."""
    first = clock_zero(line, (0.0, 0.0, -1.0))
    return np.stack([first, np.cross(line, first)])


def turned_by(vectors: FloatArray, rotation: FloatArray) -> FloatArray:
    """Return `vectors` (..., 3) turned by a rotation vector (3,) in rad."""
    angle = float(np.linalg.norm(rotation))
    return np.asarray(vectors) if angle == 0.0 else turned_about(vectors, rotation / angle, angle)


def lines_of(
    entry: FloatArray, aim: FloatArray, tilts: FloatArray, places: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return a point (n, 3) and the direction (n, 3) of a wand's line moved as `moved` moves it.

    Turned by the rotation vector v across the line, |v| = a, the aim u becomes u cos a + (v / a x u) sin a.
    """
    line = unit_vectors(aim)
    across = across_of(line)
    vectors = tilts @ across
    angles = np.linalg.norm(vectors, axis=1, keepdims=True)
    sideways = np.cross(vectors, line) * np.sinc(angles / np.pi)
    return entry + places @ across, line * np.cos(angles) + sideways
