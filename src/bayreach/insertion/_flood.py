"""A compiled search over the leans, clock angles and depths of a rigid wand in an opening, every step clear.

States are numbered flat: leans (l), clocks (c), depths (r). A lattice is depths `marks` (r,), `frames`
(l, c, 3, 3) and `places` (l, 3) that tell how the wand stands, `beside` (l, n), the leans next to each (-1:
none), `turned` (l, n, c), the clock there, and `passes` (l, r), where the hole's own rule lets it.
"""

import heapq

import numpy as np

from bayreach.arrays import FloatArray, IntArray
from bayreach.insertion._motion import Capsules, Line, motion_hit, placed, pose_hit
from bayreach.insertion._tree import Tree
from bayreach.rays.compiling import compiled

Lattice = tuple[FloatArray, FloatArray, FloatArray, IntArray, IntArray, IntArray]
UNKNOWN, BLOCKED, CLEAR = 0, 1, 2
SLIDES_AND_TURNS = 4
"""Moves on and back, and to either side in clock angle; the further ones are leans."""


@compiled
def stand_at(lattice: Lattice, state: int) -> FloatArray:
    """Return the stand (13,) of a state."""
    marks, frames, places = lattice[0], lattice[1], lattice[2]
    lean, clock = state // len(marks) // frames.shape[1], state // len(marks) % frames.shape[1]
    stand = np.zeros(13)
    stand[0] = marks[state % len(marks)]
    for k in range(3):
        for j in range(3):
            stand[1 + 3 * k + j] = frames[lean, clock, k, j]
        stand[10 + k] = places[lean, k]
    return stand


@compiled
def next_state(lattice: Lattice, state: int, move: int) -> int:
    """Return the state that a move leads to; -1 where there is none or the hole's rule forbids it."""
    marks, frames, _, beside, turned, passes = lattice
    n_marks, n_clocks = len(marks), frames.shape[1]
    lean, clock, mark = state // n_marks // n_clocks, state // n_marks % n_clocks, state % n_marks
    if move < 2:
        mark += 1 if move == 0 else -1
    elif move < SLIDES_AND_TURNS:
        clock = (clock + (1 if move == 2 else -1)) % n_clocks
    else:
        other = beside[lean, move - SLIDES_AND_TURNS]
        clock = turned[lean, move - SLIDES_AND_TURNS, clock]
        lean = other
    if lean < 0 or mark < 0 or mark >= n_marks or not passes[lean, mark]:
        return -1
    return int((lean * n_clocks + clock) * n_marks + mark)


@compiled
def clear_states(
    tree: Tree, shares: FloatArray, body: Capsules, line: Line, lattice: Lattice, states: IntArray,
    asked: FloatArray,
) -> IntArray:  # fmt: skip
    """Return those of some states (k,) in which the wand as it stands is clear."""
    found = np.zeros(len(states), dtype=np.int64)
    count = 0
    for state in states:
        stand = stand_at(lattice, state)
        face, _ = pose_hit(tree, shares, body, placed(line, stand), stand[0], asked)
        if face < 0:
            found[count] = state
            count += 1
    return found[:count]


@compiled
def flood(
    tree: Tree, shares: FloatArray, body: Capsules, line: Line, lattice: Lattice, seeds: IntArray,
    goals: IntArray, asked: FloatArray, most: int, inwards: float,
) -> tuple[IntArray, IntArray, IntArray, int, bool]:  # fmt: skip
    """Return what a wand reaches from some states, `seeds` (k,), by slides, turns and leans, all clear.

    Back come, for each state, where it was reached from (itself at the start, -1: not), a face in the way and
    the capsule that meets it; the first of `goals` (states above 0) met, -1: none; and whether all was
    looked at. The search ends at a goal, or after `most` steps. Deeper states come first where `inwards` is
    1, shallower ones where it is -1; it leans, the dearest of moves, only where nothing else leads on.
    """
    n_marks = len(lattice[0])
    before, faces, parts = np.full(len(goals), -1), np.full(len(goals), -1), np.full(len(goals), -1)
    verdicts = np.zeros(len(goals), dtype=np.uint8)
    waiting = [(0, 0.0, 0, 0)]
    waiting.pop()
    for state in seeds:
        if lattice[5][state // n_marks // lattice[1].shape[1], state % n_marks]:
            stand = stand_at(lattice, state)
            faces[state], parts[state] = pose_hit(tree, shares, body, placed(line, stand), stand[0], asked)
            verdicts[state] = CLEAR if faces[state] < 0 else BLOCKED
            if faces[state] < 0:
                before[state] = state
                heapq.heappush(waiting, (0, -inwards * (state % n_marks), 0, state))
    steps = 0
    while len(waiting) > 0 and steps < most:
        leans, rank, turns, here = heapq.heappop(waiting)
        if goals[here] > 0:
            return before, faces, parts, here, False
        stand = stand_at(lattice, here)
        first, last = 0, SLIDES_AND_TURNS
        if leans == 1:
            first, last = SLIDES_AND_TURNS, SLIDES_AND_TURNS + lattice[3].shape[1]
        else:
            heapq.heappush(waiting, (1, rank, turns, here))
        for move in range(first, last):
            there = next_state(lattice, here, move)
            if there < 0 or before[there] >= 0 or verdicts[there] == BLOCKED:
                continue
            steps += 1
            ahead = stand_at(lattice, there)
            face, part = -1, -1
            if verdicts[there] == UNKNOWN:
                face, part = pose_hit(tree, shares, body, placed(line, ahead), ahead[0], asked)
                verdicts[there] = CLEAR if face < 0 else BLOCKED
            if face < 0:
                face, part = motion_hit(tree, shares, body, line, stand, ahead, asked)
            if face >= 0:
                faces[there], parts[there] = face, part
                continue
            before[there] = here
            more = turns + (0 if move < 2 else 1)
            heapq.heappush(waiting, (0, more - inwards * (there % n_marks), more, there))
    return before, faces, parts, -1, len(waiting) == 0
