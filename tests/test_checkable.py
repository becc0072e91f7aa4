"""Checkable: what an eye, a mirror, a finger and a borescope see of boxes with known answers."""

import math

import numpy as np
import pytest
from specimens import box, mended, rectangle, rib, ring, sheet

from bayreach import checkable, plan
from bayreach.bays import find_bays
from bayreach.errors import PlanError
from bayreach.insertion import space_of
from bayreach.rays import Scene
from bayreach.repair import subdivided
from bayreach.sight import targets_of

SIZE = (0.6, 0.2, 0.2)


def ported(*more, port=0.06):
    """Return a box with a round port in the middle of its end x = 0, and what else stands in it."""
    end = sheet(
        rectangle(SIZE[1], SIZE[2]), [ring((0.1, 0.1), port)], ([0, 0, 0], [0, 1, 0], [0, 0, 1]), "end"
    )
    return mended(end, sheet_less_box(), *more)


def sheet_less_box():
    """Return the box without its end x = 0: the open box turned round."""
    whole = box(SIZE, xs=[0.3])
    middles = whole.corners.mean(axis=1)
    return whole.of_faces(middles[:, 0] > 1e-9)


def looked(mesh, tools):
    bays = find_bays(subdivided(mesh, 0.05).mesh)
    scene = Scene(bays.mesh)
    inside = np.flatnonzero(bays.side_bay >= 0)
    targets = targets_of(bays.mesh, inside, 4)
    looks = checkable.looks_at(space_of(bays.mesh, bays), scene, bays.openings, tools)
    seen = checkable.seen_from(scene, targets, looks)
    centers = bays.mesh.corners[targets.sides // 2].mean(axis=1)
    return looks, seen, targets, centers


def area_seen(seen, targets):
    return float(targets.areas[np.asarray(seen.sum(axis=0)).ravel() > 0].sum())


def test_an_eye_sees_the_far_end_and_not_the_wall_beside_the_port():
    """The far end is 0.6 m away: out of 600 mm with 100 mm of standoff; at 0.8 m it is seen square on."""
    near = checkable.Tool(name="eye", kind="eye", diameter=0.025, reach=0.0, farthest=0.6)
    _, seen, _, centers = looked(ported(), [near])
    hit = np.asarray(seen.sum(axis=0)).ravel() > 0
    assert not hit[centers[:, 0] > 0.599].any()
    far = checkable.Tool(name="eye", kind="eye", diameter=0.025, reach=0.0, farthest=0.8)
    _, seen, _, centers = looked(ported(), [far])
    hit = np.asarray(seen.sum(axis=0)).ravel() > 0
    assert hit[centers[:, 0] > 0.599].any()
    assert not hit[centers[:, 0] < 1e-9].any()  # the inner face of the end wall: behind the eye


def test_no_angle_to_the_surface_below_the_least_counts():
    """Eyes stand within 60 degrees of the axis, walls lie along it: no sight meets a wall at 75 degrees."""
    steep = checkable.Tool(
        name="eye", kind="eye", diameter=0.025, reach=0.0, farthest=2.0, least_angle=math.radians(75.0)
    )
    _, seen, _, centers = looked(ported(), [steep])
    hit = np.asarray(seen.sum(axis=0)).ravel() > 0
    assert not hit[(centers[:, 0] > 0.01) & (centers[:, 0] < 0.59)].any()


def test_nothing_is_seen_behind_a_closed_rib_and_a_borescope_too_thick_sees_nothing():
    """A rib at x = 0.3 m shuts off half of the box; a 70 mm probe does not pass a 60 mm port."""
    _, seen, _, centers = looked(ported(rib(0.3, SIZE)), checkable.TOOLS)
    hit = np.asarray(seen.sum(axis=0)).ravel() > 0
    assert hit.any()
    assert not hit[centers[:, 0] > 0.301].any()
    thick = checkable.Tool(name="probe", kind="borescope", diameter=0.07, reach=0.5, farthest=0.2)
    looks, *_ = looked(ported(), [thick])
    assert len(looks) == 0


def test_more_bend_a_wider_field_or_more_range_never_sees_less():
    """Laws: each change widens the set of directions or the ball within range."""

    def area(**change):
        tool = checkable.Tool(
            **{
                **{"name": "probe", "kind": "borescope", "diameter": 0.006, "reach": 0.5, "farthest": 0.1},
                **{"bend": 0.3, "field": 1.0, "least_angle": 0.3},
                **change,
            }
        )
        _, seen, targets, _ = looked(ported(), [tool])
        return area_seen(seen, targets)

    plain = area()
    assert plain > 0
    assert area(bend=1.5) >= plain
    assert area(field=2.5) >= plain
    assert area(farthest=0.2) >= plain
    assert area(least_angle=0.1) >= plain


def test_the_first_tool_that_sees_a_side_is_named_and_the_fewest_looks_see_all_of_it():
    looks, seen, targets, _ = looked(ported(), checkable.TOOLS)
    can, tool = checkable.checkable_sides(seen, looks, len(checkable.TOOLS))
    assert ((tool >= 0) == can).all()
    assert set(np.unique(looks.tools)) == {0, 1, 2, 3}
    chosen, least = plan.fewest_looks(seen, targets.areas)
    assert len(chosen) == least
    again = np.asarray(seen[chosen].sum(axis=0)).ravel() > 0
    assert (again == can).all()


def test_tools_that_cannot_be_are_refused_by_name():
    with pytest.raises(PlanError, match='tool "x": kind "nose" is none of eye, mirror, finger, borescope'):
        checkable.Tool(name="x", kind="nose", diameter=0.01, reach=0, farthest=1)
    with pytest.raises(PlanError, match='tool "x": farthest 0 m must be above 0'):
        checkable.Tool(name="x", kind="eye", diameter=0.01, reach=0, farthest=0)
