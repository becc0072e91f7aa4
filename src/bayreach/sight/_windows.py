"""Bays as cells and openings as portals: through which openings a tip may see into each bay."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from bayreach.arrays import FloatArray, IntArray

UNKNOWN_BAY = -2
"""Bay of a station whose bay could not be told for sure: from there nothing is passed over."""

MOST_WINDOWS = 400
"""Openings and slivers up to which portals are used; beyond it the chains would cost more than rays."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Portals:
    """Each opening wrapped in a ball, and the two bays it links.

    Parameters
    ----------
    centers : (o, 3) float
        Middles in m.
    radii : (o,) float
        Distance in m from the middle that nothing of the opening lies beyond.
    links : (o, 2) int
        Bays on both hands; the outside is the last, `n_bays`.
    n_bays : int
        Number of bays, the outside not counted.
    """

    centers: FloatArray
    radii: FloatArray
    links: IntArray
    n_bays: int


class Windows(NamedTuple):
    """For each station and bay, the chains of openings it may be seen through.

    `starts` (s, n_bays + 2): where the windows of each bay begin in `cones` (w, 10), which hold the cones
    (axis, cosine and sine of the half-angle) of the last and of the tightest opening of the chain. `home`
    (s,): the station's own bay, all of which is in view, or UNKNOWN_BAY.
    """

    starts: IntArray
    cones: FloatArray
    home: IntArray


def portals_of(
    points: FloatArray, faces: IntArray, opening: IntArray, links: IntArray, n_bays: int
) -> Portals | None:
    """Return the portals of caps: `faces` (c, 3) over `points`, their `opening` (c,) and `links` (c, 2).

    Caps of no opening (-1: slivers) are portals each by itself. None: too many to be of use.
    """
    alone = opening < 0
    label = np.where(alone, opening.max(initial=-1) + 1 + np.arange(len(opening)), opening)
    names, group = np.unique(label, return_inverse=True)
    if len(names) > MOST_WINDOWS:
        return None
    corners = points[faces]
    centers, radii = np.zeros((len(names), 3)), np.zeros(len(names))
    pairs = np.zeros((len(names), 2), dtype=np.int64)
    # One opening at a time: there are a few dozen.
    for place in range(len(names)):
        rim = corners[group == place].reshape(-1, 3)
        centers[place] = 0.5 * (rim.min(axis=0) + rim.max(axis=0))
        # Room for rounding, so that a ray along the rim is asked rather than passed over.
        radii[place] = np.linalg.norm(rim - centers[place], axis=1).max() * (1.0 + 1e-4) + 1e-6
        pairs[place] = links[group == place][0]
    pairs[pairs < 0] = n_bays
    return Portals(centers=centers, radii=radii, links=pairs, n_bays=n_bays)


def windows_of(points: FloatArray, home: IntArray, portals: Portals | None) -> Windows:
    """Return the windows of stations at `points` (s, 3) in bays `home` (s,), -1 outside."""
    n_bays = portals.n_bays if portals else 0
    place = np.where(home == -1, n_bays, home).astype(np.int64)
    if portals is None:
        place = np.full(len(points), UNKNOWN_BAY, dtype=np.int64)
    starts = np.zeros((len(points), n_bays + 2), dtype=np.int64)
    if portals is None or not len(portals.radii):
        return Windows(starts, np.zeros((0, 10)), place)
    from bayreach.sight._window_kernel import Balls, find_windows

    balls = Balls(portals.centers, portals.radii, portals.links)
    cones = find_windows(np.ascontiguousarray(points), place, balls, starts)
    return Windows(starts, cones, place)
