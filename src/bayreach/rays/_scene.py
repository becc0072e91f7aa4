"""The scene: a mesh made ready for rays."""

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import NO_FACE, BoolArray, FloatArray, IntArray, frozen_floats
from bayreach.measure import area_vectors
from bayreach.mesh import Mesh, mesh_of
from bayreach.rays._engines import engine_of, has_compiler
from bayreach.rays._segments import as_vectors, stop_short

if TYPE_CHECKING:
    from bayreach.rays.packets import Tracer


class Scene:
    """A mesh made ready for rays; build it once and ask many times.

    Coordinates are counted from the middle of the box before they become single precision, so that a
    structure far from its origin loses nothing; distances are worked out again in double precision.

    Parameters
    ----------
    mesh : Mesh
        Triangles in m. A mesh without faces is allowed: nothing is ever hit.
    engine : {"auto", "embree", "embree-fast", "tree", "binding", "arrays"}
        Which ray engine to use. `auto` takes the first that is there and passes its self-test: Embree's
        library called by compiled packets, the box tree of our own, embreex's own binding, boxes walked by
        arrays. All give the same answers but for rays within a rounding error of an edge.

    Attributes
    ----------
    engine : str
        Name of the ray engine in use, for the result.
    stop : float
        Length in m left free at both ends of a segment (see `stop_short`).
    origin : (3,) float
        Middle of the box in m.
    """

    def __init__(self, mesh: Mesh, *, engine: str = "auto") -> None:
        self.mesh = mesh
        self.stop = stop_short(mesh)
        self.origin = frozen_floats(mesh.box.mean(axis=0), shape=(3,), name="origin")
        self._engine = engine_of(mesh, self.origin, engine)
        self.engine = self._engine.name if self._engine else "none: no faces"

    @property
    def has_tracer(self) -> bool:
        """Whether compiled kernels may trace in this scene."""
        if not has_compiler():
            return False
        from bayreach.rays._packet_engine import PacketEngine

        return self._engine is None or isinstance(self._engine, PacketEngine)

    @property
    def tracer(self) -> "Tracer":
        """What compiled kernels trace with (see `rays.packets`); only engines of packets have one.

        Raises
        ------
        TypeError
            When the engine cannot be called from compiled code.
        """
        from bayreach.rays._packet_engine import PacketEngine, no_tracer

        if self._engine is None:
            return no_tracer()
        if not isinstance(self._engine, PacketEngine):
            message = f'engine: "{self.engine}" cannot be called from a kernel; use "auto".'
            raise TypeError(message)
        return self._engine.tracer

    def first_hit(self, origins: ArrayLike, directions: ArrayLike) -> tuple[IntArray, FloatArray]:
        """Return the face (n,) each ray hits first, or NO_FACE, and its distance (n,) in m, or infinity.

        `origins` and `directions` are (n, 3), or one (3,) for all; directions need not be unit vectors. What
        lies nearer than `stop` to the origin is not seen. Distances are to the plane of the face, in double
        precision.
        """
        starts, rays = as_vectors(origins, directions)
        lengths = np.linalg.norm(rays, axis=1)
        rays = rays / np.where(lengths > 0, lengths, 1.0)[:, None]
        faces = np.full(len(starts), NO_FACE, dtype=np.int64)
        distances = np.full(len(starts), np.inf)
        if self._engine is None or not len(starts):
            return faces, distances
        local = np.ascontiguousarray(starts - self.origin, dtype=np.float32)
        faces[:] = self._engine.first(local, np.ascontiguousarray(rays, dtype=np.float32), self.stop)
        hit = faces != NO_FACE
        distances[hit] = self._plane_distances(starts[hit], rays[hit], faces[hit])
        return faces, distances

    def is_blocked(self, starts: ArrayLike, ends: ArrayLike) -> BoolArray:
        """Return whether (n,) a face lies across each segment, leaving out `stop` m at both its ends.

        `starts` and `ends` are (n, 3) m, or one (3,) for all. A segment shorter than twice `stop` is never
        blocked.
        """
        begin, finish = as_vectors(starts, ends)
        lengths = np.linalg.norm(finish - begin, axis=1)
        if self._engine is None or not len(begin):
            return np.zeros(len(begin), dtype=np.bool_)
        rays = (finish - begin) / np.where(lengths > 0, lengths, 1.0)[:, None]
        near = np.full(len(begin), self.stop, dtype=np.float32)
        far = (lengths - self.stop).astype(np.float32)
        long_enough = far > near
        blocked = self._engine.blocked(
            np.ascontiguousarray(begin - self.origin, dtype=np.float32),
            np.ascontiguousarray(rays, dtype=np.float32),
            near,
            np.where(long_enough, far, near),
        )
        both: BoolArray = blocked & long_enough
        return both

    def _plane_distances(self, starts: FloatArray, rays: FloatArray, faces: IntArray) -> FloatArray:
        """Return the distances (n,) in m from `starts` along `rays` to the planes of `faces`."""
        corners = self.mesh.corners[faces]
        normals = area_vectors(corners)
        fall = np.einsum("ij,ij->i", normals, rays)
        height = np.einsum("ij,ij->i", normals, corners[:, 0] - starts)
        safe = np.where(fall == 0, 1.0, fall)
        return np.maximum(np.where(fall == 0, self.stop, height / safe), 0.0)


def engine_in_use() -> str:
    """Return the name of the ray engine that a scene takes here by itself."""
    return Scene(mesh_of([[0, 0, 0], [1, 0, 0], [0, 1, 0]], [[0, 1, 2]])).engine
