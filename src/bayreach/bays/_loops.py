"""Loops of points as shapes: their corners, middle and plane, the same however their edges are divided."""

from itertools import pairwise

import numpy as np

from bayreach.arrays import BoolArray, FloatArray, IntArray
from bayreach.bays._flat import Plane, plane_through

_STRAIGHT = 1e-8
"""Sine of the turn below which a point of a loop is no corner."""

_NO_AREA = 1e-12
"""A loop that closes off less than this share of its length squared has no plane of its own."""


def loop_length(ring: FloatArray) -> float:
    """Return the length of a loop (k, 3) or (k, 2) in m."""
    return float(np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1).sum())


def loop_center(ring: FloatArray) -> FloatArray:
    """Return the middle (3,) of a loop (k, 3) in m, each edge weighed by its length."""
    ahead = np.roll(ring, -1, axis=0)
    length = np.linalg.norm(ahead - ring, axis=1, keepdims=True)
    return np.asarray((0.5 * (ring + ahead) * length).sum(axis=0) / length.sum())


def loop_vector(ring: FloatArray) -> FloatArray:
    """Return the area vector (3,) of a loop (k, 3) in m²: of every surface that it bounds."""
    arms = ring - ring.mean(axis=0)
    return np.asarray(0.5 * np.cross(arms, np.roll(arms, -1, axis=0)).sum(axis=0))


def loop_plane(ring: FloatArray) -> Plane | None:
    """Return the plane through a loop's middle in which its outline is largest, None where it has no area."""
    vector = loop_vector(ring)
    size = float(np.linalg.norm(vector))
    if size <= _NO_AREA * loop_length(ring) ** 2:
        return None
    return plane_through(loop_center(ring), vector / size)


def corners_of(ring: FloatArray, normals: FloatArray | None = None) -> BoolArray:
    """Return a mask (k,) of the points of a loop (k, 3) at which it turns.

    `normals` (k, 3), one for each edge from a point to the next, make a corner where they differ as well. All
    points are kept where fewer than three turn.
    """
    way = np.roll(ring, -1, axis=0) - ring
    length = np.linalg.norm(way, axis=1, keepdims=True)
    way = np.divide(way, length, out=np.zeros_like(way), where=length > 0)
    turns = np.linalg.norm(np.cross(np.roll(way, 1, axis=0), way), axis=1) > _STRAIGHT
    turns |= np.einsum("ij,ij->i", np.roll(way, 1, axis=0), way) <= 0
    if normals is not None:
        turns |= np.linalg.norm(np.cross(np.roll(normals, 1, axis=0), normals), axis=1) > _STRAIGHT
    return turns if turns.sum() > 2 else np.ones(len(ring), dtype=bool)


def with_points_between(faces: IntArray, loop: IntArray, kept: BoolArray) -> IntArray:
    """Return triangles (t, 3) that fill the corners `loop[kept]`, divided at the other points of the loop."""
    places = np.flatnonzero(kept)
    rows = faces.tolist()
    # Points between two corners stand on one edge of one triangle, which becomes a fan; loops are short.
    for start, end in zip(places.tolist(), np.roll(places, -1).tolist(), strict=True):
        run = np.roll(loop, -start)[: (end - start) % len(loop) + 1].tolist()
        if len(run) < 3:
            continue
        at = next(k for k, row in enumerate(rows) if run[0] in row and run[-1] in row)
        row = rows.pop(at)
        first = row.index(run[0])
        tip = next(name for name in row if name not in (run[0], run[-1]))
        if row[(first + 1) % 3] != run[-1]:
            run.reverse()
        rows += [[a, b, tip] for a, b in pairwise(run)]
    return np.array(rows, dtype=np.int64).reshape(-1, 3)
