"""What a page asks for, read strictly: an unknown key, a wrong type or an endless number is refused."""

import json
import math
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from bayreach.arrays import FloatArray
from bayreach.errors import BayreachError
from bayreach.job import Job, WrittenPass
from bayreach.reach import with_figure
from bayreach.wands import Wand

KINDS = ("try", "best", "changes", "sweep", "save")
WAND_FIGURES = (
    "length",
    "diameter",
    "tip_diameter",
    "bend_radius",
    "bend_angle",
    "pull_speed",
)
TIP_FIGURES = ("spread", "angle", "flow", "throw")
PLACES = ("clock", "from", "to")
MOST_LETTERS = 200


class StudioError(BayreachError):
    """A message of the page that cannot be read, or a request that cannot be met."""


@dataclass(frozen=True, kw_only=True, eq=False)
class State:
    """One pull as the page describes it: SI units; `figures` are those of the wand that were changed."""

    wand: str
    opening: str
    aim: FloatArray
    clock: float
    deepest: float
    shallowest: float
    pattern: str | None = None
    figures: dict[str, float] = field(default_factory=dict)

    def wand_of(self, job: Job) -> Wand:
        """Return the job's wand of this name with the figures changed.

        Raises
        ------
        StudioError
            When the job has no such wand.
        WandError
            When a wand cannot be with these figures.
        """
        if self.wand not in [one.name for one in job.wands]:
            message = f'the job has no wand "{self.wand}"'
            raise StudioError(message)
        wand = job.wand_named(self.wand)
        for name in WAND_FIGURES:
            if name in self.figures:
                wand = with_figure(wand, name, self.figures[name])
        tip: dict[str, Any] = {name: self.figures[name] for name in TIP_FIGURES if name in self.figures}
        if self.pattern is not None and self.pattern != wand.tip.pattern:
            tip |= {"pattern": self.pattern, "table": None}
        return replace(wand, tip=replace(wand.tip, **tip)) if tip else wand

    def written(self, wand: Wand) -> WrittenPass:
        """Return the pull as a job writes it."""
        return WrittenPass(
            wand=wand.name,
            opening=self.opening,
            aim=self.aim,
            deepest=self.deepest,
            shallowest=self.shallowest,
            clock=self.clock,
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class Request:
    """What is asked, the page's number for it, the state it is asked in, and a word where one is needed."""

    kind: str
    number: int
    state: State
    word: str = ""


def read_request(text: str) -> Request:
    """Return the request that a text frame holds.

    Raises
    ------
    StudioError
        When it is not one.
    """
    try:
        table = json.loads(text)
    except (ValueError, RecursionError):
        message = "the message is no JSON"
        raise StudioError(message) from None
    table = _table(table, "message", {"kind", "number", "state", "word"})
    kind, number = table.get("kind"), table.get("number")
    if kind not in KINDS:
        message = f"kind: one of {', '.join(KINDS)} is allowed"
        raise StudioError(message)
    if type(number) is not int or not 0 <= number < 2**53:
        message = "number: a whole number is needed"
        raise StudioError(message)
    return Request(
        kind=str(kind),
        number=number,
        state=_state(table.get("state")),
        word=_word(table.get("word", ""), "word"),
    )


def _state(value: object) -> State:
    table = _table(value, "state", {"wand", "opening", "aim", "pattern", "figures", *PLACES})
    aim = table.get("aim")
    if not isinstance(aim, list) or len(aim) != 3:
        message = "aim: three numbers are needed"
        raise StudioError(message)
    vector = np.array([_number(one, "aim") for one in aim])
    length = float(np.linalg.norm(vector))
    if not 1e-9 < length < 1e9:
        message = "aim: a direction is needed; this one has no length"
        raise StudioError(message)
    figures = _table(table.get("figures", {}), "figures", {*WAND_FIGURES, *TIP_FIGURES})
    clock, deepest, shallowest = (_number(table.get(name), name) for name in PLACES)
    if not 0.0 <= shallowest < deepest:
        message = "from: the pull goes outward, so from must be more than to, and to no less than 0"
        raise StudioError(message)
    pattern = table.get("pattern")
    return State(
        wand=_word(table.get("wand"), "wand"),
        opening=_word(table.get("opening"), "opening"),
        aim=vector / length,
        clock=clock,
        deepest=deepest,
        shallowest=shallowest,
        pattern=None if pattern is None else _word(pattern, "pattern"),
        figures={name: _number(one, name) for name, one in figures.items()},
    )


def _table(value: object, name: str, known: set[str]) -> dict[str, Any]:
    if not isinstance(value, dict) or not set(value) <= known:
        message = f"{name}: a table of {', '.join(sorted(known))} is needed"
        raise StudioError(message)
    return value


def _number(value: object, name: str) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or abs(value) > 1e9:
        message = f"{name}: a number is needed"
        raise StudioError(message)
    if not math.isfinite(value):
        message = f"{name}: a finite number is needed"
        raise StudioError(message)
    return float(value)


def _word(value: object, name: str) -> str:
    if not isinstance(value, str) or len(value) > MOST_LETTERS:
        message = f"{name}: a text of at most {MOST_LETTERS} letters is needed"
        raise StudioError(message)
    return value
