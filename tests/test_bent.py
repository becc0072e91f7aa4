"""Bent wands: threaded along their own line, turned inside, stopped by what is there."""

import math

import pytest
from punched import bays_of, opening, plate, ribbed_box

from bayreach.arrays import OUTSIDE
from bayreach.insertion import hook_hole, paths_through, space_of
from bayreach.mesh import joined
from bayreach.tips import Tip
from bayreach.wands import Wand, arc_piece, straight_piece

TENTH = 1e-4
TIP = Tip(pattern="radial", spread=0.7, flow=3e-6)
AXIS = (1.0, 0, 0)


def hook(diameter, radius, angle, *, length=0.3, after=0.01, **more) -> Wand:
    pieces = (arc_piece(radius, angle), straight_piece(after))
    sizes = {"clearance": 0.0, **more}
    return Wand(name="hook", shape="bent", length=length, diameter=diameter, tip=TIP, pieces=pieces, **sizes)


def punched_plate(diameter, thickness, *extra):
    mesh = plate(center=(0, 0, 0), normal=AXIS, holes=[(0, 0, diameter)], thickness=thickness)
    hole = opening("hole", (0, 0, 0), AXIS, diameter, (OUTSIDE, 0), thickness=thickness)
    mesh = joined([mesh, *extra])
    return space_of(mesh, bays_of(mesh, ["bay"], [hole])), hole


@pytest.mark.parametrize(
    ("radius", "width", "thickness"), [(0.06, 0.006, 0.002), (0.025, 0.008, 0.010)], ids=["K5 a", "K5 b"]
)
def test_a_hook_passes_a_thick_plate_by_a_tenth_of_a_millimetre(radius, width, thickness):
    least = hook_hole(radius, width, thickness)
    bend = hook(width, radius, math.pi / 2)
    for change, passes in ((TENTH, True), (-TENTH, False)):
        space, hole = punched_plate(least + change, thickness)
        paths, refusals = paths_through(space, bend, hole, aims=[AXIS])
        assert bool(paths) == passes, (change, refusals)
        if passes:
            assert paths[0].deepest == pytest.approx(0.3)


def test_a_hook_through_a_thin_sheet_needs_no_more_than_its_own_width():
    for change, passes in ((TENTH, True), (-TENTH, False)):
        space, hole = punched_plate(0.006 + change, 0.0)
        paths, _ = paths_through(space, hook(0.006, 0.04, 1.5), hole, aims=[AXIS])
        assert bool(paths) == passes


def test_a_hook_bent_past_a_right_angle_strikes_the_sheet_with_its_shank():
    # With its tip in the hole, a shank bent back by 114 degrees leans over the sheet outside.
    space, hole = punched_plate(0.02, 0.0)
    paths, refusals = paths_through(space, hook(0.006, 0.04, 2.0), hole, aims=[AXIS])
    assert paths == ()
    assert refusals[0].reason == "no room outside hole for the wand: it meets plate"


def test_the_tip_of_a_hook_ends_beside_its_shank():
    space, hole = punched_plate(0.02, 0.0)
    paths, _ = paths_through(
        space, hook(0.006, 0.05, math.pi / 2), hole, aims=[AXIS], clocks=[0.0, math.pi / 2]
    )
    # Shank along +x: 300 mm less the arc (78.54 mm) and 10 mm; then one radius ahead, radius + 10 mm aside.
    ahead = 0.3 - 0.05 * math.pi / 2 - 0.01 + 0.05
    assert paths[0].tip_path.points[0] == pytest.approx([ahead, 0, 0.06], abs=1e-9)
    # A quarter of a turn clockwise as seen from behind: +z (up) goes to -y.
    assert paths[1].tip_path.points[0] == pytest.approx([ahead, -0.06, 0], abs=1e-9)
    assert paths[0].tip_path.axes[0] == pytest.approx([0, 0, 1], abs=1e-9)


def test_a_hook_that_meets_a_wall_while_it_is_threaded_is_refused_with_the_wall_s_name():
    wall = plate(center=(0.03, 0, 0), normal=AXIS, part="web")
    space, hole = punched_plate(0.02, 0.0, wall)
    paths, refusals = paths_through(space, hook(0.006, 0.05, math.pi / 2), hole, aims=[AXIS])
    # A quarter bend of radius 50 mm reaches 50 mm ahead before it has turned; the web is 30 mm behind the
    # hole.
    assert all(path.deepest < 0.05 for path in paths)
    assert "on web" in refusals[0].reason if refusals else "on web" in paths[0].limit


def test_a_tight_hook_turns_where_a_wide_one_does_not_fit():
    wall = plate(center=(0.03, 0, 0), normal=AXIS, part="web")
    space, hole = punched_plate(0.02, 0.0, wall)
    paths, _ = paths_through(space, hook(0.006, 0.015, math.pi / 2), hole, aims=[AXIS])
    # 15 mm bend + 3 mm half its width: the shank may go on 12 mm before the bend meets the web at 30 mm.
    bend = 0.015 * math.pi / 2 + 0.01
    assert max(path.deepest for path in paths) == pytest.approx(bend + 0.030 - 0.003 - 0.015, abs=0.009)


def test_a_hook_needs_a_turn_to_pass_two_walls_on_either_side():
    # The tip enters upwards only if it may turn: a shelf above the hole ends 60 mm behind it.
    shelf = plate(center=(0.0325, 0, 0.02), normal=(0, 0, 1.0), size=(0.2, 0.05), up=AXIS, part="shelf")
    space, hole = punched_plate(0.012, 0.0, shelf)
    bend = hook(0.006, 0.02, math.pi / 2, length=0.2)
    paths, _ = paths_through(space, bend, hole, aims=[AXIS], clocks=[0.0, math.pi])
    up = next(path for path in paths if path.clock == 0.0)
    # Threaded with the tip down or aside, pushed past the shelf's end, then turned up.
    assert up.deepest == pytest.approx(0.2)
    assert up.way.turns.max() > 0.1
    assert up.tip_path.points[0, 2] > 0.02


def test_a_pull_back_never_crosses_what_turned_the_hook():
    shelf = plate(center=(0.0325, 0, 0.02), normal=(0, 0, 1.0), size=(0.2, 0.05), up=AXIS, part="shelf")
    space, hole = punched_plate(0.012, 0.0, shelf)
    bend = hook(0.006, 0.02, math.pi / 2, length=0.2)
    (up,), _ = paths_through(space, bend, hole, aims=[AXIS], clocks=[0.0])
    # The shelf ends at 57.5 mm: pulled back with the tip up, the bend (20 mm - 3 mm before its end) stays
    # behind it.
    assert up.tip_path.points[:, 0].min() > 0.0575 + 0.003 - 0.0035


def test_a_bent_wand_s_bays_are_those_its_tip_is_in():
    mesh, bays = ribbed_box()
    space = space_of(mesh, bays)
    bend = hook(0.006, 0.03, math.pi / 3, length=0.5)
    paths, refusals = paths_through(space, bend, space.opening_named("port"), aims=[AXIS])
    assert paths
    assert paths[0].limit.startswith("stops")
    assert refusals


def test_a_hook_through_a_hole_not_drilled_yet_still_meets_the_rest_of_the_sheet():
    # The sheet is two triangles; both are cut by the hole. A hook of 150 degrees would come back to the
    # sheet.
    mesh = plate(center=(0, 0, 0), normal=AXIS, part="skin")
    hole = opening("drilled", (0, 0, 0), AXIS, 0.0125, (OUTSIDE, 0), kind="proposed", thickness=0.001)
    space = space_of(mesh, bays_of(mesh, ["bay"], []))
    easy, _ = paths_through(space, hook(0.006, 0.03, math.pi / 2), hole, aims=[AXIS])
    assert easy
    assert easy[0].deepest == pytest.approx(0.3)
    back = Wand(
        name="back", shape="bent", length=0.2, diameter=0.006, tip=TIP, clearance=0.0,
        pieces=(arc_piece(0.03, 1.5), straight_piece(0.02), arc_piece(0.03, 1.5), straight_piece(0.05)),
    )  # fmt: skip
    paths, _ = paths_through(space, back, hole, aims=[AXIS])
    assert max(path.deepest for path in paths) < 0.14
    assert "on skin" in paths[0].limit


def test_a_found_and_a_proposed_hole_of_one_size_give_the_same_depths():
    bend = hook(0.006, 0.03, 1.2)
    found, hole = punched_plate(0.0125, 0.0)
    mesh = plate(center=(0, 0, 0), normal=AXIS)
    whole = space_of(mesh, bays_of(mesh, ["bay"], []))
    drilled = opening("drilled", (0, 0, 0), AXIS, 0.0125, (OUTSIDE, 0), kind="proposed")
    one, _ = paths_through(found, bend, hole, aims=[AXIS])
    two, _ = paths_through(whole, bend, drilled, aims=[AXIS])
    assert one[0].deepest == pytest.approx(two[0].deepest)
    assert one[0].tip_path.points == pytest.approx(two[0].tip_path.points)


def test_a_hook_of_shorter_radius_reaches_no_less():
    # A web 45 mm behind the hole. The middle of the round tip, 7.5 mm beyond the bend, swings round the
    # bend's centre at sqrt(R² + 7.5²) and needs 2.5 mm more: 45.2 mm for R = 42 mm, 44.2 mm for R = 41 mm.
    wall = plate(center=(0.045, 0, 0), normal=AXIS, part="web")
    space, hole = punched_plate(0.02, 0.0, wall)
    through = []
    for radius in (0.06, 0.042, 0.041, 0.03, 0.012):
        bend = hook(0.005, radius, math.pi / 2)
        paths, _ = paths_through(space, bend, hole, aims=[AXIS])
        deepest = max((path.deepest for path in paths), default=0.0)
        through.append(deepest > radius * math.pi / 2 + 0.01 - 1e-9)
    assert through == [False, False, True, True, True]


def test_a_thinner_hook_reaches_no_less():
    mesh, bays = ribbed_box()
    space = space_of(mesh, bays)
    deepest = []
    for width in (0.012, 0.008, 0.005, 0.003):
        paths, _ = paths_through(
            space, hook(width, 0.02, math.pi / 2), space.opening_named("port"), aims=[AXIS]
        )
        deepest.append(max((path.deepest for path in paths), default=0.0))
    assert deepest == sorted(deepest)


def test_a_hook_stops_where_it_droops_too_much():
    # w L⁴ / 8 EI = 1 mm at L = (8 * 0.05 * 0.001 / (0.05 * 9.80665)) ** 0.25 = 169 mm.
    space, hole = punched_plate(0.02, 0.0)
    soft = hook(0.006, 0.02, 1.2, stiffness=0.05, mass_per_length=0.05, droop_limit=0.001)
    (path,), _ = paths_through(space, soft, hole, aims=[AXIS])
    free = (8 * 0.05 * 0.001 / (0.05 * 9.80665)) ** 0.25
    assert free - 0.009 < path.deepest <= free
    assert path.limit.endswith("where its free length droops 1.0 mm")


def test_a_pull_ends_at_the_very_depth_that_is_asked():
    # Between two of the even depths of the search, in the bend and in the shank.
    space, hole = punched_plate(0.02, 0.0)
    for least in (0.0203, 0.1507):
        (path,), _ = paths_through(space, hook(0.006, 0.03, 1.2), hole, aims=[AXIS], shortest=least)
        assert path.shallowest == pytest.approx(least, abs=1e-9)
        assert path.tip_path.depths[-1] == pytest.approx(least, abs=1e-9)
