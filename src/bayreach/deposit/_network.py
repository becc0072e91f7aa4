"""The basins that liquid on a surface runs into, and the ways from one to the next."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from bayreach.arrays import NO_FACE, OUTSIDE, BoolArray, FloatArray, IntArray, unit_vectors
from bayreach.deposit import _downhill as downhill
from bayreach.sampling import sample_weights

if TYPE_CHECKING:
    from bayreach.deposit.run_off import Slopes

LEVEL = 1e-5
"""In m: a step along an edge that stops no liquid; of the order of the film itself."""
CRUMB = 1e-12
"""Share of the surplus below which a pool is not told."""
STEEP = 0.5
"""Cosine to the vertical above which an opening is one in a floor: what reaches its rim falls through."""
FACING = 0.05
"""Cosine to up above which a side can hold liquid, and below minus which liquid hangs from it."""
PIECES = 16
"""Level pieces that each side is taken as, where it holds a pool."""
LIFT = 1e-4
"""In m: how far below a point a drop starts to fall, so that it does not land where it hung."""


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
class Network:
    """Nodes of the surface and, after them, one an opening; their basins, and the ways between basins."""

    basin: IntArray
    ways: IntArray
    weights: FloatArray
    heights: FloatArray
    n_outlets: int
    leads_out: BoolArray
    beside: IntArray

    @classmethod
    def of(cls, slopes: "Slopes", outlets: Outlets, blocked: BoolArray, level: float) -> "Network":
        n, n_outlets = len(slopes.surface.heights), len(outlets.rims)
        heights = np.concatenate([slopes.surface.heights, -(outlets.centers @ slopes.down)])
        falls, walls, landings = _rims(slopes, outlets, blocked)
        ways, weights = _surface_ways(slopes, n + n_outlets, falls[:, 0], level)
        ways, weights = _more(ways, weights, np.concatenate([falls, landings]))
        stuck = _stuck(downhill.basins(n + n_outlets, ways), ways)
        ways, weights = _more(ways, weights, walls[stuck[walls[:, 0]]])
        basin = downhill.basins(n + n_outlets, ways)
        hanging = _hanging(slopes, _stuck(basin, ways)[:n])
        if len(hanging):
            ways, weights = _more(ways, weights, _drops(slopes, hanging, outlets, blocked))
            basin = downhill.basins(n + n_outlets, ways)
        between = basin[ways[:, 0]] != basin[ways[:, 1]]
        return cls(
            basin=basin,
            ways=basin[ways[between]],
            weights=weights[between],
            heights=heights,
            n_outlets=n_outlets,
            leads_out=(outlets.links == OUTSIDE).any(axis=1),
            beside=np.concatenate([slopes.ends, walls]),
        )

    def pools(self, slopes: "Slopes", surplus: FloatArray) -> Pools:
        """Return pools and drips of the `surplus` (s,) m³."""
        n = len(self.heights) - self.n_outlets
        n_basins = int(self.basin.max()) + 1 if len(self.basin) else 0
        start = _sums(self.basin[:n], _at_nodes(slopes, surplus), n_basins)
        top = np.full(n_basins, -np.inf)
        np.maximum.at(top, self.basin, self.heights)
        load = downhill.carried(start, self.ways, self.weights, top)
        ends_here = np.ones(n_basins, dtype=bool)
        ends_here[self.ways[:, 0]] = False
        crumb = CRUMB * float(surplus.sum())
        troughs = _Troughs.of(self, slopes, n_basins)
        exits = self.basin[n:]
        held = self._spilled(np.where(ends_here, load, 0.0), troughs, exits, crumb)
        drips = np.where(self.leads_out & (held[exits] > crumb), held[exits], 0.0)
        held[exits[self.leads_out]] = 0.0
        chosen = np.flatnonzero(held > crumb)
        lowest = self._lowest(n, n_basins)[chosen]
        return Pools(
            bay=slopes.surface.node_bay[lowest],
            places=slopes.mesh.points[slopes.surface.node_point[lowest]],
            volumes=held[chosen],
            depths=np.array([troughs.depth(int(place), float(held[place])) for place in chosen]).reshape(-1),
            drips=drips,
        )

    def _spilled(self, held: FloatArray, troughs: "_Troughs", exits: IntArray, crumb: float) -> FloatArray:
        """Return the volumes (b,) in m³ after pools have run over their lips, the highest lip first.

        What a pool holds above its lip goes on to where the way beyond the lip leads. Two pools that would
        spill into each other have one surface: what they hold above the lip stays where it came last.
        """
        lips, beyond = self._lips(troughs)
        held, spilled = held.copy(), set()
        is_exit = np.zeros(len(held), dtype=bool)
        is_exit[exits] = True
        capacity: dict[int, float] = {}
        moved = True
        while moved:
            moved = False
            full = np.flatnonzero((held > crumb) & np.isfinite(lips) & ~is_exit)
            for place in full[np.argsort(-lips[full], kind="stable")]:  # pools, not faces
                if place not in capacity:
                    capacity[place] = troughs.capacity(int(place), float(lips[place]))
                excess, onto = held[place] - capacity[place], int(beyond[place])
                if excess > crumb and (onto, place) not in spilled:
                    held[onto] += excess
                    held[place] -= excess
                    spilled.add((int(place), onto))
                    moved = True
        return held

    def _lips(self, troughs: "_Troughs") -> tuple[FloatArray, IntArray]:
        """Return the height (b,) in m of the lowest lip of each basin's trough, and the basin beyond it."""
        near, far = troughs.root[self.basin[self.beside]].T
        # An opening's own height is that of its middle; its lip is the rim.
        n = len(self.heights) - self.n_outlets
        ends = np.where(self.beside < n, self.heights[self.beside], -np.inf)
        lip, apart = ends.max(axis=1), near != far
        here = np.concatenate([near[apart], far[apart]])
        there = np.concatenate([far[apart], near[apart]])
        order = np.lexsort((np.tile(lip[apart], 2), here))[::-1]
        lips, beyond = np.full(len(troughs.root), np.inf), np.zeros(len(troughs.root), dtype=np.int64)
        lips[here[order]] = np.tile(lip[apart], 2)[order]  # the last to write, the lowest, stays
        beyond[here[order]] = there[order]
        return lips, beyond

    def _lowest(self, n: int, n_basins: int) -> IntArray:
        """Return the lowest surface node of each basin; of equals, the first."""
        order = np.argsort(self.heights[:n], kind="stable")[::-1]
        lowest = np.zeros(n_basins, dtype=np.int64)
        lowest[self.basin[order]] = order  # the last to write, the lowest, stays
        return lowest


@dataclass(frozen=True, kw_only=True, eq=False)
class _Troughs:
    """The upward-facing sides that drain to each pool, in pieces taken as level steps.

    Parameters
    ----------
    root : (b,) int
        Basin in which the steepest way from each basin ends.
    members : (m,) int
        Upward-facing sides that drain to, or touch, each basin, basin after basin.
    starts : (b + 1,) int
        Where the members of each basin begin, and their end.
    heights : (k, PIECES) float
        Height in m of equal pieces of each upward-facing side.
    areas : (k,) float
        Level area in m² of one such piece.
    bottoms : (b,) float
        Height of the lowest node of each basin, in m.
    """

    root: IntArray
    members: IntArray
    starts: IntArray
    heights: FloatArray
    areas: FloatArray
    bottoms: FloatArray

    @classmethod
    def of(cls, network: Network, slopes: "Slopes", n_basins: int) -> "_Troughs":
        root = np.arange(n_basins)
        order = np.argsort(network.weights, kind="stable")
        root[network.ways[order, 0]] = network.ways[order, 1]  # the steepest way writes last
        while not np.array_equal(root, root[root]):
            root = root[root]
        facing = np.flatnonzero((slopes.side_bay != OUTSIDE) & (slopes.rise > FACING))
        corners = slopes.surface.corner_node[facing]
        heights = slopes.surface.heights[corners]
        lowest = corners[np.arange(len(facing)), heights.argmin(axis=1)]
        pieces = sample_weights(PIECES)
        bottoms = np.full(n_basins, np.inf)
        np.minimum.at(bottoms, network.basin, network.heights)
        belongs = np.column_stack([root[network.basin[lowest]], network.basin[corners]])
        pairs = np.unique(np.stack([belongs.ravel(), np.repeat(np.arange(len(facing)), 4)], axis=1), axis=0)
        return cls(
            root=root,
            members=pairs[:, 1],
            starts=np.searchsorted(pairs[:, 0], np.arange(n_basins + 1)),
            heights=heights @ pieces.T,
            areas=slopes.areas[facing] * slopes.rise[facing] / PIECES,
            bottoms=bottoms,
        )

    def _mine(self, basin: int) -> IntArray:
        return self.members[self.starts[basin] : self.starts[basin + 1]]

    def capacity(self, basin: int, level: float) -> float:
        """Return how much in m³ stands in the trough of `basin` up to the height `level` (m)."""
        mine = self._mine(basin)
        return float(self.areas[mine] @ np.maximum(0.0, level - self.heights[mine]).sum(axis=1))

    def depth(self, basin: int, volume: float) -> float:
        """Return how deep in m `volume` (m³) stands in `basin`; NaN without a side to stand on."""
        mine = self._mine(basin)
        if not len(mine):
            return float("nan")
        heights = self.heights[mine].ravel()
        order = np.argsort(heights)
        steps, area = heights[order], np.cumsum(np.repeat(self.areas[mine], PIECES)[order])
        filled = np.concatenate([[0.0], np.cumsum(area[:-1] * np.diff(steps))])
        last = int(np.searchsorted(filled, volume, side="right")) - 1
        return float(steps[last] - self.bottoms[basin] + (volume - filled[last]) / area[last])


def _at_nodes(slopes: "Slopes", surplus: FloatArray) -> FloatArray:
    """Return the surplus (m,) m³ at each node: a side's goes to its lowest corners in equal parts."""
    sides = np.flatnonzero(slopes.side_bay != OUTSIDE)
    corners = slopes.surface.corner_node[sides]
    heights = slopes.surface.heights[corners]
    low = heights <= heights.min(axis=1, keepdims=True) + LEVEL
    parts = surplus[sides, None] * low / low.sum(axis=1, keepdims=True)
    return _sums(corners.ravel(), parts.ravel(), len(slopes.surface.heights))


def _sums(places: IntArray, amounts: FloatArray, count: int) -> FloatArray:
    return np.bincount(places, amounts, minlength=count).astype(np.float64)


def _surface_ways(
    slopes: "Slopes", n_nodes: int, rims: IntArray, level: float
) -> tuple[IntArray, FloatArray]:
    """Return the ways (k, 2) along edges with their weights (k,); none leads off the nodes `rims`."""
    gone = np.zeros(n_nodes, dtype=bool)
    gone[rims] = True
    steep = (slopes.drop > level) & ~gone[slopes.ends[:, 0]]
    flat = slopes.drop <= level
    # A level edge goes both ways, but not back from a rim over which liquid falls.
    onto = np.concatenate([slopes.ends[flat], slopes.ends[flat][:, ::-1]])
    onto = onto[~gone[onto[:, 0]]]
    tails, slope = slopes.ends[steep, 0], slopes.drop[steep] / slopes.length[steep]
    steepest = np.zeros(n_nodes)
    np.maximum.at(steepest, tails, slope)
    # A high power keeps liquid on the line of steepest fall, and still splits evenly between equals.
    share = (slope / steepest[tails]) ** 16
    ways = np.concatenate([slopes.ends[steep], onto])
    return ways, np.concatenate([share, np.full(len(onto), 1e-12)])


def _more(ways: IntArray, weights: FloatArray, added: IntArray) -> tuple[IntArray, FloatArray]:
    """Return the ways with `added` ones of weight one."""
    return np.concatenate([ways, added]), np.concatenate([weights, np.ones(len(added))])


def _stuck(basin: IntArray, ways: IntArray) -> BoolArray:
    """Return True for nodes whose basin no way leads out of."""
    leaves = basin[ways[:, 0]] != basin[ways[:, 1]]
    return ~np.isin(basin, basin[ways[leaves, 0]])


def _hanging(slopes: "Slopes", stuck: BoolArray) -> IntArray:
    """Return the nodes, of those where liquid is `stuck`, from which it drops off: straight down is air.

    Straight down is air where the face nearest to that direction, of those round the node, is a sheet
    that the liquid goes round (both its sides meet at the node, as at the lower edge of a web or the end
    of a flange) or looks down. In the corner of a floor the floor is among the nearest and looks up.
    """
    sides = np.flatnonzero(slopes.side_bay != OUTSIDE)
    side, corner = np.nonzero(stuck[slopes.surface.corner_node[sides]])
    side = sides[side]
    node, face = slopes.surface.corner_node[side, corner], side // 2
    nearness = _nearness(slopes, face, corner)
    nearest = np.full(len(stuck), -np.inf)
    np.maximum.at(nearest, node, nearness)
    _, pair, count = np.unique(
        node * np.int64(slopes.mesh.n_faces) + face, return_inverse=True, return_counts=True
    )
    opens = (count[pair] == 2) | (slopes.rise[side] < -FACING)
    shuts = (nearness > nearest[node] - 1e-3) & ~opens
    hangs = stuck.copy()
    hangs[node[shuts]] = False
    return np.flatnonzero(hangs)


def _nearness(slopes: "Slopes", face: IntArray, corner: IntArray) -> FloatArray:
    """Return the greatest cosine (k,) between straight down and any direction from a corner into its face."""
    corners = slopes.mesh.corners[face]
    rows = np.arange(len(face))
    here = corners[rows, corner]
    first = unit_vectors(corners[rows, (corner + 1) % 3] - here)
    second = unit_vectors(corners[rows, (corner + 2) % 3] - here)
    normal = unit_vectors(np.cross(first, second))
    down = slopes.down
    flat = down - (normal @ down)[:, None] * normal
    inside = np.einsum("ij,ij->i", np.cross(first, flat), normal) >= 0
    inside &= np.einsum("ij,ij->i", np.cross(flat, second), normal) >= 0
    along = np.where(inside, np.linalg.norm(flat, axis=1), -np.inf)
    return np.maximum(along, np.maximum(first @ down, second @ down))


def _drops(slopes: "Slopes", nodes: IntArray, outlets: Outlets, blocked: BoolArray) -> IntArray:
    """Return the ways (k, 2) of drops that fall from `nodes`: to the lowest corner of the side they land on.

    A drop that meets nothing, or a side outside, has left through the open way out nearest to it; where
    its bay has none it stays where it hangs.
    """
    surface, mesh = slopes.surface, slopes.mesh
    starts = mesh.points[surface.node_point[nodes]] + LIFT * slopes.down
    faces, _ = slopes.scene.first_hit(starts, np.tile(slopes.down, (len(nodes), 1)))
    # The side that the drop lands on is the one of the face hit that faces up.
    sides = 2 * faces + (slopes.rise[2 * faces] < 0)
    landed = (faces != NO_FACE) & (slopes.side_bay[sides] != OUTSIDE)
    corners = surface.corner_node[sides[landed]]
    lowest = corners[np.arange(len(corners)), surface.heights[corners].argmin(axis=1)]
    lost = nodes[~landed]
    usable = (outlets.links[None] == surface.node_bay[lost][:, None, None]).any(axis=2)
    usable &= (outlets.links == OUTSIDE).any(axis=1) & ~blocked
    arm = mesh.points[surface.node_point[lost]][:, None] - outlets.centers[None]
    far = np.where(usable, np.linalg.norm(arm, axis=2), np.inf)
    out = far.argmin(axis=1) if len(outlets.rims) else np.zeros(len(lost), dtype=np.int64)
    has_way = usable.any(axis=1)
    exits = len(surface.heights) + out[has_way]
    return np.concatenate([_ways(nodes[landed], lowest), _ways(lost[has_way], exits)])


def _rims(slopes: "Slopes", outlets: Outlets, blocked: BoolArray) -> tuple[IntArray, IntArray, IntArray]:
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


def _over_wall(slopes: "Slopes", on_rim: BoolArray, link: IntArray, exit_node: int) -> list[IntArray]:
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


def _landing(slopes: "Slopes", center: FloatArray, bay: int) -> int:
    """Return the node of `bay` below `center` that is nearest to the plumb line through it."""
    surface = slopes.surface
    arm = slopes.mesh.points[surface.node_point] - center
    below = arm @ slopes.down
    off = np.linalg.norm(arm - below[:, None] * slopes.down, axis=1)
    usable = (surface.node_bay == bay) & (below > LEVEL)
    return int(np.where(usable, off, np.inf).argmin())


def _ways(tails: IntArray, heads: IntArray) -> IntArray:
    return np.stack([tails, heads], axis=1).astype(np.int64)
