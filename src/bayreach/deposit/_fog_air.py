"""Fog that diffuses and falls in one bay: a grid of boxes of air, what they give each other and to sides.

Where droplets fall faster than the air stirs them, a bay is not well mixed. Its air is cut into boxes;
between neighbours that no face parts, droplets trade places at the eddy diffusivity D, and fall at speed V:

    flux down = (D A / h) [B(-P) c_above - B(P) c_below],  P = V h / D,  B(x) = x / (exp(x) - 1),

exact for a flux that is even between two boxes (Scharfetter and Gummel 1969, for electrons). Each box gives
to the sides that face it at their deposition speeds, and to openings at their exchange. All over all time, so
that one sparse solve tells where everything ends.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from bayreach.arrays import BoolArray, FloatArray, IntArray, unit_vectors
from bayreach.measure import area_vectors
from bayreach.mesh import Mesh
from bayreach.rays import Scene
from bayreach.sampling import points_on_faces
from bayreach.topology import groups

IsHere = Callable[[FloatArray], BoolArray]
BOXES = 1000
"""About how many boxes a bay is cut into."""
LEAST_BOXES = 30
"""A bay of fewer is taken as well mixed."""
FEWEST = 4
"""Least number of boxes along each edge of a bay's own box."""
SPOTS = 4
"""Points a side, each of which belongs to the box that it faces."""
_CANDIDATES = 6


@dataclass(frozen=True, kw_only=True, eq=False)
class FogGrid:
    """The air of one bay as boxes.

    Parameters
    ----------
    volumes : (m,) float
        Of the boxes in m³; they sum to the bay's volume.
    links : (l, 2) int
        Boxes side by side, or one above the other, the upper one last.
    areas, gaps : (l,) float
        Area in m² and distance in m of each link.
    is_fall : (l,) bool
        Whether the link is from one box down to another.
    sides : (s,) int
        Sides of the bay.
    spots : (s, 4) int
        Boxes that each side's points face.
    """

    centers: FloatArray
    volumes: FloatArray
    links: IntArray
    areas: FloatArray
    gaps: FloatArray
    is_fall: BoolArray
    sides: IntArray
    spots: IntArray

    @cached_property
    def n_boxes(self) -> int:
        """Number of boxes."""
        return len(self.volumes)

    def near(self, place: FloatArray, reach: float) -> IntArray:
        """Return the boxes whose middles lie within `reach` (m) of a `place` (3,), at least the nearest."""
        distance = np.linalg.norm(self.centers - place, axis=1)
        return np.flatnonzero(distance <= max(reach, float(distance.min()) * (1 + 1e-9)))

    def exposures(
        self, *, fall: float, diffusivity: float, losses: FloatArray, sources: FloatArray
    ) -> FloatArray:
        """Return the exposure (m, k) in s/m³ of each box for `sources` (m, k), shares of 1 m³ put into boxes.

        `losses` (m,) in m³/s: what sides and openings take of the air in each box. `fall` in m/s,
        `diffusivity` in m²/s.
        """
        from scipy.sparse import coo_array
        from scipy.sparse.linalg import splu

        low, high = self.links.T
        peclet = np.where(self.is_fall, fall * self.gaps / diffusivity, 0.0)
        trade = diffusivity * self.areas / self.gaps
        up = trade * _bernoulli(peclet)
        down = up + trade * peclet
        place = np.arange(self.n_boxes)
        rows = np.concatenate([place, low, high, high, low])
        columns = np.concatenate([place, low, low, high, high])
        values = np.concatenate([losses, up, -up, down, -down])
        balance = coo_array((values, (rows, columns)), shape=(self.n_boxes, self.n_boxes)).tocsc()
        return np.asarray(splu(balance, permc_spec="MMD_AT_PLUS_A").solve(np.ascontiguousarray(sources)))


def _bernoulli(x: FloatArray) -> FloatArray:
    """Return x / (exp(x) - 1) for x >= 0; 1 at nought."""
    safe = np.where(x < 1e-8, 1.0, np.minimum(x, 700.0))
    return np.where(x < 1e-8, 1.0 - 0.5 * x, safe / np.expm1(safe))


def fog_grid(
    scene: Scene, sides: IntArray, volume: float, *, up: FloatArray, is_here: IsHere
) -> FogGrid | None:
    """Return the air of the bay whose `sides` (s,) and `volume` (m³) are given; None where it is too small.

    `up` (3,) is a unit vector; `is_here` tells of points (n, 3) whether they lie in the bay.
    """
    mesh = scene.mesh
    frame = _frame(up)
    points = mesh.corners[sides // 2].reshape(-1, 3) @ frame.T
    low, high = points.min(axis=0), points.max(axis=0)
    counts, steps = _cut(high - low)
    ticks = [low[k] + steps[k] * (np.arange(counts[k]) + 0.5) for k in range(3)]
    middles = np.stack(np.meshgrid(*ticks, indexing="ij"), axis=-1).reshape(-1, 3) @ frame
    inside = is_here(middles)
    if inside.sum() < LEAST_BOXES:
        return None
    number = np.where(inside, np.cumsum(inside) - 1, -1).reshape(counts)
    links, axis = _links(number)
    centers = middles[inside]
    free = ~scene.is_blocked(centers[links[:, 0]], centers[links[:, 1]])
    links, axis = links[free], axis[free]
    faces = np.array([steps[1] * steps[2], steps[0] * steps[2], steps[0] * steps[1]])
    grid = FogGrid(
        centers=centers,
        volumes=np.full(len(centers), volume / len(centers)),
        links=links,
        areas=faces[axis],
        gaps=steps[axis],
        is_fall=axis == 2,
        sides=sides,
        spots=_facing(scene, mesh, sides, centers, 0.5 * float(steps.min())),
    )
    return _reached(grid)


def _frame(up: FloatArray) -> FloatArray:
    """Return unit vectors (3, 3): two level ones and `up`."""
    first = np.eye(3)[int(np.abs(up).argmin())]
    first = unit_vectors(first - (first @ up) * up)
    return np.stack([first, np.cross(up, first), up])


def _cut(size: FloatArray) -> tuple[IntArray, FloatArray]:
    """Return into how many boxes (3,) a block of air is cut along each edge, and their edges in m."""
    size = np.maximum(size, 1e-6)
    edge = (float(np.prod(size)) / BOXES) ** (1 / 3)
    counts = np.maximum(np.round(size / edge), FEWEST).astype(np.int64)
    while np.prod(counts) > 3 * BOXES:  # a long thin bay: its length alone makes the boxes many
        counts[counts.argmax()] = counts.max() // 2
    return counts, size / counts


def _links(number: IntArray) -> tuple[IntArray, IntArray]:
    """Return the pairs (l, 2) of neighbouring boxes of a grid, lower first, and the axis (l,) of each."""
    pairs, axes = [], []
    for axis in range(3):
        lower = np.take(number, np.arange(number.shape[axis] - 1), axis=axis).ravel()
        upper = np.take(number, np.arange(1, number.shape[axis]), axis=axis).ravel()
        both = (lower >= 0) & (upper >= 0)
        pairs.append(np.stack([lower[both], upper[both]], axis=1))
        axes.append(np.full(int(both.sum()), axis))
    return np.concatenate(pairs), np.concatenate(axes)


def _facing(scene: Scene, mesh: Mesh, sides: IntArray, centers: FloatArray, off: float) -> IntArray:
    """Return the box (s, 4) that each point of each side faces: the nearest one in sight."""
    from scipy.spatial import cKDTree

    corners = mesh.corners[sides // 2]
    normal = area_vectors(corners)
    normal = unit_vectors(normal) * np.where(sides % 2 == 0, 1.0, -1.0)[:, None]
    spots = points_on_faces(corners, SPOTS).reshape(-1, 3)
    out = np.repeat(normal, SPOTS, axis=0)
    many = min(_CANDIDATES, len(centers))
    near = np.asarray(cKDTree(centers).query(spots + off * out, k=many)[1]).reshape(len(spots), many)
    start = np.repeat(spots + 10.0 * scene.stop * out, many, axis=0)
    end = centers[near.ravel()]
    facing = np.einsum("ij,ij->i", end - start, np.repeat(out, many, axis=0)) > 0.0
    seen = (facing & ~scene.is_blocked(start, end)).reshape(near.shape)
    first = np.where(seen.any(axis=1), seen.argmax(axis=1), 0)
    return np.take_along_axis(near, first[:, None], axis=1).reshape(len(sides), SPOTS).astype(np.int64)


def _reached(grid: FogGrid) -> FogGrid | None:
    """Return the grid without pockets that no side faces, in which fog would hang for ever."""
    _, pocket = groups(grid.n_boxes, grid.links)
    wetted = np.zeros(int(pocket.max()) + 1, dtype=np.bool_)
    wetted[pocket[grid.spots.ravel()]] = True
    kept = wetted[pocket]
    if kept.sum() < LEAST_BOXES:
        return None
    new = np.cumsum(kept) - 1
    linked = kept[grid.links].all(axis=1)
    return FogGrid(
        centers=grid.centers[kept],
        volumes=grid.volumes[kept] * (grid.volumes.sum() / grid.volumes[kept].sum()),
        links=new[grid.links[linked]],
        areas=grid.areas[linked],
        gaps=grid.gaps[linked],
        is_fall=grid.is_fall[linked],
        sides=grid.sides,
        spots=new[grid.spots],
    )
