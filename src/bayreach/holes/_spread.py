"""How far apart places on a skin are along its surface, and which of them to keep so that none are near."""

from typing import TYPE_CHECKING

import numpy as np

from bayreach.arrays import FloatArray, IntArray
from bayreach.mesh import Mesh

if TYPE_CHECKING:
    from scipy.sparse import csr_matrix

SAME_WAY = 0.3
"""Cosine between the normals of two places above which sheets that do not touch count as one skin."""


class Surface:
    """A skin as a net of lengths: its faces' points, and places that lie on the faces.

    Distances go along edges of the mesh, across each edge from the point on one side to that on the other
    (unfolded), from a place to the corners of its face, and straight between places of one plane. Over a bend
    or a curve the net is never shorter than the surface, and on an even mesh about a twentieth longer.
    """

    def __init__(
        self, mesh: Mesh, faces: IntArray, places: FloatArray, on: IntArray, *, within: float
    ) -> None:
        """Lay `places` (m, 3) m on faces `faces[on]` (m,) of `mesh`; `within` (m) is the farthest asked."""
        self.places = places
        self.first = len(mesh.points)
        self.net = _net(mesh, faces, places, on, within=within)
        self.part = _parts(self.net)[self.first :]

    def near(self, index: int, within: float) -> IntArray:
        """Return the places (k,) nearer than `within` (m) to place `index` along the surface."""
        from scipy.sparse.csgraph import dijkstra

        lengths = dijkstra(self.net, directed=False, indices=[self.first + index], limit=within)
        return np.flatnonzero(np.isfinite(lengths[0, self.first :]))


def _net(mesh: Mesh, faces: IntArray, places: FloatArray, on: IntArray, *, within: float) -> "csr_matrix":
    from scipy.sparse import csr_matrix

    first = len(mesh.points)
    corners = mesh.faces[faces]
    pairs = [np.sort(corners[:, [k, (k + 1) % 3]], axis=1) for k in range(3)]
    lengths = [np.linalg.norm(mesh.points[pair[:, 0]] - mesh.points[pair[:, 1]], axis=1) for pair in pairs]
    over, over_lengths = _across(mesh, corners)
    own = corners[on]
    nodes = first + np.arange(len(places))
    spokes = [np.stack([own[:, k], nodes], axis=1) for k in range(3)]
    reach = [np.linalg.norm(places - mesh.points[own[:, k]], axis=1) for k in range(3)]
    flat, flat_lengths = _in_one_plane(mesh, faces, places, on, within=within)
    ends = np.concatenate([*pairs, over, *spokes, first + flat])
    far = np.concatenate([*lengths, over_lengths, *reach, flat_lengths])
    # A pair named twice would be summed: keep each once, the shortest.
    order = np.lexsort((far, ends[:, 1], ends[:, 0]))
    ends, far = ends[order], far[order]
    new = np.ones(len(ends), dtype=bool)
    new[1:] = (ends[1:] != ends[:-1]).any(axis=1)
    count = first + len(places)
    return csr_matrix((np.maximum(far[new], 1e-12), (ends[new, 0], ends[new, 1])), shape=(count, count))


def _across(mesh: Mesh, corners: IntArray) -> tuple[IntArray, FloatArray]:
    """Return pairs (k, 2) of points that face each other over an edge of two faces, and how far they are.

    The two triangles are laid flat about their edge; the straight line counts where it crosses the edge.
    """
    edges = np.concatenate([corners[:, [0, 1]], corners[:, [1, 2]], corners[:, [2, 0]]])
    tips = np.concatenate([corners[:, 2], corners[:, 0], corners[:, 1]])
    edges = np.sort(edges, axis=1)
    order = np.lexsort((edges[:, 1], edges[:, 0]))
    edges, tips = edges[order], tips[order]
    same = np.flatnonzero((edges[1:] == edges[:-1]).all(axis=1))
    start, end = mesh.points[edges[same, 0]], mesh.points[edges[same, 1]]
    along = end - start
    length = np.linalg.norm(along, axis=1)
    unit = along / np.maximum(length, 1e-300)[:, None]
    flat = []
    for shift in (0, 1):
        arm = mesh.points[tips[same + shift]] - start
        run = np.einsum("ij,ij->i", arm, unit)
        flat.append((run, np.linalg.norm(arm - run[:, None] * unit, axis=1)))
    (run_a, high_a), (run_b, high_b) = flat
    total = high_a + high_b
    cross = run_a + (run_b - run_a) * np.divide(high_a, total, out=np.zeros_like(total), where=total > 0)
    straight = (cross >= 0) & (cross <= length)
    pairs = np.sort(np.stack([tips[same], tips[same + 1]], axis=1), axis=1)[straight]
    return pairs, np.hypot(run_b - run_a, total)[straight]


def _in_one_plane(
    mesh: Mesh, faces: IntArray, places: FloatArray, on: IntArray, *, within: float
) -> tuple[IntArray, FloatArray]:
    """Return pairs (k, 2) of places within `within` (m) whose faces lie in one plane, and their distance."""
    from scipy.spatial import cKDTree

    from bayreach.measure import face_normals

    if len(places) < 2:
        return np.zeros((0, 2), dtype=np.int64), np.zeros(0)
    normals = face_normals(mesh)[faces[on]]
    pairs = np.asarray(cKDTree(places).query_pairs(within, output_type="ndarray"), dtype=np.int64)
    way = places[pairs[:, 1]] - places[pairs[:, 0]]
    length = np.linalg.norm(way, axis=1)
    level = np.abs(np.einsum("ij,ij->i", normals[pairs[:, 0]], normals[pairs[:, 1]])) > 1.0 - 1e-6
    level &= np.abs(np.einsum("ij,ij->i", way, normals[pairs[:, 0]])) <= 1e-3 * length
    return pairs[level], length[level]


def _parts(net: "csr_matrix") -> IntArray:
    from scipy.sparse.csgraph import connected_components

    return np.asarray(connected_components(net, directed=False)[1], dtype=np.int64)


def thinned(
    surface: Surface, normals: FloatArray, chosen: IntArray, spacing: float, most: int | None = None
) -> IntArray:
    """Return places of `chosen` in order, each at least `spacing` (m) along the surface from those before.

    Between sheets that do not touch, as where one laps another, the straight distance counts where both face
    the same way.
    """
    from scipy.spatial import cKDTree

    gone = np.ones(len(surface.places), dtype=bool)
    gone[chosen] = False
    tree = cKDTree(surface.places) if len(surface.places) else None
    kept: list[int] = []
    # Greedy thinning is one after another by its nature; there are some thousands of places, not faces.
    for index in chosen.tolist():
        if gone[index]:
            continue
        kept.append(index)
        if most is not None and len(kept) == most:
            break
        gone[surface.near(index, spacing)] = True
        assert tree is not None
        beside = np.array(tree.query_ball_point(surface.places[index], spacing), dtype=np.int64)
        apart = surface.part[beside] != surface.part[index]
        gone[beside[apart & (normals[beside] @ normals[index] > SAME_WAY)]] = True
    return np.array(kept, dtype=np.int64)
