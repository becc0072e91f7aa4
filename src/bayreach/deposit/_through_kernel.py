"""Compiled: what a station sees, through windows, of a block in another bay: none, all or some rays."""

import numpy as np
from numpy.typing import NDArray

from bayreach.arrays import IntArray
from bayreach.deposit._kernel_records import UNKNOWN, Panes, World
from bayreach.rays.compiling import bare
from bayreach.rays.packets import LANES

single = np.float32
Triple = tuple[float, float, float]

WHOLE = -1
"""Number of windows of a block that one window shows as a whole."""

ROOM_TO_TELL = 1 << 14
"""Length of the list of planes to be held against single rays; what does not fit is held against none."""

_SLACK = 2e-6
"""By so much more than single precision may turn a ray are windows wider than their planes."""


@bare
def needs_window(panes: Panes, bay: int, station: int) -> bool:
    """Return whether a block that looks into a bay is seen from a station through windows only."""
    home = panes.home[station]
    return bool(home not in (UNKNOWN, bay))


@bare
def wider(radius: float, way: Triple) -> float:
    """Return the radius in m of a block, `way` m away, with room for the single precision of planes."""
    return float(radius + _SLACK * np.sqrt(way[0] * way[0] + way[1] * way[1] + way[2] * way[2]))


@bare
def is_in_view(panes: Panes, bay: int, station: int, way: Triple, radius: float) -> bool:
    """Return whether a window to a bay meets the ball round a block, `way` m from the station."""
    radius = wider(radius, way)
    for window in range(panes.starts[station, bay], panes.starts[station, bay + 1]):
        if _meets(panes, window, way, radius):
            return True
    return False


@bare
def _meets(panes: Panes, window: int, way: Triple, radius: float) -> bool:
    cap = panes.caps[window]
    if way[0] * cap[0] + way[1] * cap[1] + way[2] * cap[2] < cap[3] - radius:
        return False
    for place in range(panes.firsts[window], panes.firsts[window + 1]):
        plane = panes.planes[place]
        if way[0] * plane[0] + way[1] * plane[1] + way[2] * plane[2] < -radius:
            return False
    return True


@bare
def planes_across(world: World, block: int, station: int, told: IntArray) -> int:
    """Fill `told` with the planes that cut a block, window by window; return the windows, or WHOLE.

    Of each window `told` has its place where its cap cuts the block, else -1; the number of its planes that
    do; and their places.
    """
    panes, bay = world.panes, world.grains.bays[block]
    if not needs_window(panes, bay, station):
        return WHOLE
    center, point = world.grains.centers[block], world.poses.points[station]
    way = (center[0] - point[0], center[1] - point[1], center[2] - point[2])
    radius = wider(world.grains.radii[block], way)
    count, used = 0, 0
    for window in range(panes.starts[station, bay], panes.starts[station, bay + 1]):
        if not _meets(panes, window, way, radius):
            continue
        first, last = panes.firsts[window], panes.firsts[window + 1]
        if used + 2 + last - first > len(told):
            return WHOLE
        cap = panes.caps[window]
        is_cut = way[0] * cap[0] + way[1] * cap[1] + way[2] * cap[2] < cap[3] + radius
        told[used] = window if is_cut else -1
        number = 0
        for place in range(first, last):
            plane = panes.planes[place]
            if way[0] * plane[0] + way[1] * plane[1] + way[2] * plane[2] < radius:
                told[used + 2 + number] = place
                number += 1
        if number == 0 and not is_cut:
            return WHOLE
        told[used + 1] = number
        used += 2 + number
        count += 1
    return count


@bare
def look_through(
    panes: Panes, windows: int, told: IntArray, rays: NDArray[np.float32], rows: tuple[int, int, int, int]
) -> None:
    """Set to nothing the amounts of lanes whose rays lead through none of the windows of `planes_across`.

    `rows`: first lanes of the directions, distances and amounts in `rays`, and of two rows of working room.
    """
    way, distance, amount, room = rows
    zero, one, slack = single(0.0), single(1.0), single(-_SLACK)
    for lane in range(LANES):
        rays[room + lane] = zero
    used = 0
    for _ in range(windows):
        window, number = told[used], told[used + 1]
        used += 2
        for lane in range(LANES):
            rays[room + LANES + lane] = one
        if window >= 0:
            cap = panes.caps[window]
            x, y, z, least = single(cap[0]), single(cap[1]), single(cap[2]), single(cap[3])
            for lane in range(LANES):
                along = rays[way + lane] * x + rays[way + LANES + lane] * y + rays[way + 2 * LANES + lane] * z
                rays[room + LANES + lane] = along - least / rays[distance + lane]
        for place in told[used : used + number]:
            plane = panes.planes[place]
            x, y, z = plane[0], plane[1], plane[2]
            for lane in range(LANES):
                inside = (
                    rays[way + lane] * x + rays[way + LANES + lane] * y + rays[way + 2 * LANES + lane] * z
                )
                rays[room + LANES + lane] = min(rays[room + LANES + lane], inside)
        used += number
        for lane in range(LANES):
            rays[room + lane] = one if rays[room + LANES + lane] >= slack else rays[room + lane]
    for lane in range(LANES):
        rays[amount + lane] *= rays[room + lane]


@bare
def leads_through(panes: Panes, windows: int, told: IntArray, way: Triple) -> bool:
    """Return whether a way in m, from the station to its end, leads through one of the windows told."""
    slack = -_SLACK * np.sqrt(way[0] * way[0] + way[1] * way[1] + way[2] * way[2])
    used = 0
    for _ in range(windows):
        window, number = told[used], told[used + 1]
        used += 2
        least = 0.0
        if window >= 0:
            cap = panes.caps[window]
            least = way[0] * cap[0] + way[1] * cap[1] + way[2] * cap[2] - cap[3]
        for place in told[used : used + number]:
            plane = panes.planes[place]
            least = min(least, way[0] * plane[0] + way[1] * plane[1] + way[2] * plane[2])
        if least >= slack:
            return True
        used += number
    return False
