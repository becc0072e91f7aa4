"""Compiled: pass over what cannot matter, trace the rest, and sum, all in one loop over blocks of targets."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from bayreach.arrays import FloatArray, IntArray
from bayreach.deposit._cull_kernel import stations_in_question
from bayreach.deposit._kernel_records import PROFILE, TABLE, Patterns, World
from bayreach.deposit._through_kernel import (
    ROOM_TO_TELL,
    WHOLE,
    look_through,
    planes_across,
)
from bayreach.rays.compiling import bare, compiled
from bayreach.rays.packets import (
    FIRST_OWN,
    LANES,
    Packet,
    Tracer,
    is_lane_blocked,
    new_packet,
    trace_blocked,
)

single = np.float32
Three = tuple[np.float32, np.float32, np.float32]

# Places of the first lane of a packet's rows (see `Packet`); behind Embree's, what the film needs of a ray.
_ORIGIN, _NEAR, _WAY, _FAR = 0, 3 * LANES, 4 * LANES, 8 * LANES
_AMOUNT, _COSINE, _DISTANCE = FIRST_OWN * LANES, (FIRST_OWN + 1) * LANES, (FIRST_OWN + 2) * LANES
_ROOM = (FIRST_OWN + 3) * LANES


class Entries(NamedTuple):
    """Sparse film as it is found: of each entry the row, the pull and the film in 1/m²."""

    rows: NDArray[np.int32]
    pulls: NDArray[np.int32]
    film: NDArray[np.float32]


class Bench(NamedTuple):
    """Working room of one task.

    `group`: sixteen samples as one station sees them. `queue`: rays from groups of which only some are lit,
    and `samples` (16,), the sample of each in its block. `sums` (n,): film of a block's samples from the pull
    in hand. `told`: planes of windows that cut the block in hand. `counts`: sample-station pairs looked at,
    and rays asked.
    """

    group: Packet
    queue: Packet
    samples: IntArray
    sums: FloatArray
    told: IntArray
    counts: IntArray


class View(NamedTuple):
    """A station: centre line and sweep of the tip, its share of the liquid, and limits."""

    line: Three
    sweep: Three
    along: single
    share: single
    cosines: tuple[single, single]
    distances: tuple[single, single]


@compiled
def spray_blocks(tracer: Tracer, world: World, span: tuple[int, int], counts: IntArray) -> Entries:
    """Return the film of blocks span[0] .. span[1] - 1 by row and pull: block by block, then pull by pull.

    `counts` gets the number of sample-station pairs in blocks not passed over, and of rays asked. A block's
    sums run in one fixed order, so they do not depend on how blocks are shared among threads.
    """
    starts = world.grains.starts
    largest = np.max(starts[span[0] + 1 : span[1] + 1] - starts[span[0] : span[1]])
    bench = Bench(
        new_packet(),
        new_packet(),
        np.zeros(LANES, dtype=np.int64),
        np.zeros(-(-largest // LANES) * LANES),
        np.zeros(ROOM_TO_TELL, dtype=np.int64),
        counts,
    )
    bench.group.rays[_NEAR : _NEAR + LANES] = world.stop
    bench.queue.rays[_NEAR : _NEAR + LANES] = world.stop
    chosen = np.zeros(len(world.poses.tips), dtype=np.int64)
    pulls = world.poses.pulls
    found, used = _room(_room_of_none(), 0, 1024), 0
    for block in range(span[0], span[1]):
        count = stations_in_question(world, block, chosen)
        counts[0] += count * (starts[block + 1] - starts[block])
        first = 0
        while first < count:
            last = first + 1
            while last < count and pulls[chosen[last]] == pulls[chosen[first]]:
                last += 1
            _spray_block(tracer, world, bench, block, chosen[first:last])
            found = _room(found, used, used + largest)
            used = _hand_over(world, bench.sums, (block, pulls[chosen[first]]), found, used)
            first = last
    return Entries(found.rows[:used].copy(), found.pulls[:used].copy(), found.film[:used].copy())


@compiled
def _room_of_none() -> Entries:
    return Entries(np.zeros(0, dtype=np.int32), np.zeros(0, dtype=np.int32), np.zeros(0, dtype=np.float32))


@compiled
def _room(found: Entries, used: int, wanted: int) -> Entries:
    """Return the entries with room for at least as many as wanted, the used ones kept."""
    if wanted <= len(found.rows):
        return found
    length = max(wanted, 2 * len(found.rows))
    rows, pulls = np.zeros(length, dtype=np.int32), np.zeros(length, dtype=np.int32)
    film = np.zeros(length, dtype=np.float32)
    rows[:used], pulls[:used], film[:used] = found.rows[:used], found.pulls[:used], found.film[:used]
    return Entries(rows, pulls, film)


@bare
def _hand_over(world: World, sums: FloatArray, place: tuple[int, int], found: Entries, used: int) -> int:
    """Add the rows of a block that got film from a pull to `found`; empty `sums`; return the new length."""
    block, pull = place
    first, last = world.grains.starts[block], world.grains.starts[block + 1]
    rows = world.grains.rows
    total = 0.0
    for sample in range(first, last):
        total += sums[sample - first]
        if sample + 1 == last or rows[sample + 1] != rows[sample]:
            if total > 0.0:
                found.rows[used], found.pulls[used], found.film[used] = rows[sample], pull, total
                used += 1
            total = 0.0
    sums[:] = 0.0
    return used


@bare
def _spray_block(tracer: Tracer, world: World, bench: Bench, block: int, stations: IntArray) -> None:
    """Add the film of one block from stations of one pull to `bench.sums`.

    Groups of sixteen samples that are lit as a whole are traced as they stand, the lit ones of others are
    gathered until sixteen are together. All stations of a pull have one tip.
    """
    rays, sums = bench.group.rays, bench.sums
    points, normals, weights = world.grains.points, world.grains.normals, world.grains.weights
    first, last = world.grains.groups[block], world.grains.groups[block + 1]
    patterns, tip = world.patterns, world.poses.tips[stations[0]]
    kind, fades, floor = patterns.kinds[tip], patterns.fades[tip], single(world.floor)
    densities, flying = patterns.densities[tip], patterns.flying[tip]
    low, high = patterns.ends[tip, 0], patterns.ends[tip, 1]
    over_cosine = (single(low), single((len(densities) - 1) / (high - low)))
    over_distance = (single(0.0), single((len(flying) - 1) / patterns.reach[tip]))
    waiting, asked = 0, 0
    for station in stations:
        view = _view(world, station, tip)
        point = world.poses.points[station]
        _set_origin(point, world.origin, rays)
        windows = planes_across(world, block, station, bench.told)
        for group in range(first, last):
            _aim(point, points[group], rays)
            _measure(view, normals[group], weights[group], rays)
            if windows != WHOLE:
                look_through(world.panes, windows, bench.told, rays, (_WAY, _DISTANCE, _AMOUNT, _ROOM))
            if kind == PROFILE:
                _multiply(rays, _COSINE, densities, over_cosine)
            elif kind == TABLE:
                _multiply_by_bins(world, station, rays)
            if fades:
                _multiply(rays, _DISTANCE, flying, over_distance)
            lit = _lit(rays, floor)
            asked += lit
            if lit == LANES:
                trace_blocked(tracer, bench.group, LANES)
                _add_all(rays, sums, LANES * (group - first))
            elif lit > 0:
                waiting = _gather(tracer, bench, LANES * (group - first), waiting, floor)
    _flush(tracer, bench, waiting)
    bench.counts[1] += asked


@bare
def _add_all(rays: NDArray[np.float32], sums: FloatArray, place: int) -> None:
    """Add the amounts of a group to the sums of its samples where nothing blocks the ray."""
    for lane in range(LANES):
        free = rays[_FAR + lane] >= single(0.0)
        sums[place + lane] += rays[_AMOUNT + lane] if free else single(0.0)


@bare
def _lit(rays: NDArray[np.float32], floor: single) -> int:
    """Return how many amounts of a group are above the floor."""
    lit = 0
    for lane in range(LANES):
        lit += 1 if rays[_AMOUNT + lane] > floor else 0
    return lit


@bare
def _gather(tracer: Tracer, bench: Bench, place: int, waiting: int, floor: single) -> int:
    """Put the lit lanes of the group into the queue, tracing it when full; return how many wait in it."""
    rays, queue = bench.group.rays, bench.queue.rays
    for lane in range(LANES):
        if rays[_AMOUNT + lane] <= floor:
            continue
        for row in (0, 1, 2, 4, 5, 6, 8, FIRST_OWN):
            queue[row * LANES + waiting] = rays[row * LANES + lane]
        bench.samples[waiting] = place + lane
        waiting += 1
        if waiting == LANES:
            _flush(tracer, bench, waiting)
            waiting = 0
    return waiting


@bare
def _flush(tracer: Tracer, bench: Bench, waiting: int) -> None:
    """Trace the rays of the queue and add the amounts of those that nothing blocks."""
    if waiting == 0:
        return
    trace_blocked(tracer, bench.queue, waiting)
    for lane in range(waiting):
        if not is_lane_blocked(bench.queue, lane):
            bench.sums[bench.samples[lane]] += bench.queue.rays[_AMOUNT + lane]


@bare
def _set_origin(point: FloatArray, origin: FloatArray, rays: NDArray[np.float32]) -> None:
    for k in range(3):
        at = single(point[k] - origin[k])
        for lane in range(LANES):
            rays[_ORIGIN + k * LANES + lane] = at


@bare
def _view(world: World, station: int, tip: int) -> View:
    """Return what of a station is the same for all samples."""
    line, sweep = world.poses.lines[station], world.poses.sweeps[station]
    lx, ly, lz = single(line[0]), single(line[1]), single(line[2])
    sx, sy, sz = single(sweep[0]), single(sweep[1]), single(sweep[2])
    cosines = world.patterns.cosines[tip]
    return View(
        (lx, ly, lz),
        (sx, sy, sz),
        sx * lx + sy * ly + sz * lz,
        single(world.poses.shares[station] * world.patterns.scales[tip]),
        (single(cosines[0]), single(cosines[1])),
        (single(world.stop), single(world.patterns.reach[tip])),
    )


@bare
def _aim(point: FloatArray, samples: FloatArray, rays: NDArray[np.float32]) -> None:
    """Fill the ways in m from a station to the samples of a group, to single precision."""
    for k in range(3):
        for lane in range(LANES):
            rays[_WAY + k * LANES + lane] = single(samples[k * LANES + lane] - point[k])


@bare
def _measure(
    view: View, normals: NDArray[np.float32], weights: NDArray[np.float32], rays: NDArray[np.float32]
) -> None:
    """Make unit directions of the ways of a group; fill amounts, but for density and throw, and distances.

    The amount is zero where a sample cannot be lit. Each station stands for a piece of the path: only the
    part of it counts from which the sample lies within the pattern, so that a hard edge is summed as well as
    a soft one. Without branches, so that the compiler does several samples at once.
    """
    lx, ly, lz = view.line
    sx, sy, sz = view.sweep
    low, high = view.cosines
    stop, farthest = view.distances
    zero, half, one, tiny = single(0.0), single(0.5), single(1.0), single(1e-12)
    for lane in range(LANES):
        x, y, z = rays[_WAY + lane], rays[_WAY + LANES + lane], rays[_WAY + 2 * LANES + lane]
        distance = np.sqrt(x * x + y * y + z * z)
        inverse = one / distance
        x, y, z = x * inverse, y * inverse, z * inverse
        facing = -(x * normals[lane] + y * normals[LANES + lane] + z * normals[2 * LANES + lane])
        cosine = x * lx + y * ly + z * lz
        # While the tip sweeps its piece of the path, the cosine runs over this much.
        a_run = one / (abs(cosine * (x * sx + y * sy + z * sz) - view.along) * inverse + tiny)
        above = min(one, max(zero, half + (cosine - low) * a_run))
        inside = above + min(one, max(zero, half + (high - cosine) * a_run)) - one
        amount = inside * view.share * facing * inverse * inverse * weights[lane]
        lit = (inside > zero) & (facing > zero) & (distance > stop + stop) & (distance <= farthest)
        rays[_WAY + lane] = x
        rays[_WAY + LANES + lane] = y
        rays[_WAY + 2 * LANES + lane] = z
        rays[_FAR + lane] = distance - stop
        rays[_DISTANCE + lane] = distance
        rays[_COSINE + lane] = min(max(cosine, low), high)
        rays[_AMOUNT + lane] = amount if lit else zero


@bare
def _multiply(
    rays: NDArray[np.float32], row: int, values: NDArray[np.float32], scale: tuple[single, single]
) -> None:
    """Multiply the amounts by a table over the figures of a row, by linear interpolation."""
    most, none = single(len(values) - 2), single(0.0)
    for lane in range(LANES):
        place = (rays[row + lane] - scale[0]) * scale[1]
        # A sample out of the pattern has no amount, and its figure may lie outside the table.
        before = min(most, max(none, np.floor(place)))
        part = place - before
        entry = np.uint32(before)
        value = values[entry] + (values[entry + np.uint32(1)] - values[entry]) * part
        rays[_AMOUNT + lane] = rays[_AMOUNT + lane] * value if rays[_AMOUNT + lane] > none else none


@bare
def _multiply_by_bins(world: World, station: int, rays: NDArray[np.float32]) -> None:
    """Multiply the amounts by the density of a measured tip."""
    for lane in range(LANES):
        if rays[_AMOUNT + lane] > single(0.0):
            way = (rays[_WAY + lane], rays[_WAY + LANES + lane], rays[_WAY + 2 * LANES + lane])
            tip = world.poses.tips[station]
            rays[_AMOUNT + lane] *= bin_density(world, (tip, station), way, rays[_COSINE + lane])


@bare
def bin_density(world: World, who: tuple[int, int], way: Three, cosine: single) -> float:
    """Return the density in 1/sr of a measured tip at a station (`who`) along a way of any length."""
    patterns: Patterns = world.patterns
    tip, station = who
    axis, clock = world.poses.axes[station], world.poses.clocks[station]
    x, y, z = way
    up = x * clock[0] + y * clock[1] + z * clock[2]
    # y of the tip frame is clock x axis.
    right = (
        x * (clock[1] * axis[2] - clock[2] * axis[1])
        + y * (clock[2] * axis[0] - clock[0] * axis[2])
        + z * (clock[0] * axis[1] - clock[1] * axis[0])
    )
    polar = np.arccos(min(1.0, max(-1.0, float(cosine))))
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
