"""The film kernel's slow and obvious twin: whole arrays, no compiler; for tests and where none works."""

import numpy as np

from bayreach.arrays import FloatArray, IntArray
from bayreach.deposit._direct_kernel import Entries, bin_density
from bayreach.deposit._kernel_records import PROFILE, TABLE, World
from bayreach.rays import Scene

_PAIRS_AT_ONCE = 1 << 18


def spray_plainly(scene: Scene, world: World, span: tuple[int, int], counts: IntArray) -> Entries:
    """Return what `spray_blocks` returns, in double precision: every station against every sample.

    Nothing is passed over but what faces away, lies out of the pattern or is too far.
    """
    found: list[tuple[IntArray, IntArray, FloatArray]] = []
    n_pulls = int(world.poses.pulls.max()) + 1
    for block in range(*span):
        first, last = world.grains.starts[block], world.grains.starts[block + 1]
        points, normals, weights = _samples(world, block)
        sums = np.zeros((n_pulls, len(points)))
        stations = max(1, _PAIRS_AT_ONCE // len(points))
        for begin in range(0, len(world.poses.tips), stations):
            chosen = np.arange(begin, min(begin + stations, len(world.poses.tips)))
            amounts = _amounts(world, chosen, points, normals) * weights
            station, sample = np.nonzero(amounts > world.floor)
            starts, ends = world.poses.points[chosen[station]], points[sample]
            free = ~scene.is_blocked(starts, ends)
            counts += len(chosen) * len(points), len(station)
            pull = world.poses.pulls[chosen[station]]
            np.add.at(sums, (pull[free], sample[free]), amounts[station, sample][free])
        rows, place = np.unique(world.grains.rows[first:last], return_inverse=True)
        film = np.zeros((n_pulls, len(rows)))
        np.add.at(film.T, place, sums.T)
        pull, row = np.nonzero(film)
        found.append((rows[row].astype(np.int64), pull.astype(np.int64), film[pull, row]))
    return Entries(
        np.concatenate([part[0] for part in found]).astype(np.int32),
        np.concatenate([part[1] for part in found]).astype(np.int32),
        np.concatenate([part[2] for part in found]).astype(np.float32),
    )


def _samples(world: World, block: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return points (n, 3), normals (n, 3) and weights (n,) of a block."""
    grains = world.grains
    count = grains.starts[block + 1] - grains.starts[block]
    own = slice(grains.groups[block], grains.groups[block + 1])
    lanes = grains.weights.shape[1]
    points, normals = (
        tiles[own].reshape(-1, 3, lanes).transpose(0, 2, 1).reshape(-1, 3)[:count].astype(np.float64)
        for tiles in (grains.points, grains.normals)
    )
    return points, normals, grains.weights[own].ravel()[:count].astype(np.float64)


def _amounts(world: World, chosen: IntArray, points: FloatArray, normals: FloatArray) -> FloatArray:
    """Return what each sample gets from each chosen station (s, n) in 1/m² if nothing is in the way."""
    poses, patterns, tip = world.poses, world.patterns, world.poses.tips[chosen]
    ways = points[None] - poses.points[chosen][:, None]
    distance = np.maximum(np.linalg.norm(ways, axis=2), 1e-30)
    ways = ways / distance[..., None]
    facing = -np.einsum("snk,nk->sn", ways, normals)
    cosine = np.einsum("snk,sk->sn", ways, poses.lines[chosen])
    low, high = patterns.cosines[tip].T[:, :, None]
    # While the tip sweeps its piece of the path, the cosine runs over this much.
    along = np.einsum("sk,sk->s", poses.sweeps[chosen], poses.lines[chosen])[:, None]
    run = np.abs(cosine * np.einsum("snk,sk->sn", ways, poses.sweeps[chosen]) - along) / distance + 1e-12
    inside = np.clip(0.5 + (cosine - low) / run, 0.0, 1.0) + np.clip(0.5 + (high - cosine) / run, 0.0, 1.0)
    inside = np.maximum(inside - 1.0, 0.0)
    lit = (facing > 0.0) & (distance > 2.0 * world.stop) & (distance <= patterns.reach[tip][:, None])
    shares = (poses.shares[chosen] * patterns.scales[tip])[:, None]
    amounts = np.where(lit, inside * shares * facing / distance**2, 0.0)
    return amounts * _densities(world, chosen, ways, cosine) * _flown(world, tip, distance)


def _densities(world: World, chosen: IntArray, ways: FloatArray, cosine: FloatArray) -> FloatArray:
    """Return the densities (s, n) in 1/sr where they vary, else one."""
    patterns, density = world.patterns, np.ones_like(cosine)
    for place, station in enumerate(chosen):
        tip = world.poses.tips[station]
        low, high = patterns.ends[tip]
        if patterns.kinds[tip] == PROFILE:
            nodes = np.linspace(low, high, patterns.densities.shape[1])
            density[place] = np.interp(cosine[place], nodes, patterns.densities[tip])
        elif patterns.kinds[tip] == TABLE:
            density[place] = [
                bin_density(world, (tip, station), tuple(way), one)
                for way, one in zip(ways[place], cosine[place], strict=True)
            ]
    return density


def _flown(world: World, tip: IntArray, distance: FloatArray) -> FloatArray:
    """Return the share (s, n) still flying."""
    flown = np.ones_like(distance)
    for one in np.unique(tip):
        if world.patterns.fades[one]:
            own = tip == one
            nodes = np.linspace(0.0, world.patterns.reach[one], world.patterns.flying.shape[1])
            flown[own] = np.interp(distance[own], nodes, world.patterns.flying[one])
    return flown
