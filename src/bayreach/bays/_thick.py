"""Thick sheets: two skins and real hole walls, no free edge; holes found by the sharp rims of their walls."""

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from bayreach.arrays import OUTSIDE, BoolArray, FloatArray, IntArray, unit_vectors
from bayreach.bays._bent import bent_cap
from bayreach.bays._flat import Cap
from bayreach.bays._regions import Regions, regions_of
from bayreach.measure import area_vectors
from bayreach.mesh import Mesh
from bayreach.repair import split_at
from bayreach.topology import Edges, closed_loops, edges_of, groups

_SHARP = np.cos(np.radians(40.0))
"""Cosine of the least turn of a rim."""

_DUCT = 4.0
"""A wall longer than its opening's width times this is a duct: closed at both ends, not in the middle."""

_SHEET_SHARE = 0.01
"""A closed surface of mean thickness below this share of the root of half its area is a sheet of material."""

_POCKET_SHARE = 0.25
"""A pocket is an air space when its wall is at least this share of what faces the air."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Closed:
    """A closed surface made ready: its holes capped and its material known.

    Parameters
    ----------
    mesh : Mesh
        Split where a cap stands in the middle of a wall.
    source : (n,) int
        Old face of each.
    caps : tuple of Cap
    material_sides : (k,) int
        Some sides that look into material.
    """

    mesh: Mesh
    source: IntArray
    caps: tuple[Cap, ...]
    material_sides: IntArray


@dataclass(frozen=True, kw_only=True, eq=False)
class _Wall:
    """A ring of faces round a hole, its rims, and how they lie."""

    faces: IntArray
    rims: tuple[IntArray, ...]
    thickness: float


def close_thick(mesh: Mesh) -> Closed:
    """Return the caps of a mesh without free edges, taken as the surface of thick sheets.

    A hole's wall is a ring of faces between two rims that stand out sharply from the material, turned
    towards its own axis.
    It is capped half-way through. A wall longer than wide is a duct and is capped at both rims; a pocket
    with one rim is capped there.
    """
    regions = regions_of(mesh.points, mesh.faces)
    air_front = regions.side_region[0::2] == OUTSIDE
    faces_air = air_front | (regions.side_region[1::2] == OUTSIDE)
    normals = area_vectors(mesh.corners) * np.where(air_front, 1.0, -1.0)[:, None]
    edges = edges_of(mesh.faces)
    walls = _walls(mesh, normals, faces_air, edges)
    state = Closed(
        mesh=mesh, source=np.arange(mesh.n_faces), caps=(), material_sides=np.zeros(0, dtype=np.int64)
    )
    # Holes are few: each wall is split and capped by itself.
    for wall in walls:
        state = _with_cap(state, wall)
    inner = np.concatenate([np.zeros(0, dtype=np.int64), *(wall.faces for wall in walls)])
    side = 2 * inner + air_front[inner]
    found = _sides_after(state, side) if len(walls) else _shell_material(mesh, regions)
    return replace(state, material_sides=found)


def _sides_after(state: Closed, sides: IntArray) -> IntArray:
    """Return the sides of the split mesh that are pieces of sides of the mesh before."""
    new = 2 * np.arange(state.mesh.n_faces)
    return np.concatenate([(new + k)[np.isin(2 * state.source + k, sides)] for k in (0, 1)])


def _walls(mesh: Mesh, normals: FloatArray, faces_air: BoolArray, edges: Edges) -> list[_Wall]:
    """Return the hole walls, ducts and pockets among the patches between sharp rims."""
    units = unit_vectors(normals)
    first, second = _two_faces(mesh, edges)
    pair = edges.counts == 2
    rim = np.zeros(len(edges.ends), dtype=bool)
    turn = np.einsum("ij,ij->i", units[first], units[second])
    far = mesh.corners[second].mean(axis=1) - mesh.points[edges.ends[pair, 0]]
    rim[pair] = (turn < _SHARP) & (np.einsum("ij,ij->i", far, units[first]) < 0)
    smooth = ~rim[pair]
    _, patch = groups(mesh.n_faces, np.stack([first[smooth], second[smooth]], axis=1))
    air_area = float(np.linalg.norm(normals[faces_air], axis=1).sum())
    walls = []
    # A patch per smooth run of faces: few beside faces.
    order = np.argsort(patch, kind="stable")
    for rows in np.split(order, np.flatnonzero(np.diff(patch[order])) + 1):
        if len(rows) >= 4 and faces_air[rows].all():
            wall = _wall_of(mesh, rows, rim, edges, normals)
            if wall is not None and (len(wall.rims) > 1 or _area(normals, rows) > _POCKET_SHARE * air_area):
                walls.append(wall)
    return walls


def _area(normals: FloatArray, rows: IntArray) -> float:
    return float(np.linalg.norm(normals[rows], axis=1).sum())


def _two_faces(mesh: Mesh, edges: Edges) -> tuple[IntArray, IntArray]:
    """Return the two faces of each edge that has two, in the order of such edges."""
    order = np.argsort(edges.of_faces.ravel(), kind="stable")
    starts = np.concatenate([[0], np.cumsum(edges.counts)[:-1]])[edges.counts == 2]
    del mesh
    return order[starts] // 3, order[starts + 1] // 3


def _wall_of(mesh: Mesh, rows: IntArray, rim: BoolArray, edges: Edges, normals: FloatArray) -> _Wall | None:
    """Return a patch as a wall where its edge is one or two rims and it is turned towards its own middle."""
    mine = edges.of_faces[rows].ravel()
    names, counts = np.unique(mine, return_counts=True)
    border = names[(counts == 1) & rim[names]]
    if not len(border) or len(border) != int((counts == 1).sum()):
        return None
    loops, rest = closed_loops(edges.ends[border])
    if len(rest) or len(loops) not in {1, 2}:
        return None
    centers = [_loop_center(mesh.points[loop]) for loop in loops]
    middle = mesh.corners[rows].mean(axis=1)
    if len(loops) == 1:
        inward = np.einsum("ij,ij->i", normals[rows], middle.mean(axis=0) - middle)
        return _Wall(faces=rows, rims=tuple(loops), thickness=0.0) if _mostly(inward, normals[rows]) else None
    axis = centers[1] - centers[0]
    thickness = float(np.linalg.norm(axis))
    if thickness == 0.0:
        return None
    axis /= thickness
    arm = centers[0] - middle
    arm -= (arm @ axis)[:, None] * axis
    inward = np.einsum("ij,ij->i", normals[rows], arm)
    return (
        _Wall(faces=rows, rims=tuple(loops), thickness=thickness) if _mostly(inward, normals[rows]) else None
    )


def _mostly(inward: FloatArray, normals: FloatArray) -> bool:
    weight = np.linalg.norm(normals, axis=1)
    return bool(weight[inward > 0].sum() > 0.95 * weight.sum())


def _loop_center(points: FloatArray) -> FloatArray:
    """Return the middle of a loop, each edge weighed by its length."""
    ahead = np.roll(points, -1, axis=0)
    length = np.linalg.norm(ahead - points, axis=1, keepdims=True)
    return np.asarray((0.5 * (points + ahead) * length).sum(axis=0) / length.sum())


def _with_cap(state: Closed, wall: _Wall) -> Closed:
    """Return the state with a cap half-way through a wall, or on each rim of a duct or pocket."""
    widths = [2 * np.sqrt(_ring_area(state.mesh.points[loop]) / np.pi) for loop in wall.rims]
    if len(wall.rims) == 1 or wall.thickness > _DUCT * min(widths):
        caps = [bent_cap(state.mesh.points, loop) for loop in wall.rims]
        return replace(state, caps=(*state.caps, *(cap for cap in caps if cap is not None)))
    mesh, piece, loop = _split_half_way(state.mesh, wall, state.source)
    cap = bent_cap(mesh.points, loop) if len(loop) else None
    if cap is None:
        return state
    return replace(
        state,
        mesh=mesh,
        source=state.source[piece],
        caps=(*state.caps, replace(cap, thickness=wall.thickness)),
    )


def _ring_area(points: FloatArray) -> float:
    ahead = np.roll(points, -1, axis=0)
    return float(0.5 * np.linalg.norm(np.cross(points, ahead).sum(axis=0)))


def _split_half_way(mesh: Mesh, wall: _Wall, source: IntArray) -> tuple[Mesh, IntArray, IntArray]:
    """Return the mesh with a wall split half-way between its rims, each face's old face, and the new loop."""
    rows = np.flatnonzero(np.isin(source, wall.faces))
    edges = edges_of(mesh.faces)
    own = np.unique(edges.of_faces[rows])
    names = np.unique(mesh.faces[rows])
    away = [cKDTree(mesh.points[loop]).query(mesh.points[names])[0] for loop in wall.rims]
    share = np.full(len(mesh.points), np.nan)
    share[names] = away[0] / np.maximum(away[0] + away[1], 1e-300)
    ends = edges.ends[own]
    low, high = share[ends[:, 0]] - 0.5, share[ends[:, 1]] - 0.5
    passes = low * high < 0
    points_on = np.full(len(edges.ends), -1, dtype=np.int64)
    points_on[own[passes]] = len(mesh.points) + np.arange(int(passes.sum()))
    part = (low / np.where(passes, low - high, 1.0))[passes, None]
    new = mesh.points[ends[passes, 0]] * (1 - part) + mesh.points[ends[passes, 1]] * part
    faces, piece = split_at(mesh.faces, edges, points_on)
    points = np.concatenate([mesh.points, new])
    on = np.zeros(len(points), dtype=bool)
    on[len(mesh.points) :] = True
    on[names[share[names] == 0.5]] = True
    split = edges_of(faces)
    loops, _ = closed_loops(split.ends[on[split.ends].all(axis=1)])
    loop = max(loops, key=len) if loops else np.zeros(0, dtype=np.int64)
    whole = Mesh(points=points, faces=faces, face_parts=mesh.face_parts[piece], part_names=mesh.part_names)
    return whole, piece, loop


def _shell_material(mesh: Mesh, regions: Regions) -> IntArray:
    """Return sides in material where a closed mesh shows no hole: double shells turned alike, thin sheets."""
    inside = regions.side_region >= 0
    if not inside.any():
        return np.zeros(0, dtype=np.int64)
    area = np.repeat(np.linalg.norm(area_vectors(mesh.corners), axis=1), 2)
    n = len(regions.volumes)
    walls = np.bincount(regions.side_region[inside], weights=area[inside], minlength=n)
    thin = 2 * regions.volumes / np.maximum(walls, 1e-300) < _SHEET_SHARE * np.sqrt(walls / 2)
    backs = np.bincount(regions.side_region[inside], weights=np.arange(len(area))[inside] % 2, minlength=n)
    sides = np.bincount(regions.side_region[inside], minlength=n)
    only_backs = backs == sides
    # Of a solid, material sees backs only and air sees fronts only: a cavity inside proves which is which.
    proven = only_backs.any() & (backs == 0).any() & bool((only_backs | (backs == 0)).all())
    material = thin | (only_backs & proven)
    return np.flatnonzero(inside & material[np.maximum(regions.side_region, 0)])
