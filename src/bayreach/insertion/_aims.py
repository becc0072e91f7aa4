"""Aims and entry points worth trying."""

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import FloatArray, plane_across, unit_vectors
from bayreach.insertion._chains import chains_from, line_through
from bayreach.insertion._rules import max_tilt
from bayreach.insertion._space import Space, inner_bay, inward
from bayreach.insertion._straight import STEEPEST
from bayreach.wands import Wand

if TYPE_CHECKING:
    from bayreach.bays import Opening

CHAINS = 3
"""Chains of openings to each bay along which a straight line is looked for."""


def aims_over_cone(axis: ArrayLike, half_angle: float, count: int) -> FloatArray:
    """Return `count` unit vectors (count, 3) spread evenly over the cone of `half_angle` (rad) about `axis`.

    The first is the axis itself; the rest lie on a golden-angle spiral of equal solid angles.

    >>> aims_over_cone([0, 0, 2], 0.5, 3)[0].tolist()
    [0.0, 0.0, 1.0]
    """
    axis = unit_vectors(axis)
    first, second = plane_across(axis)
    step = np.arange(max(count, 1))
    cosines = 1.0 - (1.0 - math.cos(half_angle)) * step / max(count - 1, 1)
    sines = np.sqrt(np.maximum(0.0, 1.0 - cosines**2))
    turns = step * math.pi * (3.0 - math.sqrt(5.0))
    sideways = np.cos(turns)[:, None] * first + np.sin(turns)[:, None] * second
    spread: FloatArray = cosines[:, None] * axis + sines[:, None] * sideways
    return spread


def widest_tilt(wand: Wand, opening: "Opening") -> float:
    """Return the greatest tilt in rad that a wand's widest section takes in the opening; -1: too wide."""
    tilt = max_tilt(opening.diameter, wand.largest_section.diameter, opening.thickness)
    return min(tilt, STEEPEST)


def candidate_aims(space: Space, wand: Wand, opening: "Opening", count: int) -> tuple[FloatArray, FloatArray]:
    """Return entry points (m, 3) in m and aims (m, 3) worth trying: a cone's worth, and those in line.

    `count` aims cover the cones that the hole lets the wand tilt in; more go straight in and to the centres
    of the other openings wide enough, from places all over a wide opening, along each line of two other
    centres that passes this one with room, and along the line that passes best through each of the easiest
    chains.
    """
    tilt = max(widest_tilt(wand, opening), 0.0)
    axis = inward(opening)
    cone = _halving_cones(axis, count)
    cone = cone[cone @ axis >= math.cos(tilt + 1e-9)]
    entries, aims = [np.tile(opening.center, (len(cone), 1))], [cone]
    width = wand.largest_section.diameter
    others = [
        other for other in space.bays.openings if other.name != opening.name and other.diameter >= width
    ]
    centers = np.array([other.center for other in others]).reshape(-1, 3)
    next_ones = np.array([inner_bay(opening) in other.links for other in others], dtype=np.bool_)
    for number, place in enumerate(entries_over(opening, width)):
        # From the middle to every other opening; from elsewhere to those of the same bay, which come first.
        sights = centers if number == 0 else centers[next_ones]
        direct = np.concatenate([axis[None], unit_vectors(sights - place)])
        ahead = direct[direct @ axis > math.cos(tilt + 1e-9)]
        aims.append(ahead)
        entries.append(np.tile(place, (len(ahead), 1)))
    for lines, places in (
        _lines_in_line(centers, opening, axis, width),
        _lines_along_chains(space, wand, opening),
    ):
        aims.append(lines)
        entries.append(places)
    return np.concatenate(entries), np.concatenate(aims)


def _lines_along_chains(space: Space, wand: Wand, opening: "Opening") -> tuple[FloatArray, FloatArray]:
    """Return directions and entry points of the best lines along easy chains of three openings or more."""
    width = wand.largest_section.diameter
    lines, places = [np.zeros((0, 3))], [np.zeros((0, 3))]
    tried: dict[int, int] = {}
    for bay, chain in chains_from(space, opening, width, wand.length):
        tried[bay] = tried.get(bay, 0) + 1
        if len(chain) < 3 or tried[bay] > CHAINS:
            continue
        entry, line, worst = line_through(chain, width)
        if worst < 1.1:  # a little over 1: openings seen aslant have more room along them
            lines.append(line[None])
            places.append(entry[None])
    return np.concatenate(lines), np.concatenate(places)


def _halving_cones(axis: FloatArray, count: int) -> FloatArray:
    """Return `count` aims over six cones, each half as wide as the last, so that a tight hole leaves some."""
    shares = [count // 2, *[count // 10] * 4]
    shares.append(max(1, count - sum(shares)))
    cones = [aims_over_cone(axis, STEEPEST / 2**k, max(1, share)) for k, share in enumerate(shares)]
    return np.concatenate([cones[0], *(cone[1:] for cone in cones[1:])])


def entries_over(opening: "Opening", width: float) -> FloatArray:
    """Return the opening's centre and, where it is wide against `width` (m), two rings round it: (k, 3) m."""
    if opening.diameter < 4.0 * width:
        return np.asarray(opening.center)[None]
    rings = [np.zeros((1, 2))]
    for share, number in (
        (0.4, 6),
        (0.7, 12),
    ):  # the same places for every width: a thinner wand has no fewer
        turns = 2.0 * np.pi * np.arange(number) / number
        rings.append(share * opening.diameter / 2.0 * np.stack([np.cos(turns), np.sin(turns)], axis=1))
    flat = np.concatenate(rings)
    spread: FloatArray = opening.center + flat @ plane_across(unit_vectors(opening.normal))
    return spread


def _lines_in_line(
    centers: FloatArray, opening: "Opening", axis: FloatArray, width: float
) -> tuple[FloatArray, FloatArray]:
    """Return the directions and entry points of lines through two centres that pass the opening with room."""
    first, second = np.triu_indices(len(centers), k=1)
    lines = unit_vectors(centers[second] - centers[first])
    lines = np.where((lines @ axis)[:, None] < 0.0, -lines, lines)
    slope = lines @ axis
    run = np.divide(
        (opening.center - centers[first]) @ axis, slope, out=np.zeros(len(slope)), where=slope > 1e-9
    )
    places = centers[first] + run[:, None] * lines
    off = np.linalg.norm(places - opening.center, axis=1)
    room = (opening.diameter - width) / 2.0
    passes = (slope > 0.05) & (off < room) & (off > 1e-6)
    return lines[passes], places[passes]
