"""The three stages in order, and the whole-pull plan that a hand can carry out."""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from bayreach.arrays import BoolArray, FloatArray, IntArray
from bayreach.cover._choice import HoleChoice, hole_choice
from bayreach.cover._effort import Effort
from bayreach.cover._field import REACHED, Field, field_of
from bayreach.cover._highs import solve as solve_model
from bayreach.cover._holes import (
    Certificate,
    HolesFound,
    best_coverage,
    fewest_holes,
)
from bayreach.cover._model import at_least
from bayreach.cover._problem import ROUND_OFF, Problem
from bayreach.cover._pulls import whole_pulls
from bayreach.cover._work import ROUNDS, WorkFound, least_work
from bayreach.cover._work_model import work_model

Progress = Callable[[str, int, int], None]
TOLD = 1000
"""Steps in which a stage's work is told."""
SPEED_LEVELS = (0.5, 0.56, 0.63, 0.71, 0.8, 0.9, 1.0, 1.12, 1.25, 1.4, 1.6, 1.8, 2.0)
"""Amounts that one pull can lay, at 1 / 0.5 to 1 / 2 of the reference speed: the R20 series of ISO 3."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Cover:
    """A plan in numbers, and what is proven of it.

    Parameters
    ----------
    opened : (n_entries,) bool
        Entries used by a pass.
    amounts, counts, ratios : (n_passes,)
        Amount = count × ratio; `ratio` is the reference speed over the pull speed.
    covered : (n_sides,) bool
        Sides whose film reaches the need.
    area, weight : float
        m² and weighted m² covered.
    attainable_area : float
        m² that all openings and candidates together cover: an upper bound.
    no_drill_area : float
        m² that the openings alone can cover; exact where passes are not limited.
    met : bool
        Is the area asked covered?
    new_holes, new_holes_bound : int
        Holes drilled, and the fewest that are not disproven.
    certificate : Certificate
        Numbers that re-prove a lower bound on holes without a solver.
    best_weight, best_weight_bound : float
        The best weighted m² found at this number of holes, and its proven upper bound.
    cost, bound, gap : float
        Seconds of the plan (liquid priced in), the proven lower bound with these holes, and (cost − bound)
        / cost.
    continuous_cost : float
        Cost before amounts were rounded up to whole pulls at the speed levels.
    greedy_cost : float
        What plain greedy would have cost with the same holes; infinite where it does not get there.
    hurried : bool
        Did processor time end a search before its count of work did (see `Effort`)? Then another run may end
        elsewhere.
    """

    opened: BoolArray
    amounts: FloatArray
    counts: IntArray
    ratios: FloatArray
    covered: BoolArray
    area: float
    weight: float
    attainable_area: float
    no_drill_area: float
    met: bool
    new_holes: int
    new_holes_bound: int
    certificate: Certificate
    best_weight: float
    best_weight_bound: float
    cost: float
    bound: float
    continuous_cost: float
    greedy_cost: float
    hurried: bool = False

    @property
    def gap(self) -> float:
        """(cost − bound) / cost; 0 for a plan that costs nothing."""
        return max(0.0, self.cost - self.bound) / self.cost if self.cost > 0 else 0.0

    @property
    def proven(self) -> bool:
        """Say whether the number of new holes is proven to be the fewest."""
        return self.new_holes <= self.new_holes_bound


def solve(
    problem: Problem,
    *,
    slack: float = 0.01,
    margin: float = 0.0,
    seconds: float = 60.0,
    rounds: int = ROUNDS,
    ratios: tuple[float, ...] | None = SPEED_LEVELS,
    progress: Progress | None = None,
) -> Cover:
    """Return the plan of `problem` in three stages.

    (i) the fewest new holes for the share asked; (ii) the best weighted coverage at that number; (iii) the
    least cost that
    keeps the share asked and gives up no more than `slack` of that best coverage. Where the share asked is
    out of reach,
    the attainable one (less `slack`) takes its place and `met` is False.

    Parameters
    ----------
    slack : float
        Share of the best weighted coverage that stage (iii) may give up, 0 to 1.
    margin : float
        Share of area by which stage (iii) aims above the share asked, where the holes allow it: of use where
        sides are a sample, so that the simulation does not fall short by chance.
    seconds : float
        Work for all stages together, counted and not timed (see `Effort`), so that the same problem ends with
        the same plan and bound; what a stage leaves over goes to the next. The bound says how good the answer
        is when work runs out; it ends before where the plan is within 0.5 % of it.
    rounds : int
        Most rounds of ruin and recreate.
    ratios : tuple of float or None
        Amounts of one pull that a hand can make; None leaves amounts continuous.
    progress : callable
        Told (stage, done, total): how much of the work allowed to a stage is done.

    Raises
    ------
    KeyboardInterrupt
        On Ctrl-C, in the solver too.
    """
    effort = Effort(allowed=seconds)
    say = progress if progress is not None else (lambda stage, done, total: None)

    def stage(name: str, allowed: float) -> float:
        begin = effort.spent
        effort.told = lambda spent: say(name, min(TOLD - 1, int(TOLD * (spent - begin) / allowed)), TOLD)
        say(name, 0, TOLD)
        return allowed

    choice = hole_choice(problem)
    allowed = stage("fewest holes", 0.25 * seconds)
    target, holes, certificate = _first_stage(problem, choice, slack=slack, effort=effort, seconds=allowed)
    allowed = stage("best coverage", 0.2 * effort.left())
    found = _second_stage(problem, choice, holes, target, effort=effort, seconds=allowed)
    opened = ~problem.new
    opened[choice.holes[found.chosen]] = True
    keep = max(0.0, found.value - slack * found.value)
    within = choice.area_of(found.chosen) * (1.0 - ROUND_OFF)
    wanted = max(target, min(target + margin * float(problem.areas.sum()), within))
    need = target if problem.limits.has_pass_limit else wanted
    field = field_of(problem, opened, need_area=need, need_weight=keep)
    allowed = stage("least work", max(1e-3, effort.left()))
    work = least_work(field, effort=effort, seconds=allowed, rounds=rounds)
    cover = _cover_of(
        problem=problem,
        choice=choice,
        field=field,
        work=work,
        found=found,
        certificate=certificate,
        ratios=ratios,
    )
    say("least work", TOLD, TOLD)
    bound = int(holes.bound) if math.isfinite(holes.bound) else cover.new_holes
    return replace(cover, new_holes_bound=min(bound, cover.new_holes), hurried=effort.struck)


def _first_stage(
    problem: Problem, choice: HoleChoice, *, slack: float, effort: Effort, seconds: float
) -> tuple[float, HolesFound, Certificate]:
    """Return the area to reach (asked, or what can be had), the fewest holes for it and the certificate."""
    most = problem.limits.new_holes
    if problem.limits.has_pass_limit:
        return _first_limited(problem, choice, effort=effort, seconds=seconds)
    holes, certificate = fewest_holes(problem, choice, most=most, effort=effort, seconds=seconds)
    if math.isfinite(holes.value):
        return problem.asked_area, holes, certificate
    # Out of reach: as much as can be had, less the slack, so that the last scraps cost no hole of their own.
    n_most = len(choice.holes) if most is None else most
    best = best_coverage(choice, holes=n_most, by_area=True, ask_area=False, effort=effort, seconds=seconds)
    target = best.value * (1.0 - slack)
    lesser = replace(choice, asked_area=target)
    share = target / float(problem.areas.sum()) if problem.areas.sum() > 0 else 0.0
    again = replace(problem, share=min(1.0, share))
    holes, certificate = fewest_holes(again, lesser, effort=effort, seconds=seconds)
    return target, holes, certificate


def _second_stage(
    problem: Problem, choice: HoleChoice, holes: HolesFound, target: float, *, effort: Effort, seconds: float
) -> HolesFound:
    count = int(holes.chosen.sum())
    if problem.limits.has_pass_limit:
        return _second_limited(problem, choice, holes, target, effort=effort, seconds=seconds)
    asked = replace(choice, asked_area=target)
    return best_coverage(asked, holes=count, start=holes.chosen, effort=effort, seconds=seconds)


def _free_field(problem: Problem, *, need_area: float, most_new: int, hole_cost: float) -> Field:
    """Return a field with every entry open to choice, where only new holes cost."""
    field = field_of(problem, np.ones(problem.n_entries, dtype=bool), need_area=need_area, need_weight=0.0)
    n_passes = len(field.passes)
    return replace(
        field,
        fixed=np.zeros(n_passes),
        unit=np.zeros(n_passes),
        pair_price=np.zeros(len(field.pair_entry)),
        surplus_price=np.zeros(len(field.sides)),
        entry_price=hole_cost * problem.new.astype(float),
        most_new=most_new,
    )


def _columns_of(choice: HoleChoice, problem: Problem, made: BoolArray, field: Field) -> BoolArray:
    opened = np.zeros(problem.n_entries, dtype=bool)
    opened[field.entry[made]] = True
    return np.asarray(opened[choice.holes])


def _first_limited(
    problem: Problem, choice: HoleChoice, *, effort: Effort, seconds: float
) -> tuple[float, HolesFound, Certificate]:
    """Stage one where passes are limited: holes, passes and amounts in one model (it may cost a hole)."""
    relaxed, certificate = fewest_holes(problem, choice, effort=effort, seconds=0.3 * seconds)
    most = problem.n_entries if problem.limits.new_holes is None else problem.limits.new_holes
    target = problem.asked_area
    for attempt in range(2):
        field = _free_field(problem, need_area=target, most_new=most, hole_cost=1.0)
        work = least_work(field, effort=effort, seconds=seconds, rounds=0, gap=1e-6)
        if work.met:
            chosen = _columns_of(choice, problem, work.amounts > 0, field)
            bound = at_least(work.bound)
            if attempt == 0 and math.isfinite(relaxed.bound):
                bound = max(bound, int(relaxed.bound))
            value = float(chosen.sum())
            return (
                target,
                HolesFound(chosen=chosen, value=value, bound=bound, status=work.status),
                certificate,
            )
        best, _ = _most_weight(
            problem, most_new=most, need_area=0.0, by_area=True, effort=effort, seconds=seconds
        )
        target = best * (1.0 - 1e-9)
    none = np.zeros(len(choice.holes), dtype=bool)
    return 0.0, HolesFound(chosen=none, value=0.0, bound=0.0, status="limit"), certificate


def _most_weight(
    problem: Problem, *, most_new: int, need_area: float, by_area: bool, effort: Effort, seconds: float
) -> tuple[float, "tuple[BoolArray, Field, float]"]:
    """Return the most (weighted) m² under limits on passes, the passes made, the field and the bound."""
    field = _free_field(problem, need_area=need_area, most_new=most_new, hole_cost=0.0)
    gains = field.areas if by_area else field.weights
    scale = max(float(gains.sum()), 1e-300)
    trifle = 1e-6 * problem.new / max(1, problem.n_entries)
    field = replace(field, entry_price=trifle)
    sides = np.arange(len(field.areas))
    work = work_model(field, sides, np.zeros(0, dtype=np.int64), reward=gains / scale)
    answer = solve_model(work.model, effort=effort, seconds=seconds, gap=1e-7)
    if not answer.found:
        return 0.0, (np.zeros(len(field.passes), dtype=bool), field, scale)
    made = answer.values[work.made] > 0.5
    amounts = np.where(made, answer.values[work.amount], 0.0)
    covered = field.levels(amounts) >= REACHED
    return float(gains[covered].sum()), (
        made & (amounts > 0),
        field,
        min(scale, (1.0 - answer.bound) * scale + 1e-6),
    )


def _second_limited(
    problem: Problem, choice: HoleChoice, holes: HolesFound, target: float, *, effort: Effort, seconds: float
) -> HolesFound:
    count = int(holes.chosen.sum())
    value, (made, field, bound) = _most_weight(
        problem, most_new=count, need_area=target, by_area=False, effort=effort, seconds=seconds
    )
    if not made.any():
        opened = ~problem.new
        opened[choice.holes[holes.chosen]] = True
        return HolesFound(chosen=holes.chosen, value=0.0, bound=bound, status="limit")
    chosen = _columns_of(choice, problem, made, field)
    return HolesFound(chosen=chosen, value=value, bound=max(bound, value), status="optimal")


def _cover_of(
    *,
    problem: Problem,
    choice: HoleChoice,
    field: Field,
    work: WorkFound,
    found: HolesFound,
    certificate: Certificate,
    ratios: tuple[float, ...] | None,
) -> Cover:
    counts, chosen_ratios = whole_pulls(field, work.amounts, ratios)
    amounts = np.zeros(problem.n_passes)
    all_counts, all_ratios = np.zeros(problem.n_passes, dtype=np.int64), np.ones(problem.n_passes)
    amounts[field.passes] = counts * chosen_ratios
    all_counts[field.passes], all_ratios[field.passes] = counts, chosen_ratios
    covered = problem.covered_by(amounts)
    opened = np.zeros(problem.n_entries, dtype=bool)
    opened[field.entry[counts > 0]] = True
    area = float(problem.areas[covered].sum())
    cost = field.cost(counts * chosen_ratios)
    return Cover(
        opened=opened,
        amounts=amounts,
        counts=all_counts,
        ratios=all_ratios,
        covered=covered,
        area=area,
        weight=float(problem.weights[covered].sum()),
        attainable_area=choice.attainable_area,
        no_drill_area=choice.done_area,
        met=area >= problem.asked_area * (1.0 - ROUND_OFF),
        new_holes=int((opened & problem.new).sum()),
        new_holes_bound=0,
        certificate=certificate,
        best_weight=found.value,
        best_weight_bound=found.bound,
        cost=cost,
        bound=min(work.bound, cost),
        continuous_cost=work.cost,
        greedy_cost=work.greedy_cost,
    )
