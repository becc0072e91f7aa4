"""The smallest change of a bent wand, by value: its bend's angle and its bend's radius."""

import math
from dataclasses import replace

import pytest
from punched import plate, two_bays
from scipy.optimize import brentq

from bayreach.insertion import gets_into, max_tilt
from bayreach.reach import smallest_changes
from bayreach.tips import Tip
from bayreach.wands import Wand, arc_piece, straight_piece

TIP = Tip(pattern="radial", spread=0.7, flow=3e-6)
AXIS = (1.0, 0, 0)
UP = (0, 0, 1.0)


def hook(width, radius, angle, *, length, after):
    pieces = (arc_piece(radius, angle), straight_piece(after))
    return Wand(
        name="hook", shape="bent", length=length, diameter=width, tip=TIP, pieces=pieces, clearance=0.0
    )


def test_a_hook_too_flat_for_the_shelf_is_told_the_bend_angle_that_lifts_its_tip_over_it():
    # Two plates outside, 0.1 mm further apart than the wand is wide, hold it level over 250 mm: it lies
    # between them, goes in bend sideways and is turned up inside. Its tip stands R (1 - cos A) + s sin A
    # over the axis: 45.00 mm for A = 52.05 degrees (R = 40 mm, s = 37.5 mm), 0.1 mm more between the plates.
    flats = [plate(center=(-0.2, 0, side * 0.00305), normal=UP, up=AXIS, size=(0.4, 0.4)) for side in (1, -1)]
    ground, port, upper = two_bays(0.0062, 0.045, 0.08, *flats)
    wand = hook(0.006, 0.04, math.radians(50), length=0.35, after=0.0375)

    def height(angle):
        return 0.04 * (1 - math.cos(angle)) + 0.0375 * math.sin(angle) - 0.045

    least = brentq(height, 0.5, 1.5)
    found = {change.what: change for change in smallest_changes(ground, wand, port, upper.name)}
    change = found["bend_angle"]
    assert change.now == pytest.approx(math.radians(50))
    assert math.degrees(change.needed) == pytest.approx(math.degrees(least), abs=0.16)
    assert change.failed < least + math.radians(0.05)
    assert change.sentence() == f"bend angle 50.0 degrees -> {math.degrees(change.needed):.1f} degrees"
    assert set(found) == {"bend_angle"}  # neither longer nor thinner, nor through a wider hole


def test_a_hook_too_wide_for_its_bay_is_told_the_bend_radius_that_passes_the_web():
    # A web 45 mm behind the hole. The middle of the round tip, 7.5 mm beyond a right-angled bend, swings
    # round the bend's centre at sqrt(R² + 7.5²), and its ball needs 2.5 mm more: R = 41.83 mm for a wand held
    # along the axis, as here: leans begin at 12 degrees, and the hole lets it lean by 11.4 (acos 5 / 5.1).
    # Before it meets the web the tip of the wand as it is comes up by 25 mm, of 47 to the shelf.
    web = plate(center=(0.045, 0, 0), normal=AXIS, part="web")
    ground, port, upper = two_bays(0.0051, 0.047, 0.04, web)
    wand = hook(0.005, 0.05, math.pi / 2, length=0.3, after=0.01)
    least = math.sqrt(0.0425**2 - 0.0075**2)
    assert math.degrees(max_tilt(port.diameter, 0.005, 0.0)) < 12.0
    change = next(c for c in smallest_changes(ground, wand, port, upper.name) if c.what == "bend_radius")
    assert change.needed == pytest.approx(least, abs=1.5e-4)
    assert change.failed > least - 5e-5
    assert change.failed - change.needed < 2.1e-4
    for radius, does in ((change.needed, True), (change.failed, False)):
        piece = arc_piece(radius, math.pi / 2)
        changed = replace(wand, pieces=(piece, straight_piece(0.01)))
        assert gets_into(ground.space, changed, port, upper.index) == does
