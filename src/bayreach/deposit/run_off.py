"""How much film stays on a slope, where the surplus runs, what pools and what drips out.

A film on a slope drains under its own weight. What it has lost after a time runs down over neighbouring
sides until it stands in a low place or leaves through an opening. Liquid that passes over a side does not
count as film there. Not modelled: drying while it drains, a yield stress, drops that fall from ceilings.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import OUTSIDE, BoolArray, FloatArray, IntArray, unit_vectors
from bayreach.deposit import _downhill as downhill
from bayreach.droplets import GRAVITY
from bayreach.liquids import Liquid
from bayreach.measure import side_areas, side_normals
from bayreach.mesh import Mesh
from bayreach.topology import SideLinks, side_links

LEVEL = 1e-5
"""In m: a step along an edge that stops no liquid; of the order of the film itself."""
CRUMB = 1e-12
"""Share of the surplus below which a pool is not told."""
STEEP = 0.5
"""Cosine to the vertical above which an opening is one in a floor: what reaches its rim falls through."""


def retained_film(fetch: ArrayLike, slope: ArrayLike, liquid: Liquid, time: float) -> FloatArray:
    """Return the film (...) in m that still clings after `time` (s), however much was put on.

    h = √(μ z / (ρ g sin α t)): z the `fetch` (m) from the top of the slope, sin α its `slope`, upright 1
    (Jeffreys, Proc. Camb. Phil. Soc. 26, 1930). The 3 of the flux law ρ g h³ / 3 μ does not appear in it.

    >>> oil = Liquid(density=870, viscosity=0.05, surface_tension=0.03, volume_solids=0.5)
    >>> round(float(retained_film(0.3, 1.0, oil, 600.0)) * 1e6, 5)
    54.12225
    """
    fetch, slope = np.broadcast_arrays(np.asarray(fetch, np.float64), np.asarray(slope, np.float64))
    pull = GRAVITY * slope * time
    level = np.full(fetch.shape, np.inf)  # a level side lets nothing go
    squared = np.divide(liquid.kinematic_viscosity * fetch, pull, out=level, where=pull > 0)
    return np.asarray(np.sqrt(squared))


@dataclass(frozen=True, kw_only=True, eq=False)
class Outlets:
    """Openings as liquid meets them.

    Parameters
    ----------
    rims : tuple of (k,) int
        Mesh points on the rim of each opening.
    centers, normals : (o, 3) float
        In m; unit normals from the first to the second of the bays it links.
    links : (o, 2) int
        Bays on either side, -1 outside.
    """

    rims: tuple[IntArray, ...]
    centers: FloatArray
    normals: FloatArray
    links: IntArray


def outlets(
    mesh: Mesh, rims: list[FloatArray], centers: ArrayLike, normals: ArrayLike, links: ArrayLike
) -> Outlets:
    """Return the openings with the mesh points nearest to their rims, given as points (k, 3) in m each."""
    from scipy.spatial import cKDTree

    tree = cKDTree(mesh.points) if rims else None
    found = tuple(np.unique(tree.query(rim)[1]).astype(np.int64) for rim in rims) if tree else ()
    return Outlets(
        rims=found,
        centers=np.asarray(centers, dtype=np.float64).reshape(-1, 3),
        normals=unit_vectors(np.asarray(normals, dtype=np.float64).reshape(-1, 3)),
        links=np.asarray(links, dtype=np.int64).reshape(-1, 2),
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class Pools:
    """Where surplus ends.

    Parameters
    ----------
    bay : (p,) int
        Bay of each pool.
    places : (p, 3) float
        Lowest point of each pool, in m.
    volumes, depths : (p,) float
        In m³; estimated greatest depth in m, from the sides round about taken as steps.
    drips : (o,) float
        Volume in m³ that leaves the structure through each opening.
    """

    bay: IntArray
    places: FloatArray
    volumes: FloatArray
    depths: FloatArray
    drips: FloatArray

    @property
    def out(self) -> float:
        """Volume in m³ that left the structure."""
        return float(self.drips.sum())


@dataclass(frozen=True, kw_only=True, eq=False)
class Slopes:
    """The surface of a structure as draining liquid sees it: built once, asked for any film.

    Parameters
    ----------
    fetch : (s, 3) float
        Fetch at each corner of each side in m; zero outside.
    slope : (s,) float
        Sine of each side's angle to the level.
    """

    mesh: Mesh
    side_bay: IntArray
    areas: FloatArray
    rise: FloatArray
    slope: FloatArray
    fetch: FloatArray
    surface: downhill.Surface
    ends: IntArray
    drop: FloatArray
    length: FloatArray
    down: FloatArray

    def retained(self, film: FloatArray, liquid: Liquid, time: float) -> FloatArray:
        """Return the part (s,) of the wet `film` (s,) in m that still clings after `time` (s).

        The lesser of the film and `retained_film`, averaged over the middles of the side's three edges.
        """
        middles = 0.5 * (self.fetch + np.roll(self.fetch, -1, axis=1))
        limit = retained_film(middles, self.slope[:, None], liquid, time)
        return np.asarray(np.minimum(film[:, None], limit).mean(axis=1))

    def pooled(
        self, surplus: FloatArray, outlets: Outlets, blocked: BoolArray | None = None, level: float = LEVEL
    ) -> Pools:
        """Return where the `surplus` (s,) m³ of every side ends; `blocked` (o,) openings let nothing through.

        Sides send liquid to their lowest corner; corners share it among the edges that lead down, nearly
        all to the steepest, so that liquid may stray sideways by an edge or two on its way.
        Nodes that lead to each other (steps up to `level`) are one pool. A pool that touches the rim of an
        opening leaves through it; what reaches the rim of an opening in a floor falls through it.
        """
        shut = np.zeros(len(outlets.rims), dtype=bool) if blocked is None else np.asarray(blocked)
        network = _Network.of(self, outlets, shut, level)
        return network.pools(self, surplus)

    def held_back(
        self, surplus: FloatArray, outlets: Outlets, blocked: BoolArray | None = None
    ) -> FloatArray:
        """Return, for each opening (o,), how much of the `surplus` (s,) m³ a plug in it alone would keep in.

        The check of drains: what counts is what the plug changes, not what drips there, since liquid may
        find another way out. Openings that nothing drips from are not tried and stay zero.
        """
        shut = np.zeros(len(outlets.rims), dtype=bool) if blocked is None else np.asarray(blocked)
        free = self.pooled(surplus, outlets, shut)
        kept = np.zeros(len(outlets.rims))
        for k in np.flatnonzero(free.drips > CRUMB * surplus.sum()):  # openings, not faces
            plugged = shut.copy()
            plugged[k] = True
            kept[k] = free.out - self.pooled(surplus, outlets, plugged).out
        return kept


def slopes_of(mesh: Mesh, side_bay: IntArray, down: ArrayLike, links: SideLinks | None = None) -> Slopes:
    """Return the surface of `mesh` with air spaces `side_bay` (s,) as draining liquid sees it."""
    links = links if links is not None else side_links(mesh.points, mesh.faces)
    fall = unit_vectors(down)
    rise = -(side_normals(mesh) @ fall)
    slope = np.sqrt(np.clip(1.0 - rise**2, 0.0, None))
    slope = np.where(slope < 1e-6, 0.0, slope)
    surface = downhill.surface_of(mesh, links, side_bay, fall)
    sides = np.flatnonzero(side_bay != OUTSIDE)
    ends, drop, length = downhill.steps_down(mesh, surface, sides)
    fetch = np.zeros((mesh.n_sides, 3))
    if len(sides):
        at_node = downhill.fetches(mesh, surface, sides, slope[sides])
        fetch[sides] = at_node[surface.corner_node[sides]]
    return Slopes(
        mesh=mesh,
        side_bay=side_bay,
        areas=side_areas(mesh),
        rise=rise,
        slope=slope,
        fetch=fetch,
        surface=surface,
        ends=ends,
        drop=drop,
        length=length,
        down=fall,
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class _Network:
    """Nodes of the surface and, after them, one an opening; their basins, and the ways between basins."""

    basin: IntArray
    ways: IntArray
    weights: FloatArray
    heights: FloatArray
    n_outlets: int
    leads_out: BoolArray

    @classmethod
    def of(cls, slopes: Slopes, outlets: Outlets, blocked: BoolArray, level: float) -> "_Network":
        surface, n, n_outlets = slopes.surface, len(slopes.surface.heights), len(outlets.rims)
        heights = np.concatenate([surface.heights, -(outlets.centers @ slopes.down)])
        falls, walls, landings = _rims(slopes, outlets, blocked)
        gone = np.zeros(n + n_outlets, dtype=bool)
        gone[falls[:, 0]] = True
        steep = (slopes.drop > level) & ~gone[slopes.ends[:, 0]]
        flat = slopes.drop <= level
        # A level edge goes both ways, but not back from a rim over which liquid falls.
        onto = np.concatenate([slopes.ends[flat], slopes.ends[flat][:, ::-1]])
        onto = onto[~gone[onto[:, 0]]]
        # The fourth power keeps liquid near the line of steepest fall, and still splits evenly between
        # equals.
        down_slope = (slopes.drop[steep] / slopes.length[steep]) ** 4
        ways = np.concatenate([slopes.ends[steep], onto, falls, landings])
        weights = np.concatenate([down_slope, np.full(len(onto), 1e-12), np.ones(len(falls) + len(landings))])
        first = downhill.basins(n + n_outlets, ways, np.zeros((0, 2), dtype=np.int64))
        stuck = ~np.isin(first, first[ways[first[ways[:, 0]] != first[ways[:, 1]], 0]])
        over = walls[stuck[walls[:, 0]]]
        ways = np.concatenate([ways, over])
        weights = np.concatenate([weights, np.ones(len(over))])
        basin = downhill.basins(n + n_outlets, ways, np.zeros((0, 2), dtype=np.int64))
        between = basin[ways[:, 0]] != basin[ways[:, 1]]
        return cls(
            basin=basin,
            ways=basin[ways[between]],
            weights=weights[between],
            heights=heights,
            n_outlets=n_outlets,
            leads_out=(outlets.links == OUTSIDE).any(axis=1),
        )

    def pools(self, slopes: Slopes, surplus: FloatArray) -> Pools:
        """Return pools and drips of the `surplus` (s,) m³."""
        n = len(self.heights) - self.n_outlets
        n_basins = int(self.basin.max()) + 1 if len(self.basin) else 0
        start = _sums(self.basin[:n], _at_nodes(slopes, surplus), n_basins)
        top = np.full(n_basins, -np.inf)
        np.maximum.at(top, self.basin, self.heights)
        load = downhill.carried(start, self.ways, self.weights, top)
        ends_here = np.ones(n_basins, dtype=bool)
        ends_here[self.ways[:, 0]] = False
        held = np.where(ends_here, load, 0.0)
        exits = self.basin[n:]
        told = self.leads_out & (held[exits] > CRUMB * surplus.sum())
        drips = np.where(told, held[exits], 0.0)
        held[exits[self.leads_out]] = 0.0
        chosen = np.flatnonzero(held > CRUMB * surplus.sum())
        lowest = self._lowest(n, n_basins)[chosen]
        return Pools(
            bay=slopes.surface.node_bay[lowest],
            places=slopes.mesh.points[slopes.surface.node_point[lowest]],
            volumes=held[chosen],
            depths=self._depths(slopes, chosen, held[chosen], n_basins),
            drips=drips,
        )

    def _lowest(self, n: int, n_basins: int) -> IntArray:
        """Return the lowest surface node of each basin; of equals, the first."""
        order = np.argsort(self.heights[:n], kind="stable")[::-1]
        lowest = np.zeros(n_basins, dtype=np.int64)
        lowest[self.basin[order]] = order  # the last to write, the lowest, stays
        return lowest

    def _depths(self, slopes: Slopes, chosen: IntArray, volumes: FloatArray, n_basins: int) -> FloatArray:
        """Return how deep each pool stands, filling the upward-facing sides that drain to it as steps."""
        root = np.arange(n_basins)
        order = np.argsort(self.weights, kind="stable")
        root[self.ways[order, 0]] = self.ways[order, 1]  # the steepest way writes last
        while not np.array_equal(root, root[root]):
            root = root[root]
        facing = np.flatnonzero((slopes.side_bay != OUTSIDE) & (slopes.rise > 0.01))
        corners = slopes.surface.corner_node[facing]
        heights = slopes.surface.heights[corners]
        lowest = corners[np.arange(len(facing)), heights.argmin(axis=1)]
        pool = root[self.basin[lowest]]
        level_area = slopes.areas[facing] * slopes.rise[facing]
        depths = np.zeros(len(chosen))
        for k, (basin, volume) in enumerate(zip(chosen, volumes, strict=True)):  # pools, not faces
            mine = (pool == basin) | (self.basin[corners] == basin).any(axis=1)
            depths[k] = _filled_depth(heights[mine].mean(axis=1), level_area[mine], volume)
        return depths


def _filled_depth(heights: FloatArray, areas: FloatArray, volume: float) -> float:
    """Return the depth in m to which `volume` (m³) fills steps of `areas` (k,) m² at `heights` (k,) m."""
    if not len(heights):
        return float("nan")
    order = np.argsort(heights)
    steps, area = heights[order], np.cumsum(areas[order])
    filled = np.concatenate([[0.0], np.cumsum(area[:-1] * np.diff(steps))])
    last = int(np.searchsorted(filled, volume, side="right")) - 1
    return float(steps[last] - steps[0] + (volume - filled[last]) / area[last])


def _at_nodes(slopes: Slopes, surplus: FloatArray) -> FloatArray:
    """Return the surplus (m,) m³ at each node: a side's goes to its lowest corners in equal parts."""
    sides = np.flatnonzero(slopes.side_bay != OUTSIDE)
    corners = slopes.surface.corner_node[sides]
    heights = slopes.surface.heights[corners]
    low = heights <= heights.min(axis=1, keepdims=True) + LEVEL
    parts = surplus[sides, None] * low / low.sum(axis=1, keepdims=True)
    return _sums(corners.ravel(), parts.ravel(), len(slopes.surface.heights))


def _sums(places: IntArray, amounts: FloatArray, count: int) -> FloatArray:
    return np.bincount(places, amounts, minlength=count).astype(np.float64)


def _rims(slopes: Slopes, outlets: Outlets, blocked: BoolArray) -> tuple[IntArray, IntArray, IntArray]:
    """Return ways (k, 2) through openings: falls from floor rims, steps over wall rims, landings below."""
    surface, n = slopes.surface, len(slopes.surface.heights)
    falls, walls, landings = [np.zeros((0, 2), np.int64)], [np.zeros((0, 2), np.int64)], []
    for k, (rim, link) in enumerate(zip(outlets.rims, outlets.links, strict=True)):  # openings, not faces
        if blocked[k]:
            continue
        fall = float(outlets.normals[k] @ slopes.down)
        upper, lower = (link[0], link[1]) if fall > 0 else (link[1], link[0])
        on_rim = np.isin(surface.node_point, rim)
        exit_node = n + k
        if abs(fall) > STEEP and upper != OUTSIDE:
            nodes = np.flatnonzero(on_rim & (surface.node_bay == upper))
            falls.append(_ways(nodes, np.full(len(nodes), exit_node)))
            if lower != OUTSIDE:
                landings.append([exit_node, _landing(slopes, outlets.centers[k], int(lower))])
        elif abs(fall) <= STEEP:
            walls.extend(_over_wall(slopes, on_rim, link, exit_node))
    return np.concatenate(falls), np.concatenate(walls), np.array(landings, np.int64).reshape(-1, 2)


def _over_wall(slopes: Slopes, on_rim: BoolArray, link: IntArray, exit_node: int) -> list[IntArray]:
    """Return the ways (k, 2) over a rim in a wall: to the outside, or across to the other bay."""
    surface = slopes.surface
    inside = [bay for bay in link if bay != OUTSIDE]
    nodes = [np.flatnonzero(on_rim & (surface.node_bay == bay)) for bay in inside]
    if len(inside) == 1:
        return [_ways(nodes[0], np.full(len(nodes[0]), exit_node))]
    if len(inside) < 2 or not len(nodes[0]) or not len(nodes[1]):
        return []
    places = [slopes.mesh.points[surface.node_point[chosen]] for chosen in nodes]
    across = np.linalg.norm(places[0][:, None] - places[1][None], axis=2)
    return [
        _ways(nodes[0], nodes[1][across.argmin(axis=1)]),
        _ways(nodes[1], nodes[0][across.argmin(axis=0)]),
    ]


def _landing(slopes: Slopes, center: FloatArray, bay: int) -> int:
    """Return the node of `bay` below `center` that is nearest to the plumb line through it."""
    surface = slopes.surface
    arm = slopes.mesh.points[surface.node_point] - center
    below = arm @ slopes.down
    off = np.linalg.norm(arm - below[:, None] * slopes.down, axis=1)
    usable = (surface.node_bay == bay) & (below > LEVEL)
    return int(np.where(usable, off, np.inf).argmin())


def _ways(tails: IntArray, heads: IntArray) -> IntArray:
    return np.stack([tails, heads], axis=1).astype(np.int64)


def added_masses(
    film: FloatArray, areas: FloatArray, side_bay: IntArray, n_bays: int, density: float
) -> FloatArray:
    """Return the mass (n_bays,) in kg of `film` (s,) m on sides of `areas` (s,) m², bay by bay."""
    inside = side_bay != OUTSIDE
    volume = np.bincount(side_bay[inside], (film * areas)[inside], minlength=n_bays)
    return np.asarray(density * volume)


def moment_about_axis(
    places: ArrayLike, masses: ArrayLike, *, point: ArrayLike, axis: ArrayLike, down: ArrayLike
) -> float:
    """Return the moment in N m that `masses` (k,) kg at `places` (k, 3) m have about a hinge line.

    M = Σ a · ((r - p) x m g d): p a `point` on the line, a its unit direction, d down; positive turns
    right-handed about `axis`. This is what is added to a control surface's balance.

    >>> round(moment_about_axis([[0.1, 0, 0]], [0.05], point=[0, 0, 0], axis=[0, 1, 0], down=[0, 0, -1]), 6)
    0.04905
    """
    arm = np.asarray(places, dtype=np.float64) - np.asarray(point, dtype=np.float64)
    lever = arm @ np.cross(unit_vectors(down), unit_vectors(axis))
    return float(GRAVITY * (np.asarray(masses, dtype=np.float64) @ lever))
