"""Caps on every rim: holes in sheets, cut-outs that end on a skin, open ends, bent and branching rims."""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from itertools import combinations

import numpy as np

from bayreach.arrays import FloatArray, IntArray, unit_vectors
from bayreach.bays._bent import folded_cap
from bayreach.bays._flat import Cap, Plane, caps_in_plane, fitted_plane, with_apexes
from bayreach.bays._hubs import hub_caps, hub_of, runs_of
from bayreach.bays._least import least_cap
from bayreach.bays._rims import FLAT_SHARE, Rim, by_plane, find_rims, is_near
from bayreach.measure import area_vectors
from bayreach.mesh import Mesh
from bayreach.topology import Edges, closed_loops, edges_of, free_edges, groups


def find_caps(mesh: Mesh) -> tuple[Mesh, list[Cap], list[FloatArray]]:
    """Return caps for every opening that can be closed, and places (k, 3) of rims that could not be.

    The mesh that comes back has the points that caps on branching rims share; its faces are the same.
    """
    slack = FLAT_SHARE * mesh.diagonal
    rims, bent = find_rims(mesh.points, mesh.faces, slack)
    sheets = _sheets_of(mesh) if bent else {}
    mesh, branching, bent = _branching_caps(mesh, bent, sheets)
    edges = edges_of(mesh.faces)
    caps = {tuple(sorted(cap.rim.tolist())): cap for cap in branching}
    served = _served(branching)
    rims = [rim for rim in rims if not served.issuperset(map(_pair, rim.edges.tolist()))]
    for together in by_plane(rims, mesh.points, slack):
        cut = _Slice(mesh, edges, together[0].plane, slack)
        for rim in together:
            for cap in _caps_of_rim(mesh, cut, rim, slack):
                caps.setdefault(tuple(sorted(cap.rim.tolist())), cap)
    served = _served(caps.values())
    missed: list[FloatArray] = []
    for group in bent:
        left = [pair for pair in group.tolist() if _pair(pair) not in served]
        loops, tangled = closed_loops(_without_tails(np.array(left, dtype=np.int64).reshape(-1, 2)))
        for loop in loops:
            cap_or_none = _loop_cap(mesh, loop, sheets)
            if cap_or_none is None:
                missed.append(mesh.points[loop])
            else:
                caps.setdefault(tuple(sorted(loop.tolist())), cap_or_none)
        for cap in _tangled_caps(mesh.points, tangled):
            caps.setdefault(tuple(sorted(cap.rim.tolist())), cap)
    mesh, found = with_apexes(mesh, list(caps.values()))
    return mesh, found, missed


def _pair(ends: Sequence[int]) -> tuple[int, int]:
    return min(ends), max(ends)


def _served(caps: Iterable[Cap]) -> set[tuple[int, int]]:
    """Return the edges, lesser point first, that caps have as their rims."""
    return {
        _pair(ends) for cap in caps for ends in np.stack([cap.rim, np.roll(cap.rim, -1)], axis=1).tolist()
    }


def _branching_caps(
    mesh: Mesh, bent: list[IntArray], sheets: dict[tuple[int, int], FloatArray]
) -> tuple[Mesh, list[Cap], list[IntArray]]:
    """Return the mesh with the points that caps share, the caps of branching rims, and the groups left."""
    caps: list[Cap] = []
    rest: list[IntArray] = []
    points = mesh.points
    # Groups of free edges that branch are few: a hole at a seam is one.
    for group in bent:
        runs, loops = runs_of(_without_tails(group))
        filled: list[Cap] | None = None
        if runs:
            hubbed = np.concatenate([points, hub_of(points, runs, sheets)[None]])
            filled = hub_caps(hubbed, runs, len(points), mesh.corners)
        if filled is None:
            rest.append(group)
            continue
        caps += filled
        points = hubbed
        rest += [np.stack([loop, np.roll(loop, -1)], axis=1) for loop in loops]
    if len(points) > len(mesh.points):
        mesh = replace(mesh, points=points)
    return mesh, caps, rest


def _sheets_of(mesh: Mesh) -> dict[tuple[int, int], FloatArray]:
    """Return the normal of the sheet at each free edge, by its ends as its face runs along it."""
    edges, of_face = free_edges(mesh.faces)
    normals = unit_vectors(area_vectors(mesh.corners[of_face]))
    return {(a, b): normal for (a, b), normal in zip(edges.tolist(), normals, strict=True)}


def _loop_cap(mesh: Mesh, loop: IntArray, sheets: dict[tuple[int, int], FloatArray]) -> Cap | None:
    """Return the cap of a bent loop, folded along the seams that it interrupts."""
    steps = list(zip(loop.tolist(), np.roll(loop, -1).tolist(), strict=True))
    # Faces may be turned this way or that: a normal counts as seen with the sheet on the left of the loop.
    normals = np.array([sheets[step] if step in sheets else -sheets[step[::-1]] for step in steps])
    cap = folded_cap(mesh.points, loop, normals)
    return cap if cap is not None else least_cap(mesh.points, loop)


_NODES_AT_MOST = 8
"""With more branching points in one rim no straight line between them is tried."""


class _Slice:
    """What of a mesh lies in one plane: edges that may bound a gap, and the sheet."""

    def __init__(self, mesh: Mesh, edges: Edges, plane: Plane, slack: float) -> None:
        in_plane = np.abs(plane.heights(mesh.points)) <= slack
        lies = np.flatnonzero(in_plane[mesh.faces].all(axis=1))
        # Inside a sheet that lies in the plane an edge has a face of it on both hands: those bound no gap.
        own, n_lying = np.unique(edges.of_faces[lies], return_counts=True)
        candidate = in_plane[edges.ends[:, 0]] & in_plane[edges.ends[:, 1]]
        candidate[own[n_lying > 1]] = False
        self.plane = plane
        self.edges = edges.ends[candidate]
        self.ends = mesh.points[self.edges]
        self.sheet = mesh.corners[lies]


def _caps_of_rim(mesh: Mesh, cut: _Slice, rim: Rim, slack: float) -> list[Cap]:
    around = mesh.points[rim.edges.ravel()]
    near = is_near(cut.ends[:, 0], around, slack) | is_near(cut.ends[:, 1], around, slack)
    names, local = np.unique(cut.edges[near], return_inverse=True)
    place = {name: index for index, name in enumerate(names.tolist())}
    rim_local = np.array(
        [[place[a], place[b]] for a, b in rim.edges.tolist() if a in place and b in place], dtype=np.int64
    )
    low, high = around.min(axis=0) - slack, around.max(axis=0) + slack
    margin = 0.02 * float(np.linalg.norm(high - low))
    over = (cut.sheet.min(axis=1) <= high + margin).all(axis=1)
    over &= (cut.sheet.max(axis=1) >= low - margin).all(axis=1)
    flat, edges = cut.plane.flat(mesh.points[names]), local.reshape(-1, 2)
    covered = cut.plane.flat(cut.sheet[over].reshape(-1, 3)).reshape(-1, 3, 2)
    nodes = np.array([place[node] for node in rim.nodes.tolist() if node in place], dtype=np.int64)
    return caps_in_plane(
        flat=flat,
        points=names,
        edges=np.concatenate([edges, _chords(flat, edges, nodes, covered)]),
        rim_edges=rim_local.reshape(-1, 2),
        covered=covered,
        planar=True,
    )


def _chords(flat: FloatArray, edges: IntArray, nodes: IntArray, covered: FloatArray) -> IntArray:
    """Return the straight lines (k, 2) between branching points that cross neither an edge nor the sheet.

    Where a hole is cut at a seam of three sheets, the seam that it interrupts is such a line: the caps in
    all three sheets
    meet along it.
    """
    import shapely

    out = []
    if not 2 <= len(nodes) <= _NODES_AT_MOST:
        return edges[:0]
    walls = shapely.union_all(shapely.linestrings(flat[edges]))
    sheet = shapely.union_all(shapely.polygons(covered)) if len(covered) else shapely.Polygon()
    for first, second in combinations(nodes.tolist(), 2):
        line = shapely.linestrings(flat[[first, second]])
        inner = shapely.linestrings(flat[[first, second]] * 0.98 + flat[[second, first]] * 0.02)
        if line.length > 0 and shapely.disjoint(inner, walls) and shapely.disjoint(inner, sheet):
            out.append([first, second])
    return np.array(out, dtype=np.int64).reshape(-1, 2)


def _without_tails(edges: IntArray) -> IntArray:
    """Return edges (k, 2) with every chain that ends loosely taken off."""
    while len(edges):
        names, local = np.unique(edges, return_inverse=True)
        local = local.reshape(-1, 2)
        loose = (np.bincount(local.ravel(), minlength=len(names)) < 2)[local].any(axis=1)
        if not loose.any():
            break
        edges = edges[~loose]
    return edges


def _tangled_caps(points: FloatArray, edges: IntArray) -> list[Cap]:
    """Return caps for branching groups of free edges, each drawn on its plane of least squares."""
    if not len(edges):
        return []
    names, local = np.unique(edges, return_inverse=True)
    local = local.reshape(-1, 2)
    count, label = groups(len(names), local)
    caps: list[Cap] = []
    for number in range(count):
        mine = label[local[:, 0]] == number
        plane, _ = fitted_plane(points[names[np.unique(local[mine])]])
        caps += caps_in_plane(
            flat=plane.flat(points[names]),
            points=names,
            edges=local[mine],
            rim_edges=local[mine],
            covered=np.zeros((0, 3, 2)),
            planar=False,
        )
    return caps
