"""Where along a pull the film is reckoned, and over which part of it liquid flows."""

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import FloatArray
from bayreach.deposit._fates import pattern_rays
from bayreach.poses import Stations, TipPath, poses_at
from bayreach.rays import Scene
from bayreach.tips import Tip

PANEL = 10e-3
"""Length in m of a panel, within which all steps are alike; panels end at whole multiples of it in depth."""
STEP_OF_STANDOFF = 0.1
"""Greatest distance between stations as a share of the distance to the nearest lit side."""
SHORTEST_STEP = 0.5e-3
"""Least distance in m between stations, however near a wall the tip passes."""
_PROBE_RAYS = 256


def stations_for(scene: Scene, path: TipPath, tip: Tip, *, refine: float = 1.0) -> Stations:
    """Return stations along `path`, each no longer than the step rule allows.

    The step is min(10 mm, 0.1 x standoff) and no less than 0.5 mm; the standoff is the distance to the
    nearest side within the pattern, taken from rays at both ends of each panel and free to change by no more
    than the way travelled. `refine` divides the step; a coarse one, below 1, lengthens the panels too.
    Stations stand at the middles of their pieces (midpoint rule, error O(step²)). A hard edge of the pattern
    needs no shorter step: of each piece the kernel counts the part from which a sample lies within the
    pattern, so a sheet thinner than the step is summed within 0.3 % too.

    Panels are the same for every pull along a line, 10 mm long from depth nought on, and each is divided by
    what is near it alone. A pull cut in two at the end of a panel has the same stations as the whole.
    """
    if len(path.depths) == 1 or path.length == 0.0:
        return poses_at(path, path.depths[:1], lengths=np.zeros(1))
    panel_length = PANEL / min(1.0, refine)
    edges = _panel_edges(float(path.depths[0]), float(path.depths[-1]), panel_length)
    widths = edges[:-1] - edges[1:]
    standoff = _standoffs(scene, poses_at(path, edges, lengths=np.zeros(len(edges))), tip)
    # Within a panel the standoff may fall short of that at both ends by half its length.
    nearest = np.minimum(standoff[:-1], standoff[1:]) - 0.5 * widths
    step = np.clip(STEP_OF_STANDOFF * nearest, SHORTEST_STEP, PANEL) / refine
    counts = np.maximum(1, np.ceil(widths / step - 1e-9)).astype(np.int64)
    panel = np.repeat(np.arange(len(widths)), counts)
    piece = np.arange(len(panel)) - np.repeat(np.cumsum(counts) - counts, counts)
    lengths = (widths / counts)[panel]
    return poses_at(path, edges[panel] - (piece + 0.5) * lengths, lengths=lengths)


def _panel_edges(deepest: float, shallowest: float, panel: float) -> FloatArray:
    """Return the depths in m, falling, at which panels of a pull end; a crumb of one joins its neighbour."""
    crumb = 0.02
    first, last = deepest / panel, shallowest / panel
    inner = np.arange(np.ceil(first - crumb) - 1, np.floor(last + crumb), -1.0)
    return np.concatenate([[deepest], inner * panel, [shallowest]])


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
