"""Compiled: one pull in many poses, each with several tips that differ a little and share its rays."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from bayreach.arrays import IntArray
from bayreach.deposit._cull_kernel import stations_in_question
from bayreach.deposit._direct_kernel import bin_density
from bayreach.deposit._kernel_records import TABLE, World
from bayreach.deposit._through_kernel import (
    ROOM_TO_TELL,
    WHOLE,
    leads_through,
    planes_across,
)
from bayreach.rays.compiling import bare, compiled
from bayreach.rays.packets import (
    LANES,
    Packet,
    Tracer,
    is_lane_blocked,
    new_packet,
    trace_blocked,
)

single = np.float32
Singles = NDArray[np.float32]


class Curves(NamedTuple):
    """The tips side by side, so that all are reckoned at once.

    `lows`, `highs` (t,): cosines of the patterns' edges; `even` (t,): densities in 1/sr, one where they vary;
    `flying` (n, t): shares still flying at n distances, `step` m apart; `varying`: whether any density varies
    with the direction; `floor`: film in 1/m² that is worth a ray.
    """

    lows: Singles
    highs: Singles
    even: Singles
    flying: Singles
    step: float
    varying: bool
    floor: float


class SharedBench(NamedTuple):
    """Working room of one task.

    A packet; of each of its lanes the row to add to, and the amounts (lanes, t) of the tips; the film (rows,
    poses, t). `looks` (6, n): of each sample of a block the way from the station (x, y, z), the distance, the
    cosine to the centre line and what all tips share of the amount; `run` (n,): how much the cosine changes
    while the station lasts; `amounts` (n, t): of each tip; `hopeful` (n,): samples that any tip may wet;
    `told`: planes of windows that cut the block in hand.
    """

    packet: Packet
    rows: IntArray
    lanes: Singles
    film: Singles
    looks: Singles
    run: Singles
    amounts: Singles
    hopeful: IntArray
    told: IntArray


@compiled
def spray_shared(tracer: Tracer, asked_of: tuple[World, Curves], span: tuple[int, int], film: Singles) -> int:
    """Add the film (rows, poses, tips) of blocks span[0] .. span[1] - 1; return the number of rays asked.

    The order of a block's sums is fixed, so they do not depend on how blocks are shared among threads.
    """
    world = asked_of[0]
    starts = world.grains.starts
    largest = np.max(starts[span[0] + 1 : span[1] + 1] - starts[span[0] : span[1]])
    tips = film.shape[2]
    bench = SharedBench(
        new_packet(),
        np.zeros(LANES, dtype=np.int64),
        np.zeros((LANES, tips), dtype=np.float32),
        film,
        np.zeros((6, largest), dtype=np.float32),
        np.zeros(largest, dtype=np.float32),
        np.zeros((largest, tips), dtype=np.float32),
        np.zeros(largest, dtype=np.int64),
        np.zeros(ROOM_TO_TELL, dtype=np.int64),
    )
    chosen = np.zeros(len(world.poses.tips), dtype=np.int64)
    first_row = int(world.grains.rows[starts[span[0]]])
    rays = 0
    for block in range(span[0], span[1]):
        count = stations_in_question(world, block, chosen)
        if count > 0:
            rays += _spray_block(tracer, asked_of, bench, (block, first_row), chosen[:count])
    return rays


@bare
def _spray_block(
    tracer: Tracer,
    asked_of: tuple[World, Curves],
    bench: SharedBench,
    place: tuple[int, int],
    stations: IntArray,
) -> int:
    """Add the film of one block from the given stations; return the number of rays asked."""
    world, curves = asked_of
    block, first_row = place
    first, rows = world.grains.starts[block], world.grains.rows
    points, origin, stop = world.poses.points, world.origin, world.stop
    pulls, looks, rays = world.poses.pulls, bench.looks, bench.packet.rays
    waiting, asked, pull = 0, 0, pulls[stations[0]]
    for station in stations:
        if pulls[station] != pull:
            _flush(tracer, bench, waiting, pull)
            waiting, pull = 0, pulls[station]
        _measure(world, block, station, bench)
        found = _weigh(world, curves, (block, station), bench)
        windows = planes_across(world, block, station, bench.told) if found > 0 else WHOLE
        for candidate in range(found):
            sample = bench.hopeful[candidate]
            if windows != WHOLE and not leads_through(
                world.panes,
                windows,
                bench.told,
                (float(looks[0, sample]), float(looks[1, sample]), float(looks[2, sample])),
            ):
                continue
            asked += 1
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
            bench.rows[waiting] = rows[first + sample] - first_row
            for tip in range(bench.lanes.shape[1]):
                bench.lanes[waiting, tip] = bench.amounts[sample, tip]
            waiting += 1
            if waiting == LANES:
                _flush(tracer, bench, waiting, pull)
                waiting = 0
    _flush(tracer, bench, waiting, pull)
    return asked


@bare
def _flush(tracer: Tracer, bench: SharedBench, waiting: int, pull: int) -> None:
    """Trace the waiting rays and add every tip's amounts of those that nothing blocks."""
    if waiting == 0:
        return
    trace_blocked(tracer, bench.packet, waiting)
    for lane in range(waiting):
        if not is_lane_blocked(bench.packet, lane):
            for tip in range(bench.lanes.shape[1]):
                bench.film[bench.rows[lane], pull, tip] += bench.lanes[lane, tip]


@bare
def _measure(world: World, block: int, station: int, bench: SharedBench) -> None:
    """Fill `looks` and `run`: the amount is what lands of a density of one, without edges and throw."""
    points, normals, weights = world.grains.points, world.grains.normals, world.grains.weights
    count, group = world.grains.starts[block + 1] - world.grains.starts[block], world.grains.groups[block]
    line = world.poses.lines[station]
    point, sweep = world.poses.points[station], world.poses.sweeps[station]
    lx, ly, lz = single(line[0]), single(line[1]), single(line[2])
    sx, sy, sz = single(sweep[0]), single(sweep[1]), single(sweep[2])
    along, share = sx * lx + sy * ly + sz * lz, single(world.poses.shares[station])
    nearest, zero, one, tiny = single(2.0 * world.stop), single(0.0), single(1.0), single(1e-12)
    looks, run = bench.looks, bench.run
    for sample in range(count):
        tile, lane = group + sample // LANES, sample % LANES
        place, normal = points[tile], normals[tile]
        x, y = single(place[lane] - point[0]), single(place[LANES + lane] - point[1])
        z = single(place[2 * LANES + lane] - point[2])
        facing = -(x * normal[lane] + y * normal[LANES + lane] + z * normal[2 * LANES + lane])
        distance = np.sqrt(x * x + y * y + z * z)
        inverse = one / distance
        cosine = (x * lx + y * ly + z * lz) * inverse
        amount = share * facing * inverse * inverse * inverse * weights[tile, lane]
        looks[0, sample] = x
        looks[1, sample] = y
        looks[2, sample] = z
        looks[3, sample] = distance
        looks[4, sample] = cosine
        looks[5, sample] = amount if (facing > zero) & (distance > nearest) else zero
        run[sample] = abs(cosine * (x * sx + y * sy + z * sz) * inverse - along) * inverse + tiny


@bare
def _weigh(world: World, curves: Curves, place: tuple[int, int], bench: SharedBench) -> int:
    """Fill the tips' `amounts` and `hopeful`; return the number of samples that any tip may wet."""
    block, station = place
    looks, run, amounts = bench.looks, bench.run, bench.amounts
    lows, highs, even, flying = curves.lows, curves.highs, curves.even, curves.flying
    count = world.grains.starts[block + 1] - world.grains.starts[block]
    tips, last = amounts.shape[1], flying.shape[0] - 2
    zero, half, one, per_step = single(0.0), single(0.5), single(1.0), single(1.0 / curves.step)
    least, found = single(curves.floor), 0
    for sample in range(count):
        shared, cosine, inverse = looks[5, sample], looks[4, sample], one / run[sample]
        way = looks[3, sample] * per_step
        node = int(way)
        if not shared > zero or node > last:
            continue
        part, most = way - single(node), zero
        for tip in range(tips):
            above = min(one, max(zero, half + (cosine - lows[tip]) * inverse))
            below = min(one, max(zero, half + (highs[tip] - cosine) * inverse))
            flies = flying[node, tip] * (one - part) + flying[node + 1, tip] * part
            amount = max(zero, above + below - one) * even[tip] * flies * shared
            amounts[sample, tip] = amount
            most = max(most, amount)
        if curves.varying and most > zero:
            most = zero
            for tip in range(tips):
                amounts[sample, tip] *= single(_density(world, tip, station, looks[:, sample]))
                most = max(most, amounts[sample, tip])
        if most > least:
            bench.hopeful[found] = sample
            found += 1
    return found


@bare
def _density(world: World, tip: int, station: int, look: Singles) -> float:
    """Return the density in 1/sr of a tip along a way, where it varies with the direction."""
    patterns = world.patterns
    if patterns.kinds[tip] == TABLE:
        return float(bin_density(world, (tip, station), (look[0], look[1], look[2]), look[4]))
    low, high = patterns.ends[tip, 0], patterns.ends[tip, 1]
    steps = patterns.densities.shape[1] - 1
    place = (min(max(look[4], low), high) - low) / (high - low) * steps
    before = min(steps - 1, max(0, int(place)))
    part = place - before
    return float(patterns.densities[tip, before] * (1.0 - part) + patterns.densities[tip, before + 1] * part)
