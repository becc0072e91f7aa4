"""The packet engines: compiled kernels over Embree's library, or over a tree of our own."""

import numpy as np
from numpy.typing import NDArray

from bayreach.arrays import BoolArray, FloatArray
from bayreach.mesh import Mesh
from bayreach.rays._embree import EmbreeLibrary, EmbreeScene
from bayreach.rays._threads import in_parallel
from bayreach.rays._tree import tree_of
from bayreach.rays.compiling import compiled
from bayreach.rays.packets import (
    LANES,
    Tracer,
    face_of_lane,
    is_lane_blocked,
    new_packet,
    put_ray,
    trace_blocked,
    trace_first,
)

_RAYS_A_TASK = 1 << 15


class PacketEngine:
    """Sixteen rays at a time, all cores.

    Parameters
    ----------
    mesh : Mesh
        Triangles in m.
    origin : (3,) float
        Where local coordinates are counted from, in m.
    library : EmbreeLibrary, optional
        Embree; None: the tree of our own.
    robust : bool
        Embree's robust mode: no ray slips between two faces, for about a tenth of the speed.
    """

    def __init__(
        self, mesh: Mesh, origin: FloatArray, library: EmbreeLibrary | None, *, robust: bool = True
    ) -> None:
        if library is None:
            self.name = f"own box tree, packets of {LANES}"
            self.tracer = Tracer(0, 0, 0, *tree_of(mesh, origin))
            return
        number = ".".join(str(part) for part in library.version)
        self.name = f"Embree {number}, packets of {LANES}, {'robust' if robust else 'fast'}"
        # Kept so that the scene lives as long as its address is in use.
        self._scene = EmbreeScene(library, mesh, origin, robust=robust)
        handle = self._scene.handle
        self.tracer = no_tracer()._replace(
            occluded=library.occluded16, intersect=library.intersect16, scene=handle
        )

    def first(
        self, origins: NDArray[np.float32], directions: NDArray[np.float32], near: float
    ) -> NDArray[np.int32]:
        """Return the face (n,) hit first beyond `near` m, or -1."""
        faces = np.full(len(origins), -1, dtype=np.int32)

        def trace(part: slice) -> None:
            _first_hits(self.tracer, origins[part], directions[part], near, faces[part])

        in_parallel(trace, _parts(len(origins)))
        return faces

    def blocked(
        self,
        origins: NDArray[np.float32],
        directions: NDArray[np.float32],
        near: NDArray[np.float32],
        far: NDArray[np.float32],
    ) -> BoolArray:
        """Return whether (n,) anything lies between `near` and `far` m along each ray."""
        answer = np.zeros(len(origins), dtype=np.bool_)
        spans = np.stack([near, far], axis=1)

        def trace(part: slice) -> None:
            _blocked_rays(self.tracer, origins[part], directions[part], spans[part], answer[part])

        in_parallel(trace, _parts(len(origins)))
        return answer


def _parts(count: int) -> list[slice]:
    """Return a range in pieces, each worth a thread."""
    return [slice(first, min(first + _RAYS_A_TASK, count)) for first in range(0, count, _RAYS_A_TASK)]


def no_tracer() -> Tracer:
    """Return a tracer over a tree of one box, farther away than any ray reaches."""
    box = np.full((1, 6), 1e30, dtype=np.float32)
    leaf = np.zeros((1, 3), dtype=np.int32)
    return Tracer(0, 0, 0, box, leaf, np.zeros((0, 9), np.float32), np.zeros(0, np.int32))


@compiled
def _blocked_rays(
    tracer: Tracer,
    origins: NDArray[np.float32],
    directions: NDArray[np.float32],
    spans: NDArray[np.float32],
    answer: BoolArray,
) -> None:
    packet = new_packet()
    for start in range(0, len(origins), LANES):
        count = min(LANES, len(origins) - start)
        for lane in range(count):
            x, y, z = origins[start + lane]
            dx, dy, dz = directions[start + lane]
            put_ray(packet, lane, (x, y, z), (dx, dy, dz), (spans[start + lane, 0], spans[start + lane, 1]))
        trace_blocked(tracer, packet, count)
        for lane in range(count):
            answer[start + lane] = is_lane_blocked(packet, lane)


@compiled
def _first_hits(
    tracer: Tracer,
    origins: NDArray[np.float32],
    directions: NDArray[np.float32],
    near: float,
    faces: NDArray[np.int32],
) -> None:
    packet = new_packet()
    for start in range(0, len(origins), LANES):
        count = min(LANES, len(origins) - start)
        for lane in range(count):
            x, y, z = origins[start + lane]
            dx, dy, dz = directions[start + lane]
            put_ray(packet, lane, (x, y, z), (dx, dy, dz), (near, np.inf))
        trace_first(tracer, packet, count)
        for lane in range(count):
            faces[start + lane] = face_of_lane(packet, lane)
