"""Sample points of the sides that may be wet."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import BUDGET, FloatArray, IntArray, frozen_floats, frozen_ints, unit_vectors
from bayreach.errors import MeshError
from bayreach.measure import area_vectors
from bayreach.mesh import Mesh
from bayreach.sampling import points_on_faces
from bayreach.sight._blocks import Blocks, blocks_of


@dataclass(frozen=True, kw_only=True, eq=False)
class Targets:
    """Sample points of sides, in the order of `sides`; each side's samples stand together.

    Parameters
    ----------
    points : (m, 3) float
        Sample positions in m.
    normals : (m, 3) float
        Unit normals of the sampled side, pointing into the air on that side.
    side : (m,) int
        Side id (2 * face + 0 front, 1 back) of each sample; rising.
    weight : (m,) float
        Share of its side that a sample stands for; sums to one over each side.
    areas : (k,) float
        Area in m² of each distinct side, in the order of `sides`.
    is_whole : bool
        Whether every side of the mesh is here, so that nothing can land elsewhere.
    """

    points: FloatArray
    normals: FloatArray
    side: IntArray
    weight: FloatArray
    areas: FloatArray
    is_whole: bool = False

    def __post_init__(self) -> None:
        points = frozen_floats(self.points, shape=(-1, 3), name="points")
        normals = frozen_floats(self.normals, shape=points.shape, name="normals")
        side = frozen_ints(self.side, shape=(len(points),), name="side")
        weight = frozen_floats(self.weight, shape=(len(points),), name="weight")
        if (np.diff(side) < 0).any():
            message = "side: the samples of targets must stand in rising order of their side ids."
            raise ValueError(message)
        for name, value in (("points", points), ("normals", normals), ("side", side), ("weight", weight)):
            object.__setattr__(self, name, value)
        object.__setattr__(self, "areas", frozen_floats(self.areas, shape=(len(self.sides),), name="areas"))

    @cached_property
    def starts(self) -> IntArray:
        """(k + 1,) int: where each side's samples begin, and their end."""
        if not len(self.side):
            return np.zeros(1, dtype=np.int64)
        firsts = np.flatnonzero(np.diff(self.side, prepend=self.side[0] - 1))
        return np.append(firsts, len(self.side))

    @cached_property
    def sides(self) -> IntArray:
        """(k,) int: the distinct side ids, rising."""
        return self.side[self.starts[:-1]]

    @cached_property
    def blocks(self) -> Blocks:
        """The samples in small blocks that lie together and look the same way; made once."""
        return blocks_of(self.points, self.normals, self.weight, self.starts)

    def blocks_by(self, label: IntArray) -> Blocks:
        """Return blocks whose sides have one label each, `label` (2n,) of all sides of the mesh.

        Made once for an array of labels, and kept until another one is asked about.
        """
        kept: tuple[IntArray, Blocks] | None = self.__dict__.get("_labelled")
        if kept is None or kept[0] is not label:
            made = blocks_of(self.points, self.normals, self.weight, self.starts, label[self.sides])
            kept = (label, made)
            object.__setattr__(self, "_labelled", kept)
        return kept[1]

    @property
    def n_sides(self) -> int:
        """Number of distinct sides."""
        return len(self.starts) - 1


def targets_of(
    mesh: Mesh, sides: ArrayLike | None = None, samples: int = 4, *, budget: int = BUDGET
) -> Targets:
    """Return `samples` points (1, 4, 16, 64) on each of `sides` (ids, or a mask (2n,)); None: all sides.

    Sides of no area are left out: nothing can be sprayed on them. Points are the centroids of equal pieces of
    the face, so a film that varies linearly over a side is averaged exactly.

    >>> from bayreach.mesh import mesh_of
    >>> one = mesh_of([[0, 0, 0], [1, 0, 0], [0, 1, 0]], [[0, 1, 2]])
    >>> targets_of(one, samples=4).side.tolist()
    [0, 0, 0, 0, 1, 1, 1, 1]

    Raises
    ------
    MeshError
        When an array of the samples would be larger than `budget` bytes: at 1 GiB, the default, beyond 11
        million sides of 4 samples each.
    """
    chosen = np.arange(mesh.n_sides) if sides is None else _side_ids(sides, mesh.n_sides)
    # The largest arrays: three coordinates a sample, nine a side.
    largest = 24 * len(chosen) * max(samples, 3)
    if largest > budget:
        message = (
            f"targets: {samples} samples on each of {len(chosen)} sides need an array of {largest} bytes, "
            f"{budget} are allowed; take fewer samples or a coarser mesh, or give a larger budget."
        )
        raise MeshError(message)
    corners = mesh.corners
    vectors = area_vectors(corners)
    areas = np.linalg.norm(vectors, axis=1)
    chosen = chosen[areas[chosen // 2] > 0.0]
    faces = chosen // 2
    normals = unit_vectors(vectors[faces]) * np.where(chosen % 2 == 0, 1.0, -1.0)[:, None]
    points = points_on_faces(corners[faces], samples)
    return Targets(
        points=points.reshape(-1, 3),
        normals=np.repeat(normals, samples, axis=0),
        side=np.repeat(chosen, samples),
        weight=np.full(len(chosen) * samples, 1.0 / samples),
        areas=areas[faces],
        is_whole=len(chosen) == 2 * int((areas > 0).sum()),
    )


def samples_at(mesh: Mesh, side: IntArray, spots: FloatArray) -> Targets:
    """Return samples at given `spots` (m, 3), barycentric, of each `side` (m,), which must rise.

    All samples of a side count alike; a caller that wants otherwise asks for them one by one.
    """
    corners = mesh.corners[side // 2]
    vectors = area_vectors(corners)
    firsts = np.flatnonzero(np.diff(side, prepend=-1))
    counts = np.diff(np.append(firsts, len(side)))
    return Targets(
        points=np.einsum("mc,mck->mk", spots, corners),
        normals=unit_vectors(vectors) * np.where(side % 2 == 0, 1.0, -1.0)[:, None],
        side=side,
        weight=np.repeat(1.0 / counts, counts),
        areas=np.linalg.norm(vectors[firsts], axis=1),
    )


def _side_ids(sides: ArrayLike, n_sides: int) -> IntArray:
    given = np.asarray(sides)
    if given.dtype == np.bool_:
        if given.shape != (n_sides,):
            message = f"sides: a mask of {n_sides} sides is needed, shape {given.shape} found."
            raise ValueError(message)
        return np.flatnonzero(given)
    ids = np.unique(given.astype(np.int64))
    if ids.size and (ids[0] < 0 or ids[-1] >= n_sides):
        message = f"sides: ids {ids[0]} to {ids[-1]} found, 0 to {n_sides - 1} allowed."
        raise ValueError(message)
    return ids
