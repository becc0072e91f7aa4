"""Thick sheets: two skins and real hole walls, no free edge; holes found by the sharp rims of their walls."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from bayreach.arrays import BoolArray, FloatArray, IntArray, unit_vectors
from bayreach.bays._bent import bent_cap
from bayreach.bays._flat import Cap, Plane, plane_through, with_apexes
from bayreach.bays._halfway import heights_half_way
from bayreach.bays._loops import loop_center, loop_plane, loop_vector
from bayreach.bays._regions import Regions, regions_of
from bayreach.bays._walls import Wall, find_walls
from bayreach.measure import area_vectors
from bayreach.mesh import Mesh
from bayreach.repair import split_at
from bayreach.topology import closed_loops, edges_of

_DUCT = 4.0
"""A wall longer than its opening's width times this is a duct: closed at both ends, not in the middle."""

_STRAIGHT = 0.996
"""Cosine between a hole's axis and its cap's normal from which the wall's shadow is its clear section."""

_LEANS = 1e-6
"""Rise of a wall's face to the hole's axis above which it narrows the hole."""

_MIDDLE = 1e-7
"""A point that lies half-way through a wall to within this share of its thickness is on the cut."""

_SHEET_SHARE = 0.01
"""A closed surface of mean thickness below this share of the root of half its area is a sheet of material."""


_PLATE_SHARE = 0.06
"""The same for a surface with a tunnel through it, which thin sheets have where a hole goes through."""


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
        Sides that look into material.
    is_doubtful : bool
        True where rounded rims alone, or a single ring of wall, tell material from air, and it is too stout
        for a sheet.
    """

    mesh: Mesh
    source: IntArray
    caps: tuple[Cap, ...]
    material_sides: IntArray
    is_doubtful: bool = False


def close_thick(mesh: Mesh, *, rounded: bool = True) -> Closed:
    """Return the caps of a mesh without free edges, taken as the surface of thick sheets.

    A hole's wall is a ring of faces between two rims, turned towards its own axis. It is capped half-way
    through. A wall longer than wide is a duct and is capped at both rims; a pocket with one rim is capped
    there. Without `rounded` only rims that stand out sharply from the material count.
    """
    regions = regions_of(mesh.points, mesh.faces)
    walls, sides = find_walls(mesh, regions, rounded=rounded)
    seen = material_of(regions, sides) if walls else _shell_material(mesh, regions)
    for air in _sealed_air(regions, seen):
        walls += find_walls(mesh, regions, rounded=rounded, air=air)[0]
    state = Closed(
        mesh=mesh, source=np.arange(mesh.n_faces), caps=(), material_sides=np.zeros(0, dtype=np.int64)
    )
    cut = [wall for wall in walls if not _is_capped_at_rims(mesh, wall)]
    rings = [wall for wall in cut if not wall.is_notch]
    state = _with_cuts(state, rings, [wall.faces for wall in rings])
    # Cut-outs are few, and two of them may share a face of the skin that they stand on.
    for wall in (wall for wall in cut if wall.is_notch):
        mine = np.isin(state.source, wall.faces) | _reaches(state.mesh, wall)
        state = _with_cuts(state, [wall], [np.flatnonzero(mine)])
    for wall in (wall for wall in walls if _is_capped_at_rims(mesh, wall)):
        caps = [bent_cap(state.mesh.points, loop) for loop in wall.rims]
        whole, placed = with_apexes(state.mesh, [cap for cap in caps if cap is not None])
        state = replace(state, mesh=whole, caps=(*state.caps, *placed))
    return replace(
        state,
        material_sides=_sides_after(state, seen),
        is_doubtful=bool(walls)
        and (len(walls) == 1 or all(wall.rounded for wall in walls))
        and not _is_sheet(mesh, regions, seen),
    )


def _sealed_air(regions: Regions, material: IntArray) -> list[int]:
    """Return the spaces that are neither material nor joined to the outside, where there is any material."""
    known = np.unique(regions.side_region[material])
    return [air for air in range(len(regions.volumes)) if len(known) and air not in known]


def _is_sheet(mesh: Mesh, regions: Regions, sides: IntArray) -> bool:
    """Return whether what some sides look into is thin beside its spread, as sheet is."""
    area = float(np.repeat(np.linalg.norm(area_vectors(mesh.corners), axis=1), 2)[sides].sum())
    volume = float(regions.volumes[np.unique(regions.side_region[sides])].sum())
    return bool(2 * volume < _PLATE_SHARE * area * np.sqrt(area / 2))


def material_of(regions: Regions, sides: IntArray) -> IntArray:
    """Return all sides in material, from some of them: of their regions, and of others wound alike.

    Where every face turns its front to the outside, another space that sees backs is a solid by itself, as
    a bolt or a fitting that stands in the air or touches the rest.
    """
    region = regions.side_region
    known = np.unique(region[sides])
    known = known[known >= 0]
    if not len(known):
        return np.zeros(0, dtype=np.int64)
    material = np.zeros(len(regions.volumes), dtype=bool)
    material[known] = True
    alike = _by_winding(regions)
    if alike is not None and alike[known].all():
        material |= alike
    return np.flatnonzero((region >= 0) & material[np.maximum(region, 0)])


def _by_winding(regions: Regions) -> BoolArray | None:
    """Return a mask (r,) of regions that see a face from within its solid; None where winding tells nothing.

    Solids are wound alike: the outside sees fronts alone (or backs alone). Air that they enclose sees the
    same, their material sees the other. Where two touch and one face is left, one of them sees its front.
    """
    region = regions.side_region
    outside = np.flatnonzero(region < 0) % 2
    if not len(outside) or outside.min() != outside.max():
        return None
    inside = np.flatnonzero(region >= 0)
    from_within = inside % 2 != outside[0]
    count = np.bincount(region[inside], weights=from_within, minlength=len(regions.volumes))
    return np.asarray(count > 0)


def _sides_after(state: Closed, sides: IntArray) -> IntArray:
    """Return the sides of the split mesh that are pieces of sides of the mesh before."""
    new = 2 * np.arange(state.mesh.n_faces)
    return np.concatenate([(new + k)[np.isin(2 * state.source + k, sides)] for k in (0, 1)])


def _is_capped_at_rims(mesh: Mesh, wall: Wall) -> bool:
    """Return whether a wall is that of a duct or a pocket, which is capped where it begins and ends."""
    areas = [float(np.linalg.norm(loop_vector(mesh.points[loop]))) for loop in wall.rims]
    width = 2 * np.sqrt(min(areas) / np.pi)
    return len(wall.rims) == 1 or wall.is_space or wall.thickness > _DUCT * width


def _with_cuts(state: Closed, walls: list[Wall], rows: list[IntArray]) -> Closed:
    """Return the state with a cap half-way through each wall; `rows` are the faces to cut for each."""
    if not walls:
        return state
    mesh, piece, loops = _cut_half_way(state.mesh, walls, rows)
    found = [
        (wall, cap)
        for wall, loop in zip(walls, loops, strict=True)
        if len(loop) and (cap := bent_cap(mesh.points, loop)) is not None
    ]
    mesh, caps = with_apexes(mesh, [cap for _, cap in found])
    corners = mesh.corners
    boxes = np.stack([corners.min(axis=1), corners.max(axis=1)], axis=1)
    clear = [
        replace(cap, thickness=wall.thickness, shape=_clear_shape(cap, mesh, wall, boxes))
        for cap, (wall, _) in zip(caps, found, strict=True)
    ]
    return replace(state, mesh=mesh, source=state.source[piece], caps=(*state.caps, *clear))


def _clear_shape(cap: Cap, mesh: Mesh, wall: Wall, boxes: FloatArray) -> Any:
    """Return what of a cap is free all the way along the hole's axis: the least of its cross-sections.

    A countersink is wider at one skin, and a bar may cross the hole above or below the cap; what a rod may
    pass is what no face between the skins stands in. `boxes` (n, 2, 3) are those of the faces.
    """
    import shapely

    plane = loop_plane(mesh.points[cap.rim])
    if plane is None or abs(float(plane.axes[2] @ wall.axis)) < _STRAIGHT:
        return cap.shape
    leaning = mesh.points[mesh.faces[_between_skins(mesh, wall, plane, boxes)]]
    if not len(leaning):
        return cap.shape
    shadows = shapely.union_all(shapely.polygons(plane.flat(leaning.reshape(-1, 3)).reshape(-1, 3, 2)))
    rest = cap.shape.difference(shadows.buffer(1e-6 * np.sqrt(cap.shape.area)))
    parts = [part for part in shapely.get_parts(rest) if part.geom_type == "Polygon"]
    return max(parts, key=lambda part: float(part.area)) if parts else cap.shape


def _between_skins(mesh: Mesh, wall: Wall, plane: Plane, boxes: FloatArray) -> IntArray:
    """Return the faces near a hole that lie between its skins and are not upright along its axis."""
    rims = mesh.points[np.concatenate(wall.rims)]
    reach = 0.02 * float(np.linalg.norm(np.ptp(rims, axis=0)))
    low, high = rims.min(axis=0) - reach, rims.max(axis=0) + reach
    rows = np.flatnonzero(((boxes[:, 0] <= high) & (boxes[:, 1] >= low)).all(axis=1))
    corners = mesh.points[mesh.faces[rows]]
    heights = plane.heights(corners.reshape(-1, 3)).reshape(-1, 3)
    rims_at = plane.heights(rims)
    within = (heights >= rims_at.min() - _LEANS * reach) & (heights <= rims_at.max() + _LEANS * reach)
    leans = np.abs(unit_vectors(area_vectors(corners)) @ plane.axes[2]) > _LEANS
    return np.asarray(rows[within.all(axis=1) & leans])


def _cut_half_way(
    mesh: Mesh, walls: list[Wall], rows: list[IntArray]
) -> tuple[Mesh, IntArray, list[IntArray]]:
    """Return the mesh with `rows` of its faces cut half-way through their wall, and where: all in one go.

    Gives the mesh, each face's old face, and the new loop (k,) of each wall, which may be empty.
    """
    edges = edges_of(mesh.faces)
    points_on = np.full(len(edges.ends), -1, dtype=np.int64)
    owner = np.full(len(mesh.points), -1, dtype=np.int64)
    height = np.full(len(mesh.points), np.nan)
    new: list[FloatArray] = []
    count = len(mesh.points)
    for number, (wall, mine) in enumerate(zip(walls, rows, strict=True)):
        own, names = np.unique(edges.of_faces[mine]), np.unique(mesh.faces[mine])
        away = heights_half_way(mesh.points, names, wall)
        # A point at the middle but for rounding is on the cut, or a sliver would be left beside it.
        height[names] = np.where(np.abs(away) < _MIDDLE * wall.thickness, 0.0, away)
        owner[names[height[names] == 0.0]] = number
        ends = edges.ends[own]
        low, high = height[ends[:, 0]], height[ends[:, 1]]
        passes = low * high < 0
        part = (low / np.where(passes, low - high, 1.0))[passes, None]
        new.append(mesh.points[ends[passes, 0]] * (1 - part) + mesh.points[ends[passes, 1]] * part)
        points_on[own[passes]] = count + np.arange(len(new[-1]))
        count += len(new[-1])
    owner = np.concatenate([owner, np.repeat(np.arange(len(walls)), [len(places) for places in new])])
    faces, piece = split_at(mesh.faces, edges, points_on)
    points = np.concatenate([mesh.points, *new])
    pairs = edges_of(faces).ends
    pairs = pairs[(owner[pairs[:, 0]] == owner[pairs[:, 1]]) & (owner[pairs[:, 0]] >= 0)]
    label = owner[pairs[:, 0]]
    loops = [
        _own_loop(points, closed_loops(pairs[label == number])[0], wall) for number, wall in enumerate(walls)
    ]
    whole = Mesh(points=points, faces=faces, face_parts=mesh.face_parts[piece], part_names=mesh.part_names)
    return whole, piece, loops


def _reaches(mesh: Mesh, wall: Wall) -> BoolArray:
    """Return a mask (n,) of the faces whose box meets that of a wall's rims: the foot of a notch is one."""
    frame = plane_through(mesh.points[wall.rims[0]].mean(axis=0), wall.axis)
    rims = mesh.points[np.concatenate(wall.rims)] @ frame.axes.T
    corners = mesh.corners @ frame.axes.T
    low, high = rims.min(axis=0), rims.max(axis=0)
    # Where two skins meet at its foot, the corner between them is no point of a rim.
    reach = 0.5 * float(np.linalg.norm((high - low)[:2])) * np.array([1.0, 1.0, 0.0]) + 1e-6 * mesh.diagonal
    low, high = low - reach, high + reach
    return np.asarray(((corners.min(axis=1) <= high) & (corners.max(axis=1) >= low)).all(axis=1))


def _own_loop(points: FloatArray, loops: list[IntArray], wall: Wall) -> IntArray:
    """Return the loop (k,) half-way through a wall: a ring's longest, the one nearest to a notch's rims."""
    if not loops:
        return np.zeros(0, dtype=np.int64)
    if not wall.is_notch:
        return max(loops, key=len)
    middle = 0.5 * sum(loop_center(points[rim]) for rim in wall.rims)
    return min(loops, key=lambda loop: float(np.linalg.norm(loop_center(points[loop]) - middle)))


def _shell_material(mesh: Mesh, regions: Regions) -> IntArray:
    """Return sides in material where a closed mesh shows no hole: double shells turned alike, thin sheets."""
    inside = regions.side_region >= 0
    if not inside.any():
        return np.zeros(0, dtype=np.int64)
    area = np.repeat(np.linalg.norm(area_vectors(mesh.corners), axis=1), 2)
    n = len(regions.volumes)
    walls = np.bincount(regions.side_region[inside], weights=area[inside], minlength=n)
    thin = 2 * regions.volumes / np.maximum(walls, 1e-300) < _SHEET_SHARE * np.sqrt(walls / 2)
    # A cavity in a solid proves which is which: air and material are seen from different hands.
    wound = _by_winding(regions)
    material = thin if wound is None or wound.all() else thin | wound
    return np.flatnonzero(inside & material[np.maximum(regions.side_region, 0)])
