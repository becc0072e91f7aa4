"""Caps on loops that lie in no plane."""

from dataclasses import replace
from itertools import pairwise

import numpy as np

from bayreach.arrays import FloatArray, IntArray
from bayreach.bays._flat import Cap, caps_in_plane, fitted_plane, plane_through

_ALIKE = 1.0 - 1e-6
"""Cosine from which two sheets lie in one plane."""


def bent_cap(points: FloatArray, loop: IntArray) -> Cap | None:
    """Return a cap on a loop that lies in no plane, filled as its shadow on the plane of least squares is."""
    import shapely

    plane, spread = fitted_plane(points[loop])
    if spread[1] <= 0:
        return None
    flat = plane.flat(points[loop])
    polygon = shapely.Polygon(flat)
    if not polygon.is_valid or polygon.area == 0:
        return None
    ring = np.stack([np.arange(len(loop)), np.roll(np.arange(len(loop)), -1)], axis=1)
    caps = caps_in_plane(
        flat=flat, points=loop, edges=ring, rim_edges=ring, covered=np.zeros((0, 3, 2)), planar=False
    )
    return caps[0] if len(caps) == 1 else None


def folded_cap(points: FloatArray, loop: IntArray, sheet_normals: FloatArray) -> Cap | None:
    """Return a cap that goes on with the sheets round the loop where it can, folded along their seams.

    The loop is cut into runs along one sheet each. A run and the straight line between its ends are filled
    in the sheet's own
    plane; what is left between the straight lines is filled as a bent loop is.

    Parameters
    ----------
    points : (p, 3) float
    loop : (k,) int
        In order.
    sheet_normals : (k, 3) float
        Normal of the sheet at the edge from each corner to the next, on the side from which the loop runs
        with the sheet
        on its left.
    """
    whole = bent_cap(points, loop)
    alike = np.einsum("ij,ij->i", sheet_normals, np.roll(sheet_normals, 1, axis=0)) > _ALIKE
    breaks = np.flatnonzero(~alike)
    if len(breaks) < 2 or len(breaks) > len(loop) // 2:
        return whole
    turned = np.roll(loop, -breaks[0])
    normals = np.roll(sheet_normals, -breaks[0], axis=0)
    starts = [*(breaks - breaks[0]).tolist(), len(loop)]
    faces: list[IntArray] = []
    left: list[int] = []
    # A run a sheet: a handful.
    for start, end in pairwise(starts):
        run = np.append(turned[start:end], turned[end % len(loop)])
        filled = _run_faces(points, run, normals[start])
        if filled is not None:
            faces.append(filled)
            left.append(int(run[0]))
        else:
            left += run[:-1].tolist()
    if not faces:
        return whole
    if len(left) > 2:
        rest = bent_cap(points, np.array(left, dtype=np.int64))
        if rest is None:
            return whole
        faces.append(rest.faces)
    if whole is None:
        return None
    return replace(whole, faces=np.concatenate(faces))


def _run_faces(points: FloatArray, run: IntArray, normal: FloatArray) -> IntArray | None:
    """Return triangles between a run and the straight line across its ends, where they lie off the sheet."""
    import shapely

    if len(run) < 3:
        return None
    flat = plane_through(points[run[0]], normal).flat(points[run])
    polygon = shapely.Polygon(flat)
    # The sheet lies on the left of the run, so the hole, on its right, is gone round clockwise.
    if not polygon.is_valid or polygon.area <= 1e-6 * polygon.length**2 or polygon.exterior.is_ccw:
        return None
    ring = np.stack([np.arange(len(run)), np.roll(np.arange(len(run)), -1)], axis=1)
    caps = caps_in_plane(
        flat=flat, points=run, edges=ring, rim_edges=ring, covered=np.zeros((0, 3, 2)), planar=True
    )
    return caps[0].faces if len(caps) == 1 else None
