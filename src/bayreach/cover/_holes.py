"""Stages one and two: the fewest new holes, then the best weighted coverage at that number."""

import math
from dataclasses import dataclass, field

import numpy as np

from bayreach.arrays import BoolArray, FloatArray, IntArray
from bayreach.cover._blocks import bound_by_blocks
from bayreach.cover._choice import (
    HoleChoice,
    greedy_holes,
    is_enough,
    missing_shares,
    partial_rows,
    pruned,
    reduced,
)
from bayreach.cover._effort import Effort
from bayreach.cover._highs import solve
from bayreach.cover._hole_rows import Covering, Fractional, fractional, on_support
from bayreach.cover._model import Model, at_least
from bayreach.cover._priced import SHORTEST, priced
from bayreach.cover._problem import ROUND_OFF, Problem

REDUCED_ENTRY = 2e-7
"""Counted seconds an entry of the shares for the reduction and the first greedy choice."""
MANY_ROWS = 4000
"""With more rows than this, each covered by one column or not at all, rows come as they are needed."""
MILP_OF_LP = 5.0
"""No MILP is begun with less than so many times what the LP took: on the demo box it needs 40 times that."""
BLOCKS = 0.9
"""Share of the work on a bound that goes into its blocks; where they close, the rest goes into the whole."""
NEAR = 4
"""Choices that nearly do from which swaps begin."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Certificate:
    """Weights on witness sides that prove how many new holes are needed, with no solver.

    For any price p ≥ 0 a m² and weights λ_s ≥ 0, a plan that covers the area asked has at least
    p·asked − Σ_s max(0, p·area_s − λ_s) − Σ_h max(0, Σ_s D_sh λ_s − 1) new holes, where D_sh is the share
    of side s's
    missing need that hole h can bring at most, 0 to 1 (weak duality of the covering LP).

    Parameters
    ----------
    price : float
        p, holes a m².
    sides : (k,) int
        The witness sides (rows of the problem).
    weights : (k,) float
        λ of each, in holes.
    bound : float
        What they prove.
    """

    price: float
    sides: IntArray
    weights: FloatArray
    bound: float

    @property
    def holes(self) -> int:
        """The fewest new holes that the certificate leaves possible."""
        return max(0, at_least(self.bound))


@dataclass(frozen=True, kw_only=True, eq=False)
class _Parts:
    model: Model
    holes: IntArray
    rows: IntArray


def _hole_model(
    choice: HoleChoice, *, hole_cost: float, row_cost: FloatArray | float, most: int | None, must_cover: bool
) -> _Parts:
    """Build min hole_cost·Σy + row_cost·z with z ≤ D y, conflicts and the greatest number of holes.

    `must_cover` fixes the rows without which the area asked cannot be had: plain for the solver, where a
    tight sum is not.
    """
    from scipy.sparse import identity

    model = Model()
    holes = model.add_columns(len(choice.holes), cost=hole_cost, integer=True)
    partial = partial_rows(choice)
    costs = np.broadcast_to(np.asarray(row_cost, dtype=float), (len(choice.row_areas),))
    must = np.zeros(len(costs))
    if must_cover:
        must[choice.row_areas > choice.attainable_area - choice.asked_area * (1.0 - ROUND_OFF)] = 1.0
    rows = np.zeros(len(choice.row_areas), dtype=np.int64)
    # A row whose shares are all 0 or 1 needs no integrality: it follows the holes.
    for mask, integer in ((~partial, False), (partial, True)):
        rows[mask] = model.add_columns(int(mask.sum()), cost=costs[mask], lower=must[mask], integer=integer)
    if len(rows):
        model.add_rows([(choice.shares, holes), (-identity(len(rows)), rows)], lower=0.0)
    model.add_exclusions(choice.conflicts, holes)
    if most is not None and len(holes):
        model.add_rows([(np.ones((1, len(holes))), holes)], upper=float(most))
    return _Parts(model=model, holes=holes, rows=rows)


def _ask_for_area(parts: _Parts, choice: HoleChoice) -> int:
    lacking = choice.asked_area * (1.0 - 10.0 * ROUND_OFF) - choice.done_area
    return int(parts.model.add_rows([(choice.row_areas[None, :], parts.rows)], lower=lacking)[0])


@dataclass(frozen=True, kw_only=True, eq=False)
class HolesFound:
    """Answer of one hole stage: columns chosen, the value reached and what is proven of it."""

    chosen: BoolArray
    value: float
    bound: float
    status: str


def fewest_holes(
    problem: Problem,
    choice: HoleChoice,
    *,
    most: int | None = None,
    seconds: float = 30.0,
    effort: Effort | None = None,
) -> tuple[HolesFound, Certificate]:
    """Return the fewest new holes that reach the area asked, and the LP's certificate of a lower bound.

    `seconds` are counted work (see `Effort`, which `effort` goes on with). `status` is "infeasible" where no
    choice of candidates reaches what is asked.
    """
    none = np.zeros(len(choice.holes), dtype=bool)
    nothing = Certificate(price=0.0, sides=np.zeros(0, dtype=np.int64), weights=np.zeros(0), bound=0.0)
    if choice.done_area >= choice.asked_area * (1.0 - ROUND_OFF):
        return HolesFound(chosen=none, value=0.0, bound=0.0, status="optimal"), nothing
    if not len(choice.holes) or choice.attainable_area < choice.asked_area * (1.0 - ROUND_OFF):
        return HolesFound(chosen=none, value=math.inf, bound=math.inf, status="infeasible"), nothing
    effort = Effort(allowed=seconds) if effort is None else effort
    end = effort.spent + seconds
    whole = choice
    effort.spend(whole.shares.nnz * REDUCED_ENTRY)
    choice, place = reduced(whole, whole_area=True)
    many = choice.shares.shape[0] > MANY_ROWS and not partial_rows(choice).any()
    search = _search_many if many else _search_whole
    start = pruned(choice, greedy_holes(choice))
    found, proven, certificate = search(problem, choice, start, effort, effort.left(end))
    asked = choice.asked_area * (1.0 - ROUND_OFF)
    if choice.area_of(found) < asked:
        found = start
    if choice.area_of(found) < asked:
        return HolesFound(chosen=none, value=math.inf, bound=math.inf, status="infeasible"), certificate
    if most is not None and found.sum() > most:
        return HolesFound(chosen=none, value=math.inf, bound=proven, status="too many"), certificate
    chosen = none.copy()
    chosen[place] = found
    searched = at_least(proven) if math.isfinite(proven) else 0
    bound = min(int(chosen.sum()), max(searched, certificate.holes))
    status = "optimal" if chosen.sum() <= bound else "limit"
    return HolesFound(chosen=chosen, value=float(chosen.sum()), bound=bound, status=status), certificate


def _search_whole(
    problem: Problem, choice: HoleChoice, start: BoolArray, effort: Effort, seconds: float
) -> tuple[BoolArray, float, Certificate]:
    """Return columns, the bound and the certificate from models of every row."""
    end = effort.spent + seconds
    parts = _hole_model(choice, hole_cost=1.0, row_cost=0.0, most=None, must_cover=False)
    area_row = _ask_for_area(parts, choice)
    relaxed = solve(parts.model, relax=True, effort=effort, seconds=0.5 * seconds)
    price, row_weights = 0.0, np.zeros(len(choice.row_areas))
    if relaxed.duals.size:
        price, row_weights = float(relaxed.duals[area_row]), relaxed.duals[: len(row_weights)]
    certificate = _certificate(problem, choice, price, row_weights)
    if is_enough(choice, start) and start.sum() <= certificate.holes:
        return start, float(certificate.holes), certificate  # greedy meets the bound: no search is needed
    parts = _hole_model(choice, hole_cost=1.0, row_cost=0.0, most=None, must_cover=True)
    _ask_for_area(parts, choice)
    begin = _start(parts, choice, start)
    answer = solve(parts.model, start=begin, effort=effort, seconds=effort.left(end), gap=1e-6)
    return answer.values[parts.holes] > 0.5 if answer.found else start, answer.bound, certificate


def _search_many(
    problem: Problem, choice: HoleChoice, start: BoolArray, effort: Effort, seconds: float
) -> tuple[BoolArray, float, Certificate]:
    """Return columns, the bound and the certificate where the rows are too many for one model."""
    end = effort.spent + seconds
    spare = choice.attainable_area - choice.asked_area * (1.0 - ROUND_OFF)
    shares, conflicts = choice.shares.tocsr(), choice.conflicts
    case = Covering(shares=shares, areas=choice.row_areas, spare=spare, conflicts=conflicts)
    before = effort.spent
    lp = fractional(case, effort=effort, seconds=0.5 * seconds)
    took = effort.spent - before
    if lp is None:
        return start, 0.0, _certificate(problem, choice, 0.0, np.zeros(len(choice.row_areas)))
    certificate = _certificate(problem, choice, lp.price, lp.weights)
    proven = certificate.holes
    search = _Many(choice=choice, case=case, lp=lp, effort=effort, end=end, found=start, proven=proven)
    if not is_enough(choice, start):
        search.solve_milps(0.5)
    search.swap(0.1)
    if MILP_OF_LP * took < search.left(1.0):
        search.bound_by_price(0.85)
    search.swap(0.5)
    if MILP_OF_LP * took < search.left(1.0):
        search.solve_milps(1.0)
    return search.found, float(search.proven), certificate


@dataclass(kw_only=True, eq=False)
class _Many:
    """A search on many rows: the best columns found, what is proven, choices that nearly do."""

    choice: HoleChoice
    case: Covering
    lp: Fractional
    effort: Effort
    end: float
    found: BoolArray
    proven: int
    near: list[BoolArray] = field(default_factory=list)

    def left(self, share: float) -> float:
        """Return a share of the counted seconds left; 0 where nothing is left to be found."""
        closed = is_enough(self.choice, self.found) and self.found.sum() <= self.proven
        seconds = share * self.effort.left(self.end)
        return 0.0 if closed or seconds < SHORTEST else seconds

    def offer(self, chosen: BoolArray) -> None:
        """Take columns that are enough and fewer."""
        chosen = pruned(self.choice, chosen)
        fewer = chosen.sum() < self.found.sum() or not is_enough(self.choice, self.found)
        if fewer and is_enough(self.choice, chosen):
            self.found = chosen

    def swap(self, share: float) -> None:
        """Swap columns, from the best found and from choices that nearly do."""
        seconds = self.left(share)
        if not seconds or not is_enough(self.choice, self.found):
            return
        from bayreach.cover._swaps import swapped

        begins = [chosen for chosen in self.near if chosen.sum() < self.found.sum()]
        for begin in (None, *begins):
            each = min(self.left(1.0), seconds / (1 + len(begins)))
            if begin is not None:  # one column fewer than found, whatever the choice had
                _fill(self.choice, self.choice.row_areas, begin, int(self.found.sum()) - 1)
            if each and (begin is None or begin.sum() < self.found.sum()):
                chosen = swapped(
                    self.case,
                    start=self.found,
                    begin=begin,
                    until=self.proven,
                    effort=self.effort,
                    seconds=each,
                )
                self.offer(chosen)

    def bound_by_price(self, share: float) -> None:
        """Raise what is proven by a price on what stays dry, of blocks and then of all; keep choices met."""
        seconds = self.left(share)
        if not seconds or not is_enough(self.choice, self.found):
            return
        end = self.effort.spent + seconds
        blocks = bound_by_blocks(
            self.case, self.lp, start=self.found, effort=self.effort, seconds=BLOCKS * seconds
        )
        self.proven = max(self.proven, blocks.holes)
        choices, over = [blocks.chosen], [self.case.over(self.case.dry(blocks.chosen))]
        if blocks.is_closed and self.left(1.0):
            said = priced(
                self.case,
                price=self.lp.price,
                known=blocks.known,
                start=self.found,
                effort=self.effort,
                seconds=self.effort.left(end),
            )
            self.proven = max(self.proven, said.holes)
            choices, over = choices + said.choices, over + said.over
        order = np.argsort(over, kind="stable")
        self.near = [choices[place] for place in order]
        for chosen in self.near:
            self.offer(chosen)
        self.near = self.near[:NEAR]

    def solve_milps(self, share: float) -> None:
        """Solve MILPs on the columns that the LP likes and those found, then on all."""
        liked = (self.lp.chosen > 1e-7) | self.found
        for among in (np.flatnonzero(liked), np.arange(len(self.found))):
            seconds = self.left(share if len(among) == len(self.found) else 0.6 * share)
            if seconds:
                part, start = self.case.with_columns(among), self.found[among]
                chosen = np.zeros(len(self.found), dtype=bool)
                chosen[among] = on_support(
                    part, known=self.lp.known, start=start, effort=self.effort, seconds=seconds
                )
                self.offer(chosen)


def best_coverage(
    choice: HoleChoice,
    *,
    holes: int,
    by_area: bool = False,
    ask_area: bool = True,
    start: BoolArray | None = None,
    seconds: float = 30.0,
    effort: Effort | None = None,
) -> HolesFound:
    """Return the most weighted m² (or plain m², `by_area`) that `holes` new holes or fewer can cover.

    `ask_area` keeps the area asked as a condition. `seconds` are counted work (see `Effort`, which `effort`
    goes on with).
    """
    done = choice.done_area if by_area else choice.done_weight
    gains = choice.row_areas if by_area else choice.row_weights
    if not len(choice.holes) or not len(gains) or holes == 0:
        none = np.zeros(len(choice.holes), dtype=bool)
        return HolesFound(chosen=none, value=done, bound=done, status="optimal")
    whole = choice
    choice, place = reduced(whole, whole_area=False)
    gains = choice.row_areas if by_area else choice.row_weights
    start = _among(whole, place, start)
    scale = max(float(gains.sum()), 1e-300)
    # A hole costs a trifle, so that none is drilled for nothing; the bound allows for it.
    trifle = 1e-7
    parts = _hole_model(choice, hole_cost=trifle, row_cost=-gains / scale, most=holes, must_cover=ask_area)
    if ask_area:
        _ask_for_area(parts, choice)
    start = _better_start(choice, gains, holes, start, ask_area=ask_area)
    begin = _start(parts, choice, start) if start is not None else None
    answer = solve(parts.model, start=begin, effort=effort, seconds=seconds, gap=1e-7)
    chosen = start if start is not None else np.zeros(len(choice.holes), dtype=bool)
    status = answer.status
    if answer.found:
        found = answer.values[parts.holes] > 0.5
        gained = float(gains[choice.covered_rows(found)].sum())
        if start is None or gained >= float(gains[choice.covered_rows(start)].sum()):
            chosen = found
    value = choice.area_of(chosen) if by_area else choice.weight_of(chosen)
    bound = min(done - (answer.bound - trifle * holes) * scale, done + scale)
    every = np.zeros(len(whole.holes), dtype=bool)
    every[place] = chosen
    return HolesFound(chosen=every, value=value, bound=max(bound, value), status=status)


def _among(choice: HoleChoice, place: IntArray, chosen: BoolArray | None) -> BoolArray | None:
    """Return a choice in terms of the columns that stay, each other one replaced by one that outdoes it."""
    if chosen is None:
        return None
    shares = choice.shares
    among = chosen[place].copy()
    for column in np.setdiff1d(np.flatnonzero(chosen), place):
        rows = shares.indices[shares.indptr[column] : shares.indptr[column + 1]]
        full = np.asarray((shares[rows][:, place] >= 1.0).sum(axis=0)).ravel() == len(rows)
        if len(rows):
            among[int(np.argmax(full))] = True
    return np.asarray(among, dtype=bool)


def _better_start(
    choice: HoleChoice, gains: FloatArray, holes: int, start: BoolArray | None, *, ask_area: bool
) -> BoolArray | None:
    """Return the better of `start` and a greedy choice with swaps; None where neither will do."""
    chosen = np.zeros(len(choice.holes), dtype=bool) if start is None else start.copy()
    if start is None or start.sum() < holes:
        _fill(choice, gains, chosen, holes)
    for out in np.flatnonzero(chosen):
        tried = chosen.copy()
        tried[out] = False
        _fill(choice, gains, tried, holes)
        if gains[choice.covered_rows(tried)].sum() > gains[choice.covered_rows(chosen)].sum():
            chosen = tried
    if ask_area and choice.area_of(chosen) < choice.asked_area * (1.0 - ROUND_OFF):
        return start
    return chosen


def _fill(choice: HoleChoice, gains: FloatArray, chosen: BoolArray, holes: int) -> None:
    """Add columns to `chosen`, best gain first, until there are `holes` or nothing is gained."""
    columns = choice.shares
    index_of_column = np.repeat(np.arange(columns.shape[1]), np.diff(columns.indptr))
    while chosen.sum() < holes:
        missing = np.maximum(0.0, 1.0 - np.asarray(columns @ chosen.astype(float)))
        gain = np.minimum(columns.data, missing[columns.indices]) * gains[columns.indices]
        clash = choice.conflicts[chosen[choice.conflicts].any(axis=1)]
        allowed = ~chosen
        allowed[clash.ravel()] = False
        worth = np.bincount(index_of_column, gain, len(choice.holes)) * allowed
        best = int(np.argmax(worth))
        if worth[best] <= 0.0:
            return
        chosen[best] = True


def coverage_curve(
    choice: HoleChoice, *, most: int = 12, seconds: float = 240.0, effort: Effort | None = None
) -> list[HolesFound]:
    """Return the most area (m²) that 0, 1, ... `most` new holes cover, each with its proven bound.

    Ends early where one more hole adds nothing. Point k never covers less than point k − 1. `seconds` are
    counted work (see `Effort`, which `effort` goes on with); each point may take an even share of what the
    points before it left, and says by its bound how far it is proven.
    """
    effort = Effort(allowed=seconds) if effort is None else effort
    end = effort.spent + seconds
    points: list[HolesFound] = []
    count = min(most, len(choice.holes)) + 1
    for holes in range(count):
        found = best_coverage(
            choice,
            holes=holes,
            by_area=True,
            ask_area=False,
            start=points[-1].chosen if points else None,
            effort=effort,
            seconds=effort.left(end) / (count - holes),
        )
        if points and found.value <= points[-1].value * (1 + 1e-12) and found.status == "optimal":
            break
        points.append(found)
    return points


def _start(parts: _Parts, choice: HoleChoice, chosen: BoolArray) -> FloatArray:
    values = np.zeros(parts.model.n_columns)
    values[parts.holes] = chosen
    values[parts.rows] = choice.covered_rows(chosen)
    return values


def hole_bound(problem: Problem, *, price: float, sides: IntArray, weights: FloatArray) -> float:
    """Return how many new holes a price and weights on witness sides prove to be needed (see `Certificate`).

    Plain numpy on the film matrix; a side that all candidates together cannot cover counts as never covered.
    """
    existing = problem.enters(~problem.new)
    base = np.asarray(problem.strengths @ (problem.most * existing))
    done = base >= 1.0 - ROUND_OFF
    shares = missing_shares(problem, base=base, done=done, open_passes=existing)
    can = done | (np.asarray(shares.sum(axis=1)).ravel() >= 1.0 - ROUND_OFF)
    witness = np.zeros(problem.n_sides)
    witness[sides] = np.maximum(0.0, weights)
    witness[done] = 0.0
    asked = problem.asked_area * (1.0 - ROUND_OFF)
    kept = float(np.maximum(0.0, price * problem.areas - witness)[can].sum())
    dear = float(np.maximum(0.0, np.asarray(shares.T @ witness) - 1.0).sum())
    return price * asked - kept - dear


def _certificate(problem: Problem, choice: HoleChoice, price: float, row_weights: FloatArray) -> Certificate:
    """Turn LP duals into a price and weights on sides; a merged row's weight is shared out by area."""
    nothing = Certificate(price=0.0, sides=np.zeros(0, dtype=np.int64), weights=np.zeros(0), bound=0.0)
    price, row_weights = max(0.0, price), np.maximum(0.0, row_weights)
    sides = np.flatnonzero((choice.row_of >= 0) & (row_weights[choice.row_of] > 0))
    rows = choice.row_of[sides]
    weights = row_weights[rows] * problem.areas[sides] / np.maximum(choice.row_areas[rows], 1e-300)
    # Where everything must be covered any price proves the same of the sides asked for, and sides that were
    # dropped as implied carry no weight: a price that no side's weight exceeds loses nothing on them.
    steep = float(np.max(weights / np.maximum(problem.areas[sides], 1e-300), initial=0.0))
    bounds = {p: hole_bound(problem, price=p, sides=sides, weights=weights) for p in (price, steep)}
    best = max(bounds, key=lambda p: bounds[p])
    if bounds[best] <= 0.0:
        return nothing
    return Certificate(price=best, sides=sides, weights=weights, bound=bounds[best])
