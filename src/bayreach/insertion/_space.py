"""The solid that wands move through, built once and asked many times."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import OUTSIDE, BoolArray, FloatArray, IntArray, unit_vectors
from bayreach.errors import WandError
from bayreach.measure import area_vectors
from bayreach.mesh import Mesh, joined, mesh_of

if TYPE_CHECKING:
    from bayreach.bays import Bays, Opening

ABSENT = -1.0
"""Share of a face that is as if absent."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Space:
    """Structure and declared obstacles, with their tree, the bays and the rims of openings.

    Parameters
    ----------
    mesh : Mesh
        The structure.
    solid : Mesh
        The structure's faces, then those of the obstacles.
    bays : Bays
        Bays and openings of the structure.
    tree, air : tree
        Over the faces of `solid`, and over those of `mesh` and the caps of its openings.
    rim : (n,) bool
        True on faces of `solid` that touch the rim of an opening: they are asked no clearance.
    """

    mesh: Mesh
    solid: Mesh
    bays: "Bays"
    rim: BoolArray
    tree: Any = field(repr=False)
    air: Any = field(repr=False)

    def shares(self, holes: "tuple[Opening, ...]" = ()) -> FloatArray:
        """Return the share of a wand's clearance that each face of `solid` (n,) asks: 0 at rims, else 1.

        Faces that `holes`, not cut yet, will cut are below 0: as if absent.
        """
        shares = np.where(self.rim, 0.0, 1.0)
        for hole in holes:
            shares[faces_in_hole(self.solid, hole, self.boxes)] = ABSENT
        return shares

    @cached_property
    def boxes(self) -> tuple[FloatArray, FloatArray]:
        """Least and greatest coordinates (n, 3) of each face of `solid`, in m."""
        return face_boxes(self.solid)

    def part_of(self, face: int) -> str:
        """Return the name of the part that `face` of `solid` belongs to."""
        return self.solid.part_names[int(self.solid.face_parts[face])]

    def opening_named(self, name: str) -> "Opening":
        """Return the opening called `name`."""
        for opening in self.bays.openings:
            if opening.name == name:
                return opening
        message = f'opening "{name}" is none of {", ".join(opening.name for opening in self.bays.openings)}.'
        raise WandError(message)

    def bay_name(self, index: int) -> str:
        """Return the name of a bay; "outside" for the air round the structure."""
        return "outside" if index == OUTSIDE else self.bays.bays[index].name


def space_of(mesh: Mesh, bays: "Bays", obstacles: Mesh | None = None) -> Space:
    """Return the space round and in `mesh` (m), with declared `obstacles` outside or inside it."""
    from bayreach.insertion._tree import tree_of

    solid = mesh if obstacles is None else joined([mesh, obstacles])
    rim: BoolArray = np.zeros(solid.n_faces, dtype=np.bool_)
    for opening in bays.openings:  # a structure has tens of openings
        if opening.kind != "proposed" and len(opening.rim):
            rim[: mesh.n_faces] |= _round_the_rim(mesh, opening)
    walls = np.concatenate([mesh.corners, bays.cap_points[bays.cap_faces].reshape(-1, 3, 3)])
    tree = tree_of(np.array(solid.corners))
    return Space(mesh=mesh, solid=solid, bays=bays, rim=rim, tree=tree, air=tree_of(walls))


def obstacle_boxes(boxes: Mapping[str, ArrayLike]) -> Mesh:
    """Return a mesh of closed boxes for `space_of`: a name and the two far corners (2, 3) m of each.

    >>> obstacle_boxes({"jack": [[0, 0, 0], [1, 1, 2]]}).n_faces
    12
    """
    faces = [[0, 1, 3], [0, 3, 2], [4, 6, 7], [4, 7, 5], [0, 4, 5], [0, 5, 1],
             [2, 3, 7], [2, 7, 6], [0, 2, 6], [0, 6, 4], [1, 5, 7], [1, 7, 3]]  # fmt: skip
    meshes = []
    for name, box in boxes.items():
        (x0, y0, z0), (x1, y1, z1) = np.sort(np.asarray(box, dtype=np.float64), axis=0)
        points = [[x, y, z] for x in (x0, x1) for y in (y0, y1) for z in (z0, z1)]
        meshes.append(mesh_of(points, faces, name))
    return joined(meshes)


def bays_at(space: Space, points: ArrayLike) -> IntArray:
    """Return the bay of the air at each point (n, 3) in m, -1 outside: that of the side or cap first seen.

    Two of three looks in fixed, skew directions decide, so one look along an edge does no harm.
    """
    points = np.ascontiguousarray(np.atleast_2d(np.asarray(points, dtype=np.float64)))
    looks = unit_vectors([[0.61, 0.35, 0.71], [-0.48, 0.83, -0.29], [0.13, -0.67, -0.73]])
    one, two, three = (_bays_seen(space, points, look) for look in looks)
    return np.where((one == two) | (one == three), one, two)


def _bays_seen(space: Space, points: FloatArray, look: FloatArray) -> IntArray:
    from bayreach.insertion._queries import first_touches

    mesh, bays, count = space.mesh, space.bays, len(points)
    n_walls = mesh.n_faces + len(bays.cap_faces)
    zeros, far = np.zeros(count), np.full(count, 2.0 * mesh.diagonal + np.abs(points).max(initial=0.0))
    rays = np.tile(look, (count, 1))
    _, faces = first_touches(
        space.air, origins=points, directions=rays, starts=zeros, stops=far, radii=zeros + 1e-12,
        extras=zeros, shares=np.ones(n_walls),
    )  # fmt: skip
    seen = np.full(count, OUTSIDE)
    on_mesh = (faces >= 0) & (faces < mesh.n_faces)
    corners = mesh.corners[faces[on_mesh]]
    back = area_vectors(corners) @ look > 0.0
    seen[on_mesh] = bays.side_bay[2 * faces[on_mesh] + back]
    on_cap = faces >= mesh.n_faces
    caps = faces[on_cap] - mesh.n_faces
    corners = bays.cap_points[bays.cap_faces[caps]]
    back = area_vectors(corners) @ look > 0.0
    seen[on_cap] = np.asarray(bays.cap_links)[caps, np.where(back, 0, 1)]
    return seen


def _round_the_rim(mesh: Mesh, opening: "Opening") -> BoolArray:
    """Return the faces (n,) with a corner on the rim or, on a thick or flanged edge, straight behind it."""
    from scipy.spatial import cKDTree

    axis, rim = unit_vectors(opening.normal), np.asarray(opening.rim)
    offsets = mesh.points - opening.center
    heights = offsets @ axis
    wide = float(np.linalg.norm(rim - opening.center, axis=1).max())
    flat = offsets - heights[:, None] * axis
    high = max(wide, opening.thickness)
    near = np.flatnonzero((np.linalg.norm(flat, axis=1) <= 1.1 * wide) & (np.abs(heights) <= high))
    edge = rim - opening.center
    gaps, _ = cKDTree(edge - (edge @ axis)[:, None] * axis).query(flat[near])
    on_rim: BoolArray = np.zeros(len(mesh.points), dtype=np.bool_)
    on_rim[near[gaps <= 0.02 * wide]] = True
    return np.asarray(on_rim[mesh.faces].any(axis=1), dtype=np.bool_)


def face_boxes(mesh: Mesh) -> tuple[FloatArray, FloatArray]:
    """Return the least and the greatest coordinates (n, 3) of each face, in m."""
    corners = mesh.corners
    return corners.min(axis=1), corners.max(axis=1)


def faces_in_hole(
    mesh: Mesh, hole: "Opening", boxes: tuple[FloatArray, FloatArray] | None = None
) -> IntArray:
    """Return the faces (k,) that a hole not cut yet will cut: those of its sheet that come within its disc.

    A face belongs to the sheet when its plane is within 60 degrees of the hole's; it comes within the disc
    when it is nearer to the hole's centre than half the diameter.
    """
    from bayreach.insertion._exact import point_triangle_distances

    radius = hole.diameter / 2.0
    lows, highs = face_boxes(mesh) if boxes is None else boxes
    near = np.flatnonzero(((lows <= hole.center + radius) & (highs >= hole.center - radius)).all(axis=1))
    triangles = mesh.corners[near]
    normals = unit_vectors(area_vectors(triangles))
    flat: BoolArray = np.abs(normals @ unit_vectors(hole.normal)) > 0.5
    inside = point_triangle_distances(np.broadcast_to(hole.center, (len(near), 3)), triangles) < radius
    chosen: IntArray = near[flat & inside]
    return chosen


def hole_to_widen(space: Space, place: ArrayLike) -> "Opening | None":
    """Return the nearest opening in whose plane, within 1.5 diameters, `place` (3,) m lies; or None."""
    best, least = None, np.inf
    for opening in space.bays.openings:  # a structure has tens of openings
        offset = np.asarray(place, dtype=np.float64) - opening.center
        height = abs(float(offset @ unit_vectors(opening.normal)))
        aside = float(np.linalg.norm(offset))
        if height < 0.25 * opening.diameter and aside < min(1.5 * opening.diameter, least):
            best, least = opening, aside
    return best


def inward(opening: "Opening") -> FloatArray:
    """Return the unit vector (3,) into the structure through an opening that leads outside.

    Raises
    ------
    WandError
        When the opening links two bays: no wand starts there.
    """
    if opening.links[0] == OUTSIDE:
        return unit_vectors(opening.normal)
    if opening.links[1] == OUTSIDE:
        return -unit_vectors(opening.normal)
    message = f'opening "{opening.name}" does not lead outside; a wand enters through one that does.'
    raise WandError(message)


def inner_bay(opening: "Opening") -> int:
    """Return the bay behind an opening that leads outside."""
    return int(opening.links[1] if opening.links[0] == OUTSIDE else opening.links[0])


def crossings(
    bays: "Bays", origins: ArrayLike, directions: ArrayLike, stops: FloatArray
) -> "list[list[Crossing]]":
    """Return, for each ray (m, 3), the openings whose caps it crosses up to `stops` (m,) m, nearest first."""
    from bayreach.insertion._queries import cap_depths

    origins, directions = np.asarray(origins, dtype=np.float64), np.asarray(directions, dtype=np.float64)
    owned = np.flatnonzero(np.asarray(bays.cap_opening) >= 0)
    depths = cap_depths(
        origins, directions, bays.cap_points[bays.cap_faces[owned]].reshape(-1, 3, 3),
        np.asarray(bays.cap_opening)[owned], len(bays.openings),
    )  # fmt: skip
    depths = np.where(depths <= np.asarray(stops)[:, None], depths, np.inf)
    order = np.argsort(depths, axis=1)
    return [
        [Crossing(depth=float(row[k]), opening=bays.openings[k]) for k in ranks if np.isfinite(row[k])]
        for row, ranks in zip(depths, order, strict=True)
    ]


def rods_blocked(space: Space, starts: ArrayLike, ends: ArrayLike, radii: ArrayLike, *,
                 extras: ArrayLike = 0.0, shares: FloatArray | None = None) -> IntArray:  # fmt: skip
    """Return a face of the solid that each round-ended rod cuts into, -1 where it is clear: exact.

    Rod k is all points within `radii[k]` (m) of the segment from `starts[k]` to `ends[k]` (m, 3). Each face
    asks its share (`Space.shares`; the whole by default) of `extras` beyond the radius.
    """
    from bayreach.insertion._queries import blocking_faces

    starts = np.ascontiguousarray(np.atleast_2d(np.asarray(starts, dtype=np.float64)))
    ends = np.ascontiguousarray(np.broadcast_to(np.asarray(ends, dtype=np.float64), starts.shape))
    widths = np.ascontiguousarray(np.broadcast_to(np.asarray(radii, dtype=np.float64), (len(starts),)))
    more = np.ascontiguousarray(np.broadcast_to(np.asarray(extras, dtype=np.float64), (len(starts),)))
    asked = np.ones(space.solid.n_faces) if shares is None else shares
    return blocking_faces(space.tree, starts=starts, ends=ends, radii=widths, extras=more, shares=asked)


@dataclass(frozen=True, kw_only=True)
class Crossing:
    """An opening that a ray passes, and how far along."""

    depth: float
    opening: "Opening"
