"""Bays as cells and openings as portals: through which openings a tip may see into each bay."""

from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from bayreach.arrays import BUDGET, FloatArray, IntArray

UNKNOWN_BAY = -2
"""Bay of a station whose bay could not be told for sure: from there nothing is passed over."""

MOST_CORNERS = 16
"""Corners of the polygon round an opening: a circle's then holds 1.3 % more than the circle."""

_ROUNDING = 1e-6
"""Room for rounding, as a share of the structure's diagonal: a ray along a rim is asked, not passed over."""


class Portals(NamedTuple):
    """Each opening wrapped in a convex polygon in its plane, in a box and in a ball, and the bays it links.

    Parameters
    ----------
    centers : (o, 3) float
        Middles of the polygons in m.
    radii : (o,) float
        Distance in m from the middle that nothing of the opening lies beyond.
    corners : (v, 3) float
        Corners in m of the polygons, counter-clockwise about their normals, one polygon after another.
    firsts : (o + 1,) int
        Where each polygon's corners begin.
    normals : (o, 3) float
        Unit normals of the planes.
    thick : (o,) float
        Distance in m from the plane that nothing of the opening lies beyond.
    inner : (o,) float
        Distance in m from the middle to the nearest edge of the polygon.
    boxes : (o, 8, 3) float
        Corners in m of a box along the plane that holds the opening.
    links : (o, 2) int
        Bays on both hands; the outside is the last, `n_bays`.
    margin : float
        Room for rounding in m.
    n_bays : int
        Number of bays, the outside not counted.
    exits : (n_bays + 2,) int
        Where the openings of each bay, the outside last, begin in `through`.
    through : (at most 2 o,) int
        Openings by the bays that they lead out of; those of a bay into itself are left out.
    """

    centers: FloatArray
    radii: FloatArray
    corners: FloatArray
    firsts: IntArray
    normals: FloatArray
    thick: FloatArray
    inner: FloatArray
    boxes: FloatArray
    links: IntArray
    margin: float
    n_bays: int
    exits: IntArray
    through: IntArray


class Windows(NamedTuple):
    """For each station and bay, the cones that it may be seen in, through chains of openings.

    `starts` (s, n_bays + 2): where the windows of each bay begin. `firsts` (w + 1,): where the unit normals
    of each begin in `planes` (q, 3): a direction with a negative product with any of them leads by. `caps`
    (w, 4): unit normal and distance in m of the last cap's plane: what lies nearer is not behind it. `home`
    (s,): the station's own bay, all of which is in view, or UNKNOWN_BAY.
    """

    starts: IntArray
    firsts: IntArray
    planes: NDArray[np.float32]
    caps: FloatArray
    home: IntArray


def portals_of(
    points: FloatArray, faces: IntArray, opening: IntArray, links: IntArray, n_bays: int, *, diagonal: float
) -> Portals:
    """Return the portals of caps: `faces` (c, 3) over `points`, their `opening` (c,) and `links` (c, 2).

    Caps of no opening (-1: slivers) are portals each by itself. `diagonal`: of the structure's box in m.
    """
    alone = opening < 0
    label = np.where(alone, opening.max(initial=-1) + 1 + np.arange(len(opening)), opening)
    names, group = np.unique(label, return_inverse=True)
    margin = _ROUNDING * diagonal
    order = np.argsort(group, kind="stable")
    starts = np.searchsorted(group[order], np.arange(len(names) + 1))
    hulls = [
        _hull_of(points[np.unique(faces[order[first:last]])], margin) for first, last in pairwise(starts)
    ]
    pairs = links[order[starts[:-1]]].reshape(-1, 2).astype(np.int64)
    pairs[pairs < 0] = n_bays
    counts = [len(hull.corners) for hull in hulls]
    exits, through = _exits(pairs, n_bays)
    return Portals(
        centers=np.array([hull.center for hull in hulls]).reshape(-1, 3),
        radii=np.array([hull.radius for hull in hulls]),
        corners=np.concatenate([np.zeros((0, 3)), *(hull.corners for hull in hulls)]),
        firsts=np.concatenate([[0], np.cumsum(counts)]).astype(np.int64),
        normals=np.array([hull.normal for hull in hulls]).reshape(-1, 3),
        thick=np.array([hull.thick for hull in hulls]),
        inner=np.array([hull.inner for hull in hulls]),
        boxes=np.array([hull.box for hull in hulls]).reshape(-1, 8, 3),
        links=pairs,
        margin=margin,
        n_bays=n_bays,
        exits=exits,
        through=through,
    )


def _exits(links: IntArray, n_bays: int) -> tuple[IntArray, IntArray]:
    """Return where the openings of each bay begin (n_bays + 2,), and the openings in that order."""
    bay, opening = links.ravel(), np.repeat(np.arange(len(links)), 2)
    twice = np.repeat(links[:, 0] == links[:, 1], 2)
    bay, opening = bay[~twice], opening[~twice]
    order = np.argsort(bay, kind="stable")
    exits = np.searchsorted(bay[order], np.arange(n_bays + 2)).astype(np.int64)
    return exits, opening[order].astype(np.int64)


class _Hull(NamedTuple):
    """One opening, as `Portals` has it."""

    center: FloatArray
    radius: float
    corners: FloatArray
    normal: FloatArray
    thick: float
    inner: float
    box: FloatArray


def _hull_of(rim: FloatArray, margin: float) -> _Hull:
    """Return the hull of an opening's points (k, 3)."""
    middle = 0.5 * (rim.min(axis=0) + rim.max(axis=0))
    axes = np.linalg.eigh((rim - middle).T @ (rim - middle))[1].T[::-1].copy()
    if np.linalg.det(axes) < 0.0:
        axes[2] *= -1.0
    local = (rim - middle) @ axes.T
    # The plane lies halfway between the points that are farthest off it on both hands.
    level = 0.5 * (local[:, 2].min() + local[:, 2].max())
    polygon = fewer_corners(convex_hull(local[:, :2]), MOST_CORNERS)
    heart = polygon.mean(axis=0)
    inner = _inner(polygon, heart)
    low, high = local.min(axis=0) - margin, local.max(axis=0) + margin
    ends = np.stack(np.meshgrid(*zip(low, high, strict=True), indexing="ij"), axis=-1).reshape(8, 3)
    center = np.append(heart, level)
    return _Hull(
        center=middle + center @ axes,
        radius=float(np.linalg.norm(local - center, axis=1).max() + margin),
        corners=middle + np.column_stack([polygon, np.full(len(polygon), level)]) @ axes,
        normal=axes[2],
        thick=float(local[:, 2].max() - level + margin),
        inner=inner,
        box=middle + ends @ axes,
    )


def convex_hull(points: FloatArray) -> FloatArray:
    """Return the convex hull (h, 2) of points (k, 2), counter-clockwise (Andrew 1979).

    >>> convex_hull(np.array([[0, 0], [1, 0], [0.5, 0.2], [0, 1.0]])).tolist()
    [[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]
    """
    ordered = np.unique(points, axis=0).tolist()
    if len(ordered) < 3:
        return np.array(ordered)
    hull: list[list[float]] = []
    for way in (ordered, ordered[::-1]):
        chain: list[list[float]] = []
        for point in way:
            while len(chain) > 1 and _turn(chain[-2], chain[-1], point) <= 0.0:
                chain.pop()
            chain.append(point)
        hull += chain[:-1]
    return np.array(hull)


def fewer_corners(polygon: FloatArray, most: int) -> FloatArray:
    """Return a convex polygon (h, 2) of `most` corners or fewer that holds the given one.

    Edge by edge is left out, its neighbours drawn out until they meet, first those that add the least area;
    an edge whose neighbours do not meet beyond it stays.

    >>> len(fewer_corners(np.array([[1, 0], [1, 1], [0.5, 1.1], [0, 1], [0, 0.0]]), 4))
    4
    """
    corners = polygon
    while len(corners) > max(most, 3):
        tips, added = _drawn_out(corners)
        chosen = np.array([added.argmin()])
        if len(corners) > 2 * most:  # far too many: every other one of those that add little
            every_other = np.arange(0, len(corners) - 1, 2)
            chosen = every_other[added[every_other] <= np.median(added)]
        chosen = chosen[np.isfinite(added[chosen])]
        if not len(chosen):
            break
        corners = corners.copy()
        corners[chosen] = tips[chosen]
        corners = np.delete(corners, (chosen + 1) % len(corners), axis=0)
    return corners


def _drawn_out(corners: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return where (h, 2) the neighbours of each edge of a convex polygon meet beyond it.

    And twice the area (h,) that this adds; infinite where they do not meet. Edge k begins at corner k.
    """
    before, after = np.roll(corners, 1, axis=0), np.roll(corners, -1, axis=0)
    one, gap = corners - before, after - corners
    two = after - np.roll(corners, -2, axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        along, back = _cross(gap, two) / _cross(one, two), _cross(gap, one) / _cross(one, two)
        tips = corners + along[:, None] * one
        added = np.abs(_cross(gap, tips - corners))
    return tips, np.where((along > 0.0) & (back > 0.0) & np.isfinite(added), added, np.inf)


def _cross(one: FloatArray, two: FloatArray) -> FloatArray:
    return np.asarray(one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0])


def _inner(polygon: FloatArray, heart: FloatArray) -> float:
    """Return the least distance from a point inside a convex polygon to its edges; 0: no polygon."""
    if len(polygon) < 3:
        return 0.0
    edges = np.roll(polygon, -1, axis=0) - polygon
    heights = _cross(edges, heart - polygon) / np.linalg.norm(edges, axis=1)
    return float(max(0.0, heights.min()))


def _turn(a: list[float], b: list[float], c: list[float]) -> float:
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])


def windows_of(
    points: FloatArray, home: IntArray, portals: Portals | None, *, budget: int = BUDGET
) -> Windows:
    """Return the windows of stations at `points` (s, 3) in bays `home` (s,), -1 outside.

    Where planes would take more than `budget` bytes (1 GiB if not given), further stations see everything.
    """
    n_bays = portals.n_bays if portals else 0
    place = np.where(home == -1, n_bays, home).astype(np.int64)
    if portals is None:
        place = np.full(len(points), UNKNOWN_BAY, dtype=np.int64)
    starts = np.zeros((len(points), n_bays + 2), dtype=np.int64)
    if portals is None or not len(portals.radii):
        nothing = np.zeros((0, 3), dtype=np.float32)
        return Windows(starts, np.zeros(1, dtype=np.int64), nothing, np.zeros((0, 4)), place)
    from bayreach.sight._window_kernel import find_windows

    found = find_windows(np.ascontiguousarray(points), place, portals, starts, budget)
    return Windows(starts, found.firsts, found.planes, found.caps, place)
