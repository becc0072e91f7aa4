"""Compiled distances of points, segments and moving balls from triangles; a vector is three floats."""

import math

from bayreach.arrays import FloatArray
from bayreach.rays.compiling import compiled

Vector = tuple[float, float, float]
TOUCH = 1e-9
"""Metres by which rounding may push a touching start under the surface."""


@compiled
def less(a: Vector, b: Vector) -> Vector:
    """Return a - b."""
    return (a[0] - b[0], a[1] - b[1], a[2] - b[2])


@compiled
def along(a: Vector, b: Vector, t: float) -> Vector:
    """Return a + t b."""
    return (a[0] + t * b[0], a[1] + t * b[1], a[2] + t * b[2])


@compiled
def dot(a: Vector, b: Vector) -> float:
    """Return a . b."""
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


@compiled
def cross(a: Vector, b: Vector) -> Vector:
    """Return a x b."""
    return (a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0])


@compiled
def clamped(t: float) -> float:
    """Return t held between 0 and 1."""
    return min(1.0, max(0.0, t))


@compiled
def point_segment(p: Vector, a: Vector, b: Vector) -> float:
    """Return the squared distance of point p from segment ab."""
    ab = less(b, a)
    length2 = dot(ab, ab)
    t = clamped(dot(less(p, a), ab) / length2) if length2 > 0.0 else 0.0
    gap = less(p, along(a, ab, t))
    return dot(gap, gap)


@compiled
def point_triangle(p: Vector, a: Vector, b: Vector, c: Vector) -> float:
    """Return the squared distance of point p from triangle abc: over it the plane's, else an edge's."""
    ab, bc, ca = less(b, a), less(c, b), less(a, c)
    n = cross(ab, less(c, a))
    pa = less(p, a)
    over = (
        dot(cross(n, ab), pa) >= 0.0
        and dot(cross(n, bc), less(p, b)) >= 0.0
        and dot(cross(n, ca), less(p, c)) >= 0.0
    )
    area2 = dot(n, n)
    if over and area2 > 0.0:
        height = dot(n, pa)
        return height * height / area2
    return min(point_segment(p, a, b), point_segment(p, b, c), point_segment(p, c, a))


@compiled
def segment_segment(p: Vector, q: Vector, a: Vector, b: Vector) -> float:
    """Return the squared distance of segments pq and ab.

    The two lines' nearest parameters where both fall within; otherwise an end of one segment is nearest.
    """
    d1, d2, r = less(q, p), less(b, a), less(p, a)
    d11, d22, d12 = dot(d1, d1), dot(d2, d2), dot(d1, d2)
    denominator = d11 * d22 - d12 * d12
    if denominator > 1e-14 * d11 * d22:
        s = (d12 * dot(d2, r) - dot(d1, r) * d22) / denominator
        t = (d11 * dot(d2, r) - d12 * dot(d1, r)) / denominator
        if 0.0 <= s <= 1.0 and 0.0 <= t <= 1.0:
            gap = less(along(p, d1, s), along(a, d2, t))
            return dot(gap, gap)
    ends_pq = min(point_segment(p, a, b), point_segment(q, a, b))
    return min(ends_pq, point_segment(a, p, q), point_segment(b, p, q))


@compiled
def segment_pierces(p: Vector, q: Vector, a: Vector, b: Vector, c: Vector) -> bool:
    """Tell whether segment pq passes through triangle abc (touching counts)."""
    n = cross(less(b, a), less(c, a))
    hp, hq = dot(n, less(p, a)), dot(n, less(q, a))
    if hp * hq > 0.0 or hp == hq:
        return False
    x = along(p, less(q, p), hp / (hp - hq))
    return (
        dot(cross(less(b, a), less(x, a)), n) >= 0.0
        and dot(cross(less(c, b), less(x, b)), n) >= 0.0
        and dot(cross(less(a, c), less(x, c)), n) >= 0.0
    )


@compiled
def segment_triangle(p: Vector, q: Vector, a: Vector, b: Vector, c: Vector) -> float:
    """Return the squared distance of segment pq from triangle abc, exact: 0 where it pierces.

    Else an end of pq is nearest, or an edge of the triangle is.
    """
    if segment_pierces(p, q, a, b, c):
        return 0.0
    ends = min(point_triangle(p, a, b, c), point_triangle(q, a, b, c))
    edges = min(segment_segment(p, q, a, b), segment_segment(p, q, b, c), segment_segment(p, q, c, a))
    return min(ends, edges)


@compiled
def first_root(a: float, b: float, c: float) -> float:
    """Return the lesser root of a u² + 2 b u + c = 0 for an approach (b < 0) that begins clear (c >= 0).

    Infinity where there is none. A start that touches to rounding gives 0.
    """
    disc = b * b - a * c
    if a <= 0.0 or b >= 0.0 or disc < 0.0:
        return math.inf
    u = c / (math.sqrt(disc) - b)  # the stable form: no difference of nearly equal numbers
    return max(u, 0.0) if u > -TOUCH else math.inf


@compiled
def ball_point(o: Vector, d: Vector, r: float, a: Vector) -> float:
    """Return u where the ball of radius r about o + u d first touches point a; infinity if never."""
    m = less(o, a)
    return first_root(dot(d, d), dot(m, d), dot(m, m) - r * r)


@compiled
def ball_edge(o: Vector, d: Vector, r: float, a: Vector, b: Vector) -> float:
    """Return u where the moving ball first touches the inside of edge ab (ends apart); infinity if never."""
    e, m = less(b, a), less(o, a)
    ee, ed, em = dot(e, e), dot(e, d), dot(e, m)
    if ee <= 0.0:
        return math.inf
    u = first_root(dot(d, d) - ed * ed / ee, dot(m, d) - em * ed / ee, dot(m, m) - r * r - em * em / ee)
    if not math.isfinite(u):
        return math.inf
    t = (em + u * ed) / ee
    return u if 0.0 <= t <= 1.0 else math.inf


@compiled
def ball_plane(o: Vector, d: Vector, r: float, a: Vector, b: Vector, c: Vector) -> float:
    """Return u where the moving ball first touches the inside of triangle abc; infinity if never."""
    ab, ac = less(b, a), less(c, a)
    n = cross(ab, ac)
    length = math.sqrt(dot(n, n))
    if length == 0.0:
        return math.inf
    height, speed = dot(n, less(o, a)) / length, dot(n, d) / length
    if height * speed >= 0.0:
        return math.inf
    u = (abs(height) - r) / abs(speed)
    if u < -TOUCH:
        return math.inf
    x = along(o, d, u)
    inside = (
        dot(cross(ab, less(x, a)), n) >= 0.0
        and dot(cross(less(c, b), less(x, b)), n) >= 0.0
        and dot(cross(less(a, c), less(x, c)), n) >= 0.0
    )
    return u if inside else math.inf


@compiled
def ball_triangle(o: Vector, d: Vector, r: float, start: float, a: Vector, b: Vector, c: Vector) -> float:
    """Return the least u >= start where the ball of radius r about o + u d touches abc; else infinity."""
    s = along(o, d, start)
    if point_triangle(s, a, b, c) < r * r:
        return start
    u = ball_plane(s, d, r, a, b, c)
    u = min(u, ball_edge(s, d, r, a, b), ball_edge(s, d, r, b, c), ball_edge(s, d, r, c, a))
    u = min(u, ball_point(s, d, r, a), ball_point(s, d, r, b), ball_point(s, d, r, c))
    return start + max(u, 0.0)


@compiled
def box_span(o: Vector, d: Vector, low: float, high: float, box: FloatArray, grow: float) -> float:
    """Return where the ray o + u d, low <= u <= high, enters `box` (6,) grown by `grow`; else infinity."""
    for k in range(3):
        near, far = box[k] - grow - o[k], box[k + 3] + grow - o[k]
        if d[k] == 0.0:
            if near > 0.0 or far < 0.0:
                return math.inf
        else:
            one, two = near / d[k], far / d[k]
            low, high = max(low, min(one, two)), min(high, max(one, two))
    return low if low <= high else math.inf
