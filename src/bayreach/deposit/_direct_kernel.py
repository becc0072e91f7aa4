"""Compiled: pass over what cannot matter, trace the rest, and sum, all in one loop over blocks of targets."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from bayreach.arrays import FloatArray, IntArray
from bayreach.deposit._cull_kernel import stations_in_question
from bayreach.deposit._kernel_records import PROFILE, TABLE, Patterns, World
from bayreach.rays.packets import (
    LANES,
    Packet,
    Tracer,
    compiled,
    inlined,
    is_lane_blocked,
    new_packet,
    trace_blocked,
)

single = np.float32


class Bench(NamedTuple):
    """Working room of one task.

    A packet; of each of its lanes the row to add to and the amount; the film (rows, pulls) of rows from
    `first_row` on; counts of sample-station pairs looked at and of rays asked. `looks` (6, n): of each sample
    of a block the way from the station (x, y, z), the distance, the cosine to the centre line and the amount;
    `hopeful` (n,): those that may get any.
    """

    packet: Packet
    rows: IntArray
    amounts: FloatArray
    film: FloatArray
    counts: IntArray
    looks: NDArray[np.float32]
    hopeful: IntArray


@compiled
def spray_blocks(
    tracer: Tracer, world: World, span: tuple[int, int], film: FloatArray, counts: IntArray
) -> None:
    """Add the film (rows, pulls) of blocks span[0] .. span[1] - 1, whose sides are its rows, in order.

    `counts` gets the number of sample-station pairs in blocks not passed over, and of rays asked. A block's
    sums run in one fixed order, so they do not depend on how blocks are shared among threads.
    """
    starts = world.grains.starts
    largest = np.max(starts[span[0] + 1 : span[1] + 1] - starts[span[0] : span[1]])
    bench = Bench(
        new_packet(),
        np.zeros(LANES, dtype=np.int64),
        np.zeros(LANES),
        film,
        counts,
        np.zeros((6, largest), dtype=np.float32),
        np.zeros(largest, dtype=np.int64),
    )
    chosen = np.zeros(len(world.poses.tips), dtype=np.int64)
    first_row = int(world.grains.rows[starts[span[0]]])
    for block in range(span[0], span[1]):
        count = stations_in_question(world, block, chosen)
        if count > 0:
            counts[0] += count * (starts[block + 1] - starts[block])
            _spray_block(tracer, world, bench, (block, first_row), chosen[:count])


@compiled
def _spray_block(
    tracer: Tracer, world: World, bench: Bench, place: tuple[int, int], stations: IntArray
) -> None:
    """Add the film of one block from the given stations: look, fill the packet, trace when it is full."""
    block, first_row = place
    first = world.grains.starts[block]
    rows, pulls = world.grains.rows, world.poses.pulls
    points, origin, stop = world.poses.points, world.origin, world.stop
    rays, looks, hopeful = bench.packet.rays, bench.looks, bench.hopeful
    lane_rows, lane_amounts = bench.rows, bench.amounts
    waiting, pull = 0, pulls[stations[0]]
    for station in stations:
        if pulls[station] != pull:
            _flush(tracer, bench, waiting, pull)
            waiting, pull = 0, pulls[station]
        found = _look(world, block, station, looks, hopeful)
        for candidate in range(found):
            sample = hopeful[candidate]
            distance = looks[3, sample]
            inverse = single(1.0) / distance
            rays[waiting] = points[station, 0] - origin[0]
            rays[LANES + waiting] = points[station, 1] - origin[1]
            rays[2 * LANES + waiting] = points[station, 2] - origin[2]
            rays[3 * LANES + waiting] = stop
            rays[4 * LANES + waiting] = looks[0, sample] * inverse
            rays[5 * LANES + waiting] = looks[1, sample] * inverse
            rays[6 * LANES + waiting] = looks[2, sample] * inverse
            rays[8 * LANES + waiting] = distance - stop
            lane_rows[waiting] = rows[first + sample] - first_row
            lane_amounts[waiting] = looks[5, sample]
            waiting += 1
            if waiting == LANES:
                _flush(tracer, bench, waiting, pull)
                waiting = 0
    _flush(tracer, bench, waiting, pull)


@inlined
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
def _look(world: World, block: int, station: int, looks: NDArray[np.float32], hopeful: IntArray) -> int:
    """Fill `looks` and `hopeful` for a block as seen from a station; return the number of hopeful samples."""
    patterns, tip = world.patterns, world.poses.tips[station]
    first, last = world.grains.starts[block], world.grains.starts[block + 1]
    _measure(world, block, station, looks)
    kind, length = patterns.kinds[tip], patterns.reach[tip] / (patterns.flying.shape[1] - 1)
    found = 0
    for sample in range(last - first):
        amount = np.float64(looks[5, sample])
        if amount <= 0.0:
            continue
        if kind == PROFILE:
            low, high = patterns.ends[tip, 0], patterns.ends[tip, 1]
            share = (looks[4, sample] - low) / (high - low) * (patterns.densities.shape[1] - 1)
            amount *= _between(patterns.densities, tip, share)
        elif kind == TABLE:
            amount *= _table_density(world, tip, station, looks[:, sample])
        else:
            amount *= patterns.densities[tip, 0]
        amount *= _between(patterns.flying, tip, looks[3, sample] / length)
        if amount <= world.floor:
            continue
        looks[5, sample] = amount
        hopeful[found] = sample
        found += 1
    return found


@inlined
def _measure(world: World, block: int, station: int, looks: NDArray[np.float32]) -> None:
    """Fill `looks` but for density and throw; the amount is zero where a sample cannot be lit.

    Each station stands for a piece of the path: only the part of it counts from which the sample lies within
    the pattern, so that a hard edge is summed as well as a soft one. From the tip to the middle of the block
    in double precision, to which samples add their small offsets. Without branches, so that the compiler can
    do several samples at once.
    """
    offsets, normals, weights = world.grains.offsets, world.grains.normals, world.grains.weights
    first, last = world.grains.starts[block], world.grains.starts[block + 1]
    center, line = world.grains.centers[block], world.poses.lines[station]
    point, sweep, tip = world.poses.points[station], world.poses.sweeps[station], world.poses.tips[station]
    cx, cy, cz = single(center[0] - point[0]), single(center[1] - point[1]), single(center[2] - point[2])
    lx, ly, lz = single(line[0]), single(line[1]), single(line[2])
    sx, sy, sz = single(sweep[0]), single(sweep[1]), single(sweep[2])
    along, share = sx * lx + sy * ly + sz * lz, single(world.poses.shares[station])
    low, high = single(world.patterns.cosines[tip, 0]), single(world.patterns.cosines[tip, 1])
    nearest, farthest = single(2.0 * world.stop), single(world.patterns.reach[tip])
    zero, half, one, tiny = single(0.0), single(0.5), single(1.0), single(1e-12)
    for sample in range(last - first):
        place = first + sample
        x, y, z = cx + offsets[0, place], cy + offsets[1, place], cz + offsets[2, place]
        facing = -(x * normals[0, place] + y * normals[1, place] + z * normals[2, place])
        distance = np.sqrt(x * x + y * y + z * z)
        inverse = one / distance
        cosine = (x * lx + y * ly + z * lz) * inverse
        # While the tip sweeps its piece of the path, the cosine runs over this much.
        run = abs(cosine * (x * sx + y * sy + z * sz) * inverse - along) * inverse + tiny
        above = min(one, max(zero, half + (cosine - low) / run))
        inside = above + min(one, max(zero, half + (high - cosine) / run)) - one
        amount = inside * share * facing * inverse * inverse * inverse * weights[place]
        lit = (inside > zero) & (facing > zero) & (distance > nearest) & (distance <= farthest)
        looks[0, sample] = x
        looks[1, sample] = y
        looks[2, sample] = z
        looks[3, sample] = distance
        looks[4, sample] = min(max(cosine, low), high)
        looks[5, sample] = amount if lit else zero


@inlined
def _between(values: FloatArray, row: int, place: float) -> float:
    """Return the value at a place between two entries of a row, by linear interpolation."""
    before = min(values.shape[1] - 2, max(0, int(place)))
    part = place - before
    return float(values[row, before] * (1.0 - part) + values[row, before + 1] * part)


@compiled
def _table_density(world: World, tip: int, station: int, look: NDArray[np.float32]) -> float:
    """Return the density in 1/sr of a measured tip along a way."""
    patterns: Patterns = world.patterns
    axis, clock = world.poses.axes[station], world.poses.clocks[station]
    up = look[0] * clock[0] + look[1] * clock[1] + look[2] * clock[2]
    # y of the tip frame is clock x axis.
    right = (
        look[0] * (clock[1] * axis[2] - clock[2] * axis[1])
        + look[1] * (clock[2] * axis[0] - clock[0] * axis[2])
        + look[2] * (clock[0] * axis[1] - clock[1] * axis[0])
    )
    polar = np.arccos(min(1.0, max(-1.0, look[4])))
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
