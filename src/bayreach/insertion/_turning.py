"""The search over depth and clock angle of a bent wand in an opening; its way in, checked step by step."""

import math
from collections import deque
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import BoolArray, FloatArray, IntArray
from bayreach.insertion._bent import Body, BodyPoses, Threading, body_of, body_poses, threading_of
from bayreach.insertion._cut import with_holes_cut
from bayreach.insertion._space import Space
from bayreach.wands import Wand

if TYPE_CHECKING:
    from bayreach.bays import Opening

CLOCKS = 36
"""Clock angles tried all round."""
BEND_STEP, SHANK_STEP = 0.0025, 0.008
"""Steps in depth of the first search, m, while a bend and while the straight shank is in the opening."""
FINE = 0.0005
"""Steps in depth of the check, m."""
WHOLE_TURN = 2.0 * math.pi


@dataclass(frozen=True, kw_only=True, eq=False)
class Tools:
    """What a wand's search needs and its aims share."""

    space: Space
    wand: Wand
    opening: "Opening"
    down: FloatArray
    shares: FloatArray
    threading: Threading
    rows: IntArray
    clocks: FloatArray
    coarse: Body
    fine: Body
    free: float


def tools_for(
    space: Space, wand: Wand, opening: "Opening", *, clocks: ArrayLike, down: ArrayLike,
    holes: "tuple[Opening, ...]" = (),
) -> Tools:  # fmt: skip
    """Return the tools for one wand and opening; `clocks` (rad) are tried besides those all round."""
    space = with_holes_cut(space, (opening, *holes))
    threading = threading_of(wand, opening.thickness, FINE)
    bends = wand.length - wand.straight_shank
    marks = np.unique(
        np.concatenate(
            [
                np.linspace(0.0, bends, max(2, math.ceil(bends / BEND_STEP) + 1)),
                np.linspace(bends, wand.length, max(2, math.ceil(wand.straight_shank / SHANK_STEP) + 1)),
            ]
        )
    )
    rows = np.unique(np.searchsorted(threading.depths, marks - 1e-9).clip(0, len(threading.depths) - 1))
    wanted = np.mod(np.asarray(clocks, dtype=np.float64), WHOLE_TURN)
    angles = np.concatenate([np.arange(CLOCKS) * WHOLE_TURN / CLOCKS, wanted])
    return Tools(
        space=space, wand=wand, opening=opening, down=np.asarray(down, dtype=np.float64),
        shares=space.shares(), threading=threading, rows=rows,
        free=wand.free_length() if math.isfinite(wand.droop_limit) else math.inf,
        clocks=np.unique(angles.round(9)), coarse=body_of(wand, longest=math.inf), fine=body_of(wand),
    )  # fmt: skip


@dataclass(frozen=True, kw_only=True, eq=False)
class Search:
    """What was found along one aim.

    Parameters
    ----------
    tools : Tools
        The wand's.
    entry, aim : (3,) float
        The hole's axis for this aim: a point in m and a unit vector.
    clear : (s, c) bool
        True where the whole wand is clear, at each depth and clock angle searched.
    reached : (s, c) bool
        True where it gets from outside by steps in depth and turns.
    before : (s, c) int
        The place (flat) that each was reached from; itself at the start, -1 where not reached.
    faces, capsules : (s, c) int
        What is in the way, and which of the body's capsules meets it; -1 where clear.
    """

    tools: Tools
    entry: FloatArray
    aim: FloatArray
    clear: BoolArray
    reached: BoolArray
    before: IntArray
    faces: IntArray
    capsules: IntArray

    @property
    def deepest(self) -> float:
        """Greatest depth in m reached at any clock angle; 0 where it does not enter."""
        rows = np.flatnonzero(self.reached.any(axis=1))
        return float(self.tools.threading.depths[self.tools.rows[rows[-1]]]) if len(rows) else 0.0


def searched(tools: Tools, entry: FloatArray, aim: FloatArray) -> Search:
    """Return what a bent wand reaches along one aim, stepping in depth and turning in the hole."""
    rows, clocks = tools.rows, tools.clocks
    shape = (len(rows), len(clocks))
    every_row, every_clock = np.repeat(rows, len(clocks)), np.tile(clocks, len(rows))
    poses = _poses(tools, every_row, every_clock, entry, aim)
    extras = np.full((len(every_row), len(tools.coarse.radii)), tools.wand.clearance)
    faces, capsules = _blocked(tools, tools.coarse, poses, every_row, extras)
    held = tools.threading.depths[rows] <= tools.free
    clear = (faces < 0).reshape(shape) & (_passes_hole(tools, aim) & held)[:, None]
    reached, before = _flooded(clear)
    return Search(
        tools=tools, entry=entry, aim=aim, clear=clear, reached=reached, before=before,
        faces=faces.reshape(shape), capsules=capsules.reshape(shape),
    )  # fmt: skip


def _poses(tools: Tools, rows: IntArray, clocks: FloatArray, entry: FloatArray, aim: FloatArray) -> BodyPoses:
    return body_poses(tools.threading, rows, clocks, entry=entry, aim=aim, down=tools.down)


def _passes_hole(tools: Tools, aim: FloatArray) -> BoolArray:
    """Tell (s,) whether the wand passes the hole's rule at each depth; a cut hole has its rim in the mesh."""
    opening, needed = tools.opening, tools.threading.needed[tools.rows]
    if opening.kind != "proposed":
        return np.asarray(tools.threading.widths[tools.rows] <= opening.diameter * (1.0 + 1e-9))
    tilt = math.acos(min(1.0, abs(float(aim @ opening.normal))))
    asked = (needed / math.cos(tilt) + opening.thickness * math.tan(tilt)) if tilt < 1.55 else np.inf * needed
    passes: BoolArray = asked <= opening.diameter * (1.0 + 1e-9) + 1e-12
    return passes


def _blocked(
    tools: Tools, body: Body, poses: BodyPoses, rows: IntArray, extras: FloatArray
) -> tuple[IntArray, IntArray]:
    from bayreach.insertion._queries import blocked_bodies

    wand = tools.wand
    if wand.couple_after:
        outside = body.from_tip[None, :] - tools.threading.depths[rows][:, None]
        extras = np.where(outside > wand.room_outside, -1.0, extras)
    return blocked_bodies(
        tools.space.tree, starts=body.starts, ends=body.ends, radii=body.radii, extras=extras,
        rotations=poses.rotations, origins=poses.origins, shares=tools.shares,
    )  # fmt: skip


def _flooded(clear: BoolArray) -> tuple[BoolArray, IntArray]:
    """Return the places reached from the first row by steps to neighbours, the clock wrapping round."""
    n_rows, n_clocks = clear.shape
    before = np.full(clear.shape, -1)
    waiting: deque[tuple[int, int]] = deque()
    for first in np.flatnonzero(clear[0]).tolist():
        before[0, first] = first
        waiting.append((0, first))
    while waiting:
        row, clock = waiting.popleft()
        for ahead, beside in ((row + 1, clock), (row, clock + 1), (row, clock - 1), (row - 1, clock)):
            turned = beside % n_clocks
            if 0 <= ahead < n_rows and clear[ahead, turned] and before[ahead, turned] < 0:
                before[ahead, turned] = row * n_clocks + clock
                waiting.append((ahead, turned))
    return before >= 0, before


def way_to(search: Search, row: int, clock: int) -> IntArray:
    """Return the places (k, 2) of row and clock on the way from outside to one that is reached."""
    n_clocks = search.clear.shape[1]
    place = row * n_clocks + clock
    way = [place]
    flat = search.before.ravel()
    while flat[place] != place:
        place = int(flat[place])
        way.append(place)
    return np.stack(np.divmod(np.array(way[::-1]), n_clocks), axis=1)


def fine_way(search: Search, way: IntArray) -> tuple[IntArray, FloatArray, IntArray]:
    """Return rows of the threading, clocks (rad) and the step of `way` of poses close enough to check."""
    tools = search.tools
    radius = float(np.linalg.norm(tools.threading.points[:, 1:], axis=1).max()) + tools.wand.diameter
    turn = max(2.0 * tools.wand.clearance, FINE) / radius
    rows, clocks, steps = [tools.rows[way[:1, 0]]], [tools.clocks[way[:1, 1]]], [np.zeros(1, dtype=np.int64)]
    for step, ((row, clock), (next_row, next_clock)) in enumerate(pairwise(way)):
        start, stop = int(tools.rows[row]), int(tools.rows[next_row])
        if start != stop:
            between = np.arange(start, stop, 1 if stop > start else -1)[1:].tolist()
            rows.append(np.array([*between, stop]))
            clocks.append(np.full(len(rows[-1]), tools.clocks[clock]))
        else:
            swing = (tools.clocks[next_clock] - tools.clocks[clock] + math.pi) % WHOLE_TURN - math.pi
            count = max(1, math.ceil(abs(swing) / turn))
            clocks.append(tools.clocks[clock] + swing * np.arange(1, count + 1) / count)
            rows.append(np.full(count, start))
        steps.append(np.full(len(rows[-1]), step))
    return np.concatenate(rows), np.concatenate(clocks), np.concatenate(steps)


def first_bad_step(search: Search, way: IntArray) -> int:
    """Return the first step of `way` on which the wand is not clear all along; -1 where there is none.

    Between two checked poses a capsule moves sideways by at most what is added to its radius, twice over,
    so a way that passes is clear throughout; at the rim itself, where the wand slides along its own line,
    only the poses half a millimetre apart are checked.
    """
    tools = search.tools
    rows, clocks, steps = fine_way(search, way)
    poses = _poses(tools, rows, clocks, search.entry, search.aim)
    moved = _sideways(poses, tools.fine) / 2.0
    faces, _ = _blocked(tools, tools.fine, poses, rows, np.maximum(moved, tools.wand.clearance))
    bad = np.flatnonzero(faces >= 0)
    return int(steps[bad[0]]) if len(bad) else -1


def _sideways(poses: BodyPoses, body: Body) -> FloatArray:
    """Return how far (k, c) in m each capsule moves across its own direction between neighbouring poses."""
    along = body.ends - body.starts
    length = np.linalg.norm(along, axis=1, keepdims=True)
    along = np.divide(along, length, out=np.zeros_like(along), where=length > 0.0)
    headings = np.einsum("kij,cj->kci", poses.rotations[:-1], along)
    most = np.zeros((len(poses.origins) - 1, len(body.radii)))
    for ends in (body.starts, body.ends):
        shift = np.diff(poses.carried(ends), axis=0)
        across = shift - np.einsum("kci,kci->kc", shift, headings)[..., None] * headings
        most = np.maximum(most, np.linalg.norm(across, axis=2))
    padded = np.zeros((len(poses.origins), len(body.radii)))
    padded[1:] = most
    padded[:-1] = np.maximum(padded[:-1], most)
    return padded


def checked_way(search: Search, clock: int, *, tries: int = 12) -> tuple[IntArray, Search]:
    """Return the checked way (k, 2) to the greatest depth at a clock angle; empty where there is none.

    A step that fails is barred, at every clock angle at which it fails, and the search is repeated; the
    search as it then stands comes back too.
    """
    for _ in range(tries):
        deep = np.flatnonzero(search.reached[:, clock])
        if not len(deep) or deep[-1] == 0:
            return np.zeros((0, 2), dtype=np.int64), search
        way = way_to(search, int(deep[-1]), clock)
        bad = first_bad_step(search, way)
        if bad < 0:
            return way, search
        search = _barred(search, way[bad], way[bad + 1])
    return np.zeros((0, 2), dtype=np.int64), search


def _barred(search: Search, start: IntArray, stop: IntArray) -> Search:
    clear = search.clear.copy()
    clear[tuple(stop)] = False
    if start[0] != stop[0]:
        for clock in np.flatnonzero(clear[start[0]] & clear[stop[0]]):
            if first_bad_step(search, np.array([[start[0], clock], [stop[0], clock]])) >= 0:
                clear[stop[0], clock] = False
    reached, before = _flooded(clear)
    return replace(search, clear=clear, reached=reached, before=before)


def pull_back(search: Search, clock: int, row: int) -> int:
    """Return the shallowest row of an unbroken, checked slide at one clock angle back from `row`."""
    column = search.reached[: row + 1, clock]
    broken = np.flatnonzero(~column)
    least = int(broken[-1]) + 1 if len(broken) else 0
    way = np.stack([np.arange(row, least - 1, -1), np.full(row - least + 1, clock)], axis=1)
    bad = first_bad_step(search, way)
    return least if bad < 0 else int(way[bad, 0])
