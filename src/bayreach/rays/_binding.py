"""The ray engine behind embreex's own Python binding: one ray at a time inside Embree."""

import numpy as np
from embreex.mesh_construction import TriangleMesh
from embreex.rtcore_scene import EmbreeScene
from numpy.typing import NDArray

from bayreach.arrays import BoolArray, FloatArray
from bayreach.mesh import Mesh


class BindingEngine:
    """Embree asked through the `embreex` package, in its robust mode.

    The binding has no start-of-ray distance, so origins are moved forward by `near` before they are asked.
    """

    name = "embreex binding, single rays, robust"

    def __init__(self, mesh: Mesh, origin: FloatArray) -> None:
        self._scene = EmbreeScene(robust=True)
        points = np.ascontiguousarray(mesh.points - origin, dtype=np.float32)
        self._triangles = TriangleMesh(self._scene, points, np.ascontiguousarray(mesh.faces, dtype=np.int32))
        # The first call commits the scene; made here so that later calls may come from any thread.
        self.first(np.zeros((1, 3), np.float32), np.ones((1, 3), np.float32), 0.0)

    def first(
        self, origins: NDArray[np.float32], directions: NDArray[np.float32], near: float
    ) -> NDArray[np.int32]:
        """Return the face (n,) hit first beyond `near` m, or -1."""
        moved = origins + np.float32(near) * directions
        faces: NDArray[np.int32] = self._scene.run(moved, directions, query="INTERSECT")
        return faces

    def blocked(
        self,
        origins: NDArray[np.float32],
        directions: NDArray[np.float32],
        near: NDArray[np.float32],
        far: NDArray[np.float32],
    ) -> BoolArray:
        """Return whether (n,) anything lies between `near` and `far` m along each ray."""
        moved = origins + near[:, None] * directions
        reach = np.ascontiguousarray(far - near)
        hits: NDArray[np.int32] = self._scene.run(moved, directions, query="OCCLUDED", dists=reach)
        blocked: BoolArray = hits >= 0
        return blocked
