"""Doubt: chances against closed forms, honest intervals, the same seed the same answer."""

import math
import os
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from boxjob import BOX_JOB, write_box_job
from scipy.special import ndtr

from bayreach.doubt import (
    FACTORS,
    DoubtError,
    Passable,
    PassVariants,
    SidesAsked,
    Tolerances,
    Variants,
    WandState,
    asked_of,
    doubt_at,
    doubt_folder,
    doubt_of,
    moved,
    normal_draws,
    pull_words,
    site_variants,
    stored_site,
    sure_plan,
    twin_draws,
    uniform_draws,
)
from bayreach.doubt._factors import POSE_FACTORS, TIP_FACTORS, seed_of
from bayreach.errors import JobError, StoreError
from bayreach.job import load_job
from bayreach.poses import stations_of, straight_path
from bayreach.run import Site, site_of, spray, written_pulls
from bayreach.store import read_result, reserved, write_result

ASKED = SidesAsked(areas=np.full(5, 0.2), needed=np.full(5, 1e-5), bays=np.zeros(5, dtype=np.int64))


def made_of(*passes: PassVariants) -> Variants:
    """Return variants without fog."""
    return Variants(passes=passes)


def steady_pass(film: list[float], *, wand: str = "ring", pulls: int = 1) -> PassVariants:
    """Return a pass whose film (1/m²) no error of the pose changes, at 1 mL a pull."""
    return PassVariants(
        sides=np.arange(len(film)),
        films=np.array(film).reshape(1, 1, -1),
        wand=wand,
        volume=1e-6,
        pulls=pulls,
    )


def test_pull_speed_alone_gives_the_normal_probability_integral() -> None:
    # Film f exp(-s z) >= need means z <= ln(f / need) / s: chance Phi(ln(f / need) / s).
    film = [8.0, 9.0, 10.0, 11.0, 14.0]
    spread = 0.15
    doubt = doubt_of(
        ASKED,
        lambda replicate: made_of(steady_pass(film)),
        Tolerances().only("pull_speed"),
        samples=4096,
        error=0.0,
    )
    exact = ndtr(np.log(np.array(film) / 10.0) / spread)
    assert doubt.chance == pytest.approx(exact, abs=2e-3)
    assert doubt.covered.mean() == pytest.approx(exact.mean(), abs=1e-3)
    assert doubt.matters["pull speed"] == pytest.approx(1.0, abs=0.02)
    assert doubt.matters["flow"] == pytest.approx(0.0, abs=0.1)


def test_flow_is_shared_by_passes_of_one_wand_and_not_by_two_wands() -> None:
    # Two equal passes, each half the film. One wand: the flows are one, spread s. Two wands: log-film's
    # spread falls towards s / sqrt(2), so a side at 1.1 times the need is surer.
    half = [5.5] * 5
    only = Tolerances(flow=0.15).only("flow")
    one = doubt_of(
        ASKED, lambda _: made_of(steady_pass(half), steady_pass(half)), only, samples=4096, error=0.0
    )
    two = doubt_of(
        ASKED,
        lambda _: made_of(steady_pass(half), steady_pass(half, wand="other")),
        only,
        samples=4096,
        error=0.0,
    )
    assert one.chance[0] == pytest.approx(ndtr(math.log(1.1) / 0.15), abs=3e-3)
    # Sum of two log-normals, by quadrature over the first: P(exp(s z) >= 2 / 1.1 - exp(s y)).
    nodes, weights = np.polynomial.hermite_e.hermegauss(200)
    rest = 2 / 1.1 - np.exp(0.15 * nodes)
    chance = np.where(rest > 0, 1 - ndtr(np.log(np.maximum(rest, 1e-300)) / 0.15), 1.0)
    assert two.chance[0] == pytest.approx(chance @ weights / weights.sum(), abs=4e-3)


def test_each_pull_of_a_pass_has_errors_of_its_own() -> None:
    # Two pulls at half the film each are surer than one pull at the whole, for a side a tenth above its need.
    only = Tolerances().only("pull_speed")
    twice = doubt_of(ASKED, lambda _: made_of(steady_pass([5.5] * 5, pulls=2)), only, samples=4096, error=0.0)
    once = doubt_of(ASKED, lambda _: made_of(steady_pass([11.0] * 5)), only, samples=4096, error=0.0)
    assert twice.chance[0] > once.chance[0] + 0.05


def test_exact_work_is_covered_for_certain_or_never() -> None:
    doubt = doubt_of(
        ASKED, lambda _: made_of(steady_pass([9, 10, 11, 12, 0])), Tolerances().only(), error=0.0
    )
    assert doubt.chance.tolist() == [0.0, 1.0, 1.0, 1.0, 0.0]
    assert doubt.sure_area(ASKED, 0.95) == pytest.approx(0.6)
    assert set(doubt.matters.values()) == {0.0}


def lateral_pass(offsets: np.ndarray, *, seed: int, poses: int = 16, spread: float = 1.0) -> PassVariants:
    """Return a jet over a plate: its spot wets what lies within 1 of where it lands."""
    errors = spread * normal_draws(poses, 1, seed=(seed,))[:, 0]
    wet = np.abs(offsets[None] - errors[:, None]) <= 1.0
    return PassVariants(sides=np.arange(len(offsets)), films=20.0 * wet[None], wand="ring", volume=1e-6)


def test_aim_error_across_an_edge_gives_the_normal_probability_integral_within_honest_intervals() -> None:
    # The side at x is wet when |x - e| <= 1, e standard normal: Phi(x + 1) - Phi(x - 1). In 95 % of seeds or
    # more the
    # interval must hold it; 40 seeds x 9 sides, each interval allowed 5 %: at most 31 misses by the 99.9 %
    # binomial.
    offsets = np.linspace(0.0, 3.2, 9)
    asked = SidesAsked(areas=np.ones(9), needed=np.full(9, 1e-5), bays=np.zeros(9, dtype=np.int64))
    exact = ndtr(offsets + 1) - ndtr(offsets - 1)
    misses = 0
    for seed in range(40):
        doubt = doubt_of(
            asked,
            lambda replicate, seed=seed: made_of(lateral_pass(offsets, seed=1000 * seed + replicate)),
            Tolerances().only("aim"),
            samples=1024,
            error=0.0,
            seed=seed,
        )
        misses += int(((exact < doubt.chance_low) | (exact > doubt.chance_high)).sum())
        assert np.abs(doubt.chance - exact).max() < 0.2
    assert misses <= 31


def test_the_error_bar_of_the_covered_share_holds_the_truth_in_95_percent_of_seeds() -> None:
    # Mean covered share of the same plate; 200 seeds, at most 5 % misses: 20 by the 99.9 % binomial limit.
    offsets = np.linspace(0.0, 3.2, 9)
    asked = SidesAsked(areas=np.ones(9), needed=np.full(9, 1e-5), bays=np.zeros(9, dtype=np.int64))
    exact = float((ndtr(offsets + 1) - ndtr(offsets - 1)).mean())
    misses = 0
    for seed in range(200):
        doubt = doubt_of(
            asked,
            lambda replicate, seed=seed: made_of(
                lateral_pass(offsets, seed=7000 * seed + replicate, poses=4)
            ),
            Tolerances().only("aim"),
            samples=1024,
            error=0.0,
            seed=seed,
        )
        misses += abs(doubt.covered.mean() - exact) > doubt.covered_error
    assert misses <= 20


def test_sampling_stops_when_the_stated_error_is_reached() -> None:
    def make(replicate: int) -> Variants:
        return made_of(lateral_pass(np.linspace(0, 3, 5), seed=replicate))

    loose = doubt_of(ASKED, make, Tolerances(), samples=8192, error=0.2)
    tight = doubt_of(ASKED, make, Tolerances(), samples=16384, error=0.004)
    assert loose.met
    assert loose.replicates < tight.replicates
    assert tight.covered_error <= 0.004
    spent = doubt_of(ASKED, make, Tolerances(), samples=1024, error=1e-9)
    assert not spent.met


def test_the_same_seed_gives_the_same_answer_and_another_gives_another() -> None:
    def make(replicate: int) -> Variants:
        return made_of(lateral_pass(np.linspace(0, 3, 5), seed=replicate))

    runs = [doubt_of(ASKED, make, Tolerances(), error=0.0, samples=1024, seed=seed) for seed in (3, 3, 4)]
    assert np.array_equal(runs[0].covered, runs[1].covered)
    assert runs[0].matters == runs[1].matters
    assert not np.array_equal(runs[0].covered, runs[2].covered)


def test_indices_of_a_sum_of_independent_factors_add_up() -> None:
    # Covered shares that are nearly linear in log speed of two wands: the two groups' indices sum to one
    # within the
    # sampling error of 8 x 256 pairs.
    films = np.linspace(7.0, 14.0, 400)
    asked = SidesAsked(areas=np.ones(400), needed=np.full(400, 1e-5), bays=np.zeros(400, dtype=np.int64))
    doubt = doubt_of(
        asked,
        lambda _: made_of(steady_pass(films.tolist())),
        Tolerances(pull_speed=0.06, flow=0.08).only("pull_speed", "flow"),
        samples=2048,
        error=0.0,
    )
    # Variances of independent logs add: 0.06² against 0.08².
    assert doubt.matters["pull speed"] == pytest.approx(0.36, abs=0.08)
    assert doubt.matters["flow"] == pytest.approx(0.64, abs=0.08)


EVEN = SidesAsked(areas=np.ones(400), needed=np.full(400, 1e-5), bays=np.zeros(400, dtype=np.int64))


def linear_variants(replicate: int, *, slopes: dict[str, float], tip_slopes: dict[str, float]) -> Variants:
    """Return one pass whose log film on 400 sides is linear in the factors' standard normal errors."""
    poses = twin_draws(8, POSE_FACTORS, seed=(replicate, 1))
    states = twin_draws(8, TIP_FACTORS, seed=(replicate, 2))
    hand = sum(slopes.get(name, 0.0) * poses.errors[:, place] for name, place in POSE_PLACES.items())
    tip = sum(tip_slopes.get(name, 0.0) * states.errors[:, k] for k, name in enumerate(TIP_FACTORS))
    film = np.linspace(7.0, 14.0, 400) * np.exp(np.add.outer(tip, hand))[:, :, None]
    one = PassVariants(
        sides=np.arange(400), films=film, wand="ring", volume=1e-6, words="pass", twin=poses.twin
    )
    return Variants(
        passes=(one,), wands={"ring": WandState(settled=np.zeros((16, 0, 400)), twin=states.twin)}
    )


POSE_PLACES = {"aim": 0, "place": 2, "depth": 4, "clock": 5}


def test_factors_of_the_hand_and_of_the_tip_are_told_apart_as_a_linear_model_says() -> None:
    # A covered share linear in log film: shares of the variance are slope² over their sum,
    # 4 : 9 : 16 : 9 of 38 here for aim, depth, throw and flow.
    found = doubt_of(
        EVEN,
        partial(linear_variants, slopes={"aim": 0.02, "depth": 0.03}, tip_slopes={"throw": 0.04}),
        Tolerances(flow=0.03, pull_speed=0.0),
        samples=4096,
        error=0.0,
    )
    wanted = {"aim": 4 / 38, "depth": 9 / 38, "throw": 16 / 38, "flow": 9 / 38}
    for name in FACTORS:
        assert found.matters[name] == pytest.approx(wanted.get(name, 0.0), abs=found.matters_error), name
    assert found.matters_error < 0.12
    assert sum(found.matters.values()) == pytest.approx(1.0, abs=0.15)
    assert found.matters["pull speed"] == 0.0


def test_twins_share_one_factor_and_differ_in_the_others() -> None:
    twins = twin_draws(8, POSE_FACTORS, seed=(5,))
    first = np.arange(8)
    for name, place in POSE_PLACES.items():
        same = twins.errors[twins.twin[name][first]]
        assert (same[:, place] == twins.errors[first, place]).all()
        others = [column for other, column in POSE_PLACES.items() if other != name]
        # Each of the others is met again by chance one time in eight.
        assert (same[:, others] == twins.errors[first][:, others]).mean() < 0.5
    for order in twins.twin.values():
        assert (order[order] == np.arange(16)).all()


def shaky(level: float, words: str) -> PassVariants:
    """Return a pass over 400 sides whose log film varies with its speed and with 16 poses."""
    errors = normal_draws(16, 1, seed=(seed_of(words),))[:, 0]
    film = level * np.linspace(0.5, 1.6, 400)[None] * np.exp(0.1 * errors)[:, None]
    return PassVariants(sides=np.arange(400), films=film[None], wand="ring", volume=1e-6, words=words)


def test_plans_that_share_passes_share_their_errors_in_whatever_order_they_stand() -> None:
    # Plan B is plan A with one small pass more. With common random numbers the difference of their covered
    # shares varies less, sample by sample, than that of independent samples, whose variances add.
    asked = replace(EVEN, needed=np.full(400, 2.2e-5))
    shared = [shaky(10.0, "deep"), shaky(12.0, "near")]
    extra = shaky(1.0, "corner")

    def covered(*passes: PassVariants, seed: int) -> np.ndarray:
        return doubt_of(
            asked, lambda _: made_of(*passes), Tolerances(), samples=2048, error=0.0, seed=seed
        ).covered

    plan_a, plan_b = covered(*shared, seed=4), covered(extra, *reversed(shared), seed=4)
    apart = covered(extra, *reversed(shared), seed=5)
    assert np.var(plan_b - plan_a) < 0.1 * np.var(apart - plan_a)
    assert np.var(apart - plan_a) == pytest.approx(np.var(apart) + np.var(plan_a), rel=0.15)


def test_nothing_asked_is_refused() -> None:
    nothing = SidesAsked(areas=np.zeros(0), needed=np.zeros(0), bays=np.zeros(0, dtype=np.int64))
    with pytest.raises(DoubtError, match="no side is asked to be covered"):
        doubt_of(nothing, lambda _: made_of(), Tolerances())


def test_a_negative_spread_is_refused() -> None:
    with pytest.raises(JobError, match=r"doubt, aim: -0\.1 found; a standard deviation is 0 or more"):
        Tolerances(aim=-0.1)


def test_draws_are_even() -> None:
    # A scrambled Sobol sequence of 2^m points puts one in each of 2^m equal strips.
    points = uniform_draws(64, 5, seed=(9,))
    for column in points.T:
        assert sorted((column * 64).astype(int).tolist()) == list(range(64))


PATH = straight_path(entry=[0, 0, 0], aim=[1, 0, 0], deepest=1.0, shallowest=0.2, clock=0.0, down=[0, 0, -1])


def test_a_tilt_turns_the_wand_about_the_opening() -> None:
    # Turned by 0.01 rad about y (up crossed... the second axis across): the tip at 1 m depth moves 1 m x
    # 0.01 in z.
    tilted = moved(PATH, entry=[0, 0, 0], aim=[1, 0, 0], tilt=[0.0, 0.01])
    assert np.linalg.norm(tilted.points, axis=1) == pytest.approx([1.0, 0.2])
    assert abs(tilted.points[0, 2]) == pytest.approx(math.sin(0.01))
    assert tilted.axes[0] @ [1, 0, 0] == pytest.approx(math.cos(0.01))
    assert tilted.clocks[0] @ tilted.axes[0] == pytest.approx(0.0, abs=1e-12)


def test_a_push_too_far_moves_the_tip_along_the_wand() -> None:
    pushed = moved(PATH, entry=[0, 0, 0], aim=[1, 0, 0], depth=0.005)
    assert pushed.points[:, 0] == pytest.approx([1.005, 0.205])
    assert pushed.depths == pytest.approx([1.005, 0.205])


def test_a_clock_error_turns_the_tip_and_leaves_it_in_place() -> None:
    turned = moved(PATH, entry=[0, 0, 0], aim=[1, 0, 0], clock=0.1)
    assert np.allclose(turned.points, PATH.points)
    assert turned.clocks[0] @ PATH.clocks[0] == pytest.approx(math.cos(0.1))


def test_no_error_changes_nothing() -> None:
    same = moved(PATH, entry=[0, 0, 0], aim=[1, 0, 0])
    assert np.allclose(same.points, PATH.points)
    assert np.allclose(same.clocks, PATH.clocks)


@pytest.fixture(scope="module")
def box_job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_box_job(tmp_path_factory.mktemp("box"))


@pytest.fixture(scope="module")
def box_site(box_job: Path) -> Site:
    return site_of(load_job(box_job))


def test_with_exact_work_the_chance_is_the_nominal_map(box_site: Site, box_job: Path) -> None:
    # No factor varies: every variant is the nominal spray, so each side is sure or hopeless as its film says.
    pulls, _ = written_pulls(box_site)
    asked = asked_of(box_site)
    exact = Tolerances().only()
    doubt = doubt_of(asked.sides, site_variants(box_site, asked, pulls, exact), exact, samples=1)
    film = spray(load_job(box_job)).sides.film[asked.ids]
    assert len(film) == len(asked.sides.areas)
    # The mean of a side's samples against the film at its middle: sides within 15 % of their need are left
    # out.
    clear = np.abs(film / 8e-6 - 1) > 0.15
    assert clear.mean() > 0.75
    assert np.array_equal(doubt.chance[clear], (film >= 8e-6)[clear].astype(float))


def test_errors_of_the_hand_blur_the_edge_of_the_covered_area(box_site: Site) -> None:
    pulls, _ = written_pulls(box_site)
    asked = asked_of(box_site)
    variants = site_variants(box_site, asked, pulls, Tolerances())
    doubt = doubt_of(asked.sides, variants, Tolerances(), samples=1)
    unsure = (doubt.chance > 0.05) & (doubt.chance < 0.95)
    assert 0.02 < asked.sides.areas[unsure].sum() / asked.sides.areas.sum() < 0.6
    assert doubt.sure_area(asked.sides, 0.95) < doubt.sure_area(asked.sides, 0.50)
    again = doubt_of(asked.sides, variants, Tolerances(), samples=1)
    assert np.array_equal(doubt.chance, again.chance)


def test_a_straight_wand_is_tilted_no_farther_than_its_hole_lets_it(box_site: Site) -> None:
    # The port is a square of 50 mm at a sheet without thickness, the wand a rod of 6 mm: a shift of 30 mm
    # puts it through the sheet, one of 10 mm does not.
    (pull,), _ = written_pulls(box_site)
    stations = stations_of(pull.path, 0.05)
    passable = Passable(site=box_site, tolerances=Tolerances(aim=0.0, place=0.01, clock=0.0, depth=0.0))
    errors = np.zeros((3, 6))
    errors[1, 2], errors[2, 2] = 1.0, 3.0
    still, near, far = passable.poses(pull, stations, errors)
    assert np.allclose(still.points, stations.points)
    assert np.linalg.norm(near.points - stations.points, axis=1) == pytest.approx(0.010)
    # Half of 30 mm is the largest share of quarters that leaves the rod inside: 15 + 3 < 25 < 22.5 + 3.
    assert np.linalg.norm(far.points - stations.points, axis=1) == pytest.approx(0.015)


def test_a_wand_pushed_against_the_far_wall_waits_there(box_site: Site) -> None:
    # The far wall is 300 mm in; pushed 80 mm beyond 250 mm the tip stops there, its ball of 3 mm before it.
    (pull,), _ = written_pulls(box_site)
    stations = stations_of(pull.path, 0.02)
    passable = Passable(site=box_site, tolerances=Tolerances(aim=0.0, place=0.0, clock=0.0, depth=0.08))
    (pushed,) = passable.poses(pull, stations, np.array([[0.0, 0, 0, 0, 1.0, 0]]))
    assert 0.29 < pushed.points[:, 0].max() < 0.3
    assert pushed.points[-1, 0] == pytest.approx(stations.points[-1, 0] + 0.08)


def test_a_pass_is_known_by_what_it_is_not_by_its_speed(box_site: Site) -> None:
    (pull,), _ = written_pulls(box_site)
    assert pull_words(pull) == "ring through port along 1.0000, 0.0000, 0.0000 at 0.0 deg, 250 to 50 mm"
    assert pull_words(replace(pull, speed=0.01, count=3)) == pull_words(pull)


@pytest.mark.skipif(not hasattr(os, "sched_setaffinity"), reason="cannot be held to one processor here")
def test_one_processor_or_two_give_the_same_bytes(box_job: Path) -> None:
    job = load_job(box_job)
    before = os.sched_getaffinity(0)
    told = []
    for allowed in ({min(before)}, before):
        os.sched_setaffinity(0, allowed)
        try:
            site = site_of(job)
            record, arrays = doubt_at(site, written_pulls(site)[0], replace(job.doubt, samples=1))
        finally:
            os.sched_setaffinity(0, before)
        told.append((record, {name: values.tobytes() for name, values in arrays.items()}))
    assert told[0] == told[1]


@pytest.fixture(scope="module")
def box_result(box_job: Path) -> Path:
    job = load_job(box_job)
    folder = box_job.parent / "out"
    with reserved(folder):
        result = replace(spray(job), files={"note.txt": b"kept"})
        write_result(folder, result, origin={"mesh": job.mesh_path, "job": box_job})
    return folder


def test_doubt_stands_beside_the_nominal_result(box_result: Path, box_site: Site) -> None:
    before = read_result(box_result)
    outcome = doubt_folder(box_result)
    after = read_result(box_result)
    record = after.outcome.doubt
    assert record == outcome.doubt
    assert (box_result / "note.txt").read_bytes() == b"kept"
    assert after.outcome.coverage == before.outcome.coverage
    # film.vtp holds micrometres, so a film read and written again may lose its last digit.
    assert np.allclose(after.sides.film, before.sides.film, rtol=1e-12, atol=0.0)
    chance = after.sides.extra["chance"]
    # Where nothing is asked the chance is -1; elsewhere it is one, and the area that is sure adds up.
    assert ((chance >= 0) == box_site.required).all()
    sure = box_site.side_areas[chance >= 0.95].sum() / box_site.side_areas[box_site.required].sum()
    assert record is not None
    assert record.sure_fraction == pytest.approx(sure, rel=1e-9)
    assert record.sure_fraction < record.covered_mean < record.covered_p95 + 1e-9
    assert sum(bay.sure_m2 for bay in record.bays) == pytest.approx(
        record.sure_fraction * sum(bay.required_m2 for bay in record.bays)
    )
    assert record.worst[0].chance < 0.95
    assert set(record.matters) == set(FACTORS)
    assert after.sides.extra["chance_low"][chance >= 0].max() <= 1.0


def test_no_other_result_comes_into_the_folder_while_its_own_is_doubted(
    box_result: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # It used to write the old result back over one that had come in the meantime.
    def meanwhile(*words: object, **more: object) -> None:
        with pytest.raises(StoreError, match="another bayreach is writing there"), reserved(box_result):
            raise AssertionError
        raise InterruptedError

    monkeypatch.setattr("bayreach.doubt._folder.doubt_at", meanwhile)
    before = (box_result / "result.json").read_bytes()
    with pytest.raises(InterruptedError):
        doubt_folder(box_result)
    assert (box_result / "result.json").read_bytes() == before
    with reserved(box_result):
        pass  # let go of again


def test_a_result_whose_job_has_changed_is_refused(tmp_path: Path) -> None:
    path = write_box_job(tmp_path)
    job, folder = load_job(path), tmp_path / "out"
    with reserved(folder):
        write_result(folder, spray(job), origin={"mesh": job.mesh_path, "job": path})
    path.write_text(path.read_text() + "# changed\n")
    with pytest.raises(StoreError, match=r"job file .* has changed since; run the job again"):
        doubt_folder(folder)
    path.rename(tmp_path / "moved.toml")
    with pytest.raises(DoubtError, match="its job file is not where it was; name it with --job FILE"):
        doubt_folder(folder)


@pytest.mark.slow
@pytest.mark.usefixtures("brief_search")
def test_a_plan_with_a_margin_is_sure_on_samples_that_took_no_part_in_it(tmp_path: Path) -> None:
    # Speed and flow alone ask for exp(1.645 x sqrt(0.15² + 0.05²)) = 1.297 times the film.
    text = BOX_JOB.replace('film_max = "60 um"', 'film_max = "90 um"\ncoverage = 0.6')
    job = load_job(write_box_job(tmp_path, text))
    found = sure_plan(job, sure=0.95)
    assert found.margin == pytest.approx(1.297, abs=1e-3)
    assert found.met
    assert found.more_holes == 0
    # Judged once more, with another seed still.
    site, pulls = stored_site(job, found.result.outcome)
    record, _ = doubt_at(site, pulls, replace(job.doubt, seed=12345))
    assert record.sure_fraction >= 0.6
    assert abs(record.sure_fraction - found.sure_fraction) < 0.05


def test_a_chance_that_is_none_is_refused(box_job: Path) -> None:
    with pytest.raises(DoubtError, match=r"sure: 95 found; a chance from 0\.5 to below 1 is needed"):
        sure_plan(load_job(box_job), sure=95.0)
