"""Bays as cells and openings as portals: through which openings a tip may see into each bay."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from bayreach.arrays import FloatArray, IntArray, unit_vectors

UNKNOWN_BAY = -2
"""Bay of a station whose bay could not be told for sure: from there nothing is passed over."""

MOST_WINDOWS = 400
"""Openings and slivers up to which portals are used; beyond it the chains would cost more than rays."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Portals:
    """Each opening wrapped in a disc (flat ones) or a ball, and the two bays it links.

    Parameters
    ----------
    centers : (o, 3) float
        Middles in m.
    normals : (o, 3) float
        Unit normals; unused where not flat.
    radii : (o,) float
        Distance in m from the middle that nothing of the opening lies beyond.
    is_flat : (o,) bool
        Whether the opening lies in one plane.
    links : (o, 2) int
        Bays on both hands; the outside is the last, `n_bays`.
    n_bays : int
        Number of bays, the outside not counted.
    """

    centers: FloatArray
    normals: FloatArray
    radii: FloatArray
    is_flat: NDArray[np.bool_]
    links: IntArray
    n_bays: int


class Windows(NamedTuple):
    """For each station and bay, the chains of openings it may be seen through.

    `starts` (s, n_bays + 2): where the windows of each bay begin in `last`, `first` (openings, -1 none) and
    `cones` (axis, cosine and sine of the half-angle) of the last opening. `home` (s,): the station's own bay,
    all of which is in view, or UNKNOWN_BAY.
    """

    starts: IntArray
    last: NDArray[np.int32]
    tightest: NDArray[np.int32]
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
    centers, normals = np.zeros((len(names), 3)), np.zeros((len(names), 3))
    radii, is_flat = np.zeros(len(names)), np.zeros(len(names), dtype=np.bool_)
    pairs = np.zeros((len(names), 2), dtype=np.int64)
    # One opening at a time: there are a few dozen.
    for place in range(len(names)):
        own = corners[group == place]
        rim = own.reshape(-1, 3)
        centers[place] = 0.5 * (rim.min(axis=0) + rim.max(axis=0))
        area = np.cross(own[:, 1] - own[:, 0], own[:, 2] - own[:, 0]).sum(axis=0)
        normals[place] = unit_vectors(area)
        reach = np.linalg.norm(rim - centers[place], axis=1).max()
        height = np.abs((rim - centers[place]) @ normals[place]).max()
        is_flat[place] = height <= 1e-5 * reach and np.linalg.norm(area) > 0.0
        # Room for rounding, so that a ray along the rim is asked rather than passed over.
        radii[place] = reach * (1.0 + 1e-4) + 1e-6
        pairs[place] = links[group == place][0]
    pairs[pairs < 0] = n_bays
    return Portals(centers=centers, normals=normals, radii=radii, is_flat=is_flat, links=pairs, n_bays=n_bays)


def windows_of(points: FloatArray, home: IntArray, portals: Portals | None) -> Windows:
    """Return the windows of stations at `points` (s, 3) in bays `home` (s,), -1 outside."""
    n_bays = portals.n_bays if portals else 0
    place = np.where(home == -1, n_bays, home).astype(np.int64)
    if portals is None:
        place = np.full(len(points), UNKNOWN_BAY, dtype=np.int64)
    starts = np.zeros((len(points), n_bays + 2), dtype=np.int64)
    if portals is None or not len(portals.radii):
        nothing = np.zeros(0, dtype=np.int32)
        return Windows(starts, nothing, nothing, np.zeros((0, 5)), place)
    from bayreach.sight._window_kernel import Balls, find_windows

    balls = Balls(portals.centers, portals.radii, portals.links)
    last, tightest, cones = find_windows(np.ascontiguousarray(points), place, balls, starts)
    return Windows(starts, last, tightest, cones, place)
