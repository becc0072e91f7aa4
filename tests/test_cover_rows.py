"""Cover: LPs and MILPs that know some of the rows against the whole."""

import numpy as np
import pytest
from scipy.sparse import csr_matrix
from test_cover import random_problem
from test_cover_laws import case_of, hard_model, least_of_all, small_field, whole

from bayreach import cover
from bayreach.cover._effort import Effort
from bayreach.cover._highs import _fresh
from bayreach.cover._highs import solve as solve_model
from bayreach.cover._hole_rows import Covering, fractional, on_support
from bayreach.cover._relax import relaxed
from bayreach.cover._work_model import can_be_heavy, work_model


def without_conflicts(case: Covering) -> Covering:
    return Covering(
        shares=case.shares, areas=case.areas, spare=case.spare, conflicts=np.zeros((0, 2), dtype=int)
    )


@pytest.mark.parametrize("share", [0.0, 0.05, 0.2])
def test_an_lp_that_learns_its_rows_proves_what_the_lp_of_all_rows_does(
    share: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From five rows up, five a round: same optimum, and its price and weights prove it by weak duality."""
    monkeypatch.setattr("bayreach.cover._hole_rows.FIRST", 5)
    monkeypatch.setattr("bayreach.cover._hole_rows.A_ROUND", 5)
    for seed in range(6):
        case = case_of(seed, share)
        optimum = solve_model(whole(case), relax=True).objective
        lp = fractional(case, effort=Effort(allowed=9.0), seconds=9.0)
        assert lp is not None
        assert lp.chosen.sum() == pytest.approx(optimum, rel=1e-3)
        assert len(lp.known) == len(set(lp.known.tolist()))
        free = without_conflicts(case)
        optimum = solve_model(whole(free), relax=True).objective
        lp = fractional(free, effort=Effort(allowed=9.0), seconds=9.0)
        assert lp is not None
        # No column is worth more than 1, nor a row that may stay dry more than its area's price.
        assert (free.shares.T @ lp.weights <= 1.0 + 1e-6).all()
        priced = np.where(free.areas <= free.spare, lp.price * free.areas, np.inf)
        proven = np.minimum(lp.weights, priced).sum() - lp.price * free.spare
        assert optimum * (1 - 2e-3) - 1e-6 <= proven <= optimum + 1e-6


@pytest.mark.parametrize("share", [0.7, 0.9, 1.0])
def test_a_certificate_proves_at_least_what_the_lp_does_and_no_more_than_is_so(share: float) -> None:
    """Sixty rows, 25 columns, none excluding another: LP optimum ≤ certificate ≤ fewest, which is found."""
    for seed in range(5):
        case = without_conflicts(case_of(100 + seed, 1.0 - share))
        problem = cover.problem_of(case.shares, areas=case.areas, share=share)
        found, certificate = cover.fewest_holes(problem, cover.hole_choice(problem))
        fewest = round(solve_model(whole(case)).objective)
        assert solve_model(whole(case), relax=True).objective <= certificate.bound + 1e-5
        assert certificate.bound <= fewest + 1e-6
        assert found.chosen.sum() == found.bound == fewest


def test_many_rows_are_proven_by_the_lp_too_and_their_fewest_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same with rows learned ten at a time: LP optimum ≤ certificate ≤ fewest of the MILP of all rows."""
    monkeypatch.setattr("bayreach.cover._holes.MANY_ROWS", 0)
    monkeypatch.setattr("bayreach.cover._hole_rows.FIRST", 10)
    monkeypatch.setattr("bayreach.cover._hole_rows.A_ROUND", 10)
    for seed in range(3):
        case = without_conflicts(case_of(200 + seed, 0.1))
        problem = cover.problem_of(case.shares, areas=case.areas, share=0.9)
        found, certificate = cover.fewest_holes(problem, cover.hole_choice(problem), seconds=2.0)
        fewest = round(solve_model(whole(case)).objective)
        assert solve_model(whole(case), relax=True).objective <= certificate.bound * (1 + 1e-3)
        assert certificate.bound <= fewest + 1e-6
        assert found.bound <= fewest == found.chosen.sum()


def test_an_lp_of_work_that_learns_sides_and_charges_proves_at_least_what_all_of_them_at_once_do(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """From two sides up: no less than the LP with every side, the surplus of each in a row of its own."""
    monkeypatch.setattr("bayreach.cover._field.SMALL", 0)
    monkeypatch.setattr("bayreach.cover._relax.FIRST_SIDES", 2)
    monkeypatch.setattr("bayreach.cover._relax.SIDES_A_ROUND", 2)
    for seed in range(16):
        field = small_field(300 + seed)
        if not len(field.passes):
            continue
        lp = relaxed(field, np.zeros(len(field.passes)), effort=Effort(allowed=10.0), seconds=10.0)
        at_once = work_model(field, np.arange(len(field.sides)), can_be_heavy(field))
        least = solve_model(at_once.model, relax=True).objective
        assert least * (1 - 1e-6) <= lp.bound <= least_of_all(field) * (1 + 1e-7)


def test_an_lp_counts_its_work_and_gives_none_where_none_is_left() -> None:
    case = case_of(1, 0.0)
    effort = Effort(allowed=9.0)
    assert fractional(case, effort=effort, seconds=9.0) is not None
    assert effort.spent >= case.shares.nnz * 2e-8


@pytest.mark.parametrize("share", [0.0, 0.1])
def test_milps_on_rows_that_are_learned_find_as_few_columns_as_the_milp_of_all_rows(
    share: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From three rows known: a cover, no exclusion broken, the optimum of all rows, no start made worse."""
    monkeypatch.setattr("bayreach.cover._hole_rows.A_ROUND", 10)
    for seed in range(3):
        case = case_of(seed, share)
        start = np.ones(25, dtype=bool)
        start[[1, 3, 4]] = False
        if case.areas[case.shares @ start == 0].sum() > case.spare:
            continue
        least = solve_model(whole(case)).objective
        found = on_support(case, known=np.arange(3), start=start, effort=Effort(allowed=20.0), seconds=20.0)
        assert case.areas[case.shares @ found == 0].sum() <= case.spare * (1 + 1e-9)
        assert not found[case.conflicts].all(axis=1).any()
        assert found.sum() == round(least)
        again = on_support(case, known=np.arange(60), start=found, effort=Effort(allowed=20.0), seconds=20.0)
        assert again.sum() == found.sum()


def test_a_covering_of_some_columns_keeps_the_exclusions_among_them() -> None:
    case = case_of(0, 0.1)
    part = case.with_columns(np.array([0, 2, 3, 7]))
    assert (part.shares != case.shares[:, [0, 2, 3, 7]]).nnz == 0
    assert part.conflicts.tolist() == [[1, 2]]  # of 0-1, 2-3 and 0-4
    assert (part.spare, part.areas.tolist()) == (case.spare, case.areas.tolist())


def test_the_solver_is_told_what_makes_its_answers_the_same_every_time(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """One thread, one seed, a log without times; an LP cut short by its count says so."""
    highs = _fresh(gap=0.03)
    for name, value in (
        ("threads", 1),
        ("random_seed", 7),
        ("mip_rel_gap", 0.03),
        ("timeless_log", True),
        ("log_to_console", False),
        ("mip_feasibility_tolerance", 1e-7),
        ("primal_feasibility_tolerance", 1e-8),
    ):
        assert highs.getOptionValue(name)[1] == value
    model = hard_model()
    full = solve_model(model, relax=True)
    assert full.status == "optimal"
    monkeypatch.setattr("bayreach.cover._highs.SHORTEST", 1e-3)
    cut = solve_model(model, relax=True, effort=Effort(allowed=9.0), seconds=1e-3)
    assert cut.status == "limit"
    assert cut.bound <= full.objective + 1e-6


def test_the_gap_of_a_plan_is_its_share_of_cost_not_proven_and_nothing_where_it_costs_nothing() -> None:
    found = cover.solve(random_problem(3), slack=0.0)
    assert found.gap == pytest.approx(max(0.0, found.cost - found.bound) / found.cost)
    nothing = cover.solve(cover.problem_of(csr_matrix(np.eye(2)), share=0.0))
    assert (nothing.cost, nothing.gap) == (0.0, 0.0)
