"""The cap of least area on a loop, for loops that cross themselves however they are looked at."""

import numpy as np

from bayreach.arrays import FloatArray, IntArray
from bayreach.bays._flat import Cap, fitted_plane
from bayreach.bays._loops import corners_of, with_points_between
from bayreach.measure import area_vectors

_CORNERS_AT_MOST = 120
"""Longer loops are filled between every few corners first, then out to each run of them."""


def least_cap(points: FloatArray, loop: IntArray) -> Cap | None:
    """Return the cap on a loop whose triangles between its own corners have the least area in all.

    The least sum over all ways to cut a polygon into triangles, by dynamic programming as for convex
    polygons in a plane (Klincsek 1980, from memory). None for a loop without area.
    """
    kept = corners_of(points[loop])
    faces = with_points_between(_least_faces(points, loop[kept]), loop, kept)
    area = float(np.linalg.norm(area_vectors(points[faces]), axis=1).sum())
    ring = points[loop]
    length = float(np.linalg.norm(ring - np.roll(ring, -1, axis=0), axis=1).sum())
    if area <= 1e-12 * length**2:
        return None
    return _measured(points, loop, faces, (area, length))


def _measured(points: FloatArray, loop: IntArray, faces: IntArray, size: tuple[float, float]) -> Cap:
    """Return the cap with a cross-section to measure a rod by.

    Where the loop has no outline in a plane, that of a strip of the same area and length stands in, which is
    never wider than the loop.
    """
    import shapely

    plane, _ = fitted_plane(points[loop])
    flat = plane.flat(points[loop])
    shape = shapely.Polygon(flat)
    area, length = size
    if not shape.is_valid or shape.area < 0.5 * area:
        turn = 2 * np.pi * np.arange(len(loop)) / len(loop)
        flat = length / (2 * np.pi) * np.stack([np.cos(turn), np.sin(turn)], axis=1)
        shape = shapely.box(0.0, 0.0, length / 2, 2 * area / length)
    return Cap(faces=faces, rim=loop, flat=flat, shape=shape, planar=False, in_sheet=True)


def _least_faces(points: FloatArray, loop: IntArray) -> IntArray:
    """Return the triangles (t, 3) of least area on a loop of any length."""
    n = len(loop)
    if n <= _CORNERS_AT_MOST:
        return _cut_least(points, loop)
    step = int(np.ceil(n / _CORNERS_AT_MOST))
    starts = list(range(0, n, step))
    faces = [_cut_least(points, loop[starts])]
    for start, end in zip(starts, [*starts[1:], n], strict=True):
        run = np.append(loop[start:end], loop[end % n])
        if len(run) > 2:
            faces.append(_cut_least(points, run))
    return np.concatenate(faces)


def _cut_least(points: FloatArray, loop: IntArray) -> IntArray:
    n, corners = len(loop), points[loop]
    cost, cut = np.zeros((n, n)), np.zeros((n, n), dtype=np.int64)
    # Longer chords need the shorter ones: a loop over their lengths and places.
    for span in range(2, n):
        for i in range(n - span):
            j = i + span
            between = np.arange(i + 1, j)
            corner = np.cross(corners[between] - corners[i], corners[between] - corners[j])
            total = cost[i, i + 1 : j] + cost[i + 1 : j, j] + 0.5 * np.linalg.norm(corner, axis=1)
            best = int(total.argmin())
            cost[i, j], cut[i, j] = total[best], between[best]
    faces, waiting = [], [(0, n - 1)]
    while waiting:
        i, j = waiting.pop()
        if j - i < 2:
            continue
        k = int(cut[i, j])
        faces.append([loop[i], loop[k], loop[j]])
        waiting += [(i, k), (k, j)]
    return np.array(faces, dtype=np.int64).reshape(-1, 3)
