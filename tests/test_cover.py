"""Cover: the stages against exhaustive search, published covering designs and greedy traps."""

import itertools

import numpy as np
import pytest

from bayreach import cover
from bayreach.cover._effort import Effort
from bayreach.cover._field import REACHED, field_of
from bayreach.cover._highs import solve as solve_model
from bayreach.cover._model import Model, dual_bound
from bayreach.cover._relax import relaxed
from bayreach.cover._search import greedy, lowered
from bayreach.cover._work import _renew, _Search
from bayreach.errors import PlanError


def random_problem(seed, limits=None):
    """Return a small problem of 8 sides, 3 to 6 entries with 1 or 2 passes each; amounts are exactly 1."""
    rng = np.random.default_rng(seed)
    n_sides, n_entries = 8, int(rng.integers(3, 7))
    entries = np.sort(np.concatenate([np.arange(n_entries), rng.integers(0, n_entries, 3)]))
    n_passes = len(entries)
    film = rng.choice([0.0, 0.0, 0.6, 1.0, 2.0], size=(n_sides, n_passes))
    areas = rng.integers(1, 9, n_sides).astype(float)
    new = rng.random(n_entries) < 0.7
    conflicts = [[0, 1]] if seed % 4 == 0 else np.zeros((0, 2))
    return cover.problem_of(
        film,
        entries=entries,
        new=new,
        share=float(rng.choice([0.5, 0.7, 0.9, 1.0])),
        areas=areas,
        weights=areas * rng.integers(1, 4, n_sides),
        limit=np.where(rng.random(n_sides) < 0.5, 1.5, np.inf),
        fixed_seconds=rng.integers(1, 20, n_passes).astype(float),
        unit_volume=rng.integers(1, 9, n_passes) * 1e-5,
        wands=rng.integers(0, 2, n_passes),
        conflicts=conflicts if new[:2].all() else np.zeros((0, 2)),
        limits=limits or cover.Limits(),
    )


def entries_of(problem):
    return problem.lets_in.tocsc().indices  # one entry lets each pass in


def is_allowed(problem, made):
    entry = entries_of(problem)
    opened = np.unique(entry[made])
    limits = problem.limits
    if any({a, b} <= set(opened.tolist()) for a, b in problem.conflicts.tolist()):
        return False
    if limits.passes is not None and made.sum() > limits.passes:
        return False
    if limits.passes_per_entry is None or not made.any():
        return True
    return np.bincount(entry[made]).max() <= limits.passes_per_entry


def seconds_of(problem, made):
    """Cost by its definition: fixed, liquid, surplus, a set-up an entry, a change a wand at an entry."""
    entry, prices = entries_of(problem), problem.prices
    film = problem.film @ made
    surplus = np.maximum(0.0, film - problem.limit) @ problem.areas
    cost = problem.fixed_seconds[made].sum() + prices.litre * 1e3 * problem.unit_volume[made].sum()
    cost += prices.surplus_litre * 1e3 * surplus
    cost += prices.entry * len(set(entry[made].tolist()))
    return cost + prices.wand_change * len(
        set(zip(entry[made].tolist(), problem.wands[made].tolist(), strict=True))
    )


def exhaustive(problem, slack):
    """Try every subset of passes: fewest holes, best weight with them; None where short."""
    plans = []
    for bits in itertools.product([False, True], repeat=problem.n_passes):
        made = np.array(bits)
        if not is_allowed(problem, made):
            continue
        covered = problem.covered_by(made.astype(float))
        area, weight = problem.areas[covered].sum(), problem.weights[covered].sum()
        opened = np.unique(entries_of(problem)[made])
        plans.append((int(problem.new[opened].sum()), area, weight, made))
    enough = [plan for plan in plans if plan[1] >= problem.asked_area - 1e-9]
    if not enough:
        return None
    holes = min(plan[0] for plan in enough)
    weight = max(plan[2] for plan in enough if plan[0] == holes)
    return holes, weight, plans, enough


@pytest.mark.parametrize("block", range(8))
@pytest.mark.parametrize(
    "limits",
    [None, cover.Limits(passes=3), cover.Limits(passes_per_entry=1)],
    ids=["free", "three", "one each"],
)
def test_every_stage_finds_what_exhaustive_search_finds(block, limits):
    """Fewest holes, best weight at that number, least cost with those holes: the best of all subsets."""
    for seed in range(block * 12, block * 12 + 12):
        problem = random_problem(seed, limits)
        truth = exhaustive(problem, 0.0)
        found = cover.solve(problem, slack=0.0, ratios=None, rounds=20)
        if truth is None:
            assert not found.met
            continue
        holes, weight, _, enough = truth
        assert found.met
        assert found.new_holes == holes
        assert found.best_weight == pytest.approx(weight)
        assert found.weight >= weight * (1 - 1e-6)
        opened = ~problem.new | found.opened
        with_these = [
            seconds_of(problem, made)
            for _, _, reached, made in enough
            if reached >= weight - 1e-6 and opened[entries_of(problem)[made]].all()
        ]
        assert found.cost == pytest.approx(min(with_these), rel=2e-3)
        assert found.bound <= found.cost * (1 + 1e-9)


@pytest.mark.parametrize("seed", range(40))
def test_the_certificate_is_never_above_the_fewest_holes_and_numpy_gets_the_same_number(seed):
    """Weak duality: whatever the weights, what they prove is true; zero weights prove nothing."""
    problem = random_problem(1000 + seed)
    truth = exhaustive(problem, 0.0)
    found = cover.solve(problem, ratios=None, rounds=5)
    if truth is None:
        return
    certificate = found.certificate
    again = cover.hole_bound(
        problem, price=certificate.price, sides=certificate.sides, weights=certificate.weights
    )
    assert max(again, 0.0) == pytest.approx(certificate.bound, abs=1e-9)
    assert certificate.holes <= truth[0]
    rng = np.random.default_rng(seed)
    anything = cover.hole_bound(problem, price=float(rng.random()), sides=np.arange(8), weights=rng.random(8))
    assert anything <= truth[0] + 1e-9


def lines_of_affine_space(dimension):
    """Lines of AG(dimension, 3): triples of points that sum to zero; each line must be hit."""
    points = list(itertools.product(range(3), repeat=dimension))
    place = {point: index for index, point in enumerate(points)}
    lines = {
        frozenset((place[a], place[b], place[tuple((-x - y) % 3 for x, y in zip(a, b, strict=True))]))
        for a, b in itertools.combinations(points, 2)
    }
    matrix = np.zeros((len(lines), len(points)))
    for row, line in enumerate(sorted(map(sorted, lines))):
        matrix[row, line] = 1.0
    return matrix


@pytest.mark.parametrize(
    ("dimension", "n_lines", "fewest"),
    [(2, 12, 5), (3, 117, 18)],
    ids=["Fulkerson, Nemhauser & Trotter 1974: 9 points", "Fulkerson, Nemhauser & Trotter 1974: 27 points"],
)
def test_steiner_triple_covers_need_as_many_holes_as_published(dimension, n_lines, fewest):
    matrix = lines_of_affine_space(dimension)
    assert len(matrix) == n_lines
    found = cover.solve(cover.problem_of(matrix), ratios=None, rounds=5)
    assert (found.new_holes, found.new_holes_bound, found.proven) == (fewest, fewest, True)


@pytest.mark.parametrize("k", [3, 4, 5, 8], ids=lambda k: f"Dasgupta et al. ex. 5.33, k={k}")
def test_a_greedy_trap_is_seen_through(k):
    """Two halves of 2^k - 1 sides cover all; blocks of 2, 4, ..., 2^k sides lure greedy into k holes."""
    half = 2**k - 1
    film = np.zeros((2 * half, k + 2))
    film[:half, 0] = film[half:, 1] = 1.0
    start = 0
    for block in range(k):
        size = 2**block
        film[start : start + size, 2 + block] = film[half + start : half + start + size, 2 + block] = 1.0
        start += size
    found = cover.solve(cover.problem_of(film), ratios=None, rounds=5)
    assert (found.new_holes, found.proven) == (2, True)


def test_sealed_boxes_need_one_hole_each_and_a_share_needs_the_big_ones():
    """Boxes of 4, 3, 2, 1 m²: all need 4 holes; 70 % of 10 m² needs 2 (4 + 3); 75 % needs 3."""
    areas = np.array([4.0, 3.0, 2.0, 1.0])
    for share, holes in ((1.0, 4), (0.7, 2), (0.75, 3), (0.0, 0)):
        found = cover.solve(cover.problem_of(np.eye(4), areas=areas, share=share), ratios=None)
        assert (found.new_holes, found.new_holes_bound) == (holes, holes)


def test_the_curve_lists_the_best_area_of_each_number_of_holes_and_stops_when_nothing_is_gained():
    """One opening covers 1 m²; holes add 4, 3 and 2 m²; a fourth hole sees nothing new."""
    film = np.eye(4)[:, [0, 1, 2, 3, 3]]
    problem = cover.problem_of(film, new=[True, True, True, False, True], areas=[4.0, 3.0, 2.0, 1.0])
    points = cover.coverage_curve(cover.hole_choice(problem))
    assert [point.value for point in points] == pytest.approx([1.0, 5.0, 8.0, 10.0])
    assert [point.bound for point in points] == pytest.approx([1.0, 5.0, 8.0, 10.0], abs=1e-5)


def test_what_cannot_be_had_is_planned_as_far_as_it_goes_and_said():
    """Half the area is in nobody's reach: one hole brings the other half; the target is not claimed."""
    found = cover.solve(cover.problem_of([[1.0], [0.0]], share=0.9), ratios=None)
    assert (found.met, found.new_holes, found.area, found.attainable_area) == (False, 1, 1.0, 1.0)


def test_an_amount_is_no_greater_than_the_driest_side_asks():
    """Films 2 and 4 µm a pull, need 8 µm: 4 pulls; with 96 % of the area on the wetter side, 2 are enough."""
    film = [[2e-6], [4e-6]]
    given = {"need": [8e-6, 8e-6], "least": [0.5], "most": [20.0], "areas": [0.04, 0.96], "new": [False]}
    assert cover.solve(cover.problem_of(film, **given), ratios=None).amounts[0] == pytest.approx(4.0)
    part = cover.problem_of(film, share=0.9, **given)
    assert cover.solve(part, ratios=None, slack=0.1).amounts[0] == pytest.approx(2.0)


def test_whole_pulls_are_rounded_up_to_a_speed_level_never_down():
    """Amount 4.1 with levels up to 2: 3 pulls of at least 1.367, and the next level is 1.4."""
    problem = cover.problem_of([[1.0]], need=[4.1], least=[0.5], most=[20.0], new=[False])
    found = cover.solve(problem)
    assert (int(found.counts[0]), float(found.ratios[0])) == (3, 1.4)
    assert found.met
    assert found.continuous_cost <= found.cost


def test_more_candidates_never_need_more_holes_and_a_higher_share_never_fewer():
    for seed in range(20):
        problem = random_problem(2000 + seed)
        shares = [
            cover.fewest_holes(again, cover.hole_choice(again))[0].value
            for share in (0.3, 0.6, 0.9)
            for again in [cover.problem_of(problem.film, areas=problem.areas, share=share)]
        ]
        assert shares == sorted(shares)
        fewer = cover.problem_of(problem.film[:, :-1], areas=problem.areas, share=0.3)
        assert cover.fewest_holes(fewer, cover.hole_choice(fewer))[0].value >= shares[0]


def test_any_duals_give_a_bound_that_holds():
    """LP: min x + 2y, x + y ≥ 1, 0 ≤ x, y ≤ 1, optimum 1; dual 1 proves it, other duals prove less."""
    model = Model()
    columns = model.add_columns(2, cost=np.array([1.0, 2.0]))
    model.add_rows([(np.ones((1, 2)), columns)], lower=1.0)
    assert solve_model(model, relax=True).bound == pytest.approx(1.0)
    assert [dual_bound(model, np.array([dual])) for dual in (0.0, 0.5, 1.0, 1.5, -1.0)] == pytest.approx(
        [0.0, 0.5, 1.0, 1.0, 0.0]
    )


def test_the_same_problem_gives_the_same_plan():
    problem = random_problem(7)
    first, second = cover.solve(problem), cover.solve(problem)
    assert (first.amounts == second.amounts).all()
    assert first.cost == second.cost


def test_bad_numbers_are_refused_by_name():
    with pytest.raises(PlanError, match=r"coverage: 1\.2 asked, 0 to 1 allowed"):
        cover.problem_of(np.eye(2), share=1.2)
    with pytest.raises(ValueError, match="need: every side needs more than no film; 1 do not"):
        cover.problem_of(np.eye(2), need=[0.0, 1.0])
    with pytest.raises(PlanError, match="passes is -1; it must be 0 or more"):
        cover.Limits(passes=-1)


def test_a_start_that_the_solver_calls_optimal_above_its_own_bound_is_not_believed():
    """HiGHS 1.16 gave back a greedy start of 5 holes as optimal, with 2 as its own bound: ask again."""
    model = Model()
    columns = model.add_columns(3, cost=1.0, integer=True)
    rows = np.array([[1.0, 1.0, 0.0], [1.0, 0.0, 1.0]])
    model.add_rows([(rows, columns)], lower=1.0)
    answer = solve_model(model, start=np.array([0.0, 1.0, 1.0]))
    assert (answer.objective, answer.bound) == pytest.approx((1.0, 1.0))


def work_of(seed, share, n_sides=400, n_passes=40):
    """Return sides on a line and passes, each a bump of film over a tenth of it, as a field."""
    rng = np.random.default_rng(seed)
    place, middle = np.sort(rng.random(n_sides)), rng.random(n_passes)
    film = np.maximum(0.0, 1.0 - ((place[:, None] - middle[None]) / 0.06) ** 2) * rng.uniform(
        0.3, 2.0, n_passes
    )
    problem = cover.problem_of(
        film,
        entries=np.arange(n_passes) % 4,
        new=np.zeros(4, dtype=bool),
        least=np.full(n_passes, 0.5),
        most=np.full(n_passes, 6.0),
        unit_seconds=rng.uniform(2, 9, n_passes),
        limit=np.full(n_sides, 4.0),
        areas=np.full(n_sides, 1e-4),
        share=share,
    )
    reach = problem.covered_by(problem.most)
    need = share * float(problem.areas[reach].sum())
    return field_of(problem, np.ones(4, dtype=bool), need_area=need, need_weight=0.0)


@pytest.mark.parametrize("share", [0.9, 1.0])
def test_choosing_parts_of_a_plan_anew_keeps_what_is_asked_and_makes_it_cheaper(share):
    """From greedy: the passes that the LP likes, then others by chance, each time no dearer."""
    field = work_of(3, share, n_sides=60, n_passes=24)
    plan = lowered(field, greedy(field, np.zeros(len(field.passes))))
    effort = Effort(allowed=60.0)
    lp = relaxed(field, plan, effort=effort, seconds=5.0)
    search = _Search(field=field, best=plan, gap=1e-3, effort=effort, end=60.0, cost=field.cost(plan))
    costs = [search.cost]
    rng = np.random.default_rng(1)
    for _ in range(3):
        _renew(search, lp, lp.work.sides, rng=rng, seconds=0.7)
        assert field.is_met(field.levels(search.best) >= REACHED)
        assert search.cost == pytest.approx(field.cost(search.best))
        costs.append(search.cost)
    assert costs == sorted(costs, reverse=True)
    assert costs[-1] < costs[0]
    assert search.bound == 0.0  # of some passes nothing is proven of all


@pytest.mark.parametrize(("seed", "n_sides", "n_passes"), [(5, 120, 12), (9, 200, 12), (7, 200, 11)])
def test_row_generation_and_the_whole_problem_give_the_same_optimum(seed, n_sides, n_passes, monkeypatch):
    """Solved whole, or from 40 of its rows up: both close, so both are the optimum to 0.2 %."""
    field = work_of(seed, 1.0, n_sides=n_sides, n_passes=n_passes)
    whole = cover.least_work(field, seconds=20.0, gap=1e-3)
    monkeypatch.setattr("bayreach.cover._field.SMALL", 0)
    monkeypatch.setattr("bayreach.cover._relax.FIRST_SIDES", 40)
    by_rows = cover.least_work(field, seconds=20.0, gap=1e-3)
    assert whole.status == by_rows.status == "optimal"
    assert by_rows.cost == pytest.approx(whole.cost, rel=2e-3)
    assert by_rows.bound <= whole.cost * (1 + 1e-9)
    assert whole.cost <= whole.greedy_cost
