"""The proposed bend of a straight wand: it goes where the straight one does not, its way checked."""

import math
from dataclasses import replace

import numpy as np
import pytest
from collisions import Collider
from punched import ribbed_box

from bayreach.bays import find_bays
from bayreach.insertion import gets_into, replay, space_of
from bayreach.rays import Scene
from bayreach.reach import Care, ground_of, proposed_bend
from bayreach.repair import mend, subdivided
from bayreach.tips import Tip
from bayreach.wands import Wand, arc_piece

RADIUS = 1.2
RIBS = (0.2, 0.4, 0.6)


def height(x: float) -> float:
    """Return the height in m at x of a circle of 1.2 m radius through the port, highest at 0.35 m."""
    return math.sqrt(RADIUS**2 - (x - 0.35) ** 2) - math.sqrt(RADIUS**2 - 0.35**2)


def rod(length: float = 0.7) -> Wand:
    tip = Tip(pattern="radial", spread=0.7, flow=3e-6)
    return Wand(name="rod", shape="straight", length=length, diameter=0.006, tip=tip)


@pytest.fixture(scope="module")
def ground():
    """Return a box whose ribs' 40 mm holes lie on that circle: 43, 51 and 26 mm over the port."""
    mesh, _ = mend(ribbed_box(drop=[height(x) for x in RIBS])[0])
    bays = find_bays(subdivided(mesh, 0.03).mesh)
    return ground_of(space_of(bays.mesh, bays), Scene(bays.mesh), care=Care(aims=64, samples=200, tips=10))


@pytest.fixture(scope="module")
def port(ground):
    return next(opening for opening in ground.space.bays.openings if -1 in opening.links)


@pytest.fixture(scope="module")
def bend(ground, port):
    return proposed_bend(ground, rod(), port, "bay 4")


def test_a_rod_that_jams_on_the_ribs_is_bent_to_the_circle_through_their_holes(ground, port, bend):
    last = next(bay.index for bay in ground.space.bays.bays if bay.name == "bay 4")
    # A line from within the port's 30 mm under the rim of the first hole, 40 mm wide, is over the third's.
    assert not gets_into(ground.space, rod(), port, last)
    # The circle itself bends 0.5 to 0.58 rad; the holes leave 17 mm either way of its sagitta of 37 mm.
    assert 0.6 / RADIUS * 0.2 < bend.angle < 0.7 / RADIUS * 1.5
    assert last in bend.path.bays_reached
    assert bend.path.deepest > 0.6


def test_what_is_said_is_what_was_checked(bend):
    assert bend.wand.pieces == (arc_piece(bend.radius, bend.angle),)
    assert 1e3 * bend.radius == pytest.approx(round(1e3 * bend.radius), abs=1e-9)
    degrees = math.degrees(bend.angle)
    assert 10 * degrees == pytest.approx(round(10 * degrees), abs=1e-9)
    assert bend.sentence() == (
        f"bend the last {1e3 * bend.length:.0f} mm by {degrees:.1f} degrees, "
        f"radius {1e3 * bend.radius:.0f} mm"
    )
    straight = rod()
    assert replace(bend.wand, shape="straight", pieces=(), tip=straight.tip) == straight


def test_another_library_finds_no_touch_on_its_whole_way(ground, port, bend):
    steps = replay(bend.path, port, step=0.05, space=ground.space)
    assert Collider(ground.space.solid).first_hit(steps) == ""


def test_there_is_none_for_a_bent_wand_a_short_one_or_a_bay_that_needs_none(ground, port, bend):
    assert proposed_bend(ground, bend.wand, port, "bay 4") is None
    assert proposed_bend(ground, rod(0.5), port, "bay 4") is None  # it is 0.6 m to the bay


def test_a_depth_that_is_asked_is_come_to_where_it_can_be(ground, port):
    deep = proposed_bend(ground, rod(1.0), port, "bay 4", depth=0.7)
    assert deep.length >= 0.699
    assert np.isfinite(deep.radius)
