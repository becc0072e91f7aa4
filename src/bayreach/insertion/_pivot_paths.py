"""Paths of straight wands that pivot in the opening on their way in, where that leads deeper than a line."""

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from bayreach.insertion._aims import candidate_aims
from bayreach.insertion._pivot import Pivots, pivoted_way, pivots_of
from bayreach.insertion._records import Path
from bayreach.insertion._space import Space, crossings
from bayreach.insertion._straight import OUTSIDE_ROOM, StraightReach, straight_reach
from bayreach.insertion._straight_paths import bay_ranges, bays_along, limit_sentence
from bayreach.insertion._ways import Way
from bayreach.poses import clock_zero, straight_path, turned_about

if TYPE_CHECKING:
    from bayreach.bays import Opening

DEEPER = 0.01
"""What a pivot must gain in depth in a bay to be told of, m."""


def bays_to_gain(space: Space, reach: StraightReach, holes: "tuple[Opening, ...]" = ()) -> dict[int, float]:
    """Return the bays in which a pivot may lead deeper than the lines do, and their greatest depth there, m.

    Where a wand lies, a rod as thin as its thinnest part could be pulled out along its own line, but for what
    is outside: what such a rod does not reach along lines, with nothing outside, no pivot reaches either.
    """
    wand, opening = reach.wand, reach.opening
    widths = {section.diameter for section in wand.sections}
    if max(widths) > opening.diameter or not ((reach.limits == OUTSIDE_ROOM).any() or len(widths) > 1):
        return {}
    thin = min(widths)
    alone = replace(
        wand, diameter=thin, tip_diameter=thin, shank_diameter=thin, handle_diameter=0.0, couple_after=True,
        room_outside=0.0,
    )  # fmt: skip
    entries, aims = candidate_aims(space, alone, opening, len(reach.aims))
    free = straight_reach(space, alone, opening, aims, entries=entries, holes=holes)
    best, had = bays_along(space, free, DEEPER), bays_along(space, reach, DEEPER)
    return {bay: had.get(bay, 0.0) for bay, depth in best.items() if depth > had.get(bay, 0.0) + DEEPER}


def pivot_paths(
    space: Space, reach: StraightReach, *, clocks: Sequence[float], holes: "tuple[Opening, ...]",
    down: ArrayLike,
) -> tuple[Path, ...]:  # fmt: skip
    """Return, for each bay that a pivot leads into or deeper into, one path for each clock angle."""
    gains = bays_to_gain(space, reach, holes)
    if not gains:
        return ()
    pivots = pivots_of(space, reach.wand, reach.opening, down=down, holes=holes)
    found = []
    for bay, depth in gains.items():
        answer = pivoted_way(pivots, bay, depth + DEEPER)
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
        carried=_turned(way, pivots, clock),
    )  # fmt: skip


def _turned(way: Way, pivots: Pivots, clock: float) -> Way:
    """Return the way with the wand turned about itself throughout, so that it ends at a clock angle (rad)."""
    aim = way.aims[-1]
    wanted = turned_about(clock_zero(aim, pivots.down), aim, clock)
    side = np.cross(way.ups, way.aims)
    along_up, along_side = float(wanted @ way.ups[-1]), float(wanted @ side[-1])
    return replace(way, ups=along_up * way.ups + along_side * side)
