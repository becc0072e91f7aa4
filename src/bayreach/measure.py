"""Areas, normals, volumes, solid angles and distances of triangles."""

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import FloatArray, IntArray
from bayreach.mesh import Mesh

_PAIRS_AT_ONCE = 2_000_000
"""Point-triangle pairs held in memory at once."""


def area_vectors(corners: FloatArray) -> FloatArray:
    """Return half the cross product of two edges of each triangle: (..., 3) in m², its length the area."""
    first, second = corners[..., 1, :] - corners[..., 0, :], corners[..., 2, :] - corners[..., 0, :]
    return np.asarray(0.5 * np.cross(first, second))


def face_areas(mesh: Mesh) -> FloatArray:
    """Return the area of each face, (n,) in m².

    >>> from bayreach.mesh import mesh_of
    >>> face_areas(mesh_of([[0, 0, 0], [2, 0, 0], [0, 1, 0]], [[0, 1, 2]])).tolist()
    [1.0]
    """
    return np.asarray(np.linalg.norm(area_vectors(mesh.corners), axis=1))


def face_normals(mesh: Mesh) -> FloatArray:
    """Return the unit normal of each face, (n, 3), on its front; zero for a face without area."""
    vectors = area_vectors(mesh.corners)
    length = np.linalg.norm(vectors, axis=1, keepdims=True)
    return np.asarray(np.divide(vectors, length, out=np.zeros_like(vectors), where=length > 0))


def side_normals(mesh: Mesh) -> FloatArray:
    """Return the unit normal of each side, (2n, 3), out of the sheet into the air."""
    normals = np.repeat(face_normals(mesh), 2, axis=0)
    normals[1::2] *= -1.0
    return normals


def side_areas(mesh: Mesh) -> FloatArray:
    """Return the area of each side, (2n,) in m²."""
    return np.repeat(face_areas(mesh), 2)


def centroids(mesh: Mesh) -> FloatArray:
    """Return the mean corner of each face, (n, 3) in m."""
    return np.asarray(mesh.corners.mean(axis=1))


def signed_volumes(corners: FloatArray, origin: ArrayLike) -> FloatArray:
    """Return the signed volume of the tetrahedron `origin`-face for each face (n,), in m³.

    V = a . A / 3 with a corner a seen from the origin and A the area vector. Over all faces of a closed mesh
    they add up to the volume inside, positive where fronts face out (divergence theorem); an origin in its
    midst costs no digits.

    >>> signed_volumes(np.array([[[1.0, 0, 0], [0, 1, 0], [0, 0, 1]]]), [0, 0, 0]).round(3).tolist()
    [0.167]
    """
    moved = corners - np.asarray(origin, dtype=np.float64)
    return np.asarray(np.einsum("ij,ij->i", moved[:, 0], area_vectors(moved)) / 3.0)


def solid_angles(points: FloatArray, corners: FloatArray) -> FloatArray:
    """Return the signed solid angle of each triangle from each point, (m, n) in sr.

    tan(W/2) = a.(b x c) / (|a||b||c| + (a.b)|c| + (b.c)|a| + (c.a)|b|), with a, b, c the corners seen from
    the point (Van Oosterom and Strackee 1983, eq. 8); negative seen from the front, positive from behind.
    """
    a, b, c = (corners[None, :, k] - points[:, None] for k in range(3))
    la, lb, lc = (np.linalg.norm(v, axis=2) for v in (a, b, c))
    triple = np.einsum("mnk,mnk->mn", a, np.cross(b, c))
    below = (
        la * lb * lc
        + np.einsum("mnk,mnk->mn", a, b) * lc
        + np.einsum("mnk,mnk->mn", b, c) * la
        + np.einsum("mnk,mnk->mn", c, a) * lb
    )
    return np.asarray(2.0 * np.arctan2(triple, below))


def winding_numbers(points: ArrayLike, corners: FloatArray) -> FloatArray:
    """Return how often the triangles (n, 3, 3) wind round each point, (m,): one inside, nought outside.

    Fronts face out. For an open surface the value is the share of the sphere of view that it fills.
    """
    points = np.atleast_2d(np.asarray(points, dtype=np.float64))
    total = np.zeros(len(points))
    step = max(1, _PAIRS_AT_ONCE // max(1, len(corners)))
    for start in range(0, len(points), step):
        chunk = slice(start, start + step)
        total[chunk] = solid_angles(points[chunk], corners).sum(axis=1)
    return total / (4.0 * np.pi)


def nearest_on_triangles(points: FloatArray, corners: FloatArray) -> FloatArray:
    """Return the point of each triangle (n, 3, 3) nearest to the point of the same row, (n, 3) in m.

    The foot on the plane where that is inside, else the nearest of the feet on the three edges.
    """
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    normal = area_vectors(corners)
    size = np.einsum("ij,ij->i", normal, normal)
    flat = size > 0
    shift = np.divide(np.einsum("ij,ij->i", points - a, normal), size, out=np.zeros(len(size)), where=flat)
    foot = points - shift[:, None] * normal
    inside = flat.copy()
    for start, end in ((a, b), (b, c), (c, a)):
        inside &= np.einsum("ij,ij->i", np.cross(end - start, foot - start), normal) >= 0
    on_edges = np.stack([nearest_on_segments(points, s, e) for s, e in ((a, b), (b, c), (c, a))])
    best = np.linalg.norm(on_edges - points, axis=2).argmin(axis=0)
    return np.asarray(np.where(inside[:, None], foot, on_edges[best, np.arange(len(points))]))


def nearest_on_segments(points: FloatArray, starts: FloatArray, ends: FloatArray) -> FloatArray:
    """Return the point of each segment nearest to the point of the same row, (n, 3) in m."""
    along = ends - starts
    length2 = np.einsum("ij,ij->i", along, along)
    share = np.einsum("ij,ij->i", points - starts, along)
    share = np.clip(np.divide(share, length2, out=np.zeros_like(share), where=length2 > 0), 0.0, 1.0)
    return np.asarray(starts + share[:, None] * along)


def nearest_distances(points: ArrayLike, corners: FloatArray) -> FloatArray:
    """Return each point's distance to the nearest triangle (n, 3, 3), (m,) in m; inf where there is none.

    Only triangles whose sphere comes nearer than the nearest middle are measured.
    """
    points = np.atleast_2d(np.asarray(points, dtype=np.float64))
    out = np.full(len(points), np.inf)
    if not len(corners):
        return out
    middles = corners.mean(axis=1)
    radii = np.linalg.norm(corners - middles[:, None], axis=2).max(axis=1)
    step = max(1, _PAIRS_AT_ONCE // len(corners))
    for start in range(0, len(points), step):
        here = points[start : start + step]
        away = np.linalg.norm(here[:, None] - middles, axis=2)
        row, triangle = np.nonzero(away - radii <= away.min(axis=1, keepdims=True))
        feet = nearest_on_triangles(here[row], corners[triangle])
        np.minimum.at(out, start + row, np.linalg.norm(feet - here[row], axis=1))
    return out


def nearest_faces(points: ArrayLike, mesh: Mesh) -> tuple[IntArray, FloatArray]:
    """Return the face nearest to each point, (m,) int, and its distance, (m,) in m.

    Every pair is measured: meant for a handful of points.
    """
    points = np.atleast_2d(np.asarray(points, dtype=np.float64))
    faces = np.full(len(points), -1, dtype=np.int64)
    distances = np.full(len(points), np.inf)
    for row, point in enumerate(points):
        feet = nearest_on_triangles(np.broadcast_to(point, (mesh.n_faces, 3)), mesh.corners)
        away = np.linalg.norm(feet - point, axis=1)
        faces[row] = int(away.argmin())
        distances[row] = float(away.min())
    return faces, distances
