"""Exact distances in plain numpy: slow and obvious, the twin of the compiled ones."""

import numpy as np

from bayreach.arrays import BoolArray, FloatArray


def _dot(a: FloatArray, b: FloatArray) -> FloatArray:
    product: FloatArray = np.einsum("...j,...j->...", a, b)
    return product


def _ratio(top: FloatArray, bottom: FloatArray) -> FloatArray:
    return np.divide(top, bottom, out=np.zeros_like(top), where=np.abs(bottom) > 0.0)


def point_segment_distances(points: FloatArray, starts: FloatArray, ends: FloatArray) -> FloatArray:
    """Return the distance (n,) in m of each point from each segment."""
    span = ends - starts
    share = np.clip(_ratio(_dot(points - starts, span), _dot(span, span)), 0.0, 1.0)
    gaps: FloatArray = np.linalg.norm(points - starts - share[..., None] * span, axis=-1)
    return gaps


def _within(points: FloatArray, triangles: FloatArray, normals: FloatArray) -> BoolArray:
    inside = np.ones(points.shape[:-1], dtype=np.bool_)
    for k in range(3):
        start, end = triangles[..., k, :], triangles[..., (k + 1) % 3, :]
        inside &= _dot(np.cross(end - start, points - start), normals) >= 0.0
    return inside & (_dot(normals, normals) > 0.0)


def point_triangle_distances(points: FloatArray, triangles: FloatArray) -> FloatArray:
    """Return the distance (n,) in m of each point (n, 3) from each triangle (n, 3, 3)."""
    normals = np.cross(
        triangles[..., 1, :] - triangles[..., 0, :], triangles[..., 2, :] - triangles[..., 0, :]
    )
    edges = [
        point_segment_distances(points, triangles[..., k, :], triangles[..., (k + 1) % 3, :])
        for k in range(3)
    ]
    least = np.minimum.reduce(edges)
    heights = np.abs(_ratio(_dot(points - triangles[..., 0, :], normals), np.sqrt(_dot(normals, normals))))
    return np.where(_within(points, triangles, normals), heights, least)


def segment_segment_distances(
    starts: FloatArray, ends: FloatArray, others: FloatArray, other_ends: FloatArray
) -> FloatArray:
    """Return the distance (n,) in m of each segment from each other one."""
    one, two, gap = ends - starts, other_ends - others, starts - others
    d11, d22, d12 = _dot(one, one), _dot(two, two), _dot(one, two)
    bottom = d11 * d22 - d12 * d12
    s = _ratio(d12 * _dot(two, gap) - _dot(one, gap) * d22, bottom)
    t = _ratio(d11 * _dot(two, gap) - d12 * _dot(one, gap), bottom)
    inner = np.linalg.norm(gap + s[..., None] * one - t[..., None] * two, axis=-1)
    within = (bottom > 1e-14 * d11 * d22) & (s >= 0.0) & (s <= 1.0) & (t >= 0.0) & (t <= 1.0)
    ends_only = np.minimum.reduce(
        [
            point_segment_distances(starts, others, other_ends),
            point_segment_distances(ends, others, other_ends),
            point_segment_distances(others, starts, ends),
            point_segment_distances(other_ends, starts, ends),
        ]
    )
    least: FloatArray = np.where(within, np.minimum(inner, ends_only), ends_only)
    return least


def segment_triangle_distances(starts: FloatArray, ends: FloatArray, triangles: FloatArray) -> FloatArray:
    """Return the distance (n,) in m of each segment from each triangle; 0 where it passes through.

    >>> lid = np.array([[[0.0, 0, 0], [1, 0, 0], [0, 1, 0]]])
    >>> segment_triangle_distances(np.array([[0.2, 0.2, 0.5]]), np.array([[0.2, 0.2, 3.0]]), lid).tolist()
    [0.5]
    """
    least = np.minimum(point_triangle_distances(starts, triangles), point_triangle_distances(ends, triangles))
    for k in range(3):
        edge, edge_end = triangles[..., k, :], triangles[..., (k + 1) % 3, :]
        least = np.minimum(least, segment_segment_distances(starts, ends, edge, edge_end))
    normals = np.cross(
        triangles[..., 1, :] - triangles[..., 0, :], triangles[..., 2, :] - triangles[..., 0, :]
    )
    before, after = _dot(starts - triangles[..., 0, :], normals), _dot(ends - triangles[..., 0, :], normals)
    places = starts + _ratio(before, before - after)[..., None] * (ends - starts)
    pierced = (before * after <= 0.0) & (before != after) & _within(places, triangles, normals)
    return np.where(pierced, 0.0, least)
