"""Paths of straight wands that pivot in the opening on their way in, where that leads deeper than a line."""

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from bayreach.insertion._pivot import Pivots, pivoted_way, pivots_of
from bayreach.insertion._records import Path
from bayreach.insertion._space import Space, crossings
from bayreach.insertion._straight import OUTSIDE_ROOM, StraightReach, straight_reach
from bayreach.insertion._straight_paths import bay_ranges, limit_sentence
from bayreach.insertion._ways import Way
from bayreach.poses import clock_zero, straight_path, turned_about
from bayreach.wands import Wand

if TYPE_CHECKING:
    from bayreach.bays import Opening

DEEPER = 0.01
"""What a pivot must gain in depth in a bay to be told of, m."""


def may_pivot(reach: StraightReach) -> bool:
    """Tell whether pivoting may lead deeper than lines: where room outside, or a wide part, stops a wand.

    A rod of one width slides out along its own line wherever it lies, but for what is outside.
    """
    widths = {section.diameter for section in reach.wand.sections}
    if max(widths) > reach.opening.diameter:
        return False
    return bool((reach.limits == OUTSIDE_ROOM).any()) or len(widths) > 1


def pivot_paths(
    space: Space, wand: Wand, opening: "Opening", *, known: Sequence[Path], clocks: Sequence[float],
    holes: "tuple[Opening, ...]", down: ArrayLike,
) -> tuple[Path, ...]:  # fmt: skip
    """Return, for each bay that a pivot leads into or deeper into, one path for each clock angle."""
    pivots = pivots_of(space, wand, opening, down=down, holes=holes)
    deepest = {bay.index: 0.0 for bay in space.bays.bays}
    for path in known:
        for span in path.ranges:
            if span.bay in deepest:
                deepest[span.bay] = max(deepest[span.bay], span.deepest + DEEPER)
    found = []
    for bay, depth in deepest.items():
        if depth >= wand.length:
            continue
        answer = pivoted_way(pivots, bay, depth)
        if answer is not None:
            found += [_path(pivots, *answer, clock=clock) for clock in clocks]
    return tuple(found)


def _path(pivots: Pivots, way: Way, least: float, *, clock: float) -> Path:
    wand, opening, space = pivots.wand, pivots.opening, pivots.space
    deepest, entry, aim = float(way.depths[-1]), way.places[-1], way.aims[-1]
    shallowest = min(max(least, DEEPER), deepest)
    passed = crossings(space.bays, entry[None], aim[None], np.array([space.mesh.diagonal]))[0]
    ranges, through = bay_ranges(opening, passed, deepest, shallowest)
    # What stops it inside is asked as if nothing were outside.
    free = replace(wand, couple_after=True, room_outside=0.0)
    alone = straight_reach(space, free, opening, aim[None], entries=entry[None])
    tip_path = straight_path(
        entry=entry, aim=aim, deepest=deepest, shallowest=shallowest, clock=clock, down=pivots.down
    )
    return Path(
        wand=wand, opening=opening.name, aim=aim, entry=entry, clock=clock, deepest=deepest,
        shallowest=shallowest, tip_path=tip_path, ranges=ranges, through=through,
        limit=f"{limit_sentence(space, alone, 0)}, tilted in the opening on the way",
        way=_turned(way, pivots, clock),
    )  # fmt: skip


def _turned(way: Way, pivots: Pivots, clock: float) -> Way:
    """Return the way with the wand turned about itself throughout, so that it ends at a clock angle (rad)."""
    aim = way.aims[-1]
    wanted = turned_about(clock_zero(aim, pivots.down), aim, clock)
    side = np.cross(way.ups, way.aims)
    along_up, along_side = float(wanted @ way.ups[-1]), float(wanted @ side[-1])
    return replace(way, ups=along_up * way.ups + along_side * side)
