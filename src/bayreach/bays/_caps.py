"""Where a mesh could be closed: holes in sheets, cut-outs that end on a skin, open ends, bent rims."""

import numpy as np

from bayreach.arrays import BoolArray, FloatArray, IntArray, unit_vectors
from bayreach.bays._bent import folded_cap
from bayreach.bays._flat import Cap, Plane, caps_in_plane, fitted_plane, plane_through
from bayreach.measure import area_vectors
from bayreach.mesh import Mesh
from bayreach.repair import split_at
from bayreach.topology import closed_loops, edges_of, free_edges, groups

_FLAT_SHARE = 1e-5
"""Points within this share of the diagonal of a plane lie in it."""


class Rim:
    """Free edges that one plane may close.

    Attributes
    ----------
    plane : Plane
        The plane.
    edges : (k, 2) int
        Free edges in it.
    """

    def __init__(self, plane: Plane, edges: IntArray) -> None:
        self.plane = plane
        self.edges = edges


def split_along_rims(mesh: Mesh) -> tuple[Mesh, IntArray]:
    """Return the mesh split along the planes of its openings, and the old face of each face.

    A stringer that runs through a rib's cut-out gets an edge where the cap will stand, so that the cap
    divides the air on both sides of it.
    """
    slack = _FLAT_SHARE * mesh.diagonal
    points, faces, source = mesh.points, mesh.faces, np.arange(mesh.n_faces)
    rims, _ = find_rims(points, faces, slack)
    # One plane after another: a split for one may add edges that the next must see.
    for rim in rims:
        height = rim.plane.heights(points)
        edges = edges_of(faces)
        below, above = height[edges.ends[:, 0]], height[edges.ends[:, 1]]
        crossing = np.flatnonzero((below * above < 0) & (np.minimum(np.abs(below), np.abs(above)) > slack))
        share = below[crossing] / (below[crossing] - above[crossing])
        ends = points[edges.ends[crossing]]
        place = ends[:, 0] + share[:, None] * (ends[:, 1] - ends[:, 0])
        near = _within_box(place, points[rim.edges.ravel()], slack)
        if not near.any():
            continue
        points_on = np.full(len(edges.ends), -1, dtype=np.int64)
        points_on[crossing[near]] = len(points) + np.arange(int(near.sum()))
        points = np.concatenate([points, place[near]])
        faces, piece = split_at(faces, edges, points_on)
        source = source[piece]
    if len(faces) == mesh.n_faces:
        return mesh, source
    return Mesh(
        points=points, faces=faces, face_parts=mesh.face_parts[source], part_names=mesh.part_names
    ), source


def _within_box(places: FloatArray, rim: FloatArray, slack: float) -> BoolArray:
    low, high = rim.min(axis=0), rim.max(axis=0)
    margin = 0.02 * float(np.linalg.norm(high - low)) + slack
    return np.asarray(((places >= low - margin) & (places <= high + margin)).all(axis=1))


def find_rims(points: FloatArray, faces: IntArray, slack: float) -> tuple[list[Rim], list[IntArray]]:
    """Return rims that lie in a plane, and for each bent group of free edges its edges (k, 2)."""
    edges, of_face = free_edges(faces)
    if not len(edges):
        return [], []
    names, local = np.unique(edges, return_inverse=True)
    _, label = groups(len(names), local.reshape(-1, 2))
    group = label[local.reshape(-1, 2)[:, 0]]
    rims: list[Rim] = []
    bent: list[IntArray] = []
    # Free-edge groups are few beside faces; each is fitted by itself.
    order = np.argsort(group, kind="stable")
    for rows in np.split(order, np.flatnonzero(np.diff(group[order])) + 1):
        here = edges[rows]
        plane, spread = fitted_plane(points[np.unique(here)])
        if spread[1] <= slack:
            continue
        if np.abs(plane.heights(points[here.ravel()])).max() <= slack:
            rims.append(Rim(plane, here))
        else:
            bent.append(here)
            rims += _sheet_rims(points, faces, here, of_face[rows], slack)
    return rims, bent


def _sheet_rims(
    points: FloatArray, faces: IntArray, edges: IntArray, of_face: IntArray, slack: float
) -> list[Rim]:
    """Return the runs of a bent group whose sheets lie in one plane."""
    corners = points[faces[of_face]]
    normals = unit_vectors(area_vectors(corners))
    local = np.unique(edges, return_inverse=True)[1].reshape(-1, 2)
    ends = np.concatenate([local[:, 0], local[:, 1]])
    rows = np.tile(np.arange(len(edges)), 2)
    order = np.argsort(ends, kind="stable")
    pairs = np.stack([rows[order][:-1], rows[order][1:]], axis=1)[np.diff(ends[order]) == 0]
    offset = corners[pairs[:, 1]] - corners[pairs[:, 0], :1]
    apart = np.abs(np.einsum("ijk,ik->ij", offset, normals[pairs[:, 0]])).max(axis=1, initial=0.0)
    _, run = groups(len(edges), pairs[apart <= slack])
    rims = []
    # A run per sheet of one group: few.
    for number in np.unique(run):
        mine = np.flatnonzero(run == number)
        here = points[np.unique(edges[mine])]
        _, spread = fitted_plane(here)
        if len(mine) > 1 and spread[1] > slack:
            rims.append(Rim(plane_through(here.mean(axis=0), normals[mine[0]]), edges[mine]))
    return rims


def find_caps(mesh: Mesh) -> tuple[list[Cap], list[FloatArray]]:
    """Return caps for every opening that can be closed, and places (k, 3) of rims that could not be."""
    slack = _FLAT_SHARE * mesh.diagonal
    rims, bent = find_rims(mesh.points, mesh.faces, slack)
    edges = edges_of(mesh.faces)
    caps: dict[tuple[int, ...], Cap] = {}
    for rim in rims:
        for cap in _caps_of_rim(mesh, edges.ends, edges.of_faces, rim, slack):
            caps.setdefault(tuple(sorted(cap.rim.tolist())), cap)
    served = {
        tuple(sorted(pair))
        for cap in caps.values()
        for pair in np.stack([cap.rim, np.roll(cap.rim, -1)], axis=1).tolist()
    }
    missed: list[FloatArray] = []
    sheets = _sheets_of(mesh) if bent else {}
    for group in bent:
        rest = np.array(
            [pair for pair in group.tolist() if tuple(sorted(pair)) not in served], dtype=np.int64
        )
        loops, tangled = closed_loops(_without_tails(rest.reshape(-1, 2)))
        for loop in loops:
            cap_or_none = _loop_cap(mesh, loop, sheets)
            if cap_or_none is None:
                missed.append(mesh.points[loop])
            else:
                caps.setdefault(tuple(sorted(loop.tolist())), cap_or_none)
        for cap in _tangled_caps(mesh.points, tangled):
            caps.setdefault(tuple(sorted(cap.rim.tolist())), cap)
    return list(caps.values()), missed


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
    return folded_cap(mesh.points, loop, normals)


def _caps_of_rim(mesh: Mesh, ends: IntArray, of_faces: IntArray, rim: Rim, slack: float) -> list[Cap]:
    height = np.abs(rim.plane.heights(mesh.points))
    in_plane = height <= slack
    lies: BoolArray = np.asarray(in_plane[mesh.faces].all(axis=1))
    # Inside a sheet that lies in the plane an edge has a face of it on both hands: those bound no gap.
    n_lying = np.bincount(of_faces[lies].ravel(), minlength=len(ends))
    near = _within_box(mesh.points, mesh.points[rim.edges.ravel()], slack)
    kept = ends[in_plane[ends].all(axis=1) & (n_lying < 2) & near[ends].any(axis=1)]
    names, local = np.unique(kept, return_inverse=True)
    place = {name: index for index, name in enumerate(names.tolist())}
    rim_local = np.array(
        [[place[a], place[b]] for a, b in rim.edges.tolist() if a in place and b in place], dtype=np.int64
    )
    cover = rim.plane.flat(mesh.corners[lies & near[mesh.faces].any(axis=1)].reshape(-1, 3)).reshape(-1, 3, 2)
    cover = np.concatenate([cover, _reaching_over(mesh, rim, lies, near)])
    return caps_in_plane(
        flat=rim.plane.flat(mesh.points[names]),
        points=names,
        edges=local.reshape(-1, 2),
        rim_edges=rim_local.reshape(-1, 2),
        covered=cover,
        planar=True,
    )


def _reaching_over(mesh: Mesh, rim: Rim, lies: BoolArray, near: BoolArray) -> FloatArray:
    """Return lying triangles whose corners are all outside the rim's box but whose own box overlaps it."""
    rows = np.flatnonzero(lies & ~near[mesh.faces].any(axis=1))
    corners = mesh.corners[rows]
    low, high = mesh.points[rim.edges.ravel()].min(axis=0), mesh.points[rim.edges.ravel()].max(axis=0)
    overlap = (corners.min(axis=1) <= high).all(axis=1) & (corners.max(axis=1) >= low).all(axis=1)
    return rim.plane.flat(corners[overlap].reshape(-1, 3)).reshape(-1, 3, 2)


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
