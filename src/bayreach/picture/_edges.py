"""The lines that show a shape: folds, joints and free edges."""

import numpy as np

from bayreach.arrays import IntArray
from bayreach.measure import face_normals
from bayreach.mesh import Mesh


def feature_edges(mesh: Mesh, angle: float = np.radians(25.0)) -> IntArray:
    """Return edges (e, 3) of one face, of more than two, or folded by over `angle`: two points and a face."""
    ends = np.sort(mesh.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    key = ends[:, 0] * np.int64(len(mesh.points)) + ends[:, 1]
    order = np.argsort(key, kind="stable")
    starts = np.flatnonzero(np.concatenate([[True], np.diff(key[order]) != 0]))
    counts = np.diff(np.append(starts, len(order)))
    normals = face_normals(mesh)
    first = order[starts] // 3
    second = order[np.minimum(starts + 1, len(order) - 1)] // 3
    alike = np.abs(np.einsum("ij,ij->i", normals[first], normals[second])) > np.cos(angle)
    keep = (counts != 2) | ~alike
    return np.column_stack([ends[order[starts[keep]]], first[keep]])
