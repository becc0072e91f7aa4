"""What the page draws: the mesh itself, or, of a large one, some of its faces made larger."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from bayreach.arrays import FloatArray, IntArray
from bayreach.measure import area_vectors, face_areas
from bayreach.mesh import Mesh
from bayreach.picture import feature_edges

MOST = 250_000
"""Faces that are drawn as they are; of a larger mesh about so many at most."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Picture:
    """Faces to draw.

    Parameters
    ----------
    corners : (p, 3, 3) float
        Of the drawn faces, in m.
    sides : (2p,) int
        The side of the mesh whose value each drawn side shows.
    edges : (e, 2, 3) float
        Lines that show the shape, in m.
    edge_faces : (e,) int
        A drawn face by each line.
    is_whole : bool
        Whether every face of the mesh is drawn.
    """

    corners: FloatArray
    sides: IntArray
    edges: FloatArray
    edge_faces: IntArray
    is_whole: bool

    def shown(self, arrays: dict[str, Any]) -> dict[str, Any]:
        """Return arrays of one value a side of the mesh as arrays of one value a drawn side."""
        return arrays if self.is_whole else {name: values[self.sides] for name, values in arrays.items()}


def picture_of(mesh: Mesh, most: int = MOST) -> Picture:
    """Return the picture of a mesh, with at most `most` faces or the mesh's own if it has no more.

    A large mesh's points are gathered in cubes, each drawn as the one of its points that is nearest to their
    mean; faces with corners in three cubes stay, one of those with the same three (vertex clustering,
    Rossignac and Borrel 1993, from memory). Each drawn face shows the values of the mesh's face it was.
    """
    lines = feature_edges(mesh)
    if mesh.n_faces <= most:
        return Picture(
            corners=mesh.corners, sides=np.arange(mesh.n_sides), edges=mesh.points[lines[:, :2]],
            edge_faces=lines[:, 2], is_whole=True,
        )  # fmt: skip
    size = float(np.sqrt(2.0 * face_areas(mesh).sum() / most))
    while True:
        stand_in = _stand_ins(mesh.points, size)
        kept = _kept_faces(stand_in[mesh.faces])
        if len(kept) <= most:
            break
        size *= 1.2
    corners = mesh.points[stand_in[mesh.faces[kept]]]
    sides = 2 * np.repeat(kept, 2) + np.tile([0, 1], len(kept))
    turned = np.einsum("ij,ij->i", area_vectors(corners), area_vectors(mesh.corners[kept])) < 0.0
    sides = np.where(np.repeat(turned, 2), sides ^ 1, sides)
    ends = stand_in[lines[:, :2]]
    long = ends[:, 0] != ends[:, 1]
    ends, owners = ends[long], lines[long, 2]
    return Picture(
        corners=corners, sides=sides, edges=mesh.points[ends],
        edge_faces=_nearest(corners.mean(axis=1), mesh.corners[owners].mean(axis=1)), is_whole=False,
    )  # fmt: skip


def _stand_ins(points: FloatArray, size: float) -> IntArray:
    """Return, for each point, the point of its cube of edge `size` (m) that is nearest to the cube's mean."""
    cubes = np.floor((points - points.min(axis=0)) / size).astype(np.int64)
    spans = cubes.max(axis=0) + 1
    keys = (cubes[:, 0] * spans[1] + cubes[:, 1]) * spans[2] + cubes[:, 2]
    _, group, counts = np.unique(keys, return_inverse=True, return_counts=True)
    means = np.stack([np.bincount(group, points[:, k]) for k in range(3)], axis=1) / counts[:, None]
    off = np.linalg.norm(points - means[group], axis=1)
    order = np.lexsort((off, group))
    firsts = order[np.concatenate([[0], np.cumsum(counts)[:-1]])]
    chosen: IntArray = firsts[group]
    return chosen


def _kept_faces(faces: IntArray) -> IntArray:
    """Return the faces (k,) with three different corners, the first of each set of three."""
    ordered = np.sort(faces, axis=1)
    whole = np.flatnonzero((ordered[:, 0] != ordered[:, 1]) & (ordered[:, 1] != ordered[:, 2]))
    key = ordered[whole]
    order = np.lexsort((whole, key[:, 2], key[:, 1], key[:, 0]))
    fresh = np.concatenate([[True], (np.diff(key[order], axis=0) != 0).any(axis=1)])
    kept: IntArray = np.sort(whole[order[fresh]])
    return kept


def _nearest(places: FloatArray, asked: FloatArray) -> IntArray:
    from scipy.spatial import cKDTree

    return np.asarray(cKDTree(places).query(asked)[1], dtype=np.int64)
