"""Ways in of a rigid wand: how it stands in the opening at each step, slid and turned evenly in between."""

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import FloatArray, frozen_floats, unit_vectors
from bayreach.insertion._bent import Body, Threading
from bayreach.poses import clock_zero, turned_about

if TYPE_CHECKING:
    from bayreach.insertion._motion import Capsules

FINEST = 1e-5
"""Sideways motion in m below which a pose stands for its surroundings."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Way:
    """Steps of a rigid wand from outside to its greatest depth.

    Parameters
    ----------
    depths : (k,) float
        Length in m of the wand's line that is through the opening.
    aims, ups : (k, 3) float
        Unit vectors along the wand's line in the opening, and that of its clock there.
    places : (k, 3) float
        Where its line passes the opening, in m.
    """

    depths: FloatArray
    aims: FloatArray
    ups: FloatArray
    places: FloatArray

    def __post_init__(self) -> None:
        count = len(self.depths)
        for name, shape in (
            ("depths", (count,)),
            ("aims", (count, 3)),
            ("ups", (count, 3)),
            ("places", (count, 3)),
        ):
            object.__setattr__(self, name, frozen_floats(getattr(self, name), shape=shape, name=name))

    @property
    def stands(self) -> FloatArray:
        """(k, 13) float: depth, aim, side and up, place of each step."""
        return stands_of(self.depths, self.aims, self.ups, self.places)

    @property
    def turns(self) -> FloatArray:
        """(k - 1,) float: angle in rad by which the wand is turned, all ways together, at each step."""
        if len(self.depths) < 2:
            return np.zeros(0)
        frames = self.stands[:, 1:10].reshape(-1, 3, 3)
        cosines = (np.einsum("kij,kij->k", frames[1:], frames[:-1]) - 1.0) / 2.0
        angles: FloatArray = np.arccos(np.clip(cosines, -1.0, 1.0))
        return angles


def stands_of(depths: FloatArray, aims: FloatArray, ups: FloatArray, places: FloatArray) -> FloatArray:
    """Return stands (k, 13): depth, aim, side and up by rows, place."""
    return np.hstack([np.asarray(depths)[:, None], aims, np.cross(ups, aims), ups, places])


def way_of(stands: FloatArray) -> Way:
    """Return the way of stands (k, 13)."""
    stands = np.asarray(stands, dtype=np.float64).reshape(-1, 13)
    return Way(depths=stands[:, 0], aims=stands[:, 1:4], ups=stands[:, 7:10], places=stands[:, 10:])


def slid(entry: ArrayLike, aim: ArrayLike, clock: float, depth: float, down: ArrayLike) -> Way:
    """Return the way of a wand slid to `depth` (m) along one line at one clock angle (rad)."""
    along = unit_vectors(aim)
    up = turned_about(clock_zero(along, down), along, clock)
    return Way(
        depths=np.array([0.0, depth]), aims=np.tile(along, (2, 1)), ups=np.tile(up, (2, 1)),
        places=np.tile(np.asarray(entry, dtype=np.float64), (2, 1)),
    )  # fmt: skip


def line_arrays(threading: Threading) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return a threading as the plain arrays of the compiled motions."""
    names = (threading.depths, threading.points, threading.frames, threading.shifts)
    one, two, three, four = (np.array(each, dtype=np.float64, order="C") for each in names)
    return one, two, three, four


def capsule_arrays(body: Body) -> "Capsules":
    """Return a body as the plain arrays of the compiled motions."""
    names = (body.starts, body.ends, body.radii, body.far, body.near, _goes_on(body))
    one, two, three, four, five, six = (np.array(each, dtype=np.float64, order="C") for each in names)
    spans = body.ends - body.starts
    lengths = np.linalg.norm(spans, axis=1)
    ahead = unit_vectors(spans)
    turns = np.arccos(np.clip(np.einsum("ci,ci->c", ahead[1:], ahead[:-1]), -1.0, 1.0))
    # An arc of chords turns by a chord's own angle at each joint; the shorter of two tells its radius.
    shorter = np.minimum(lengths[1:], lengths[:-1])
    curved = np.divide(turns, shorter, out=np.zeros_like(turns), where=shorter > 1e-9)
    return one, two, three, four, five, six, float(curved.max(initial=0.0))


def _goes_on(body: Body) -> FloatArray:
    """Return how far (c,) m the wand goes on, no thinner, to either side of each capsule; the handle: not."""
    found = np.zeros(len(body.radii))
    shank = [k for k, name in enumerate(body.names) if name != "handle"]
    for k in shank:
        thinner = [j for j in shank if body.radii[j] < body.radii[k] - 1e-12]
        outwards = min((body.near[j] for j in thinner if j < k), default=body.far[shank[0]])
        inwards = max((body.far[j] for j in thinner if j > k), default=0.0)
        found[k] = max(min(outwards - body.far[k], body.near[k] - inwards), 0.0)
    return found


def marks_along(threading: Threading, way: Way, step: float) -> FloatArray:
    """Return marks (n,) along a way: its steps are at 0, 1, 2 and on, and others lie evenly between.

    They are so close that no point of the wand moves by more than about `step` (m) between two.
    """
    longest = float(np.linalg.norm(threading.points - threading.points[0], axis=1).max())
    reach = max(longest, float(threading.depths[-1]))
    shifts = np.linalg.norm(np.diff(way.places, axis=0), axis=1) + np.abs(np.diff(way.depths))
    marks = [np.zeros(1)]
    for k, turn in enumerate(way.turns):
        count = max(1, math.ceil((shifts[k] + reach * turn) / step))
        marks.append(k + np.arange(1, count + 1) / count)
    return np.concatenate(marks)


def poses_at_marks(
    threading: Threading, way: Way, marks: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return depths (n,), rotations (n, 3, 3) and origins (n, 3) of a wand at marks (n,) along a way."""
    from bayreach.insertion._motion import between, placed

    line, stands = line_arrays(threading), way.stands
    last = max(len(stands) - 2, 0)
    rows = []
    for mark in marks:
        k = min(int(mark), last)
        share = float(mark) - k
        rows.append(stands[k] if share == 0.0 else between(stands[k], stands[k + 1], share))
    placements = np.array([placed(line, row) for row in rows]).reshape(-1, 12)
    depths = np.array([row[0] for row in rows])
    return depths, placements[:, :9].reshape(-1, 3, 3), placements[:, 9:]


def tips_at(threading: Threading, stands: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return where the tip is, its axis and its clock direction, (k, 3) each, of stands (k, 13)."""
    depths, last = threading.depths, len(threading.depths) - 2
    rows = np.clip(np.searchsorted(depths, stands[:, 0], side="right") - 1, 0, last)
    share = (stands[:, 0] - depths[rows]) / (depths[rows + 1] - depths[rows])

    def at(values: FloatArray) -> FloatArray:
        wide = share.reshape(-1, *[1] * (values.ndim - 1))
        mixed: FloatArray = (1.0 - wide) * values[rows] + wide * values[rows + 1]
        return mixed

    frames = at(threading.frames)
    rotations = np.einsum("kai,kaj->kij", stands[:, 1:10].reshape(-1, 3, 3), frames)
    middle = at(threading.points) + np.einsum("ka,kai->ki", at(threading.shifts), frames[:, 1:])
    tip = threading.frames[0]
    points: FloatArray = stands[:, 10:] + np.einsum("kij,kj->ki", rotations, threading.points[0] - middle)
    return points, unit_vectors(rotations @ tip[0]), unit_vectors(rotations @ tip[2])
