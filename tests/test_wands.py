"""Wands: their sections, pieces, centre lines and droop."""

import math

import numpy as np
import pytest

from bayreach.errors import WandError
from bayreach.tips import Tip
from bayreach.wands import Wand, arc_piece, centre_line, straight_piece

TIP = Tip(pattern="radial", spread=0.7, flow=3e-6)


def wand(**keys) -> Wand:
    return Wand(**{"name": "w", "shape": "straight", "length": 1.0, "diameter": 0.006, "tip": TIP, **keys})


def test_the_largest_part_governs():
    assert wand(tip_diameter=0.01).largest_section.name == "tip"
    assert wand(shank_diameter=0.02, shank_length=0.2).largest_section.diameter == 0.02
    assert [section.name for section in wand(shank_diameter=0.02, shank_length=0.2).sections] == [
        "tip",
        "body",
        "shank",
    ]


def test_what_is_left_out_is_as_wide_as_the_body():
    assert wand().tip_diameter == wand().shank_diameter == 0.006
    assert wand().tip_length == pytest.approx(0.012)


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ({"shape": "curly"}, 'shape "curly" is none of straight, bent, flexible'),
        ({"length": 0.0}, "length 0 must be above 0"),
        ({"diameter": math.nan}, "diameter nan must be above 0"),
        ({"clearance": -1e-3}, "clearance -0.001 must not be below 0"),
        ({"shape": "flexible"}, "a flexible wand needs a bend_radius"),
        ({"shape": "bent"}, "a bent wand needs at least one arc"),
        ({"pieces": (straight_piece(0.1),)}, "only a bent wand has pieces"),
        (
            {"shape": "bent", "pieces": (arc_piece(0.002, 1.0),)},
            "bend radius 2.0 mm is less than half its diameter",
        ),
        ({"shape": "bent", "pieces": (arc_piece(1.0, 3.0),)}, "3000.0 mm of pieces in a length of 1000.0 mm"),
        ({"tip_length": 0.6, "shank_length": 0.6}, "together are 1200.0 mm, length is 1000.0 mm"),
    ],
)
def test_a_wand_that_cannot_be_is_refused(keys, words):
    with pytest.raises(WandError, match=words):
        wand(**keys)


def test_a_quarter_bend_ends_at_right_angles_one_radius_off():
    line = centre_line((straight_piece(0.3), arc_piece(0.06, math.pi / 2), straight_piece(0.05)))
    # 0.3 + R ahead, R + 0.05 up (clock zero is +z); heading +z, its clock zero now backwards.
    assert line.points[-1] == pytest.approx([0.36, 0.0, 0.11], abs=1e-12)
    assert line.frames[-1] == pytest.approx(np.array([[0, 0, 1], [0, 1, 0], [-1, 0, 0]]), abs=1e-12)
    assert line.from_tip[0] == pytest.approx(0.3 + 0.03 * math.pi + 0.05)
    assert line.from_tip[-1] == 0.0


def test_an_s_bend_ends_parallel_to_its_shank():
    # Two bends of 60 degrees, the second rolled by half a turn: heading restored, 2 R (1 - cos 60) off.
    line = centre_line((arc_piece(0.05, math.pi / 3), arc_piece(0.05, math.pi / 3, math.pi)))
    assert line.frames[-1] == pytest.approx(np.eye(3), abs=1e-12)
    assert line.points[-1] == pytest.approx([2 * 0.05 * math.sin(math.pi / 3), 0, 0.05], abs=1e-12)


def test_a_rolled_bend_turns_about_the_wand_s_own_axis():
    # A quarter of a turn, right-handed about +x, carries +z to -y.
    line = centre_line((arc_piece(0.06, math.pi / 2, math.pi / 2),))
    assert line.points[-1] == pytest.approx([0.06, -0.06, 0.0], abs=1e-12)


@pytest.mark.parametrize("sagitta", [1e-4, 1e-5, 1e-6])
def test_the_polyline_keeps_within_the_sagitta(sagitta):
    line = centre_line((arc_piece(0.06, 2.0),), sagitta=sagitta)
    assert line.sagitta <= sagitta * (1 + 1e-9)
    center = np.array([0.0, 0.0, 0.06])
    middles = (line.points[1:] + line.points[:-1]) / 2
    assert np.abs(np.linalg.norm(line.points - center, axis=1) - 0.06).max() < 1e-15 + 1e-12
    assert (0.06 - np.linalg.norm(middles - center, axis=1)).max() == pytest.approx(line.sagitta, rel=1e-6)


def test_the_shank_is_what_comes_before_the_first_bend():
    hook = wand(shape="bent", pieces=(straight_piece(0.1), arc_piece(0.05, 1.0), straight_piece(0.02)))
    assert hook.straight_shank == pytest.approx(1.0 - 0.05 - 0.02)
    assert sum(piece.length for piece in hook.chain) == pytest.approx(1.0)
    assert wand().straight_shank == 1.0


def test_droop_grows_with_the_fourth_power_of_the_free_length():
    loose = wand(stiffness=5.0, mass_per_length=0.1)
    assert loose.droop(1.0) == pytest.approx(0.1 * 9.80665 / (8 * 5.0))  # w L⁴ / (8 E I)
    assert loose.droop(0.5) == pytest.approx(loose.droop(1.0) / 16)
    assert wand().droop(1.0) == 0.0


def test_the_free_length_is_where_the_droop_meets_its_limit():
    loose = wand(stiffness=5.0, mass_per_length=0.1, droop_limit=0.01)
    exact = (8 * 5.0 * 0.01 / (0.1 * 9.80665)) ** 0.25
    assert loose.free_length() == pytest.approx(exact, abs=1.1e-3)
    assert loose.free_length() <= exact
    table = wand(droop_table=((0.4, 0.0), (1.0, 0.06)), droop_limit=0.03)
    assert table.free_length() == pytest.approx(0.7, abs=1.1e-3)
