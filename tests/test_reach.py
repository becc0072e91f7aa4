"""What each wand reaches through each opening, and the sentence when it does not."""

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from punched import ribbed_box

from bayreach.bays import find_bays
from bayreach.errors import WandError
from bayreach.insertion import gets_into, paths_through, space_of
from bayreach.rays import Scene
from bayreach.reach import (
    Care,
    ground_of,
    reach,
    reach_through,
    read_vary,
    smallest_changes,
    sweep,
    sweep_csv,
    sweep_rows,
    sweep_svg,
)
from bayreach.repair import mend, subdivided
from bayreach.tips import Tip
from bayreach.wands import Wand, arc_piece, straight_piece

TIP = Tip(pattern="radial", spread=0.7, flow=3e-6)


def rod(length=0.5, diameter=0.006, **more) -> Wand:
    return Wand(name="rod", shape="straight", length=length, diameter=diameter, tip=TIP, **more)


@pytest.fixture(scope="module")
def ground():
    mesh, _ = mend(ribbed_box()[0])
    bays = find_bays(subdivided(mesh, 0.03).mesh)
    space = space_of(bays.mesh, bays)
    return ground_of(space, Scene(bays.mesh), care=Care(aims=128, samples=120, tips=30))


@pytest.fixture(scope="module")
def port(ground):
    return next(opening for opening in ground.space.bays.openings if -1 in opening.links)


def test_the_box_has_the_bays_it_was_built_with(ground, port):
    # 0.2 m x 0.2 m, ribs every 0.2 m: four bays of 8 litres; the port is 30 mm wide.
    assert [bay.volume for bay in ground.space.bays.bays] == pytest.approx([0.008] * 4)
    assert port.diameter == pytest.approx(0.030, rel=2e-3)


def test_a_half_metre_rod_reaches_three_bays_and_is_ten_centimetres_short_of_the_fourth(ground, port):
    row = reach_through(ground, rod(0.5), port)
    assert row.fits
    assert row.depth == pytest.approx(0.5)
    assert row.bays_reached == ("bay 1", "bay 2", "bay 3")
    last = row.bays[3]
    assert not last.reached
    assert last.short_by == pytest.approx(0.1, abs=1e-6)
    assert last.limit == "stops 500 mm in, at its own length, 100 mm short of bay 4"


def test_a_tip_too_wide_does_not_fit_and_the_hole_is_named(ground, port):
    row = reach_through(ground, rod(tip_diameter=0.032), port)
    assert not row.fits
    assert row.depth == 0.0
    assert row.max_tilt is None
    assert row.solid_angle == 0.0
    assert "32.0 mm tip in a 30.0 mm hole" in row.limit
    assert row.visible_area == 0.0
    assert not row.bays_reached


def test_the_usable_aims_are_those_of_the_tilt_rule_where_nothing_else_is_in_the_way(ground, port):
    # A 6 mm rod in a 30 mm hole in a sheet tilts to acos(6/30) = 78.5 degrees; 2 pi (1 - 0.2) = 5.03 sr.
    row = reach_through(ground, rod(0.05, clearance=0.0), port)
    assert row.max_tilt == pytest.approx(math.acos(0.2), abs=2e-3)
    assert row.solid_angle == pytest.approx(2 * math.pi * 0.8, rel=0.03)


def test_the_tip_of_a_short_wand_can_be_in_a_ball_of_its_length(ground, port):
    # From the middle of the port, depth up to L = 80 mm, tilt up to A = 78.5 degrees: a cone of a ball,
    # 2 pi / 3 (1 - cos A) L³ = 0.858 litres, inside a bay of 8 litres, if the wand starts at the centre. It
    # may start at any place of the port that leaves room (here rings 4 and 7 tenths of the way out), so more.
    row = reach_through(ground, rod(0.08, clearance=0.0), port)
    cone = 2 * math.pi / 3 * 0.8 * 0.08**3
    bay = row.bays[0]
    assert bay.tip_volume > cone - 3 * bay.tip_volume_error
    assert bay.tip_volume < 2 * math.pi / 3 * (0.08 + 0.0105) ** 3 + 3 * bay.tip_volume_error


def test_longer_and_thinner_wands_reach_and_see_no_less(ground, port):
    rows = [reach_through(ground, rod(length), port) for length in (0.1, 0.3, 0.5, 0.7)]
    rows_by_width = [reach_through(ground, rod(0.5, width), port) for width in (0.02, 0.012, 0.006, 0.003)]
    for family in (rows, rows_by_width):
        for less, more in pairwise(family):
            assert more.depth >= less.depth - 1e-12
            assert set(less.bays_reached) <= set(more.bays_reached)
            for small, large in zip(less.bays, more.bays, strict=True):
                assert large.tip_volume >= small.tip_volume - 1e-15
                assert large.visible_area >= small.visible_area - 1e-12


def test_a_rod_sees_all_of_the_bay_it_is_in_and_its_ribs_hide_most_of_the_next(ground, port):
    row = reach_through(ground, rod(0.15), port)
    assert row.bays[0].visible_share > 0.99
    assert 0.0 < row.bays[1].visible_share < row.bays[0].visible_share
    areas = [ground.areas[ground.space.bays.side_bay == k].sum() for k in range(4)]
    assert row.visible_area <= sum(areas)


def test_what_lies_within_the_spray_is_less_than_what_is_seen(ground, port):
    # A cone of 40 degrees straight ahead of a wand along the axis wets far ends, never the walls beside it.
    wide = reach_through(ground, rod(0.15), port)
    ahead = reach_through(ground, replace(rod(0.15), tip=replace(TIP, pattern="forward", spread=0.7)), port)
    near = reach_through(ground, replace(rod(0.15), tip=replace(TIP, throw=0.05)), port)
    for row in (wide, ahead, near):
        assert row.visible_area == wide.visible_area  # what is seen is no matter of the spray
        assert all(0.0 <= bay.in_pattern_area <= bay.visible_area for bay in row.bays)
    # All round and everywhere: a ball of spray reaches what is seen.
    ball = replace(TIP, pattern="forward", spread=2 * math.pi)
    assert reach_through(ground, replace(rod(0.15), tip=ball), port).in_pattern_area == wide.visible_area
    assert 0.0 < near.in_pattern_area < wide.in_pattern_area
    assert 0.0 < ahead.in_pattern_area < wide.visible_area
    assert set(wide.table()["bays"][0]) >= {
        "visible_m2",
        "visible_share",
        "in_pattern_m2",
        "in_pattern_share",
    }


def test_a_short_forward_cone_wets_only_what_is_ahead_of_it(ground, port):
    # Tip at most 20 mm in, tilted up to 78 degrees, throw 20 mm: nothing beyond 40 mm from the port is wet,
    # and the port's own wall, behind every tip, is not ahead of any.
    short = replace(rod(0.02), tip=replace(TIP, pattern="forward", spread=0.2, throw=0.02))
    row = reach_through(ground, short, port)
    assert row.visible_area > 0.0
    assert row.in_pattern_area == 0.0


def test_the_same_question_has_the_same_answer(ground, port):
    one, two = (reach_through(ground, rod(0.4), port) for _ in range(2))
    assert one.table() == two.table()


def test_every_wand_meets_every_opening_that_leads_outside(ground):
    rows = reach(ground, [rod(0.3), replace(rod(0.6), name="long")])
    assert [row.wand for row in rows] == ["rod", "long"]  # one port
    assert set(rows[0].table()) >= {
        "wand", "opening", "fits", "depth_m", "max_tilt_deg", "bays_reached", "visible_m2", "limit",
    }  # fmt: skip


def test_a_hook_sees_behind_a_rib_that_hides_it_from_a_rod(ground, port):
    bend = Wand(
        name="hook", shape="bent", length=0.33, diameter=0.006, tip=TIP,
        pieces=(arc_piece(0.015, math.pi / 2), straight_piece(0.005)),
    )  # fmt: skip
    row = reach_through(ground, bend, port)
    assert row.fits
    # Its bend, 15 mm and half its width, passes the ribs' 40 mm holes.
    assert "bay 2" in row.bays_reached
    assert np.isfinite(row.solid_angle)


def changes_of(ground, wand, port, bay):
    return {change.what: change for change in smallest_changes(ground, wand, port, bay)}


def test_a_short_wand_is_told_the_length_that_reaches_the_next_bay(ground, port):
    # The last rib stands at 600 mm.
    found = changes_of(ground, rod(0.5), port, "bay 4")
    assert set(found) == {"length"}
    assert found["length"].needed == pytest.approx(0.6, abs=1.5e-4)
    assert found["length"].failed <= 0.6 < found["length"].needed
    assert found["length"].sentence() == "length 500.0 mm -> 600.1 mm"


def test_a_wide_tip_is_told_how_much_thinner_or_the_hole_how_much_wider(ground, port):
    found = changes_of(ground, rod(0.3, tip_diameter=0.032), port, "bay 1")
    assert set(found) == {"diameter", f"hole {port.name}"}
    assert found["diameter"].needed == pytest.approx(port.diameter, abs=1.1e-4)
    assert found["diameter"].needed <= port.diameter
    assert found[f"hole {port.name}"].needed == pytest.approx(0.032, abs=1.1e-4)
    assert found[f"hole {port.name}"].needed >= 0.032


def test_what_is_found_to_do_does_and_what_failed_fails(ground, port):
    # Verified by asking again with the value itself.
    change = changes_of(ground, rod(0.5), port, "bay 4")["length"]
    assert "bay 4" in reach_through(ground, rod(change.needed), port, look=False).bays_reached
    assert "bay 4" not in reach_through(ground, rod(change.failed), port, look=False).bays_reached


def test_a_wand_that_reaches_needs_no_change(ground, port):
    assert smallest_changes(ground, rod(0.7), port, "bay 4") == ()


def test_a_range_is_read_with_its_unit_and_both_ends():
    assert read_vary("length=0.6m:2.4m:0.2m") == (
        "length",
        tuple(round(0.6 + 0.2 * k, 12) for k in range(10)),
    )
    name, values = read_vary("bend_angle=60deg:90deg:15deg")
    assert name == "bend_angle"
    assert np.degrees(values) == pytest.approx([60, 75, 90])


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("lenght=1m:2m:1m", 'Did you mean "length"'),
        ("length=1m:2m", "from:to:step"),
        ("length=2m:1m:0.1m", "must rise"),
        ("length=1m:2m:0m", "steps above 0"),
        ("length=1m:2m:1um", "200 allowed"),
    ],
)
def test_a_range_that_makes_no_sense_is_refused(text, words):
    with pytest.raises(WandError, match=words):
        read_vary(text)


def test_the_designer_s_curve_rises_with_length(ground, port):
    cases = sweep(ground, rod(), [port], {"length": (0.15, 0.35, 0.55, 0.75)})
    rows = sweep_rows(cases)
    assert [row["bays_reached"] for row in rows] == [1, 2, 3, 4]
    assert all(less["visible_m2"] <= more["visible_m2"] for less, more in pairwise(rows))
    lines = sweep_csv(cases).splitlines()
    assert lines[0].startswith("length_m,opening,fits,depth_m,bays_reached")
    assert len(lines) == 5
    drawing = sweep_svg(cases)
    assert drawing.count("<circle") == 4
    assert "length (mm)" in drawing


def test_two_figures_make_a_table_of_pairs(ground, port):
    cases = sweep(ground, rod(), [port], {"length": (0.15, 0.35), "diameter": (0.006, 0.05)})
    assert [(row["fits"], row["bays_reached"]) for row in sweep_rows(cases)] == [
        (True, 1), (False, 0), (True, 2), (False, 0),
    ]  # fmt: skip
    assert sweep_svg(cases).count("<polyline") == 2


def test_a_straight_wand_has_no_bend_to_vary(ground, port):
    with pytest.raises(WandError, match="a straight wand has no bend_radius to vary"):
        sweep(ground, rod(), [port], {"bend_radius": (0.05,)})


def test_a_name_from_a_job_file_cannot_write_markup(ground, port):
    cases = sweep(ground, rod(), [replace(port, name="<b>port</b>")], {"length": (0.1, 0.2)})
    assert "<b>" not in sweep_svg(cases)


def test_a_stiff_hose_is_told_the_bend_radius_that_would_do():
    mesh, _ = mend(ribbed_box(drop=[0.03, -0.03, 0.03])[0])
    bays = find_bays(mesh)
    winding = ground_of(space_of(bays.mesh, bays), Scene(bays.mesh), care=Care(aims=32, samples=20, tips=5))
    way_in = next(opening for opening in bays.openings if -1 in opening.links)
    stiff = Wand(name="hose", shape="flexible", length=1.2, diameter=0.006, bend_radius=0.5, tip=TIP)
    found = changes_of(winding, stiff, way_in, "bay 4")
    change = found["bend_radius"]
    assert change.needed < change.failed <= 0.5
    assert change.failed - change.needed < 2.1e-4
    softer = replace(stiff, bend_radius=change.needed)
    assert gets_into(winding.space, softer, way_in, 3)
    assert "through 6 chains" in reach_through(winding, stiff, way_in, look=False).bays[3].searched
    straight = reach_through(winding, rod(1.2), way_in, look=False).bays[3]
    assert straight.searched.endswith(" lines were tried, and tilts by 6 degrees")
    # Nor would more length or less thickness do.
    assert "length" not in found


def test_a_no_says_whether_a_rule_keeps_the_wand_out_or_a_search_found_no_way(ground, port):
    # By length: the last rib's hole is 0.6 m from the port, rim to rim 0.6 - 0.015 - 0.02 = 0.565 m.
    for length, is_rule in ((0.56, True), (0.57, False)):
        last = reach_through(ground, rod(length), port, look=False).bays[3]
        assert not last.reached
        assert (last.searched == "") == is_rule
    # By width.
    assert reach_through(ground, rod(tip_diameter=0.032), port, look=False).searched == ""
    hook = Wand(
        name="hook", shape="bent", length=0.7, diameter=0.005, tip=TIP,
        pieces=(arc_piece(0.08, math.pi / 2), straight_piece(0.005)),
    )  # fmt: skip
    row = reach_through(ground, hook, port, look=False)
    assert not row.bays[3].reached
    assert row.bays[3].searched.startswith("sought by 2.5 to 8.0 mm of depth, 15 degrees of clock angle and ")
    assert row.table()["bays"][3]["searched"] == row.bays[3].searched
    assert row.bays[0].searched == ""


def test_the_quick_verdict_of_a_hook_is_that_of_its_paths(ground, port):
    for radius in (0.012, 0.04):
        bend = Wand(
            name="hook", shape="bent", length=0.33, diameter=0.005, tip=TIP,
            pieces=(arc_piece(radius, math.pi / 2), straight_piece(0.005)),
        )  # fmt: skip
        paths, _ = paths_through(ground.space, bend, port, clocks=[0.0])
        reached = {bay for path in paths for bay in path.bays_reached}
        for bay in range(4):
            # The quick one tries every clock angle, the paths here one: it never says less.
            assert gets_into(ground.space, bend, port, bay) >= (bay in reached)
        assert not gets_into(ground.space, bend, port, 3)
