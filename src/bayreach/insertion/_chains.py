"""Chains of openings from an entry to a bay, and the straight line that passes each of them best."""

import heapq
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from bayreach.arrays import OUTSIDE, FloatArray, plane_across, unit_vectors
from bayreach.insertion._space import Space, inner_bay, inward
from bayreach.wands import Wand

if TYPE_CHECKING:
    from bayreach.bays import Opening

NARROW = 0.3
"""What passing an opening as wide as the wand costs, in metres of way."""
SAME = 3
"""Most chains that end in one opening."""
ROUNDS = 40
"""Rounds of the search for the best line."""


def chains_from(
    space: Space, opening: "Opening", width: float, longest: float = np.inf
) -> "Iterator[tuple[int, tuple[Opening, ...]]]":
    """Yield bays and chains of openings that lead there from the entry, the easiest first.

    An opening costs the way to it and, the narrower it is against `width` (m), up to `NARROW` more. Up to
    `SAME` chains end in one opening; none passes a bay twice or leads further than `longest` (m).
    """
    waiting: list[tuple[float, int, tuple[Any, ...], int, float]] = [
        (0.0, 0, (opening,), inner_bay(opening), 0.0)
    ]
    number = 0
    taken: dict[str, int] = {}
    while waiting:
        cost, _, chain, here, run = heapq.heappop(waiting)
        taken[chain[-1].name] = taken.get(chain[-1].name, 0) + 1
        if taken[chain[-1].name] > SAME:
            continue
        yield here, chain
        seen = {link for passed in chain for link in passed.links}
        for other in space.bays.openings:
            if here not in other.links or other.diameter < width or taken.get(other.name, 0) >= SAME:
                continue
            beyond = other.links[1] if other.links[0] == here else other.links[0]
            step = float(np.linalg.norm(other.center - chain[-1].center))
            if beyond == OUTSIDE or beyond in seen or run + step > longest:
                continue
            number += 1
            harder = cost + step + NARROW * width / other.diameter
            heapq.heappush(waiting, (harder, number, (*chain, other), beyond, run + step))


def chains_to(space: Space, opening: "Opening", bay: int, width: float) -> "Iterator[tuple[Opening, ...]]":
    """Yield the chains of `chains_from` that lead to one bay."""
    return (chain for there, chain in chains_from(space, opening, width) if there == bay)


def too_narrow(space: Space, wand: Wand, opening: "Opening", bay: int) -> tuple[str, float] | None:
    """Return which opening on the way to a bay is too narrow for which part of a wand, and by how much (m).

    None where some chain of openings is wide enough, or where none leads there at all.
    """
    width = wand.largest_section.diameter
    if next(iter(chains_to(space, opening, bay, width)), None) is not None:
        return None
    chain = next(iter(chains_to(space, opening, bay, 0.0)), None)
    for gate in chain or ():
        for section in wand.sections:
            if section.diameter > gate.diameter:
                part, hole = 1e3 * section.diameter, 1e3 * gate.diameter
                said = f"{gate.name}: {part:.1f} mm {section.name} in a {hole:.1f} mm hole"
                return said, section.diameter - gate.diameter
    return None


def line_through(chain: "Sequence[Opening]", width: float) -> tuple[FloatArray, FloatArray, float]:
    """Return the line that passes a chain's openings best: a point (3,) m, its direction, its worst.

    The point lies in the first opening; the worst is the greatest distance from an opening's middle as a
    share of the room that a rod of `width` (m) has there; over 1, a rod does not pass. Least worst by
    Lawson's rule (1961, from memory): weighted least squares, each weight multiplied by its misfit, over and
    over.
    """
    axis = inward(chain[0])
    plane = plane_across(axis).T
    centers = np.array([opening.center for opening in chain]) - chain[0].center
    heights, places = centers @ axis, centers @ plane
    slants = np.abs(np.array([unit_vectors(opening.normal) for opening in chain]) @ axis)
    rooms = np.maximum(np.array([opening.diameter for opening in chain]) * slants - width, 1e-4) / 2.0
    weights = np.ones(len(chain)) / len(chain)
    best: FloatArray = np.zeros((2, 2))
    least = np.inf
    basis = np.stack([np.ones_like(heights), heights], axis=1)
    for _ in range(ROUNDS):
        scale = (np.sqrt(weights) / rooms)[:, None]
        line = np.asarray(np.linalg.lstsq(basis * scale, places * scale, rcond=None)[0], dtype=np.float64)
        misfits = np.linalg.norm(basis @ line - places, axis=1) / rooms
        if misfits.max() < least:
            best, least = line, float(misfits.max())
        weights = weights * (misfits + 1e-9)
        weights /= weights.sum()
    entry = chain[0].center + plane @ best[0]
    return entry, unit_vectors(axis + plane @ best[1]), least
