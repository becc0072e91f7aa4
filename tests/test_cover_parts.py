"""Cover: each part held alone to its own law, for a solver behind a wrong part may still find the answer."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from scipy.sparse import csr_matrix
from test_cover import random_problem, seconds_of
from test_cover_laws import random_shares

from bayreach import cover
from bayreach.cover import _effort
from bayreach.cover._choice import greedy_holes, hole_choice, is_enough, partial_rows, pruned, reduced
from bayreach.cover._effort import Effort
from bayreach.cover._field import REACHED, field_of
from bayreach.cover._highs import solve as solve_model
from bayreach.cover._model import Model, dual_bound
from bayreach.cover._problem import Problem
from bayreach.cover._reduce import alike, inclusions, kept
from bayreach.errors import PlanError


def every_choice(n):
    return np.array(list(itertools.product([False, True], repeat=n)), dtype=bool).reshape(2**n, n)


def choice_of(seed, share=0.8):
    shares, areas, conflicts = random_shares(seed)
    weights = areas * np.arange(1, 8)
    return hole_choice(
        cover.problem_of(shares, areas=areas, weights=weights, share=share, conflicts=conflicts)
    )


@pytest.mark.parametrize("seed", range(12))
def test_holes_cover_the_sides_that_their_passes_cover_at_the_greatest_amounts(seed):
    """Of all sets of new entries: area and weight by rows are those of the film that all passes leave."""
    problem = random_problem(300 + seed)
    choice = hole_choice(problem)
    assert choice.shares.data.max(initial=0.0) <= 1.0
    assert choice.shares.data.min(initial=1.0) > 0.0
    # One row answers for each side in somebody's reach that is not done, and for no other.
    everywhere = problem.covered_by(problem.most)
    assert (choice.row_of[choice.done] == -1).all()
    assert (choice.row_of[~everywhere] == -1).all()
    assert np.unique(choice.row_of[everywhere & ~choice.done]).tolist() == list(range(len(choice.row_areas)))
    assert choice.attainable_area == pytest.approx(problem.areas[everywhere].sum())
    for chosen in every_choice(len(choice.holes)):
        opened = ~problem.new
        opened[choice.holes[chosen]] = True
        covered = problem.covered_by(problem.most * problem.enters(opened))
        assert choice.area_of(chosen) == pytest.approx(problem.areas[covered].sum())
        assert choice.weight_of(chosen) == pytest.approx(problem.weights[covered].sum())


@pytest.mark.parametrize("whole_area", [False, True])
def test_what_is_left_after_a_reduction_covers_the_area_and_weight_that_it_did_before(whole_area):
    """Of all choices of the columns left; with rows gone too, of those that cover all that is asked."""
    rows_gone = 0
    for seed in range(30):
        choice = choice_of(seed, 1.0 if whole_area else 0.8)
        slim, columns = reduced(choice, whole_area=whole_area)
        assert (slim.holes == choice.holes[columns]).all()
        gone = (slim.row_of < 0) & (choice.row_of >= 0)
        rows_gone += gone.sum()
        kept_pairs = [pair for pair in choice.conflicts.tolist() if set(pair) <= set(columns.tolist())]
        assert [[columns[a], columns[b]] for a, b in slim.conflicts.tolist()] == kept_pairs
        for few in every_choice(len(columns)):
            chosen = np.zeros(len(choice.holes), dtype=bool)
            chosen[columns[few]] = True
            assert not gone.any() or is_enough(slim, few) == is_enough(choice, chosen)
            if gone.any() and not slim.covered_rows(few).all():
                continue
            assert slim.area_of(few) == pytest.approx(choice.area_of(chosen))
            assert slim.weight_of(few) == pytest.approx(choice.weight_of(chosen))
    assert (rows_gone > 0) == whole_area


def test_greedy_takes_the_most_area_first_counts_parts_as_parts_and_opens_no_two_that_exclude_each_other():
    """Columns of 2 m², of one row of 5 m², and of half that row: 5 m² first, which alone is enough."""
    shares = np.array([[1.0, 0, 0], [1.0, 0, 0], [0, 1.0, 0.5]])
    areas = [1.0, 1.0, 5.0]
    for share, taken in ((5 / 7, [1]), (1.0, [0, 1])):
        choice = hole_choice(cover.problem_of(shares, areas=areas, share=share))
        assert np.flatnonzero(greedy_holes(choice)).tolist() == taken
    pairs = hole_choice(cover.problem_of(np.eye(4), areas=[4.0, 3.0, 2.0, 1.0], conflicts=[[0, 1], [2, 3]]))
    assert np.flatnonzero(greedy_holes(pairs)).tolist() == [0, 2]
    for seed in range(40):
        choice = choice_of(seed, 1.0)
        chosen = greedy_holes(choice)
        assert not chosen[choice.conflicts].all(axis=1).any()
        if not len(choice.conflicts):
            assert is_enough(choice, chosen) == (choice.attainable_area >= choice.asked_area * (1 - 1e-9))


def test_pruning_keeps_what_is_asked_and_leaves_no_column_that_could_still_go():
    for seed in range(60):
        choice = choice_of(seed, [0.5, 0.8, 1.0][seed % 3])
        chosen = np.ones(len(choice.holes), dtype=bool)
        left = pruned(choice, chosen)
        assert chosen.all()
        if not is_enough(choice, chosen):
            assert left is chosen
            continue
        assert is_enough(choice, left)
        for column in np.flatnonzero(left):
            fewer = left.copy()
            fewer[column] = False
            assert not is_enough(choice, fewer)


def test_rows_of_which_a_column_brings_a_part_are_told():
    choice = hole_choice(
        cover.problem_of([[1.0, 0.0, 0.0], [0.5, 1.0, 0.0], [0.5, 0.5, 0.0], [0.0, 0.0, 2.0]])
    )
    assert partial_rows(choice).tolist() == [False, True, True, False]


def test_rows_are_alike_to_twelve_digits_and_the_first_of_each_group_stands_for_it():
    rows = [[1.0, 0, 0.3], [0, 1.0, 0], [1.0, 0, 0.3 + 1e-14], [1.0, 0, 0.3 + 1e-11], [0, 1.0, 0], [0, 0, 0]]
    group, first = alike(csr_matrix(rows))
    assert group.tolist() == [0, 1, 0, 2, 1, 3]
    assert first.tolist() == [0, 1, 3, 5]


@pytest.mark.parametrize("full_cover", [False, True])
def test_a_reduction_ends_when_no_column_outdoes_another_and_no_row_follows_from_another(full_cover):
    """Pair by pair: full wherever the other has a share, among what is left and excludes nothing."""
    gone = 0
    for seed in range(80):
        shares, _, conflicts = random_shares(seed)
        left = kept(csr_matrix(shares), conflicts, full_cover=full_cover)
        gone += (~left.columns).sum() + (~left.rows).sum()
        some, full = (shares > 0)[left.rows], (shares >= 1.0)[left.rows]
        free = [k for k in np.flatnonzero(left.columns) if k not in conflicts]
        assert not any((full[:, d] >= some[:, c]).all() for c, d in itertools.permutations(free, 2))
        some, full = some[:, left.columns], full[:, left.columns]
        rows = range(len(some)) if full_cover else ()
        assert not any(
            (full[s] >= some[r]).all() and some[r].any() for r, s in itertools.permutations(rows, 2)
        )
    assert gone > 80


def test_a_column_of_nothing_goes_and_of_columns_alike_the_first_stays():
    shares = csr_matrix([[1.0, 1.0, 0.0], [1.0, 1.0, 0.0]])
    assert kept(shares, np.zeros((0, 2), dtype=int), full_cover=False).columns.tolist() == [
        True,
        False,
        False,
    ]
    assert [len(each) for each in inclusions(shares[:0], shares)] == [0, 0]
    assert kept(shares, np.array([[0, 1]]), full_cover=False).columns.tolist() == [True, True, False]


def test_effort_is_counted_told_and_ended_by_a_clock_far_behind(monkeypatch):
    """8 s allowed: the clock strikes after 4 x 8 + 20 s, and any other clock has ten times what is left."""
    now = [100.0]
    monkeypatch.setattr(_effort.time, "thread_time", lambda: now[0])
    heard: list[float] = []
    effort = Effort(allowed=8.0, told=heard.append, _begin=100.0)
    effort.spend(1.5)
    effort.tell(2.0)
    effort.spend(0.5)
    assert heard == [1.5, 3.5, 2.0]
    assert (effort.left(), effort.left(5.0)) == (6.0, 3.0)
    assert effort.clock_left() == pytest.approx(520.0)
    now[0] = 100.0 + 52.0
    assert not effort.is_out_of_patience()
    assert effort.clock_left() == pytest.approx(1.0)  # a tenth of a second at least
    now[0] = 100.0 + 51.5
    assert effort.clock_left() == pytest.approx(5.0)
    now[0] = 100.0 + 52.1
    assert effort.left(7.0) == 0.0
    assert effort.struck
    now[0] = 100.0
    assert effort.is_out_of_patience()  # once struck it stays so


GIVEN = {
    "film": np.eye(2, 3),
    "areas": np.ones(2),
    "weights": np.ones(2),
    "need": np.ones(2),
    "limit": np.full(2, np.inf),
    "lets_in": np.eye(3),
    "new": np.ones(3, dtype=bool),
    "least": np.ones(3),
    "most": np.ones(3),
    "fixed_seconds": np.ones(3),
    "unit_seconds": np.ones(3),
    "unit_volume": np.ones(3),
    "wands": np.zeros(3, dtype=int),
    "conflicts": np.zeros((0, 2), dtype=int),
    "share": 1.0,
}


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"lets_in": np.eye(3)[:, :2]}, "lets_in: 2 passes found, the film matrix has 3"),
        ({"film": -np.eye(2, 3)}, "film: every value must be finite and 0 or more"),
        ({"film": np.where(np.eye(2, 3) > 0, np.inf, 0.0)}, "film: every value must be finite and 0 or more"),
        ({"new": np.ones(2, dtype=bool)}, r"new: shape \(2,\) found, \(3,\) needed"),
        ({"need": np.array([1.0, -1.0])}, "need: every side needs more than no film; 1 do not"),
        ({"least": np.full(3, 1.5)}, "least: the smallest amount of a pass must be 0 or more"),
        ({"least": np.full(3, -0.5)}, "least: the smallest amount of a pass must be 0 or more"),
        ({"share": -0.1}, "coverage: -0.1 asked, 0 to 1 allowed"),
    ],
)
def test_a_problem_that_does_not_fit_together_is_refused_with_the_table_s_name(wrong, words):
    assert Problem(**GIVEN).n_entries == 3
    with pytest.raises((ValueError, PlanError), match=words):
        Problem(**(GIVEN | wrong))


def test_prices_and_defaults_are_those_that_the_docstring_states():
    """1 L is worth 120 s, so 2 s and 3 mL cost 2.36 s; each pass has an entry of its own, new, at 1 s."""
    problem = cover.problem_of(np.eye(2), unit_seconds=[2.0, 0.0], unit_volume=[3e-6, 0.0])
    assert problem.unit_cost == pytest.approx([2.36, 0.0])
    plain = cover.problem_of(np.eye(2), areas=[3.0, 4.0])
    assert plain.weights.tolist() == [3.0, 4.0]
    assert plain.fixed_seconds.tolist() == plain.least.tolist() == plain.most.tolist() == [1.0, 1.0]
    assert (plain.new.all(), plain.wands.tolist(), plain.unit_cost.tolist()) == (True, [0, 0], [0.0, 0.0])
    assert plain.lets_in.toarray().tolist() == np.eye(2).tolist()
    assert np.isinf(plain.limit).all()
    assert cover.problem_of(np.eye(2), entries=[0, 2]).n_entries == 3
    assert cover.problem_of(np.zeros((2, 0))).n_entries == 0


def test_nothing_asked_all_asked_no_pass_and_amounts_from_nothing_are_allowed():
    """The ends of each range; one limit of film stands for all sides, and tables are held against writing."""
    for share in (0.0, 1.0):
        assert cover.problem_of(np.eye(2), share=share).asked_area == pytest.approx(2.0 * share)
    problem = cover.problem_of(np.eye(2), least=[0.0, 1.0], limit=4.0, wands=[1, 2])
    assert problem.limit.tolist() == [4.0, 4.0]
    with pytest.raises(ValueError, match="read-only"):
        problem.wands[0] = 3
    assert cover.Limits(passes=0).has_pass_limit
    assert cover.Limits(passes_per_entry=0).has_pass_limit
    assert not cover.Limits(new_holes=0).has_pass_limit


def test_a_model_is_the_matrix_that_its_blocks_say():
    """Rows over old and new columns, entries put in later: the same as a dense matrix filled by hand."""
    rng = np.random.default_rng(3)
    model = Model()
    first = model.add_columns(3, cost=[1.0, 2.0, 3.0], upper=5.0)
    one, two = rng.random((2, 3)), rng.random((2, 2))
    top = model.add_rows([(one, first)], lower=0.5)
    since = model.n_blocks
    second = model.add_columns(2, cost=-1.0, lower=-2.0, integer=True)
    model.add_columns(1)  # in no row, and at no cost
    bottom = model.add_rows([(one, first), (two, second)], lower=[0.0, 1.0], upper=[7.0, 8.0])
    model.add_entries(int(top[1]), second, 0.25)
    assert (first.tolist(), second.tolist(), top.tolist(), bottom.tolist()) == (
        [0, 1, 2],
        [3, 4],
        [0, 1],
        [2, 3],
    )
    dense = np.zeros((4, 6))
    dense[:2, :3] = dense[2:, :3] = one
    dense[2:, 3:5], dense[1, 3:5] = two, 0.25
    assert model.matrix().toarray() == pytest.approx(dense)
    assert (model.n_rows, model.n_columns, model.n_entries, model.n_blocks) == (4, 6, 18, 4)
    rows, columns, values = model.entries_since(since)
    assert csr_matrix((values, (rows, columns)), shape=(4, 6)).toarray() == pytest.approx(
        dense - np.pad(one, ((0, 2), (0, 3)))
    )
    assert (model.row_upper_of(1), model.row_upper_of(3)) == (np.inf, 8.0)
    assert np.concatenate(model.row_lower).tolist() == [0.5, 0.5, 0.0, 1.0]
    assert np.concatenate(model.upper).tolist() == [5.0, 5.0, 5.0, 1.0, 1.0, 1.0]
    assert np.concatenate(model.lower).tolist() == [0.0, 0.0, 0.0, -2.0, -2.0, 0.0]
    assert np.concatenate(model.integer).tolist() == [False] * 3 + [True] * 2 + [False]
    assert np.concatenate(model.cost).tolist() == [1.0, 2.0, 3.0, -1.0, -1.0, 0.0]
    assert Model().matrix().shape == (0, 0)


@pytest.mark.parametrize("seed", range(10))
def test_no_duals_prove_more_than_the_optimum_of_an_lp_and_its_own_prove_it(seed):
    """Rows with limits below, above or on both sides, columns of either sign: 20 random duals beside."""
    rng = np.random.default_rng(seed)
    model = Model()
    columns = model.add_columns(6, cost=rng.normal(size=6), lower=-rng.random(6), upper=rng.random(6))
    matrix, middle = rng.normal(size=(5, 6)), np.zeros(5)
    lower = np.where(rng.random(5) < 0.6, middle - rng.random(5) * 0.1, -np.inf)
    upper = np.where(rng.random(5) < 0.6, middle + rng.random(5) * 0.1, np.inf)
    model.add_rows([(matrix, columns)], lower=lower, upper=upper)
    answer = solve_model(model, relax=True)
    assert answer.found
    assert dual_bound(model, answer.duals) == pytest.approx(answer.objective, abs=1e-6)
    for _ in range(20):
        bound = dual_bound(model, rng.normal(size=5))
        assert np.isfinite(bound)
        assert bound <= answer.objective + 1e-9


@pytest.mark.parametrize(("dual", "proves"), [(0.0, 0.0), (0.5, 0.5), (1.0, 1.0), (2.0, -np.inf)])
def test_a_column_without_limit_proves_nothing_where_its_price_is_below_nought(dual, proves):
    """LP: min x, x at least 1 and without end; dual 2 asks for x without end at a cost of −1 each."""
    model = Model()
    model.add_rows([(np.ones((1, 1)), model.add_columns(1, cost=1.0, upper=np.inf))], lower=1.0)
    assert dual_bound(model, np.array([dual])) == proves


@pytest.mark.parametrize("seed", range(8))
def test_a_field_reaches_and_costs_what_the_problem_says(seed):
    """Levels, cost, what a pass, a wand at an entry and an entry bring, and a part of the passes alone."""
    plain = random_problem(700 + seed)
    need = np.linspace(0.5, 2.0, plain.n_sides)
    problem = replace(plain, film=plain.film.multiply(need[:, None]), need=need, limit=plain.limit * need)
    opened = np.ones(problem.n_entries, dtype=bool)
    field = field_of(problem, opened, need_area=2.0, need_weight=3.0)
    film = problem.film.toarray() / problem.need[:, None]
    assert field.sides.tolist() == np.flatnonzero(film.sum(axis=1) >= REACHED).tolist()
    film = film[field.sides]
    assert field.reach.toarray() == pytest.approx(np.minimum(film, 1.0))
    for brought, groups in ((field.pair_reach, field.pair), (field.entry_reach, field.entry)):
        for k in range(brought.shape[1]):
            capped = np.minimum(film[:, groups == k], 1.0).sum(axis=1)
            assert brought[:, [k]].toarray().ravel() == pytest.approx(np.minimum(capped, 1.0))
    assert (field.pair_entry[field.pair] == field.entry).all()
    assert len(np.unique([field.pair, problem.wands[field.passes]], axis=1)[0]) == len(field.pair_entry)
    assert field.spare_area == pytest.approx(field.areas.sum() - 2.0)
    assert field.spare_weight == pytest.approx(field.weights.sum() - 3.0)
    rng = np.random.default_rng(seed)
    made = rng.random(problem.n_passes) < 0.5
    dry = problem.areas * np.maximum(0.0, problem.film @ made - problem.limit)
    lost = problem.prices.surplus_litre * 1e3 * np.delete(dry, field.sides).sum()  # on sides that stay dry
    assert field.cost(made.astype(float)) == pytest.approx(seconds_of(problem, made) - lost)
    part = field.with_passes(np.flatnonzero(made))
    assert part.levels(np.ones(made.sum())) == pytest.approx(field.levels(made.astype(float)))
    assert part.cost(np.ones(made.sum())) == pytest.approx(field.cost(made.astype(float)))
    assert (part.passes == field.passes[made]).all()
    assert (part.lets_in.toarray() == field.lets_in.toarray()[:, made]).all()
    shut = np.arange(problem.n_entries) % 2 == 1
    half = field_of(problem, ~shut, need_area=0.0, need_weight=0.0)
    assert half.lets_in[shut].nnz == 0
    assert (half.entry % 2 == 0).all()
    assert (part.least.tolist(), part.most.tolist()) == ([1.0] * made.sum(), [1.0] * made.sum())


def test_a_field_asks_for_area_and_weight_both():
    """Two sides of 1 m², weights 2.5 and 3: one side, both, or the heavier one."""
    problem = cover.problem_of(np.eye(2), weights=[2.5, 3.0])
    opened = np.ones(2, dtype=bool)
    still = cover.problem_of(np.eye(2), least=[0.0, 1.0], most=[0.0, 1.0])
    assert field_of(still, opened, need_area=0.0, need_weight=0.0).passes.tolist() == [1]
    light, heavy = np.array([True, False]), np.array([False, True])
    both = field_of(problem, opened, need_area=1.0, need_weight=3.0)
    assert (both.is_met(light), both.is_met(heavy), both.is_met(light | heavy)) == (False, True, True)
    area = field_of(problem, opened, need_area=2.0, need_weight=1.0)
    assert (area.is_met(heavy), area.is_met(light | heavy)) == (False, True)
