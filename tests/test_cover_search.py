"""Cover: plans without a solver and whole pulls, each step held to what it promises."""

import itertools

import numpy as np
import pytest
from test_cover_laws import least_of_all, small_field

from bayreach import cover
from bayreach.cover._amount_kernels import gains_of, rows_of
from bayreach.cover._effort import Effort
from bayreach.cover._field import REACHED, Field, field_of
from bayreach.cover._highs import solve as solve_model
from bayreach.cover._pulls import whole_pulls
from bayreach.cover._search import (
    Noise,
    _allowed,
    _best_step,
    _first_cost,
    _ruin,
    _worth,
    counted,
    greedy,
    improved,
    lowered,
)
from bayreach.cover._work_model import can_be_heavy, work_model


def field_within(
    seed: int, limits: cover.Limits, share: float = 0.6, amounts: tuple[float, float] = (0.5, 4.0)
) -> Field:
    """Return 10 sides and 8 passes in 4 entries by 2 wands, 3 of the entries new and 2 of these excluding."""
    rng = np.random.default_rng(seed)
    problem = cover.problem_of(
        rng.choice([0.0, 0.0, 0.4, 1.0, 2.0], size=(10, 8)),
        entries=np.arange(8) % 4,
        new=[False, True, True, True],
        areas=rng.integers(1, 9, 10) * 0.01,
        limit=np.full(10, 3.0),
        least=np.full(8, amounts[0]),
        most=np.full(8, amounts[1]),
        fixed_seconds=rng.integers(1, 30, 8).astype(float),
        unit_seconds=rng.integers(1, 9, 8).astype(float),
        wands=np.arange(8) // 4,
        conflicts=[[1, 2]],
        limits=limits,
    )
    reach = float(problem.areas[problem.covered_by(problem.most)].sum())
    return field_of(problem, np.ones(4, dtype=bool), need_area=share * reach, need_weight=0.0)


LIMITS = [
    cover.Limits(),
    cover.Limits(passes=2),
    cover.Limits(passes_per_entry=1),
    cover.Limits(new_holes=1),
    cover.Limits(new_holes=0),
]


def is_within(field: Field, amounts: np.ndarray) -> bool:
    """Say whether limits and exclusions hold, by counting."""
    used = np.flatnonzero(amounts > 0)
    entries = field.entry[used].tolist()
    return (
        len(used) <= field.most_passes
        and max((entries.count(entry) for entry in entries), default=0) <= field.most_per_entry
        and sum(bool(field.is_new[entry]) for entry in set(entries)) <= field.most_new
        and not any({a, b} <= set(entries) for a, b in field.conflicts.tolist())
    )


@pytest.mark.parametrize("limits", LIMITS, ids=str)
def test_a_pass_may_be_raised_where_the_limits_would_still_hold_and_only_there(limits: cover.Limits) -> None:
    """Of all sets of passes within the limits, pass by pass: allowed is what counting says."""
    field = field_within(0, limits)
    for made in itertools.product([0.0, 1.0], repeat=len(field.passes)):
        amounts = np.array(made)
        if not is_within(field, amounts):
            continue
        one_more = np.maximum(amounts, np.eye(len(amounts)))
        assert _allowed(field, amounts).tolist() == [is_within(field, more) for more in one_more]


@pytest.mark.parametrize("limits", LIMITS, ids=str)
def test_the_whole_model_has_the_least_cost_of_all_plans_within_the_limits(limits: cover.Limits) -> None:
    """Passes of one pull or none, all sides and all surplus known: the MILP beside all 2^8 plans."""
    short = 0
    for seed in range(4):
        field = field_within(seed, limits, amounts=(1.0, 1.0))
        costs = [
            field.cost(np.array(made))
            for made in itertools.product([0.0, 1.0], repeat=len(field.passes))
            if is_within(field, np.array(made)) and field.is_met(field.levels(np.array(made)) >= REACHED)
        ]
        work = work_model(field, np.arange(len(field.sides)), can_be_heavy(field))
        answer = solve_model(work.model)
        if not costs:
            assert answer.status == "infeasible"
            short += 1
            continue
        assert answer.objective == pytest.approx(min(costs), rel=1e-6)
        amounts = answer.values[work.amount]
        assert is_within(field, np.where(amounts > 0.5, 1.0, 0.0))
        point = work.point_of(np.round(amounts))
        assert point[work.made].tolist() == np.round(answer.values[work.made]).tolist()
        assert np.concatenate(work.model.cost) @ point == pytest.approx(min(costs), rel=1e-6)
    assert short < 4


def test_beginning_a_pass_costs_what_the_whole_plan_then_costs_more() -> None:
    """All sets of passes, all passes not in them: a hair of one, beside the cost of the plan with it."""
    field = field_within(1, cover.Limits())
    for made in itertools.product([0.0, 1.0], repeat=len(field.passes)):
        amounts = np.array(made)
        first = _first_cost(field, amounts)
        assert (first[amounts > 0] == 0).all()
        for k in np.flatnonzero(amounts == 0):
            more = amounts.copy()
            more[k] = 1e-9
            assert first[k] == pytest.approx(field.cost(more) - field.cost(amounts), abs=1e-3)


def test_a_side_is_worth_its_share_of_what_is_short_of_area_and_of_weight() -> None:
    """Areas 1, 2, 5 of which 4 are asked and the first is wet: 3 short, so 2/3 and no more than 1."""
    problem = cover.problem_of(np.eye(3), areas=[1.0, 2.0, 5.0], weights=[4.0, 1.0, 1.0])
    opened = np.ones(3, dtype=bool)
    wet = np.array([True, False, False])
    by_area = field_of(problem, opened, need_area=4.0, need_weight=4.0)
    assert _worth(by_area, wet) == pytest.approx([1 / 3, 2 / 3, 1.0])
    both = field_of(problem, opened, need_area=4.0, need_weight=6.0)
    assert _worth(both, wet) == pytest.approx([1 / 3 + 1.0, 2 / 3 + 1 / 2, 1.0 + 1 / 2])


@pytest.mark.parametrize("limits", LIMITS, ids=str)
def test_greedy_keeps_to_limits_and_ends_when_enough_is_wet_or_nothing_more_helps(
    limits: cover.Limits,
) -> None:
    for seed in range(12):
        field = field_within(seed, limits)
        for noise in (None, Noise(rng=np.random.default_rng(seed), size=0.3)):
            start = np.zeros(len(field.passes))
            plan = greedy(field, start, noise)
            assert (start == 0).all()
            assert is_within(field, plan)
            assert ((plan == 0) | ((plan >= field.least) & (plan <= field.most * (1 + 1e-9)))).all()
            levels = field.levels(plan)
            if not field.is_met(levels >= REACHED):
                may = _allowed(field, plan) & (plan < field.most * (1 - 1e-9))
                assert not (field.strengths[levels < REACHED][:, may] > 0).nnz


def test_greedy_takes_the_pass_that_wets_most_a_second() -> None:
    """Two passes over the same side at 5 and 7 s: the cheaper alone, and no more than due."""
    problem = cover.problem_of([[1.0, 1.0]], fixed_seconds=[7.0, 5.0], least=[0.5, 0.5], most=[4.0, 4.0])
    field = field_of(problem, np.ones(2, dtype=bool), need_area=1.0, need_weight=0.0)
    plan = greedy(field, np.zeros(2))
    assert plan[0] == 0
    assert 1.0 <= plan[1] <= 4.0 ** (1 / 2) + 1e-9  # six steps of one factor from 0.5 to 4


def test_greedy_counts_no_more_film_than_a_side_still_needs() -> None:
    """A side lacks 0.1 and another 1: 1.0 more on the first is worth less than 0.6 on the other."""
    film = [[0.9, 1.0, 0.0, 0.0], [0.0, 0.0, 0.6, 0.6]]
    problem = cover.problem_of(film, fixed_seconds=[1.0, 5.0, 5.0, 6.0])
    field = field_of(problem, np.ones(4, dtype=bool), need_area=2.0, need_weight=0.0)
    amounts = np.array([1.0, 0.0, 0.0, 0.0])
    assert _best_step(field, amounts, field.levels(amounts), np.ones((1, 4)), None) == (0, 2)


def test_ruin_and_recreate_finds_the_least_of_all_plans_where_greedy_does_not() -> None:
    """Twelve fields of seven passes: the least of all 2^7 in ten of them or more, lowered greedy in fewer."""
    plain = found = 0
    for seed in range(12):
        field = small_field(seed)
        least = least_of_all(field) * (1 + 1e-9)
        plan = lowered(field, greedy(field, np.zeros(len(field.passes))))
        plain += field.cost(plan) <= least
        better = improved(
            field, plan, rounds=40, rng=np.random.default_rng(seed), effort=Effort(allowed=9.0), seconds=1.0
        )
        found += field.cost(better) <= least
    assert plain < 8
    assert found >= 10


@pytest.mark.parametrize("seed", range(20))
def test_lowered_amounts_cost_no_more_and_none_of_them_can_be_less(seed: int) -> None:
    """A thousandth less of any pass above its least, or the whole of one at it: what is asked is not met."""
    field = field_within(seed, cover.Limits(), share=[0.6, 0.9, 1.0][seed % 3])
    start = np.random.default_rng(seed).uniform(0.5, 4.0, len(field.passes))
    if not field.is_met(field.levels(start) >= REACHED):
        assert (lowered(field, start) == start).all()
        return
    plan = lowered(field, start)
    assert field.is_met(field.levels(plan) >= REACHED)
    assert field.cost(plan) <= field.cost(start)
    assert (plan <= start).all()
    assert ((plan == 0) | (plan >= field.least)).all()
    for k in np.flatnonzero(plan):
        less = plan.copy()
        less[k] = plan[k] * 0.999 if plan[k] > field.least[k] * 1.002 else 0.0
        assert not field.is_met(field.levels(less) >= REACHED)


def test_the_dearest_pass_is_lowered_first() -> None:
    """Either of two passes is enough for the one side: the one of 9 s goes, that of 2 s stays."""
    for dear in (0, 1):
        fixed = np.where(np.arange(2) == dear, 9.0, 2.0)
        problem = cover.problem_of([[1.0, 1.0]], fixed_seconds=fixed)
        field = field_of(problem, np.ones(2, dtype=bool), need_area=1.0, need_weight=0.0)
        assert lowered(field, np.ones(2)).tolist() == np.where(np.arange(2) == dear, 0.0, 1.0).tolist()


@pytest.mark.parametrize("seed", range(3))
def test_ruin_and_recreate_betters_a_plan_counts_its_work_and_ends_by_rounds_or_count(seed: int) -> None:
    field = small_field(seed)
    start = np.ones(len(field.passes))
    give = {"rng": np.random.default_rng(seed)}
    effort = Effort(allowed=9.0)
    assert improved(field, start, rounds=0, effort=effort, seconds=1.0, **give) is start
    assert improved(field, start, rounds=50, effort=effort, seconds=0.0, **give) is start
    assert effort.spent == 0.0
    plan = improved(field, start, rounds=15, effort=effort, seconds=1.0, **give)
    assert field.is_met(field.levels(plan) >= REACHED)
    assert field.cost(plan) <= field.cost(lowered(field, start))
    one = counted(field, np.zeros_like(start), np.zeros_like(start))
    assert 15 * one <= effort.spent < 1.0


def test_work_is_counted_by_passes_raised_and_by_passes_lowered() -> None:
    """Two raised, three in use: (2 + 1) x 0.7 and 3 x 0.2 ns an entry of the film, 0.2 and 0.03 ms each."""
    field = small_field(1)
    before, after = np.zeros(len(field.passes)), np.zeros(len(field.passes))
    after[:3], before[0] = 1.0, 1.0
    assert counted(field, before, after) == pytest.approx(
        field.strengths.nnz * (2.1e-9 + 0.6e-9) + 6e-4 + 9e-5
    )


def test_what_is_ruined_is_some_of_what_is_made() -> None:
    """A hundred draws: one pass at least, no more than a third or a whole entry, each of those made."""
    field = field_within(2, cover.Limits())
    used = np.array([0, 2, 3, 4, 6, 7])
    rng = np.random.default_rng(0)
    sizes = set()
    for _ in range(100):
        gone = _ruin(field, used, rng)
        assert 1 <= len(gone) == len(set(gone.tolist()))
        assert set(gone.tolist()) <= set(used.tolist())
        whole = [set(used[field.entry[used] == entry].tolist()) for entry in range(4)]
        assert len(gone) <= 2 or set(gone.tolist()) in whole
        sizes.add(len(gone))
    assert sizes == {1, 2}


LEVELS = (0.5, 0.7, 1.0, 1.4, 2.0)


@pytest.mark.parametrize("seed", range(16))
def test_whole_pulls_meet_what_is_asked_cost_no_more_than_rounding_up_and_no_pass_could_be_quicker(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Fewest pulls at one of five levels each: one step less on any pass, and what is asked is not met."""
    rng = np.random.default_rng(seed)
    problem = cover.problem_of(
        rng.choice([0.0, 0.0, 0.4, 1.0, 1.7], size=(14, 6)),
        need=rng.uniform(0.5, 4.0, 14),
        areas=rng.integers(1, 9, 14) * 0.01,
        limit=rng.uniform(4.0, 8.0, 14),
        unit_seconds=rng.uniform(1.0, 9.0, 6),
        most=np.full(6, 6.0),
        least=np.full(6, 0.1),
    )
    amounts = rng.uniform(2.0, 5.5, 6)
    amounts[seed % 6] = 0.0
    asked = 0.9 * float(problem.areas[problem.covered_by(amounts)].sum())
    field = field_of(problem, np.ones(6, dtype=bool), need_area=asked, need_weight=0.0)
    # A step is a count and a level of more than the quickest of the counts before can give.
    steps = np.array(
        [0.0, *(k * level for k in (1, 2, 3, 4) for level in LEVELS if k * level > (k - 1) * 2.0)]
    )
    naive = steps[np.searchsorted(steps, amounts * (1 - 1e-9))]
    counts, ratios = whole_pulls(field, amounts, LEVELS)
    got = counts * ratios
    assert (counts[amounts == 0] == 0).all()
    assert np.isin(ratios, LEVELS).all()
    assert np.isin(got, steps).all()
    assert (got <= problem.most[0]).all()
    assert (counts == np.ceil(got / 2.0 - 1e-9)).all()
    assert field.is_met(field.levels(got) >= REACHED)
    assert field.cost(got) <= field.cost(naive)
    monkeypatch.setattr("bayreach.cover._pulls.SWEEPS", 0)
    stepped = np.prod(whole_pulls(field, amounts, LEVELS), axis=0)
    assert field.cost(got) <= field.cost(stepped) * (1 + 1e-12)
    for k in np.flatnonzero(got):
        fewer = got.copy()
        fewer[k] = steps[np.searchsorted(steps, got[k] - 1e-9) - 1]
        assert not field.is_met(field.levels(fewer) >= REACHED)


def test_without_levels_a_pull_takes_the_amount_itself():
    problem = cover.problem_of(np.eye(2), most=[3.0, 3.0])
    field = field_of(problem, np.ones(2, dtype=bool), need_area=1.0, need_weight=0.0)
    counts, ratios = whole_pulls(field, np.array([2.5, 0.0]), None)
    assert (counts.tolist(), ratios.tolist()) == ([1, 0], [2.5, 1.0])


@pytest.mark.parametrize("last", [False, True])
@pytest.mark.parametrize(("most", "got"), [(1.0, [0.7, 0.5, 0.5, 0.5]), (0.69, [0.5, 0.7, 0.7, 0.7])])
def test_one_pass_is_raised_a_step_where_that_lets_others_come_down_and_its_greatest_allows(
    most: float, got: list[float], last: bool
) -> None:
    """Three sides ask for 1.05, one pass wets all, three wet one each: 0.55 is rounded up to 0.7."""
    order = [1, 2, 3, 0] if last else [0, 1, 2, 3]
    problem = cover.problem_of(
        np.column_stack([np.ones(3), np.eye(3)])[:, order],
        need=np.full(3, 1.05),
        least=np.full(4, 0.1),
        most=np.array([most, 0.7, 0.7, 0.7])[order],
        unit_seconds=np.array([1.0, 3.0, 3.0, 3.0])[order],
    )
    field = field_of(problem, np.ones(4, dtype=bool), need_area=3.0, need_weight=0.0)
    counts, ratios = whole_pulls(field, np.array([0.5, 0.55, 0.55, 0.55])[order], LEVELS)
    assert counts * ratios == pytest.approx(np.array(got)[order])


def test_the_dearest_pass_is_lessened_first_and_none_made_stays_none() -> None:
    """Two passes of 1.4 where 2.1 is due: the dearer comes down to 0.7; too much film is dear too."""
    opened = np.ones(2, dtype=bool)
    for dear in (0, 1):
        seconds = np.where(np.arange(2) == dear, 9.0, 2.0)
        given = {"need": [2.1], "most": [1.4, 1.4], "least": [0.1, 0.1]}
        problem = cover.problem_of([[1.0, 1.0]], unit_seconds=seconds, **given)
        field = field_of(problem, opened, need_area=1.0, need_weight=0.0)
        counts, ratios = whole_pulls(field, np.array([1.3, 1.3]), LEVELS)
        assert counts * ratios == pytest.approx(np.where(np.arange(2) == dear, 0.7, 1.4))
        counts, _ = whole_pulls(field, np.zeros(2), LEVELS)
        assert counts.tolist() == [0, 0]
    # The same seconds, but the second also wets a side that has more than its greatest film.
    wet = cover.problem_of(
        [[1.0, 1.0], [0.0, 1.0]], need=[2.1, 0.1], limit=[9.0, 0.2], most=[1.4, 1.4], least=[0.1, 0.1],
        unit_seconds=[2.0, 2.0],
    )  # fmt: skip
    field = field_of(wet, opened, need_area=2.0, need_weight=0.0)
    counts, ratios = whole_pulls(field, np.array([1.3, 1.3]), LEVELS)
    assert counts * ratios == pytest.approx([1.4, 0.7])


@pytest.mark.parametrize("seed", range(5))
def test_what_raising_a_pass_gains_is_its_film_on_each_dry_side_as_far_as_it_is_missing(seed: int) -> None:
    """The loop over rows beside the definition as one array of steps, sides and passes."""
    field = small_field(seed)
    rng = np.random.default_rng(seed)
    levels, worth = rng.random(len(field.areas)), rng.random(len(field.areas))
    more = rng.choice([0.0, 0.3, 1.0], size=(3, len(field.passes)))
    dry = np.flatnonzero(rng.random(len(levels)) < 0.6)
    film = field.strengths.toarray()[dry][None] * more[:, None]
    truth = (np.minimum(film, (1.0 - levels[dry])[None, :, None]) * worth[dry][None, :, None]).sum(axis=1)
    gains = gains_of(rows_of(field.rows), dry, 1.0 - levels[dry], worth[dry], more)
    assert gains == pytest.approx(truth)
