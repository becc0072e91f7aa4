"""Compiled curves of bounded curvature: shots that aim at a pose, and a search by arcs and straights."""

import heapq
import math

import numpy as np

from bayreach.arrays import FloatArray, IntArray
from bayreach.insertion._solid import Vector, along, cross, dot, less
from bayreach.insertion._tree import Tree, blocking_face
from bayreach.rays.compiling import compiled

ROLLS = 8
"""Planes that an arc may bend in, all round."""
TURN = 0.15
"""Greatest angle in rad of one chord of an arc that the search tries."""
CHORD = 0.06
"""Greatest angle in rad of one chord of a shot: it is short by 1.5 parts in ten thousand of its bends."""
POINTS = 352
"""Room for the points of a shot: three bends of a whole turn each."""


@compiled
def unit(a: Vector) -> Vector:
    """Return `a` scaled to length one; a zero vector stays zero."""
    length = math.sqrt(dot(a, a))
    return (a[0] / length, a[1] / length, a[2] / length) if length > 0.0 else a


@compiled
def angle_between(a: Vector, b: Vector) -> float:
    """Return the angle in rad between two unit vectors."""
    normal = cross(a, b)
    return math.atan2(math.sqrt(dot(normal, normal)), dot(a, b))


@compiled
def corners_to(p: Vector, t: Vector, q: Vector, n: Vector, bend: float) -> tuple[bool, Vector, Vector]:
    """Return whether a curve of two bends leads from pose (p, t) to (q, n), and the corners they round.

    The corners lie a = R tan(angle/2) ahead of p and behind q; found by repeating until they stand still. A
    zero `n` leaves the heading at q free: then there is one corner, given twice.
    """
    free = dot(n, n) == 0.0
    ahead, behind = 0.0, 0.0
    for _ in range(400):
        one = along(p, t, ahead)
        two = q if free else along(q, n, -behind)
        middle = less(two, one)
        length = math.sqrt(dot(middle, middle))
        if length == 0.0:
            return False, one, two
        heading = unit(middle)
        turn = angle_between(t, heading)
        turn_back = 0.0 if free else angle_between(heading, n)
        if turn > 2.6 or turn_back > 2.6:
            return False, one, two
        new_ahead, new_behind = bend * math.tan(turn / 2.0), bend * math.tan(turn_back / 2.0)
        moved = abs(new_ahead - ahead) + abs(new_behind - behind)
        ahead, behind = new_ahead, new_behind
        if moved < 1e-12:
            break
    one = along(p, t, ahead)
    two = q if free else along(q, n, -behind)
    middle = less(two, one)
    fits = math.sqrt(dot(middle, middle)) >= ahead + behind - 1e-12 and moved < 1e-9
    return fits and dot(middle, heading) > 0.0, one, two


@compiled
def add_fillet(
    points: FloatArray, count: int, t: Vector, corner: Vector, heading: Vector, bend: float
) -> int:
    """Append to `points` the arc that rounds `corner` between two headings; return the new count."""
    turn = angle_between(t, heading)
    if turn < 1e-9:
        return count
    setback = bend * math.tan(turn / 2.0)
    start = along(corner, t, -setback)
    side = unit(along(heading, t, -dot(heading, t)))
    pieces = math.ceil(turn / CHORD)
    for k in range(pieces + 1):
        a = turn * k / pieces
        point = along(along(start, t, bend * math.sin(a)), side, bend * (1.0 - math.cos(a)))
        points[count, 0], points[count, 1], points[count, 2] = point
        count += 1
    return count


@compiled
def words(d: float, a: float, b: float) -> FloatArray:
    """Return the parts of LSL, LSR and LRL as rows (3, 3) in radii, infinite where there is no such curve.

    `d` is the distance in radii; `a` and `b` the headings at its two ends against the line between (Dubins
    1957; formulas as in `_rules`).
    """
    turn = 2.0 * math.pi
    parts = np.full((3, 3), math.inf)
    straight = math.sqrt(
        max(0.0, 2.0 + d * d - 2.0 * math.cos(a - b) + 2.0 * d * (math.sin(a) - math.sin(b)))
    )
    bearing = math.atan2(math.cos(b) - math.cos(a), d + math.sin(a) - math.sin(b))
    parts[0] = (bearing - a) % turn, straight, (b - bearing) % turn
    crossed = -2.0 + d * d + 2.0 * math.cos(a - b) + 2.0 * d * (math.sin(a) + math.sin(b))
    if crossed >= -1e-12:
        p = math.sqrt(max(0.0, crossed))
        swing = math.atan2(-math.cos(a) - math.cos(b), d + math.sin(a) + math.sin(b)) - math.atan2(-2.0, p)
        parts[1] = (swing - a) % turn, p, (swing - b) % turn
    cosine = (6.0 - d * d + 2.0 * math.cos(a - b) + 2.0 * d * (math.sin(b) - math.sin(a))) / 8.0
    if abs(cosine) <= 1.0:
        p = (turn - math.acos(cosine)) % turn
        first = (-a - math.atan2(math.cos(a) - math.cos(b), d + math.sin(a) - math.sin(b)) + p / 2.0) % turn
        parts[2] = first, p, (b - a - first + p) % turn
    for i in range(3):
        for j in range(3):
            if abs(turn - parts[i, j]) < 1e-9 and not (i < 2 and j == 1):
                parts[i, j] = 0.0  # a rounding error short of a full turn is none
    return parts


@compiled
def planar_shot(p: Vector, t: Vector, q: Vector, n: Vector, bend: float, points: FloatArray) -> int:
    """Write the shortest curve between two poses that lie in one plane into `points`; return their number.

    0 where they lie in none, or the heading at q is free. Of the six words of arcs and straights the shortest
    (Dubins 1957): also back along itself, where no two bends round corners lead.
    """
    d = less(q, p)
    side = along(d, t, -dot(d, t))
    if dot(side, side) < 1e-18:
        side = along(n, t, -dot(n, t))
    if dot(side, side) < 1e-18:
        a = (0.0, 0.0, 1.0) if abs(t[2]) < 0.9 else (0.0, 1.0, 0.0)
        side = cross(t, a)
    side = unit(side)
    normal = cross(t, side)
    if dot(n, n) == 0.0 or abs(dot(d, normal)) > 1e-9 or abs(dot(n, normal)) > 1e-9:
        return 0
    x, y = dot(d, t) / bend, dot(d, side) / bend
    distance, bearing = math.hypot(x, y), math.atan2(y, x)
    end = math.atan2(dot(n, side), dot(n, t))
    best, hand, row, least = np.zeros(3), 1.0, 0, math.inf
    for mirrored in (1.0, -1.0):
        parts = words(distance, -mirrored * bearing, mirrored * (end - bearing))
        for k in range(3):
            if parts[k].sum() < least:
                best, hand, row, least = parts[k].copy(), mirrored, k, parts[k].sum()
    points[0, 0], points[0, 1], points[0, 2] = p
    count, at_x, at_y, heading, u, v = 1, 0.0, 0.0, 0.0, 0.0, 0.0
    for part in range(3):
        turns = hand if part == 0 or (part == 2 and row != 1) else -hand
        is_straight = part == 1 and row < 2
        pieces = 1 if is_straight else math.ceil(best[part] / CHORD)
        for k in range(1, pieces + 1):
            run = best[part] * k / pieces
            if is_straight:
                u, v = at_x + run * math.cos(heading), at_y + run * math.sin(heading)
            else:
                u = at_x + turns * (math.sin(heading + turns * run) - math.sin(heading))
                v = at_y + turns * (math.cos(heading) - math.cos(heading + turns * run))
            points[count, 0], points[count, 1], points[count, 2] = along(
                along(p, t, bend * u), side, bend * v
            )
            count += 1
        at_x, at_y = u, v
        heading += 0.0 if is_straight else turns * best[part]
    return count


@compiled
def shot(p: Vector, t: Vector, q: Vector, n: Vector, bend: float, points: FloatArray) -> int:
    """Write a curve from pose (p, t) to (q, n) into `points`; return their number, 0 if none is known."""
    found, one, two = corners_to(p, t, q, n, bend)
    if not found:
        return planar_shot(p, t, q, n, bend, points)
    points[0, 0], points[0, 1], points[0, 2] = p
    count = 1
    heading = unit(less(two, one))
    count = add_fillet(points, count, t, one, heading, bend)
    if dot(n, n) > 0.0:
        count = add_fillet(points, count, heading, two, n, bend)
    points[count, 0], points[count, 1], points[count, 2] = q
    return count + 1


@compiled
def is_line_clear(tree: Tree, points: FloatArray, count: int, radius: float, shares: FloatArray) -> bool:
    """Tell whether a tube of `radius` (m) about the first `count` points touches nothing."""
    for k in range(count - 1):
        p = (points[k, 0], points[k, 1], points[k, 2])
        q = (points[k + 1, 0], points[k + 1, 1], points[k + 1, 2])
        if blocking_face(tree, p, q, radius, 0.0, shares) >= 0:
            return False
    return True


@compiled
def line_length(points: FloatArray, count: int) -> float:
    """Return the length in m of the polyline through the first `count` points."""
    total = 0.0
    for k in range(count - 1):
        d = (
            points[k + 1, 0] - points[k, 0],
            points[k + 1, 1] - points[k, 1],
            points[k + 1, 2] - points[k, 2],
        )
        total += math.sqrt(dot(d, d))
    return total


@compiled
def moved(p: Vector, t: Vector, move: int, step: float, bend: float, share: float) -> tuple[Vector, Vector]:
    """Return the pose after `share` of a move: 0 straight, else an arc in one of the planes round t."""
    if move == 0:
        return along(p, t, share * step), t
    k = 0 if abs(t[0]) <= abs(t[1]) and abs(t[0]) <= abs(t[2]) else (1 if abs(t[1]) <= abs(t[2]) else 2)
    least = (1.0 if k == 0 else 0.0, 1.0 if k == 1 else 0.0, 1.0 if k == 2 else 0.0)
    u = unit(cross(t, least))
    v = cross(t, u)
    roll = 2.0 * math.pi * (move - 1) / ROLLS
    side = along((u[0] * math.cos(roll), u[1] * math.cos(roll), u[2] * math.cos(roll)), v, math.sin(roll))
    a = share * step / bend
    point = along(along(p, t, bend * math.sin(a)), side, bend * (1.0 - math.cos(a)))
    ahead = (t[0] * math.cos(a), t[1] * math.cos(a), t[2] * math.cos(a))
    return point, unit(along(ahead, side, math.sin(a)))


@compiled
def place_of(p: Vector, t: Vector, low: FloatArray, spacing: float, counts: IntArray) -> int:
    """Return the place of a pose in the table of places and headings; -1 outside it.

    `counts` are the places along x, y and z, and the rows on each face of a cube that sort the headings.
    """
    i, j, k = (
        math.floor((p[0] - low[0]) / spacing),
        math.floor((p[1] - low[1]) / spacing),
        math.floor((p[2] - low[2]) / spacing),
    )
    if i < 0 or j < 0 or k < 0 or i >= counts[0] or j >= counts[1] or k >= counts[2]:
        return -1
    x, y, z = abs(t[0]), abs(t[1]), abs(t[2])
    if x >= y and x >= z:
        face, a, b = (0 if t[0] > 0.0 else 1), t[1] / x, t[2] / x
    elif y >= z:
        face, a, b = (2 if t[1] > 0.0 else 3), t[2] / y, t[0] / y
    else:
        face, a, b = (4 if t[2] > 0.0 else 5), t[0] / z, t[1] / z
    rows = counts[3]
    row = min(rows - 1, int(0.5 * rows * (a + 1.0)))
    column = min(rows - 1, int(0.5 * rows * (b + 1.0)))
    place: int = (((i * counts[1] + j) * counts[2] + k) * 6 + face) * rows * rows + row * rows + column
    return place


@compiled
def is_move_clear(
    tree: Tree, p: Vector, t: Vector, move: int, step: float, bend: float, radius: float, shares: FloatArray
) -> bool:
    """Tell whether a tube of `radius` (m) along a move is clear; an arc's chords swell by their sagitta."""
    pieces = 1 if move == 0 else math.ceil(step / bend / TURN)
    more = 0.0 if move == 0 else bend * (1.0 - math.cos(0.5 * step / bend / pieces))
    begin = p
    for k in range(1, pieces + 1):
        end, _ = moved(p, t, move, step, bend, k / pieces)
        if blocking_face(tree, begin, end, radius + more, 0.0, shares) >= 0:
            return False
        begin = end
    return True


@compiled
def search(
    tree: Tree, shares: FloatArray, seeds: FloatArray, begun: FloatArray, table: FloatArray, counts: IntArray,
    sizes: FloatArray, goal: FloatArray, most: int,
) -> tuple[FloatArray, IntArray, IntArray, int, FloatArray, int]:  # fmt: skip
    """Search by arcs and straights from the `seeds` (s, 6: point and heading), already `begun` (s,) m along.

    `sizes` are radius, bend, step, longest; `table` its corner and spacing (4,), `counts` its places;
    `goal` (6,) a pose, a zero heading leaves it free, a point at infinity means: go everywhere. Of the
    poses found (k, 7: point, heading, length so far), each has its `parent` and `move`; the last two
    answers are the curve from pose `last` to the goal, and its number of points, 0 where the goal was not
    met.
    """
    radius, bend, step, longest = sizes[0], sizes[1], sizes[2], sizes[3]
    q, n = (goal[0], goal[1], goal[2]), (goal[3], goal[4], goal[5])
    everywhere = not math.isfinite(goal[0])
    taken = np.zeros(counts[0] * counts[1] * counts[2] * 6 * counts[3] ** 2, dtype=np.uint8)
    poses = np.zeros((most, 7))
    parents, moves = np.full(most, -1), np.full(most, -1)
    curve = np.zeros((POINTS, 3))
    waiting = [(0.0, 0)]
    waiting.pop()
    count = 0
    for k in range(min(len(seeds), most)):
        poses[count, :6], poses[count, 6] = seeds[k], begun[k]
        far = 0.0 if everywhere else _distance(poses[count], q)
        heapq.heappush(waiting, (begun[k] + far, count))
        count += 1
    while len(waiting) > 0 and count < most - ROLLS - 1:
        _, here = heapq.heappop(waiting)
        p = (poses[here, 0], poses[here, 1], poses[here, 2])
        t = (poses[here, 3], poses[here, 4], poses[here, 5])
        place = place_of(p, t, table[:3], table[3], counts)
        if place < 0 or taken[place] == 1:
            continue
        taken[place] = 1
        if not everywhere:
            size = shot(p, t, q, n, bend, curve)
            near = size > 0 and poses[here, 6] + line_length(curve, size) <= longest
            if near and is_line_clear(tree, curve, size, radius + bend * CHORD * CHORD / 8.0, shares):
                return poses[:count], parents[:count], moves[:count], here, curve, size
        for move in range(ROLLS + 1):
            if poses[here, 6] + step > longest:
                break
            point, heading = moved(p, t, move, step, bend, 1.0)
            ahead = place_of(point, heading, table[:3], table[3], counts)
            if ahead < 0 or taken[ahead] == 1:
                continue
            if is_move_clear(tree, p, t, move, step, bend, radius, shares):
                _put(poses[count], point, heading, poses[here, 6] + step)
                parents[count], moves[count] = here, move
                far = 0.0 if everywhere else _distance(poses[count], q)
                heapq.heappush(waiting, (poses[count, 6] + far + (0.05 * step if move else 0.0), count))
                count += 1
    return poses[:count], parents[:count], moves[:count], -1, curve, 0


@compiled
def _put(pose: FloatArray, point: Vector, heading: Vector, length: float) -> None:
    pose[0], pose[1], pose[2] = point
    pose[3], pose[4], pose[5] = heading
    pose[6] = length


@compiled
def _distance(pose: FloatArray, q: Vector) -> float:
    d = (pose[0] - q[0], pose[1] - q[1], pose[2] - q[2])
    return math.sqrt(dot(d, d))
