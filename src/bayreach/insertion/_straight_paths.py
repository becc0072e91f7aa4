"""Paths and refusals of straight wands."""

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from bayreach.insertion._aims import widest_tilt
from bayreach.insertion._chains import chains_from, too_narrow
from bayreach.insertion._records import BayRange, Path, Refusal
from bayreach.insertion._space import Crossing, Space, crossings, inner_bay
from bayreach.insertion._straight import (
    DIRECTION,
    DROOP,
    HOLE,
    OUTSIDE_ROOM,
    SIZE,
    STRUCTURE,
    StraightReach,
)
from bayreach.poses import straight_path

if TYPE_CHECKING:
    from bayreach.bays import Opening


def straight_paths(
    space: Space,
    reach: StraightReach,
    *,
    clocks: Sequence[float],
    shortest: float,
    down: ArrayLike,
) -> tuple[tuple[Path, ...], tuple[Refusal, ...]]:
    """Return a path for each aim deeper than `shortest` (m) and each clock angle, and the refusals."""
    found = crossings(space.bays, reach.entries, reach.aims, np.full(len(reach.aims), space.mesh.diagonal))
    paths = tuple(
        _straight_path(
            space, reach, found[index], index=int(index), clock=clock, shortest=shortest, down=down
        )
        for index in np.flatnonzero(reach.depths > shortest)
        for clock in clocks
    )
    return paths, refusals_of(space, reach, found, {bay for path in paths for bay in path.bays_reached})


def bays_along(space: Space, reach: StraightReach, shortest: float) -> dict[int, float]:
    """Return the bays that the tip gets into along the aims, and its greatest depth (m) in each."""
    rows = np.flatnonzero(reach.depths > shortest)
    found = crossings(space.bays, reach.entries[rows], reach.aims[rows], reach.depths[rows])
    deepest: dict[int, float] = {}
    for row, passed in zip(rows, found, strict=True):
        spans, _ = bay_ranges(
            reach.opening, passed, float(reach.depths[row]), shortest, width=reach.wand.tip_diameter
        )
        for span in spans:
            deepest[span.bay] = max(deepest.get(span.bay, 0.0), span.deepest)
    return deepest


def bay_ranges(
    opening: "Opening", passed: Sequence[Crossing], deepest: float, shallowest: float, *, width: float = 0.0
) -> tuple[tuple[BayRange, ...], tuple[str, ...]]:
    """Return the bays between two depths (m), deepest first, and the openings passed, the entry first.

    An opening narrower than the tip's `width` (m) is not passed, though its round end pokes through.
    """
    bay, start = inner_bay(opening), shallowest
    ranges, through = [], [opening.name]
    for crossing in passed:
        links = crossing.opening.links
        if crossing.opening.name == opening.name or crossing.depth >= deepest or bay not in links:
            continue
        if crossing.opening.diameter < width:
            deepest = crossing.depth
            break
        if crossing.depth > start:
            ranges.append(BayRange(bay=bay, deepest=crossing.depth, shallowest=start))
            start = crossing.depth
        bay = links[1] if links[0] == bay else links[0]
        through.append(crossing.opening.name)
    ranges.append(BayRange(bay=bay, deepest=deepest, shallowest=start))
    return tuple(reversed(ranges)), tuple(through)


def _straight_path(
    space: Space, reach: StraightReach, passed: Sequence[Crossing], *, index: int, clock: float,
    shortest: float, down: ArrayLike,
) -> Path:  # fmt: skip
    deepest = float(reach.depths[index])
    shallowest = min(shortest, deepest)
    ranges, through = bay_ranges(reach.opening, passed, deepest, shallowest, width=reach.wand.tip_diameter)
    tip_path = straight_path(
        entry=reach.entries[index], aim=reach.aims[index], deepest=deepest, shallowest=shallowest,
        clock=clock, down=down,
    )  # fmt: skip
    return Path(
        wand=reach.wand, opening=reach.opening.name, aim=reach.aims[index], entry=reach.entries[index],
        clock=clock, deepest=deepest, shallowest=shallowest, tip_path=tip_path, ranges=ranges,
        through=through, limit=limit_sentence(space, reach, index),
        stop=reach.places[index] if reach.faces[index] >= 0 else None,
    )  # fmt: skip


def limit_sentence(space: Space, reach: StraightReach, index: int) -> str:
    """Return what ends the depth along aim `index`, in words with sizes in mm."""
    wand, opening = reach.wand, reach.opening
    depth, limit, section = 1e3 * reach.depths[index], int(reach.limits[index]), reach.sections[index]
    tilt = math.degrees(reach.tilts[index])
    width = 1e3 * next(
        (part.diameter for part in wand.sections if part.name == section), wand.handle_diameter
    )
    part = space.part_of(int(reach.faces[index])) if reach.faces[index] >= 0 else ""
    most = math.degrees(widest_tilt(wand, opening))
    said = {
        SIZE: f"{opening.name}: {width:.1f} mm {section} in a {1e3 * opening.diameter:.1f} mm hole",
        HOLE: f"{opening.name}: at {tilt:.1f} degrees the {width:.1f} mm {section} meets the rim of the "
        f"{1e3 * opening.diameter:.1f} mm hole"
        + (f"; {most:.1f} degrees is the most it takes" if most >= 0 else ""),
        DIRECTION: f"{opening.name}: an aim {tilt:.1f} degrees off the opening's axis does not lead in",
        OUTSIDE_ROOM: f"no room outside {opening.name} for the wand: its {section} meets {part}",
        DROOP: f"{depth:.0f} mm is the free length that droops {1e3 * wand.droop_limit:.1f} mm",
        STRUCTURE: f"stops {depth:.0f} mm in, its {section} on {part}",
    }
    return said.get(limit, f"stops {1e3 * wand.length:.0f} mm in, at its own length")


def refusals_of(
    space: Space, reach: StraightReach, found: Sequence[Sequence[Crossing]], reached: set[int]
) -> tuple[Refusal, ...]:
    """Return one refusal for the opening if no aim enters, else one for each bay that no path reaches."""
    if not reach.fits.any():
        best = int(np.argmin(reach.tilts))
        width = reach.wand.largest_section.diameter
        return (
            Refusal(
                wand=reach.wand.name, opening=reach.opening.name, reason=limit_sentence(space, reach, best),
                short_by=max(0.0, width - reach.opening.diameter), place=reach.places[best],
            ),
        )  # fmt: skip
    missing = [bay for bay in range(len(space.bays.bays)) if bay not in reached]
    width = reach.wand.largest_section.diameter
    led_to = {bay for bay, _ in chains_from(space, reach.opening, width)} if missing else set()
    return tuple(_short_of(space, reach, found, bay, is_led_to=bay in led_to) for bay in missing)


def _short_of(
    space: Space, reach: StraightReach, found: Sequence[Sequence[Crossing]], bay: int, *, is_led_to: bool
) -> Refusal:
    """Return the refusal of the aim that comes nearest to `bay` along a line that leads there."""
    name = space.bay_name(bay)
    narrow = None if is_led_to else too_narrow(space, reach.wand, reach.opening, bay)
    if narrow is not None:
        return Refusal(
            wand=reach.wand.name, opening=reach.opening.name, reason=narrow[0], short_by=narrow[1],
            place=reach.opening.center, bay=name,
        )  # fmt: skip
    best, least = -1, math.inf
    for index, passed in enumerate(found):
        ranges, _ = bay_ranges(reach.opening, passed, math.inf, 0.0)
        begins = [span.shallowest for span in ranges if span.bay == bay]
        if begins and min(begins) - reach.depths[index] < least:
            best, least = index, min(begins) - float(reach.depths[index])
    if best < 0:
        reason = f"no straight line tried through {reach.opening.name} leads to {name}"
        return Refusal(
            wand=reach.wand.name, opening=reach.opening.name, reason=reason, short_by=math.inf,
            place=reach.opening.center, bay=name,
        )  # fmt: skip
    short = max(least, 0.0)
    reason = f"{limit_sentence(space, reach, best)}, {1e3 * short:.0f} mm short of {name}"
    return Refusal(
        wand=reach.wand.name, opening=reach.opening.name, reason=reason, short_by=short,
        place=reach.places[best], bay=name,
    )  # fmt: skip
