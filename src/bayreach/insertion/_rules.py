"""Closed rules of what passes what: round rods in round holes, hooks through plates, rods round corners."""

import math

from bayreach.arrays import FloatArray


def max_tilt(hole: float, rod: float, thickness: float) -> float:
    """Return the greatest angle in rad between a round rod and a round hole's axis; -1 if it does not fit.

    D cos A - t sin A >= d, so A = acos(d / sqrt(D² + t²)) - atan(t / D), with D the hole's diameter, d the
    rod's and t the thickness in m: the tube-through-board formula with the angle taken from the hole's axis
    (mathcentral.uregina.ca, question 09.18 "guy1").

    >>> round(math.degrees(max_tilt(10.0, 8.0, 2.0)), 5)
    27.01889
    """
    if rod > hole:
        return -1.0
    return math.acos(min(1.0, rod / math.hypot(hole, thickness))) - math.atan2(thickness, hole)


def hole_for_tilt(rod: float, thickness: float, tilt: float) -> float:
    """Return the diameter in m of the hole that lets a round rod tilt by `tilt` (rad): d/cos A + t tan A.

    >>> round(hole_for_tilt(8.0, 2.0, max_tilt(10.0, 8.0, 2.0)), 9)
    10.0
    """
    return rod / math.cos(tilt) + thickness * math.tan(tilt)


def hook_hole(radius: float, rod: float, thickness: float) -> float:
    """Return the least diameter in m of a round hole in a plate that an arc of tube threads through.

    D = R + d/2 - sqrt((R - d/2)² - t²/4): the outer line of the bend touches at mid-plate, the inner one at
    the two faces. R is the centre line's radius, d the tube's diameter, t the thickness, in m. Derived here.

    >>> round(hook_hole(60.0, 6.0, 2.0), 7)
    6.0087726
    """
    inner = radius - rod / 2.0
    if inner * inner < thickness * thickness / 4.0:
        return math.inf
    return radius + rod / 2.0 - math.sqrt(inner * inner - thickness * thickness / 4.0)


def longest_round_corner(first: float, second: float, height: float = 0.0) -> float:
    """Return the longest thin rod in m that is carried level round a right-angled corner of two corridors.

    L = (a^(2/3) + b^(2/3))^(3/2), a and b the widths (the ladder problem of calculus texts); under a ceiling
    of `height` c it may be tipped up: sqrt(L² + c²).

    >>> round(longest_round_corner(3.0, 4.0), 7), round(longest_round_corner(3.0, 4.0, 8.0), 7)
    (9.8656626, 12.7016258)
    """
    level = (first ** (2.0 / 3.0) + second ** (2.0 / 3.0)) ** 1.5
    return math.hypot(level, height)


def rod_round_corner_fits(length: float, rod: float, first: float, second: float) -> bool:
    """Tell whether a rod with thickness passes the corner: every line touching the inner corner leaves room.

    At angle x the walls leave a/cos x + b/sin x - d (tan x + cot x) along the inner line (Kantabutra 1993,
    from memory: a rectangle of length L and width d).
    """
    return length <= _least_room(first, second, rod) + 1e-12


def _least_room(first: float, second: float, rod: float) -> float:
    def room(x: float) -> float:
        return (first * math.sin(x) + second * math.cos(x) - rod) / (math.sin(x) * math.cos(x))

    low, high = 1e-6, math.pi / 2.0 - 1e-6
    golden = (math.sqrt(5.0) - 1.0) / 2.0
    for _ in range(120):
        one, two = high - golden * (high - low), low + golden * (high - low)
        if room(one) < room(two):
            high = two
        else:
            low = one
    return room(0.5 * (low + high))


def shortest_curve(
    start: tuple[float, float, float], end: tuple[float, float, float], radius: float
) -> float:
    """Return the length of the shortest path of curvature at most 1/radius between two planar poses.

    Poses are (x, y, heading) in m and rad. Of the six words (LSL, RSR, LSR, RSL, RLR, LRL) the shortest
    (Dubins 1957); the squared straight length is clamped at 0, or rounding misses an exact quarter turn.

    >>> round(shortest_curve((0, 0, 0), (5, 0, 3), 1.0), 7)
    8.2725193
    >>> round(shortest_curve((0, 0, 0), (1, 1, math.pi / 2), 1.0), 7)
    1.5707963
    """
    dx, dy = (end[0] - start[0]) / radius, (end[1] - start[1]) / radius
    distance, bearing = math.hypot(dx, dy), math.atan2(dy, dx)
    a, b = start[2] - bearing, end[2] - bearing
    mirrored = _words(distance, -a, -b)
    return radius * min(*_words(distance, a, b), *mirrored)


def _words(d: float, a: float, b: float) -> tuple[float, float, float]:
    """Lengths of LSL, LSR and LRL in radii; the three others are these mirrored."""
    turn = 2.0 * math.pi

    def whole(angle: float) -> float:
        # An angle a rounding error short of a full turn is none.
        wrapped = angle % turn
        return 0.0 if turn - wrapped < 1e-9 else wrapped

    straight = max(0.0, 2.0 + d * d - 2.0 * math.cos(a - b) + 2.0 * d * (math.sin(a) - math.sin(b)))
    bearing = math.atan2(math.cos(b) - math.cos(a), d + math.sin(a) - math.sin(b))
    lsl = whole(bearing - a) + math.sqrt(straight) + whole(b - bearing)
    lsr = lrl = math.inf
    crossed = -2.0 + d * d + 2.0 * math.cos(a - b) + 2.0 * d * (math.sin(a) + math.sin(b))
    if crossed >= -1e-12:
        p = math.sqrt(max(0.0, crossed))
        swing = math.atan2(-math.cos(a) - math.cos(b), d + math.sin(a) + math.sin(b)) - math.atan2(-2.0, p)
        lsr = whole(swing - a) + p + whole(swing - b)
    cosine = (6.0 - d * d + 2.0 * math.cos(a - b) + 2.0 * d * (math.sin(b) - math.sin(a))) / 8.0
    if abs(cosine) <= 1.0:
        p = whole(turn - math.acos(cosine))
        first = whole(-a - math.atan2(math.cos(a) - math.cos(b), d + math.sin(a) - math.sin(b)) + p / 2.0)
        lrl = first + p + whole(b - a - first + p)
    return lsl, lsr, lrl


def ellipse_reach(offsets: FloatArray, tilts: FloatArray, across: FloatArray, radius: float) -> FloatArray:
    """Return how far from the hole's centre (m,) in m a tilted round rod cuts its plane.

    The cut is an ellipse of half-axes r / cos A along `across` (m, 2) and r, its middle at `offsets` (m, 2).
    """
    import numpy as np

    turns = np.linspace(0.0, 2.0 * np.pi, 256, endpoint=False)
    long = (radius / np.cos(tilts))[:, None, None] * across[:, None, :] * np.cos(turns)[None, :, None]
    wide = radius * np.stack([-across[:, 1], across[:, 0]], axis=1)[:, None, :] * np.sin(turns)[None, :, None]
    reach: FloatArray = np.linalg.norm(offsets[:, None, :] + long + wide, axis=2).max(axis=1)
    return reach
