"""Compiled: which stations a block of targets may get liquid from, by the ball round it and by windows."""

import numpy as np

from bayreach.arrays import IntArray
from bayreach.deposit._kernel_records import World
from bayreach.deposit._through_kernel import is_in_view, needs_window
from bayreach.rays.compiling import bare, inlined


@bare
def stations_in_question(world: World, block: int, chosen: IntArray) -> int:
    """Fill `chosen` with the stations from which a sample of the block may get liquid; return how many."""
    points, lines, tips = world.poses.points, world.poses.lines, world.poses.tips
    shares, sweeps = world.poses.shares, world.poses.sweeps
    reach, edges = world.patterns.reach, world.patterns.cosines
    panes, bay = world.panes, world.grains.bays[block]
    center, axis = world.grains.centers[block], world.grains.axes[block]
    radius, floor = world.grains.radii[block], world.grains.floors[block]
    cone = min(1.0, world.grains.cosines[block])
    cone_sine = np.sqrt(1.0 - cone * cone)
    count = 0
    for station in range(len(tips)):
        x = center[0] - points[station, 0]
        y = center[1] - points[station, 1]
        z = center[2] - points[station, 2]
        distance = np.sqrt(x * x + y * y + z * z)
        # The tip must stand above the lowest sample, by the normal of the block that looks at it most.
        height = -(x * axis[0] + y * axis[1] + z * axis[2])
        if height < cone * distance:
            aside = np.sqrt(max(0.0, distance * distance - height * height))
            if height * cone + aside * cone_sine <= floor - 1e-6 * (radius + distance):
                continue
        tip = tips[station]
        if distance - radius > reach[tip] or shares[station] <= 0.0:
            continue
        if needs_window(panes, bay, station) and not is_in_view(panes, bay, station, (x, y, z), radius):
            continue
        if distance > radius * 1.001:
            # The tip sweeps a piece of the path, which is as good as a block larger by half of it.
            sweep = sweeps[station, 0] ** 2 + sweeps[station, 1] ** 2 + sweeps[station, 2] ** 2
            sine = (radius + 0.5 * np.sqrt(sweep)) / distance
            if sine >= 1.0:
                chosen[count] = station
                count += 1
                continue
            cosine = np.sqrt(1.0 - sine * sine)
            toward = (x * lines[station, 0] + y * lines[station, 1] + z * lines[station, 2]) / distance
            if not _meets_zone(toward, (cosine, sine), edges[tip, 0], edges[tip, 1]):
                continue
        chosen[count] = station
        count += 1
    return count


@inlined
def _meets_zone(toward: float, ball: tuple[float, float], low: float, high: float) -> bool:
    """Return whether a ball seen under a half-angle (cosine, sine) meets the zone low to high."""
    cosine, sine = ball
    low_sine = np.sqrt(max(0.0, 1.0 - low * low))
    high_sine = np.sqrt(max(0.0, 1.0 - high * high))
    # Widest angle of the zone plus the ball's: beyond it only while the sum stays below 180 degrees.
    if low_sine * cosine + low * sine > 0.0 and toward < low * cosine - low_sine * sine - 1e-9:
        return False
    # Narrowest angle less the ball's, where that is above zero.
    return not (high < cosine and toward > high * cosine + high_sine * sine + 1e-9)
