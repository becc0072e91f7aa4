"""Where liquid on sides runs: surface points as the air sees them, and the way down from each.

A mesh point that several sides of one air space share is one node where those sides join round an edge, and
two where a web stands between them: liquid on the left of a stringer is not on its right. On straight-sided
triangles the lowest places of the surface are always at points, so nothing is lost by running along edges.
"""

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components

from bayreach.arrays import OUTSIDE, FloatArray, IntArray
from bayreach.mesh import Mesh
from bayreach.rays.compiling import compiled
from bayreach.topology import SideLinks, groups


@dataclass(frozen=True, kw_only=True, eq=False)
class Surface:
    """Nodes of the surface in one or more air spaces.

    Parameters
    ----------
    corner_node : (s, 3) int
        Node at each corner of each side, -1 on sides outside.
    node_point : (m,) int
        Mesh point of each node.
    node_bay : (m,) int
        Bay of each node.
    heights : (m,) float
        Height of each node in m (against `down`).
    """

    corner_node: IntArray
    node_point: IntArray
    node_bay: IntArray
    heights: FloatArray


def surface_of(mesh: Mesh, links: SideLinks, side_bay: IntArray, down: FloatArray) -> Surface:
    """Return the nodes of the sides of every bay; sides join where `links` says that they share their air."""
    first, second = links.pairs.T
    same = (side_bay[first] == side_bay[second]) & (side_bay[first] != OUTSIDE)
    pairs = [
        np.stack([_corner(mesh, first[same], ends), _corner(mesh, second[same], ends)], axis=1)
        for ends in links.edges[same].T
    ]
    _, labels = groups(3 * mesh.n_sides, np.concatenate(pairs))
    corner_side = np.repeat(np.arange(mesh.n_sides), 3)
    used = side_bay[corner_side] != OUTSIDE
    kept, node = np.unique(labels[used], return_inverse=True)
    corner_node = np.full(3 * mesh.n_sides, -1, dtype=np.int64)
    corner_node[used] = node
    node_point, node_bay = np.zeros(len(kept), dtype=np.int64), np.zeros(len(kept), dtype=np.int64)
    node_point[node] = np.repeat(mesh.faces, 2, axis=0).ravel()[used]
    node_bay[node] = side_bay[corner_side[used]]
    return Surface(
        corner_node=corner_node.reshape(-1, 3),
        node_point=node_point,
        node_bay=node_bay,
        heights=-(mesh.points[node_point] @ down),
    )


def _corner(mesh: Mesh, sides: IntArray, points: IntArray) -> IntArray:
    """Return the running corner number of each of `sides` that lies at the mesh point beside it."""
    return np.asarray(3 * sides + np.argmax(mesh.faces[sides // 2] == points[:, None], axis=1))


def steps_down(mesh: Mesh, surface: Surface, sides: IntArray) -> tuple[IntArray, FloatArray, FloatArray]:
    """Return the edges (k, 2) of `sides` as node pairs, upper node first, with drop and length (k,) in m."""
    corners = surface.corner_node[sides]
    ends = np.concatenate([corners[:, [0, 1]], corners[:, [1, 2]], corners[:, [2, 0]]])
    drop = surface.heights[ends[:, 0]] - surface.heights[ends[:, 1]]
    ends = np.where(drop[:, None] < 0, ends[:, ::-1], ends)
    run = mesh.points[surface.node_point[ends[:, 0]]] - mesh.points[surface.node_point[ends[:, 1]]]
    return ends, np.abs(drop), np.linalg.norm(run, axis=1)


def fetches(mesh: Mesh, surface: Surface, sides: IntArray, slopes: FloatArray) -> FloatArray:
    """Return the fetch (m,) of each node in m: the length of slope above it that drains over it.

    Going down a side of slope sin α by a drop Δh adds Δh / sin α; where several ways lead to a node the
    longest counts. Level sides (`slopes` zero) pass nothing on. On a plane it is the distance from its
    top, by any way.
    """
    ends, drop, _ = steps_down(mesh, surface, sides)
    slope = np.tile(slopes, 3)
    goes = (drop > 0) & (slope > 0)
    ends, step = ends[goes], drop[goes] / slope[goes]
    # From the highest node down: all that leads to a node is known before what leads from it is asked.
    order = np.argsort(-surface.heights[ends[:, 0]], kind="stable")
    fetch = np.zeros(len(surface.heights))
    _lengthen(fetch, ends[order], step[order])
    return fetch


@compiled
def _lengthen(fetch: FloatArray, ends: IntArray, step: FloatArray) -> None:
    """Carry `fetch` (m,) along the edges (k, 2) in their order, keeping the longest way to each node."""
    for k in range(len(ends)):
        longer = fetch[ends[k, 0]] + step[k]
        fetch[ends[k, 1]] = max(fetch[ends[k, 1]], longer)


def basins(n: int, ways: IntArray) -> IntArray:
    """Return the basin (n,) of each of `n` nodes: nodes that lead to each other share one."""
    graph = csr_array((np.ones(len(ways), dtype=np.int8), (ways[:, 0], ways[:, 1])), shape=(n, n))
    _, labels = connected_components(graph, directed=True, connection="strong")
    return labels.astype(np.int64)


def carried(start: FloatArray, ways: IntArray, weights: FloatArray, order_by: FloatArray) -> FloatArray:
    """Return what passes or stays at each node (n,) when `start` (n,) runs along `ways` (k, 2) without loss.

    Each node gives all that reaches it to its ways in proportion to their `weights` (k,); one without
    ways keeps it. The ways must lead back nowhere. `order_by` (n,) is a height: any, but a true one
    makes it fast.
    """
    from scipy.sparse import csc_array, eye_array
    from scipy.sparse.linalg import spsolve

    n = len(start)
    total = np.bincount(ways[:, 0], weights, minlength=n)
    rank = np.zeros(n, dtype=np.int64)
    rank[np.argsort(-order_by, kind="stable")] = np.arange(n)
    share = weights / total[ways[:, 0]]
    passing = csc_array((share, (rank[ways[:, 1]], rank[ways[:, 0]])), shape=(n, n))
    load = np.zeros(n)
    load[rank] = start
    through = spsolve(csc_array(eye_array(n) - passing), load, permc_spec="NATURAL")
    return np.asarray(through)[rank]
