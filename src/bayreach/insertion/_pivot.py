"""Straight wands that pivot: put in, tilted in the opening, put in further, where no single line leads in."""

import heapq
import math
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import FloatArray, IntArray, plane_across, unit_vectors
from bayreach.insertion._bent import Body, Threading, body_of, threading_of
from bayreach.insertion._cut import with_holes_cut
from bayreach.insertion._space import Space, bays_at, inward
from bayreach.insertion._straight import STEEPEST, moving_sections
from bayreach.insertion._ways import Way, capsule_arrays, line_arrays, stands_of, way_of
from bayreach.wands import Wand

if TYPE_CHECKING:
    from bayreach.bays import Opening
    from bayreach.insertion._motion import Capsules, Line

TILT = math.radians(6.0)
"""Steps in tilt of the aims tried."""
ROUND = 16
"""Aims tried all round at each tilt."""
LEVELS = 8
"""Times a step between two aims may be halved."""
TRIES = 10
"""Ways tried to one goal."""
DEEPEST_FIRST = (0.999, 0.7, 0.4, 0.0)
"""Goals are tried from the deepest on: those beyond these shares of the depth to gain."""
NEAR = 0.12
"""Share of its length by which a wand may be short of clear at an aim that is then moved."""
CELL = math.radians(10.0)
"""Most by which an aim is moved: half-way to the next ones round."""
ENOUGH = 2e-3
"""Share of a wand's length that is span enough where aims are moved."""
MOST_MOVED = 96
"""Most aims moved."""
PARTS = 6
"""Least number of capsules that a wand is taken for while it turns."""
PLACES = 8
"""Depths of each aim at which the tip's bay is asked."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Pivots:
    """A straight wand in an opening: at each aim the best place in it and the depths clear there.

    `aims` (m, 3), `ats` (m, 2) m in the plane whose rows (3, 3) are two directions and the axis, `depths`
    (m, k + 1, 2) with the first k sections past the rim, `beside` (m, n) the aims next to each (-1: none).
    """

    space: Space
    wand: Wand
    opening: "Opening"
    down: FloatArray
    shares: FloatArray
    plane: FloatArray
    rim: FloatArray
    sections: FloatArray
    sizes: FloatArray
    aims: FloatArray
    ats: FloatArray
    depths: FloatArray
    beside: IntArray
    body: Body
    threading: Threading

    @cached_property
    def arrays(self) -> "tuple[Any, FloatArray, Capsules, Line]":
        """The plain arrays that compiled motions take first: tree, shares, capsules, line."""
        return self.space.tree, self.shares, capsule_arrays(self.body), line_arrays(self.threading)

    def places(self, ats: FloatArray) -> FloatArray:
        """Return the points (n, 3) in m at `ats` (n, 2) in the opening's plane."""
        spread: FloatArray = self.opening.center + ats @ self.plane[:2]
        return spread


def pivots_of(
    space: Space, wand: Wand, opening: "Opening", *, down: ArrayLike, holes: "tuple[Opening, ...]" = ()
) -> Pivots:
    """Return the best places and clear depths of aims all over the opening's cone."""
    space = with_holes_cut(space, (opening, *holes))
    axis = inward(opening)
    plane = np.vstack([plane_across(axis), axis])
    aims, beside = _aims(plane)
    room = wand.room_outside if wand.couple_after else math.inf
    sizes = np.array([wand.clearance, room, wand.length, opening.thickness / 2.0, opening.diameter])
    shares, sections, rim = space.shares(), _sections(wand), _rim(opening, plane)
    wide = rim.max(axis=0) - rim.min(axis=0)
    rings = np.array([(0.0, 0.0), *_ring(0.4, 6), *_ring(0.7, 12)])
    spread = np.concatenate([rings * wide / 2.0, (rings * wide + rim.max(axis=0) + rim.min(axis=0)) / 2.0])
    from bayreach.insertion._pivot_kernel import best_entries

    ats, depths = best_entries(
        space.tree, shares, np.array(opening.center), plane, rim, np.tile(spread, (len(aims), 1, 1)),
        np.full(len(aims), wide.max() / 8.0), aims, sections, sizes,
    )  # fmt: skip
    return Pivots(
        space=space, wand=wand, opening=opening, down=np.asarray(down, dtype=np.float64), shares=shares,
        plane=plane, rim=rim, sections=sections, sizes=sizes, aims=aims, ats=ats, depths=depths,
        beside=beside, body=body_of(wand, longest=wand.length / PARTS),
        threading=threading_of(wand, opening.thickness, wand.length / 2.0),
    )  # fmt: skip


def _rim(opening: "Opening", plane: FloatArray) -> FloatArray:
    """Return the opening's rim (p, 2) in its plane: that of the mesh, or a circle for one not cut yet."""
    if opening.kind == "proposed" or not len(opening.rim):
        return opening.diameter / 2.0 * np.array(_ring(1.0, 48))
    return np.ascontiguousarray((np.asarray(opening.rim) - opening.center) @ plane[:2].T)


def _ring(share: float, count: int) -> list[tuple[float, float]]:
    turns = 2.0 * math.pi * np.arange(count) / count
    return [(share * math.cos(turn), share * math.sin(turn)) for turn in turns]


def _sections(wand: Wand) -> FloatArray:
    """Return how far behind the tip the first and the last ball of each section lies, and its radius."""
    rows = []
    for section in moving_sections(wand):
        radius = section.diameter / 2.0
        half = (section.far - section.near) / 2.0
        rows.append(
            (
                min(radius, half) if section.near == 0.0 else section.near,
                section.far - min(radius, half),
                radius,
            )
        )
    return np.array(rows)


def _aims(plane: FloatArray) -> tuple[FloatArray, IntArray]:
    """Return aims (m, 3) in rings about the axis, the axis first, and the aims next to each (m, n)."""
    rings = np.arange(1, math.floor(STEEPEST / TILT) + 1) * TILT
    turns = 2.0 * math.pi * np.arange(ROUND) / ROUND
    sideways = np.cos(turns)[:, None] * plane[0] + np.sin(turns)[:, None] * plane[1]
    aims = [plane[2][None]] + [math.cos(tilt) * plane[2] + math.sin(tilt) * sideways for tilt in rings]
    beside = np.full((1 + ROUND * len(rings), max(ROUND, 4)), -1)
    beside[0] = 1 + np.arange(ROUND)
    for ring in range(len(rings)):
        for turn in range(ROUND):
            here = 1 + ring * ROUND + turn
            inner = 0 if ring == 0 else here - ROUND
            outer = here + ROUND if ring + 1 < len(rings) else -1
            round_it = [1 + ring * ROUND + (turn + step) % ROUND for step in (1, -1)]
            beside[here, :4] = [inner, outer, *round_it]
    return np.concatenate(aims), beside


def pivoted_way(pivots: Pivots, bay: int, deeper_than: float = 0.0) -> tuple[Way, float] | None:
    """Return a checked way by which the tip gets into a bay, deeper than some m, or None where none is found.

    Beside it stands the least depth (m) to which the wand can then be pulled straight back.
    """
    moved: Pivots | None = None
    barred: tuple[set[tuple[int, int]], set[tuple[int, int]]] = (set(), set())
    for share in DEEPEST_FIRST:
        found = _found_on(pivots, bay, deeper_than, share, barred[0])
        if found is None:
            moved = _moved(pivots) if moved is None else moved
            found = _found_on(moved, bay, deeper_than, share, barred[1])
        if found is not None:
            return found
    return None


def _found_on(
    pivots: Pivots, bay: int, deeper_than: float, share: float, barred: set[tuple[int, int]]
) -> tuple[Way, float] | None:
    goals = _goals(pivots, bay, deeper_than)
    least = deeper_than + share * (max(goals.values(), default=0.0) - deeper_than)
    return _way_to(pivots, {node: depth for node, depth in goals.items() if depth >= least}, barred)


def _moved(pivots: Pivots) -> Pivots:
    """Return the pivots with the aims at which a wand is nearly clear moved to where it is.

    A narrow way seldom leads over a lattice's own aims: each that is short by less than `NEAR` of the wand's
    length is turned within its own part of the cone to where the span of clear depths is widest.
    """
    from bayreach.insertion._pivot_kernel import best_aim, best_entries

    spans = (pivots.depths[:, :, 1] - pivots.depths[:, :, 0]).max(axis=1)
    near = np.flatnonzero((spans <= 0.0) & (spans > -NEAR * pivots.wand.length))
    near = near[np.argsort(-spans[near])][:MOST_MOVED]
    aims, ats, depths = pivots.aims.copy(), pivots.ats.copy(), pivots.depths.copy()
    kept = (pivots.space.tree, pivots.shares, np.array(pivots.opening.center), pivots.plane, pivots.rim)
    for node in near:
        aim = aims[node]
        out = unit_vectors(np.cross(aim, np.cross(pivots.plane[2], aim)))  # along the tilt
        if not out.any():
            out = pivots.plane[0]
        round_it = np.cross(aim, out)
        ways = np.stack([out, round_it, unit_vectors(out + round_it), unit_vectors(out - round_it)])
        found, at, span = best_aim(
            *kept, ats[node], aim, ways, CELL, ENOUGH * pivots.wand.length, pivots.sections, pivots.sizes
        )
        if span > 0.0:
            aims[node], ats[node] = found, at
            wide = 1e-3 * pivots.wand.length
            ats[node], depths[node] = (
                each[0]
                for each in best_entries(
                    *kept, at[None, None], np.array([wide]), found[None], pivots.sections, pivots.sizes
                )
            )
    return replace(pivots, aims=aims, ats=ats, depths=depths)


def _way_to(
    pivots: Pivots, goals: dict[int, float], barred: set[tuple[int, int]]
) -> tuple[Way, float] | None:
    """Return a checked way to one of some goals; steps that cannot be made are added to those barred."""
    for _ in range(TRIES if goals else 0):
        way = _easiest(pivots, goals, barred)
        if way is None:
            return None
        stands, failed = _refined(pivots, way, goals)
        if failed is None:
            return way_of(stands), max(float(pivots.depths.reshape(-1, 2)[way[-1], 0]), 0.0)
        barred |= {failed, failed[::-1]}
    return None


def _goals(pivots: Pivots, bay: int, deeper_than: float) -> dict[int, float]:
    """Return the nodes at which the tip may be in a bay, deeper than some m, and the greatest such depth."""
    n_states = pivots.depths.shape[1]
    shares = np.linspace(1.0, 0.0, PLACES)
    spans = pivots.depths.reshape(-1, 2)
    nodes = np.flatnonzero(spans[:, 1] > spans[:, 0] + 1e-9)
    if not len(nodes):
        return {}
    depths = spans[nodes, :1] + (spans[nodes, 1:] - spans[nodes, :1]) * shares
    places, aims = pivots.places(pivots.ats)[nodes // n_states], pivots.aims[nodes // n_states]
    tips = places[:, None] + depths[..., None] * aims[:, None]
    inside = bays_at(pivots.space, tips.reshape(-1, 3)).reshape(depths.shape) == bay
    inside &= depths > deeper_than
    rows = np.flatnonzero(inside.any(axis=1))
    return {int(nodes[row]): float(depths[row, np.argmax(inside[row])]) for row in rows}


def _easiest(pivots: Pivots, goals: dict[int, float], barred: set[tuple[int, int]]) -> list[int] | None:
    """Return the nodes from outside to a goal that turn least and leave most room (Dijkstra's search)."""
    n_states = pivots.depths.shape[1]
    spans = pivots.depths.reshape(-1, 2)
    slack = spans[:, 1] - spans[:, 0]
    starts = [int(n) for n in np.flatnonzero((slack > 0.0) & (spans[:, 0] <= 0.0)) if n % n_states == 0]
    costs, before = dict.fromkeys(starts, 0.0), {start: start for start in starts}
    waiting = [(0.0, start) for start in starts]
    while waiting:
        cost, here = heapq.heappop(waiting)
        if cost > costs[here]:
            continue
        if here in goals:
            nodes = [here]
            while before[nodes[-1]] != nodes[-1]:
                nodes.append(before[nodes[-1]])
            return nodes[::-1]
        aim, state = divmod(here, n_states)
        ahead = [int(other) * n_states + state for other in pivots.beside[aim] if other >= 0]
        for step in (1, -1):
            there = here + step
            if 0 <= state + step < n_states:
                overlap = min(spans[here, 1], spans[there, 1]) - max(spans[here, 0], spans[there, 0])
                ahead += [there] if overlap > 0.0 else []
        for there in ahead:
            if slack[there] <= 0.0 or (here, there) in barred:
                continue
            further = cost + 1.0 + 1e-3 / (slack[there] + 1e-5)
            if further < costs.get(there, math.inf):
                costs[there], before[there] = further, here
                heapq.heappush(waiting, (further, there))
    return None


def _refined(
    pivots: Pivots, nodes: list[int], goals: dict[int, float]
) -> tuple[FloatArray, tuple[int, int] | None]:
    """Return the stands (k, 13) of a way along nodes, checked; or the step that could not be made."""
    n_states = pivots.depths.shape[1]
    spans = pivots.depths.reshape(-1, 2)[nodes]
    depths = spans.mean(axis=1)
    for k in range(len(nodes) - 1):
        low, high = max(spans[k, 0], spans[k + 1, 0]), min(spans[k, 1], spans[k + 1, 1])
        if nodes[k] // n_states == nodes[k + 1] // n_states or low <= high:
            depths[k + 1] = np.clip(depths[k + 1], low, high)
    knots = [(node // n_states, node % n_states) for node in nodes]
    aims, ats = pivots.aims[[aim for aim, _ in knots]], pivots.ats[[aim for aim, _ in knots]]
    rows = [_stand(pivots, aims[0], ats[0], 0.0)]
    for k in range(len(nodes) - 1):
        one = (aims[k], ats[k], float(depths[k]) if k else 0.0)
        two = (aims[k + 1], ats[k + 1], float(depths[k + 1]))
        steps = _step(pivots, one, two, knots[k][1], LEVELS)
        if steps is None:
            return np.zeros((0, 13)), (nodes[k], nodes[k + 1])
        rows += steps
    rows.append(_stand(pivots, aims[-1], ats[-1], goals[nodes[-1]]))
    return np.array(rows), None


Knot = tuple[FloatArray, FloatArray, float]


def _step(pivots: Pivots, one: Knot, two: Knot, state: int, levels: int) -> list[FloatArray] | None:
    """Return the stands that lead from one to another: turned evenly, or halved where that is not clear."""
    from bayreach.insertion._motion import way_hit
    from bayreach.insertion._pivot_kernel import best_aim, best_entries

    stands = np.array([_stand(pivots, *one), _stand(pivots, *two)])
    asked = pivots.sizes[:2].copy()
    if way_hit(*pivots.arrays, stands, asked) < 0:
        return [stands[1]]
    if levels == 0:
        return None
    aim = unit_vectors(one[0] + two[0])
    guess = (one[1] + two[1]) / 2.0
    step = max(1e-5, float(np.linalg.norm(one[1] - two[1])) / 2.0)
    ats, depths = best_entries(
        pivots.space.tree, pivots.shares, np.array(pivots.opening.center), pivots.plane, pivots.rim,
        np.stack([guess, one[1], two[1]])[None], np.array([step]), aim[None], pivots.sections, pivots.sizes,
    )  # fmt: skip
    low, high = depths[0, state]
    if high < low:
        across = np.cross(one[0], two[0])
        freedom = float(np.linalg.norm(across))
        if freedom < 1e-9:
            return None
        aim, ats[0], span = best_aim(
            pivots.space.tree, pivots.shares, np.array(pivots.opening.center), pivots.plane, pivots.rim,
            ats[0], aim, across[None] / freedom, 0.5 * freedom, ENOUGH * freedom * pivots.wand.length,
            pivots.sections, pivots.sizes,
        )  # fmt: skip
        if span <= 0.0:
            return None
        ats, depths = best_entries(
            pivots.space.tree, pivots.shares, np.array(pivots.opening.center), pivots.plane, pivots.rim,
            ats[None], np.array([1e-5]), aim[None], pivots.sections, pivots.sizes,
        )  # fmt: skip
        low, high = depths[0, state]
        if high < low:
            return None
    middle = (aim, ats[0], float(np.clip((one[2] + two[2]) / 2.0, low, high)))
    first = _step(pivots, one, middle, state, levels - 1)
    rest = None if first is None else _step(pivots, middle, two, state, levels - 1)
    return None if first is None or rest is None else first + rest


def _stand(pivots: Pivots, aim: FloatArray, at: FloatArray, depth: float) -> FloatArray:
    # The up carried from the axis by the least turn: no clock angle is singular, no step twists the wand.
    first, axis = pivots.plane[0], pivots.plane[2]
    turn = np.cross(axis, aim)
    up = first + np.cross(turn, first) + np.cross(turn, np.cross(turn, first)) / (1.0 + float(axis @ aim))
    place = pivots.places(at[None])
    stand: FloatArray = stands_of(np.array([depth]), aim[None], up[None], place)[0]
    return stand
