"""What goes in, how far, and what stops it."""

import math
from itertools import pairwise

import numpy as np
import pytest
from punched import bays_of, opening, plate, ribbed_box

from bayreach.arrays import OUTSIDE
from bayreach.errors import WandError
from bayreach.insertion import (
    LIMITS,
    aims_over_cone,
    hook_hole,
    longest_round_corner,
    max_tilt,
    obstacle_boxes,
    paths_through,
    rod_round_corner_fits,
    rods_blocked,
    shortest_curve,
    space_of,
    straight_reach,
)
from bayreach.insertion._chains import line_through
from bayreach.mesh import joined, mesh_of
from bayreach.tips import Tip
from bayreach.wands import Wand

TENTH = 1e-4  # 0.1 mm
TIP = Tip(pattern="radial", spread=0.7, flow=3e-6)


def rod(diameter=0.006, length=1.0, **more) -> Wand:
    sizes = {"clearance": 0.0, **more}
    return Wand(name="rod", shape="straight", length=length, diameter=diameter, tip=TIP, **sizes)


@pytest.fixture(scope="module")
def box():
    mesh, bays = ribbed_box()
    return space_of(mesh, bays)


@pytest.mark.parametrize(
    ("hole", "width", "thickness", "degrees"),
    [(10, 8, 2, 27.01889), (12.7, 9.525, 1.6, 34.73607), (4.8514, 4, 1, 24.49790)],
    ids=["check values K1 a", "check values K1 b", "check values K1 c"],
)
def test_the_tilt_of_a_rod_in_a_hole_is_the_tube_through_board_formula(hole, width, thickness, degrees):
    assert math.degrees(max_tilt(hole, width, thickness)) == pytest.approx(degrees, abs=5e-6)


@pytest.mark.parametrize(
    ("hole", "thickness", "width", "degrees"),
    [(9.5, 1, 6.4, 42), (9.5, 1, 8, 27), (9.5, 3, 6.4, 32), (12.7, 1, 6.4, 55), (12.7, 1, 9.5, 37),
     (6.4, 1, 4.8, 33), (50, 8, 9.5, 70)],
)  # fmt: skip
def test_the_tilts_of_usual_holes_are_those_of_the_trade_table(hole, thickness, width, degrees):
    # A table in whole degrees; common practice, no source.
    assert math.degrees(max_tilt(hole, width, thickness)) == pytest.approx(degrees, abs=0.6)


def test_an_eighth_inch_wand_goes_through_a_number_30_hole_with_hardly_any_tilt():
    # No. 30 drill: 0.1285 in; 1/8 in rod; 1 mm skin: 4.5 degrees. Common practice, no source.
    hole, width = 0.1285 * 25.4e-3, 0.125 * 25.4e-3
    assert math.degrees(max_tilt(hole, width, 1e-3)) == pytest.approx(4.5, abs=0.05)
    mesh = plate(center=(0, 0, 0), normal=(1.0, 0, 0), part="skin")
    drilled = opening("drilled", (0, 0, 0), (1.0, 0, 0), hole, (OUTSIDE, 0), kind="proposed", thickness=1e-3)
    space = space_of(mesh, bays_of(mesh, ["bay"], []))
    aims = [[math.cos(a), math.sin(a), 0] for a in np.radians([0.0, 4.4, 4.6])]
    # The clearance asked inside is not asked of the hole's rim.
    reach = straight_reach(space, rod(width, 0.3, clearance=5e-4), drilled, aims)
    assert reach.depths.tolist() == pytest.approx([0.3, 0.3, 0.0])


@pytest.mark.parametrize(
    ("first", "second", "height", "longest"),
    [
        (3, 4, 0, 9.8656626),
        (5, 3, 0, 11.1940998),
        (8, 27, 0, 13**1.5),
        (1, 1, 0, 2 * 2**0.5),
        (3, 4, 8, 12.7016258),
    ],
    ids=["K2 a", "K2 b", "K2 c", "K2 d", "K4"],
)
def test_the_longest_rod_round_a_corner_is_the_ladder_problem_s(first, second, height, longest):
    assert longest_round_corner(first, second, height) == pytest.approx(longest, abs=1e-7)


def test_a_rod_a_tenth_of_a_millimetre_shorter_passes_the_corner_and_a_longer_one_does_not():
    longest = longest_round_corner(3.0, 4.0)
    assert rod_round_corner_fits(longest - TENTH, 0.0, 3.0, 4.0)
    assert not rod_round_corner_fits(longest + TENTH, 0.0, 3.0, 4.0)


@pytest.mark.parametrize(
    ("radius", "width", "thickness", "hole"),
    [(60, 6, 2, 6.0087726), (25, 8, 10, 8.6039219)],
    ids=["K5 a", "K5 b"],
)
def test_a_hook_needs_the_hole_that_its_outer_and_inner_line_leave(radius, width, thickness, hole):
    assert hook_hole(radius, width, thickness) == pytest.approx(hole, abs=1e-7)
    assert hook_hole(radius, width, 0.0) == pytest.approx(width, abs=1e-12)


@pytest.mark.parametrize(
    ("end", "length"),
    [
        ((5, 0, 3), 8.2725193),
        ((0, 2, math.pi), math.pi),
        ((1, 1, math.pi / 2), math.pi / 2),
        ((0, 0, math.pi), 7 * math.pi / 3),
    ],
    ids=["K7 Dubins.jl test1", "K7 U-turn", "K7 quarter turn", "K7 reverse on the spot"],
)  # fmt: skip
def test_the_shortest_path_of_bounded_curvature_is_dubins(end, length):
    assert shortest_curve((0, 0, 0), end, 1.0) == pytest.approx(length, abs=5e-8)
    assert shortest_curve((0, 0, 0), (2 * end[0], 2 * end[1], end[2]), 2.0) == pytest.approx(
        2 * length, abs=1e-7
    )


@pytest.mark.parametrize("thickness", [0.0, 0.002])
def test_a_rod_through_a_real_rim_tilts_as_far_as_the_rule_says(thickness):
    # A 10 mm hole whose walls are in the mesh; the polygon of 64 sides is a hair wider than its inscribed
    # circle: at most 0.12 % of the diameter, 0.012 mm, so 0.1 mm decides.
    axis = (1.0, 0, 0)
    mesh = plate(center=(0, 0, 0), normal=axis, holes=[(0, 0, 0.010)], thickness=thickness)
    hole = opening("hole", (0, 0, 0), axis, 0.010, (OUTSIDE, 0))
    space = space_of(mesh, bays_of(mesh, ["bay"], [hole]))
    for degrees in (0.0, 20.0, 27.0, 40.0):
        # d = D cos A - t sin A
        fits = 0.010 * math.cos(math.radians(degrees)) - thickness * math.sin(math.radians(degrees))
        aim = [[math.cos(math.radians(degrees)), math.sin(math.radians(degrees)), 0]]
        thin = straight_reach(space, rod(fits - TENTH, 0.1), hole, aim)
        fat = straight_reach(space, rod(fits + TENTH, 0.1), hole, aim)
        assert thin.depths[0] == pytest.approx(0.1), degrees
        assert fat.depths[0] == 0.0, degrees


def test_the_longest_rod_in_a_box_is_its_diagonal():
    # K6: 3 x 4 x 12 has the diagonal 13. With round ends of radius r the middle line of the rod is the
    # diagonal of the box shrunk by r on every side: sqrt((3 - 2r)² + (4 - 2r)² + (12 - 2r)²).
    corner = np.array([[x, y, z] for x in (0, 3) for y in (0, 4) for z in (0, 12)], dtype=float)
    faces = [[0, 1, 3], [0, 3, 2], [4, 6, 7], [4, 7, 5], [0, 4, 5], [0, 5, 1],
             [2, 3, 7], [2, 7, 6], [0, 2, 6], [0, 6, 4], [1, 5, 7], [1, 7, 3]]  # fmt: skip
    mesh = mesh_of(corner, faces)
    space = space_of(mesh, bays_of(mesh, ["box"], []))
    for radius in (1e-6, 0.05, 0.4):
        inner = np.array([3, 4, 12.0]) - 2 * radius
        longest = np.linalg.norm(inner)
        middle, along = np.array([1.5, 2, 6]), inner / longest / 2
        if radius < 1e-5:
            assert longest == pytest.approx(13.0, abs=1e-5)
        for change, blocked in ((-TENTH, False), (TENTH, True)):
            run = along * (longest + change)
            assert (rods_blocked(space, [middle - run], [middle + run], radius)[0] >= 0) == blocked


def test_a_rod_through_holes_in_line_reaches_the_far_wall(box):
    port = box.opening_named("port")
    paths, refusals = paths_through(box, rod(), port, aims=[[1.0, 0, 0]])
    assert len(paths) == 1
    assert paths[0].deepest == pytest.approx(0.8)
    assert paths[0].bays_reached == (0, 1, 2, 3)
    assert paths[0].through == ("port", "hole 1", "hole 2", "hole 3")
    assert refusals == ()
    # Deepest first, and the ranges meet at the ribs.
    assert [round(span.deepest, 9) for span in paths[0].ranges] == [0.8, 0.6, 0.4, 0.2]
    assert "far end" in paths[0].limit


def test_a_rod_is_stopped_by_the_rib_and_says_how_far_short_it_is():
    mesh, bays = ribbed_box(drop=[0.0, 0.05, 0.0])
    space = space_of(mesh, bays)
    paths, refusals = paths_through(space, rod(0.012), space.opening_named("port"), aims=[[1.0, 0, 0]])
    # The second rib's hole, 40 mm wide, is 50 mm off the axis: the rod meets the web of rib 2 at 0.4 m.
    assert paths[0].deepest == pytest.approx(0.4)
    assert paths[0].bays_reached == (0, 1)
    assert {refusal.bay for refusal in refusals} == {"bay 3", "bay 4"}
    assert "stops 400 mm in, its tip on rib 2" in paths[0].limit


def test_a_tip_wider_than_the_hole_is_refused_by_name(box):
    wide = rod(0.006, tip_diameter=0.032)
    paths, refusals = paths_through(box, wide, box.opening_named("port"))
    assert paths == ()
    assert refusals[0].reason == "port: 32.0 mm tip in a 30.0 mm hole"
    assert refusals[0].short_by == pytest.approx(0.002)


def test_a_wide_shank_stops_at_the_skin_and_a_thin_body_goes_on(box):
    stepped = rod(0.006, 0.5, shank_diameter=0.04, shank_length=0.3)
    reach = straight_reach(box, stepped, box.opening_named("port"), [[1.0, 0, 0]])
    # The shoulder 200 mm behind the tip is taken as round, radius R = 20 mm, before a rim of r = 15 mm: it
    # stops sqrt(R² - r²) short (up to the polygon's corners, 0.02 mm).
    assert reach.depths[0] == pytest.approx(0.2 - math.sqrt(0.02**2 - 0.015**2), abs=3e-5)
    assert LIMITS[reach.limits[0]] == "hole"


def test_a_long_wand_needs_room_outside_unless_it_is_coupled_after(box):
    mesh, bays = ribbed_box()
    wall = plate(center=(-0.5, 0, 0), normal=(1.0, 0, 0), part="hangar wall")
    space = space_of(mesh, bays, wall)
    port = space.opening_named("port")
    paths, refusals = paths_through(space, rod(length=0.7), port, aims=[[1.0, 0, 0]])
    assert paths == ()
    assert refusals[0].reason == "no room outside port for the wand: its body meets hangar wall"
    paths, _ = paths_through(space, rod(length=0.7, couple_after=True), port, aims=[[1.0, 0, 0]])
    assert paths[0].deepest == pytest.approx(0.7)


def test_a_wand_that_reaches_out_of_an_aim_that_points_out_is_refused(box):
    reach = straight_reach(box, rod(), box.opening_named("port"), [[-1.0, 0, 0], [0, 1.0, 0]])
    assert reach.depths.tolist() == [0.0, 0.0]
    assert {LIMITS[code] for code in reach.limits} == {"direction"}


def test_an_opening_between_two_bays_is_no_way_in(box):
    with pytest.raises(WandError, match='opening "hole 2" does not lead outside'):
        straight_reach(box, rod(), box.opening_named("hole 2"), [[1.0, 0, 0]])


def test_aims_cover_the_cone_evenly():
    aims = aims_over_cone([0.3, -0.2, 0.9], 0.8, 500)
    axis = np.array([0.3, -0.2, 0.9]) / np.linalg.norm([0.3, -0.2, 0.9])
    cosines = aims @ axis
    assert np.allclose(np.linalg.norm(aims, axis=1), 1.0)
    assert cosines.min() == pytest.approx(math.cos(0.8))
    # Equal solid angles: the cosine is spread evenly.
    assert cosines.mean() == pytest.approx((1.0 + math.cos(0.8)) / 2.0, abs=1e-3)


def test_a_thinner_wand_never_reaches_less_and_a_bigger_hole_never_less(box):
    aims = aims_over_cone([1.0, 0, 0], 1.2, 200)
    depths = [
        straight_reach(box, rod(width), box.opening_named("port"), aims).depths
        for width in (0.002, 0.006, 0.012, 0.02)
    ]
    assert all((thin >= fat - 1e-12).all() for thin, fat in pairwise(depths))
    reached = []
    for entry in (0.01, 0.02, 0.03):
        mesh, bays = ribbed_box(entry=entry)
        space = space_of(mesh, bays)
        reached.append(straight_reach(space, rod(0.006), space.opening_named("port"), aims).depths)
    assert all((big >= small - 1e-12).all() for small, big in pairwise(reached))


def test_a_rod_carried_round_a_real_corner_passes_by_a_tenth_of_a_millimetre():
    # K2: corridors 3 and 4 m wide, the block between them standing at (3, 4). A thin rod whose ends slide
    # along the outer walls x = 0 and y = 0 leans at every angle in turn: the ladder's motion.
    block = [
        plate(center=(3.0, 6.0, 0), normal=(1.0, 0, 0), size=(4.0, 1.0), part="block"),
        plate(center=(5.0, 4.0, 0), normal=(0, 1.0, 0), size=(4.0, 1.0), part="block"),
    ]
    mesh = joined(block)
    space = space_of(mesh, bays_of(mesh, ["corridor"], []))
    leans = np.linspace(0.01, math.pi / 2 - 0.01, 20001)
    longest = longest_round_corner(3.0, 4.0)
    for change, passes in ((-TENTH, True), (TENTH, False)):
        length = longest + change
        low = np.stack([length * np.cos(leans), 0 * leans, 0 * leans], axis=1)
        high = np.stack([0 * leans, length * np.sin(leans), 0 * leans], axis=1)
        assert bool((rods_blocked(space, low, high, 1e-7) < 0).all()) == passes


def test_the_tilt_in_a_slot_is_the_slot_s_not_that_of_the_circle_in_it():
    # A slot 10 mm wide and 50 mm long in a sheet: a 9 mm rod leans 25.8 degrees (acos 9/10) across it, and
    # along it until the sheet's plane is met, acos(9/50) = 79.6 degrees, less what the square ends give.
    slot = [
        plate(center=(0, side * (0.025 + 0.05), 0), normal=(1.0, 0, 0), size=(0.1, 0.2), part="skin")
        for side in (-1, 1)
    ] + [
        plate(center=(0, 0, side * (0.005 + 0.05)), normal=(1.0, 0, 0), size=(0.05, 0.1), part="skin")
        for side in (-1, 1)
    ]  # fmt: skip
    mesh = joined(slot)
    hole = opening("slot", (0, 0, 0), (1.0, 0, 0), 0.010, (OUTSIDE, 0))
    hole.rim = np.array(
        [[0, y, z] for y, z in ((0.025, 0.005), (-0.025, 0.005), (-0.025, -0.005), (0.025, -0.005))]
    )
    space = space_of(mesh, bays_of(mesh, ["bay"], [hole]))
    lean = np.radians([25.0, 27.0])
    across = np.stack([np.cos(lean), 0 * lean, np.sin(lean)], axis=1)
    along = np.stack([np.cos(lean), np.sin(lean), 0 * lean], axis=1)
    fits = straight_reach(space, rod(0.009, 0.1), hole, np.concatenate([across, along])).fits
    assert fits.tolist() == [True, False, True, True]


def test_a_declared_box_stands_in_the_way_outside_and_is_named():
    mesh, bays = ribbed_box()
    jack = obstacle_boxes({"jack": [[-0.6, -0.05, -0.05], [-0.4, 0.05, 0.05]]})
    space = space_of(mesh, bays, jack)
    paths, refusals = paths_through(space, rod(length=0.7), space.opening_named("port"), aims=[[1.0, 0, 0]])
    assert paths == ()
    assert refusals[0].reason == "no room outside port for the wand: its body meets jack"
    # 100 mm of room is enough for a wand coupled after it is in.
    freed, _ = paths_through(
        space, rod(length=0.7, couple_after=True), space.opening_named("port"), aims=[[1.0, 0, 0]]
    )
    assert freed[0].deepest == pytest.approx(0.7)


def test_a_shortest_curve_is_as_long_driven_backwards_or_mirrored():
    rng = np.random.default_rng(8)
    for _ in range(300):
        x, y = rng.uniform(-4, 4, 2)
        start, end = rng.uniform(-math.pi, math.pi, 2)
        length = shortest_curve((0, 0, start), (x, y, end), 1.0)
        # Reversed: start where it ended, both headings turned about. Mirrored in the x axis.
        assert shortest_curve((x, y, end + math.pi), (0, 0, start + math.pi), 1.0) == pytest.approx(length)
        assert shortest_curve((0, 0, -start), (x, -y, -end), 1.0) == pytest.approx(length)
        assert length >= math.hypot(x, y) - 1e-12


def test_a_line_is_found_through_holes_that_no_two_centres_line_up_with():
    # Holes of 40 mm, 15 mm off by turns: the line on the axis passes each with 20 - 15 - 3 = 2 mm to spare,
    # lines through two centres miss another by more.
    mesh, bays = ribbed_box(drop=[0.015, -0.015, 0.015], entry=0.02)
    space = space_of(mesh, bays)
    paths, _ = paths_through(space, rod(0.006, clearance=0.001), space.opening_named("port"))
    assert max(len(path.bays_reached) for path in paths) == 4


def test_the_line_through_a_chain_is_least_off_where_there_is_least_room():
    _, bays = ribbed_box(drop=[0.015, -0.015, 0.015])
    chain = bays.openings
    entry, aim, worst = line_through(chain, 0.006)
    offsets = [entry[2] + aim[2] / aim[0] * gate.center[0] - gate.center[2] for gate in chain]
    rooms = [(gate.diameter - 0.006) / 2 for gate in chain]
    shares = np.abs(offsets) / rooms
    assert worst == pytest.approx(shares.max())
    # Three of four unknown slacks are equal at the best of a line's two figures; no grid of lines does
    # better.
    grid = [
        max(
            abs(p + m * gate.center[0] - gate.center[2]) / room
            for gate, room in zip(chain, rooms, strict=True)
        )
        for p in np.linspace(-0.02, 0.02, 201)
        for m in np.linspace(-0.1, 0.1, 201)
    ]
    assert worst <= min(grid) + 0.02
