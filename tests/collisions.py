"""Another library's collision test (python-fcl), one capsule at a time: slow, independent."""

from itertools import pairwise

import fcl
import numpy as np

from bayreach.mesh import Mesh


class Collider:
    """A mesh as the library holds it."""

    def __init__(self, mesh: Mesh) -> None:
        model = fcl.BVHModel()
        model.beginModel(len(mesh.points), len(mesh.faces))
        model.addSubModel(np.array(mesh.points), np.array(mesh.faces))
        model.endModel()
        self.mesh = fcl.CollisionObject(model, fcl.Transform())

    def is_hit(self, start: np.ndarray, end: np.ndarray, radius: float) -> bool:
        """Tell whether the capsule about a segment touches the mesh."""
        capsule = fcl.CollisionObject(*capsule_of(start, end, radius))
        return fcl.collide(self.mesh, capsule, fcl.CollisionRequest(), fcl.CollisionResult()) > 0

    def first_hit(self, replay) -> str:
        """Return which capsule of which step of a replay touches the mesh; empty when none does.

        Each is grown by its margin, so that what is found clear is so between the steps as well; less two
        hundredths of a millimetre, one of ours and one of the library's. A flexible wand keeps to its line.
        """
        for step in range(len(replay.depths)):
            for k, radius in enumerate(replay.radii + replay.margins[step] - 2e-5):
                if self.is_hit(replay.starts[step, k], replay.ends[step, k], radius):
                    return f"capsule {k} at depth {replay.depths[step]:.4f}"
        for start, end in pairwise(replay.line):
            if self.is_hit(start, end, replay.radii.max() - 2e-5):
                return f"line at {start.round(4)}"
        return ""


def capsule_of(start: np.ndarray, end: np.ndarray, radius: float):
    """Return the library's capsule and its place: about its own z axis, its middle at the origin."""
    span = end - start
    length = float(np.linalg.norm(span))
    ahead = span / length if length > 0 else np.array([0.0, 0.0, 1.0])
    side = np.cross(ahead, np.eye(3)[np.argmin(np.abs(ahead))])
    side /= np.linalg.norm(side)
    rotation = np.stack([side, np.cross(ahead, side), ahead], axis=1)
    return fcl.Capsule(radius, length), fcl.Transform(rotation, (start + end) / 2.0)
