"""Arrays for the direct-film kernel: targets, stations, patterns and windows as it wants them."""

from collections.abc import Sequence

import numpy as np

from bayreach.arrays import OUTSIDE, FloatArray, unit_vectors
from bayreach.deposit._air import Air, bays_at
from bayreach.deposit._fates import Flying
from bayreach.deposit._kernel_records import (
    PROFILE,
    TABLE,
    UNIFORM,
    Grains,
    Panes,
    Patterns,
    Poses,
    World,
)
from bayreach.deposit._sampled import Spray
from bayreach.poses import Stations
from bayreach.rays import Scene
from bayreach.sight import Blocks, Targets, windows_of

_NODES = 4097
_GONE = 1e-6
"""Share still flying below which a distance is out of reach."""


def world_of(
    scene: Scene, targets: Targets, sprays: Sequence[Spray], air: Air | None, *, by_sample: bool, floor: float
) -> World:
    """Return all that the kernel reads. With `by_sample` each sample is a row of its own, of weight one."""
    poses, tips = _poses(sprays)
    blocks = blocks_for(targets, air)
    portals = air.portals if air else None
    home = np.zeros(len(poses.points), dtype=np.int64)
    if air is not None and portals is not None:
        home = bays_at(scene, air, poses.points)
    panes = Panes(*windows_of(poses.points, home, portals))
    return World(
        _grains(targets, blocks, air, by_sample=by_sample),
        poses,
        _patterns(tips, _farthest(scene, blocks, poses.points)),
        panes,
        np.array(scene.origin),
        scene.stop,
        floor,
    )


def blocks_for(targets: Targets, air: Air | None) -> Blocks:
    """Return the targets in blocks; where openings are portals, the sides of each look into one bay."""
    if air is None or air.portals is None:
        return targets.blocks
    return targets.blocks_by(air.side_bay)


def _farthest(scene: Scene, blocks: Blocks, points: FloatArray) -> float:
    """Return a distance in m beyond which no target lies from any station.

    It is twice the mesh's diagonal, or that doubled and doubled where a station stands far outside: the same
    whichever pulls are asked about together, so that their film is the same to the last digit.
    """
    low = (blocks.centers - blocks.radii[:, None]).min(axis=0)
    high = (blocks.centers + blocks.radii[:, None]).max(axis=0)
    ways = np.maximum(np.abs(points - low), np.abs(high - points))
    needed = float(np.linalg.norm(ways, axis=1).max()) * (1.0 + 1e-6) + 1e-9
    farthest = 2.0 * scene.mesh.diagonal or needed
    while farthest < needed:
        farthest *= 2.0
    return farthest


def _grains(targets: Targets, blocks: Blocks, air: Air | None, *, by_sample: bool) -> Grains:
    bays = np.zeros(blocks.n_blocks, dtype=np.int64)
    if air is not None:
        first = targets.sides[blocks.order[blocks.rows[blocks.starts[:-1]]]]
        bays = np.where(air.side_bay[first] == OUTSIDE, air.n_bays, air.side_bay[first])
    return Grains(
        blocks.starts,
        blocks.centers,
        blocks.radii,
        blocks.axes,
        blocks.cosines,
        blocks.floors,
        blocks.tile_points,
        blocks.tile_normals,
        blocks.tile_ones if by_sample else blocks.tile_weights,
        blocks.groups,
        np.arange(len(blocks.rows), dtype=np.int32) if by_sample else blocks.rows,
        bays,
    )


def _poses(sprays: Sequence[Spray]) -> tuple[Poses, list[Spray]]:
    """Return the stations of all pulls and, of each distinct tip and throw, one spray that has it."""
    place: dict[tuple[int, int], int] = {}
    tips: list[Spray] = []
    tip_of_pull = []
    for spray in sprays:
        key = (id(spray.tip), id(spray.flying))
        if key not in place:
            place[key] = len(tips)
            tips.append(spray)
        tip_of_pull.append(place[key])
    counts = np.array([len(spray.shares) for spray in sprays])
    axes = unit_vectors(np.concatenate([spray.stations.axes for spray in sprays]))
    clocks = unit_vectors(np.concatenate([spray.stations.clocks for spray in sprays]))
    # The centre line lies in the plane of axis and clock.
    lines = np.repeat(np.stack([spray.tip.center_line[[0, 2]] for spray in sprays]), counts, axis=0)
    poses = Poses(
        np.repeat(np.arange(len(sprays)), counts),
        np.repeat(np.array(tip_of_pull, dtype=np.int64), counts),
        np.concatenate([spray.stations.points for spray in sprays]),
        lines[:, :1] * axes + lines[:, 1:] * clocks,
        axes,
        clocks,
        np.concatenate([spray.shares for spray in sprays]),
        np.concatenate([_sweeps(spray.stations) for spray in sprays]),
    )
    return poses, tips


def _sweeps(stations: Stations) -> FloatArray:
    """Return the way (s, 3) in m along the path that each station stands for."""
    if len(stations.points) == 1:
        ways = -np.asarray(stations.axes)
    else:
        ways = np.gradient(np.asarray(stations.points), axis=0)
    return unit_vectors(ways) * stations.lengths[:, None]


def _patterns(tips: Sequence[Spray], farthest: float) -> Patterns:
    """Return the tips' densities over the cosine and what still flies over the distance, as tables."""
    tables = [spray.tip.table for spray in tips if spray.tip.table is not None]
    n_polar = max((table.shares.shape[0] for table in tables), default=0)
    n_azimuth = max((table.shares.shape[1] for table in tables), default=0)
    count = len(tips)
    patterns = Patterns(
        np.full(count, UNIFORM, dtype=np.int64),
        np.array([spray.tip.cosine_range for spray in tips]),
        np.array([spray.tip.cosine_range for spray in tips]),
        np.zeros((count, _NODES), dtype=np.float32),
        np.ones(count),
        np.full(count, farthest),
        np.ones((count, _NODES), dtype=np.float32),
        np.zeros(count, dtype=np.bool_),
        np.full((count, n_polar + 1), np.inf),
        np.full((count, n_azimuth + 1), np.inf),
        np.zeros((count, n_polar, n_azimuth)),
    )
    for place, spray in enumerate(tips):
        patterns.reach[place], flying = _flight(spray.flies, farthest)
        patterns.flying[place], patterns.fades[place] = flying, (flying != 1.0).any()
        low, high = patterns.ends[place]
        # An edge on the centre line itself, or straight behind it, is none.
        patterns.cosines[place] = low if low > -1.0 + 1e-12 else -2.0, high if high < 1.0 - 1e-12 else 2.0
        table = spray.tip.table
        if table is not None:
            patterns.kinds[place] = TABLE
            rows, columns = table.shares.shape
            patterns.polar[place, : rows + 1] = table.polar
            patterns.azimuth[place, : columns + 1] = table.azimuth
            patterns.bins[place, :rows, :columns] = table.densities
            continue
        patterns.kinds[place] = UNIFORM if spray.tip.profile == "uniform" else PROFILE
        densities = spray.tip.density_at(np.linspace(low, high, _NODES))
        patterns.densities[place] = densities
        if spray.tip.profile == "uniform":
            patterns.scales[place] = densities[0]
    return patterns


def _flight(flies: Flying, farthest: float) -> tuple[float, FloatArray]:
    """Return the distance in m within which anything flies, and the share still flying up to it."""
    coarse = np.linspace(0.0, farthest, _NODES)
    shares = np.asarray(flies(coarse), dtype=np.float64)
    flown = np.flatnonzero(shares > _GONE)
    last = min(int(flown[-1]) + 1, _NODES - 1) if len(flown) else 1
    reach = float(coarse[last])
    fine = np.linspace(0.0, reach, _NODES)
    return reach, np.broadcast_to(np.asarray(flies(fine), dtype=np.float64), fine.shape)


def shared_world_of(
    scene: Scene, targets: Targets, poses: Sequence[Spray], tips: Sequence[Spray], air: Air | None
) -> World:
    """Return all that the shared kernel reads: one pull of `poses` after another, sprayed by all `tips`.

    The tips' patterns come first, in their order, and last one that is as wide and reaches as far as any of
    them: the one that stations are passed over by.
    """
    world = world_of(scene, targets, poses, air, by_sample=False, floor=0.0)
    own = _patterns(tips, _farthest(scene, blocks_for(targets, air), world.poses.points))
    ends = own.cosines
    widest = own._replace(
        cosines=np.array([[ends[:, 0].min(), ends[:, 1].max()]]), reach=own.reach.max(keepdims=True)
    )
    joined = [np.concatenate([getattr(own, name), getattr(widest, name)[:1]]) for name in Patterns._fields]
    count = len(world.poses.points)
    chosen = world.poses._replace(tips=np.full(count, len(tips), dtype=np.int64))
    return world._replace(poses=chosen, patterns=Patterns(*joined))
