"""The triangle mesh: read-only arrays and named parts. A face is a triangle; a side is one of its two."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import BoolArray, FloatArray, IntArray, frozen_floats, frozen_ints


@dataclass(frozen=True, kw_only=True, eq=False)
class Mesh:
    """Triangles in metres.

    Side `2 * f` is the front of face `f` (the one its right-hand normal leaves from), `2 * f + 1` its back.

    Parameters
    ----------
    points : (p, 3) float
        Corner positions in m.
    faces : (n, 3) int
        Point indices of each face, anticlockwise seen from its front.
    face_parts : (n,) int
        Index into `part_names` of each face.
    part_names : tuple of str
        Names of the parts, as the file's groups name them; one name, "mesh", where a file has none.

    Raises
    ------
    ValueError
        When a shape is wrong, a coordinate is not finite or an index points nowhere.
    """

    points: FloatArray
    faces: IntArray
    face_parts: IntArray
    part_names: tuple[str, ...]

    def __post_init__(self) -> None:
        points = frozen_floats(self.points, shape=(-1, 3), name="points")
        faces = frozen_ints(self.faces, shape=(-1, 3), name="faces")
        face_parts = frozen_ints(self.face_parts, shape=(len(faces),), name="face_parts")
        if faces.size and (faces.min() < 0 or faces.max() >= len(points)):
            message = f"faces: indices {faces.min()} to {faces.max()} found, 0 to {len(points) - 1} allowed."
            raise ValueError(message)
        if face_parts.size and (face_parts.min() < 0 or face_parts.max() >= len(self.part_names)):
            message = f"face_parts: indices up to {face_parts.max()} found, {len(self.part_names)} parts."
            raise ValueError(message)
        object.__setattr__(self, "points", points)
        object.__setattr__(self, "faces", faces)
        object.__setattr__(self, "face_parts", face_parts)

    @property
    def n_faces(self) -> int:
        """Number of faces."""
        return len(self.faces)

    @property
    def n_sides(self) -> int:
        """Number of sides: twice the faces."""
        return 2 * len(self.faces)

    @cached_property
    def corners(self) -> FloatArray:
        """(n, 3, 3) float: corner positions of each face, in m."""
        return frozen_floats(self.points[self.faces], shape=(-1, 3, 3), name="corners")

    @cached_property
    def box(self) -> FloatArray:
        """(2, 3) float: least and greatest coordinates of the faces' points, m; zeros when empty."""
        if not self.n_faces:
            return frozen_floats(np.zeros((2, 3)), shape=(2, 3), name="box")
        corners = self.corners.reshape(-1, 3)
        return frozen_floats([corners.min(axis=0), corners.max(axis=0)], shape=(2, 3), name="box")

    @property
    def diagonal(self) -> float:
        """Length of the box's diagonal in m."""
        return float(np.linalg.norm(self.box[1] - self.box[0]))

    def of_faces(self, faces: IntArray | BoolArray) -> "Mesh":
        """Return a mesh of the chosen faces (indices or a mask) with the same points and part names."""
        return Mesh(
            points=self.points,
            faces=self.faces[faces],
            face_parts=self.face_parts[faces],
            part_names=self.part_names,
        )


def mesh_of(points: ArrayLike, faces: ArrayLike, part: str = "mesh") -> Mesh:
    """Return a mesh of one part from points (p, 3) in m and faces (n, 3)."""
    faces = frozen_ints(faces, shape=(-1, 3), name="faces")
    return Mesh(
        points=frozen_floats(points, shape=(-1, 3), name="points"),
        faces=faces,
        face_parts=np.zeros(len(faces), dtype=np.int64),
        part_names=(part,),
    )


def joined(meshes: Sequence[Mesh]) -> Mesh:
    """Return one mesh of all `meshes`; points are not merged; parts of equal name become one."""
    names = tuple(dict.fromkeys(name for mesh in meshes for name in mesh.part_names))
    place = {name: index for index, name in enumerate(names)}
    starts = np.cumsum([0, *(len(mesh.points) for mesh in meshes)])
    return Mesh(
        points=np.concatenate([mesh.points for mesh in meshes]),
        faces=np.concatenate([mesh.faces + start for mesh, start in zip(meshes, starts, strict=False)]),
        face_parts=np.concatenate(
            [
                np.array([place[name] for name in mesh.part_names], dtype=np.int64)[mesh.face_parts]
                for mesh in meshes
            ]
        ),
        part_names=names,
    )
