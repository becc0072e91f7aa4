"""What a plan does, solved on a board: passes and holes, before curve, reasons and words are worked out."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from bayreach import cover
from bayreach.arrays import FloatArray
from bayreach.errors import PlanError
from bayreach.plan._board import Board, problem_on
from bayreach.plan._entries import Progress, opening_of
from bayreach.plan._moves import barred, drilled_for, stopped
from bayreach.plan._order import in_order
from bayreach.plan._records import PlannedHole, PlannedPass

SAMPLE_MARGIN = 0.005
"""Share of area aimed at above the target where a sample stands for all sides: twice its standard error."""
ROUNDS = 20
"""Most times a draft is solved anew without the passes whose motion is not clear."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Draft:
    """A board solved: the problem, its cover, and the passes (in order of work) and holes it stands for."""

    board: Board
    problem: cover.Problem
    found: cover.Cover
    passes: tuple[PlannedPass, ...]
    holes: tuple[PlannedHole, ...]

    @property
    def coverage(self) -> float:
        """Share of the area planned on that gets its least film, by the columns."""
        return self.found.area / float(self.problem.areas.sum())


def draft_of(
    board: Board,
    *,
    above: float = 0.0,
    slack: float = 0.01,
    seconds: float = 30.0,
    progress: Progress | None = None,
) -> Draft:
    """Return what covers the board's target with the fewest new holes, then best, then for the least work.

    Parameters
    ----------
    above : float
        Share of area to aim at above the target. Where the fewest holes for the target do not allow that much
        more holes are taken; what is proven stays said of the target itself.
    slack : float
        Share of the best weighted coverage that may be given up for less work, the share asked never.

    Every pass is held to its whole motion with the holes cut as they are to be drilled; those that cannot be
    made are barred, and the rest is solved again.

    Raises
    ------
    PlanError
        When passes that cannot be made are still chosen after `ROUNDS` rounds.
    """
    for _ in range(ROUNDS):
        draft = _solved(board, above=above, slack=slack, seconds=seconds, progress=progress)
        met = stopped(board, draft.passes, tuple(hole.site for hole in draft.holes))
        if not met:
            return draft
        board = barred(board, draft.passes, met)
    message = (
        f"plan: after {ROUNDS} rounds a pass is still chosen whose wand does not go in "
        f"({next(iter(met.values()))}); give another wand or more clearance."
    )
    raise PlanError(message)


def _solved(board: Board, *, above: float, slack: float, seconds: float, progress: Progress | None) -> Draft:
    problem = problem_on(board)
    # What is aimed at may be more than what is asked: film on some sides, area on the whole.
    harder = replace(problem, need=problem.need * board.factor) if (board.factor > 1.0).any() else problem
    margin = max(above, SAMPLE_MARGIN if board.is_sample else 0.0)
    found = cover.solve(harder, slack=slack, margin=margin, seconds=seconds, progress=progress)
    wanted = min(1.0, problem.share + above)
    if above and found.area < wanted * float(problem.areas.sum()) * (1.0 - 1e-9):
        raised = replace(harder, share=wanted)
        more = cover.solve(raised, slack=slack, seconds=seconds, progress=progress)
        found = more if more.area > found.area else found
    if above or harder is not problem:
        found = _of_target(problem, found, seconds=0.25 * seconds)
    passes = planned(board, found)
    return Draft(
        board=board,
        problem=problem,
        found=found,
        passes=in_order(passes, board.ground.down),
        holes=_holes(board, problem, found, passes),
    )


def _of_target(problem: cover.Problem, found: cover.Cover, *, seconds: float) -> cover.Cover:
    """Return a cover that aimed at more than `problem` asks, with what it does and what is proven of that."""
    effort = cover.Effort(allowed=seconds)
    holes, certificate = cover.fewest_holes(
        problem, cover.hole_choice(problem), effort=effort, seconds=seconds
    )
    bound = int(holes.bound) if math.isfinite(holes.bound) else 0
    covered = problem.covered_by(found.amounts)
    area = float(problem.areas[covered].sum())
    return replace(
        found,
        covered=covered,
        area=area,
        weight=float(problem.weights[covered].sum()),
        met=area >= problem.asked_area * (1.0 - 1e-9),
        new_holes_bound=min(bound, found.new_holes),
        certificate=certificate,
        hurried=found.hurried or effort.struck,
    )


def planned(board: Board, found: cover.Cover) -> list[PlannedPass]:
    """Return the passes that a cover stands for."""
    candidates = board.entries.candidates
    return [
        PlannedPass(
            candidate=candidates[index],
            count=int(found.counts[index]),
            pull_speed=candidates[index].wand.pull_speed / float(found.ratios[index]),
        )
        for index in np.flatnonzero(found.counts > 0)
    ]


def coverage_by(board: Board, amounts: FloatArray) -> float:
    """Return the share of the area planned on where `amounts` (n_passes,) lay the film aimed at."""
    plain = problem_on(board)
    problem = replace(plain, need=plain.need * board.factor)
    return float(problem.areas[problem.covered_by(amounts)].sum()) / float(problem.areas.sum())


def _holes(
    board: Board, problem: cover.Problem, found: cover.Cover, passes: Sequence[PlannedPass]
) -> tuple[PlannedHole, ...]:
    """Return the holes of the plan, each with the smallest drill that its own passes need, and why."""
    skin = 0.0 if board.drilling is None else board.drilling.skin
    return tuple(
        PlannedHole(site=site, opening=opening_of(site, skin), why=_why(board, problem, found, site.name))
        for site in drilled_for(board, passes)
    )


def _why(board: Board, problem: cover.Problem, found: cover.Cover, name: str) -> str:
    """Return what would be lost without a hole, in m² and bays."""
    through = np.array([candidate.opening == name for candidate in board.entries.candidates])
    without = problem.covered_by(np.where(through, 0.0, found.amounts))
    lost = found.covered & ~without
    area = float(problem.areas[lost].sum())
    bays = board.ground.bays
    names = ", ".join(bays.bays[int(bay)].name for bay in np.unique(bays.side_bay[board.sides[lost]])[:4])
    return f"covers {area:.3f} m² that no other pass of the plan reaches ({names})"
