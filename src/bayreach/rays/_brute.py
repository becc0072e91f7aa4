"""The slow and obvious twin of the ray engine: every ray against every face, in double precision."""

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import NO_FACE, BoolArray, FloatArray, IntArray
from bayreach.mesh import Mesh
from bayreach.rays._segments import as_vectors, stop_short

_PAIRS_AT_ONCE = 4_000_000


class BruteForce:
    """Answers the two questions of `Scene` by trying every face (Möller and Trumbore 1997), for tests.

    Parameters
    ----------
    mesh : Mesh
        Triangles in m.
    """

    engine = "brute force, double precision"

    def __init__(self, mesh: Mesh) -> None:
        self.mesh = mesh
        self.stop = stop_short(mesh)

    def first_hit(self, origins: ArrayLike, directions: ArrayLike) -> tuple[IntArray, FloatArray]:
        """Return the face (n,) each ray hits first, or NO_FACE, and its distance (n,) in m, or infinity."""
        starts, rays = as_vectors(origins, directions)
        lengths = np.linalg.norm(rays, axis=1)
        rays = rays / np.where(lengths > 0, lengths, 1.0)[:, None]
        faces = np.full(len(starts), NO_FACE, dtype=np.int64)
        distances = np.full(len(starts), np.inf)
        if not self.mesh.n_faces:
            return faces, distances
        # Blocks of rays, so that rays x faces stays a few million pairs.
        block = max(1, _PAIRS_AT_ONCE // self.mesh.n_faces)
        for first in range(0, len(starts), block):
            part = slice(first, first + block)
            along = self._distances(starts[part], rays[part])
            along[along < self.stop] = np.inf
            nearest = along.argmin(axis=1)
            distances[part] = along[np.arange(len(along)), nearest]
            faces[part] = np.where(np.isfinite(distances[part]), nearest, NO_FACE)
        return faces, distances

    def is_blocked(self, starts: ArrayLike, ends: ArrayLike) -> BoolArray:
        """Return whether (n,) a face lies across each segment, leaving out `stop` m at both its ends."""
        begin, finish = as_vectors(starts, ends)
        blocked = np.zeros(len(begin), dtype=np.bool_)
        if not self.mesh.n_faces:
            return blocked
        lengths = np.linalg.norm(finish - begin, axis=1)
        rays = (finish - begin) / np.where(lengths > 0, lengths, 1.0)[:, None]
        block = max(1, _PAIRS_AT_ONCE // self.mesh.n_faces)
        for first in range(0, len(begin), block):
            part = slice(first, first + block)
            along = self._distances(begin[part], rays[part])
            inside = (along > self.stop) & (along < (lengths[part] - self.stop)[:, None])
            blocked[part] = inside.any(axis=1)
        return blocked

    def _distances(self, starts: FloatArray, rays: FloatArray) -> FloatArray:
        """Return the distance along each ray to each face (rays, faces), infinite where it misses."""
        corners = self.mesh.corners
        one, two = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
        across = np.cross(rays[:, None], two[None])
        volume = np.einsum("rfk,fk->rf", across, one)
        with np.errstate(divide="ignore", invalid="ignore"):
            scale = 1.0 / volume
            offset = starts[:, None] - corners[None, :, 0]
            u = np.einsum("rfk,rfk->rf", across, offset) * scale
            turned = np.cross(offset, one[None])
            v = np.einsum("rfk,rk->rf", turned, rays) * scale
            along = np.einsum("rfk,fk->rf", turned, two) * scale
            hit = (u >= 0) & (v >= 0) & (u + v <= 1) & (along > 0) & np.isfinite(along)
        return np.where(hit, along, np.inf)
