"""Flexible wands: curves no tighter than they bear, through chains of openings."""

import math
from dataclasses import replace

import numpy as np
import pytest
from punched import ribbed_box

from bayreach.arrays import OUTSIDE
from bayreach.bays import Opening, find_bays
from bayreach.insertion import paths_through, shortest_curve, space_of
from bayreach.repair import mend
from bayreach.tips import Tip
from bayreach.wands import Wand

TIP = Tip(pattern="forward", spread=0.7, flow=3e-6)


def hose(bend=0.06, length=1.2, diameter=0.006, **more) -> Wand:
    return Wand(
        name="hose", shape="flexible", length=length, diameter=diameter, bend_radius=bend, tip=TIP, **more
    )


@pytest.fixture(scope="module")
def winding():
    """Return a box whose ribs have their holes by turns 30 mm above and below the axis."""
    return measured(*ribbed_box(drop=[0.03, -0.03, 0.03])[:1])


def measured(mesh, obstacles=None):
    """Return the space of a mended mesh whose bays were found; the one way in is its first opening."""
    bays = find_bays(mend(mesh)[0])
    return space_of(bays.mesh, bays, obstacles)


def bends(line: np.ndarray) -> np.ndarray:
    """Return the radius of the circle through each three points in a row; infinite where they are in line."""
    a, b, c = line[:-2], line[1:-1], line[2:]
    sides = [np.linalg.norm(q - p, axis=1) for p, q in ((a, b), (b, c), (a, c))]
    area = np.linalg.norm(np.cross(b - a, c - a), axis=1) / 2.0
    safe = np.maximum(area, 1e-30)
    return np.where(area > 1e-12, sides[0] * sides[1] * sides[2] / (4.0 * safe), np.inf)


def test_a_hose_goes_through_three_holes_that_no_straight_line_passes(winding):
    port = winding.bays.openings[0]
    rod = Wand(name="rod", shape="straight", length=1.2, diameter=0.006, tip=TIP)
    straight, _ = paths_through(winding, rod, port)
    assert 3 not in {bay for path in straight for bay in path.bays_reached}
    paths, refusals = paths_through(winding, hose(), port)
    assert refusals == ()
    assert {bay for path in paths for bay in path.bays_reached} == {0, 1, 2, 3}
    assert tuple(opening.name for opening in winding.bays.openings) in {path.through for path in paths}


def test_no_path_bends_tighter_than_the_wand_bears_or_is_longer_than_it(winding):
    for bend in (0.06, 0.15):
        paths, _ = paths_through(winding, hose(bend), winding.bays.openings[0])
        for path in paths:
            # Chords of an arc lie on a circle of its radius; where pieces meet, the circle is wider.
            assert bends(path.line).min() > bend * (1 - 1e-6)
            run = np.linalg.norm(np.diff(path.line, axis=0), axis=1).sum()
            assert path.deepest <= run + 1e-9 <= 1.2 + 1e-6


def test_a_tip_follows_its_line(winding):
    paths, _ = paths_through(winding, hose(), winding.bays.openings[0])
    for path in paths[:5]:
        tip = path.tip_path
        assert tip.depths[0] == pytest.approx(path.deepest)
        steps = np.linalg.norm(np.diff(tip.points, axis=0), axis=1)
        # A chord is no longer than its stretch of the line.
        assert (steps <= -np.diff(tip.depths) + 1e-9).all()
        assert np.einsum("ij,ij->i", tip.axes, tip.clocks) == pytest.approx(
            np.zeros(len(steps) + 1), abs=1e-9
        )


def test_a_stiff_hose_is_refused_with_the_bend_radius_that_would_do(winding):
    stiff = hose(0.5)
    paths, refusals = paths_through(winding, stiff, winding.bays.openings[0])
    last = [refusal for refusal in refusals if refusal.bay == "bay 4"]
    assert last
    assert "needs bend radius" in last[0].reason
    assert last[0].reason.endswith("has 500 mm")
    needed = 0.5 - last[0].short_by
    softer, _ = paths_through(winding, replace(stiff, bend_radius=needed), winding.bays.openings[0])
    assert 3 in {bay for path in softer for bay in path.bays_reached}
    assert paths


def test_a_short_hose_says_how_far_short_it_is(winding):
    _, refusals = paths_through(winding, hose(length=0.35), winding.bays.openings[0])
    last = next(refusal for refusal in refusals if refusal.bay == "bay 4")
    # 0.2 m legs, 30 mm, 60 mm and 60 mm aside: 0.2022 + 2 * 0.2088 = 0.6198 m to the last hole.
    assert last.short_by == pytest.approx(math.hypot(0.2, 0.03) + 2 * math.hypot(0.2, 0.06) - 0.35, abs=1e-6)
    assert "at its own length" in last.reason


def test_a_hose_too_thick_for_the_port_is_refused(winding):
    paths, refusals = paths_through(winding, hose(diameter=0.031), winding.bays.openings[0])
    assert paths == ()
    assert refusals[0].reason == "opening x0 y0 z0: 31.0 mm tip in a 30.0 mm hole"


def test_a_hose_that_droops_is_stopped_where_too_much_hangs_free(winding):
    # 5 N mm² stiff, 50 g a metre: w L⁴ / 8 EI = 1 mm at L = 169 mm.
    soft = hose(stiffness=0.05, mass_per_length=0.05, droop_limit=0.001)
    free = (8 * 0.05 * 0.001 / (0.05 * 9.80665)) ** 0.25
    paths, _ = paths_through(winding, soft, winding.bays.openings[0], count=24)
    hanging = [path for path in paths if "hang free" in path.limit]
    assert hanging
    first = [path.deepest for path in hanging if len(path.through) == 1]
    assert all(depth > free - 2e-3 for depth in first)


def test_the_shortest_turn_in_a_plane_is_dubins(winding):
    # A curve of two bends to a pose is as long as the shortest there is, where that is one of straight
    # middle.
    from bayreach.insertion._curves import line_length, shot

    points = np.zeros((64, 3))
    for x, y, heading in ((0.5, 0.1, 0.5), (0.4, -0.2, -1.2), (0.6, 0.0, 0.9)):
        ahead = (math.cos(heading), math.sin(heading), 0.0)
        count = shot((0.0, 0.0, 0.0), (1.0, 0.0, 0.0), (x, y, 0.0), ahead, 0.06, points)
        exact = shortest_curve((0, 0, 0), (x, y, heading), 0.06)
        # Chords of 0.15 rad are short by a²/24: a thousandth of the bends.
        assert line_length(points, count) == pytest.approx(exact, rel=2e-4)


def test_a_hose_through_a_hole_not_drilled_yet_meets_the_skin_from_inside():
    space = measured(ribbed_box()[0])
    hole = Opening(
        name="drilled", center=[0.1, 0, 0.1], normal=[0, 0, -1], diameter=0.01, links=(OUTSIDE, 0),
        kind="proposed", thickness=0.001, rim=np.zeros((0, 3)), area=7.85e-5, equivalent_diameter=0.01,
    )  # fmt: skip
    paths, _ = paths_through(space, hose(0.04, 0.5), hole)
    assert paths
    for path in paths:
        # Never back through the skin: but for the first centimetres every point stays a radius off it.
        off = path.line[np.linalg.norm(path.line - hole.center, axis=1) > 0.02]
        assert off[:, 2].max(initial=0.0) < 0.1 - 0.003 + 1e-6
