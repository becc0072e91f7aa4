"""The work by the clock, as result.json names it."""

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, kw_only=True)
class WorkStepRecord:
    """One step: when it begins in s from the start of work, how long it takes, what was sprayed before it.

    `order` is the number of the pass, `tank_left_m3` what the tank holds as the step begins (None: no tank is
    named in the job).
    """

    kind: Literal["mask", "opening", "wand", "pass", "refill", "drain"]
    name: str
    order: int | None
    start_s: float
    seconds: float
    liquid_m3: float
    tank_left_m3: float | None = None


@dataclass(frozen=True, kw_only=True)
class WorkRecord:
    """The work in order: masks first, drains last; set-up, aiming and refill times are common practice."""

    seconds: float
    liquid_m3: float
    openings: int
    wand_changes: int
    refills: int
    steps: tuple[WorkStepRecord, ...] = ()
