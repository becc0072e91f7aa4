"""The work of a plan by the clock: masks first, openings, wands, pulls and refills, drains last."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from bayreach.cover import Prices
from bayreach.plan._board import AIM_SECONDS

MASK_SECONDS = 120.0
"""Seconds to put up one mask. Common practice, no source."""
DRAIN_SECONDS = 60.0
"""Seconds to probe one drain. Common practice, no source."""
REFILL_SECONDS = 300.0
"""Seconds to fill the tank again. Common practice, no source."""
Kind = Literal["mask", "opening", "wand", "pass", "refill", "drain"]


@dataclass(frozen=True, kw_only=True)
class Pulled:
    """A pass as the clock sees it: trigger-on seconds and m³ of all its pulls."""

    opening: str
    wand: str
    seconds: float
    liquid: float


@dataclass(frozen=True, kw_only=True)
class Step:
    """One step of the work.

    Parameters
    ----------
    kind : str
        What it is.
    name : str
        Mask, opening, wand or drain.
    order : int or None
        Number of the pass, from 1.
    start, seconds : float
        When it begins, in s from the start of work, and how long it takes.
    liquid : float
        m³ sprayed before it.
    left : float or None
        m³ in the tank before it, where the tank is known.
    """

    kind: Kind
    name: str
    order: int | None = None
    start: float
    seconds: float
    liquid: float
    left: float | None = None


def steps_of(
    pulled: Sequence[Pulled],
    *,
    masks: Sequence[str] = (),
    drains: Sequence[str] = (),
    tank: float | None = None,
    prices: Prices | None = None,
) -> tuple[Step, ...]:
    """Return the steps of the work in order, by the clock.

    Masks are put up first. A set-up is counted for each opening gone to and for each wand taken up, an aim
    for each pass. The tank of `tank` m³ begins full and is filled again before a pass that it no longer
    holds; a pass of more than a full tank takes as many fillings as it lacks, told before it (`left` is then
    what the tank held and what is filled in during the pass). Drains are probed last.
    """
    costs = Prices() if prices is None else prices
    steps: list[Step] = []
    clock, sprayed, left = 0.0, 0.0, tank

    def take(kind: Kind, name: str, seconds: float, order: int | None = None) -> None:
        nonlocal clock
        steps.append(
            Step(kind=kind, name=name, order=order, start=clock, seconds=seconds, liquid=sprayed, left=left)
        )
        clock += seconds

    for name in masks:
        take("mask", name, MASK_SECONDS)
    opening = wand = ""
    for number, one in enumerate(pulled, start=1):
        if one.opening != opening:
            take("opening", one.opening, costs.entry)
        if one.wand != wand:
            take("wand", one.wand, costs.wand_change)
        opening, wand = one.opening, one.wand
        if left is not None and tank:
            # A pass that fits a full tank is not broken off: what is left stays. A larger one must be.
            lacking = one.liquid - left
            whole = one.liquid <= tank
            for _ in range(math.ceil(lacking / tank - 1e-9) if lacking > 0 else 0):
                take("refill", "", REFILL_SECONDS)
                left = tank if whole else left + tank
            take("pass", "", AIM_SECONDS + one.seconds, number)
            left -= one.liquid
        else:
            take("pass", "", AIM_SECONDS + one.seconds, number)
        sprayed += one.liquid
    for name in drains:
        take("drain", name, DRAIN_SECONDS)
    return tuple(steps)
