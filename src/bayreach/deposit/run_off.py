"""How much film stays on a slope, where the surplus runs, what pools and what drips out.

A film on a slope drains under its own weight. What it has lost after a time runs down over neighbouring
sides until it stands in a low place or leaves through an opening. Liquid that passes over a side does not
count as film there. Not modelled: drying while it drains, a yield stress, drops that fall from a ceiling
before they have reached its lowest place, the millimetre or so that stands on a level edge.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import OUTSIDE, BoolArray, FloatArray, IntArray, unit_vectors
from bayreach.deposit import _downhill as downhill
from bayreach.deposit._network import CRUMB, LEVEL, STEEP, Network, Outlets, Pools
from bayreach.droplets import GRAVITY
from bayreach.liquids import Liquid
from bayreach.measure import side_areas, side_normals
from bayreach.mesh import Mesh
from bayreach.rays import Scene
from bayreach.topology import SideLinks, side_links

__all__ = [
    "LEVEL",
    "STEEP",
    "Outlets",
    "Pools",
    "Slopes",
    "added_masses",
    "moment_about_axis",
    "outlets",
    "retained_film",
    "slopes_of",
]


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

    @cached_property
    def scene(self) -> Scene:
        """The structure as falling drops meet it."""
        return Scene(self.mesh)

    def retained(self, film: FloatArray, liquid: Liquid, time: float) -> FloatArray:
        """Return the part (s,) of the wet `film` (s,) in m that still clings after `time` (s).

        The lesser of the film and `retained_film`, averaged over the middles of the side's three edges.
        """
        middles = 0.5 * (self.fetch + np.roll(self.fetch, -1, axis=1))
        limit = retained_film(middles, self.slope[:, None], liquid, time)
        return np.asarray(np.minimum(film[:, None], limit).mean(axis=1))

    def needed(self, least: ArrayLike, sides: IntArray, liquid: Liquid, time: float) -> FloatArray:
        """Return the film (k,) in m that must come to lie on `sides` (k,) for `least` (k,) m to stay on them.

        The inverse of `retained`, whose mean of three capped films rises with the film: with the caps in
        order, l1 <= l2 <= l3, it is the film itself up to l1, (l1 + 2 h) / 3 up to l2 and (l1 + l2 + h) / 3
        up to l3. Infinite where so much never stays.
        """
        middles = 0.5 * (self.fetch[sides] + np.roll(self.fetch[sides], -1, axis=1))
        caps = np.sort(retained_film(middles, self.slope[sides, None], liquid, time), axis=1)
        stays = np.broadcast_to(np.asarray(least, dtype=np.float64), len(sides))
        first, second, third = caps.T
        # A cap that the film does not reach may be infinite; what it is taken from is then not chosen.
        capped = np.where(np.isfinite(caps), caps, 0.0)
        once, twice = 1.5 * stays - 0.5 * capped[:, 0], 3.0 * stays - capped[:, 0] - capped[:, 1]
        whole = np.where(once <= second, once, np.where(twice <= third, twice, np.inf))
        return np.asarray(np.where(stays <= first, stays, whole))

    def pooled(
        self, surplus: FloatArray, outlets: Outlets, blocked: BoolArray | None = None, level: float = LEVEL
    ) -> Pools:
        """Return where the `surplus` (s,) m³ of every side ends; `blocked` (o,) openings let nothing through.

        Sides send liquid to their lowest corner; corners share it among the edges that lead down, nearly
        all to the steepest, so that liquid may stray sideways by an edge or two on its way.
        Nodes that lead to each other (steps up to `level`) are one pool. A pool that touches the rim of an
        opening leaves through it; what reaches the rim of an opening in a floor falls through it; what
        reaches a place that it can only hang from drops to the side below; what a trough cannot hold runs
        over its lip.
        """
        shut = np.zeros(len(outlets.rims), dtype=bool) if blocked is None else np.asarray(blocked)
        network = Network.of(self, outlets, shut, level)
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
