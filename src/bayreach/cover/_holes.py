"""Stages one and two: the fewest new holes, then the best weighted coverage at that number."""

import math
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from bayreach.arrays import BoolArray, FloatArray, IntArray
from bayreach.cover._highs import solve
from bayreach.cover._model import Answer, Model
from bayreach.cover._problem import ROUND_OFF, Problem
from bayreach.cover._reduce import alike, kept

if TYPE_CHECKING:
    from scipy.sparse import csc_matrix, csr_matrix


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
        return max(0, math.ceil(self.bound - 1e-6))


@dataclass(frozen=True, kw_only=True, eq=False)
class HoleChoice:
    """The problem seen by holes alone: sides that look alike are one row, their areas summed.

    Sides that existing openings cover by themselves are counted in `done_area` and `done_weight`. This
    relaxes limits on the
    number of passes; without such limits it is exact.
    """

    shares: (
        "csc_matrix"  # (n_rows, n_new): share of the missing need that each new entry can bring, at most 1
    )
    row_areas: FloatArray
    row_weights: FloatArray
    row_of: IntArray  # (n_sides,) row of each side, -1: done or out of reach
    holes: IntArray  # (n_new,) entry index of each column
    conflicts: IntArray  # (k, 2) columns
    done: BoolArray  # (n_sides,)
    done_area: float
    done_weight: float
    asked_area: float

    @property
    def attainable_area(self) -> float:
        """The m² covered with every candidate drilled (conflicts not counted: an upper bound)."""
        reach = np.asarray(self.shares.sum(axis=1)).ravel() >= 1.0 - ROUND_OFF
        return self.done_area + float(self.row_areas[reach].sum())

    def covered_rows(self, chosen: BoolArray) -> BoolArray:
        """Return (n_rows,) bool for the `chosen` columns (n_new,)."""
        return np.asarray(self.shares @ chosen.astype(float)) >= 1.0 - ROUND_OFF

    def area_of(self, chosen: BoolArray) -> float:
        """Return the m² covered with the `chosen` columns (n_new,) drilled."""
        return self.done_area + float(self.row_areas[self.covered_rows(chosen)].sum())

    def weight_of(self, chosen: BoolArray) -> float:
        """Return the weighted m² covered with the `chosen` columns (n_new,) drilled."""
        return self.done_weight + float(self.row_weights[self.covered_rows(chosen)].sum())


def hole_choice(problem: Problem) -> HoleChoice:
    """Return `problem` as seen by holes, reduced: sides done by openings dropped, identical sides merged."""
    existing = problem.enters(~problem.new)
    base = np.asarray(problem.strengths @ (problem.most * existing))
    done = base >= 1.0 - ROUND_OFF
    holes = np.flatnonzero(problem.new)
    shares = missing_shares(problem, base=base, done=done, open_passes=existing)
    reached = np.flatnonzero(np.asarray(shares.sum(axis=1)).ravel() >= 1.0 - ROUND_OFF)
    row_of_reached, first = alike(shares[reached])
    row_of = np.full(problem.n_sides, -1)
    row_of[reached] = row_of_reached
    column = np.full(problem.n_entries, -1)
    column[holes] = np.arange(len(holes))
    pairs = column[problem.conflicts] if len(problem.conflicts) else np.zeros((0, 2), dtype=int)
    n_rows = len(first)
    return HoleChoice(
        shares=shares[reached][first].tocsc(),
        row_areas=_sums(row_of_reached, problem.areas[reached], n_rows),
        row_weights=_sums(row_of_reached, problem.weights[reached], n_rows),
        row_of=row_of,
        holes=holes,
        conflicts=pairs[(pairs >= 0).all(axis=1)],
        done=done,
        done_area=float(problem.areas[done].sum()),
        done_weight=float(problem.weights[done].sum()),
        asked_area=problem.asked_area,
    )


def _sums(groups: IntArray, values: FloatArray, count: int) -> FloatArray:
    return np.asarray(np.bincount(groups, values, count), dtype=np.float64)


def missing_shares(
    problem: Problem, *, base: FloatArray, done: BoolArray, open_passes: BoolArray
) -> "csr_matrix":
    """Return (n_sides, n_new) sparse: the share of a side's missing need a new entry can bring.

    min(1, Σ over its passes of greatest film / (need − film of the open passes at their greatest)); nothing
    on sides that are done.
    """
    from scipy.sparse import csr_matrix, diags

    holes = np.flatnonzero(problem.new)
    amounts = diags(problem.most * ~open_passes)
    gains = csr_matrix(problem.strengths @ amounts @ problem.lets_in[holes].T)
    missing = np.where(done, np.inf, np.maximum(1.0 - base, 1e-300))
    shares = csr_matrix(diags(1.0 / missing) @ gains)
    shares.data = np.where(shares.data >= 1.0 - ROUND_OFF, 1.0, shares.data)
    shares.eliminate_zeros()
    return shares


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
    partial = _partial_rows(choice)
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
    if len(choice.conflicts):
        pairs = np.zeros((len(choice.conflicts), len(holes)))
        pairs[np.arange(len(pairs))[:, None], choice.conflicts] = 1.0
        model.add_rows([(pairs, holes)], upper=1.0)
    if most is not None and len(holes):
        model.add_rows([(np.ones((1, len(holes))), holes)], upper=float(most))
    return _Parts(model=model, holes=holes, rows=rows)


def _partial_rows(choice: HoleChoice) -> BoolArray:
    rows = choice.shares.tocsr()
    partial = rows.copy()
    partial.data = (rows.data < 1.0).astype(float)
    return np.asarray(partial.sum(axis=1)).ravel() > 0


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
    problem: Problem, choice: HoleChoice, *, most: int | None = None, seconds: float = 30.0
) -> tuple[HolesFound, Certificate]:
    """Return the fewest new holes that reach the area asked, and the LP's certificate of a lower bound.

    `status` is "infeasible" where no choice of candidates reaches it.
    """
    none = np.zeros(len(choice.holes), dtype=bool)
    nothing = Certificate(price=0.0, sides=np.zeros(0, dtype=np.int64), weights=np.zeros(0), bound=0.0)
    if choice.done_area >= choice.asked_area * (1.0 - ROUND_OFF):
        return HolesFound(chosen=none, value=0.0, bound=0.0, status="optimal"), nothing
    if not len(choice.holes) or choice.attainable_area < choice.asked_area * (1.0 - ROUND_OFF):
        return HolesFound(chosen=none, value=math.inf, bound=math.inf, status="infeasible"), nothing
    end = time.monotonic() + seconds
    whole = choice
    choice, place = reduced(whole, whole_area=True)
    start = _greedy_holes(choice)
    parts = _hole_model(choice, hole_cost=1.0, row_cost=0.0, most=None, must_cover=False)
    area_row = _ask_for_area(parts, choice)
    relaxed = solve(parts.model, relax=True, seconds=0.5 * (end - time.monotonic()))
    certificate = _certificate(problem, choice, relaxed, area_row)
    if start.sum() > certificate.holes or choice.area_of(start) < choice.asked_area * (1.0 - ROUND_OFF):
        parts = _hole_model(choice, hole_cost=1.0, row_cost=0.0, most=None, must_cover=True)
        _ask_for_area(parts, choice)
        begin = _start(parts, choice, start)
        answer = solve(parts.model, start=begin, seconds=end - time.monotonic(), gap=1e-6)
        proven, found = answer.bound, answer.values[parts.holes] > 0.5 if answer.found else start
    else:
        proven, found = float(certificate.holes), start  # greedy meets the bound: nothing is left to search
    asked = choice.asked_area * (1.0 - ROUND_OFF)
    if choice.area_of(found) < asked and choice.area_of(start) >= asked:
        found = start
    if choice.area_of(found) < asked:
        return HolesFound(chosen=none, value=math.inf, bound=math.inf, status="infeasible"), certificate
    if most is not None and found.sum() > most:
        return HolesFound(chosen=none, value=math.inf, bound=proven, status="too many"), certificate
    chosen = none.copy()
    chosen[place] = found
    at_least = math.ceil(proven - 1e-6) if math.isfinite(proven) else 0
    bound = min(int(chosen.sum()), max(at_least, certificate.holes))
    status = "optimal" if chosen.sum() <= bound else "limit"
    return HolesFound(chosen=chosen, value=float(chosen.sum()), bound=bound, status=status), certificate


def reduced(choice: HoleChoice, *, whole_area: bool) -> tuple[HoleChoice, IntArray]:
    """Return the choice without what it can do without (see `_reduce`), and the columns (indices) that stay.

    Outdone columns go for any target, then rows that look alike become one. Only where all that can be
    covered is asked (`whole_area`: and the area asked is a condition) do implied rows go too; their area
    counts as done, since every choice that covers the rest covers them.
    """
    shares, n_columns = choice.shares.tocsr(), len(choice.holes)
    spare = choice.attainable_area - choice.asked_area * (1.0 - ROUND_OFF)
    full = whole_area and bool((choice.row_areas > spare).all())
    left = kept(shares, choice.conflicts, full_cover=full)
    columns, rows = np.flatnonzero(left.columns), np.flatnonzero(left.rows)
    group, first = alike(shares[rows][:, columns])
    row_of = np.full(len(choice.row_areas) + 1, -1)  # the last place answers for row −1
    row_of[rows] = group
    column = np.full(n_columns, -1)
    column[columns] = np.arange(len(columns))
    gone = ~left.rows
    slim = HoleChoice(
        shares=shares[rows][:, columns][first].tocsc(),
        row_areas=_sums(group, choice.row_areas[rows], len(first)),
        row_weights=_sums(group, choice.row_weights[rows], len(first)),
        row_of=row_of[choice.row_of],
        holes=choice.holes[columns],
        conflicts=column[choice.conflicts],
        done=choice.done,
        done_area=choice.done_area + float(choice.row_areas[gone].sum()),
        done_weight=choice.done_weight + float(choice.row_weights[gone].sum()),
        asked_area=choice.asked_area,
    )
    return slim, columns


def best_coverage(
    choice: HoleChoice,
    *,
    holes: int,
    by_area: bool = False,
    ask_area: bool = True,
    start: BoolArray | None = None,
    seconds: float = 30.0,
) -> HolesFound:
    """Return the most weighted m² (or plain m², `by_area`) that `holes` new holes or fewer can cover.

    `ask_area` keeps the area asked as a condition.
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
    answer = solve(parts.model, start=begin, seconds=seconds, gap=1e-7)
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


def coverage_curve(choice: HoleChoice, *, most: int = 12, seconds: float = 20.0) -> list[HolesFound]:
    """Return the most area (m²) that 0, 1, ... `most` new holes cover, each with its proven bound.

    Ends early where one more hole adds nothing. Point k never covers less than point k − 1.
    """
    points: list[HolesFound] = []
    for holes in range(min(most, len(choice.holes)) + 1):
        start = points[-1].chosen if points else None
        found = best_coverage(choice, holes=holes, by_area=True, ask_area=False, start=start, seconds=seconds)
        if points and found.value <= points[-1].value * (1 + 1e-12) and found.status == "optimal":
            break
        points.append(found)
    return points


def _start(parts: _Parts, choice: HoleChoice, chosen: BoolArray) -> FloatArray:
    values = np.zeros(parts.model.n_columns)
    values[parts.holes] = chosen
    values[parts.rows] = choice.covered_rows(chosen)
    return values


def _greedy_holes(choice: HoleChoice) -> BoolArray:
    """Return a choice of holes by greatest gain in area, conflicts respected; may fall short."""
    chosen = np.zeros(len(choice.holes), dtype=bool)
    allowed = np.ones(len(choice.holes), dtype=bool)
    level = np.zeros(len(choice.row_areas))
    columns = choice.shares
    index_of_column = np.repeat(np.arange(columns.shape[1]), np.diff(columns.indptr))
    while choice.area_of(chosen) < choice.asked_area * (1.0 - ROUND_OFF) and allowed.any():
        missing = np.maximum(0.0, 1.0 - level)
        gain = np.minimum(columns.data, missing[columns.indices]) * choice.row_areas[columns.indices]
        gains = np.bincount(index_of_column, gain, len(choice.holes)) * allowed
        best = int(np.argmax(gains))
        if gains[best] <= 0.0:
            break
        chosen[best], allowed[best] = True, False
        clash = choice.conflicts[(choice.conflicts == best).any(axis=1)]
        allowed[clash.ravel()] = False
        level += np.asarray(columns[:, [best]].todense()).ravel()
    return chosen


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


def _certificate(problem: Problem, choice: HoleChoice, relaxed: Answer, area_row: int) -> Certificate:
    """Turn LP duals into a price and weights on sides; a merged row's weight is shared out by area."""
    nothing = Certificate(price=0.0, sides=np.zeros(0, dtype=np.int64), weights=np.zeros(0), bound=0.0)
    if not relaxed.duals.size:
        return nothing
    price = max(0.0, float(relaxed.duals[area_row]))
    row_weights = np.maximum(0.0, relaxed.duals[: len(choice.row_areas)])
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
