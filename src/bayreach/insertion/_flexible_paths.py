"""Paths and refusals of flexible wands."""

import math
from dataclasses import replace
from itertools import islice, pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import FloatArray, IntArray
from bayreach.insertion._bent_paths import ranges_of
from bayreach.insertion._chains import chains_to, too_narrow
from bayreach.insertion._flexible import (
    FREE,
    Bender,
    Route,
    Spread,
    bender_of,
    entries_of,
    routes_along,
    run_of,
    shot_to,
    spread_from,
    step_of,
)
from bayreach.insertion._records import Path, Refusal
from bayreach.insertion._space import Space, bays_at, inner_bay, inward
from bayreach.insertion._support import held_depth
from bayreach.poses import TipPath, clock_zero
from bayreach.wands import Wand

if TYPE_CHECKING:
    from bayreach.bays import Opening

DOWN = (0.0, 0.0, -1.0)
POSES = 40000
"""Most poses of the search over all bays."""
LOOKED_AT = 3000
"""Poses of a search, about, among which the ends of paths are chosen."""
CHAINS = 6
"""Chains of openings tried to each bay."""
STATION = 0.005
"""Spacing of the tip's poses along a path, m."""


def flexible_paths(
    space: Space, wand: Wand, opening: "Opening", *, count: int, shortest: float,
    holes: "tuple[Opening, ...]", down: ArrayLike,
) -> tuple[tuple[Path, ...], tuple[Refusal, ...]]:  # fmt: skip
    """Return a flexible wand's paths to places spread over every bay it reaches, and refusals for others.

    It is led by curves no tighter than it bears through chains of openings, the shortest first; from the
    end of each route a search by arcs and straights spreads over the air. Twist is not known: clock zero is
    carried along the line.
    """
    inward(opening)
    bender = bender_of(space, wand, opening, holes)
    entries = entries_of(bender)
    if not entries:
        return (), (_no_entry(bender),)
    routes, failed = _routes(bender, down)
    groups = [tuple(entries), *((route,) for route in routes.values())]
    paths: list[Path] = []
    for group in groups:
        spread = spread_from(bender, group, POSES)
        for end in _ends(bender, spread, max(2, count // 8), shortest):
            paths.append(_path(bender, _simplest(bender, group, spread, int(end)), shortest, down))
    found = tuple(path for path in paths if path.deepest > shortest)
    reached = {bay for path in found for bay in path.bays_reached}
    missing = [bay for bay in failed if bay not in reached]
    return found, tuple(_refusal(bender, bay, down) for bay in missing)


def route_into(bender: Bender, bay: int, down: ArrayLike = DOWN) -> Route | None:
    """Return a route to the last opening before a bay, or None; the easiest few chains are tried.

    One along which too long an end would hang free on the way is none.
    """
    if bay == inner_bay(bender.opening):
        return next(iter(entries_of(bender)), None)
    chains = chains_to(bender.space, bender.opening, bay, 2.0 * bender.radius)
    routes = (routes_along(bender, chain) for chain in islice(chains, CHAINS))
    held = (route for route in routes if route and held_depth(bender, route, down)[0] >= route.length - 1e-9)
    return next(held, None)


def _routes(bender: Bender, down: ArrayLike) -> tuple[dict[int, Route], list[int]]:
    """Return a route into each bay behind the first one, and the bays to which none was found."""
    routes: dict[int, Route] = {}
    failed: list[int] = []
    for bay in bender.space.bays.bays:
        if bay.index == inner_bay(bender.opening):
            continue
        found = route_into(bender, bay.index, down)
        if found is None:
            failed.append(bay.index)
        else:
            routes[bay.index] = found
    return routes, failed


def _simplest(bender: Bender, group: tuple[Route, ...], spread: Spread, end: int) -> Route:
    """Return a route that comes to a place by one bend and a straight, if there is one, or the search's."""
    shots = (shot_to(bender, route, spread.poses[end, :3], FREE) for route in group)
    return next((route for route in shots if route is not None), None) or spread.route_to(bender, end)


def _ends(bender: Bender, spread: Spread, most: int, shortest: float) -> IntArray:
    """Return poses to end paths at: in each bay those furthest apart, the deepest first."""
    tried = np.flatnonzero(spread.poses[:, 6] > shortest)
    tried = tried[:: max(1, len(tried) // LOOKED_AT)]
    bays = bays_at(bender.space, spread.poses[tried, :3])
    chosen: list[int] = []
    for bay in np.unique(bays[bays >= 0]):
        rows = tried[bays == bay]
        places = spread.poses[rows, :3]
        kept = [int(np.argmax(spread.poses[rows, 6]))]
        gaps = np.linalg.norm(places - places[kept[0]], axis=1)
        while len(kept) < most and gaps.max() > 0.02:
            kept.append(int(np.argmax(gaps)))
            gaps = np.minimum(gaps, np.linalg.norm(places - places[kept[-1]], axis=1))
        chosen += rows[kept].tolist()
    return np.array(chosen, dtype=np.int64)


def _path(bender: Bender, route: Route, shortest: float, down: ArrayLike) -> Path:
    wand, opening = bender.wand, bender.opening
    run = run_of(route.line)
    deepest, hangs_from = held_depth(bender, route, down)
    depths = np.linspace(deepest, min(shortest, deepest), max(2, math.ceil(deepest / STATION)))
    points = np.stack([np.interp(depths, run, route.line[:, k]) for k in range(3)], axis=1)
    behind = np.stack(
        [np.interp(np.maximum(depths - 1e-4, 0.0), run, route.line[:, k]) for k in range(3)], axis=1
    )
    axes = points - behind
    tip_path = TipPath(points=points, axes=axes, clocks=_carried_clocks(axes, down), depths=depths)
    ranges = ranges_of(bender.space, tip_path, inner_bay(opening))
    aim = route.line[1] - route.line[0]
    return Path(
        wand=wand, opening=opening.name, aim=aim / np.linalg.norm(aim), entry=route.line[0], clock=0.0,
        deepest=float(deepest), shallowest=float(depths[-1]), tip_path=tip_path, ranges=ranges,
        through=tuple(passed.name for passed in route.through),
        limit=_limit(bender, route, float(deepest), hangs_from),
        line=route.line,
    )  # fmt: skip


def _carried_clocks(axes: FloatArray, down: ArrayLike) -> FloatArray:
    """Return clock zero at each pose, the shallowest's carried along the line without twist."""
    clocks = np.zeros_like(axes)
    clock = clock_zero(axes[-1], down)
    for k in range(len(axes) - 1, -1, -1):  # each follows from the one before
        along = axes[k] / np.linalg.norm(axes[k])
        clock = clock - (clock @ along) * along
        clock /= np.linalg.norm(clock)
        clocks[k] = clock
    return clocks


def _limit(bender: Bender, route: Route, deepest: float, hangs_from: str) -> str:
    """Return what ends a route, in words; that the wand's twist is not known belongs to it."""
    wand = bender.wand
    if hangs_from:
        hanging = 1e3 * wand.free_length()
        return (
            f"stops {1e3 * deepest:.0f} mm in, where {hanging:.0f} mm hang free beyond {hangs_from} and droop"
        )
    if deepest > wand.length - 1.5 * step_of(bender):
        return f"stops {1e3 * deepest:.0f} mm in, at its own length"
    return f"ends {1e3 * deepest:.0f} mm in, bend radius {1e3 * bender.bend:.0f} mm; its twist is not known"


def _no_entry(bender: Bender) -> Refusal:
    wand, opening = bender.wand, bender.opening
    widest = wand.largest_section
    if widest.diameter > opening.diameter:
        hole = f"{1e3 * opening.diameter:.1f} mm hole"
        reason = f"{opening.name}: {1e3 * widest.diameter:.1f} mm {widest.name} in a {hole}"
    else:
        reason = f"no room outside {opening.name} for {1e3 * wand.room_outside:.0f} mm of the wand"
    short = max(0.0, widest.diameter - opening.diameter)
    return Refusal(wand=wand.name, opening=opening.name, reason=reason, short_by=short, place=opening.center)


def _refusal(bender: Bender, bay: int, down: ArrayLike) -> Refusal:
    """Return why a bay is not reached: a narrow opening, its length, its droop or its stiffness."""
    name = bender.space.bay_name(bay)
    chain = next(iter(chains_to(bender.space, bender.opening, bay, 2.0 * bender.radius)), None)
    place = bender.opening.center if chain is None else chain[-1].center
    reason, short = _why_not(bender, chain, bay, down)
    return Refusal(
        wand=bender.wand.name,
        opening=bender.opening.name,
        reason=reason,
        short_by=short,
        place=place,
        bay=name,
    )


def _why_not(
    bender: Bender, chain: "tuple[Opening, ...] | None", bay: int, down: ArrayLike
) -> tuple[str, float]:
    name = bender.space.bay_name(bay)
    if chain is None:
        narrow = too_narrow(bender.space, bender.wand, bender.opening, bay)
        return narrow or (f"no chain of openings {2e3 * bender.radius:.1f} mm wide leads to {name}", math.inf)
    steps = sum(float(np.linalg.norm(b.center - a.center)) for a, b in pairwise(chain))
    if steps > bender.longest:
        short = steps - bender.longest
        stop = f"stops {1e3 * bender.longest:.0f} mm in, at its own length"
        return f"{stop}, {1e3 * short:.0f} mm short of {name}", short
    route = routes_along(bender, chain)
    if route is not None:
        depth, hangs_from = held_depth(bender, route, down)
        short = route.length - depth
        return f"{_limit(bender, route, depth, hangs_from)}, {1e3 * short:.0f} mm short of {name}", short
    needed = _bend_needed(bender, chain)
    if not needed:
        return f"no curve found to {name} through {chain[-1].name}", bender.bend
    has = f"has {1e3 * bender.bend:.0f} mm"
    return f"needs bend radius {1e3 * needed:.0f} mm to get to {name}, {has}", bender.bend - needed


def _bend_needed(bender: Bender, chain: "tuple[Opening, ...]") -> float:
    """Return the largest bend radius in m, to 2 mm, with which a route along the chain is found; 0: none."""
    low, high = 0.0, bender.bend
    for share in (0.5, 0.25, 0.12):
        if routes_along(replace(bender, bend=share * bender.bend), chain) is not None:
            low = share * bender.bend
            break
        high = share * bender.bend
    while low and high - low > 0.002:
        middle = (low + high) / 2.0
        if routes_along(replace(bender, bend=middle), chain) is not None:
            low = middle
        else:
            high = middle
    return low
