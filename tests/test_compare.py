"""Two results beside each other: what changed is named, what did not is not."""

import dataclasses

import numpy as np
import pytest
from results import small_outcome, small_plan, small_result, small_sides

from bayreach.compare import compare
from bayreach.outcome import KeepOutRecord, Result


def test_a_result_beside_itself_has_not_changed() -> None:
    same = compare(small_result(), small_result())
    assert same.is_equal
    assert same.same_mesh
    assert same.same_job


def test_a_side_that_became_covered_is_told_by_its_area() -> None:
    # The second face of the unit square, half a square metre, goes from low (1) to covered (0) on its front.
    sides = dataclasses.replace(small_sides(), status=np.array([0, 2, 0, 2]))
    after = Result(outcome=small_outcome(), sides=sides)
    assert compare(small_result(), after).status_m2 == {"low to covered": pytest.approx(0.5)}


def test_a_side_that_looks_outside_is_not_told() -> None:
    sides = dataclasses.replace(small_sides(), status=np.array([0, 0, 1, 2]))
    assert compare(small_result(), Result(outcome=small_outcome(), sides=sides)).status_m2 == {}


def test_passes_and_bays_that_only_one_has_are_named() -> None:
    outcome = small_outcome()
    other = dataclasses.replace(
        outcome,
        passes=(dataclasses.replace(outcome.passes[0], count=3),),
        bays=(dataclasses.replace(outcome.bays[0], name="bay 2"),),
    )
    changed = compare(small_result(), small_result(other))
    assert changed.passes_gone == ("2 x long through port, 0.900 to 0.100 m, clock 90 deg, 50 mm/s",)
    assert changed.passes_new == ("3 x long through port, 0.900 to 0.100 m, clock 90 deg, 50 mm/s",)
    assert [(bay.name, bay.before, bay.after) for bay in changed.bays] == [
        ("bay 1", 0.5, None),
        ("bay 2", None, 0.5),
    ]
    assert not changed.is_equal


def test_a_plan_beside_a_spray_has_holes_where_the_spray_has_none() -> None:
    figures = {change.name: change for change in compare(small_result(), small_result(small_plan())).figures}
    assert (figures["new holes"].before, figures["new holes"].after) == (None, 1.0)


def test_results_on_other_meshes_are_compared_by_figures_only() -> None:
    mesh = small_sides().mesh
    moved = dataclasses.replace(mesh, points=mesh.points + 1.0)
    sides = dataclasses.replace(small_sides(), mesh=moved, status=np.zeros(4, dtype=int))
    assert compare(small_result(), Result(outcome=small_outcome(), sides=sides)).status_m2 == {}


def test_what_went_in_and_the_holes_that_came_out_are_told() -> None:
    """A wand made longer, a keep-out added, the plan's hole moved by 10 mm."""
    plan = small_plan()
    hole = plan.holes[0]
    x, y, z = hole.center_m
    other = dataclasses.replace(
        plan,
        wands=tuple(dataclasses.replace(wand, length_m=wand.length_m + 0.1) for wand in plan.wands),
        keep_outs=(*plan.keep_outs, KeepOutRecord(name="fuel probe", no="both")),
        holes=(dataclasses.replace(hole, center_m=(x + 0.01, y, z)), *plan.holes[1:]),
    )
    changed = compare(small_result(plan), small_result(other))
    assert changed.wands_changed == tuple(wand.name for wand in plan.wands)
    assert changed.keep_outs_changed == ("fuel probe",)
    assert len(changed.holes_gone) == len(changed.holes_new) == 1
    assert changed.holes_gone[0].startswith(f"{hole.drill_name} in ")
    assert not changed.is_equal
