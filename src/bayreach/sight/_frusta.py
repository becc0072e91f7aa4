"""Compiled: what a point sees of an opening, and through it: outlines, and the planes through their edges.

An outline is a convex polygon as a point sees it: vectors from the point to its corners, counter-clockwise
for the eye. Directions through it have no negative product with any of the unit normals of the planes through
the point and its edges. Polygons are cut by planes after Sutherland and Hodgman (1974).
"""

import numpy as np

from bayreach.arrays import FloatArray
from bayreach.rays.compiling import compiled
from bayreach.sight._windows import Portals

MOST_PLANES = 32
"""Planes of a window at most: what would need more is held by fewer, which let more through."""

ALL_ROUND = -1
"""Number of corners of an opening that the point stands in, or too close to: it is seen all round."""

_WIDEST = 0.1
"""How much larger than it is an outline may be made for rounding's sake, as a share of its breadth."""
_NARROW = 1e-7
"""Angle in rad below which an edge has no plane of its own."""

Triple = tuple[float, float, float]


@compiled
def outline_of(
    point: FloatArray, portals: Portals, opening: int, seen: FloatArray, room: tuple[FloatArray, FloatArray]
) -> int:
    """Fill `room`, outline and cap, with an opening as seen; return the corners, 0: none of it within `seen`.

    The cap: unit normal that points away from the point, and the distance in m that what lies beyond has at
    least along it; zeros where it has no such plane.
    """
    outline, cap = room
    center, normal = portals.centers[opening], portals.normals[opening]
    x, y, z = center[0] - point[0], center[1] - point[1], center[2] - point[2]
    for plane in seen:
        # Wholly outside one plane of what is seen so far.
        if plane[0] * x + plane[1] * y + plane[2] * z < -portals.radii[opening]:
            return 0
    cap[:] = 0.0
    cap[3] = -1.0
    height = normal[0] * x + normal[1] * y + normal[2] * z
    thick, beside = portals.thick[opening], np.sqrt(x * x + y * y + z * z) + portals.radii[opening]
    if abs(height) > 2.0 * thick:
        # What lies off the plane by `thick` is seen beside where it would be on the plane by so much.
        wider = portals.margin + beside * thick / (abs(height) - thick)
        if wider <= _WIDEST * portals.inner[opening]:
            _face(point, portals, opening, (1.0 + wider / portals.inner[opening], height), outline)
            for k in range(3):
                cap[k] = normal[k] if height > 0.0 else -normal[k]
            cap[3] = abs(height) - thick
            return int(portals.firsts[opening + 1] - portals.firsts[opening])
    return _silhouette(point, portals.boxes[opening], (x, y, z), outline)


@compiled
def _face(
    point: FloatArray, portals: Portals, opening: int, how: tuple[float, float], outline: FloatArray
) -> None:
    """Fill `outline` with a flat opening, scaled about its middle, in the order that the eye wants."""
    scale, height = how
    first, last = portals.firsts[opening], portals.firsts[opening + 1]
    for place in range(last - first):
        corner = portals.corners[first + place if height > 0.0 else last - 1 - place]
        for k in range(3):
            middle = portals.centers[opening, k]
            outline[place, k] = middle + scale * (corner[k] - middle) - point[k]


@compiled
def _silhouette(point: FloatArray, box: FloatArray, way: Triple, outline: FloatArray) -> int:
    """Fill `outline` with the hull of a box's corners (8, 3) as seen; return its corners or ALL_ROUND.

    By Andrew's chains (1979) over the corners as they lie on a plane across the `way` to the middle.
    """
    distance = np.sqrt(way[0] ** 2 + way[1] ** 2 + way[2] ** 2)
    if not distance > 0.0:
        return ALL_ROUND
    axis = (way[0] / distance, way[1] / distance, way[2] / distance)
    one = (0.0, axis[2], -axis[1]) if abs(axis[0]) < 0.8 else (-axis[2], 0.0, axis[0])
    two = _across(axis, one)
    flat = np.zeros((8, 2))
    for place in range(8):
        corner = (box[place, 0] - point[0], box[place, 1] - point[1], box[place, 2] - point[2])
        depth = _product(corner, axis)
        if depth <= 0.1 * np.sqrt(_product(corner, corner)):
            return ALL_ROUND
        flat[place, 0], flat[place, 1] = _product(corner, one) / depth, _product(corner, two) / depth
    order = np.zeros(8, dtype=np.int64)
    for place in range(1, 8):  # by the first figure, ties by the second
        back = place
        while back > 0 and (
            flat[order[back - 1], 0] > flat[place, 0]
            or (flat[order[back - 1], 0] == flat[place, 0] and flat[order[back - 1], 1] > flat[place, 1])
        ):
            order[back] = order[back - 1]
            back -= 1
        order[back] = place
    chain = np.zeros(17, dtype=np.int64)
    count = 0
    for turn in range(2):
        least = count + 1
        for step in range(8):
            corner_place = order[step] if turn == 0 else order[7 - step]
            while count > least and _turns(flat, chain[count - 2], chain[count - 1], corner_place) <= 0.0:
                count -= 1
            chain[count] = corner_place
            count += 1
        count -= 1
    for place in range(count):
        outline[place, :] = box[chain[place]] - point
    return count


@compiled
def _turns(flat: FloatArray, a: int, b: int, c: int) -> float:
    """Return twice the signed area of three corners."""
    return float(
        (flat[b, 0] - flat[a, 0]) * (flat[c, 1] - flat[a, 1])
        - (flat[b, 1] - flat[a, 1]) * (flat[c, 0] - flat[a, 0])
    )


@compiled
def clipped(outline: FloatArray, corners: int, planes: FloatArray, spare: FloatArray) -> int:
    """Cut an outline down to what lies within all planes; return how many corners are left."""
    for plane in planes:
        low, high = np.inf, -np.inf
        for place in range(corners):
            height = _product(plane, outline[place])
            low, high = min(low, height), max(high, height)
        if high < 0.0:
            return 0
        # Beyond so many corners it stays larger than what is seen, which is no harm.
        if low >= 0.0 or corners >= MOST_PLANES:
            continue
        count = 0
        for place in range(corners):
            one, two = outline[place], outline[(place + 1) % corners]
            here, there = _product(plane, one), _product(plane, two)
            if here >= 0.0:
                spare[count, :] = one
                count += 1
            if (here >= 0.0) != (there >= 0.0):
                share = here / (here - there)
                for k in range(3):
                    spare[count, k] = one[k] + share * (two[k] - one[k])
                count += 1
        corners = count
        outline[:corners] = spare[:corners]
    return corners if corners > 2 else 0


@compiled
def planes_through(outline: FloatArray, corners: int, planes: FloatArray) -> int:
    """Fill `planes` with the unit normals, inward, of the planes through an outline's edges."""
    count = 0
    for place in range(corners):
        one, two = outline[place], outline[(place + 1) % corners]
        x = one[1] * two[2] - one[2] * two[1]
        y = one[2] * two[0] - one[0] * two[2]
        z = one[0] * two[1] - one[1] * two[0]
        length = np.sqrt(x * x + y * y + z * z)
        if length > _NARROW * np.sqrt(_product(one, one) * _product(two, two)) and count < MOST_PLANES:
            planes[count, 0], planes[count, 1], planes[count, 2] = x / length, y / length, z / length
            count += 1
    return count


@compiled
def _across(one: Triple, two: Triple) -> Triple:
    return (
        one[1] * two[2] - one[2] * two[1],
        one[2] * two[0] - one[0] * two[2],
        one[0] * two[1] - one[1] * two[0],
    )


@compiled
def _product(one: FloatArray | Triple, two: FloatArray | Triple) -> float:
    return float(one[0] * two[0] + one[1] * two[1] + one[2] * two[2])
