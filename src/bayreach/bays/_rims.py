"""Where a mesh could be closed: rims that lie in a plane, and what passes through them."""

import numpy as np

from bayreach.arrays import BoolArray, FloatArray, IntArray, unit_vectors
from bayreach.bays._flat import Plane, fitted_plane, plane_through
from bayreach.measure import area_vectors
from bayreach.mesh import Mesh
from bayreach.repair import split_at
from bayreach.topology import edges_of, free_edges, groups

FLAT_SHARE = 1e-5
"""Points within this share of the diagonal of a plane lie in it."""


class Rim:
    """Free edges that one plane may close.

    Attributes
    ----------
    plane : Plane
        The plane.
    edges : (k, 2) int
        Free edges in it.
    nodes : (m,) int
        Points of them where three or more free edges meet: a hole at a seam runs on in another sheet there.
    """

    def __init__(self, plane: Plane, edges: IntArray, nodes: IntArray) -> None:
        self.plane = plane
        self.edges = edges
        self.nodes = nodes


def split_along_rims(mesh: Mesh) -> tuple[Mesh, IntArray]:
    """Return the mesh split along the planes of its openings, and the old face of each face.

    A stringer that runs through a rib's cut-out gets an edge where the cap will stand, so that the cap
    divides the air on both sides of it.
    """
    slack = FLAT_SHARE * mesh.diagonal
    points, faces, source = mesh.points, mesh.faces, np.arange(mesh.n_faces)
    rims, _ = find_rims(points, faces, slack)
    edges = edges_of(faces)
    # One plane after another: a split for one may add edges that the next must see.
    for together in by_plane(rims, points, slack):
        height = together[0].plane.heights(points)
        below, above = height[edges.ends[:, 0]], height[edges.ends[:, 1]]
        crossing = np.flatnonzero((below * above < 0) & (np.minimum(np.abs(below), np.abs(above)) > slack))
        share = below[crossing] / (below[crossing] - above[crossing])
        ends = points[edges.ends[crossing]]
        place = ends[:, 0] + share[:, None] * (ends[:, 1] - ends[:, 0])
        near = np.zeros(len(place), dtype=bool)
        for rim in together:
            near |= is_near(place, points[rim.edges.ravel()], slack)
        if not near.any():
            continue
        points_on = np.full(len(edges.ends), -1, dtype=np.int64)
        points_on[crossing[near]] = len(points) + np.arange(int(near.sum()))
        points = np.concatenate([points, place[near]])
        faces, piece = split_at(faces, edges, points_on)
        source = source[piece]
        edges = edges_of(faces)
    if len(faces) == mesh.n_faces:
        return mesh, source
    whole = Mesh(points=points, faces=faces, face_parts=mesh.face_parts[source], part_names=mesh.part_names)
    return whole, source


def by_plane(rims: list[Rim], points: FloatArray, slack: float) -> list[list[Rim]]:
    """Return rims that lie in one plane together, so that what a plane costs is paid once."""
    planes: list[list[Rim]] = []
    for rim in rims:
        own = points[np.unique(rim.edges)]
        for together in planes:
            plane = together[0].plane
            alike = abs(float(plane.axes[2] @ rim.plane.axes[2])) > 1 - 1e-8
            if alike and np.abs(plane.heights(own)).max() <= slack:
                together.append(rim)
                break
        else:
            planes.append([rim])
    return planes


def is_near(places: FloatArray, rim: FloatArray, slack: float) -> BoolArray:
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
            rims.append(Rim(plane, here, here[:0, 0]))
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
    names, local = np.unique(edges, return_inverse=True)
    local = local.reshape(-1, 2)
    branching = names[np.bincount(local.ravel()) > 2]
    ends = np.concatenate([local[:, 0], local[:, 1]])
    rows = np.tile(np.arange(len(edges)), 2)
    order = np.argsort(ends, kind="stable")
    sorted_rows, sorted_ends = rows[order], ends[order]
    pairs = np.concatenate(
        [
            np.stack([sorted_rows[:-k], sorted_rows[k:]], axis=1)[sorted_ends[:-k] == sorted_ends[k:]]
            for k in (1, 2)
        ]
    )
    offset = corners[pairs[:, 1]] - corners[pairs[:, 0], :1]
    apart = np.abs(np.einsum("ijk,ik->ij", offset, normals[pairs[:, 0]])).max(axis=1)
    _, run = groups(len(edges), pairs[apart <= slack])
    rims = []
    # A run per sheet of one group: few.
    for number in np.unique(run):
        mine = np.flatnonzero(run == number)
        here = points[np.unique(edges[mine])]
        _, spread = fitted_plane(here)
        if spread[1] > slack:
            plane = plane_through(here.mean(axis=0), normals[mine[0]])
            rims.append(Rim(plane, edges[mine], np.intersect1d(branching, edges[mine])))
    return rims
