"""Cover: reductions, bounds and cuts held against exhaustive search on hundreds of small instances."""

import itertools
import math
import os
import signal
import threading
from dataclasses import replace

import numpy as np
import pytest
from scipy.sparse import block_diag, csc_matrix, csr_matrix
from test_cover import random_problem, work_of

from bayreach import cover
from bayreach.cover._blocks import _cut, bound_by_blocks, parted
from bayreach.cover._effort import Effort
from bayreach.cover._field import field_of
from bayreach.cover._highs import Costs, Growing
from bayreach.cover._highs import solve as solve_model
from bayreach.cover._hole_rows import Covering, fractional
from bayreach.cover._model import Model
from bayreach.cover._priced import Priced, priced, priced_model
from bayreach.cover._reduce import inclusions, kept
from bayreach.cover._relax import plan_point, relaxed
from bayreach.cover._swaps import _counts, moved, summed, swapped
from bayreach.cover._work import least_work


def covered_by_all_choices(shares):
    """Return every choice of columns (2^n, n) and the rows it covers (2^n, n_rows)."""
    choices = np.array(list(itertools.product([0.0, 1.0], repeat=shares.shape[1])))
    return choices, choices @ shares.T >= 1.0 - 1e-9


def random_shares(seed):
    """Return shares (7 rows, 6 columns) of 0, ½ and 1, areas, and a conflict in every third."""
    rng = np.random.default_rng(seed)
    shares = rng.choice([0.0, 0.0, 0.0, 0.5, 1.0, 1.0], size=(7, 6))
    conflicts = np.array([[0, 1]]) if seed % 3 == 0 else np.zeros((0, 2), dtype=int)
    return shares, rng.integers(1, 9, 7).astype(float), conflicts


def allowed(choices, conflicts):
    clash = [choices[:, a] * choices[:, b] for a, b in conflicts]
    return np.sum(clash, axis=0) == 0 if clash else np.ones(len(choices), dtype=bool)


@pytest.mark.parametrize("block", range(3))
def test_a_full_cover_needs_as_many_columns_after_the_reduction_as_before(block):
    """Of all 2^6 choices: the fewest columns that cover every row, and every row left."""
    for seed in range(block * 100, block * 100 + 100):
        shares, _, conflicts = random_shares(seed)
        shares = shares[shares.sum(axis=1) >= 1.0]
        left = kept(csr_matrix(shares), conflicts, full_cover=True)
        choices, covered = covered_by_all_choices(shares)
        fits = allowed(choices, conflicts)
        counts = choices.sum(axis=1)
        before = counts[fits & covered.all(axis=1)]
        among = fits & (choices[:, ~left.columns] == 0).all(axis=1)
        after = counts[among & covered[:, left.rows].all(axis=1)]
        assert before.min(initial=99) == after.min(initial=99)
        # What covers the rows left, by the columns left, covers all: the small problem's answer is one.
        assert (covered[among][:, left.rows].all(axis=1) == covered[among].all(axis=1)).all()


@pytest.mark.parametrize("block", range(3))
def test_no_number_of_columns_covers_less_area_after_outdone_columns_are_gone(block):
    """Of all 2^6 choices: the most area of 0, 1, ... 6 columns, with and without the columns dropped."""
    for seed in range(block * 100, block * 100 + 100):
        shares, areas, conflicts = random_shares(seed)
        left = kept(csr_matrix(shares), conflicts, full_cover=False)
        choices, covered = covered_by_all_choices(shares)
        fits = allowed(choices, conflicts)
        among = fits & (choices[:, ~left.columns] == 0).all(axis=1)
        area, counts = covered @ areas, choices.sum(axis=1)
        for count in range(7):
            most = area[fits & (counts <= count)].max()
            assert area[among & (counts <= count)].max() == most
        assert left.rows.all()


@pytest.mark.parametrize("seed", range(60))
def test_fewest_holes_and_best_coverage_are_those_of_all_choices(seed):
    """Reduction, LP, greedy, MILP and certificate together; the bound lies between nothing and the truth."""
    shares, areas, conflicts = random_shares(seed)
    share = [0.6, 0.9, 1.0][seed % 3]
    problem = cover.problem_of(shares, areas=areas, share=share, conflicts=conflicts)
    choice = cover.hole_choice(problem)
    choices, covered = covered_by_all_choices(shares)
    fits = allowed(choices, conflicts)
    area, counts = covered @ areas, choices.sum(axis=1)
    found, certificate = cover.fewest_holes(problem, choice)
    enough = counts[fits & (area >= problem.asked_area - 1e-9)]
    assert certificate.bound <= enough.min(initial=np.inf) + 1e-6
    if not len(enough):
        assert found.status == "infeasible"
        return
    assert (found.value, found.bound) == (enough.min(), enough.min())
    assert choice.area_of(found.chosen) >= problem.asked_area - 1e-9
    best = cover.best_coverage(choice, holes=2, by_area=True, ask_area=False)
    most = area[fits & (counts <= 2)].max()
    assert best.value == pytest.approx(most)
    assert best.bound >= most - 1e-6


@pytest.mark.parametrize("seed", range(60))
def test_rows_brought_in_as_needed_leave_the_bound_true_and_the_answer_a_cover(seed, monkeypatch):
    """Bound ≤ fewest of all 2^6 choices ≤ found, from two rows up; what comes back is a cover."""
    monkeypatch.setattr("bayreach.cover._holes.MANY_ROWS", 0)
    monkeypatch.setattr("bayreach.cover._hole_rows.FIRST", 2)
    monkeypatch.setattr("bayreach.cover._hole_rows.A_ROUND", 2)
    shares, areas, conflicts = random_shares(500 + seed)
    shares = np.floor(shares)
    problem = cover.problem_of(shares, areas=areas, share=[0.6, 0.8, 1.0][seed % 3], conflicts=conflicts)
    choices, covered = covered_by_all_choices(shares)
    enough = choices.sum(axis=1)[allowed(choices, conflicts) & (covered @ areas >= problem.asked_area - 1e-9)]
    choice = cover.hole_choice(problem)
    found, certificate = cover.fewest_holes(problem, choice, seconds=0.5)
    assert certificate.bound <= enough.min(initial=np.inf) + 1e-6
    if math.isfinite(found.value):
        assert found.bound <= enough.min() <= found.value
        assert choice.area_of(found.chosen) >= problem.asked_area - 1e-9
        assert found.chosen[conflicts].all(axis=1).sum() == 0


def test_swaps_better_a_greedy_trap_and_keep_the_cover():
    """Blocks of 2, 4, 8 and 16 sides (4 columns) cover what two halves of 15 do: from 4 columns to 2."""
    film = np.zeros((30, 6))
    film[:15, 0] = film[15:, 1] = 1.0
    for block, first in enumerate((0, 1, 3, 7)):
        rows = np.arange(first, first + 2**block)
        film[np.concatenate([rows, rows + 15]), 2 + block] = 1.0
    case = Covering(
        shares=csr_matrix(film), areas=np.ones(30), spare=0.0, conflicts=np.zeros((0, 2), dtype=int)
    )
    start = np.array([False, False, True, True, True, True])
    found = swapped(case, start=start, until=2, effort=Effort(allowed=5.0), seconds=5.0)
    assert np.flatnonzero(found).tolist() == [0, 1]


def case_of(seed, share):
    """Return a covering of 60 rows by 25 columns, some of which exclude each other; `share` may stay dry."""
    rng = np.random.default_rng(seed)
    shares = (rng.random((60, 25)) < 0.2).astype(float)
    shares[np.arange(60), rng.integers(0, 25, 60)] = 1.0
    areas = rng.integers(1, 9, 60).astype(float)
    return Covering(
        shares=csr_matrix(shares),
        areas=areas,
        spare=share * float(areas.sum()),
        conflicts=np.array([[0, 1], [2, 3], [0, 4]]),
    )


def whole(case):
    """Return the model min Σ y of all rows: D y + d ≥ 1, area · d ≤ spare, no two that exclude each other."""
    rows, n = case.shares.shape
    model = Model()
    columns = model.add_columns(n, cost=1.0, integer=True)
    dry = model.add_columns(rows)
    model.add_rows([(case.shares, columns), (np.eye(rows), dry)], lower=1.0)
    model.add_rows([(case.areas[None], dry)], upper=case.spare)
    for a, b in case.conflicts.tolist():
        model.add_rows([((np.eye(n)[a] + np.eye(n)[b])[None], columns)], upper=1.0)
    return model


def test_sums_kept_by_swaps_are_those_made_anew():
    """After 300 columns moved at random: rows held, the worth of each column, what is dry and blocked."""
    rng = np.random.default_rng(2)
    counts = _counts(case_of(1, 0.0), np.zeros(25, dtype=bool))
    dry = summed(counts)
    for column in rng.integers(0, 25, 300):
        more, _ = moved(counts, int(column))
        dry += more
    kept = [np.copy(counts.held), np.copy(counts.value), np.copy(counts.blocked)]
    assert summed(counts) == pytest.approx(dry)
    for was, now in zip(kept, (counts.held, counts.value, counts.blocked), strict=True):
        assert was == pytest.approx(now)


@pytest.mark.parametrize("share", [0.0, 0.05, 0.2])
def test_swaps_find_no_more_columns_than_they_began_with_and_what_they_find_is_a_cover(share):
    """Beside the MILP of the same rows: never fewer than its optimum, and on most of twenty cases as few."""
    equal = 0
    for seed in range(20):
        case = case_of(seed, share)
        start = np.ones(25, dtype=bool)
        start[[1, 3, 4]] = False
        wet = case.shares @ start > 0
        if case.areas[~wet].sum() > case.spare:
            continue
        found = swapped(case, start=start, until=0, effort=Effort(allowed=0.003), seconds=0.003)
        assert case.areas[~(case.shares @ found > 0)].sum() <= case.spare * (1 + 1e-9)
        assert not found[case.conflicts].all(axis=1).any()
        least = solve_model(whole(case)).objective
        assert found.sum() >= least - 1e-6
        equal += int(found.sum() <= least + 1e-6)
    assert equal >= 15


def test_inclusions_are_those_of_python_sets():
    rng = np.random.default_rng(5)
    small, large = rng.random((40, 130)) < 0.04, rng.random((40, 130)) < 0.6
    one, two = inclusions(csr_matrix(small.astype(float)), csr_matrix(large.astype(float)))
    members = [set(np.flatnonzero(row)) for row in small], [set(np.flatnonzero(row)) for row in large]
    truth = {
        (i, j)
        for i, j in itertools.permutations(range(40), 2)
        if members[0][i] and members[0][i] <= members[1][j]
    }
    assert set(zip(one.tolist(), two.tolist(), strict=True)) == truth


def small_field(seed):
    """Return 12 sides, 7 passes of amount 0 or 1 in 3 entries by 2 wands, and the areas asked."""
    rng = np.random.default_rng(seed)
    film = rng.choice([0.0, 0.0, 0.3, 0.7, 1.0, 2.0, 5.0], size=(12, 7))
    problem = cover.problem_of(
        film,
        entries=rng.permutation(np.arange(7) % 3),
        new=np.zeros(3, dtype=bool),
        areas=rng.integers(1, 9, 12) * 0.01,
        weights=rng.integers(1, 30, 12) * 0.01,
        limit=np.where(rng.random(12) < 0.7, rng.uniform(1.0, 3.0, 12), np.inf),
        fixed_seconds=rng.integers(1, 30, 7).astype(float),
        unit_seconds=rng.integers(1, 9, 7).astype(float),
        wands=rng.integers(0, 2, 7),
    )
    reach = problem.covered_by(np.ones(7))
    share = rng.choice([0.7, 0.9, 1.0])
    return field_of(
        problem,
        np.ones(3, dtype=bool),
        need_area=share * float(problem.areas[reach].sum()),
        need_weight=0.9 * share * float(problem.weights[reach].sum()),
    )


def least_of_all(field):
    """Return the least cost of all choices of passes at amount 1."""
    costs = [
        field.cost(np.array(made))
        for made in itertools.product([0.0, 1.0], repeat=len(field.passes))
        if field.is_met(field.levels(np.array(made)) >= 1.0 - 1e-9)
    ]
    return min(costs)


@pytest.mark.parametrize("block", range(4))
def test_rows_and_cuts_never_push_the_bound_above_the_optimum_and_find_it(block, monkeypatch):
    """Bound ≤ optimum of all 2^7 choices ≤ found, with every row generated, cut and charged by need."""
    monkeypatch.setattr("bayreach.cover._work.RENEW", 0.0)
    monkeypatch.setattr("bayreach.cover._field.SMALL", 0)
    monkeypatch.setattr("bayreach.cover._relax.FIRST_SIDES", 2)
    monkeypatch.setattr("bayreach.cover._relax.SIDES_A_ROUND", 2)
    for seed in range(block * 30, block * 30 + 30):
        field = small_field(seed)
        if not len(field.passes):
            continue
        optimum = least_of_all(field)
        lp = relaxed(field, np.zeros(len(field.passes)), effort=Effort(allowed=10.0), seconds=10.0)
        assert lp.bound <= optimum * (1 + 1e-7)
        found = least_work(field, seconds=10.0, rounds=2, gap=1e-6)
        assert found.bound <= optimum * (1 + 1e-6)
        assert found.cost == pytest.approx(optimum, rel=2e-6)
        assert found.status == "optimal"


def test_every_plan_satisfies_every_row_that_was_added(monkeypatch):
    """A model's rows, cuts and charges hold at the points of all 2^7 plans that reach what is asked."""
    monkeypatch.setattr("bayreach.cover._field.SMALL", 0)
    monkeypatch.setattr("bayreach.cover._relax.FIRST_SIDES", 2)
    monkeypatch.setattr("bayreach.cover._relax.SIDES_A_ROUND", 2)
    for seed in range(200, 230):
        field = small_field(seed)
        work = relaxed(field, np.zeros(len(field.passes)), effort=Effort(allowed=10.0), seconds=10.0).work
        matrix = work.model.matrix()
        lower, upper = (np.concatenate(each) for each in (work.model.row_lower, work.model.row_upper))
        for made in itertools.product([0.0, 1.0], repeat=len(field.passes)):
            amounts = np.array(made)
            if not field.is_met(field.levels(amounts) >= 1.0 - 1e-9):
                continue
            rows = matrix @ work.point_of(amounts)
            assert (rows >= lower - 1e-6).all()
            assert (rows <= upper + 1e-6).all()
    assert plan_point(field, amounts).theta < 0


def test_a_growing_lp_gives_the_same_answers_as_one_built_at_once():
    """Columns that join old rows and rows over old and new columns, four times; HiGHS from scratch beside."""
    rng = np.random.default_rng(0)
    model = Model()
    columns = model.add_columns(60, cost=1.0)
    rows = model.add_rows([(rng.random((20, 60)) < 0.1, columns)], lower=0.5)
    lp = Growing(model)
    for turn in range(4):
        more = model.add_columns(5, cost=0.5)
        model.add_entries(int(rows[turn]), more, 0.7)
        model.add_rows([(rng.random((15, 60)) < 0.1, columns), (rng.random((15, 5)) < 0.3, more)], lower=0.5)
        answer = lp.run(effort=Effort(allowed=10.0), seconds=10.0)
        assert answer.objective == pytest.approx(solve_model(model, relax=True).objective)
        assert answer.bound == pytest.approx(answer.objective)


def hard_model():
    rng = np.random.default_rng(0)
    model = Model()
    columns = model.add_columns(600, cost=rng.random(600) + 1.0, integer=True)
    model.add_rows([(rng.random((700, 600)) < 0.03, columns)], lower=1.0)
    return model


def test_ctrl_c_while_the_solver_runs_stops_it():
    """A run of minutes; SIGINT after 0.3 s ends it as KeyboardInterrupt, and the handler is put back."""
    before = signal.getsignal(signal.SIGINT)
    timer = threading.Timer(0.3, lambda: os.kill(os.getpid(), signal.SIGINT))
    timer.start()
    with pytest.raises(KeyboardInterrupt):
        solve_model(hard_model(), seconds=120.0, gap=0.0)
    timer.join()
    assert signal.getsignal(signal.SIGINT) is before


def test_counted_work_ends_a_search_at_the_same_plan_and_bound_whatever_the_clock_says(monkeypatch):
    """Least work cut short, row by row: amounts, bound and count of work agree to the last bit."""
    monkeypatch.setattr("bayreach.cover._field.SMALL", 0)
    ends = []
    for _ in range(2):
        effort = Effort(allowed=0.4)
        ends.append((least_work(work_of(3, 0.9), effort=effort, seconds=0.4, gap=0.0), effort.spent))
        assert not effort.struck
    (first, spent), (second, again) = ends
    assert first.status == "limit"
    assert first.bound < first.cost
    assert first.amounts.tobytes() == second.amounts.tobytes()
    assert (first.bound, spent) == (second.bound, again)


def test_processor_time_ends_a_search_whose_count_is_far_off_and_that_is_told(monkeypatch):
    """Iterations that count nothing: the clock behind ends the run, and the effort says so."""
    monkeypatch.setattr("bayreach.cover._highs.MILP", Costs(0.0, 0.0, 0.0))
    monkeypatch.setattr("bayreach.cover._effort.PATIENCE", 0.1)
    monkeypatch.setattr("bayreach.cover._effort.GRACE", 0.0)
    effort = Effort(allowed=0.5)
    answer = solve_model(hard_model(), effort=effort, seconds=0.5, gap=0.0)
    assert answer.status == "limit"
    assert answer.bound < answer.objective
    assert effort.struck
    assert effort.left() == 0.0


def test_each_stage_tells_how_much_of_its_work_is_done():
    """Stages in their order, each from nothing upwards; the last says that it is done."""
    heard = []
    cover.solve(random_problem(3), progress=lambda *said: heard.append(said))
    names = [stage for stage, _ in itertools.groupby(heard, key=lambda said: said[0])]
    assert names == ["fewest holes", "best coverage", "least work"]
    for name in names:
        done = [step for stage, step, _ in heard if stage == name]
        assert done == sorted(done)
        assert done[0] == 0
    assert heard[-1] == ("least work", 1000, 1000)


def test_traces_of_film_are_left_out_only_with_credit_for_them(monkeypatch):
    """On sides with traces, whatever covers a side by the full film satisfies the thin row as well."""
    monkeypatch.setattr("bayreach.cover._field.SMALL", 0)
    rng = np.random.default_rng(2)
    film = np.where(rng.random((30, 40)) < 0.3, rng.random((30, 40)), 10.0 ** rng.uniform(-12, -5, (30, 40)))
    problem = cover.problem_of(csc_matrix(film), new=np.zeros(40, dtype=bool))
    field = field_of(problem, np.ones(40, dtype=bool), need_area=1.0, need_weight=0.0)
    assert field.thin.nnz < 0.5 * field.rows.nnz
    for _ in range(200):
        amounts = (rng.random(40) < 0.3).astype(float)
        full, thin = field.levels(amounts), field.thin @ amounts
        assert (thin[full >= 1.0] >= 1.0 - 1e-12).all()
        assert (full[thin >= 1.0] >= 1.0 - 1e-4).all()
    # One pass and three traces that make up the need to the last bit: so does the pass with its credit.
    row = np.array([[1.0 - 3e-6, 1e-6, 1e-6, 1e-6]])
    only = field_of(cover.problem_of(row), np.ones(4, dtype=bool), need_area=1.0, need_weight=0.0)
    assert only.thin.toarray()[0] == pytest.approx([1.0, 0.0, 0.0, 0.0], abs=1e-12)


def proven_by_weights(case, lp):
    """Return the columns that the LP's price and weights prove by weak duality."""
    weights = np.minimum(lp.weights, lp.price * case.areas)
    excess = np.maximum(0.0, case.shares.T @ weights - 1.0)
    return weights.sum() - lp.price * case.spare - excess.sum()


@pytest.mark.parametrize("share", [0.05, 0.2, 0.4])
def test_a_price_on_what_stays_dry_proves_no_more_columns_than_are_needed_and_as_many_as_the_lp(share):
    """Beside the MILP with the limit: never above its optimum, on most of six cases equal to it."""
    equal, beyond = 0, 0
    for seed in range(6):
        case = case_of(seed, share)
        lp = fractional(case, effort=Effort(allowed=5.0), seconds=5.0)
        weak = proven_by_weights(case, lp)
        start = np.ones(25, dtype=bool)
        effort = Effort(allowed=5.0)
        said = priced(case, price=lp.price, known=lp.known, start=start, effort=effort, seconds=5.0)
        fewest = solve_model(whole(case)).objective
        assert said.holes <= fewest + 1e-6
        assert said.holes >= math.ceil(weak - 1e-6) - (1 if len(case.conflicts) else 0)
        equal += int(said.holes >= fewest - 1e-6)
        beyond += int(said.holes > math.ceil(weak - 1e-6))
        for chosen, over in zip(said.choices, said.over, strict=True):
            dry = case.areas[~(case.shares @ chosen > 0)].sum()
            assert over == pytest.approx(dry - case.spare)
            assert not chosen[case.conflicts].all(axis=1).any()
    assert equal >= 3
    assert beyond >= 1


def test_blocks_prove_no_more_columns_than_are_needed_and_no_less_than_the_lp():
    """Beside the MILP with the limit, parted down to two columns in the LP; some excluding each other."""
    beyond = 0
    for seed, share in itertools.product(range(8), (0.05, 0.2, 0.4)):
        case = case_of(seed, share)
        lp = fractional(case, effort=Effort(allowed=5.0), seconds=5.0)
        weak = proven_by_weights(case, lp)
        start, effort = np.ones(25, dtype=bool), Effort(allowed=5.0)
        said = bound_by_blocks(case, lp, start=start, effort=effort, seconds=5.0, largest=2.0)
        assert weak - 1e-6 <= said.bound <= solve_model(whole(case)).objective + 1e-6
        beyond += int(said.bound > weak + 0.05)
    assert beyond >= 6


def test_weights_that_prove_too_much_are_cut_down_before_any_milp():
    """Of no work at all: the LP's bound where nothing excludes; of half as much again never too much."""
    for seed in range(6):
        case = replace(case_of(seed, 0.2), conflicts=np.zeros((0, 2), dtype=int))
        lp = fractional(case, effort=Effort(allowed=5.0), seconds=5.0)
        kept = {
            "start": np.ones(25, dtype=bool),
            "effort": Effort(allowed=5.0),
            "seconds": 0.0,
            "largest": 2.0,
        }
        said = bound_by_blocks(case, lp, **kept)
        weights = np.minimum(lp.weights, lp.price * case.areas)
        assert said.bound == pytest.approx(weights.sum() - lp.price * case.spare, abs=1e-6)
        assert not said.is_closed
        for factor in (1.5, 4.0):
            more = bound_by_blocks(case, replace(lp, weights=factor * lp.weights), **kept)
            assert more.bound <= solve_model(whole(case), relax=True).objective + 1e-6


def two_boxes():
    """Return two coverings side by side as one, its LP with every row known, and the columns of the first."""
    one, other = case_of(1, 0.2), case_of(2, 0.2)
    both = Covering(
        shares=block_diag([one.shares, other.shares], format="csr"),
        areas=np.concatenate([one.areas, other.areas]),
        spare=one.spare + other.spare,
        conflicts=np.zeros((0, 2), dtype=int),
    )
    lp = fractional(both, effort=Effort(allowed=5.0), seconds=5.0)
    return both, replace(lp, known=np.arange(len(both.areas))), one.shares.shape[1]


def test_of_two_boxes_that_share_no_pass_blocks_prove_what_the_whole_proves():
    """Cut between them, costs whole on either side; the sum of both minima, also from halves of each box."""
    both, lp, columns = two_boxes()
    size = float(lp.chosen.sum())
    in_two = parted(both, lp, largest=0.6 * size)
    first, other = in_two.leaf_of_row[:60], in_two.leaf_of_row[60:]
    assert len(set(first)) == len(set(other)) == 1
    assert in_two.costs.sum(axis=1) == pytest.approx(1.0)
    assert (in_two.costs[:columns, first[0]] > 0.999).all()
    assert (in_two.costs[columns:, other[0]] > 0.999).all()
    in_two.root.leaves[first[0]].chosen = np.ones(2 * columns, dtype=bool)
    in_two.root.leaves[other[0]].chosen = np.zeros(2 * columns, dtype=bool)
    assert in_two.together(in_two.root).tolist() == [True] * columns + [False] * columns

    model, _ = priced_model(both, lp.known, lp.price)
    best = solve_model(model).objective - lp.price * both.spare
    fewest = solve_model(whole(both))
    optimum = fewest.values[: 2 * columns] > 0.5
    for largest in (0.6 * size, 0.3 * size):
        for start in (np.ones(2 * columns, dtype=bool), optimum):
            said = bound_by_blocks(
                both, lp, start=start, effort=Effort(allowed=30.0), seconds=9.0, largest=largest
            )
            # Where the bound proves that nothing is fewer than the start, that is enough.
            assert said.bound <= best + 2e-3
            assert said.bound >= min(best - 2e-3, start.sum() - 1.0 + 1e-6)
            assert said.is_closed or said.holes >= start.sum()


def test_a_block_that_did_not_close_is_not_joined_and_counts_by_its_bound_alone(monkeypatch):
    """A solver that stops at its limit with a dear answer: as many runs as leaves; rows left dry join."""
    both, lp, _ = two_boxes()
    runs = []

    def stopped(model, **asked):
        answer = solve_model(model, **asked)
        runs.append(model.n_rows)
        return replace(answer, objective=answer.objective + 9.0, bound=answer.bound - 0.5, status="limit")

    monkeypatch.setattr("bayreach.cover._blocks.solve", stopped)
    few = replace(lp, known=lp.known[::4])
    size = 0.3 * float(lp.chosen.sum())
    start = np.ones(both.shares.shape[1], dtype=bool)
    leaves = len(parted(both, few, largest=size).root.leaves)
    said = bound_by_blocks(both, few, start=start, effort=Effort(allowed=30.0), seconds=9.0, largest=size)
    assert len(runs) == leaves >= 4
    assert not said.is_closed
    assert said.bound <= solve_model(whole(both)).objective
    assert set(few.known.tolist()) < set(said.known.tolist())


def test_a_block_is_cut_where_it_hangs_together_least():
    """Two rings of six joined by one thin link: the rings come apart; no part is less than a quarter."""
    table = np.zeros((12, 12))
    for first in (0, 6):
        for place in range(6):
            table[first + place, first + (place + 1) % 6] = 1.0
    table[2, 8] = 0.05
    shuffled = np.random.default_rng(3).permutation(12)
    table = (table + table.T)[np.ix_(shuffled, shuffled)]
    for factor in (1.0, 1e-9):
        first = _cut(factor * table, np.ones(12))
        assert set(shuffled[first].tolist()) in (set(range(6)), set(range(6, 12)))
    path = np.diag(np.ones(11), 1)
    path[2, 3] = 0.9  # the thinnest link is not where both parts keep most of theirs
    assert sorted(np.bincount(_cut(path + path.T, np.ones(12)))) == [6, 6]
    lone = np.zeros((8, 8))
    lone[1:, 1:] = 1.0 - np.eye(7)
    assert 2 <= _cut(lone, np.ones(8)).sum() <= 6


def test_the_next_price_is_where_the_lines_of_choices_leave_most_room():
    """Three lines; a scan of ten thousand prices finds no higher floor."""
    said = Priced(bound=0.0)
    for count, over in ((9, -0.5), (7, 0.25), (4, 2.0)):
        said.met(np.arange(10) < count, over)
    price = said.next_price(1.0)
    assert said.height(price) >= max(said.height(tried) for tried in np.linspace(0.0, 10.0, 10_001)) - 1e-9
    assert said.height(price) == pytest.approx(9 - 0.5 * price)
