"""The search over depth, clock angle and lean of a bent wand in an opening; every step of it is checked."""

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import BoolArray, FloatArray, IntArray
from bayreach.insertion._bent import Body, Threading, body_of, threading_of
from bayreach.insertion._cut import with_holes_cut
from bayreach.insertion._leans import Leans, leans_of
from bayreach.insertion._space import Space
from bayreach.insertion._ways import Way, capsule_arrays, line_arrays, way_of
from bayreach.wands import Wand

if TYPE_CHECKING:
    from bayreach.bays import Opening
    from bayreach.insertion._flood import Lattice
    from bayreach.insertion._motion import Capsules, Line

CLOCKS = 24
"""Clock angles tried all round."""
BEND_STEP, SHANK_STEP = 0.0025, 0.008
"""Steps in depth of the search, m, while a bend and while the straight shank is in the opening."""
FINE = 0.0005
"""Steps in depth at which the wand's line is known, m."""
WHOLE_TURN = 2.0 * math.pi
MOST = 400_000
"""Most steps tried."""
MOST_BACK = 3_000
"""Most steps tried backwards from a goal before all is tried from outside."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Tools:
    """What a wand's search needs: depths `marks` (r,) and where, `passes` (l, r), the hole lets it be."""

    space: Space
    wand: Wand
    opening: "Opening"
    down: FloatArray
    shares: FloatArray
    threading: Threading
    marks: FloatArray
    clocks: FloatArray
    leans: Leans
    passes: IntArray
    body: Body
    free: float

    @property
    def arrays(self) -> "tuple[Any, FloatArray, Capsules, Line]":
        """The plain arrays that compiled motions take first: tree, shares, capsules, line."""
        return self.space.tree, self.shares, capsule_arrays(self.body), line_arrays(self.threading)

    @property
    def asked(self) -> FloatArray:
        """(2,) float: clearance, and the room outside that the wand needs, in m."""
        room = self.wand.room_outside if self.wand.couple_after else math.inf
        return np.array([self.wand.clearance, room])


def tools_for(
    space: Space, wand: Wand, opening: "Opening", *, entries: FloatArray, aims: FloatArray, clocks: ArrayLike,
    down: ArrayLike, holes: "tuple[Opening, ...]" = (), linked: bool = False, least: float = 0.0,
) -> Tools:  # fmt: skip
    """Return the tools for one wand and opening; `clocks` (rad) are tried besides those all round.

    `least` (m) is a depth to be tried besides the even ones: where a pull is to end. `linked`: the wand may
    lean from one of the aims and entries (m, 3) to another on its way in.
    """
    space = with_holes_cut(space, (opening, *holes))
    threading = threading_of(wand, opening.thickness, FINE)
    bends = wand.length - wand.straight_shank
    marks = np.unique(
        np.concatenate(
            [
                np.linspace(0.0, bends, max(2, math.ceil(bends / BEND_STEP) + 1)),
                np.linspace(bends, wand.length, max(2, math.ceil(wand.straight_shank / SHANK_STEP) + 1)),
                [min(least, wand.length)],
            ]
        ).round(12)
    )
    wanted = np.mod(np.asarray(clocks, dtype=np.float64), WHOLE_TURN)
    angles = np.unique(np.concatenate([np.arange(CLOCKS) * WHOLE_TURN / CLOCKS, wanted]).round(9))
    free = wand.free_length() if math.isfinite(wand.droop_limit) else math.inf
    lets = [
        lets_through(threading, opening, marks, entry, aim) for entry, aim in zip(entries, aims, strict=True)
    ]
    return Tools(
        space=space, wand=wand, opening=opening, down=np.asarray(down, dtype=np.float64),
        shares=space.shares(), threading=threading, marks=marks, clocks=angles, free=free,
        leans=leans_of(entries, aims, angles, down, linked=linked),
        passes=(np.array(lets) & (marks <= free)[None]).astype(np.int64),
        body=body_of(wand, longest=math.inf),
    )  # fmt: skip


def lets_through(
    threading: Threading, opening: "Opening", marks: FloatArray, entry: FloatArray, aim: FloatArray
) -> BoolArray:
    """Tell (r,) whether the wand passes the hole's rule at each depth; a rim in the mesh decides itself."""
    hole = opening.diameter * (1.0 + 1e-9) + 1e-12
    if opening.kind != "proposed":
        rows = np.searchsorted(threading.depths, marks - 1e-9).clip(0, len(threading.depths) - 1)
        return np.asarray(threading.widths[rows] <= hole)
    needed = np.interp(marks, threading.depths, threading.needed)
    tilt = math.acos(min(1.0, abs(float(aim @ opening.normal))))
    aside = 2.0 * float(np.linalg.norm(entry - opening.center))
    asked = (needed / math.cos(tilt) + opening.thickness * math.tan(tilt)) if tilt < 1.55 else np.inf * needed
    return np.asarray(asked + aside <= hole)


@dataclass(frozen=True, kw_only=True, eq=False)
class Search:
    """What was found: states are leans (l), clocks (c) and depths (r) of the tools.

    Parameters
    ----------
    tools : Tools
        The wand's.
    before : (l, c, r) int
        The state (flat) that each was reached from; itself at the start, -1 where not reached.
    faces, capsules : (l, c, r) int
        What is in the way, and which of the body's capsules meets it; -1 where nothing was.
    goal : int
        The state (flat) that was looked for, -1 if it was not met.
    """

    tools: Tools
    before: IntArray
    faces: IntArray
    capsules: IntArray
    goal: int

    @property
    def reached(self) -> BoolArray:
        """(l, c, r) bool: True where the wand gets from outside by clear steps."""
        return self.before >= 0

    @property
    def deepest(self) -> float:
        """Greatest depth in m reached; 0 where it does not enter."""
        rows = np.flatnonzero(self.reached.any(axis=(0, 1)))
        return float(self.tools.marks[rows[-1]]) if len(rows) else 0.0


def searched(tools: Tools, goals: BoolArray | None = None) -> Search:
    """Return what a wand reaches, sliding, turning and leaning in the hole; ends at the first of `goals`."""
    from bayreach.insertion._flood import flood

    shape = (len(tools.leans.aims), len(tools.clocks), len(tools.marks))
    wanted = np.zeros(math.prod(shape), dtype=np.int64) if goals is None else goals.ravel().astype(np.int64)
    seeds = np.arange(0, math.prod(shape), shape[2])  # outside
    before, faces, capsules, goal, _ = flood(
        *tools.arrays, lattice_of(tools), seeds, wanted, tools.asked, MOST, 1.0
    )
    return Search(
        tools=tools, before=before.reshape(shape), faces=faces.reshape(shape),
        capsules=capsules.reshape(shape), goal=int(goal),
    )  # fmt: skip


def way_back_from(tools: Tools, goals: BoolArray) -> tuple[Way | None, bool]:
    """Return a way from outside to one of `goals` (l, c, r) if it is soon found backwards from them.

    Beside it stands whether that decides: True also where all that leads to the goals was looked at, and none
    of it is outside. What is shut in is so told without a search of everything that is not.
    """
    from bayreach.insertion._flood import flood

    starts = np.zeros(goals.shape, dtype=np.int64)
    starts[:, :, 0] = 1
    before, _, _, met, is_all = flood(
        *tools.arrays, lattice_of(tools), np.flatnonzero(goals), starts.ravel(), tools.asked, MOST_BACK, -1.0
    )
    if met < 0:
        return None, bool(is_all)
    states = [int(met)]
    while before[states[-1]] != states[-1]:
        states.append(int(before[states[-1]]))
    return way_of(stands_at(tools, states)), True


def lattice_of(tools: Tools) -> "Lattice":
    """Return the lattice of the tools as the plain arrays of the compiled search."""
    leans = tools.leans
    places = np.array(leans.entries, dtype=np.float64, order="C")
    return tools.marks, leans.frames, places, leans.beside, leans.turned, tools.passes


def with_clear_alone(tools: Tools, goals: BoolArray) -> BoolArray:
    """Return the goals (l, c, r) in which the wand as it stands is clear: no way leads to the others."""
    from bayreach.insertion._flood import clear_states

    clear = np.zeros(goals.size, dtype=np.bool_)
    clear[clear_states(*tools.arrays, lattice_of(tools), np.flatnonzero(goals), tools.asked)] = True
    return clear.reshape(goals.shape)


def stands_at(tools: Tools, states: ArrayLike) -> FloatArray:
    """Return the stands (k, 13) of states (k,)."""
    shape = (len(tools.leans.aims), len(tools.clocks), len(tools.marks))
    leans, clocks, rows = np.unravel_index(np.asarray(states, dtype=np.int64), shape)
    frames = tools.leans.frames[leans, clocks].reshape(-1, 9)
    stands: FloatArray = np.hstack([tools.marks[rows][:, None], frames, tools.leans.entries[leans]])
    return stands


def way_to(search: Search, state: int) -> Way:
    """Return the way from outside to a state that is reached."""
    states = [state]
    flat = search.before.ravel()
    while flat[states[-1]] != states[-1]:
        states.append(int(flat[states[-1]]))
    return way_of(stands_at(search.tools, states[::-1]))


def pull_back(search: Search, state: int) -> int:
    """Return how many rows a wand can be pulled straight back from a state, clear all along."""
    from bayreach.insertion._motion import way_hit

    tools = search.tools
    count = state % len(tools.marks)
    column = search.reached.ravel()[state - count : state + 1]
    broken = np.flatnonzero(~column)
    least = int(broken[-1]) + 1 if len(broken) else 0
    states = np.arange(state, state - (count - least) - 1, -1)
    bad = way_hit(*tools.arrays, stands_at(tools, states), tools.asked)
    return count - least if bad < 0 else int(bad)
