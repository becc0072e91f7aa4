"""The whole order: mesh, bays, passes, film, ledger, plan, answer."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from boxjob import BOX_JOB, write_box_job
from small_job import small_job

from bayreach import film, run
from bayreach.demo import write_demo
from bayreach.errors import JobError
from bayreach.job import KeepOut, Obstacle, Supply, Work, WrittenPass, load_job
from bayreach.measure import side_areas
from bayreach.outcome import FILMS_FILE, films_from, to_json
from bayreach.passes import KEPT_FILE, Kept, kept_from
from bayreach.run import site_of, written_pulls
from bayreach.run._answer import shares_of
from bayreach.run._asked import asked_of
from bayreach.run._wetting import wetting

pytestmark = pytest.mark.usefixtures("brief_search")


@pytest.fixture(scope="module")
def job_path(tmp_path_factory):
    return small_job(tmp_path_factory.mktemp("job"))


@pytest.fixture(scope="module")
def sprayed(job_path):
    return run.spray(load_job(job_path))


def test_measure_tells_the_closed_form_of_a_box(job_path):
    """A box of 600 x 400 x 300 mm: 2 (0.24 + 0.18 + 0.12) = 1.08 m² and 0.072 m³; sealed, so no opening."""
    measured = run.measure(job_path.parent / "meshes" / "box.stl", "mm")
    (bay,) = measured.bays
    assert bay.area_m2 == pytest.approx(1.08, rel=1e-9)
    assert bay.volume_m3 == pytest.approx(0.072, rel=1e-9)
    assert bay.sealed
    assert measured.openings == ()
    assert "bay 1 is sealed: no wand can enter it." in measured.warnings


def test_every_drop_of_a_spray_is_accounted_for(sprayed):
    """Sprayed = direct + settled + uncredited + suspended + escaped + elsewhere, within a millionth.

    The pull of 0.5 m at 50 mm/s takes 10 s; 200 mL/min for 10 s is 33.33 mL.
    """
    liquid = sprayed.outcome.liquid
    assert liquid.sprayed_m3 == pytest.approx(200e-6 / 60 * 10.0, rel=1e-12)
    told = liquid.direct_m3 + liquid.settled_m3 + liquid.uncredited_m3 + liquid.suspended_m3
    told += liquid.escaped_m3 + liquid.elsewhere_m3
    assert told == pytest.approx(liquid.sprayed_m3, rel=1e-6)


def told_of(entry) -> float:
    """Return the liquid in m³ that a record of a pass or of a whole result accounts for."""
    told = entry.direct_m3 + entry.settled_m3 + entry.uncredited_m3
    return told + entry.suspended_m3 + entry.escaped_m3 + entry.elsewhere_m3


def test_every_pass_of_a_result_accounts_for_its_liquid_and_all_for_the_whole(sprayed):
    outcome = sprayed.outcome
    for told in outcome.passes:
        assert told_of(told.fate) == pytest.approx(told.liquid_m3, rel=1e-6)
        assert abs(told.fate.direct_corrected_m3) < 0.01 * told.fate.direct_m3
        assert 0.0 < told.fate.error < 0.1
    assert told_of(outcome.liquid) == pytest.approx(outcome.liquid.sprayed_m3, rel=1e-6)
    for name in ("direct_m3", "settled_m3", "escaped_m3", "suspended_m3", "direct_corrected_m3"):
        whole = sum(getattr(told.fate, name) for told in outcome.passes)
        assert getattr(outcome.liquid, name) == pytest.approx(whole, rel=1e-9, abs=1e-18)


def test_a_result_whose_pass_loses_liquid_is_not_told(job_path, monkeypatch):
    # A mechanism that loses a thousandth on its way.
    lossy = property(lambda column: 0.999 * float(column.direct @ column.areas))
    monkeypatch.setattr(film.Column, "landed", lossy)
    with pytest.raises(film.LedgerError, match="unaccounted for"):
        run.spray(load_job(job_path))


def test_the_error_of_direct_film_is_told_for_every_side_that_has_any(sprayed):
    """In the film's own terms: some per cent of it, and in all more than the error that is to be expected."""
    sides = sprayed.sides
    error, film = np.asarray(sides.extra["direct_error_um"]) * 1e-6, sides.direct
    assert (error[film > 0] > 0).all()
    assert (error[film == 0] == 0).all()
    areas = side_areas(sides.mesh)
    expected = sprayed.outcome.inputs.settings["film_error_estimated"]
    assert expected * (film @ areas) < error @ areas < 0.2 * (film @ areas)


def test_the_areas_of_a_bay_add_up_to_what_is_required(sprayed):
    """Covered + low + dry = required, where covered counts heavy film too."""
    (bay,) = sprayed.outcome.bays
    assert bay.covered_m2 + bay.low_m2 + bay.dry_m2 == pytest.approx(bay.required_m2, rel=1e-9)
    assert bay.direct_m2 + bay.settled_only_m2 == pytest.approx(bay.covered_m2, rel=1e-9)


def test_film_times_area_is_the_direct_liquid(sprayed):
    """Dry film is half the wet film (volume solids 0.5): 2 Σ film area = the ledger's direct liquid."""
    sides = sprayed.sides
    inside = sides.side_bay >= 0
    areas = np.repeat(0.5 * np.linalg.norm(_twice_area(sides.mesh), axis=1), 2)
    wet = 2.0 * float((sides.direct * areas)[inside].sum())
    assert wet == pytest.approx(sprayed.outcome.liquid.direct_m3, rel=1e-6)


def _twice_area(mesh):
    edge = mesh.corners[:, 1:] - mesh.corners[:, :1]
    return np.cross(edge[:, 0], edge[:, 1])


def test_the_films_of_the_passes_kept_beside_a_result_build_up_to_its_film(sprayed):
    """Kept in steps of a 65,535th of the thickest film of the pass; without run-off they sum to all film."""
    n = sprayed.sides.mesh.n_sides
    films = films_from(sprayed.files[FILMS_FILE], n)
    assert len(films) == len(sprayed.outcome.passes)
    whole = sum(one.dense(n) for one in films)
    assert whole == pytest.approx(sprayed.sides.film, abs=0.6 * sprayed.sides.film.max() / 65535)


def test_the_same_job_gives_the_same_bytes(job_path, sprayed):
    """Same input, same answer, to the last digit."""
    assert to_json(run.spray(load_job(job_path)).outcome) == to_json(sprayed.outcome)


def test_twice_the_pulls_lay_twice_the_film(job_path, sprayed):
    """Film is linear in the number of pulls."""
    job = load_job(job_path)
    twice = run.spray(replace(job, passes=(replace(job.passes[0], count=2),)))
    np.testing.assert_allclose(twice.sides.direct, 2.0 * sprayed.sides.direct, rtol=1e-12)


def test_a_pass_too_deep_for_its_wand_is_not_sprayed_and_said(job_path):
    """The wand is 700 mm long, the box 600 mm: 650 mm deep is through the far wall."""
    job = load_job(job_path)
    deep = run.spray(replace(job, passes=(*job.passes, replace(job.passes[0], deepest=0.65))))
    assert len(deep.outcome.passes) == 1
    (said,) = [warning for warning in deep.outcome.warnings if warning.startswith("Not sprayed")]
    assert 'wand "long" through "port"' in said
    # the flat end of the tip keeps 0.5 mm clear of the wall at 600 mm: 599.5 mm, 50.5 mm short of 650 mm
    assert "stops 600 mm in, its tip on box, 50 mm short of what is asked" in said


def test_a_job_without_passes_is_refused(job_path):
    with pytest.raises(JobError, match=r"there is no \[\[pass\]\] to spray"):
        run.spray(replace(load_job(job_path), passes=()))


def test_a_pass_through_an_unknown_opening_is_refused_with_the_nearest_name(job_path):
    job = load_job(job_path)
    wrong = replace(job.passes[0], opening="prot")
    with pytest.raises(JobError, match=r'pass 1: no opening is called "prot".*Did you mean "port"\?'):
        run.spray(replace(job, passes=(wrong,)))


def test_a_plan_of_one_open_box_needs_no_hole_and_its_spray_agrees(job_path):
    """A plan re-simulated pass by pass gives the coverage that the plan was verified to have."""
    job = load_job(job_path)
    job = replace(job, target=replace(job.target, coverage=0.5))
    planned = run.plan(job)
    plan = planned.outcome.plan
    assert plan is not None
    assert (plan.new_holes, plan.new_holes_bound) == (0, 0)
    assert plan.statement.startswith("0 new holes")
    assert planned.outcome.coverage.met
    assert "certificate.json" in planned.files
    again = run.spray(replace(job, passes=written(planned)))
    assert len(again.outcome.passes) == len(planned.outcome.passes)
    assert again.outcome.coverage.fraction == pytest.approx(planned.outcome.coverage.fraction, abs=1e-9)
    assert again.outcome.liquid.sprayed_m3 == pytest.approx(planned.outcome.liquid.sprayed_m3, rel=1e-9)


def test_a_plan_with_a_tip_that_answers_a_second_late_is_sprayed_as_it_was_planned(job_path):
    """Columns, verification and a spray of the plan's own passes follow one law of lag, rise and fall."""
    job = load_job(job_path)
    (wand,) = job.wands
    late = replace(wand, lag=1.0, rise=0.3, fall=0.2)
    job = replace(job, wands=(late,), target=replace(job.target, coverage=0.9), work=Work(passes=1))
    planned = run.plan(job)
    assert planned.outcome.coverage.met
    # A plan counts on no more than comes about, and on little less.
    predicted = said_percent(planned, "Coverage predicted ")
    verified = 100.0 * planned.outcome.coverage.fraction
    assert verified - 3.0 < predicted < verified + 0.5
    again = run.spray(replace(job, passes=written(planned)))
    assert again.outcome.coverage.fraction == pytest.approx(planned.outcome.coverage.fraction, abs=1e-9)
    assert again.outcome.liquid.sprayed_m3 == pytest.approx(planned.outcome.liquid.sprayed_m3, rel=1e-9)


def test_a_plan_with_run_off_foresees_what_cannot_stay(job_path):
    """What is predicted comes about; sides that keep too little by Jeffreys' law are told, not planned on."""
    job = load_job(job_path)
    # 4 um dry of half solids is 8 um wet; 12 mPa s after 1 h: sqrt(nu z / (g t)) = 11 um at the foot.
    job = replace(
        job,
        target=replace(job.target, film_min=4e-6, coverage=0.95),
        film=replace(job.film, mechanisms=frozenset({"direct", "run_off"}), drain_time=3600.0, edge=0.05),
    )
    result = run.plan(job)
    predicted = said_percent(result, "Coverage predicted ")
    verified = 100.0 * result.outcome.coverage.fraction
    assert 20.0 < verified < 90.0
    assert predicted == pytest.approx(verified, abs=3.0)
    assert any("cannot hold the film asked" in line for line in result.outcome.warnings)
    (short,) = (one for one in result.outcome.plan.shortfalls if one.reason.startswith("cannot hold"))
    sides = result.sides
    names = np.array(sides.names["reason_names"])
    code = np.asarray(sides.extra["reason"])
    never = (code >= 0) & (names[code] == "cannot hold the film asked: it runs off")
    assert side_areas(sides.mesh)[never].sum() == pytest.approx(short.area_m2, rel=0.02)
    assert short.helps == "a thicker liquid, or less film asked"


def test_what_a_plan_asks_of_a_side_is_what_stays_enough_on_it_on_the_demos_control_surface(tmp_path):
    """With run-off on, each required side that got what is asked of it keeps its least film, and no other."""
    write_demo(tmp_path, quick=True)
    job = load_job(tmp_path / "control_surface.toml")
    mechanisms = frozenset({"direct", "settled", "run_off"})
    job = replace(
        job,
        passes=tuple(replace(one, count=3) for one in job.passes),
        film=replace(job.film, mechanisms=mechanisms, error=0.2),
    )
    site = run.site_of(job)
    pulls, _ = written_pulls(site)
    wet = wetting(site, pulls, lambda stage, share: None)
    asked, shares = asked_of(site), shares_of(site, wet)
    predicted = asked.required & (wet.film.total >= asked.need * (1 + 1e-9))
    assert (shares.covered[predicted]).all()
    nearly = asked.required & (wet.film.total >= asked.need * (1 - 1e-9))
    assert (nearly[shares.covered]).all()
    # Not all that came stays: without foresight a plan would promise a tenth of the area more.
    came = asked.required & (wet.film.total >= job.target.film_min / site.wet_share + site.uptake)
    areas = site.side_areas
    assert areas[came].sum() > areas[predicted].sum() + 0.1 * areas[asked.required].sum()
    assert 0.2 * areas[asked.required].sum() < areas[predicted].sum()


def said_percent(result, start):
    """Return the first percentage of the warning that begins with `start`."""
    (line,) = (line for line in result.outcome.warnings if line.startswith(start))
    return float(line.removeprefix(start).split(" %")[0])


def written(planned):
    """Return the passes of a plan as a job writes them."""
    return tuple(
        WrittenPass(
            wand=row.wand,
            opening=row.opening,
            aim=np.array(row.aim),
            entry=np.array(row.entry_m),
            clock=np.radians(row.clock_deg),
            deepest=row.from_m,
            shallowest=row.to_m,
            count=row.count,
            pull_speed=row.pull_speed_m_s,
        )
        for row in planned.outcome.passes
    )


@pytest.fixture(scope="module")
def kept_file(job_path, tmp_path_factory, brief_search):
    """Return the columns that a plan of the small box left in its folder."""
    job = load_job(job_path)
    path = tmp_path_factory.mktemp("kept") / KEPT_FILE
    path.write_bytes(run.plan(replace(job, target=replace(job.target, coverage=0.5))).files[KEPT_FILE])
    return path


def test_a_changed_wand_replans_with_the_columns_kept_and_answers_as_from_scratch(job_path, kept_file):
    """A second wand joins: only its columns are worked out, and the plan is the one made from scratch."""
    job = load_job(job_path)
    job = replace(job, target=replace(job.target, coverage=0.5))
    kept = kept_from(kept_file)
    first = len(kept)
    thin = replace(job.wands[0], name="thin", diameter=0.004, tip=replace(job.wands[0].tip, spread=1.0))
    both = replace(job, wands=(*job.wands, thin))
    again = run.plan(both, kept=kept)
    fresh = Kept()
    scratch = run.plan(both, kept=fresh)
    assert first < len(fresh) == len(kept)
    assert again.outcome.passes == scratch.outcome.passes
    assert again.outcome.coverage == scratch.outcome.coverage
    assert again.files[KEPT_FILE] == scratch.files[KEPT_FILE]


def test_a_keep_out_declared_later_replans_without_a_new_column(job_path, kept_file):
    """Sides that must not be wet leave the plan; what is known of the others is enough."""
    job = load_job(job_path)
    job = replace(job, target=replace(job.target, coverage=0.5))
    kept = kept_from(kept_file)
    known = set(kept.lit)
    lamp = KeepOut(name="lamp", no="spray", box=np.array([[0.55, -0.01, -0.01], [0.61, 0.2, 0.2]]))
    found = run.plan(replace(job, keep_outs=(lamp,)), kept=kept)
    assert set(kept.lit) == known
    assert len(kept.sets) == 1
    assert [mask.name for mask in found.outcome.masks] == ["lamp"]


def test_a_plan_found_short_is_made_again_with_what_the_simulation_showed(job_path, monkeypatch):
    """Columns told half as thick again promise too much: the next round asks for more, and gets it."""
    from bayreach.run import _plan

    def flattering(*args, **given):
        board = plain_board(*args, **given)
        return replace(board, columns=replace(board.columns, direct=1.5 * board.columns.direct, settled=None))

    def watched(*args):
        found.append(plain_check(*args))
        return found[-1]

    plain_board, plain_check, found = _plan.board_of, _plan.verified, []
    monkeypatch.setattr(_plan, "board_of", flattering)
    monkeypatch.setattr(_plan, "verified", watched)
    job = load_job(job_path)
    planned = run.plan(replace(job, target=replace(job.target, coverage=0.98)))
    assert [one.coverage.met for one in found] == [False, True]
    assert planned.outcome.coverage.met
    # What is proven is said of the columns and the target as asked, not of what was aimed at on top.
    assert planned.outcome.plan.new_holes_bound == 0


def test_hands_and_shop_allow_what_the_job_says(job_path, sprayed):
    """One pass at most; a wand not on hand and a shut opening are not used; fillings of a tank of 5 mL."""
    job = load_job(job_path)
    job = replace(job, target=replace(job.target, coverage=0.3), supply=Supply(tank=5e-6))
    thin = replace(job.wands[0], name="thin", diameter=0.004)
    both = replace(job, wands=(thin, *job.wands), work=Work(wands=("long",), passes=1))
    found = run.plan(both).outcome
    assert {row.wand for row in found.passes} == {"long"}
    assert len(found.passes) == 1
    work = found.work
    assert work.liquid_m3 == pytest.approx(found.liquid.sprayed_m3)
    assert work.refills == math.ceil(work.liquid_m3 / 5e-6 - 1e-9) - 1
    assert [step.kind for step in work.steps][:2] == ["opening", "wand"]
    with pytest.raises(JobError, match=r'\[work\] not_through: no opening is called "prot".*"port"\?'):
        run.plan(replace(job, work=Work(not_through=("prot",))))
    shut = run.plan(replace(job, work=Work(not_through=("port",)))).outcome
    assert (shut.passes, shut.coverage.met, shut.work.steps) == ((), False, ())


def test_what_can_be_checked_is_a_class_of_its_own_with_the_fewest_looks(job_path):
    """Covered and checkable + covered and not = covered; the looks named see nearly all that can be seen."""
    job = load_job(job_path)
    found = run.plan(replace(job, target=replace(job.target, coverage=0.5)))
    checks, coverage = found.outcome.checks, found.outcome.coverage
    both = checks.covered_checkable_m2 + checks.covered_not_checkable_m2
    assert both == pytest.approx(coverage.covered_m2, rel=1e-9)
    assert [tool.kind for tool in checks.tools] == ["eye", "mirror", "finger", "borescope"]
    assert sum(tool.first_m2 for tool in checks.tools) == pytest.approx(checks.checkable_m2)
    assert checks.checkable_m2 == pytest.approx(sum(bay.checkable_m2 for bay in found.outcome.bays))
    assert 0 < checks.looks_bound <= len(checks.looks)
    assert {look.opening for look in checks.looks} == {"port"}
    assert sum(look.sees_m2 for look in checks.looks) >= 0.999 * checks.checkable_m2


def test_reach_names_the_wand_that_fits(job_path):
    """A 6 mm wand goes through a 60 mm port of a box 600 mm long, and stops at the far wall."""
    (row,) = run.reach(load_job(job_path))
    assert row.fits
    assert row.bays_reached == ("bay 1",)
    assert 0.55 < row.depth_m <= 0.7
    with pytest.raises(JobError, match='no wand is called "short"; it has long'):
        run.reach(load_job(job_path), wand="short")


def test_results_say_that_a_hole_is_a_candidate(job_path):
    """Every plan carries the cautions about holes; no output says the word that nobody may promise."""
    outcome = run.plan(load_job(job_path)).outcome
    assert any("candidate, not approved data" in caution for caution in outcome.cautions)
    assert "safe" not in to_json(outcome).lower().replace("safety", "")


def test_the_path_of_the_job_stays_out_of_the_answer(job_path, sprayed):
    """A result can be handed on: it names no folder of the machine it was made on."""
    assert str(Path(job_path).parent) not in to_json(sprayed.outcome)


def test_a_plate_before_the_tip_is_named_as_what_hides_the_wall_behind_it(tmp_path):
    """A plate hangs 100 mm short of the far wall: the wall's sides are hidden, the plate in the way."""
    path = small_job(tmp_path)
    mesh = tmp_path / "meshes" / "box.stl"
    plate = [(500, 20, 20), (500, 380, 20), (500, 380, 280), (500, 20, 280)]
    lines = mesh.read_text().rsplit("endsolid box", 1)[0].splitlines()
    for face in ((0, 1, 2), (0, 2, 3)):
        lines += ["facet normal 0 0 0", "outer loop"]
        lines += ["vertex {} {} {}".format(*plate[corner]) for corner in face]
        lines += ["endloop", "endfacet"]
    mesh.write_text("\n".join([*lines, "endsolid box", ""]))
    job = load_job(path)
    forward = replace(job.wands[0], tip=replace(job.wands[0].tip, pattern="forward"))
    near = replace(job.passes[0], deepest=0.1, shallowest=0.05)
    answer = run.spray(replace(job, wands=(forward,), passes=(near,)))
    sides = answer.sides
    behind = (sides.mesh.corners.mean(axis=1)[:, 0] > 0.599).repeat(2) & (sides.side_bay == 0)
    words = sides.names["reason_names"]
    said = {words[code] for code in sides.extra["reason"][behind]}
    # the cone of 30 degrees about the axis is 288 mm wide at the wall, whose corners are 250 mm off
    assert said == {"hidden from every pass"}
    blockers = sides.extra["hidden_by"][behind]
    hiding = sides.mesh.corners.mean(axis=1)[blockers[blockers >= 0], 0]
    assert np.allclose(hiding, 0.5)


def test_an_obstacle_outside_leaves_no_room_for_the_wand(job_path):
    """A jack stands 100 mm before the port: 300 mm deep, 400 mm of the wand would be in it."""
    job = load_job(job_path)
    jack = Obstacle(name="jack", box=np.array([[-0.2, 0.1, 0.05], [-0.1, 0.3, 0.25]]))
    shallow = replace(job.passes[0], deepest=0.3)
    assert len(run.spray(replace(job, passes=(shallow,))).outcome.passes) == 1
    refused = run.spray(replace(job, passes=(shallow,), obstacles=(jack,))).outcome
    assert refused.passes == ()
    assert any("no room outside port" in warning and "jack" in warning for warning in refused.warnings)


def test_a_mask_is_placed_on_its_wettest_side(job_path):
    """Film on the floor of the box is thickest somewhere on it: the mask's place is there, at z = 0."""
    job = load_job(job_path)
    floor = np.array([[-0.001, -0.001, -0.001], [0.601, 0.401, 0.001]])
    result = run.spray(replace(job, keep_outs=(KeepOut(name="floor", no="spray", box=floor),)))
    (mask,) = result.outcome.masks
    assert mask.touched
    sides = result.sides
    centers = np.repeat(sides.mesh.corners.mean(axis=1), 2, axis=0)
    floor_sides = np.flatnonzero((sides.side_bay >= 0) & (np.abs(centers[:, 2]) < 1e-6))
    wettest = floor_sides[sides.film[floor_sides].argmax()]
    assert mask.center_m == pytest.approx(centers[wettest], abs=1e-9)


@pytest.mark.parametrize(("rise", "fall", "full"), [(2.0, 1.0, 8.5), (12.0, 8.0, 2.5), (0.0, 0.0, 10.0)])
def test_a_flow_that_grows_and_dies_sprays_less_and_wets_the_ends_less(job_path, rise, fall, full):
    """Of 10 s: 10 - (2 + 1) / 2 s of full flow; ramps of 20 s in all meet at half flow, 10 x 0.5 / 2 s."""
    job = load_job(job_path)
    (wand,) = job.wands
    slow = replace(job, wands=(replace(wand, rise=rise, fall=fall),))
    result = run.spray(slow)
    assert result.outcome.liquid.sprayed_m3 == pytest.approx(200e-6 / 60 * full, rel=1e-9)
    assert told_of(result.outcome.liquid) == pytest.approx(result.outcome.liquid.sprayed_m3, rel=1e-6)


def test_a_side_that_got_enough_and_lost_it_again_says_that_it_ran_off(job_path):
    """Forty pulls lay more than 60 um on the walls; a thin liquid keeps far less on them (Jeffreys 1930)."""
    job = load_job(job_path)
    job = replace(
        job,
        passes=tuple(replace(one, count=40) for one in job.passes),
        target=replace(job.target, film_min=60e-6, film_max=float("inf")),
        film=replace(job.film, mechanisms=frozenset({"direct", "run_off"})),
    )
    result = run.spray(job)
    sides = result.sides
    names = np.array(sides.names["reason_names"])[np.asarray(sides.extra["reason"])]
    lost = (names == "cannot hold the film asked: it runs off") & (np.asarray(sides.extra["reason"]) >= 0)
    assert lost.any()
    assert (sides.film[lost] < 60e-6).all()
    assert any("what stays after run-off is less than asked" in line for line in result.outcome.warnings)


def test_a_written_pull_of_a_bent_wand_ends_where_it_is_told_to(tmp_path: Path) -> None:
    bent = 'shape = "bent"\nlength = "0.5 m"\npieces = [{arc = "20 deg", radius = "100 mm"}]'
    text = BOX_JOB.replace('shape = "straight"\nlength = "0.5 m"', bent).replace('"0.05 m"', '"0.0213 m"')
    (pull,), refused = written_pulls(site_of(load_job(write_box_job(tmp_path, text))))
    assert not refused
    assert pull.path.depths[[0, -1]] == pytest.approx([0.25, 0.0213], abs=1e-12)
    # The tip moves as the depth does, up to the very end.
    steps = np.linalg.norm(np.diff(pull.path.points, axis=0), axis=1)
    assert steps == pytest.approx(-np.diff(pull.path.depths), rel=0.02)
