"""Air on a grid: centres whose link no face cuts share their air; openings may be closed up to a diameter."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import OUTSIDE, BoolArray, FloatArray, IntArray, unit_vectors
from bayreach.measure import area_vectors
from bayreach.mesh import Mesh
from bayreach.rays import Scene
from bayreach.topology import groups

_OFFSETS = (np.arange(16) + 0.4321) / 16
"""Shares of a step by which the grid may be moved off the box, so that no face runs through its centres."""

_SQUARE = 0.98
"""Cosine from which a face lies square across an axis of the grid."""

_ASKED_AT_ONCE = 500_000


@dataclass(frozen=True, kw_only=True, eq=False)
class Grid:
    """Regions of air on a grid.

    Parameters
    ----------
    origin : (3,) float
        First centre, in m.
    step : float
        Distance of centres, in m.
    region : (i, j, k) int
        Region of each centre, 0 onwards, -1 outside.
    links : tuple of three (i, j, k) bool
        True where the link from a centre to the next along x, y or z is free; False at the far end.
    """

    origin: FloatArray
    step: float
    region: IntArray
    links: tuple[BoolArray, BoolArray, BoolArray]

    @property
    def volumes(self) -> FloatArray:
        """(r,) float: volume of each region in m³, centres counted."""
        inside = self.region[self.region >= 0]
        return np.bincount(inside).astype(np.float64) * self.step**3

    def region_at(self, points: ArrayLike) -> IntArray:
        """Return the region of the centre nearest to each point (n, 3), -1 off the grid."""
        place = np.round((np.asarray(points, dtype=np.float64) - self.origin) / self.step).astype(np.int64)
        shape = np.array(self.region.shape)
        on = ((place >= 0) & (place < shape)).all(axis=1)
        place = np.clip(place, 0, shape - 1)
        return np.where(on, self.region[tuple(place.T)], OUTSIDE)

    def centers(self, places: IntArray) -> FloatArray:
        """Return the centres (n, 3) in m of grid places (n, 3)."""
        return np.asarray(self.origin + places * self.step)


def volumes_to_walls(grid: Grid, scene: Scene) -> FloatArray:
    """Return the volume (r,) of each region in m³: centres counted, and what is left to the walls measured.

    A centre stands for half a step on either hand; where a face lies square across the link, the distance to
    it takes the place of the half step. For a box along the axes that is exact but for its edges; across
    slanting walls the halves even out by themselves.
    """
    volumes = grid.volumes
    inside = grid.region > OUTSIDE
    for axis, free in enumerate(grid.links):
        for way in (1, -1):
            # The link ahead of a centre is its own, the one behind is the neighbour's.
            ahead = free if way > 0 else np.roll(free, 1, axis=axis)
            places = np.argwhere(inside & ~ahead)
            move = np.zeros(3)
            move[axis] = way
            face, away = scene.first_hit(grid.centers(places), move)
            square = np.abs(unit_vectors(area_vectors(scene.mesh.corners[face]))[:, axis]) > _SQUARE
            # A face nearer than the scene looks is at the centre itself.
            away = np.where(away > 1.2 * grid.step, 0.0, np.minimum(away, grid.step))
            region, away = grid.region[tuple(places.T)][square], away[square]
            volumes += np.bincount(region, (away - 0.5 * grid.step) * grid.step**2, len(volumes))
    return np.asarray(np.maximum(volumes, 0.0))


class Links:
    """The links between the centres of a grid round a mesh, which of them no face cuts.

    Attributes
    ----------
    scene : Scene
    origin : (3,) float
        First centre, in m.
    step : float
        Distance of centres, in m.
    free : tuple of three (i, j, k) bool
    """

    def __init__(self, mesh: Mesh, *, centres: int, closed_up_to: float = 0.0) -> None:
        size = np.maximum(mesh.box[1] - mesh.box[0], 0.02 * mesh.diagonal)
        self.step = float((np.prod(size) / centres) ** (1 / 3))
        # Outside air needs the room that the closing takes, or it would not be found beside the walls.
        margin = closed_up_to + 1.5 * self.step
        self.origin: FloatArray = mesh.box[0] - margin - _offsets(mesh, self.step, margin)
        shape = np.ceil((mesh.box[1] + margin - self.origin) / self.step).astype(np.int64) + 2
        self.scene = Scene(mesh)
        self.free = _free_links(self.scene, self.origin, self.step, tuple(shape.tolist()))

    def grid(self, closed_up_to: float = 0.0) -> Grid:
        """Return the air regions, with openings up to a diameter (m) closed."""
        if closed_up_to > 0:
            region = _grown_regions(self.free, self.step, closed_up_to)
        else:
            region = _regions(np.ones(self.free[0].shape, dtype=bool), self.free)
        return Grid(origin=self.origin, step=self.step, region=_outside_first(region), links=self.free)


def _offsets(mesh: Mesh, step: float, margin: float) -> FloatArray:
    """Return how far (3,) in m the grid is moved so that its planes keep off the faces that lie along them.

    A centre within a ray's reach of a face would be cut off from its neighbours on both hands.
    """
    normals = np.abs(unit_vectors(area_vectors(mesh.corners)))
    middles = mesh.corners.mean(axis=1)
    out = np.zeros(3)
    for axis in range(3):
        along = np.unique(np.round(middles[normals[:, axis] > _SQUARE, axis] / step, 6))
        if not len(along):
            out[axis] = _OFFSETS[0] * step
            continue
        first = (mesh.box[0, axis] - margin) / step - _OFFSETS
        phase = np.abs((along - first[:, None] + 0.5) % 1.0 - 0.5).min(axis=1)
        out[axis] = _OFFSETS[int(phase.argmax())] * step
    return out


def _free_links(
    scene: Scene, low: FloatArray, step: float, shape: tuple[int, ...]
) -> tuple[BoolArray, BoolArray, BoolArray]:
    out = []
    count = int(np.prod(shape))
    for axis in range(3):
        free = np.zeros(count, dtype=bool)
        move = np.zeros(3)
        move[axis] = step
        for start in range(0, count, _ASKED_AT_ONCE):
            rows = np.arange(start, min(start + _ASKED_AT_ONCE, count))
            places = np.stack(np.unravel_index(rows, shape), axis=1)
            begins = low + places * step
            # The scene leaves `stop` free at both ends; a face there would let air through on either hand.
            over = 1.5 * scene.stop * move / step
            blocked = scene.is_blocked(begins - over, begins + move + over)
            free[rows] = ~blocked & (places[:, axis] < shape[axis] - 1)
        out.append(free.reshape(shape))
    return out[0], out[1], out[2]


def _pairs(open_air: BoolArray, links: tuple[BoolArray, BoolArray, BoolArray]) -> IntArray:
    """Return pairs (k, 2) of centres, counted through, that a free link joins within the open air."""
    number = np.arange(open_air.size).reshape(open_air.shape)
    pairs = []
    for axis, free in enumerate(links):
        here = np.moveaxis(number, axis, 0)
        both = np.moveaxis(free & open_air, axis, 0)[:-1] & np.moveaxis(open_air, axis, 0)[1:]
        pairs.append(np.stack([here[:-1][both], here[1:][both]], axis=1))
    return np.concatenate(pairs)


def _regions(open_air: BoolArray, links: tuple[BoolArray, BoolArray, BoolArray]) -> IntArray:
    """Return the region of each centre in the open air, -2 elsewhere."""
    _, label = groups(open_air.size, _pairs(open_air, links))
    return np.where(open_air, label.reshape(open_air.shape), -2)


def _grown_regions(
    links: tuple[BoolArray, BoolArray, BoolArray], step: float, closed_up_to: float
) -> IntArray:
    """Return regions of air farther than half the diameter from any cut link, grown back to the faces."""
    from scipy.ndimage import distance_transform_edt

    beside = np.zeros(links[0].shape, dtype=bool)
    for axis, free in enumerate(links):
        cut = np.moveaxis(~free, axis, 0)[:-1]
        rows = np.moveaxis(beside, axis, 0)
        rows[:-1] |= cut
        rows[1:] |= cut
    away = distance_transform_edt(~beside) * step + 0.5 * step
    region = _regions(away > 0.5 * closed_up_to, links)
    # A corner lies up to three radii away by steps along the axes.
    most = int(np.ceil(3 * closed_up_to / step)) + 3
    for _ in range(most):
        grown = region.copy()
        for axis, free in enumerate(links):
            now, new = np.moveaxis(region, axis, 0), np.moveaxis(grown, axis, 0)
            way = np.moveaxis(free, axis, 0)[:-1]
            ahead = way & (new[1:] == -2) & (now[:-1] != -2)
            new[1:][ahead] = now[:-1][ahead]
            back = way & (new[:-1] == -2) & (now[1:] != -2)
            new[:-1][back] = now[1:][back]
        if (grown == region).all():
            break
        region = grown
    # Air too narrow for the closing keeps a region of its own.
    left = region == -2
    alone = _regions(left, links)
    return np.where(left, alone + int(region.max()) + 1, region)


def _outside_first(region: IntArray) -> IntArray:
    """Return regions numbered from the largest, with -1 for the one at the grid's first corner."""
    names, label, counts = np.unique(region, return_inverse=True, return_counts=True)
    label = label.reshape(region.shape)
    outside = label[0, 0, 0]
    order = np.argsort(-counts, kind="stable")
    order = order[order != outside]
    number = np.full(len(names), OUTSIDE, dtype=np.int64)
    number[order] = np.arange(len(order))
    return number[label]
