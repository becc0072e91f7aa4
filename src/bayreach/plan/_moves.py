"""Whether every pass of a plan can be made: its whole motion, with the plan's own holes cut as drilled."""

from collections.abc import Sequence
from dataclasses import replace

from bayreach.holes import Site
from bayreach.insertion import met_on_the_way, with_holes_cut
from bayreach.plan._board import Board
from bayreach.plan._entries import narrowed, opening_of
from bayreach.plan._records import PlannedPass


def drilled_for(board: Board, passes: Sequence[PlannedPass]) -> tuple[Site, ...]:
    """Return the sites that some passes use, each with the smallest drill that these passes prove to need.

    That is the drill for the widest of their wands, or the one they were planned with where that leaves one
    of them, tilted or beside the middle, no way in.
    """
    if board.drilling is None:
        return ()
    sites = []
    for site in board.entries.sites:
        own = [one for one in passes if one.candidate.opening == site.name]
        if not own:
            continue
        smaller = narrowed(site, [one.candidate.wand for one in own], board.drilling.system)
        is_enough = smaller is site or not stopped(board, own, (smaller,))
        sites.append(smaller if is_enough else site)
    return tuple(sites)


def stopped(board: Board, passes: Sequence[PlannedPass], sites: Sequence[Site]) -> dict[int, str]:
    """Return which passes cannot be made as a whole with these sites drilled, and what each of them meets."""
    skin = 0.0 if board.drilling is None else board.drilling.skin
    holes = tuple(opening_of(site, skin) for site in sites)
    space = with_holes_cut(board.ground.space, holes)
    openings = {each.name: each for each in (*board.ground.bays.openings, *holes)}
    met = {
        number: met_on_the_way(space, one.candidate.way_in, openings[one.candidate.opening])
        for number, one in enumerate(passes)
    }
    return {number: what for number, what in met.items() if what}


def barred(board: Board, passes: Sequence[PlannedPass], met: dict[int, str]) -> Board:
    """Return the board without the candidates of passes that cannot be made; it says so."""
    place = {id(one): index for index, one in enumerate(board.entries.candidates)}
    out = {place[id(passes[number].candidate)]: what for number, what in met.items()}
    return replace(board, barred={**board.barred, **out})
