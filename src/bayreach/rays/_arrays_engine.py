"""The ray engine of last resort: a tree of boxes walked by whole arrays, with no compiler and no Embree."""

import numpy as np
from numpy.typing import NDArray

from bayreach.arrays import NO_FACE, BoolArray, FloatArray, IntArray
from bayreach.mesh import Mesh

_LEAF = 4
_RAYS_AT_ONCE = 4096


class ArraysEngine:
    """Rays in double precision, level by level down a balanced tree over faces along a Morton curve.

    Slow (some ten microseconds a ray), and nothing but arrays: it runs wherever Python does.
    """

    name = "boxes walked by arrays, double precision"

    def __init__(self, mesh: Mesh, origin: FloatArray) -> None:
        corners = mesh.corners - origin
        order = np.argsort(_along_curve(corners.mean(axis=1)), kind="stable")
        n_leaves = 1 << max(0, int(np.ceil(np.log2(max(1, -(-len(order) // _LEAF))))))
        # Faces of the leaves; what is left over is no face.
        self._faces = np.full(n_leaves * _LEAF, NO_FACE, dtype=np.int64)
        self._faces[: len(order)] = order
        self._corners = np.full((n_leaves * _LEAF, 3, 3), np.inf)
        self._corners[: len(order)] = corners[order]
        low = np.full((n_leaves * _LEAF, 3), np.inf)
        low[: len(order)] = corners[order].min(axis=1)
        high = np.full((n_leaves * _LEAF, 3), -np.inf)
        high[: len(order)] = corners[order].max(axis=1)
        self._levels = [(low.reshape(-1, _LEAF, 3).min(axis=1), high.reshape(-1, _LEAF, 3).max(axis=1))]
        while len(self._levels[0][0]) > 1:
            low, high = self._levels[0]
            self._levels.insert(0, (low.reshape(-1, 2, 3).min(axis=1), high.reshape(-1, 2, 3).max(axis=1)))

    def first(
        self, origins: NDArray[np.float32], directions: NDArray[np.float32], near: float
    ) -> NDArray[np.int32]:
        """Return the face (n,) hit first beyond `near` m, or -1."""
        spans = np.full(len(origins), near), np.full(len(origins), np.inf)
        return self._nearest(origins, directions, *spans)

    def blocked(
        self,
        origins: NDArray[np.float32],
        directions: NDArray[np.float32],
        near: NDArray[np.float32],
        far: NDArray[np.float32],
    ) -> BoolArray:
        """Return whether (n,) anything lies between `near` and `far` m along each ray."""
        faces = self._nearest(origins, directions, near.astype(np.float64), far.astype(np.float64))
        blocked: BoolArray = faces != NO_FACE
        return blocked

    def _nearest(
        self,
        origins: NDArray[np.float32],
        directions: NDArray[np.float32],
        near: FloatArray,
        far: FloatArray,
    ) -> NDArray[np.int32]:
        faces = np.full(len(origins), NO_FACE, dtype=np.int32)
        for first in range(0, len(origins), _RAYS_AT_ONCE):
            own = slice(first, first + _RAYS_AT_ONCE)
            start, way = origins[own].astype(np.float64), directions[own].astype(np.float64)
            ray, leaf = self._leaves_met(start, way, near[own], far[own])
            place = (leaf[:, None] * _LEAF + np.arange(_LEAF)).ravel()
            ray = np.repeat(ray, _LEAF)
            along = _distances(start[ray], way[ray], self._corners[place])
            hit = (along > near[own][ray]) & (along < far[own][ray])
            ray, place, along = ray[hit], place[hit], along[hit]
            # The nearest hit of each ray stands first.
            order = np.lexsort((along, ray))
            _, firsts = np.unique(ray[order], return_index=True)
            nearest = order[firsts]
            faces[own][ray[nearest]] = self._faces[place[nearest]]
        return faces

    def _leaves_met(
        self, start: FloatArray, way: FloatArray, near: FloatArray, far: FloatArray
    ) -> tuple[IntArray, IntArray]:
        """Return pairs of ray and leaf whose box the ray's span meets."""
        inverse = 1.0 / np.where(np.abs(way) < 1e-18, 1e-18, way)
        ray, node = np.arange(len(start)), np.zeros(len(start), dtype=np.int64)
        for depth, (low, high) in enumerate(self._levels):
            if depth:
                ray, node = np.repeat(ray, 2), np.repeat(2 * node, 2) + np.tile([0, 1], len(node))
            with np.errstate(invalid="ignore"):
                one = (low[node] - start[ray]) * inverse[ray]
                two = (high[node] - start[ray]) * inverse[ray]
                enters = np.maximum(np.minimum(one, two).max(axis=1), near[ray])
                leaves = np.minimum(np.maximum(one, two).min(axis=1) * (1.0 + 1e-12), far[ray])
                meets = (enters <= leaves) & (low[node] <= high[node]).all(axis=1)
            ray, node = ray[meets], node[meets]
        return ray, node


def _along_curve(points: FloatArray) -> IntArray:
    """Return the place (n,) of points along a Morton curve of 2^16 steps a side."""
    low = points.min(axis=0)
    size = float((points.max(axis=0) - low).max()) or 1.0
    steps = ((points - low) / size * (2**16 - 1)).astype(np.int64)
    place = np.zeros(len(points), dtype=np.int64)
    for bit in range(16):
        for k in range(3):
            place |= ((steps[:, k] >> bit) & 1) << (3 * bit + k)
    return place


def _distances(start: FloatArray, way: FloatArray, corners: FloatArray) -> FloatArray:
    """Return the distance (n,) along each ray to its face, infinite where it misses.

    By the signs of the volumes over the edges (Plücker coordinates; Shoemake, Ray Tracing News 11, 1998),
    which differ between neighbours only in sign, so that no ray slips through their edge.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        a, b, c = (corners[:, k] - start for k in range(3))
        u, v, w = (np.einsum("nk,nk->n", np.cross(p - q, p + q), way) for p, q in ((c, a), (a, b), (b, c)))
        lowest, highest = np.minimum(np.minimum(u, v), w), np.maximum(np.maximum(u, v), w)
        normal = np.cross(b - a, c - a)
        along = np.einsum("nk,nk->n", normal, a) / np.einsum("nk,nk->n", normal, way)
        hit = ((lowest >= 0.0) | (highest <= 0.0)) & np.isfinite(along)
    return np.where(hit, along, np.inf)
