"""What holds a flexible wand up along its line, and how far its end may hang free."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import BoolArray, FloatArray, unit_vectors
from bayreach.insertion._flexible import Bender, Route, run_of
from bayreach.insertion._space import crossings, rods_blocked

SPACING = 0.005
"""Spacing of the places along a line at which it is asked what lies under it, m."""
SAG = 0.001
"""A wand that comes to rest when it sinks by this many m rests."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Support:
    """Places along a line: `marks` (n,) m from the opening, whether each is `held` (n,), and by what."""

    marks: FloatArray
    held: BoolArray
    names: tuple[str, ...]

    def hangs_from(self, free: float) -> tuple[float, str]:
        """Return where (m) the last support lies beyond which more than `free` (m) hangs; inf: nowhere."""
        last = np.maximum.accumulate(np.where(self.held, np.arange(len(self.marks)), 0))
        over = np.flatnonzero(self.marks - self.marks[last] > free + 1e-9)
        if not len(over):
            return math.inf, ""
        place = int(last[over[0]])
        return float(self.marks[place]), self.names[place]


def support_of(bender: Bender, route: Route, down: ArrayLike) -> Support:
    """Return what holds a wand up along a route: rims of the openings it passes, and what lies under it."""
    line, run = route.line, run_of(route.line)
    spans = np.diff(line, axis=0)
    lengths = np.linalg.norm(spans, axis=1)
    passed = crossings(bender.space.bays, line[:-1], spans / lengths[:, None], lengths)
    rims = [(0.0, bender.opening.name)]
    rims += [(run[k] + each.depth, each.opening.name) for k, row in enumerate(passed) for each in row]
    even = np.arange(0.0, run[-1] + SPACING, SPACING).clip(max=run[-1])
    points = np.stack([np.interp(even, run, line[:, k]) for k in range(3)], axis=1)
    sunk = points + SAG * unit_vectors(down)
    faces = rods_blocked(bender.space, sunk, sunk, bender.radius)
    marks = np.concatenate([[mark for mark, _ in rims], even])
    names = [name for _, name in rims] + [bender.space.part_of(face) if face >= 0 else "" for face in faces]
    held = np.concatenate([np.ones(len(rims), dtype=np.bool_), faces >= 0])
    order = np.argsort(marks, kind="stable")
    return Support(marks=marks[order], held=held[order], names=tuple(names[k] for k in order))


def held_depth(bender: Bender, route: Route, down: ArrayLike) -> tuple[float, str]:
    """Return how deep (m) a wand follows a route before too long an end hangs free, and what from."""
    wand, longest = bender.wand, route.length
    free = wand.free_length() if math.isfinite(wand.droop_limit) else math.inf
    if free >= longest:
        return longest, ""
    last, name = support_of(bender, route, down).hangs_from(free)
    return min(longest, last + free), name
