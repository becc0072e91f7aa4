"""Where along a pull the film is reckoned, and over which part of it liquid flows."""

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import FloatArray
from bayreach.deposit._fates import pattern_rays
from bayreach.poses import Stations, TipPath, poses_at
from bayreach.rays import Scene
from bayreach.tips import Tip

LONGEST_STEP = 10e-3
"""Greatest distance in m between stations."""
STEP_OF_STANDOFF = 0.1
"""Greatest distance between stations as a share of the distance to the nearest lit side."""
SHORTEST_STEP = 0.5e-3
"""Least distance in m between stations, however near a wall the tip passes."""
_PROBE_RAYS = 256


def stations_for(scene: Scene, path: TipPath, tip: Tip, *, refine: float = 1.0) -> Stations:
    """Return stations along `path`, each no longer than the step rule allows.

    The step is min(10 mm, 0.1 x standoff) and no less than 0.5 mm; the standoff is the distance to the
    nearest side within the pattern, taken from rays every 10 mm of the pull and free to change by no more
    than the way travelled. `refine` divides the step. Stations stand at the middles of their pieces (midpoint
    rule, error O(step²)). A hard edge of the pattern needs no shorter step: of each piece the kernel counts
    the part from which a sample lies within the pattern, so a sheet thinner than the step is summed within
    0.3 % too.
    """
    if len(path.depths) == 1 or path.length == 0.0:
        return poses_at(path, path.depths[:1], lengths=np.zeros(1))
    count = max(2, int(np.ceil(path.length / LONGEST_STEP)) + 1)
    depths = np.linspace(path.depths[0], path.depths[-1], count)
    probes = poses_at(path, depths, lengths=np.zeros(count))
    # Between two probes the standoff may fall short of both by half their distance.
    standoff = _standoffs(scene, probes, tip) - 0.5 * path.length / (count - 1)
    step = np.clip(STEP_OF_STANDOFF * standoff, SHORTEST_STEP, LONGEST_STEP) / refine
    # Pieces of equal integral of ds / step: the count is rounded up, so no piece is longer than asked.
    density = 1.0 / step
    travelled = path.depths[0] - depths
    pieces = np.concatenate([[0.0], np.cumsum(0.5 * (density[1:] + density[:-1]) * np.diff(travelled))])
    n_stations = max(1, int(np.ceil(pieces[-1] - 1e-9)))
    edges = np.interp(np.linspace(0.0, pieces[-1], n_stations + 1), pieces, travelled)
    middles = 0.5 * (edges[1:] + edges[:-1])
    return poses_at(path, path.depths[0] - middles, lengths=np.diff(edges))


def wet_part(path: TipPath, *, speed: float, lag: float) -> TipPath | None:
    """Return the part of a pull over which liquid leaves the tip: it answers the trigger `lag` s late.

    At `speed` m/s the tip has by then moved speed x lag; it shuts with the trigger. None: the pull is over
    before.

    >>> from bayreach.poses import straight_path
    >>> ends = {"deepest": 1.0, "shallowest": 0.0}
    >>> path = straight_path(entry=[0, 0, 0], aim=[1, 0, 0], **ends, clock=0.0, down=[0, 0, -1])
    >>> part = wet_part(path, speed=0.1, lag=2.0)
    >>> part is not None and round(part.length, 9)
    0.8
    """
    dry = speed * lag
    if dry <= 0.0:
        return path
    if dry >= path.length:
        return None
    depths = path.depths
    kept = np.concatenate([[depths[0] - dry], depths[depths < depths[0] - dry]])
    poses = poses_at(path, kept, lengths=np.zeros(len(kept)))
    return TipPath(points=poses.points, axes=poses.axes, clocks=poses.clocks, depths=kept)


def flow_course(
    stations: Stations, *, speed: ArrayLike = 1.0, rise: float = 0.0, fall: float = 0.0
) -> FloatArray:
    """Return the flow at each station (k,) as a share of the full flow, where it does not jump at the ends.

    It grows evenly from nothing over the first `rise` s of the pull and dies evenly over its last `fall` s.
    """
    times = stations.lengths / np.broadcast_to(np.asarray(speed, dtype=np.float64), stations.lengths.shape)
    ends = np.cumsum(times)
    middles = ends - 0.5 * times
    course = np.ones(len(times))
    if rise > 0.0:
        course = np.minimum(course, middles / rise)
    if fall > 0.0 and len(ends):
        course = np.minimum(course, (ends[-1] - middles) / fall)
    return np.clip(course, 0.0, 1.0)


def time_shares(stations: Stations, speed: ArrayLike, flow: ArrayLike) -> FloatArray:
    """Return the share (k,) of the pull's liquid that leaves at each station; a dwell's is even."""
    amounts = stations.lengths * np.asarray(flow, dtype=np.float64) / np.asarray(speed, dtype=np.float64)
    total = amounts.sum()
    if total > 0.0:
        return np.asarray(amounts / total)
    return np.full(len(stations.points), 1.0 / len(stations.points))


def _standoffs(scene: Scene, probes: Stations, tip: Tip) -> FloatArray:
    """Return the distance (k,) in m from each probe to the nearest face within the pattern; else infinite."""
    starts, rays, _ = pattern_rays(probes, tip, np.ones(len(probes.points)), _PROBE_RAYS)
    _, distances = scene.first_hit(starts, rays)
    return np.asarray(distances.reshape(len(probes.points), -1).min(axis=1))
