"""Compiled: follow chains of openings from each station, each seen only within the ones before it."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from bayreach.arrays import FloatArray, IntArray
from bayreach.rays.compiling import compiled
from bayreach.sight._frusta import MOST_PLANES, clipped, outline_of, planes_through
from bayreach.sight._windows import Portals

_DEEPEST = 12
_MOST_WINDOWS = 256
_MOST_TRIED = 4096
_UNKNOWN = -2


class Found(NamedTuple):
    """Windows of all stations: planes (q, 3), where those of each begin (w + 1,), and caps (w, 4)."""

    firsts: IntArray
    planes: NDArray[np.float32]
    caps: FloatArray


class _Chains(NamedTuple):
    """Room for the chains from one station: of each window the bay, its planes and their number, its cap."""

    bays: IntArray
    counts: IntArray
    planes: FloatArray
    caps: FloatArray


@compiled
def find_windows(
    points: FloatArray, home: IntArray, portals: Portals, starts: IntArray, budget: int
) -> Found:
    """Fill `starts` (s, n_bays + 2) and return the windows, station by station and bay by bay.

    A straight line from a station into another bay crosses the caps of a chain of openings. What is seen of
    each cap through those before it is a polygon: the window is the cone over the last one, behind its cap.
    A station from which there are too many, or whose own would let an array exceed `budget` bytes, becomes
    one of unknown bay.
    """
    n_bays = starts.shape[1] - 2
    chains = _Chains(
        np.zeros(_MOST_WINDOWS, dtype=np.int64),
        np.zeros(_MOST_WINDOWS, dtype=np.int64),
        np.zeros((_MOST_WINDOWS, MOST_PLANES, 3)),
        np.zeros((_MOST_WINDOWS, 4)),
    )
    firsts, caps = np.zeros(64, dtype=np.int64), np.zeros((63, 4))
    planes = np.zeros((512, 3), dtype=np.float32)
    order = np.zeros(_MOST_WINDOWS, dtype=np.int64)
    used, filled = 0, 0
    for station in range(len(points)):
        starts[station, :] = used
        if home[station] == _UNKNOWN:
            continue
        count = _follow(points[station], home[station], portals, chains)
        more = 0
        for window in range(count):
            more += chains.counts[window]
        # Room is doubled when it is full: half of the budget is what may be filled for sure.
        if count < 0 or 64 * (used + count) > budget or 24 * (filled + more) > budget:
            home[station] = _UNKNOWN
            continue
        while used + count > len(caps):
            firsts = np.concatenate((firsts, np.zeros(len(caps), dtype=np.int64)))
            caps = np.concatenate((caps, np.zeros_like(caps)))
        while filled + more > len(planes):
            planes = np.concatenate((planes, np.zeros_like(planes)))
        _by_bay(chains.bays, count, order)
        place = 0
        for bay in range(n_bays + 1):
            starts[station, bay] = used
            while place < count and chains.bays[order[place]] == bay:
                window = order[place]
                for plane in range(chains.counts[window]):
                    planes[filled, :] = chains.planes[window, plane]
                    filled += 1
                caps[used, :] = chains.caps[window]
                used += 1
                firsts[used] = filled
                place += 1
        starts[station, n_bays + 1] = used
    return Found(firsts[: used + 1].copy(), planes[:filled].copy(), caps[:used].copy())


@compiled
def _by_bay(bays: IntArray, count: int, order: IntArray) -> None:
    """Fill `order` with the places of the first `count` windows, by bay and else as they stand."""
    for place in range(count):
        back = place
        while back > 0 and bays[order[back - 1]] > bays[place]:
            order[back] = order[back - 1]
            back -= 1
        order[back] = place


@compiled
def _follow(point: FloatArray, home: int, portals: Portals, chains: _Chains) -> int:
    """Fill `chains` with the windows from a point in bay `home`; return how many, -1: too many."""
    path = np.full(_DEEPEST + 1, -1, dtype=np.int64)
    bay = np.zeros(_DEEPEST + 1, dtype=np.int64)
    following = np.zeros(_DEEPEST + 1, dtype=np.int64)
    planes = np.zeros((_DEEPEST + 1, MOST_PLANES, 3))
    counts = np.zeros(_DEEPEST + 1, dtype=np.int64)
    outline, spare = np.zeros((2 * MOST_PLANES, 3)), np.zeros((2 * MOST_PLANES, 3))
    cap = np.zeros(4)
    bay[0], following[0] = home, portals.exits[home]
    depth, found, tried = 0, 0, 0
    while depth >= 0:
        if following[depth] >= portals.exits[bay[depth] + 1]:
            depth -= 1
            continue
        opening = portals.through[following[depth]]
        following[depth] += 1
        if _is_in(path[1 : depth + 1], opening):
            continue
        tried += 1
        if depth == _DEEPEST or tried > _MOST_TRIED:
            return -1
        seen = planes[depth, : counts[depth]]
        corners = outline_of(point, portals, opening, seen, (outline, cap))
        if corners > 0:
            corners = clipped(outline, corners, seen, spare)
        if corners == 0:
            continue
        if corners > 0:
            count = planes_through(outline, corners, planes[depth + 1])
        else:  # the opening is all round the station: what comes before it decides
            count = counts[depth]
            planes[depth + 1, :count] = seen
        beyond = portals.links[opening, 0] + portals.links[opening, 1] - bay[depth]
        if beyond != home:
            if found >= _MOST_WINDOWS:
                return -1
            chains.bays[found], chains.counts[found] = beyond, count
            chains.planes[found, :count] = planes[depth + 1, :count]
            chains.caps[found, :] = cap
            found += 1
        depth += 1
        path[depth], bay[depth], counts[depth] = opening, beyond, count
        following[depth] = portals.exits[beyond]
    return found


@compiled
def _is_in(path: IntArray, opening: int) -> bool:
    for earlier in path:  # noqa: SIM110 (a compiled loop)
        if earlier == opening:
            return True
    return False
