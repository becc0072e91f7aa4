"""Compiled figures of a straight wand in an opening: between which depths it is clear, and where best.

Sections are rows (k, 3) from the tip: how far behind the tip the first and the last ball of each lies, and
their radius (m). Sizes are clearance, room outside, length, half the sheet's thickness and the opening's
diameter (m).
"""

import math

import numpy as np

from bayreach.arrays import FloatArray
from bayreach.insertion._solid import Vector, dot
from bayreach.insertion._tree import Tree, first_touch
from bayreach.rays.compiling import compiled

SPARE = 2e-5
"""What is kept free beyond a wand's clearance while its best place is looked for, m."""
FINEST_TURN = 1e-5
"""Angle in rad below which an aim is not moved."""


@compiled
def clear_depths(
    tree: Tree, shares: FloatArray, entry: Vector, aim: Vector, axis: Vector, sections: FloatArray,
    sizes: FloatArray, depths: FloatArray,
) -> float:  # fmt: skip
    """Write the least and greatest clear depth with the first k sections past the rim into row k of `depths`.

    Greatest is below least where there is none. A section that fits the rim at this aim may
    lie in it; another is either past it or still outside. Returned is the widest span of all, negative
    where none is clear.
    """
    back = (-aim[0], -aim[1], -aim[2])
    slope = max(dot(aim, axis), 1e-3)
    n = len(sections)
    for k in range(n + 1):
        depths[k, 0], depths[k, 1] = 0.0, sizes[2]
    for j in range(n):
        front, tail, radius = sections[j, 0], sections[j, 1], sections[j, 2] + SPARE
        rim = (sizes[3] + radius + sizes[4] * math.sqrt(max(0.0, 1.0 - slope * slope))) / slope
        ahead, face = first_touch(tree, entry, aim, 0.0, sizes[2], radius, sizes[0], shares)
        behind, _ = first_touch(tree, entry, back, 0.0, 2.0 * sizes[2], radius, sizes[0], shares)
        fits = face < 0 or ahead > 0.0
        if not fits:
            ahead, _ = first_touch(tree, entry, aim, rim, sizes[2], radius, sizes[0], shares)
            behind, _ = first_touch(tree, entry, back, rim, 2.0 * sizes[2], radius, sizes[0], shares)
        for k in range(n + 1):
            least, most = tail - behind, ahead + front
            if behind >= sizes[1]:  # coupled afterwards: further out it is not there yet
                least = 0.0
            if not fits and j < k:
                least = max(least, tail + rim)
            if not fits and j >= k:
                most = min(most, front - rim)
            depths[k, 0], depths[k, 1] = max(depths[k, 0], least), min(depths[k, 1], most)
    widest = -1e9
    for k in range(n + 1):
        widest = max(widest, depths[k, 1] - depths[k, 0])
    return widest


@compiled
def best_entry(
    tree: Tree, shares: FloatArray, center: FloatArray, plane: FloatArray, rim: FloatArray, at: FloatArray,
    step: float, finest: float, aim: FloatArray, sections: FloatArray, sizes: FloatArray,
) -> tuple[FloatArray, float]:  # fmt: skip
    """Return the place (2,) in the opening's plane, near `at`, that leaves the widest span of clear depths.

    Eight neighbours at `step` (m) are tried; where none is better the step is halved, down to `finest` (m).
    Beside it stands that span in m, negative where no depth is clear.
    """
    depths = np.zeros((len(sections) + 1, 2))
    ahead, axis = (aim[0], aim[1], aim[2]), (plane[2, 0], plane[2, 1], plane[2, 2])
    best = at.copy()
    widest = clear_depths(tree, shares, place_at(center, plane, best), ahead, axis, sections, sizes, depths)
    while step > finest:
        better = False
        for k in range(8):
            tried = best.copy()
            tried[0] += step * math.cos(k * math.pi / 4.0)
            tried[1] += step * math.sin(k * math.pi / 4.0)
            if not is_within(tried, rim):
                continue
            span = clear_depths(
                tree, shares, place_at(center, plane, tried), ahead, axis, sections, sizes, depths
            )
            if span > widest + 1e-9:
                best, widest, better = tried, span, True
                break
        if not better:
            step *= 0.5
    return best, widest


@compiled
def best_aim(
    tree: Tree, shares: FloatArray, center: FloatArray, plane: FloatArray, rim: FloatArray, at: FloatArray,
    aim: FloatArray, ways: FloatArray, freedom: float, enough: float, sections: FloatArray, sizes: FloatArray,
) -> tuple[FloatArray, FloatArray, float]:  # fmt: skip
    """Return the aim (3,) and place (2,) near `aim` and `at` that leave the widest span of clear depths (m).

    The aim is turned by up to `freedom` (rad) along each of `ways` (w, 3), unit vectors across it, and both
    ways along each; where none is better the turn is halved, down to `FINEST_TURN`. It ends where the span is
    `enough` (m), or hopeless: short by half as much again as the turn still moves the wand's end.
    """
    length = sizes[2]
    best, offset = aim.copy(), np.zeros(len(ways))
    place, widest = best_entry(
        tree, shares, center, plane, rim, at, 0.05 * length, 1e-4 * length, best, sections, sizes
    )
    turn = 0.5 * freedom
    while turn > FINEST_TURN and widest < enough and widest > -1.5 * turn * length:
        better = False
        for k in range(2 * len(ways)):
            tried = offset.copy()
            tried[k // 2] += turn if k % 2 == 0 else -turn
            if abs(tried[k // 2]) > freedom:
                continue
            ahead = aim.copy()
            for j in range(len(ways)):
                for i in range(3):
                    ahead[i] += tried[j] * ways[j, i]
            ahead /= math.sqrt(ahead[0] ** 2 + ahead[1] ** 2 + ahead[2] ** 2)
            if ahead[0] * plane[2, 0] + ahead[1] * plane[2, 1] + ahead[2] * plane[2, 2] < 0.01:
                continue
            found, span = best_entry(
                tree, shares, center, plane, rim, place, 0.5 * turn * length, max(1e-6, turn * length / 16.0),
                ahead, sections, sizes,
            )  # fmt: skip
            if span > widest + 1e-9:
                best, offset, place, widest, better = ahead, tried, found, span, True
                break
        if not better:
            turn *= 0.5
    return best, place, widest


@compiled
def is_within(at: FloatArray, rim: FloatArray) -> bool:
    """Tell whether a place (2,) lies within the polygon `rim` (p, 2): a ray from it crosses it oddly."""
    inside = False
    for k in range(len(rim)):
        a, b = rim[k - 1], rim[k]
        across = (a[1] > at[1]) != (b[1] > at[1])
        if across and at[0] < a[0] + (at[1] - a[1]) / (b[1] - a[1]) * (b[0] - a[0]):
            inside = not inside
    return inside


@compiled
def place_at(center: FloatArray, plane: FloatArray, at: FloatArray) -> Vector:
    """Return the point of the opening's plane, whose rows are two directions and the axis, at `at` (2,)."""
    return (
        center[0] + at[0] * plane[0, 0] + at[1] * plane[1, 0],
        center[1] + at[0] * plane[0, 1] + at[1] * plane[1, 1],
        center[2] + at[0] * plane[0, 2] + at[1] * plane[1, 2],
    )


@compiled
def best_entries(
    tree: Tree, shares: FloatArray, center: FloatArray, plane: FloatArray, rim: FloatArray,
    starts: FloatArray, steps: FloatArray, aims: FloatArray, sections: FloatArray, sizes: FloatArray,
) -> tuple[FloatArray, FloatArray]:  # fmt: skip
    """Return the best place (m, 2) of each aim (m, 3), from the best of its `starts` (m, s, 2), and depths.

    The depths (m, k + 1, 2) are those of `clear_depths` there.
    """
    count, n = len(aims), len(sections)
    found, depths = np.zeros((count, 2)), np.zeros((count, n + 1, 2))
    axis = (plane[2, 0], plane[2, 1], plane[2, 2])
    for i in range(count):
        aim = (aims[i, 0], aims[i, 1], aims[i, 2])
        best, widest = starts[i, 0], -math.inf
        for start in starts[i]:
            if not is_within(start, rim):
                continue
            place = place_at(center, plane, start)
            span = clear_depths(tree, shares, place, aim, axis, sections, sizes, depths[i])
            if span > widest:
                best, widest = start, span
        at, _ = best_entry(tree, shares, center, plane, rim, best, steps[i], 1e-6, aims[i], sections, sizes)
        found[i] = at
        clear_depths(tree, shares, place_at(center, plane, found[i]), aim, axis, sections, sizes, depths[i])
    return found, depths
