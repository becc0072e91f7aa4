"""Candidates, columns and the cover solver joined into a plan."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from bayreach import cover
from bayreach.bays import Bays
from bayreach.deposit.direct import Air, Flying
from bayreach.insertion import Space
from bayreach.passes import Kept
from bayreach.plan._anywhere import holes_anywhere
from bayreach.plan._board import MOST_SIDES, Asked, Ground, board_of
from bayreach.plan._draft import Draft, draft_of, planned
from bayreach.plan._entries import Drilling, Progress
from bayreach.plan._order import in_order
from bayreach.plan._reasons import missed_sides, shortfalls_of
from bayreach.plan._records import CurvePoint, Plan
from bayreach.wands import Wand

if TYPE_CHECKING:
    from bayreach.rays import Scene

MOST_CURVE = 8
"""Most new holes on the trade-off curve."""
HURRIED = (
    "The solver ran out of processor time before its count of work was done: another run may end with "
    "another plan or bound."
)


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
    most_paths: int = 24,
    seconds: float = 45.0,
    seed: int = 7,
    kept: Kept | None = None,
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
    seconds : float
        Work for the solver, counted (see `cover.Effort`): what it takes on one idle core.
    kept : Kept, optional
        Columns by content, read and added to.
    progress : callable
        Told (stage, done, total).

    Raises
    ------
    PlanError
        When no side needs film or there is no wand.
    """
    say: Progress = progress if progress is not None else (lambda stage, done, total: None)
    ground = Ground(
        bays=bays, scene=scene, space=space, air=air, flying=flying, down=np.asarray(down, dtype=np.float64)
    )
    board = board_of(
        ground,
        wands,
        asked,
        drilling=drilling,
        closed=closed,
        limits=limits,
        prices=prices,
        most_sides=most_sides,
        most_paths=most_paths,
        seed=seed,
        kept=kept,
        progress=say,
    )
    draft = draft_of(board, slack=slack, seconds=0.7 * seconds, progress=say)
    return plan_on(draft, slack=slack, seconds=0.3 * seconds, progress=say)


def plan_on(
    draft: Draft, *, slack: float = 0.01, seconds: float = 20.0, progress: Progress | None = None
) -> Plan:
    """Return the whole plan of a draft: its curve, the plan without holes, and why sides are left short."""
    say: Progress = progress if progress is not None else (lambda stage, done, total: None)
    board, problem, found = draft.board, draft.problem, draft.found
    ground, total = board.ground, float(problem.areas.sum())
    say("trade-off", 0, 2)
    effort = cover.Effort(allowed=seconds)
    curve = _curve(problem, most=min(MOST_CURVE, found.new_holes + 2), effort=effort)
    say("trade-off", 1, 2)
    bare = _without_holes(problem, found, slack=slack, seconds=0.6 * seconds)
    missed = missed_sides(problem, found, board.sides, ground.bays, board.entries.candidates)
    say("trade-off", 2, 2)
    return Plan(
        passes=draft.passes,
        holes=draft.holes,
        objective=found.cost,
        bound=found.bound,
        gap=found.gap,
        new_holes=found.new_holes,
        new_holes_bound=found.new_holes_bound,
        proven=found.proven,
        certificate=found.certificate,
        coverage=draft.coverage,
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
        shortfalls=shortfalls_of(board, problem, found, missed),
        holes_anywhere=holes_anywhere(
            ground.bays, board.asked.required, ground.side_areas, board.asked.share
        ),
        no_drill_passes=in_order(planned(board, bare), ground.down),
        no_drill_coverage=bare.area / total,
        said=board.said + ((HURRIED,) if found.hurried or bare.hurried or effort.struck else ()),
    )


def _curve(problem: cover.Problem, *, most: int, effort: cover.Effort) -> tuple[CurvePoint, ...]:
    total = float(problem.areas.sum())
    choice = cover.hole_choice(problem)
    points = cover.coverage_curve(choice, most=most, effort=effort, seconds=effort.allowed)
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
    return cover.solve(none, slack=slack, seconds=seconds)


def _pass_curve(problem: cover.Problem, found: cover.Cover) -> tuple[float, ...]:
    """Return the share covered by 0, 1, 2, ... passes of the plan, each time the one that adds most area."""
    total = float(problem.areas.sum())
    left = list(np.flatnonzero(found.counts > 0))
    shares = [0.0]
    film = np.zeros(problem.n_sides)
    columns = {index: problem.film[:, [index]].toarray().ravel() * found.amounts[index] for index in left}
    while left:
        gains = [float(problem.areas[film + columns[k] >= problem.need * (1 - 1e-9)].sum()) for k in left]
        best = int(np.argmax(gains))
        film = film + columns[left[best]]
        shares.append(gains[best] / total)
        left.pop(best)
    return tuple(shares)
