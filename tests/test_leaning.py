"""Bent wands that lean, turn and pass chains of openings; room outside; laws of size; all replayed."""

import math
from itertools import pairwise

import numpy as np
import pytest
from collisions import Collider
from punched import bays_of, opening, plate, ribbed_box

from bayreach.arrays import OUTSIDE
from bayreach.bays import find_bays
from bayreach.insertion import gets_into, obstacle_boxes, paths_through, replay, space_of
from bayreach.insertion._leans import fan, towards_gates
from bayreach.mesh import joined
from bayreach.repair import mend
from bayreach.tips import Tip
from bayreach.wands import Wand, arc_piece, straight_piece

TENTH = 1e-4
TIP = Tip(pattern="radial", spread=0.7, flow=3e-6)
AXIS = (1.0, 0, 0)


def bent(width, radius, angle, *, length=0.3, after=0.01, **more) -> Wand:
    pieces = (arc_piece(radius, angle), straight_piece(after))
    sizes = {"clearance": 0.0, **more}
    return Wand(name="bent", shape="bent", length=length, diameter=width, tip=TIP, pieces=pieces, **sizes)


def behind_a_hole(diameter, *extra, thickness=0.0):
    """Return the space and the hole of a plate in x = 0 with more sheets about."""
    mesh = plate(center=(0, 0, 0), normal=AXIS, holes=[(0, 0, diameter)], thickness=thickness)
    hole = opening("hole", (0, 0, 0), AXIS, diameter, (OUTSIDE, 0), thickness=thickness)
    mesh = joined([mesh, *extra])
    return space_of(mesh, bays_of(mesh, ["bay"], [hole])), hole


def deepest(space, wand, hole, **how) -> float:
    paths, _ = paths_through(space, wand, hole, **how)
    return max((path.deepest for path in paths), default=0.0)


def test_a_wand_leans_on_its_way_where_no_single_aim_leads_as_deep():
    # Two wide sheets outside, 0.1 and 0.25 m before the hole, have holes of 18 mm: they let the wand in along
    # the axis alone: leaning by 60 degrees, the most tried, its 0.3 m come back to 0.15 m before the hole. A
    # web stands 0.215 m behind it. Once 0.2 m is in, the rest is out of those holes and it may lean: by 42
    # degrees it gets 0.215 / cos 42 = 0.289 m deep, less what its width takes.
    duct = [
        plate(center=(-x, 0, 0), normal=AXIS, size=(0.8, 0.8), holes=[(0, 0, 0.018)], part="guide")
        for x in (0.1, 0.25)
    ]
    web = plate(center=(0.215, 0, 0), normal=AXIS, size=(0.8, 0.8), part="web")
    space, hole = behind_a_hole(0.06, web, *duct)
    wand = bent(0.006, 0.05, 0.02, after=0.02)
    entries, aims = fan(wand, hole)
    assert deepest(space, wand, hole, aims=aims, entries=entries) < 0.22
    paths, _ = paths_through(space, wand, hole, moves=True)
    best = max(paths, key=lambda path: path.deepest)
    assert best.deepest > 0.26
    aims = best.way.aims
    assert np.degrees(np.arccos(np.clip(aims @ aims[0], -1, 1))).max() > 10  # it leaned on the way
    assert Collider(space.mesh).first_hit(replay(best, hole, step=0.03, space=space)) == ""


def test_an_s_bend_is_threaded_through_a_hole_hardly_wider_than_itself():
    # Both bends pass a thin sheet with a tenth of a millimetre, one after the other; 0.1 mm less stops it.
    wand = Wand(
        name="S", shape="bent", length=0.25, diameter=0.006, tip=TIP, clearance=0.0,
        pieces=(
            arc_piece(0.03, 1.0), straight_piece(0.03), arc_piece(0.03, 1.0, math.pi), straight_piece(0.02),
        ),
    )  # fmt: skip
    space, hole = behind_a_hole(0.006 + TENTH)
    paths, _ = paths_through(space, wand, hole, aims=[AXIS])
    assert paths[0].deepest == pytest.approx(0.25)
    assert Collider(space.mesh).first_hit(replay(paths[0], hole, step=0.03, space=space)) == ""
    tight, hole = behind_a_hole(0.006 - TENTH)
    assert deepest(tight, wand, hole, aims=[AXIS]) == 0.0


def test_a_small_bore_hook_of_three_bends_goes_in_and_its_way_is_clear():
    wand = Wand(
        name="hook of hooks", shape="bent", length=0.2, diameter=0.003, tip=TIP, clearance=0.0,
        pieces=(
            arc_piece(0.012, 0.9), straight_piece(0.01), arc_piece(0.012, 1.2, math.pi / 2),
            straight_piece(0.008), arc_piece(0.012, 0.7, -math.pi / 2), straight_piece(0.006),
        ),
    )  # fmt: skip
    space, hole = behind_a_hole(0.005, thickness=0.0015)
    paths, _ = paths_through(space, wand, hole, moves=True)
    best = max(paths, key=lambda path: path.deepest)
    assert best.deepest == pytest.approx(0.2)
    assert Collider(space.mesh).first_hit(replay(best, hole, step=0.03, space=space)) == ""


def slot(width, length):
    """Return the space and the opening of a slot, `width` across z and `length` along y, in a sheet."""
    sheets = [
        plate(center=(0, side * (length / 2 + 0.1), 0), normal=AXIS, size=(0.2, 0.4), part="skin")
        for side in (-1, 1)
    ] + [
        plate(center=(0, 0, side * (width / 2 + 0.1)), normal=AXIS, size=(length, 0.2), part="skin")
        for side in (-1, 1)
    ]
    mesh = joined(sheets)
    hole = opening("slot", (0, 0, 0), AXIS, width, (OUTSIDE, 0))  # the circle that fits in it
    ends = ((1, 1), (-1, 1), (-1, -1), (1, -1))
    hole.rim = np.array([[0, y * length / 2, z * width / 2] for y, z in ends])
    return space_of(mesh, bays_of(mesh, ["bay"], [hole])), hole


def test_the_real_rim_of_a_slot_decides_for_a_bent_wand():
    # Its circle lets 5 mm pass by 0.1 mm either way; aslant along the slot there is room that no circle has:
    # leaning 60 degrees along it a wand of 5 mm needs 10 mm of length, across it is stopped.
    wand = bent(0.005, 0.04, 1.2)
    for change, passes in ((TENTH, True), (-TENTH, False)):
        space, hole = slot(0.005 + change, 0.06)
        assert (deepest(space, wand, hole, aims=[AXIS]) > 0.2) == passes
    space, hole = slot(0.0065, 0.06)
    lean = math.radians(60)
    straight = bent(0.005, 0.04, 0.2, after=0.02)
    along = [[math.cos(lean), math.sin(lean), 0]]
    across = [[math.cos(lean), 0, math.sin(lean)]]
    assert deepest(space, straight, hole, aims=along) > 0.2
    assert deepest(space, straight, hole, aims=across) == 0.0


@pytest.fixture(scope="module")
def ribbed():
    mesh, _ = mend(ribbed_box(holes=[0.05, 0.03, 0.05])[0])
    bays = find_bays(mesh)
    space = space_of(bays.mesh, bays)
    return space, next(each for each in bays.openings if OUTSIDE in each.links)


def test_a_bent_wand_goes_through_a_chain_of_holes_in_line_and_turns_behind_them(ribbed):
    # A wand fed through one rib's lightening hole can go on through those in line with it (common practice,
    # no source): a hook that stands out 17 mm passes holes of 30 mm or more, three ribs deep.
    space, port = ribbed
    wand = bent(0.005, 0.012, 1.2, length=0.75, after=0.003)
    assert [gets_into(space, wand, port, bay) for bay in range(4)] == [True] * 4
    paths, _ = paths_through(space, wand, port, clocks=[0.0, math.pi], moves=True)
    far = [path for path in paths if 3 in path.bays_reached]
    assert {path.clock for path in far} == {0.0, math.pi}
    for path in far[:1]:
        assert Collider(space.mesh).first_hit(replay(path, port, step=0.05, space=space)) == ""


def test_a_bent_wand_short_of_a_bay_says_by_how_much(ribbed):
    space, port = ribbed
    _, refusals = paths_through(space, bent(0.005, 0.012, 1.2, length=0.45, after=0.003), port, moves=True)
    (last,) = (refusal for refusal in refusals if refusal.bay == "bay 4")
    assert last.reason.startswith("stops 450 mm in, at its own length, ")
    assert last.reason.endswith("mm short of bay 4")
    assert 0.1 < last.short_by < 0.2  # the rib stands at 600 mm, the tip ends at about 435


def test_thinner_bent_wands_and_bigger_holes_never_reach_less():
    web = plate(center=(0.05, 0, 0), normal=AXIS, part="web")
    spaces = [behind_a_hole(size, web) for size in (0.008, 0.02, 0.04)]
    by_hole = [deepest(space, bent(0.006, 0.03, 1.3), hole, moves=True) for space, hole in spaces]
    assert all(less <= more + 1e-9 for less, more in pairwise(by_hole))
    space, hole = spaces[1]
    by_width = [deepest(space, bent(w, 0.03, 1.3), hole, moves=True) for w in (0.022, 0.012, 0.004)]
    assert all(less <= more + 1e-9 for less, more in pairwise(by_width))
    assert by_width[0] < by_width[-1]


def test_a_bent_wand_needs_room_outside_at_every_step_of_its_way():
    # A wall 120 mm before the hole: the shank of a wand 300 mm long meets it before it is in. Coupled after,
    # it needs 100 mm of room alone, and with 130 mm of it it meets the wall again.
    space, hole = behind_a_hole(0.02, plate(center=(-0.12, 0, 0), normal=AXIS, part="hangar wall"))
    (held,), _ = paths_through(space, bent(0.006, 0.03, 1.2), hole, aims=[AXIS])
    assert held.deepest < 0.015
    assert held.limit.endswith("its body on hangar wall")
    coupled = bent(0.006, 0.03, 1.2, couple_after=True, room_outside=0.1)
    assert deepest(space, coupled, hole, aims=[AXIS]) == pytest.approx(0.3)
    wider = bent(0.006, 0.03, 1.2, couple_after=True, room_outside=0.13)
    assert deepest(space, wider, hole, aims=[AXIS]) < 0.25
    (path,), _ = paths_through(space, coupled, hole, aims=[AXIS])
    assert Collider(space.mesh).first_hit(replay(path, hole, step=0.03, space=space)) == ""


@pytest.mark.parametrize("shape", ["straight", "bent"])
def test_a_handle_stays_outside_and_meets_what_stands_there(shape):
    # The handle, 40 mm wide, passes a declared box beside the wand's line only if the box is further off.
    def stopped(aside: float) -> float:
        box = obstacle_boxes({"bracket": [[-0.05, aside, -0.1], [-0.02, aside + 0.05, 0.1]]})
        space, hole = behind_a_hole(0.02, box)
        sizes = {"handle_diameter": 0.04, "handle_length": 0.1, "clearance": 0.0}
        wand = (
            bent(0.006, 0.02, 0.8, **sizes)
            if shape == "bent"
            else Wand(name="rod", shape="straight", length=0.3, diameter=0.006, tip=TIP, **sizes)
        )
        return deepest(space, wand, hole, aims=[AXIS])

    # In front of the box, 50 mm off the sheet, the handle's round end stops; past it, it comes to the sheet.
    assert stopped(0.019) < 0.3 - 0.05 + 1e-6
    # A collar of 40 mm cannot enter a hole of 20 mm: its round end (20 mm) stands in the hole's rim (10 mm)
    # at sqrt(20² - 10²) = 17.3 mm.
    assert stopped(0.0205) == pytest.approx(0.3 - math.sqrt(0.02**2 - 0.01**2), abs=0.009)


def test_a_long_bend_is_aimed_so_that_its_arc_leads_through_the_next_hole():
    # A hole 0.2 m ahead and 60 mm aside: c = 0.2088, R = 0.4: the arc starts asin(c / 2R) = 15.1 degrees off
    # the chord, which itself leans 16.7 degrees; in one of the planes it starts along 1.6 degrees.
    mesh, bays = ribbed_box(drop=[0.06, 0.0, 0.0])
    space = space_of(mesh, bays)
    wand = bent(0.006, 0.4, 0.6, length=0.5)
    entries, aims = towards_gates(space, wand, space.bays.openings[0])
    assert (entries == space.bays.openings[0].center).all()
    leans = np.degrees(np.arccos(aims @ np.array(AXIS)))
    assert np.abs(leans - (math.degrees(math.atan2(0.06, 0.2)) - 15.13)).min() < 0.05
    assert len(towards_gates(space, bent(0.006, 0.03, 0.6), space.bays.openings[0])[1]) == 0
    found = find_bays(mend(mesh)[0])
    port = next(each for each in found.openings if OUTSIDE in each.links)
    assert gets_into(space_of(found.mesh, found), wand, port, 1)
