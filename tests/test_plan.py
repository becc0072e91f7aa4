"""Plan: boxes with a known answer, the words of the statement, the order of work."""

import itertools
import math
import re
from types import SimpleNamespace

import numpy as np
import pytest
from specimens import box, mended, moved, rectangle, rib, ribbed_box, ring, sheet

from bayreach import cover, holes, plan
from bayreach.bays import find_bays
from bayreach.deposit.direct import air_of
from bayreach.errors import PlanError
from bayreach.insertion import space_of
from bayreach.measure import side_areas
from bayreach.passes import Kept
from bayreach.rays import Scene
from bayreach.repair import subdivided
from bayreach.tips import Tip
from bayreach.wands import Wand, arc_piece, straight_piece

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
        drilling=plan.Drilling(most_sites=8, zones=zones) if drilling is True else drilling or None,
        **({"seconds": 3.0} | given),
    )


def sealed_after(mesh, share):
    bays = find_bays(mesh)
    areas = side_areas(bays.mesh)
    return plan.holes_anywhere(bays, bays.side_bay >= 0, areas, share)


def ported(size, ports, diameter=0.05, inner=()):
    """Return a box with round ports at (y, z) in its end x = 0, and inner walls."""
    rings = [ring(port, diameter) for port in ports]
    end = sheet(rectangle(size[1], size[2]), rings, ([0, 0, 0], [0, 1, 0], [0, 0, 1]), "end")
    whole = box(size)
    rest = whole.of_faces(whole.corners[:, :, 0].mean(axis=1) > 1e-9)
    return mended(end, rest, *inner)


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


def test_a_straight_duct_needs_one_pass_and_no_hole():
    """A duct with a port in its end: one pull along its middle wets all of it but the end round the port."""
    found = planned(ported((0.4, 0.1, 0.1), [(0.05, 0.05)]), share=0.9, drilling=False)
    assert (found.new_holes, found.met, len(found.passes)) == (0, True, 1)
    assert found.statement == "0 new holes: the openings are enough."
    only = found.passes[0].candidate
    assert abs(only.aim[0]) > 0.8
    assert found.no_drill_coverage == found.coverage


def u_bay():
    """Return two legs of 0.1 m joined at the far end behind a wall 0.5 m long, a port to each leg."""
    wall = sheet(rectangle(0.5, 0.1), [], ([0, 0.1, 0], [1, 0, 0], [0, 0, 1]), "wall")
    return ported((0.6, 0.2, 0.1), [(0.05, 0.05), (0.15, 0.05)], inner=[wall])


def test_a_u_shaped_bay_needs_both_its_openings_for_a_straight_wand():
    """With one port shut the leg behind the wall is seen only through the bend; with both all is wet."""
    bays = find_bays(subdivided(u_bay(), 0.08).mesh)
    names = [opening.name for opening in bays.openings]
    assert len(names) == 2
    both = planned(u_bay(), share=0.9, drilling=False)
    assert both.met
    assert {one.candidate.opening for one in both.passes} == set(names)
    one = planned(u_bay(), share=0.9, drilling=False, closed=(names[1],))
    assert not one.met
    assert one.attainable < 0.9
    assert {used.candidate.opening for used in one.passes} == {names[0]}
    # What is left short is told for what it is: nobody says that a target is met which is not.
    assert one.missed.area_by_reason()
    assert not any("the target is met" in reason for reason in one.missed.area_by_reason())


def test_a_u_shaped_bay_needs_one_opening_for_a_bent_wand():
    """A hook of 60 mm in legs of 100 mm: let in cornerwise and turned behind the wall, it sprays both."""
    name = next(opening.name for opening in find_bays(u_bay()).openings)
    bend = (arc_piece(0.02, math.pi / 2), straight_piece(0.04))
    hook = Wand(name="hook", shape="bent", length=0.64, diameter=0.006, tip=BALL, pieces=bend)
    alone = planned(u_bay(), share=0.9, drilling=False, closed=(name,), wands=[hook], edge=0.1)
    assert alone.met
    (opening,) = {one.candidate.opening for one in alone.passes}
    at_port = 0.05 if "y50" in opening else 0.15
    tips = np.concatenate([one.candidate.tip_path.points for one in alone.passes])
    assert (np.sign(tips[:, 1] - 0.1) != np.sign(at_port - 0.1)).any()


def test_hands_that_allow_one_pass_an_opening_are_not_asked_for_more():
    found = planned(
        u_bay(), share=0.7, drilling=False, limits=cover.Limits(passes_per_entry=1), most_paths=6, edge=0.1
    )
    names = [one.candidate.opening for one in found.passes]
    assert len(names) == len(set(names))


@pytest.mark.parametrize(("share", "holes"), [(0.05, 1), (0.6, 2), (1.0, 3)])
def test_sealed_boxes_bound_the_holes_wherever_they_are(share, holes):
    """Three equal boxes, all shut: a twentieth of the area needs one hole, 0.6 two, all of it three."""
    three = mended(*(moved(box((0.1, 0.1, 0.1)), [0, 0.3 * k, 0]) for k in range(3)))
    assert sealed_after(three, share) == holes


def test_an_open_box_gives_no_bound_for_any_location():
    assert sealed_after(ported((0.4, 0.1, 0.1), [(0.05, 0.05)]), 1.0) == 0


def test_lower_openings_come_first_and_of_one_wand_the_deepest_pull():
    """Two ports, one above the other with a shelf between: the lower bay is done first."""
    shelf = sheet(rectangle(0.3, 0.1), [], ([0, 0, 0.2], [1, 0, 0], [0, 1, 0]), "shelf")
    tall = ported((0.3, 0.1, 0.4), [(0.05, 0.1), (0.05, 0.3)], inner=[shelf])
    found = planned(tall, share=0.95, drilling=False)
    heights = [one.candidate.tip_path.points[:, 2].mean() for one in found.passes]
    openings = [one.candidate.opening for one in found.passes]
    assert len(set(openings)) == 2
    first = openings[0]
    changes = sum(a != b for a, b in itertools.pairwise(openings))
    assert changes == 1
    low = np.mean([h for h, o in zip(heights, openings, strict=True) if o == first])
    assert low < np.mean([h for h, o in zip(heights, openings, strict=True) if o != first])


def test_columns_are_kept_and_a_second_plan_is_the_same():
    """The second plan finds every column kept and answers alike."""
    kept = Kept()
    first = planned(ported((0.4, 0.1, 0.1), [(0.05, 0.05)]), share=0.9, drilling=False, kept=kept)
    known = len(kept)
    assert known > 0
    again = planned(ported((0.4, 0.1, 0.1), [(0.05, 0.05)]), share=0.9, drilling=False, kept=kept)
    assert len(kept) == known
    assert (first.objective, first.coverage) == (again.objective, again.coverage)


def test_sides_found_short_by_a_simulation_are_planned_on_each_for_itself():
    """Of 1000 sides of 10 cm² sampled by 50 three are short: each keeps its area, the rest 0.997 m²."""
    required, areas, bay = np.ones(1000, dtype=bool), np.full(1000, 1e-3), np.zeros(1000, dtype=int)
    sides, weight = plan.sample_sides(required, areas, bay, 50)
    assert 29 in sides
    more, own = plan.with_short(
        sides, weight, np.array([3, 29, 777]), required=required, areas=areas, side_bay=bay
    )
    assert set(sides.tolist()) | {3, 777} == set(more.tolist())
    assert own[np.isin(more, [3, 29, 777])] == pytest.approx([1e-3, 1e-3, 1e-3])
    assert own.sum() == pytest.approx(1.0)
    assert own[more == sides[0]] == pytest.approx(0.997 / 49)


def test_a_changed_keep_out_moves_no_sample():
    """A tenth of the sides need no film any more: the samples of the others stay where they were."""
    rng = np.random.default_rng(3)
    areas, bay = rng.random(5000), np.repeat([0, 1], 2500)
    before, _ = plan.sample_sides(np.ones(5000, dtype=bool), areas, bay, 400)
    required = np.ones(5000, dtype=bool)
    required[1000:1500] = False
    after, weight = plan.sample_sides(required, areas, bay, 400)
    assert set(after.tolist()) == {side for side in before.tolist() if required[side]}
    assert np.bincount(bay[after], weight) == pytest.approx(np.bincount(bay[required], areas[required]))


def test_more_sites_are_looked_for_near_what_none_of_the_first_reaches():
    """Three sealed boxes and room for one candidate: the shadow of two boxes brings candidates to them."""
    three = mended(*(moved(box((0.3, 0.2, 0.2)), [0, 0.6 * k, 0]) for k in range(3)))
    bays = find_bays(subdivided(three, 0.08).mesh)
    drilling = plan.Drilling(most_sites=1, spacing=0.3)
    found = planned(three, share=0.9, drilling=drilling)
    assert len({hole.site.bay for hole in found.holes}) == len(bays.bays) == 3
    assert found.n_sites > 1
    names = [hole.opening.name for hole in found.holes]
    assert len(set(names)) == 3


def test_what_is_looked_at_coarsely_is_said():
    """A skin of 0.32 m² with one candidate a side of 0.57 m: more than 400 mm apart, and that is told."""
    found = planned(box((0.3, 0.2, 0.2)), share=0.5, drilling=plan.Drilling(most_sites=1))
    assert any("candidate holes stand 566 mm apart" in words for words in found.said)
    assert planned(box((0.3, 0.2, 0.2)), share=0.5).said == ()


def pass_at(opening, name, height, deepest):
    """Return a planned pass with nothing but what the order of work asks for."""
    path = SimpleNamespace(points=np.array([[0.0, 0.0, height]]))
    one = SimpleNamespace(
        opening=opening, wand=SimpleNamespace(name=name), tip_path=path, deepest=deepest, clock=0.0
    )
    return SimpleNamespace(candidate=one)


def test_no_order_of_wands_at_the_openings_changes_wands_less_often():
    """Against every order of wands at three openings one above the other, on forty random sets of wands."""
    rng = np.random.default_rng(8)
    for _ in range(40):
        sets = [rng.choice(list("abc"), size=rng.integers(1, 4), replace=False).tolist() for _ in range(3)]
        passes = [
            pass_at(f"o{place}", name, 0.2 * place, rng.random())
            for place, names in enumerate(sets)
            for name in names
        ]
        rng.shuffle(passes)
        ordered = plan.in_order(passes, np.array([0.0, 0.0, -1.0]))
        assert [one.candidate.opening for one in ordered] == sorted(one.candidate.opening for one in ordered)
        words = [one.candidate.wand.name for one in ordered]
        fewest = min(
            sum(one != other for one, other in itertools.pairwise(itertools.chain(*orders)))
            for orders in itertools.product(*(itertools.permutations(names) for names in sets))
        )
        assert sum(one != other for one, other in itertools.pairwise(words)) == fewest


def test_the_clock_counts_masks_set_ups_aims_pulls_refills_and_drains_in_that_order():
    """A tank of 1 L: 0.6 L and 0.6 L need one refill; then 2.5 L with 0.4 L left lack 2.1 L, three refills.

    Seconds: masks 2 x 120; opening 60, wand 30, aim 20 + 10; refill 300, aim 20 + 10; wand 30, three
    refills, 20 + 50; drain 60.
    """
    pulled = [
        plan.Pulled(opening="port", wand="a", seconds=10.0, liquid=0.6e-3),
        plan.Pulled(opening="port", wand="a", seconds=10.0, liquid=0.6e-3),
        plan.Pulled(opening="port", wand="b", seconds=50.0, liquid=2.5e-3),
    ]
    steps = plan.steps_of(pulled, masks=["lamp", "hose"], drains=["sump"], tank=1e-3)
    words = " ".join(step.kind for step in steps)
    assert words == "mask mask opening wand pass refill pass wand refill refill refill pass drain"
    assert [step.order for step in steps if step.kind == "pass"] == [1, 2, 3]
    assert steps[-1].start + steps[-1].seconds == pytest.approx(240 + 90 + 30 + 330 + 30 + 900 + 70 + 60)
    assert [step.start for step in steps] == pytest.approx(
        [0, *np.cumsum([step.seconds for step in steps])[:-1]]
    )
    assert steps[-1].left == pytest.approx(0.9e-3)  # 0.4 + 3 - 2.5 L
    assert steps[-1].liquid == pytest.approx(3.7e-3)
    assert all(step.left is None for step in plan.steps_of(pulled))


def test_a_shut_opening_and_a_limit_on_all_passes_are_kept():
    """With one of the two ports shut no pass goes through it; two passes in all are never exceeded."""
    bays = find_bays(u_bay())
    shut = next(opening.name for opening in bays.openings)
    found = planned(u_bay(), share=0.5, drilling=False, closed=(shut,), most_paths=6, edge=0.1)
    assert shut not in {one.candidate.opening for one in found.passes}
    two = cover.Limits(passes=2)
    few = planned(u_bay(), share=0.99, drilling=False, limits=two, most_paths=6, edge=0.1, seconds=0.3)
    assert 0 < len(few.passes) <= 2


@pytest.mark.parametrize("count", [2, 3])
def test_k_galleries_of_a_comb_need_k_holes(count):
    """A comb: galleries side by side behind a narrow hall, each tooth shut from the next by a wall.

    Chvatal's comb needs n/3 guards for n corners: each tooth's far end is seen from within that tooth alone.
    Here every tooth is a bay of its own on the hall, with a slot too narrow for the wand and too far to spray
    through, so each needs its own hole.
    """
    walls = []
    width = 0.15
    for k in range(1, count):
        walls.append(
            sheet(rectangle(0.5, 0.1), [], ([0.02, width * k, 0], [1, 0, 0], [0, 0, 1]), f"wall {k}")
        )
    comb = mended(box((0.52, width * count, 0.1), xs=[0.02]), *walls)
    short = Tip(pattern="forward", spread=2 * math.pi, flow=2e-6, throw=0.12)
    found = planned(comb, wands=[wand(0.4, tip=short)], share=0.93, need=2e-6, edge=0.06, seconds=1.0)
    ends = {int(hole.site.center[1] / width) for hole in found.holes}
    assert found.met
    assert found.new_holes == found.new_holes_bound == count
    assert ends == set(range(count))


def test_what_would_help_is_a_change_that_was_tried_or_a_place_that_was_refused():
    """A wand of 0.15 m does not get past the rib at 0.3 m: the change told is tried, about 0.3 m long.

    The whole skin is a keep-out, so the nearest place for a hole is told with that reason.
    """
    middle = rib(0.3, (0.6, 0.2, 0.2), [ring((0.1, 0.1), 0.05)])
    tube = ported((0.6, 0.2, 0.2), [(0.1, 0.1)], inner=[middle])
    zone = holes.Zone(name="tank", box=[[-1, -1, -1], [2, 1, 1]])
    ahead = Tip(pattern="forward", spread=0.5, flow=2e-6)
    found = planned(tube, wands=[wand(0.15, tip=ahead)], share=0.95, zones=(zone,))
    far = [one for one in found.shortfalls if one.reason == "no wand fits"]
    assert far
    length = re.search(r"wand through .* gets in with length 150\.0 mm -> (\d+\.\d) mm", far[0].helps)
    assert length
    assert 300.0 < float(length[1]) < 320.0
    assert re.search(r"the nearest place refused for a hole lies \d+ mm off: keep-out tank", far[0].helps)
    hidden = [one for one in found.shortfalls if one.reason.startswith("hidden")]
    assert hidden
    assert re.search(
        r"no pose of a tip looked from sees it|a tip sees \d+ % of it, at best from", hidden[0].helps
    )


def test_more_wands_openings_or_places_never_need_more_holes_and_a_tighter_target_never_fewer():
    """Two shut boxes and one with a port: a third, 0.6 and 0.9 of all need 0, 1 and 2 holes.

    Each thing added leaves the count of holes or lowers it.
    """
    duct = ported((0.3, 0.2, 0.2), [(0.1, 0.1)])
    shut = [moved(box((0.3, 0.2, 0.2)), [0, 0.6 * k, 0]) for k in (1, 2)]
    three = mended(duct, *shut)
    name = next(one.name for one in find_bays(three).openings)

    def holes_of(share=0.9, **given):
        found = planned(three, share=share, edge=0.1, seconds=1.0, **given)
        assert found.met
        return found.new_holes

    thin = wand(0.5, name="thin")
    closed = holes_of(closed=(name,))
    plain = holes_of()
    more = holes_of(wands=[wand(), thin], drilling=plan.Drilling(most_sites=16))
    assert (closed, plain, more) == (3, 2, 2)
    assert [holes_of(0.3), holes_of(0.6), plain] == [0, 1, 2]
