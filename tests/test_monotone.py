"""Monotone laws over random structures: thinner, shorter-radius and larger-holed never reaches less."""

from dataclasses import replace

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from punched import bays_of, opening, plate, ribbed_box

from bayreach.arrays import OUTSIDE
from bayreach.insertion import aims_over_cone, gets_into, paths_through, space_of, straight_reach
from bayreach.mesh import joined
from bayreach.tips import Tip
from bayreach.wands import Wand, arc_piece, straight_piece

TIP = Tip(pattern="radial", spread=0.7, flow=3e-6)
AXIS = (1.0, 0, 0)
FEW = settings(max_examples=5, deadline=None, derandomize=True, database=None)
MANY = settings(max_examples=40, deadline=None, derandomize=True, database=None)
AIMS = aims_over_cone(AXIS, 1.2, 60)


def mm(low: float, high: float) -> st.SearchStrategy[float]:
    """Return lengths in m, in tenths of a millimetre from `low` to `high` (mm)."""
    return st.integers(round(10 * low), round(10 * high)).map(lambda tenths: 1e-4 * tenths)


def ordered(one: st.SearchStrategy[float]) -> st.SearchStrategy[tuple[float, float]]:
    """Return two values, the lesser first."""
    return st.tuples(one, one).map(lambda pair: (min(pair), max(pair)))


DROPS = st.lists(mm(-40, 40), min_size=3, max_size=3)
PLACES = st.tuples(mm(30, 80), mm(25, 40))  # of a web behind a hole, and of a shelf over it
BENDS = st.tuples(mm(12, 40), st.floats(0.5, 1.5))


def ribbed(drops, hole=0.04, entry=0.03):
    mesh, bays = ribbed_box(drop=drops, holes=[hole] * 3, entry=entry)
    return space_of(mesh, bays), bays.openings[0]


@MANY
@given(DROPS, ordered(mm(1, 25)), mm(1, 25), st.floats(0.05, 1.0))
def test_a_thinner_rod_goes_no_less_deep_along_any_aim(drops, widths, tip, length):
    space, port = ribbed(drops)
    thin, fat = (
        straight_reach(
            space,
            Wand(
                name="rod", shape="straight", length=length, diameter=width, tip=TIP,
                tip_diameter=min(tip, width), clearance=0.0,
            ),
            port,
            AIMS,
        ).depths
        for width in widths
    )  # fmt: skip
    # A blunt round end stops a little short of a wall that it meets aslant: by its radius at most.
    slack = widths[1] / 2 if tip > widths[0] else 1e-12
    assert (thin >= fat - slack).all()


@MANY
@given(DROPS, ordered(mm(2, 60)), ordered(mm(2, 60)), mm(1, 20), st.floats(0.05, 1.0))
def test_a_rod_goes_no_less_deep_through_bigger_holes(drops, holes, entries, width, length):
    rod = Wand(name="rod", shape="straight", length=length, diameter=width, tip=TIP, clearance=0.0)
    depths = [
        straight_reach(space, rod, port, AIMS).depths
        for space, port in (
            ribbed(drops, hole, entry) for hole, entry in zip(holes, entries, strict=True)
        )
    ]  # fmt: skip
    assert (depths[1] >= depths[0] - 1e-9).all()


def shelved(hole, web, height):
    """Return a hole in a skin, a web behind it and a shelf over it: what a hook must get past."""
    sheets = [
        plate(center=(0, 0, 0), normal=AXIS, holes=[(0, 0, hole)], part="skin"),
        plate(center=(web, 0, 0), normal=AXIS, part="web"),
        plate(center=(0.0325, 0, height), normal=(0, 0, 1.0), size=(0.2, 0.05), up=AXIS, part="shelf"),
    ]
    mesh = joined(sheets)
    port = opening("hole", (0, 0, 0), AXIS, hole, (OUTSIDE, 0))
    return space_of(mesh, bays_of(mesh, ["bay"], [port])), port


def hook(width, radius, angle):
    return Wand(
        name="hook", shape="bent", length=0.2, diameter=width, tip=TIP, clearance=0.0,
        pieces=(arc_piece(radius, angle), straight_piece(0.008)),
    )  # fmt: skip


def deepest(space, port, wand) -> float:
    paths, _ = paths_through(space, wand, port, moves=True)
    return max((path.deepest for path in paths), default=0.0)


@FEW
@given(mm(8, 30), PLACES, ordered(mm(2, 10)), BENDS)
def test_a_thinner_hook_goes_no_less_deep(hole, places, widths, bend):
    space, port = shelved(hole, *places)
    thin, fat = (deepest(space, port, hook(width, *bend)) for width in widths)
    assert thin >= fat - 1e-9


@FEW
@given(ordered(mm(4, 40)), PLACES, mm(3, 6), BENDS)
def test_a_hook_goes_no_less_deep_through_a_bigger_hole(holes, places, width, bend):
    small, big = (deepest(*shelved(hole, *places), hook(width, *bend)) for hole in holes)
    assert big >= small - 1e-9


@FEW
@given(DROPS, ordered(mm(20, 200)), ordered(mm(3, 12)))
def test_a_softer_or_thinner_hose_gets_into_no_fewer_bays(drops, bends, widths):
    space, port = ribbed(drops)
    stiff = Wand(name="hose", shape="flexible", length=1.2, diameter=widths[1], bend_radius=bends[1], tip=TIP)
    for better in (
        replace(stiff, bend_radius=bends[0]),
        replace(stiff, diameter=widths[0], tip_diameter=0.0, shank_diameter=0.0),
    ):
        for bay in range(1, 4):
            assert gets_into(space, better, port, bay) >= gets_into(space, stiff, port, bay), bay


def test_the_laws_are_asked_where_they_bite():
    # Of the rods above some are stopped and some are not: a law that never had to choose would prove nothing.
    space, port = ribbed([0.02, -0.02, 0.02])
    rods = [
        Wand(name="rod", shape="straight", length=0.7, diameter=width, tip=TIP, clearance=0.0)
        for width in (0.002, 0.02)
    ]
    depths = [straight_reach(space, each, port, AIMS).depths for each in rods]
    assert np.count_nonzero(depths[0] > depths[1] + 1e-6) > 20
