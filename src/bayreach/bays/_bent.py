"""Caps on loops that lie in no plane."""

from dataclasses import replace
from itertools import pairwise

import numpy as np

from bayreach.arrays import BoolArray, FloatArray, IntArray
from bayreach.bays._flat import Cap, Plane, caps_in_plane, plane_through
from bayreach.bays._loops import corners_of, loop_plane, with_points_between

_ALIKE = 1.0 - 1e-6
"""Cosine from which two sheets lie in one plane."""

_PLANAR = 1e-9
"""A loop lies in a plane to within this share of its length."""


def bent_cap(points: FloatArray, loop: IntArray) -> Cap | None:
    """Return a cap on a loop: in its plane, or bent, towards the loop's middle where that sees all of it.

    From elsewhere it is filled as its shadow on its plane is. The shape hangs on the loop's corners alone,
    not on how its edges are divided.
    """
    import shapely

    kept = corners_of(points[loop])
    plane = loop_plane(points[loop[kept]])
    if plane is None:
        return None
    polygon = shapely.Polygon(plane.flat(points[loop]))
    if not polygon.is_valid or polygon.area == 0:
        return None
    if np.abs(plane.heights(points[loop])).max() <= _PLANAR * polygon.length:
        return _filled_loop(plane, points, loop, np.ones(len(loop), dtype=bool))
    return _fan(plane, points, loop) or _filled_loop(plane, points, loop, kept)


def _filled_loop(plane: Plane, points: FloatArray, loop: IntArray, kept: BoolArray) -> Cap | None:
    """Return the cap that is filled between the corners kept as their polygon in a plane is."""
    names = loop[kept]
    ring = np.stack([np.arange(len(names)), np.roll(np.arange(len(names)), -1)], axis=1)
    caps = caps_in_plane(
        flat=plane.flat(points[names]),
        points=names,
        edges=ring,
        rim_edges=ring,
        covered=np.zeros((0, 3, 2)),
        planar=False,
    )
    if len(caps) != 1:
        return None
    faces = with_points_between(caps[0].faces, loop, kept)
    return replace(caps[0], faces=faces, rim=loop, flat=plane.flat(points[loop]))


def _fan(plane: Plane, points: FloatArray, loop: IntArray) -> Cap | None:
    """Return the cap of triangles from each edge to the loop's middle, None where one of them is turned."""
    import shapely

    flat = plane.flat(points[loop])
    ahead = np.roll(flat, -1, axis=0)
    turn = flat[:, 0] * ahead[:, 1] - flat[:, 1] * ahead[:, 0]
    if turn.min() <= _PLANAR * np.abs(turn).max():
        return None
    faces = np.stack([loop, np.roll(loop, -1), np.full(len(loop), -1)], axis=1)
    return Cap(
        faces=faces,
        rim=loop,
        flat=flat,
        shape=shapely.Polygon(flat),
        planar=False,
        in_sheet=False,
        apex=plane.origin,
    )


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
    kept = corners_of(points[loop], sheet_normals)
    ring, normals = loop[kept], sheet_normals[kept]
    alike = np.einsum("ij,ij->i", normals, np.roll(normals, 1, axis=0)) > _ALIKE
    breaks = np.flatnonzero(~alike)
    if len(breaks) < 2 or len(breaks) > len(ring) // 2:
        return whole
    turned = np.roll(ring, -breaks[0])
    normals = np.roll(normals, -breaks[0], axis=0)
    starts = [*(breaks - breaks[0]).tolist(), len(ring)]
    faces: list[IntArray] = []
    left: list[int] = []
    # A run a sheet: a handful.
    for start, end in pairwise(starts):
        run = np.append(turned[start:end], turned[end % len(ring)])
        filled = _run_faces(points, run, normals[start])
        if filled is not None:
            faces.append(filled)
            left.append(int(run[0]))
        else:
            left += run[:-1].tolist()
    if not faces:
        return whole
    rest = bent_cap(points, np.array(left, dtype=np.int64)) if len(left) > 2 else None
    if whole is None or (rest is None and len(left) > 2):
        return whole
    if rest is not None:
        faces.append(rest.faces)
    apex = None if rest is None else rest.apex
    return replace(whole, faces=with_points_between(np.concatenate(faces), loop, kept), apex=apex)


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
