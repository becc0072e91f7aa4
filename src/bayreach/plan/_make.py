"""Candidates, columns and the cover solver joined into a plan."""

from collections.abc import Mapping, MutableMapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from bayreach import cover
from bayreach.arrays import BoolArray, FloatArray, IntArray
from bayreach.bays import Bays
from bayreach.deposit.direct import Air, Flying
from bayreach.errors import PlanError
from bayreach.film import Column
from bayreach.insertion import Space
from bayreach.measure import side_areas
from bayreach.passes import Columns, pass_columns
from bayreach.plan._anywhere import holes_anywhere
from bayreach.plan._entries import (
    Drilling,
    Entries,
    Progress,
    entries_of,
    entry_indices,
    narrowed,
    opening_of,
    per_candidate,
    wand_indices,
)
from bayreach.plan._order import in_order
from bayreach.plan._reasons import missed_sides, shortfalls_of
from bayreach.plan._records import CurvePoint, Plan, PlannedHole, PlannedPass
from bayreach.sight import targets_of
from bayreach.wands import Wand

if TYPE_CHECKING:
    from scipy.sparse import csc_matrix

    from bayreach.rays import Scene

AIM_SECONDS = 20.0
"""Seconds to push a wand in and aim it once. Common practice, no source."""
MOST_PULLS = 3
"""Most pulls along one path that a plan asks for."""
SAMPLES = 4
"""Points sprayed at on each side planned on."""
SAMPLE_MARGIN = 0.005
"""Share of area aimed at above the target where a sample stands for all sides: twice its standard error."""
MOST_CURVE = 8
"""Most new holes on the trade-off curve."""
MOST_SIDES = 6_000
"""Sides that a plan is made on; where more need film, a sample drawn evenly by area stands for them."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Asked:
    """What is asked of the sides: needed, least and greatest wet film (m), priority, all (2n,); the share.

    `settled_per_fog` by wand name, (2n, n_bays) m per m³ of fog, gives credit for film that drifts down as
    fog;
    left out, only direct film counts.
    """

    required: BoolArray
    need: FloatArray
    limit: FloatArray
    priority: FloatArray
    share: float
    settled_per_fog: Mapping[str, FloatArray] | None = None


def make_plan(
    *,
    bays: Bays,
    scene: "Scene",
    space: Space,
    wands: Sequence[Wand],
    asked: Asked,
    air: Air | None = None,
    drilling: Drilling | None = None,
    closed: Sequence[str] = (),
    flying: Mapping[str, Flying | None] | None = None,
    limits: cover.Limits | None = None,
    prices: cover.Prices | None = None,
    down: ArrayLike = (0.0, 0.0, -1.0),
    slack: float = 0.01,
    most_sides: int = MOST_SIDES,
    include: ArrayLike = (),
    most_paths: int = 24,
    seconds: float = 45.0,
    seed: int = 7,
    cache: MutableMapping[str, Column] | None = None,
    progress: Progress | None = None,
) -> Plan:
    """Return the plan with the fewest new holes, then the best coverage, then the least work.

    Parameters
    ----------
    bays, scene, space, air :
        The structure made ready; `bays.mesh` is the mesh that side ids refer to.
    wands : sequence of Wand
        Wands on hand.
    asked : Asked
        Film asked of each side.
    drilling : Drilling or None
        None: no hole is proposed.
    closed : sequence of str
        Openings that must not be used.
    flying : mapping of wand name to callable
        Share of the spray still flying at a distance in m.
    slack : float
        Share of the best weighted coverage that may be given up for less work, the share asked never.
    most_sides, most_paths : int
        Sides planned on; passes tried of one wand through one opening.
    include : (k,) int
        Side ids that are planned on in any case: those that a simulation found short.
    seconds : float
        Time for the solver.
    cache : mapping, optional
        Columns by content, read and added to.
    progress : callable
        Told (stage, done, total).

    Raises
    ------
    PlanError
        When no side needs film or there is no wand.
    """
    say: Progress = progress if progress is not None else (lambda stage, done, total: None)
    _check(asked, wands)
    sides, weight = sample_sides(
        asked.required, side_areas(bays.mesh), bays.side_bay, most_sides, include=include
    )
    entries = entries_of(
        space,
        bays,
        scene,
        wands,
        drilling=drilling,
        closed=closed,
        most_paths=most_paths,
        down=down,
        seed=seed,
        progress=say,
    )
    columns = pass_columns(
        scene,
        targets_of(bays.mesh, sides, SAMPLES),
        entries.candidates,
        air=air,
        flying=flying,
        settled_per_fog=_rows(asked.settled_per_fog, sides),
        cache=cache,
        progress=say,
    )
    board = Board(
        asked=asked,
        bays=bays,
        wands=tuple(wands),
        drilling=drilling,
        down=np.asarray(down, dtype=np.float64),
        sides=sides,
        weight=weight,
        entries=entries,
        columns=columns,
        limits=cover.Limits() if limits is None else limits,
        prices=cover.Prices() if prices is None else prices,
    )
    problem = problem_on(board)
    sampled = len(sides) < int(asked.required.sum())
    margin = SAMPLE_MARGIN if sampled else 0.0
    found = cover.solve(problem, slack=slack, margin=margin, seconds=0.7 * seconds, progress=say)
    return plan_on(board, problem, found, slack=slack, seconds=0.3 * seconds, progress=say)


@dataclass(frozen=True, kw_only=True, eq=False)
class Board:
    """Everything a plan is made from: what is asked, the ways in, the candidate passes and their columns.

    `sides` (k,) are the side ids planned on and `weight` (k,) the m² that each stands for.
    """

    asked: Asked
    bays: Bays
    wands: tuple[Wand, ...]
    drilling: Drilling | None
    down: FloatArray
    sides: IntArray
    weight: FloatArray
    entries: Entries
    columns: Columns
    limits: cover.Limits
    prices: cover.Prices


def _check(asked: Asked, wands: Sequence[Wand]) -> None:
    if not asked.required.any():
        message = "plan: no side needs film; check the bays, the priorities and the keep-outs."
        raise PlanError(message)
    if not wands:
        message = "plan: no wand is given; add a [[wand]] table to the job."
        raise PlanError(message)


def _rows(table: Mapping[str, FloatArray] | None, sides: IntArray) -> dict[str, FloatArray] | None:
    return None if table is None else {name: rates[sides] for name, rates in table.items()}


def sample_sides(
    required: BoolArray, areas: FloatArray, side_bay: IntArray, most: int, *, include: ArrayLike = ()
) -> tuple[IntArray, FloatArray]:
    """Return the required sides (k,), or a sample of about `most`, and the m² that each stands for.

    Systematic sampling in proportion to area, bay by bay: every bay keeps its share of area exactly to one
    sample.
    Sides in `include` are taken in any case and stand for themselves.
    """
    asked = required & (areas > 0)
    sure = np.intersect1d(np.asarray(include, dtype=np.int64), np.flatnonzero(asked))
    asked = asked.copy()
    asked[sure] = False
    sides = np.flatnonzero(asked)
    weight = areas[sides]
    if len(sides) > most:
        sides = sides[np.argsort(side_bay[sides], kind="stable")]
        ends = np.cumsum(areas[sides])
        marks = (np.arange(most) + 0.5) * ends[-1] / most
        chosen, counts = np.unique(np.searchsorted(ends, marks), return_counts=True)
        sides, weight = sides[chosen], counts * ends[-1] / most
    sides, weight = np.concatenate([sides, sure]), np.concatenate([weight, areas[sure]])
    order = np.argsort(sides)
    return sides[order], weight[order]


def _kept(film: "csc_matrix") -> "csc_matrix":
    """Return the film to single precision: what is solved is then exactly what the stored columns say."""
    kept = film.copy()
    kept.data = film.data.astype(np.float32).astype(np.float64)
    return kept


def problem_on(board: Board) -> cover.Problem:
    """Return the cover problem of a board: sides by candidate passes."""
    from scipy.sparse import csr_matrix

    asked, entries, candidates = board.asked, board.entries, board.entries.candidates
    volumes = per_candidate(candidates, "volume")
    entry = entry_indices(entries)
    shape = (len(entries.openings), len(candidates))
    most_new = None if board.drilling is None else board.drilling.most
    limits = board.limits if board.limits.new_holes is not None else replace(board.limits, new_holes=most_new)
    return cover.Problem(
        film=_kept(board.columns.film(volumes, credit=asked.settled_per_fog is not None)),
        areas=board.weight,
        weights=board.weight * asked.priority[board.sides],
        need=asked.need[board.sides],
        limit=asked.limit[board.sides],
        lets_in=csr_matrix((np.ones(len(entry)), (entry, np.arange(len(entry)))), shape=shape),
        new=entries.is_new,
        least=np.full(len(candidates), min(cover.SPEED_LEVELS)),
        most=np.full(len(candidates), MOST_PULLS * max(cover.SPEED_LEVELS)),
        fixed_seconds=np.full(len(candidates), AIM_SECONDS),
        unit_seconds=per_candidate(candidates, "seconds"),
        unit_volume=volumes,
        wands=wand_indices(candidates, board.wands),
        conflicts=entries.conflicts,
        share=asked.share,
        limits=limits,
        prices=board.prices,
    )


def plan_on(
    board: Board,
    problem: cover.Problem,
    found: cover.Cover,
    *,
    slack: float = 0.01,
    seconds: float = 20.0,
    progress: Progress | None = None,
) -> Plan:
    """Return the plan that a cover of the board's problem stands for, the plan without holes beside it."""
    passes = _planned(board, found)
    total = float(problem.areas.sum())
    if progress is not None:
        progress("trade-off", 0, 2)
    curve = _curve(problem, most=min(MOST_CURVE, found.new_holes + 2), seconds=seconds)
    if progress is not None:
        progress("trade-off", 1, 2)
    bare = _without_holes(problem, found, slack=slack, seconds=0.6 * seconds)
    missed = missed_sides(problem, found, board.sides, board.bays, board.entries.candidates)
    if progress is not None:
        progress("trade-off", 2, 2)
    return Plan(
        passes=in_order(passes, board.down),
        holes=_holes(board, problem, found, passes),
        objective=found.cost,
        bound=found.bound,
        gap=found.gap,
        new_holes=found.new_holes,
        new_holes_bound=found.new_holes_bound,
        proven=found.proven,
        certificate=found.certificate,
        coverage=found.area / total,
        target=board.asked.share,
        met=found.met,
        no_drill=found.no_drill_area / total,
        attainable=found.attainable_area / total,
        sides=board.sides,
        n_required=int(board.asked.required.sum()),
        missed=missed,
        refused_sites=board.entries.refused_sites,
        refusals=board.entries.refusals,
        n_candidates=problem.n_passes,
        n_sites=len(board.entries.sites),
        greedy_objective=found.greedy_cost,
        problem=problem,
        cover=found,
        curve=curve,
        pass_curve=_pass_curve(problem, found),
        shortfalls=shortfalls_of(
            problem,
            found,
            missed,
            rows=np.flatnonzero(~found.covered),
            bays=board.bays,
            entry_names=board.entries.names,
        ),
        holes_anywhere=holes_anywhere(
            board.bays, board.asked.required, side_areas(board.bays.mesh), board.asked.share
        ),
        no_drill_passes=in_order(_planned(board, bare), board.down),
        no_drill_coverage=bare.area / total,
    )


def _planned(board: Board, found: cover.Cover) -> list[PlannedPass]:
    candidates = board.entries.candidates
    return [
        PlannedPass(
            candidate=candidates[index],
            count=int(found.counts[index]),
            pull_speed=candidates[index].wand.pull_speed / float(found.ratios[index]),
        )
        for index in np.flatnonzero(found.counts > 0)
    ]


def _curve(problem: cover.Problem, *, most: int, seconds: float) -> tuple[CurvePoint, ...]:
    total = float(problem.areas.sum())
    choice = cover.hole_choice(problem)
    points = cover.coverage_curve(choice, most=most, seconds=seconds / (most + 1))
    return tuple(
        CurvePoint(holes=count, coverage=point.value / total, bound=min(1.0, point.bound / total))
        for count, point in enumerate(points)
    )


def _without_holes(
    problem: cover.Problem, found: cover.Cover, *, slack: float, seconds: float
) -> cover.Cover:
    """Return the best that can be done with no new hole; the plan itself where it has none."""
    if not found.new_holes:
        return found
    none = replace(problem, limits=replace(problem.limits, new_holes=0))
    return cover.solve(none, slack=slack, seconds=seconds, rounds=20)


def _pass_curve(problem: cover.Problem, found: cover.Cover) -> tuple[float, ...]:
    """Return the share covered by 0, 1, 2, ... passes of the plan, each time the one that adds most area."""
    total = float(problem.areas.sum())
    left = list(np.flatnonzero(found.counts > 0))
    amounts, shares = np.zeros(problem.n_passes), [0.0]
    film = np.zeros(problem.n_sides)
    columns = {index: problem.film[:, [index]].toarray().ravel() * found.amounts[index] for index in left}
    while left:
        gains = [float(problem.areas[film + columns[k] >= problem.need * (1 - 1e-9)].sum()) for k in left]
        best = int(np.argmax(gains))
        film = film + columns[left[best]]
        amounts[left[best]] = found.amounts[left[best]]
        shares.append(gains[best] / total)
        left.pop(best)
    return tuple(shares)


def _holes(
    board: Board, problem: cover.Problem, found: cover.Cover, passes: Sequence[PlannedPass]
) -> tuple[PlannedHole, ...]:
    """Return the holes of the plan, each with the smallest drill that its own passes need, and why."""
    holes = []
    for site in board.entries.sites:
        own = [one.candidate.wand for one in passes if one.candidate.opening == site.name]
        if not own or board.drilling is None:
            continue
        smaller = narrowed(site, own, board.drilling.system)
        holes.append(
            PlannedHole(
                site=smaller,
                opening=opening_of(smaller, board.drilling.skin),
                why=_why(board, problem, found, site.name),
            )
        )
    return tuple(holes)


def _why(board: Board, problem: cover.Problem, found: cover.Cover, name: str) -> str:
    """Return what would be lost without a hole, in m² and bays."""
    through = np.array([candidate.opening == name for candidate in board.entries.candidates])
    without = problem.covered_by(np.where(through, 0.0, found.amounts))
    lost = found.covered & ~without
    area = float(problem.areas[lost].sum())
    bays = np.unique(board.bays.side_bay[board.sides[lost]])
    names = ", ".join(board.bays.bays[int(bay)].name for bay in bays[:4])
    return f"covers {area:.3f} m² that no other pass of the plan reaches ({names})"
