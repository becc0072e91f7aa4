"""Compiled motions of a rigid wand: how it stands in an opening, whether it is clear all the way.

A line is four arrays of a wand's centre line in its own frame, from the tip: depths (s,), points (s, 3),
frames (s, 3, 3) and shifts (s, 2); see `Threading`. A body is starts, ends (c, 3), radii (c,), how far
from the tip each start and end lies (c,), (c,), how far to either side of each the wand goes on no thinner
(c,), and its greatest curvature in 1/m. A stand is thirteen numbers: depth, the three rows aim, side
and up of a frame, and place.
"""

import math

import numpy as np

from bayreach.arrays import FloatArray
from bayreach.insertion._solid import Vector, dot, less
from bayreach.insertion._tree import Tree, blocking_face
from bayreach.insertion._ways import FINEST
from bayreach.rays.compiling import compiled

Line = tuple[FloatArray, FloatArray, FloatArray, FloatArray]
Capsules = tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray, FloatArray, float]


@compiled
def between(one: FloatArray, two: FloatArray, share: float) -> FloatArray:
    """Return the stand (13,) at `share` of the way from one to another: slid and turned evenly."""
    stand = one + share * (two - one)
    turn = np.zeros((3, 3))
    for i in range(3):
        for j in range(3):  # two^T one, frames by rows: what carries the rows of one to those of two
            for k in range(3):
                turn[i, j] += two[1 + 3 * k + i] * one[1 + 3 * k + j]
    axis = np.array([turn[2, 1] - turn[1, 2], turn[0, 2] - turn[2, 0], turn[1, 0] - turn[0, 1]])
    twice_sine = math.sqrt(axis[0] ** 2 + axis[1] ** 2 + axis[2] ** 2)
    if twice_sine < 1e-12:
        stand[1:10] = one[1:10]
        return stand
    angle = share * math.atan2(twice_sine, turn[0, 0] + turn[1, 1] + turn[2, 2] - 1.0)
    axis /= twice_sine
    c, s = math.cos(angle), math.sin(angle)
    for k in range(3):
        x, y, z = one[1 + 3 * k], one[2 + 3 * k], one[3 + 3 * k]
        along = (axis[0] * x + axis[1] * y + axis[2] * z) * (1.0 - c)
        stand[1 + 3 * k] = c * x + s * (axis[1] * z - axis[2] * y) + along * axis[0]
        stand[2 + 3 * k] = c * y + s * (axis[2] * x - axis[0] * z) + along * axis[1]
        stand[3 + 3 * k] = c * z + s * (axis[0] * y - axis[1] * x) + along * axis[2]
    return stand


@compiled
def placed(line: Line, stand: FloatArray) -> FloatArray:
    """Return the placement (12,) of a wand that stands so: nine of the rotation by rows, three of the origin.

    The line's frame at the stand's depth becomes the stand's frame; its point there, moved by the shift, the
    stand's place.
    """
    depths, points, frames, shifts = line
    last = len(depths) - 1
    row = min(max(np.searchsorted(depths, stand[0], side="right") - 1, 0), last - 1)
    share = (stand[0] - depths[row]) / (depths[row + 1] - depths[row])
    pose = np.zeros(12)
    point = np.zeros(3)
    for i in range(3):
        for k in range(3):
            inner = (1.0 - share) * frames[row, k, i] + share * frames[row + 1, k, i]
            for j in range(3):
                pose[3 * j + i] += stand[1 + 3 * k + j] * inner
            if k > 0:
                point[i] += ((1.0 - share) * shifts[row, k - 1] + share * shifts[row + 1, k - 1]) * inner
        point[i] += (1.0 - share) * points[row, i] + share * points[row + 1, i]
    for j in range(3):
        pose[9 + j] = stand[10 + j] - (
            pose[3 * j] * point[0] + pose[3 * j + 1] * point[1] + pose[3 * j + 2] * point[2]
        )
    return pose


@compiled
def carried(pose: FloatArray, point: FloatArray) -> Vector:
    """Return a point of the wand's frame, carried by a placement (12,)."""
    x, y, z = point[0], point[1], point[2]
    return (
        pose[0] * x + pose[1] * y + pose[2] * z + pose[9],
        pose[3] * x + pose[4] * y + pose[5] * z + pose[10],
        pose[6] * x + pose[7] * y + pose[8] * z + pose[11],
    )


@compiled
def ends_of(
    body: Capsules, c: int, pose: FloatArray, depth: float, room: float
) -> tuple[bool, Vector, Vector]:
    """Return whether capsule c counts, and its ends: what is further out than `room` (m) does not."""
    p, q = carried(pose, body[0][c]), carried(pose, body[1][c])
    out_far, out_near = body[3][c] - depth - room, body[4][c] - depth - room
    if out_far <= 0.0:
        return True, p, q
    if out_near >= 0.0:
        return False, p, q
    share = out_far / (out_far - out_near)
    return True, (
        p[0] + share * (q[0] - p[0]), p[1] + share * (q[1] - p[1]), p[2] + share * (q[2] - p[2])
    ), q  # fmt: skip


@compiled
def pose_hit(
    tree: Tree, shares: FloatArray, body: Capsules, pose: FloatArray, depth: float, asked: FloatArray
) -> tuple[int, int]:
    """Return a face that the wand cuts in a placement and the capsule that does; -1: clear.

    `asked` (2,): clearance and room outside, m.
    """
    for c in range(len(body[2]) - 1, -1, -1):
        counts, p, q = ends_of(body, c, pose, depth, asked[1])
        if counts:
            face = blocking_face(tree, p, q, body[2][c], asked[0], shares)
            if face >= 0:
                return face, c
    return -1, -1


@compiled
def moved_by(p: Vector, q: Vector, to_p: Vector, to_q: Vector, goes_on: float, curvature: float) -> float:
    """Return how far in m a capsule moves off the wand as it stood.

    That is across itself where it moves along itself by less than half its length, or by no more than the
    wand `goes_on` (m) beside it; there the wand bends away by a² / 2R over a length a. Else it is all of it.
    """
    d = less(q, p)
    length2 = dot(d, d)
    most = 0.0
    for shift in (less(to_p, p), less(to_q, q)):
        all_of_it = dot(shift, shift)
        if length2 > 0.0:
            along2 = dot(shift, d) ** 2 / length2
            if along2 < 0.25 * length2:
                all_of_it = max(all_of_it - along2, 0.0)
            elif along2 < goes_on * goes_on:
                all_of_it = (math.sqrt(max(all_of_it - along2, 0.0)) + 0.5 * curvature * along2) ** 2
        most = max(most, all_of_it)
    return math.sqrt(most)


@compiled
def capsule_hit(
    tree: Tree, shares: FloatArray, body: Capsules, c: int, poses: FloatArray, depths: FloatArray,
    asked: FloatArray,
) -> tuple[int, float]:  # fmt: skip
    """Return a face that capsule c cuts in the middle of a motion (-1: none), and how far it may yet be.

    `poses` (3, 12) and `depths` (3,) are those at the start, in the middle and at the stop. The second answer
    is 0 where the capsule, grown by its motion, is clear, else its growth in m; infinite where it is too far
    out in the middle to count.
    """
    counts, p, q = ends_of(body, c, poses[1], depths[1], asked[1])
    if not counts:
        return -1, math.inf
    _, p0, q0 = ends_of(body, c, poses[0], depths[0], asked[1])
    _, p1, q1 = ends_of(body, c, poses[2], depths[2], asked[1])
    goes_on, curvature = body[5][c], body[6]
    grown = 1.02 * max(moved_by(p, q, p0, q0, goes_on, curvature), moved_by(p, q, p1, q1, goes_on, curvature))
    if blocking_face(tree, p, q, body[2][c] + grown, asked[0], shares) < 0:
        return -1, 0.0
    return blocking_face(tree, p, q, body[2][c], asked[0], shares), grown


@compiled
def motion_hit(
    tree: Tree, shares: FloatArray, body: Capsules, line: Line, one: FloatArray, two: FloatArray,
    asked: FloatArray,
) -> tuple[int, int]:  # fmt: skip
    """Return a face that the wand cuts on the way from one stand to another and the capsule; -1: clear.

    Each capsule is grown by how far it moves from the middle of the way to its ends. Where it then meets
    something, but does not in the middle itself, each half is asked in turn, down to `FINEST`.
    """
    spans = np.zeros((64, 2))
    whole, poses = np.zeros((3, 12)), np.zeros((3, 12))
    all_depths, depths = np.zeros(3), np.zeros(3)
    for k in range(3):
        stand = between(one, two, 0.5 * k)
        whole[k], all_depths[k] = placed(line, stand), stand[0]
    for c in range(len(body[2]) - 1, -1, -1):
        face, grown = capsule_hit(tree, shares, body, c, whole, all_depths, asked)
        count = 0
        if face < 0 and grown > FINEST:
            spans[0], spans[1] = (0.0, 0.5), (0.5, 1.0)
            count = 2
        while face < 0 and count > 0:
            count -= 1
            start, stop = spans[count, 0], spans[count, 1]
            middle = 0.5 * (start + stop)
            for k in range(3):
                stand = between(one, two, start + 0.5 * k * (stop - start))
                poses[k], depths[k] = placed(line, stand), stand[0]
            face, grown = capsule_hit(tree, shares, body, c, poses, depths, asked)
            goes_on = stop - start > 0.2 if math.isinf(grown) else grown > FINEST
            if face < 0 and goes_on and count < 60:
                spans[count], spans[count + 1] = (start, middle), (middle, stop)
                count += 2
        if face >= 0:
            return face, c
    return -1, -1


@compiled
def way_hit(
    tree: Tree, shares: FloatArray, body: Capsules, line: Line, stands: FloatArray, asked: FloatArray
) -> int:
    """Return the first step of a way of stands (k, 13) on which the wand is not clear; -1: none."""
    for k in range(len(stands)):
        face, _ = pose_hit(tree, shares, body, placed(line, stands[k]), stands[k, 0], asked)
        if face >= 0:
            return max(k - 1, 0)
    for k in range(len(stands) - 1):
        face, _ = motion_hit(tree, shares, body, line, stands[k], stands[k + 1], asked)
        if face >= 0:
            return k
    return -1
