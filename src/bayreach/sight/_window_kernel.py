"""Compiled: follow chains of openings from each station."""

from typing import NamedTuple

import numpy as np

from bayreach.arrays import FloatArray, IntArray
from bayreach.rays.compiling import compiled

_DEEPEST = 12
_MOST = 2048
_UNKNOWN = -2


class Balls(NamedTuple):
    """Openings wrapped in balls: `centers` (o, 3) and `radii` (o,) in m, `links` (o, 2) bays."""

    centers: FloatArray
    radii: FloatArray
    links: IntArray


@compiled
def find_windows(points: FloatArray, home: IntArray, balls: Balls, starts: IntArray) -> FloatArray:
    """Fill `starts` (s, n_bays + 2) and return cones (w, 10) of each window's last and tightest opening.

    A straight line from a station into another bay crosses a chain of openings, so it lies in the cone of
    each: a chain is followed as long as all its cones overlap. A station with too many windows becomes one of
    unknown bay.
    """
    n_bays = starts.shape[1] - 2
    windows = np.zeros((max(64, 8 * len(points)), 10))
    used = 0
    found = np.zeros((_MOST, 3), dtype=np.int64)
    cones = np.zeros((len(balls.radii), 5))
    for station in range(len(points)):
        starts[station, :] = used
        if home[station] == _UNKNOWN:
            continue
        _cones_from(points[station], balls.centers, balls.radii, cones)
        count = _follow(home[station], cones, balls.links, found)
        if count < 0:
            home[station] = _UNKNOWN
            continue
        while used + count > len(windows):
            windows = np.concatenate((windows, np.zeros_like(windows)))
        for bay in range(n_bays + 1):
            starts[station, bay] = used
            for place in range(count):
                if found[place, 0] == bay:
                    last, tightest = found[place, 1], found[place, 2]
                    windows[used, :5] = cones[last]
                    windows[used, 5:] = cones[tightest if tightest >= 0 else last]
                    used += 1
        starts[station, n_bays + 1] = used
    return windows[:used].copy()


@compiled
def _cones_from(point: FloatArray, centers: FloatArray, radii: FloatArray, cones: FloatArray) -> None:
    """Fill `cones`: axis, cosine and sine of the half-angle of each ball as seen; -1 and 0: all round."""
    for place in range(len(radii)):
        x, y, z = centers[place, 0] - point[0], centers[place, 1] - point[1], centers[place, 2] - point[2]
        distance = np.sqrt(x * x + y * y + z * z)
        if distance <= radii[place] * 1.01:
            cones[place, 0], cones[place, 1], cones[place, 2] = 1.0, 0.0, 0.0
            cones[place, 3], cones[place, 4] = -1.0, 0.0
            continue
        sine = radii[place] / distance
        cones[place, 0], cones[place, 1], cones[place, 2] = x / distance, y / distance, z / distance
        cones[place, 3], cones[place, 4] = np.sqrt(1.0 - sine * sine), sine


@compiled
def _overlap(one: FloatArray, two: FloatArray) -> bool:
    """Return whether two cones (axis, cosine, sine) with one apex share a direction."""
    if one[3] < 0.0 or two[3] < 0.0:
        return True
    between = one[0] * two[0] + one[1] * two[1] + one[2] * two[2]
    # Both half-angles are below 90 degrees; they overlap while the axes are no further apart than their sum.
    return bool(between >= one[3] * two[3] - one[4] * two[4] - 1e-9)


@compiled
def _follow(home: int, cones: FloatArray, links: IntArray, found: IntArray) -> int:
    """Fill `found` with (bay, last opening, tightest earlier one or -1); return how many, -1: too many."""
    path = np.full(_DEEPEST + 1, -1, dtype=np.int64)
    bay = np.zeros(_DEEPEST + 1, dtype=np.int64)
    following = np.zeros(_DEEPEST + 1, dtype=np.int64)
    bay[0] = home
    depth, count = 0, 0
    while depth >= 0:
        opening = following[depth]
        following[depth] += 1
        if opening >= len(links):
            depth -= 1
            continue
        if links[opening, 0] == bay[depth]:
            beyond = links[opening, 1]
        elif links[opening, 1] == bay[depth]:
            beyond = links[opening, 0]
        else:
            continue
        fits, tightest = _joins(path[1 : depth + 1], opening, cones)
        if not fits:
            continue
        if beyond != home:
            if count >= len(found):
                return -1
            found[count, 0], found[count, 1], found[count, 2] = beyond, opening, tightest
            count += 1
        if depth == _DEEPEST:
            return -1
        depth += 1
        path[depth], bay[depth], following[depth] = opening, beyond, 0
    return count


@compiled
def _joins(path: IntArray, opening: int, cones: FloatArray) -> tuple[bool, int]:
    """Return whether an opening may follow a chain, and the narrowest of the chain (-1: none)."""
    tightest = -1
    for earlier in path:
        if earlier == opening or not _overlap(cones[earlier], cones[opening]):
            return False, -1
        if tightest < 0 or cones[earlier, 3] > cones[tightest, 3]:
            tightest = earlier
    return True, tightest
