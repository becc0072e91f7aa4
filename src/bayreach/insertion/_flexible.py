"""Flexible wands: routes of bounded curvature through chains of openings."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from bayreach.arrays import FloatArray, IntArray, unit_vectors
from bayreach.insertion._aims import aims_over_cone, widest_tilt
from bayreach.insertion._cut import with_holes_cut
from bayreach.insertion._space import Space, inward, rods_blocked
from bayreach.wands import Wand

if TYPE_CHECKING:
    from bayreach.bays import Opening

FREE = np.zeros(3)
"""A heading that may be any."""
LEG_POSES = 20000
"""Most poses of the search for one leg."""
TRIES = 60
"""Most legs tried on the way to one bay."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Route:
    """A line (k, 3) m that a flexible wand may follow from the opening in, and its last heading (3,)."""

    line: FloatArray
    heading: FloatArray
    through: "tuple[Opening, ...]"

    @property
    def length(self) -> float:
        """Length in m."""
        return float(run_of(self.line)[-1])


def run_of(line: FloatArray) -> FloatArray:
    """Return how far (p,) along a line (p, 3) each of its points lies, in m."""
    steps = np.linalg.norm(np.diff(line, axis=0), axis=1)
    return np.concatenate([np.zeros(1), np.cumsum(steps)])


@dataclass(frozen=True, kw_only=True, eq=False)
class Bender:
    """A flexible wand in a structure: what its routes must keep to.

    `radius` (m) is that of the tube it sweeps, `bend` (m) the least radius of its line, `longest` (m) its
    length.
    """

    space: Space
    wand: Wand
    opening: "Opening"
    radius: float
    bend: float
    longest: float
    shares: FloatArray


def bender_of(space: Space, wand: Wand, opening: "Opening", holes: "tuple[Opening, ...]" = ()) -> Bender:
    """Return what a flexible wand's routes keep to; it may rest on walls, so no clearance is asked."""
    space = with_holes_cut(space, (opening, *holes))
    entering = [section for section in wand.sections if section.diameter <= opening.diameter]
    widest = max((section.diameter for section in wand.sections[:2]), default=wand.diameter)
    longest = wand.length if len(entering) == len(wand.sections) else wand.length - wand.shank_length
    return Bender(
        space=space, wand=wand, opening=opening, radius=widest / 2.0, bend=float(wand.bend_radius or 0.0),
        longest=longest, shares=np.ones(space.solid.n_faces),
    )  # fmt: skip


def entries_of(bender: Bender) -> list[Route]:
    """Return the routes that only enter, along the axis and leaning, where there is room outside."""
    opening, wand = bender.opening, bender.wand
    tilt = widest_tilt(wand, opening)
    if tilt < 0.0:
        return []
    axis = inward(opening)
    aims = np.concatenate([axis[None], *(aims_over_cone(axis, lean, 7)[1:] for lean in (0.3, 0.7))])
    aims = aims[aims @ axis >= math.cos(tilt + 1e-9)]
    room = opening.center - aims * wand.room_outside
    inside = opening.center + aims * min(bender.radius, 0.002)
    clear = rods_blocked(bender.space, room, inside, bender.radius, shares=bender.shares) < 0
    return [
        Route(line=np.array([opening.center, opening.center + 1e-6 * aim]), heading=aim, through=(opening,))
        for aim in aims[clear]
    ]


def routes_along(bender: Bender, chain: "tuple[Opening, ...]") -> Route | None:
    """Return a route through all openings of a chain, or None: leg by leg, going back where one fails."""
    spent = [0]

    def onward(route: Route, place: int) -> Route | None:
        if place == len(chain):
            return route
        for longer in _legs(bender, route, chain[place], spent):
            found = onward(longer, place + 1)
            if found is not None:
                return found
        return None

    for entry in entries_of(bender):
        found = onward(entry, 1)
        if found is not None or spent[0] > TRIES:
            return found
    return None


def _legs(bender: Bender, route: Route, gate: "Opening", spent: list[int]) -> Iterator[Route]:
    """Yield routes that go on to the centre of a gate: shots first, then a search round obstacles."""
    axis = unit_vectors(gate.normal)
    start = route.line[-1]
    axis = axis if axis @ (gate.center - start) >= 0.0 else -axis
    lean = unit_vectors(axis + unit_vectors(gate.center - start))
    for heading in (FREE, axis, lean):
        spent[0] += 1
        if spent[0] > TRIES:
            return
        longer = shot_to(bender, route, gate.center, heading)
        if longer is not None:
            yield Route(line=longer.line, heading=longer.heading, through=(*route.through, gate))
    spent[0] += 10
    if spent[0] <= TRIES:
        found = searched_to(bender, route, gate.center, FREE)
        if found is not None:
            yield Route(line=found.line, heading=found.heading, through=(*route.through, gate))


def shot_to(bender: Bender, route: Route, point: FloatArray, heading: FloatArray) -> Route | None:
    """Return the route led on by two bends at most to a point and heading (zero: any), if that is clear."""
    from bayreach.insertion._curves import CHORD, POINTS, is_line_clear, line_length, shot

    curve = np.zeros((POINTS, 3))
    place, ahead, goal, end = (vector_of(v) for v in (route.line[-1], route.heading, point, heading))
    count = shot(place, ahead, goal, end, bender.bend, curve)
    if count == 0 or route.length + line_length(curve, count) > bender.longest:
        return None
    swell = bender.bend * CHORD * CHORD / 8.0
    if not is_line_clear(bender.space.tree, curve, count, bender.radius + swell, bender.shares):
        return None
    return _added(route, curve[:count])


def vector_of(values: FloatArray) -> tuple[float, float, float]:
    """Return three floats of an array (3,)."""
    return float(values[0]), float(values[1]), float(values[2])


def _added(route: Route, curve: FloatArray) -> Route:
    apart = np.linalg.norm(np.diff(curve, axis=0), axis=1) > 1e-9
    curve = np.concatenate([curve[:1], curve[1:][apart]])
    line = np.concatenate([route.line, curve[1:]])
    return Route(line=line, heading=unit_vectors(line[-1] - line[-2]), through=route.through)


def searched_to(bender: Bender, route: Route, point: FloatArray, heading: FloatArray) -> Route | None:
    """Return the route led on to a point by the search over arcs and straights, or None."""
    seeds = np.concatenate([route.line[-1], route.heading])[None]
    poses, parents, moves, last, curve, count = _run(
        bender, seeds, np.array([route.length]), np.concatenate([point, heading]), most=LEG_POSES, rows=6
    )
    if count == 0:
        return None
    way = _added(route, line_of(poses, parents, moves, last, bend=bender.bend, step=step_of(bender)))
    return _added(way, curve[:count])


def step_of(bender: Bender) -> float:
    """Return the length in m of one move of the search."""
    return float(np.clip(0.4 * bender.bend, 0.012, 0.04))


def _run(
    bender: Bender, seeds: FloatArray, begun: FloatArray, goal: FloatArray, *, most: int, rows: int
) -> tuple[FloatArray, IntArray, IntArray, int, FloatArray, int]:
    from bayreach.insertion._curves import search

    low, high = bender.space.mesh.box
    step = step_of(bender)
    spacing = max(0.8 * step, float(np.cbrt(np.prod(high - low + 1e-3) * 6 * rows**2 / 6e7)))
    counts = np.array([*(np.ceil((high - low) / spacing) + 1), rows], dtype=np.int64)
    sizes = np.array([bender.radius, bender.bend, step, bender.longest])
    return search(
        bender.space.tree, bender.shares, np.ascontiguousarray(seeds), begun,
        np.array([*(low - spacing / 2.0), spacing]), counts, sizes, goal, most,
    )  # fmt: skip


def line_of(
    poses: FloatArray, parents: IntArray, moves: IntArray, last: int, *, bend: float, step: float
) -> FloatArray:
    """Return the points (k, 3) of the moves that lead to pose `last`, arcs drawn in short chords."""
    from bayreach.insertion._curves import TURN, moved

    steps = [last]
    while parents[steps[-1]] >= 0:
        steps.append(int(parents[steps[-1]]))
    steps.reverse()
    points = [poses[steps[0], :3]]
    for before, here in pairwise(steps):
        move = int(moves[here])
        count = 1 if move == 0 else math.ceil(step / bend / TURN)
        start, heading = vector_of(poses[before, :3]), vector_of(poses[before, 3:6])
        points += [
            np.array(moved(start, heading, move, step, bend, k / count)[0]) for k in range(1, count + 1)
        ]
    return np.array(points)


@dataclass(frozen=True, kw_only=True, eq=False)
class Spread:
    """Poses (k, 7: point, heading, length so far) that a search found, and the routes it went on from."""

    poses: FloatArray
    parents: IntArray
    moves: IntArray
    routes: tuple[Route, ...]

    def route_to(self, bender: Bender, end: int) -> Route:
        """Return the route to pose `end`."""
        line = line_of(self.poses, self.parents, self.moves, end, bend=bender.bend, step=step_of(bender))
        first = end
        while self.parents[first] >= 0:
            first = int(self.parents[first])
        source = self.routes[first]  # the first poses are the ends of the routes
        return Route(
            line=np.concatenate([source.line, line[1:]]), heading=self.poses[end, 3:6], through=source.through
        )


def spread_from(bender: Bender, routes: tuple[Route, ...], most: int) -> Spread:
    """Return the poses, at most `most`, that a search finds from the ends of some routes."""
    seeds = np.array([[*route.line[-1], *route.heading] for route in routes])
    begun = np.array([route.length for route in routes])
    nowhere = np.array([math.inf, math.inf, math.inf, 0.0, 0.0, 0.0])
    poses, parents, moves, _, _, _ = _run(bender, seeds, begun, nowhere, most=most, rows=2)
    return Spread(poses=poses, parents=parents, moves=moves, routes=routes)
