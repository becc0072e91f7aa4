"""Why sides are left short of film."""

from collections.abc import Sequence

import numpy as np

from bayreach import cover
from bayreach.arrays import IntArray
from bayreach.bays import Bays
from bayreach.passes import Candidate
from bayreach.plan._board import NEVER, Board
from bayreach.plan._helps import help_for
from bayreach.plan._records import (
    CANNOT_HOLD,
    GIVEN_UP,
    HIDDEN,
    LEFT_OUT,
    NO_WAND,
    REASONS,
    SEALED,
    TOO_THIN,
    Missed,
    Shortfall,
)

MOST_FINDINGS = 8
"""Groups of sides left short for which what would help is worked out."""


def missed_sides(
    problem: cover.Problem, found: cover.Cover, sides: IntArray, bays: Bays, candidates: Sequence[Candidate]
) -> Missed:
    """Return the sides that the plan leaves short, each with the first reason that holds.

    What is asked cannot stay there; the bay is sealed; no wand's tip gets into it and nothing sprayed
    elsewhere reaches the side; no candidate pass lays any film on it; all candidates together lay too
    little; else the target was met without it, or, where it was not, little would be gained by it.
    """
    short = np.flatnonzero(~found.covered)
    most = problem.film_of(problem.most)[short]
    own_bay = bays.side_bay[sides[short]]
    sealed = np.array([bay.sealed for bay in bays.bays], dtype=bool)
    entered = np.zeros(len(bays.bays), dtype=bool)
    for candidate in candidates:
        entered[list(_bays_of(candidate, bays))] = True
    reasons = np.full(len(short), LEFT_OUT if found.met else GIVEN_UP)
    reasons[most < problem.need[short]] = TOO_THIN
    reasons[most <= 0.0] = HIDDEN
    reasons[(most <= 0.0) & ~entered[own_bay]] = NO_WAND
    reasons[(most <= 0.0) & sealed[own_bay] & ~entered[own_bay]] = SEALED
    reasons[problem.need[short] >= NEVER] = CANNOT_HOLD
    return Missed(sides=sides[short], reasons=reasons, areas=problem.areas[short])


def _bays_of(candidate: Candidate, bays: Bays) -> set[int]:
    """Return the bays that the tip of a candidate enters."""
    if candidate.bay >= 0:
        return {candidate.bay}
    links = {opening.name: opening.links for opening in bays.openings}
    return {bay for name in candidate.through for bay in links.get(name, ()) if bay >= 0}


def shortfalls_of(
    board: Board, problem: cover.Problem, found: cover.Cover, missed: Missed
) -> tuple[Shortfall, ...]:
    """Return what is left short by bay and reason, largest first, each with what would help.

    What would help is worked out for the `MOST_FINDINGS` largest.
    """
    bays = board.ground.bays
    rows = np.searchsorted(board.sides, missed.sides)
    own_bay = bays.side_bay[missed.sides]
    groups: list[tuple[float, int, int, IntArray]] = []
    for bay in np.unique(own_bay):
        for reason in np.unique(missed.reasons[own_bay == bay]):
            here = (own_bay == bay) & (missed.reasons == reason)
            groups.append((float(missed.areas[here].sum()), int(bay), int(reason), rows[here]))
    groups.sort(key=lambda group: -group[0])
    return tuple(
        Shortfall(
            bay=bays.bays[bay].name,
            reason=REASONS[reason],
            area=area,
            helps=help_for(board, problem, found, own, reason) if place < MOST_FINDINGS else "",
        )
        for place, (area, bay, reason, own) in enumerate(groups)
    )
