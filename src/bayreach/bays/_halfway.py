"""Where a hole's wall is cut for its cap: half-way between two skins, from their shape alone."""

import numpy as np
from scipy.spatial import cKDTree

from bayreach.arrays import FloatArray, IntArray, unit_vectors
from bayreach.bays._flat import Plane, plane_through
from bayreach.bays._loops import corners_of, loop_center, loop_vector
from bayreach.bays._walls import Wall

_CLEAR = 1e-3
"""A plane lies between two rims where it clears them by this share of the thickness."""

_SAME_TURN = 1e-9
"""Corners of two rims nearer in angle (rad) than this are opposite each other."""

_WIDEST = 0.9 * np.pi
"""Widest sector (rad) that one flat piece may span."""


def heights_half_way(points: FloatArray, names: IntArray, wall: Wall) -> FloatArray:
    """Return how far the points named (k,) lie from half-way through a wall: (k,) in m, or as a share.

    From one rim to the other the sign changes once. Between flat skins half-way is a plane; between
    rims that bend it goes, sector by sector round the axis, through the middle between both. Both follow from
    the rims' corners, so that no other division of the mesh moves them. Rims that are not seen whole from
    the axis are parted by the distances to both.
    """
    if wall.middle is not None:
        return wall.middle.heights(points[names])
    rims = [points[loop] for loop in wall.rims]
    plane = _plane_between(rims, wall.axis)
    if plane is not None:
        return plane.heights(points[names])
    bent = _between_bent(points[names], rims, wall.axis)
    return bent if bent is not None else _by_distance(points[names], rims, wall.thickness)


def _plane_between(rims: list[FloatArray], axis: FloatArray) -> Plane | None:
    """Return the plane through the middle of both rims, None where they bend across it."""
    vectors = [loop_vector(ring) for ring in rims]
    turned = [unit_vectors(vector) * (1.0 if vector @ axis > 0 else -1.0) for vector in vectors]
    normal = turned[0] + turned[1]
    if not np.linalg.norm(normal) > 0:
        return None
    plane = plane_through(0.5 * (loop_center(rims[0]) + loop_center(rims[1])), unit_vectors(normal))
    below, above = (plane.heights(ring) for ring in rims)
    clear = _CLEAR * abs(float(above.mean() - below.mean()))
    return plane if below.max() < -clear and above.min() > clear else None


def _between_bent(points: FloatArray, rims: list[FloatArray], axis: FloatArray) -> FloatArray | None:
    """Return heights (k,) in m along the axis over the middle of two rims, None where one hides from it."""
    frame = plane_through(0.5 * (loop_center(rims[0]) + loop_center(rims[1])), axis)
    seen = [_Round(frame, ring[corners_of(ring)]) for ring in rims]
    if not all(ring.is_star for ring in seen):
        return None
    turns = np.sort(np.concatenate([ring.turns for ring in seen]))
    turns = turns[np.diff(turns, prepend=turns[-1] - 2 * np.pi) > _SAME_TURN]
    if np.diff(turns, append=turns[0] + 2 * np.pi).max() > _WIDEST:
        return None
    middle = 0.5 * (seen[0].at(turns) + seen[1].at(turns))
    flat = frame.flat(points)
    sector = np.searchsorted(turns, np.arctan2(flat[:, 1], flat[:, 0]) + _SAME_TURN, side="right") - 1
    here, there = middle[sector], middle[(sector + 1) % len(turns)]
    # A point is a weighted sum of its sector's two corners, and so is the height of the flat below it.
    size = _cross(here, there)
    share, other = _cross(flat, there) / size, _cross(here, flat) / size
    return np.asarray(frame.heights(points) - share * here[:, 2] - other * there[:, 2])


def _cross(a: FloatArray, b: FloatArray) -> FloatArray:
    return np.asarray(a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0])


class _Round:
    """A loop as it is seen from an axis.

    Attributes
    ----------
    turns : (k,) float
        Angle of each corner in rad, growing.
    places : (k, 3) float
        Each corner across and along the axis, in m.
    is_star : bool
        True where each turn has one place.
    """

    def __init__(self, frame: Plane, ring: FloatArray) -> None:
        places = np.column_stack([frame.flat(ring), frame.heights(ring)])
        if _cross(places, np.roll(places, -1, axis=0)).sum() < 0:
            places = places[::-1]
        turns = np.arctan2(places[:, 1], places[:, 0])
        start = int(turns.argmin())
        self.places: FloatArray = np.roll(places, -start, axis=0)
        self.turns: FloatArray = np.roll(turns, -start)
        ahead = _cross(self.places, np.roll(self.places, -1, axis=0))
        self.is_star = bool((ahead > 0).all() and (np.diff(self.turns) > 0).all())

    def at(self, turns: FloatArray) -> FloatArray:
        """Return the places (m, 3) of the loop at the turns (m,) given."""
        row = np.searchsorted(self.turns, turns + _SAME_TURN, side="right") - 1
        here, there = self.places[row], self.places[(row + 1) % len(self.places)]
        way = np.stack([np.cos(turns), np.sin(turns)], axis=1)
        before, after = _cross(here, way), _cross(there, way)
        return np.asarray(here + (before / (before - after))[:, None] * (there - here))


def _by_distance(points: FloatArray, rims: list[FloatArray], thickness: float) -> FloatArray:
    """Return heights (k,) in m by the distances to the points of both rims."""
    away = [cKDTree(ring).query(points)[0] for ring in rims]
    return np.asarray((away[0] / np.maximum(away[0] + away[1], 1e-300) - 0.5) * thickness)
