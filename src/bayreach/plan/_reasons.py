"""Why sides are left short of film."""

from collections.abc import Sequence

import numpy as np

from bayreach import cover
from bayreach.arrays import IntArray
from bayreach.bays import Bays
from bayreach.passes import Candidate
from bayreach.plan._records import HIDDEN, LEFT_OUT, NO_WAND, REASONS, SEALED, TOO_THIN, Missed, Shortfall


def missed_sides(
    problem: cover.Problem, found: cover.Cover, sides: IntArray, bays: Bays, candidates: Sequence[Candidate]
) -> Missed:
    """Return the sides that the plan leaves short, each with the first reason that holds.

    The bay is sealed; no wand's tip gets into it and nothing sprayed elsewhere reaches the side; no
    candidate pass lays
    any film on it; all candidates together lay too little; else the target was met without it.
    """
    short = np.flatnonzero(~found.covered)
    most = problem.film_of(problem.most)[short]
    own_bay = bays.side_bay[sides[short]]
    sealed = np.array([bay.sealed for bay in bays.bays], dtype=bool)
    entered = np.zeros(len(bays.bays), dtype=bool)
    for candidate in candidates:
        entered[list(_bays_of(candidate, bays))] = True
    reasons = np.full(len(short), LEFT_OUT)
    reasons[most < problem.need[short]] = TOO_THIN
    reasons[most <= 0.0] = HIDDEN
    reasons[(most <= 0.0) & ~entered[own_bay]] = NO_WAND
    reasons[(most <= 0.0) & sealed[own_bay] & ~entered[own_bay]] = SEALED
    return Missed(sides=sides[short], reasons=reasons, areas=problem.areas[short])


def _bays_of(candidate: Candidate, bays: Bays) -> set[int]:
    """Return the bays that the tip of a candidate enters."""
    if candidate.bay >= 0:
        return {candidate.bay}
    links = {opening.name: opening.links for opening in bays.openings}
    return {bay for name in candidate.through for bay in links.get(name, ()) if bay >= 0}


def shortfalls_of(
    problem: cover.Problem,
    found: cover.Cover,
    missed: Missed,
    *,
    rows: IntArray,
    bays: Bays,
    entry_names: Sequence[str],
) -> tuple[Shortfall, ...]:
    """Return what is left short by bay and reason, largest first, each with what would help.

    `rows` (k,) are the rows of the problem of the missed sides.
    """
    own_bay = bays.side_bay[missed.sides]
    groups: list[Shortfall] = []
    for bay in np.unique(own_bay):
        for reason in np.unique(missed.reasons[own_bay == bay]):
            here = (own_bay == bay) & (missed.reasons == reason)
            groups.append(
                Shortfall(
                    bay=bays.bays[int(bay)].name,
                    reason=REASONS[int(reason)],
                    area=float(missed.areas[here].sum()),
                    helps=_help(problem, found, rows[here], int(reason), entry_names),
                )
            )
    return tuple(sorted(groups, key=lambda group: -group.area))


def _help(
    problem: cover.Problem, found: cover.Cover, rows: IntArray, reason: int, entry_names: Sequence[str]
) -> str:
    """Return what would cover most of the `rows`: more passes, another way in, or a change of wand."""
    reach = problem.strengths[rows]
    gains = np.zeros(problem.n_entries)
    for entry in range(problem.n_entries):  # tens of ways in
        own = problem.enters(np.arange(problem.n_entries) == entry)
        gains[entry] = problem.areas[rows][np.asarray(reach @ (problem.most * own)) >= 1.0].sum()
    best = int(np.argmax(gains)) if len(gains) else -1
    if best >= 0 and gains[best] > 0.0:
        way = "more passes through" if found.opened[best] else "passes through"
        return f"{way} {entry_names[best]} would cover {gains[best]:.3f} m² of it"
    if reason == TOO_THIN:
        return "a tip nearer to it or square to it: a side tip, a narrower spray, or more pulls"
    if reason in (SEALED, NO_WAND):
        return "a hole where the rules refuse one, or a longer, thinner or bent wand"
    return "a bent wand or a side tip that looks behind the structure; or a hole where the rules refuse one"
