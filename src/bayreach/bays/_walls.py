"""Walls of holes in thick sheets: rings of faces from skin to skin, sharp, countersunk or rounded."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from bayreach.arrays import OUTSIDE, BoolArray, FloatArray, IntArray, unit_vectors
from bayreach.bays._flat import Plane, bisecting
from bayreach.bays._loops import loop_center
from bayreach.bays._notches import notches
from bayreach.bays._regions import Regions
from bayreach.measure import area_vectors
from bayreach.mesh import Mesh
from bayreach.rays import Scene
from bayreach.topology import closed_loops, edges_of, groups

_SHARP = np.cos(np.radians(40.0))
"""Cosine of the least turn of a rim."""

_SKIN = -np.cos(np.radians(25.0))
"""A face whose far side turns away by no more than this is skin; what leans more leads through the sheet."""

_SHEETS = (0.5, 0.75, 0.9, 0.97)
"""Shares of the skin's area whose thickness is tried as that of the sheet, from thin to thick."""

_THICKER = 2.5
"""A skin is not thicker than the sheet tried times this."""

_POCKET_SHARE = 0.25
"""A pocket is an air space when its wall is at least this share of what faces the air."""

_ACROSS = 0.95
"""Cosine to a hole's axis from which a face lies across it and is turned neither way."""


_STEPS_TO_SKIN = 6
"""How many faces beyond a rounded rim the flat skin is looked for."""

_FLAT = 1e-9
"""Share by which faces of one plane may differ in direction and, of the diagonal, in height."""

_WIDER = 1.5
"""A ring that reaches farther from its axis than its rims times this is a space. Our choice, no source."""

_INWARD = 0.02
"""Cosine to its own axis from which a face is turned towards it."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Wall:
    """A ring of faces round a hole, its rims, and how they lie.

    Parameters
    ----------
    faces : (k,) int
    rims : tuple of (m,) int
        One or two loops of points.
    thickness : float
        From the middle of one rim to that of the other, in m; 0 for a pocket.
    axis : (3,) float
        From one to the other, unit; zeros for a pocket.
    rounded : bool
        True where no sharp rim shows it.
    is_space : bool
        True where it spreads beyond its rims: a space with a way in at each of them, no hole's wall.
    is_notch : bool
        True where it stands on another skin, which closes the hole along a line between its rims' ends.
    middle : Plane, optional
        The plane half-way between the flat skins round a rounded one, None where they bend.
    """

    faces: IntArray
    rims: tuple[IntArray, ...]
    thickness: float
    axis: FloatArray
    rounded: bool = False
    is_space: bool = False
    is_notch: bool = False
    middle: Plane | None = None


class _Skin:
    """What of a closed surface faces one space of air.

    Attributes
    ----------
    rows : (m,) int
        Its faces.
    normals : (n, 3) float
        Area vectors of all faces, into the air.
    edges : Edges
        Of the rows alone: where two solids touch, the face between them faces no air.
    """

    def __init__(self, mesh: Mesh, regions: Regions, air: int) -> None:
        self.mesh = mesh
        self.air_front: BoolArray = regions.side_region[0::2] == air
        self.rows = np.flatnonzero(self.air_front | (regions.side_region[1::2] == air))
        self.normals = area_vectors(mesh.corners) * np.where(self.air_front, 1.0, -1.0)[:, None]
        self.edges = edges_of(mesh.faces[self.rows])

    def pairs(self) -> tuple[IntArray, IntArray, IntArray]:
        """Return the edges with two faces, and both faces of each as places in `rows`."""
        pair = np.flatnonzero(self.edges.counts == 2)
        order = np.argsort(self.edges.of_faces.ravel(), kind="stable")
        starts = np.concatenate([[0], np.cumsum(self.edges.counts)[:-1]])[pair]
        return pair, order[starts] // 3, order[starts + 1] // 3


def find_walls(
    mesh: Mesh, regions: Regions, *, rounded: bool = True, air: int = OUTSIDE
) -> tuple[list[Wall], IntArray]:
    """Return the walls of holes, ducts and pockets that face one space of air, and their sides in material.

    First those between sharp rims, where rings that share a rim, as a countersink and its hole, are one wall.
    Then, for rounded rims, the rings of faces that are no skin: skin has, straight through the sheet, the
    other skin. The thickness up to which that counts is taken from the mesh itself.
    """
    skin = _Skin(mesh, regions, air)
    if not len(skin.rows):
        return [], np.zeros(0, dtype=np.int64)
    walls = _stacked(mesh, list(_sharp_walls(skin)))
    walls += _round_walls(skin, walls) if rounded else []
    inner = np.concatenate([np.zeros(0, dtype=np.int64), *(wall.faces for wall in walls)])
    return walls, 2 * inner + skin.air_front[inner]


def _sharp_walls(skin: _Skin) -> Iterator[Wall]:
    """Yield the patches between sharp rims that go round a hole, then the cut-outs that stand on a skin."""
    pair, first, second = skin.pairs()
    sharp = _stands_out(skin, pair, first, second)
    rim = np.zeros(len(skin.edges.ends), dtype=bool)
    rim[pair] = sharp
    _, patch = groups(len(skin.rows), np.stack([first[~sharp], second[~sharp]], axis=1))
    air_area = float(np.linalg.norm(skin.normals[skin.rows], axis=1).sum())
    for places in _by_group(patch):
        wall = _wall_of(skin, places, rim)
        if wall is None:
            continue
        is_ring = len(wall.rims) > 1 and not wall.is_space
        if is_ring or _area(skin, places) > _POCKET_SHARE * air_area:
            yield wall
    rows = skin.rows[np.stack([first[sharp], second[sharp]], axis=1)]
    for notch in notches(skin.mesh.points, skin.edges.ends[pair[sharp]], rows, skin.normals):
        yield Wall(
            faces=notch.faces, rims=notch.rims, thickness=notch.thickness, axis=notch.axis, is_notch=True
        )


def _stands_out(skin: _Skin, pair: IntArray, first: IntArray, second: IntArray) -> BoolArray:
    """Return a mask (k,) of the edges at which the material ends sharply; the arrays are `_Skin.pairs`."""
    units = unit_vectors(skin.normals[skin.rows])
    turn = np.einsum("ij,ij->i", units[first], units[second])
    far = skin.mesh.corners[skin.rows[second]].mean(axis=1) - skin.mesh.points[skin.edges.ends[pair, 0]]
    return np.asarray((turn < _SHARP) & (np.einsum("ij,ij->i", far, units[first]) < 0))


def _by_group(label: IntArray) -> list[IntArray]:
    order = np.argsort(label, kind="stable")
    return [
        places for places in np.split(order, np.flatnonzero(np.diff(label[order])) + 1) if len(places) >= 4
    ]


def _area(skin: _Skin, places: IntArray) -> float:
    return float(np.linalg.norm(skin.normals[skin.rows[places]], axis=1).sum())


def _wall_of(skin: _Skin, places: IntArray, rim: BoolArray | None) -> Wall | None:
    """Return faces as a wall where their edge is one or two rims and they are turned to their own middle."""
    names, counts = np.unique(skin.edges.of_faces[places].ravel(), return_counts=True)
    border = names[counts == 1]
    if not len(border) or (rim is not None and not rim[border].all()):
        return None
    loops, rest = closed_loops(skin.edges.ends[border])
    if len(rest) or len(loops) not in {1, 2} or (rim is None and len(loops) == 1):
        return None
    rows = skin.rows[places]
    middle, normals = skin.mesh.corners[rows].mean(axis=1), skin.normals[rows]
    if len(loops) == 1:
        pocket = Wall(faces=rows, rims=tuple(loops), thickness=0.0, axis=np.zeros(3))
        return pocket if _mostly(_inward(normals, middle.mean(axis=0) - middle), normals) else None
    return _ring_between(skin, rows, loops)


def _ring_between(skin: _Skin, rows: IntArray, loops: list[IntArray]) -> Wall | None:
    """Return faces as the wall between two rims where they are turned to the axis through both."""
    middle, normals = skin.mesh.corners[rows].mean(axis=1), skin.normals[rows]
    centers = [loop_center(skin.mesh.points[loop]) for loop in loops]
    thickness = float(np.linalg.norm(centers[1] - centers[0]))
    if thickness <= 1e-9 * skin.mesh.diagonal:
        return None
    axis = (centers[1] - centers[0]) / thickness
    arm = centers[0] - middle
    arm -= (arm @ axis)[:, None] * axis
    turned = np.abs(unit_vectors(normals) @ axis) < _ACROSS
    if not turned.any() or not _mostly(_inward(normals[turned], arm[turned]), normals[turned]):
        return None
    points = skin.mesh.points
    reach = _reach(points[np.concatenate(loops)], centers[0], axis)
    spread = _reach(skin.mesh.corners[rows].reshape(-1, 3), centers[0], axis)
    return Wall(
        faces=rows,
        rims=tuple(loops),
        thickness=thickness,
        axis=axis,
        is_space=bool(spread > _WIDER * reach),
    )


def _reach(points: FloatArray, center: FloatArray, axis: FloatArray) -> float:
    """Return how far the farthest of points (k, 3) lies from an axis, in m."""
    return float(np.linalg.norm(np.cross(points - center, axis), axis=1).max())


def _inward(normals: FloatArray, arms: FloatArray) -> FloatArray:
    """Return how far faces are turned along their arms to the middle, more than nought where they are.

    A flat patch has its middle in its own plane: but for rounding it is turned neither way and counts not.
    """
    least = _INWARD * np.linalg.norm(normals, axis=1) * np.linalg.norm(arms, axis=1)
    return np.asarray(np.einsum("ij,ij->i", normals, arms) - least)


def _mostly(inward: FloatArray, normals: FloatArray) -> bool:
    weight = np.linalg.norm(normals, axis=1)
    return bool(weight[inward > 0].sum() > 0.95 * weight.sum())


def _stacked(mesh: Mesh, walls: list[Wall]) -> list[Wall]:
    """Return the walls with rings that share a rim made one: a countersink, a chamfer, a stepped hole."""
    owner: dict[tuple[int, ...], int] = {}
    pairs = []
    rings = [wall for wall in walls if len(wall.rims) > 1 and not (wall.is_space or wall.is_notch)]
    for number, wall in enumerate(rings):
        for loop in wall.rims:
            other = owner.setdefault(tuple(sorted(loop.tolist())), number)
            pairs.append([other, number])
    # A space whose rim is a hole's lies behind that hole, which is capped within its wall.
    spaces = [_at_rims_not_in(wall, owner) for wall in walls if len(wall.rims) == 1 or wall.is_space]
    spaces = [*(wall for wall in spaces if wall.rims), *(wall for wall in walls if wall.is_notch)]
    if not pairs:
        return spaces
    _, label = groups(len(rings), np.array(pairs, dtype=np.int64))
    # Holes are few beside faces.
    stacks = [[rings[k] for k in np.flatnonzero(label == number)] for number in np.unique(label)]
    return [*(_joined(mesh, stack) for stack in stacks), *spaces]


def _at_rims_not_in(space: Wall, owner: dict[tuple[int, ...], int]) -> Wall:
    """Return a space with those of its rims that belong to no hole."""
    return replace(
        space, rims=tuple(loop for loop in space.rims if tuple(sorted(loop.tolist())) not in owner)
    )


def _joined(mesh: Mesh, stack: list[Wall]) -> Wall:
    """Return one wall of a stack of rings, between the two rims that only one of them has."""
    loops = {tuple(sorted(loop.tolist())): loop for wall in stack for loop in wall.rims}
    names = [tuple(sorted(loop.tolist())) for wall in stack for loop in wall.rims]
    outer = [loops[name] for name in loops if names.count(name) == 1]
    if len(stack) == 1 or len(outer) != 2:
        return stack[0]
    arm = loop_center(mesh.points[outer[1]]) - loop_center(mesh.points[outer[0]])
    thickness = float(np.linalg.norm(arm))
    return replace(
        stack[0],
        faces=np.concatenate([wall.faces for wall in stack]),
        rims=tuple(outer),
        thickness=thickness,
        axis=arm / thickness if thickness > 0 else stack[0].axis,
    )


def _round_walls(skin: _Skin, known: list[Wall]) -> list[Wall]:
    """Return the rings of faces that are no skin and belong to no wall already known."""
    taken = np.zeros(skin.mesh.n_faces, dtype=bool)
    for wall in known:
        taken[wall.faces] = True
    through = _thickness(skin)
    walls: list[Wall] = []
    for most in _sheet_thicknesses(skin, through):
        open_to = ~taken[skin.rows] & ~(through <= most)
        _, first, second = skin.pairs()
        both = open_to[first] & open_to[second]
        _, label = groups(len(skin.rows), np.stack([first[both], second[both]], axis=1))
        for places in _by_group(np.where(open_to, label, -1)):
            if not open_to[places[0]]:
                continue
            ring = _wall_of(skin, places, None)
            if ring is not None and not ring.is_space:
                thick = _thickness_beside(skin, ring, through)
                middle = _middle_beside(skin, ring, through)
                walls.append(replace(ring, rounded=True, thickness=thick, middle=middle))
                taken[ring.faces] = True
    return walls


def _thickness_beside(skin: _Skin, ring: Wall, through: FloatArray) -> float:
    """Return the thickness of the sheet round a ring, in m: of most of the skin two faces from its rims."""
    faces = skin.mesh.faces[skin.rows]
    near = np.isin(faces, np.concatenate(ring.rims)).any(axis=1)
    near = np.isin(faces, faces[near]).any(axis=1) & np.isfinite(through)
    if not near.any():
        return ring.thickness
    order = np.flatnonzero(near)[np.argsort(through[near], kind="stable")]
    weight = np.linalg.norm(skin.normals[skin.rows[order]], axis=1).cumsum()
    return float(through[order[np.searchsorted(weight, 0.5 * weight[-1])]])


def _middle_beside(skin: _Skin, ring: Wall, through: FloatArray) -> Plane | None:
    """Return the plane half-way between the flat skins round a ring, None where one of them bends.

    A rounded rim has no edge where the skin ends, so that its own place hangs on how the mesh is divided.
    """
    first, second = (_flat_beside(skin, ring, rim, through) for rim in ring.rims)
    return None if first is None or second is None else bisecting(first, second)


def _flat_beside(
    skin: _Skin, ring: Wall, rim: IntArray, through: FloatArray
) -> tuple[FloatArray, FloatArray] | None:
    """Return a point (3,) and the unit normal of the plane that most of the skin round a rim lies in."""
    faces = skin.mesh.faces[skin.rows]
    is_skin = np.isfinite(through) & ~np.isin(skin.rows, ring.faces)
    near = np.isin(faces, rim).any(axis=1)
    for _ in range(_STEPS_TO_SKIN):
        near = np.isin(faces, faces[near]).any(axis=1)
        rows = skin.rows[near & is_skin]
        if not len(rows):
            continue
        vectors, middles = skin.normals[rows], skin.mesh.corners[rows].mean(axis=1)
        weight = np.linalg.norm(vectors, axis=1)
        largest = int(weight.argmax())
        normal = vectors[largest] / weight[largest]
        flat = vectors @ normal > (1 - _FLAT) * weight
        flat &= np.abs((middles - middles[largest]) @ normal) <= _FLAT * skin.mesh.diagonal
        if weight[flat].sum() > 0.5 * weight.sum():
            total = vectors[flat].sum(axis=0)
            return np.average(middles[flat], axis=0, weights=weight[flat]), total / np.linalg.norm(total)
    return None


def _thickness(skin: _Skin) -> FloatArray:
    """Return how thick the sheet is under each face of the skin, in m; infinite where no skin is across."""
    mesh, rows = skin.mesh, skin.rows
    units = unit_vectors(skin.normals)
    hit, away = Scene(mesh).first_hit(mesh.corners[rows].mean(axis=1), -units[rows])
    across = np.einsum("ij,ij->i", units[rows], units[np.maximum(hit, 0)])
    # Where two solids touch, the face between them has no air and so no way to be turned.
    between = ~np.isin(hit, rows)
    opposite = np.where(between, -np.abs(across), across) < _SKIN
    return np.asarray(np.where((hit >= 0) & opposite, away, np.inf))


def _sheet_thicknesses(skin: _Skin, through: FloatArray) -> list[float]:
    """Return the thicknesses up to which a face may be skin, in m, least first."""
    real = np.isfinite(through)
    if not real.any():
        return []
    order = np.argsort(through[real], kind="stable")
    weight = np.linalg.norm(skin.normals[skin.rows][real], axis=1)[order].cumsum()
    at = np.searchsorted(weight, np.array(_SHEETS) * weight[-1])
    values = through[real][order][np.minimum(at, len(order) - 1)]
    return sorted({round(_THICKER * float(value), 12) for value in values})
