"""Openings of air on a grid: rims that the mesh gives, and gaps that the grid alone shows, with an error."""

from dataclasses import dataclass, field, replace

import numpy as np

from bayreach.arrays import OUTSIDE, BoolArray, FloatArray, IntArray, unit_vectors
from bayreach.bays._flat import Cap, plane_through
from bayreach.bays._grid import Grid
from bayreach.bays._loops import loop_center, loop_vector
from bayreach.bays._openings import links_of, opening_of
from bayreach.bays._records import Opening
from bayreach.bays._useful import OPEN_SHARE, cap_arrays
from bayreach.measure import area_vectors, nearest_distances
from bayreach.mesh import Mesh, mesh_of
from bayreach.rays import Scene
from bayreach.repair import Finding
from bayreach.topology import groups

_BOTH_HANDS = 0.2
"""A cap has a second air where at least this share of its sides looks on it."""

_PLACE_ERROR = 0.5
"""Share of a step by which a grid may misplace a rim."""

_SEARCHED_TO = 0.05
"""Share of a step to which the widest place of a gap is searched."""

_ROD_ERROR = 0.1
"""Share of a step by which the rod found may be off: the search, and planes between those looked at."""

_RAYS_ROUND = 64


@dataclass(frozen=True, kw_only=True, eq=False)
class Rims:
    """What is shut while a grid is filled: caps on rims that the mesh gives, and planes that count as wall.

    Parameters
    ----------
    points : (p, 3) float
        Points of the caps, in m.
    caps : tuple of Cap
        Those that are no wall are openings where the air differs on their two hands.
    walls : (k, 3, 3) float
        Triangles of wall, in m.
    findings : tuple of Finding
        What was asked for and is not there.
    """

    points: FloatArray = field(default_factory=lambda: np.zeros((0, 3)))
    caps: tuple[Cap, ...] = ()
    walls: FloatArray = field(default_factory=lambda: np.zeros((0, 3, 3)))
    findings: tuple[Finding, ...] = ()

    def shut(self, mesh: Mesh) -> Mesh:
        """Return the mesh with the faces of all caps, then those of the walls, behind its own."""
        faces, _ = cap_arrays(self.caps)
        if not len(faces) and not len(self.walls):
            return mesh
        n, m = len(mesh.points), len(self.points)
        return mesh_of(
            np.concatenate([mesh.points, self.points, self.walls.reshape(-1, 3)]),
            np.concatenate([mesh.faces, faces + n, np.arange(3 * len(self.walls)).reshape(-1, 3) + n + m]),
        )

    def airs(self, look: IntArray) -> IntArray:
        """Return the airs (c, 2) on the two hands of each cap, lesser first, from those its sides look on.

        `look` is (2f,) for the faces of all caps. A cap with one air has it twice.
        """
        faces, owner = cap_arrays(self.caps)
        areas = np.repeat(np.linalg.norm(area_vectors(self.points[faces]), axis=1), 2)
        owner, out = np.repeat(owner, 2), np.zeros((len(self.caps), 2), dtype=np.int64)
        # Openings are few beside faces.
        for number in range(len(self.caps)):
            mine = owner == number
            seen, place = np.unique(look[mine], return_inverse=True)
            weight = np.bincount(place, areas[mine])
            first, *rest = np.argsort(-weight, kind="stable").tolist()
            second = rest[0] if rest and weight[rest[0]] > _BOTH_HANDS * weight.sum() else first
            out[number] = np.sort(seen[[first, second]])
        return out

    def without(self, dropped: BoolArray) -> "Rims":
        """Return the rims less the caps of a mask (c,)."""
        kept = tuple(cap for cap, out in zip(self.caps, dropped, strict=True) if not out)
        return replace(self, caps=kept)

    def on_panels(self, airs: IntArray, wall: FloatArray) -> BoolArray:
        """Return a mask (c,) of caps to the outside on spaces that are more open than closed.

        `wall` (r,) is the area of the sides that look on each space, in m².
        """
        if not self.caps:
            return np.zeros(0, dtype=bool)
        faces, owner = cap_arrays(self.caps)
        areas = np.bincount(owner, np.linalg.norm(area_vectors(self.points[faces]), axis=1), len(self.caps))
        out = (airs[:, 0] == OUTSIDE) & (airs[:, 1] >= 0) & ~np.array([cap.is_wall for cap in self.caps])
        space = np.maximum(airs[:, 1], 0)
        open_area = np.bincount(space[out], areas[out], len(wall))
        return np.asarray(out & (open_area > OPEN_SHARE * (wall + open_area))[space])


def rim_openings(rims: Rims, look: IntArray, large: float) -> list[Opening]:
    """Return the openings, exact, at rims whose two hands are of different bays; `look` as in `Rims.airs`."""
    if not rims.caps:
        return []
    faces, owner = cap_arrays(rims.caps)
    hands, airs = look.reshape(-1, 2), rims.airs(look)
    where = mesh_of(rims.points, faces)
    found = []
    for number, cap in enumerate(rims.caps):
        mine = owner == number
        if cap.is_wall or airs[number, 0] == airs[number, 1]:
            continue
        turned, _ = links_of(faces[mine], hands[mine])
        found.append(opening_of(where, cap, turned, airs[[number]], large))
    return found


def gap_openings(grid: Grid, scene: Scene, closed_up_to: float, large: float) -> list[Opening]:
    """Return where free links join two regions of air, each connected patch of them an opening.

    `scene` holds what a rod cannot pass.
    """
    places, ways, pairs = [], [], []
    for axis, free in enumerate(grid.links):
        here = np.moveaxis(grid.region, axis, 0)
        meets = np.moveaxis(free, axis, 0)[:-1] & (here[:-1] != here[1:])
        where = np.argwhere(meets)
        both = np.stack([here[:-1][meets], here[1:][meets]], axis=1)
        spots = where.astype(np.float64)
        spots[:, 0] += 0.5
        order = np.argsort([axis, *(k for k in range(3) if k != axis)])
        places.append(spots[:, order])
        way = np.zeros((len(where), 3))
        way[:, axis] = np.where(both[:, 0] < both[:, 1], 1.0, -1.0)
        ways.append(way)
        pairs.append(np.sort(both, axis=1))
    place, way, pair = np.concatenate(places), np.concatenate(ways), np.concatenate(pairs)
    return [
        _Gap(grid, scene, place[rows], way[rows]).opening(pair[rows[0]], closed_up_to, large)
        for rows in _patches(place, pair)
        if len(rows) > 3
    ]


def _patches(place: FloatArray, pair: IntArray) -> list[IntArray]:
    from scipy.spatial import cKDTree

    if not len(place):
        return []
    near = cKDTree(place).query_pairs(1.5, output_type="ndarray")
    near = near[(pair[near[:, 0]] == pair[near[:, 1]]).all(axis=1)]
    _, label = groups(len(place), near.astype(np.int64))
    order = np.argsort(label, kind="stable")
    return np.split(order, np.flatnonzero(np.diff(label[order])) + 1)


class _Gap:
    """A patch of free links between two airs: about where a gap is, which the faces round it tell better."""

    def __init__(self, grid: Grid, scene: Scene, place: FloatArray, way: FloatArray) -> None:
        self.step, self.scene = grid.step, scene
        vector = way.sum(axis=0) * grid.step**2
        self.area = float(np.linalg.norm(vector))
        self.width = float(2 * np.sqrt(self.area / np.pi))
        centre = grid.origin + place.mean(axis=0) * grid.step
        self.plane = plane_through(
            centre, unit_vectors(vector) if self.area > 0 else np.array([0.0, 0.0, 1.0])
        )
        spots = self.plane.flat(grid.origin + place * grid.step)
        self.half = float(np.abs(spots).max()) + grid.step

    def opening(self, pair: IntArray, closed_up_to: float, large: float) -> Opening:
        """Return the opening between the bays of `pair`, its size from the faces and the grid."""
        height, radius, place = self._narrowest(closed_up_to)
        middle = self.plane.origin + height * self.plane.axes[2]
        error = _PLACE_ERROR * self.step * float(np.pi) * self.width
        area, outline = self.area, self._outline(middle + place @ self.plane.axes[:2])
        rim = middle + 0.5 * self.width * _round(_RAYS_ROUND) @ self.plane.axes[:2]
        # Seen from one place an outline may miss a corner, which the grid then shows.
        if outline is not None and abs(np.linalg.norm(loop_vector(outline)) - area) <= error:
            rim, area, middle = outline, float(np.linalg.norm(loop_vector(outline))), loop_center(outline)
        return Opening(
            name="",
            kind="found",
            center=middle,
            normal=self.plane.axes[2],
            diameter=2 * radius,
            equivalent_diameter=float(2 * np.sqrt(area / np.pi)),
            area=area,
            rim=rim,
            links=(int(pair[0]), int(pair[1])),
            large=2 * radius >= large,
            diameter_error=2 * _ROD_ERROR * self.step,
            area_error=error,
        )

    def _narrowest(self, closed_up_to: float) -> tuple[float, float, FloatArray]:
        """Return height, radius and place (2,) of the widest rod where it has the least room, in m.

        A rod that passes crosses every plane between the airs, and in each it finds no more room than the
        widest place has. Air wider than what was closed is the bay itself, so that planes end there.
        """
        low, high = -0.5 * closed_up_to - self.step, 0.5 * closed_up_to + self.step
        reach = np.array([self.half, self.half, max(high, -low)])
        corners = self.scene.mesh.corners
        heights = np.stack([self.plane.heights(corners[:, k]) for k in range(3)], axis=1)
        flats = np.stack([self.plane.flat(corners[:, k]) for k in range(3)], axis=1)
        local = np.concatenate([flats, heights[:, :, None]], axis=2)
        most = reach + closed_up_to
        near = corners[((local.min(axis=1) <= most) & (local.max(axis=1) >= -most)).all(axis=1)]
        best = (0.0, *self._widest(near, 0.0))
        for way in (1.0, -1.0):
            at = 0.0
            while low < at < high or at == 0.0:
                at += way * self.step
                radius, place = self._widest(near, at)
                if radius > 0.5 * closed_up_to:
                    break
                best = min(best, (at, radius, place), key=lambda found: found[1])
        spacing = self.step
        for _ in range(2):
            spacing /= 4
            tried = [best[0] + k * spacing for k in range(-3, 4) if k]
            found = [(at, *self._widest(near, at)) for at in tried]
            best = min([best, *found], key=lambda found: found[1])
        return best

    def _widest(self, corners: FloatArray, height: float) -> tuple[float, FloatArray]:
        """Return the radius of the largest ball whose centre is in the plane at a height, and its place (2,).

        Squares are halved as long as a ball from somewhere in them may be larger than the largest so far,
        for room grows no faster than the way to it.
        """
        n, best, place = 8, 0.0, np.zeros(2)
        size = self.half / n
        steps = size * (2 * np.arange(n) + 1 - n)
        cells = np.stack(np.meshgrid(steps, steps, indexing="ij"), axis=2).reshape(-1, 2)
        origin = self.plane.origin + height * self.plane.axes[2]
        while len(cells):
            room = nearest_distances(origin + cells @ self.plane.axes[:2], corners)
            if room.max() > best:
                best, place = float(room.max()), cells[room.argmax()]
            cells = cells[room + np.sqrt(2.0) * size > best + _SEARCHED_TO * self.step]
            size /= 2
            shifts = size * np.array([[1, 1], [1, -1], [-1, 1], [-1, -1]])
            cells = (cells[:, None] + shifts).reshape(-1, 2)
        return best, place

    def _outline(self, centre: FloatArray) -> FloatArray | None:
        """Return the outline (k, 3) of what is free round a place in its plane.

        A thick sheet's wall is hit by rays in that plane; the edge of a thin one is not, and there is none.
        """
        ways = _round(_RAYS_ROUND) @ self.plane.axes[:2]
        face, away = self.scene.first_hit(np.broadcast_to(centre, ways.shape).copy(), ways)
        if (face < 0).any() or away.max() > 2 * self.half:
            return None
        return np.asarray(centre + away[:, None] * ways)


def _round(n: int) -> FloatArray:
    angle = 2 * np.pi * np.arange(n) / n
    return np.stack([np.cos(angle), np.sin(angle)], axis=1)
