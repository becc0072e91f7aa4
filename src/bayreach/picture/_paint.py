"""Colours and hatches of sides, one function a layer; what lies outside every bay is neutral."""

import numpy as np
from numpy.typing import NDArray

from bayreach import heatmap
from bayreach.arrays import OUTSIDE, IntArray
from bayreach.report import Case

Paint = tuple[NDArray[np.uint8], IntArray]
"""Colours (2n, 3) and hatches (2n,) of sides."""


def film_paint(case: Case) -> Paint:
    """Return the paint by film; dry and keep-out sides are hatched as in every other layer."""
    hatches = np.zeros(case.mesh.n_sides, dtype=np.int64)
    for name in ("dry", "keep-out"):
        hatches[case.sides.is_status(name)] = heatmap.status_colour(name)[1]
    return _neutral_outside(case, case.scale.colours(case.sides.film_um), hatches)


def status_paint(case: Case) -> Paint:
    """Return the paint by status."""
    looks = [heatmap.status_colour(name) for name in case.sides.status_names]
    table = heatmap.rgb_table([colour for colour, _ in looks])
    hatches = np.array([hatch for _, hatch in looks], dtype=np.int64)
    return _neutral_outside(case, table[case.sides.status], hatches[case.sides.status])


def pass_paint(case: Case) -> Paint:
    """Return the paint by the first pass that wets a side; sides that none wets are hatched."""
    table = heatmap.rgb_table([heatmap.set_colour(place) for place in range(-1, max(1, len(case.passes)))])
    hatches = np.where(case.sides.first_pass < 0, heatmap.HATCH_SLANTED, heatmap.HATCH_NONE)
    return _neutral_outside(case, table[case.sides.first_pass + 1], hatches)


def check_paint(case: Case) -> Paint:
    """Return the paint by what an eye or a borescope can check: -1 not worked out, 0 cannot, 1 can."""
    table = heatmap.rgb_table(heatmap.check_colours())
    hatches = np.where(case.sides.checkable == 0, heatmap.HATCH_CROSSED, heatmap.HATCH_NONE)
    return _neutral_outside(case, table[case.sides.checkable + 1], hatches)


def chance_paint(case: Case) -> Paint:
    """Return the paint by the chance of reaching the least film; a chance under a half is hatched."""
    chance = case.sides.chance
    rows = np.zeros(case.mesh.n_sides, dtype=np.int64) if chance is None else heatmap.chance_row(chance)
    hatches = np.where(rows == 1, heatmap.HATCH_SLANTED, heatmap.HATCH_NONE)
    return _neutral_outside(case, heatmap.rgb_table(heatmap.chance_colours())[rows], hatches)


def _neutral_outside(case: Case, colours: NDArray[np.uint8], hatches: IntArray) -> Paint:
    outside = case.sides.bay == OUTSIDE
    colours = colours.copy()
    colours[outside] = heatmap.rgb(heatmap.NEUTRAL)
    return colours, np.where(outside, heatmap.HATCH_NONE, hatches)
