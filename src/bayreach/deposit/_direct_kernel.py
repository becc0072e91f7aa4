"""Compiled: pass over what cannot matter, trace the rest, and sum, all in one loop over blocks of targets."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from bayreach.arrays import FloatArray, IntArray
from bayreach.rays.packets import (
    LANES,
    Packet,
    Tracer,
    compiled,
    is_lane_blocked,
    new_packet,
    put_ray,
    trace_blocked,
)

UNIFORM, PROFILE, TABLE = 0, 1, 2
"""How a tip's density is looked up: a constant, a table over the cosine, or bins of two angles."""

_UNKNOWN = -2
MIXED = -3
"""Bay of a block whose sides look into three bays or more."""

Triple = tuple[float, float, float]


class Grains(NamedTuple):
    """Blocks of samples, as `sight.Blocks`; `bays` (b, 2) of each block, `row_bay` (k,) of each side."""

    starts: IntArray
    centers: FloatArray
    radii: FloatArray
    axes: FloatArray
    cosines: FloatArray
    floors: FloatArray
    offsets: NDArray[np.float32]
    normals: NDArray[np.float32]
    weights: NDArray[np.float32]
    rows: NDArray[np.int32]
    bays: IntArray
    row_bay: IntArray


class Poses(NamedTuple):
    """Stations of pulls.

    `starts` (p + 1,) and `tips` (p,) of each pull; of each station its point, centre line, axis and clock (s,
    3) and its share (s,) of the pull's time.
    """

    starts: IntArray
    tips: IntArray
    points: FloatArray
    lines: FloatArray
    axes: FloatArray
    clocks: FloatArray
    shares: FloatArray


class Patterns(NamedTuple):
    """Tips.

    `kinds` (t,), `cosines` (t, 2) of the pattern's edges, `densities` (t, n) over the cosine, `reach` (t,) in
    m and `flying` (t, r) over the distance up to it; `polar`, `azimuth` and `bins` of tables.
    """

    kinds: IntArray
    cosines: FloatArray
    densities: FloatArray
    reach: FloatArray
    flying: FloatArray
    polar: FloatArray
    azimuth: FloatArray
    bins: FloatArray


class Panes(NamedTuple):
    """Windows of the stations and the discs of their openings, as `sight.Windows` and `sight.Portals`."""

    starts: IntArray
    last: NDArray[np.int32]
    tightest: NDArray[np.int32]
    cones: FloatArray
    home: IntArray
    centers: FloatArray
    normals: FloatArray
    radii: FloatArray
    is_flat: NDArray[np.bool_]


class World(NamedTuple):
    """All that a kernel reads; `origin` (3,) of the scene, `stop`: length left free at both ends of a ray."""

    grains: Grains
    poses: Poses
    patterns: Patterns
    panes: Panes
    origin: FloatArray
    stop: float
    floor: float


class Bench(NamedTuple):
    """Working room of one task.

    A packet; of each of its lanes the row to add to and the amount; the film (rows, pulls) of rows from
    `first_row` on; counts of sample-station pairs looked at and of rays asked.
    """

    packet: Packet
    rows: IntArray
    amounts: FloatArray
    film: FloatArray
    counts: IntArray
    first_row: int


@compiled
def spray_blocks(
    tracer: Tracer, world: World, span: tuple[int, int], film: FloatArray, counts: IntArray
) -> None:
    """Add the film (rows, pulls) of blocks span[0] .. span[1] - 1, whose sides are its rows, in order.

    `counts` gets the number of sample-station pairs in blocks not passed over, and of rays asked. Each
    block's sums run in one fixed order, so they do not depend on how blocks are shared among threads.
    """
    grains, poses = world.grains, world.poses
    rows, amounts = np.zeros(LANES, dtype=np.int64), np.zeros(LANES)
    first_row = int(grains.rows[grains.starts[span[0]]])
    bench = Bench(new_packet(), rows, amounts, film, counts, first_row)
    for block in range(span[0], span[1]):
        for pull in range(len(poses.tips)):
            waiting = 0
            for station in range(poses.starts[pull], poses.starts[pull + 1]):
                if poses.shares[station] <= 0.0:
                    continue
                if not _may_matter(world, block, station, poses.tips[pull]):
                    continue
                counts[0] += grains.starts[block + 1] - grains.starts[block]
                waiting = _spray_block(tracer, world, bench, (block, station, pull), waiting)
            _flush(tracer, bench, waiting, pull)


@compiled
def _flush(tracer: Tracer, bench: Bench, waiting: int, pull: int) -> None:
    """Trace the waiting rays and add the amounts of those that nothing blocks."""
    if waiting == 0:
        return
    trace_blocked(tracer, bench.packet, waiting)
    bench.counts[1] += waiting
    for lane in range(waiting):
        if not is_lane_blocked(bench.packet, lane):
            bench.film[bench.rows[lane], pull] += bench.amounts[lane]


@compiled
def _spray_block(
    tracer: Tracer, world: World, bench: Bench, places: tuple[int, int, int], waiting: int
) -> int:
    """Put the rays of one station to a block's samples into the packet, tracing it whenever it is full."""
    block, station, pull = places
    grains, poses, patterns, panes = world.grains, world.poses, world.patterns, world.panes
    tip = poses.tips[pull]
    point = (poses.points[station, 0], poses.points[station, 1], poses.points[station, 2])
    local = (point[0] - world.origin[0], point[1] - world.origin[1], point[2] - world.origin[2])
    # From the tip to the middle of the block, in double precision; samples add their small offsets.
    cx = grains.centers[block, 0] - point[0]
    cy = grains.centers[block, 1] - point[1]
    cz = grains.centers[block, 2] - point[2]
    line, frame = poses.lines[station], (poses.axes[station], poses.clocks[station])
    low, high, farthest = patterns.cosines[tip, 0], patterns.cosines[tip, 1], patterns.reach[tip]
    home, share = panes.home[station], poses.shares[station]
    for sample in range(grains.starts[block], grains.starts[block + 1]):
        x, y, z = (
            cx + grains.offsets[sample, 0],
            cy + grains.offsets[sample, 1],
            cz + grains.offsets[sample, 2],
        )
        normal = grains.normals[sample]
        facing = -(x * normal[0] + y * normal[1] + z * normal[2])
        if facing <= 0.0:
            continue
        distance = np.sqrt(x * x + y * y + z * z)
        inverse = 1.0 / distance
        cosine = (x * line[0] + y * line[1] + z * line[2]) * inverse
        if cosine < low or cosine > high or distance <= 2.0 * world.stop or distance > farthest:
            continue
        way = (x * inverse, y * inverse, z * inverse)
        amount = share * _density(patterns, tip, cosine, way, frame) * _flying(patterns, tip, distance)
        amount *= facing * inverse * inverse * inverse * grains.weights[sample]
        if amount <= world.floor:
            continue
        row = grains.rows[sample]
        bay = grains.row_bay[row]
        if home not in (_UNKNOWN, bay):
            windows = (panes.starts[station, bay], panes.starts[station, bay + 1])
            if not _is_through_window(panes, windows, point, (x, y, z)):
                continue
        put_ray(bench.packet, waiting, local, way, (world.stop, distance - world.stop))
        bench.rows[waiting] = row - bench.first_row
        bench.amounts[waiting] = amount
        waiting += 1
        if waiting == LANES:
            _flush(tracer, bench, waiting, pull)
            waiting = 0
    return waiting


@compiled
def _density(
    patterns: Patterns, tip: int, cosine: float, way: Triple, frame: tuple[FloatArray, FloatArray]
) -> float:
    """Return the density in 1/sr of a tip at a cosine to its centre line, or along a way for a table."""
    kind = patterns.kinds[tip]
    if kind == UNIFORM:
        return float(patterns.densities[tip, 0])
    if kind == PROFILE:
        low, high = patterns.cosines[tip, 0], patterns.cosines[tip, 1]
        place = (cosine - low) / (high - low) * (patterns.densities.shape[1] - 1)
        return _between(patterns.densities[tip], place)
    axis, clock = frame
    up = way[0] * clock[0] + way[1] * clock[1] + way[2] * clock[2]
    # y of the tip frame is clock x axis.
    right = (
        way[0] * (clock[1] * axis[2] - clock[2] * axis[1])
        + way[1] * (clock[2] * axis[0] - clock[0] * axis[2])
        + way[2] * (clock[0] * axis[1] - clock[1] * axis[0])
    )
    polar = np.arccos(min(1.0, max(-1.0, cosine)))
    turn = np.arctan2(right, up) - patterns.azimuth[tip, 0]
    turn -= 2.0 * np.pi * np.floor(turn / (2.0 * np.pi))
    row, column = 0, 0
    while row + 1 < patterns.bins.shape[1] and polar >= patterns.polar[tip, row + 1]:
        row += 1
    while column + 1 < patterns.bins.shape[2] and turn >= (
        patterns.azimuth[tip, column + 1] - patterns.azimuth[tip, 0]
    ):
        column += 1
    return float(patterns.bins[tip, row, column])


@compiled
def _flying(patterns: Patterns, tip: int, distance: float) -> float:
    """Return the share still flying at a distance within the tip's reach."""
    place = distance / patterns.reach[tip] * (patterns.flying.shape[1] - 1)
    return _between(patterns.flying[tip], place)


@compiled
def _between(values: FloatArray, place: float) -> float:
    """Return the value at a place between two entries, by linear interpolation."""
    first = min(len(values) - 2, max(0, int(place)))
    part = place - first
    return float(values[first] * (1.0 - part) + values[first + 1] * part)


@compiled
def _may_matter(world: World, block: int, station: int, tip: int) -> bool:
    """Return whether any sample of a block may get liquid from a station, by the ball round the block."""
    grains, poses, patterns = world.grains, world.poses, world.patterns
    x = grains.centers[block, 0] - poses.points[station, 0]
    y = grains.centers[block, 1] - poses.points[station, 1]
    z = grains.centers[block, 2] - poses.points[station, 2]
    distance = np.sqrt(x * x + y * y + z * z)
    radius = grains.radii[block]
    if distance - radius > patterns.reach[tip]:
        return False
    axis = grains.axes[block]
    height = -(x * axis[0] + y * axis[1] + z * axis[2])
    # All normals alike: the tip must stand above the lowest sample.
    if grains.cosines[block] > 1.0 - 1e-9 and height <= grains.floors[block] - 1e-6 * radius:
        return False
    if distance <= radius * 1.001:
        return True
    sine = radius / distance
    cosine = np.sqrt(1.0 - sine * sine)
    line = poses.lines[station]
    toward = (x * line[0] + y * line[1] + z * line[2]) / distance
    if not _meets_zone(toward, (cosine, sine), patterns.cosines[tip, 0], patterns.cosines[tip, 1]):
        return False
    way = (x / distance, y / distance, z / distance)
    return _is_in_view(grains.bays[block], world.panes, station, way, (cosine, sine))


@compiled
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


@compiled
def _is_in_view(bays: IntArray, panes: Panes, station: int, way: Triple, ball: tuple[float, float]) -> bool:
    """Return whether the block's bay is the station's own, or a window to it meets the block's ball."""
    home = panes.home[station]
    if home == _UNKNOWN or bays[0] == MIXED or home in (bays[0], bays[1]):
        return True
    cosine, sine = ball
    for place in range(2):
        bay = bays[place]
        for window in range(panes.starts[station, bay], panes.starts[station, bay + 1]):
            cone = panes.cones[window]
            toward = way[0] * cone[0] + way[1] * cone[1] + way[2] * cone[2]
            if cone[3] < 0.0 or toward >= cone[3] * cosine - cone[4] * sine - 1e-9:
                return True
        if bays[1] == bay:
            break
    return False


@compiled
def _is_through_window(panes: Panes, windows: tuple[int, int], point: Triple, way: Triple) -> bool:
    """Return whether the way from a station to a sample leads through one of the windows."""
    for window in range(windows[0], windows[1]):
        if _is_through(panes, panes.last[window], point, way) and (
            panes.tightest[window] < 0 or _is_through(panes, panes.tightest[window], point, way)
        ):
            return True
    return False


@compiled
def _is_through(panes: Panes, opening: int, point: Triple, way: Triple) -> bool:
    """Return whether the segment from `point` along `way` (m) meets the disc, or the ball, of an opening."""
    cx = panes.centers[opening, 0] - point[0]
    cy = panes.centers[opening, 1] - point[1]
    cz = panes.centers[opening, 2] - point[2]
    radius = panes.radii[opening]
    length2 = way[0] * way[0] + way[1] * way[1] + way[2] * way[2]
    along = (cx * way[0] + cy * way[1] + cz * way[2]) / length2
    if panes.is_flat[opening]:
        normal = panes.normals[opening]
        height = cx * normal[0] + cy * normal[1] + cz * normal[2]
        climb = way[0] * normal[0] + way[1] * normal[1] + way[2] * normal[2]
        # In the plane of the opening a segment may graze it anywhere: the ball decides.
        if abs(climb) > 1e-3 * np.sqrt(length2) and abs(height) > 1e-3 * radius:
            along = height / climb
            if along < 0.0 or along > 1.0 + 1e-6:
                return False
    along = min(1.0, max(0.0, along))
    x, y, z = cx - along * way[0], cy - along * way[1], cz - along * way[2]
    return bool(x * x + y * y + z * z <= radius * radius)
