"""Plan: boxes with a known answer, the words of the statement, the order of work."""

import math

import numpy as np
import pytest
from specimens import box, mended, moved, rectangle, ribbed_box, ring, sheet

from bayreach import holes, plan
from bayreach.bays import find_bays
from bayreach.deposit.direct import air_of
from bayreach.errors import PlanError
from bayreach.insertion import space_of
from bayreach.rays import Scene
from bayreach.repair import subdivided
from bayreach.tips import Tip
from bayreach.wands import Wand

BALL = Tip(pattern="forward", spread=2 * math.pi, flow=2e-6)


def wand(length=0.5, tip=BALL, name="wand"):
    return Wand(name=name, shape="straight", length=length, diameter=0.006, tip=tip)


def planned(mesh, *, wands=None, share=0.95, need=1e-7, edge=0.08, drilling=True, zones=(), **given):
    bays = find_bays(subdivided(mesh, edge).mesh)
    scene = Scene(bays.mesh)
    required = bays.side_bay >= 0
    n_sides = bays.mesh.n_sides
    asked = plan.Asked(
        required=required,
        need=np.full(n_sides, need),
        limit=np.full(n_sides, np.inf),
        priority=np.ones(n_sides),
        share=share,
    )
    return plan.make_plan(
        bays=bays,
        scene=scene,
        space=space_of(bays.mesh, bays),
        air=air_of(bays.mesh, bays),
        wands=[wand()] if wands is None else wands,
        asked=asked,
        drilling=plan.Drilling(most_sites=8, zones=zones) if drilling else None,
        seconds=10.0,
        **given,
    )


def ported_box(size=(0.4, 0.2, 0.2)):
    """Return a closed box with a round port of 50 mm in the middle of its end x = 0."""
    port = ring((size[1] / 2, size[2] / 2), 0.05)
    end = sheet(rectangle(size[1], size[2]), [port], ([0, 0, 0], [0, 1, 0], [0, 0, 1]), "end")
    return mended(end, box(size, open_end=True), weld=None)


@pytest.mark.parametrize("boxes", [1, 2])
def test_sealed_boxes_need_a_hole_each(boxes):
    """Nothing gets into a sealed box without a hole, and one hole serves one box."""
    whole = mended(*(moved(box((0.3, 0.2, 0.2)), [0, 0.6 * k, 0]) for k in range(boxes)))
    found = planned(whole, share=0.9)
    assert (found.new_holes, found.new_holes_bound) == (boxes, boxes)
    assert found.proven
    assert found.met
    assert found.no_drill == 0.0
    number = "1 new hole; 0 proven" if boxes == 1 else "2 new holes; fewer proven"
    assert found.statement.startswith(f"{number} not enough with these wands and ")
    assert len({hole.site.bay for hole in found.holes}) == boxes


def test_a_keep_out_over_all_skin_makes_it_say_that_the_target_cannot_be_met():
    zone = holes.Zone(name="tank", box=[[-1, -1, -1], [2, 1, 1]])
    found = planned(box((0.3, 0.2, 0.2)), zones=(zone,))
    assert (found.met, found.new_holes, found.coverage) == (False, 0, 0.0)
    assert "The target of 95.0 % is not met: 0.0 %" in found.statement
    assert found.missed.area_by_reason() == {"sealed bay": pytest.approx(0.32)}  # 2 (0.06 + 0.06 + 0.04)
    assert set(found.refused_sites.kinds) == {"keep-out"}


def test_without_leave_to_drill_no_hole_is_planned():
    found = planned(ribbed_box(1, (0.4, 0.2, 0.2)), drilling=False)
    assert (found.new_holes, found.met, found.passes) == (0, False, ())


def test_bad_questions_are_refused():
    with pytest.raises(PlanError, match="no wand is given"):
        planned(box((0.3, 0.2, 0.2)), wands=[])


def test_a_sample_of_sides_keeps_the_area_of_every_bay():
    """Two bays of 1 and 3 m² sampled by 40: 10 and 30 samples of 0.1 m², whatever the sizes of the sides."""
    rng = np.random.default_rng(5)
    areas = rng.random(4000)
    bay = np.repeat([0, 1], 2000)
    areas[:2000] *= 1.0 / areas[:2000].sum()
    areas[2000:] *= 3.0 / areas[2000:].sum()
    sides, weight = plan.sample_sides(np.ones(4000, dtype=bool), areas, bay, 40)
    assert weight.sum() == pytest.approx(4.0)
    assert np.bincount(bay[sides], weight) == pytest.approx([1.0, 3.0])
