"""Order of work: lower sections first, far end first, fewest changes of wand."""

import itertools
from collections.abc import Sequence

import numpy as np

from bayreach.arrays import FloatArray
from bayreach.plan._records import PlannedPass

BAND = 0.05
"""Heights within this many m count as one section."""
MOST_TO_PERMUTE = 6
"""Most wands at one opening whose every order is tried; of more the deepest goes first."""


def in_order(passes: Sequence[PlannedPass], down: FloatArray) -> tuple[PlannedPass, ...]:
    """Return the passes in the order of work.

    Lower sections before upper ones, since treated bays drip (common practice, no source): openings come by
    the mean height of the film they lay, lowest first. At an opening all passes of one wand follow each
    other, and of one wand the deepest pull comes first. The wands at each opening follow each other so that a
    wand in hand is used on at the next opening where it can be; where that leaves a choice, the one that goes
    deepest first.
    """
    groups: dict[str, dict[str, list[PlannedPass]]] = {}
    for one in passes:
        own = groups.setdefault(one.candidate.opening, {})
        own.setdefault(one.candidate.wand.name, []).append(one)
    openings = sorted(groups, key=lambda name: (_band(groups[name], down), name))
    ordered: list[PlannedPass] = []
    for opening, wands in zip(openings, _wand_orders([groups[name] for name in openings]), strict=True):
        for wand in wands:
            ordered += sorted(
                groups[opening][wand], key=lambda one: (-one.candidate.deepest, one.candidate.clock)
            )
    return tuple(ordered)


def _band(group: dict[str, list[PlannedPass]], down: FloatArray) -> float:
    points = [one.candidate.tip_path.points for own in group.values() for one in own]
    return float(np.floor(-np.mean([(path @ down).mean() for path in points]) / BAND))


def _wand_orders(openings: Sequence[dict[str, list[PlannedPass]]]) -> list[tuple[str, ...]]:
    """Return the order of wands at each opening that leaves most wands in hand from one to the next.

    The openings' order is given, so what counts is which wand comes first and last at each: by every order at
    an opening, the best way to end it with each wand (dynamic programming).
    """
    best: dict[str, tuple[int, list[tuple[str, ...]]]] = {"": (0, [])}
    for group in openings:
        deepest = sorted(group, key=lambda wand: (-max(one.candidate.deepest for one in group[wand]), wand))
        orders = itertools.permutations(deepest) if len(deepest) <= MOST_TO_PERMUTE else [tuple(deepest)]
        ends: dict[str, tuple[int, list[tuple[str, ...]]]] = {}
        for order in orders:
            for hand, (kept, before) in best.items():
                total = kept + (hand == order[0])
                if order[-1] not in ends or total > ends[order[-1]][0]:
                    ends[order[-1]] = (total, [*before, order])
        best = ends
    return max(best.values(), key=lambda end: end[0])[1]
