"""Edges, free edges, shells, and which sides meet round an edge."""

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from bayreach.arrays import BoolArray, FloatArray, IntArray
from bayreach.measure import signed_volumes


@dataclass(frozen=True, kw_only=True, eq=False)
class Edges:
    """The edges of a set of faces.

    Parameters
    ----------
    ends : (e, 2) int
        Point indices, the lesser first.
    of_faces : (n, 3) int
        Edge opposite to no corner but after it: edge k of a face runs from corner k to corner k + 1.
    counts : (e,) int
        How many faces meet at the edge.
    """

    ends: IntArray
    of_faces: IntArray
    counts: IntArray

    @property
    def free(self) -> BoolArray:
        """(e,) bool: edges with a single face."""
        return np.asarray(self.counts == 1)

    @property
    def crowded(self) -> BoolArray:
        """(e,) bool: edges where more than two faces meet."""
        return np.asarray(self.counts > 2)


def edges_of(faces: IntArray) -> Edges:
    """Return the edges of faces (n, 3), each once."""
    pairs = np.sort(np.stack([faces, np.roll(faces, -1, axis=1)], axis=2).reshape(-1, 2), axis=1)
    n_points = int(faces.max()) + 1 if faces.size else 1
    keys, inverse, counts = np.unique(
        pairs[:, 0] * n_points + pairs[:, 1], return_inverse=True, return_counts=True
    )
    ends = np.stack([keys // n_points, keys % n_points], axis=1)
    return Edges(ends=ends, of_faces=inverse.reshape(-1, 3), counts=counts)


def free_edges(faces: IntArray, edges: Edges | None = None) -> tuple[IntArray, IntArray]:
    """Return free edges (k, 2) running as their face does, and the face of each (k,)."""
    edges = edges if edges is not None else edges_of(faces)
    face, corner = np.nonzero(edges.free[edges.of_faces])
    return np.stack([faces[face, corner], faces[face, (corner + 1) % 3]], axis=1), face


def groups(n: int, pairs: IntArray) -> tuple[int, IntArray]:
    """Return the number of groups and the group (n,) of each thing, joined by `pairs` (k, 2)."""
    graph = coo_array((np.ones(len(pairs), dtype=np.int8), (pairs[:, 0], pairs[:, 1])), shape=(n, n))
    count, labels = connected_components(graph, directed=False)
    return int(count), labels.astype(np.int64)


def shells(faces: IntArray, edges: Edges | None = None) -> IntArray:
    """Return the shell (n,) of each face: faces that share an edge share a shell."""
    edges = edges if edges is not None else edges_of(faces)
    n_edges, n_faces = len(edges.ends), len(faces)
    pairs = np.stack([np.repeat(np.arange(n_faces), 3), edges.of_faces.ravel() + n_faces], axis=1)
    _, labels = groups(n_faces + n_edges, pairs)
    return labels[:n_faces]


@dataclass(frozen=True, kw_only=True, eq=False)
class SideLinks:
    """Which sides look on the same wedge of air at an edge.

    Parameters
    ----------
    pairs : (k, 2) int
        Side indices (2 * face + 0 front, 1 back).
    edges : (k, 2) int
        Point indices of the edge at which each pair meets.
    tied_edges : (t, 2) int
        Point indices of edges where two faces leave in the same direction, so that their order is arbitrary.
    """

    pairs: IntArray
    edges: IntArray
    tied_edges: IntArray


def side_links(points: FloatArray, faces: IntArray, *, tie_angle: float = 1e-9) -> SideLinks:
    """Return which sides face each other round every edge.

    Faces are sorted by the angle at which they leave the edge. Turning that way from a face one first looks
    on its upper side, then comes to the lower side of the next: these two share the air between. At a free
    edge
    the next face is the same one, so its two sides meet.
    """
    edges = edges_of(faces)
    edge = edges.of_faces.ravel()
    face = np.repeat(np.arange(len(faces)), 3)
    tail, head, tip = (np.roll(faces, -k, axis=1).ravel() for k in range(3))
    angle = _leaving_angles(points, edges.ends, edge, tip)
    forward = tail < head
    # With the edge run from its lesser point, a face that runs along turns its front to growing angles.
    upper = 2 * face + np.where(forward, 0, 1)
    lower = 2 * face + np.where(forward, 1, 0)
    order = np.lexsort((angle, edge))
    starts = np.concatenate([[0], np.cumsum(edges.counts)[:-1]])
    following = np.arange(1, len(order) + 1)
    following[starts + edges.counts - 1] = starts
    pairs = np.stack([upper[order], lower[order[following]]], axis=1)
    turn = np.mod(angle[order[following]] - angle[order], 2 * np.pi)
    close = np.minimum(turn, 2 * np.pi - turn) < tie_angle
    tied = np.unique(edge[order[close & (following != np.arange(len(order)))]])
    return SideLinks(pairs=pairs, edges=edges.ends[edge[order]], tied_edges=edges.ends[tied])


def _leaving_angles(points: FloatArray, ends: IntArray, edge: IntArray, tips: IntArray) -> FloatArray:
    """Return the angle at which each face leaves its edge, about the edge, in rad."""
    along = points[ends[:, 1]] - points[ends[:, 0]]
    length = np.linalg.norm(along, axis=1, keepdims=True)
    along = np.divide(along, length, out=np.zeros_like(along), where=length > 0)
    across = np.zeros_like(along)
    across[np.arange(len(along)), np.abs(along).argmin(axis=1)] = 1.0
    across -= np.einsum("ij,ij->i", across, along)[:, None] * along
    across /= np.linalg.norm(across, axis=1, keepdims=True)
    third = np.cross(along, across)
    arm = points[tips] - points[ends[edge, 0]]
    return np.asarray(
        np.arctan2(np.einsum("ij,ij->i", arm, third[edge]), np.einsum("ij,ij->i", arm, across[edge]))
    )


def closed_loops(pairs: IntArray) -> tuple[list[IntArray], IntArray]:
    """Return the loops that edges (k, 2) form where every point has two of them, and the edges left over.

    Each loop is an ordered array of point indices; edges of branching or open groups come back as (r, 2)
    rows.
    """
    if not len(pairs):
        return [], pairs
    names, local = np.unique(pairs, return_inverse=True)
    local = local.reshape(-1, 2)
    degree = np.bincount(local.ravel(), minlength=len(names))
    _, label = groups(len(names), local)
    plain = np.bincount(label, weights=degree != 2) == 0
    simple = plain[label[local[:, 0]]]
    return [names[loop] for loop in _walks(local[simple], len(names))], pairs[~simple]


def _walks(pairs: IntArray, n_points: int) -> list[IntArray]:
    """Return the ordered loops of `pairs`, each of whose points has exactly two edges."""
    if not len(pairs):
        return []
    neighbours = np.full((n_points, 2), -1, dtype=np.int64)
    ends = np.concatenate([pairs, pairs[:, ::-1]])
    order = np.argsort(ends[:, 0], kind="stable")
    neighbours[ends[order[0::2], 0]] = np.stack([ends[order[0::2], 1], ends[order[1::2], 1]], axis=1)
    seen = np.zeros(n_points, dtype=bool)
    loops: list[IntArray] = []
    # A loop is a walk by nature: each step needs the one before. Rims are short beside the mesh.
    for start in np.unique(pairs):
        if seen[start]:
            continue
        walk, before, here = [int(start)], -1, int(start)
        seen[start] = True
        while True:
            first, second = neighbours[here]
            ahead = int(second if first == before else first)
            if ahead == start or seen[ahead]:
                break
            seen[ahead] = True
            walk.append(ahead)
            before, here = here, ahead
        loops.append(np.array(walk, dtype=np.int64))
    return loops


def region_volumes(points: FloatArray, faces: IntArray, labels: IntArray, n_labels: int) -> FloatArray:
    """Return the signed volume (n_labels,) that the sides of each label close off, in m³.

    Positive where the sides look inward on a finite space of air. `labels` is (2n,), one per side.
    """
    corners = points[faces]
    middle = 0.5 * (corners.min(axis=(0, 1)) + corners.max(axis=(0, 1)))
    by_side = np.repeat(signed_volumes(corners, middle), 2)
    by_side[0::2] *= -1.0
    return np.bincount(labels, weights=by_side, minlength=n_labels).astype(np.float64)
