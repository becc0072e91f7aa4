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
from bayreach.wands import SHAPES, Piece, Wand, arc_piece, straight_piece

QUESTIONS = ("best", "changes", "sweep", "reach", "all", "save", "open", "sheet")
KINDS = ("try", "stop", *QUESTIONS)
WAND_FIGURES = (
    *("length", "diameter", "tip_diameter", "tip_length", "shank_diameter", "shank_length"),
    *("handle_diameter", "handle_length", "bend_radius", "pull_speed"),
)
SIZES = tuple(name for name in WAND_FIGURES if name not in ("length", "diameter", "bend_radius"))
"""Figures that change nothing but themselves."""
TIP_FIGURES = ("spread", "angle", "flow", "throw")
PLACES = ("clock", "from", "to")
PIECES = ("straight", "arc", "radius", "roll")
MOST_LETTERS = 200
MOST_PIECES = 50
MOST_PASSES = 60


class StudioError(BayreachError):
    """A message of the page that cannot be read, or a request that cannot be met."""


@dataclass(frozen=True, kw_only=True, eq=False)
class State:
    """One pull as the page describes it, in SI units.

    Parameters
    ----------
    file : str
        Name of the saved job that the wand is taken from; empty for the studio's own job.
    wand, opening : str
        Their names.
    aim : (3,) float
        Unit vector along the wand as it is pushed in.
    clock, deepest, shallowest, entry, count, dwell
        As a job's pass has them.
    pattern, shape : str or None
        Those of the tip and the wand where they were changed.
    pieces : tuple of Piece or None
        The chain of a bent wand where it was changed.
    figures : dict of str to float
        Figures of the wand and its tip that were changed.
    """

    wand: str
    opening: str
    aim: FloatArray
    clock: float
    deepest: float
    shallowest: float
    file: str = ""
    entry: FloatArray | None = None
    count: int = 1
    dwell: float | None = None
    pattern: str | None = None
    shape: str | None = None
    pieces: tuple[Piece, ...] | None = None
    figures: dict[str, float] = field(default_factory=dict)

    def wand_of(self, job: Job) -> Wand:
        """Return the job's wand of this name with what was changed.

        Raises
        ------
        StudioError
            When the job has no such wand.
        WandError
            When a wand cannot be with these figures.
        """
        if self.wand not in [one.name for one in job.wands]:
            message = f'{job.path.name} has no wand "{self.wand}"'
            raise StudioError(message)
        wand = job.wand_named(self.wand)
        if "diameter" in self.figures:
            wand = with_figure(wand, "diameter", self.figures["diameter"])
        wand = self._shaped(wand)
        tip: dict[str, Any] = {name: self.figures[name] for name in TIP_FIGURES if name in self.figures}
        if self.pattern is not None and self.pattern != wand.tip.pattern:
            tip |= {"pattern": self.pattern, "table": None}
        return replace(wand, tip=replace(wand.tip, **tip)) if tip else wand

    def _shaped(self, wand: Wand) -> Wand:
        """Return the wand in the shape and sizes asked for; a chain longer than it makes it longer."""
        shape = wand.shape if self.shape is None else self.shape
        pieces = (wand.pieces if self.pieces is None else self.pieces) if shape == "bent" else ()
        bend = self.figures.get("bend_radius", wand.bend_radius) if shape == "flexible" else None
        asked = self.figures.get("length", wand.length)
        length = max(asked, sum(piece.length for piece in pieces))
        sizes: dict[str, Any] = {name: self.figures[name] for name in SIZES if name in self.figures}
        return replace(wand, shape=shape, pieces=pieces, bend_radius=bend, length=length, **sizes)

    def written(self, wand: str) -> WrittenPass:
        """Return the pull as a job writes it, made by the wand called `wand`."""
        return WrittenPass(
            wand=wand,
            opening=self.opening,
            aim=self.aim,
            deepest=self.deepest,
            shallowest=self.shallowest,
            clock=self.clock,
            entry=self.entry,
            count=self.count,
            dwell=self.dwell,
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class Request:
    """What is asked.

    `number` is the page's own; `state` the pull it is asked about, `word` a name or range where one is
    needed, `passes` the pulls of the page's list.
    """

    kind: str
    number: int
    state: State
    word: str = ""
    passes: tuple[State, ...] = ()


def number_of(text: str) -> int | None:
    """Return the number of a request, which may be one that is refused; None where it has none."""
    try:
        table = json.loads(text)
    except (ValueError, RecursionError):
        return None
    number = table.get("number") if isinstance(table, dict) else None
    return number if type(number) is int and 0 <= number < 2**53 else None


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
    table = _table(table, "message", {"kind", "number", "state", "word", "passes"})
    kind, number, passes = table.get("kind"), table.get("number"), table.get("passes", [])
    if kind not in KINDS:
        message = f"kind: one of {', '.join(KINDS)} is allowed"
        raise StudioError(message)
    if type(number) is not int or not 0 <= number < 2**53:
        message = "number: a whole number is needed"
        raise StudioError(message)
    if not isinstance(passes, list) or len(passes) > MOST_PASSES:
        message = f"passes: a list of at most {MOST_PASSES} pulls is needed"
        raise StudioError(message)
    return Request(
        kind=str(kind),
        number=number,
        state=_state(table.get("state")),
        word=_word(table.get("word", ""), "word"),
        passes=tuple(_state(one) for one in passes),
    )


KEYS = frozenset(
    {
        "file",
        "wand",
        "opening",
        "aim",
        "entry",
        "count",
        "dwell",
        "pattern",
        "shape",
        "pieces",
        "figures",
        *PLACES,
    }
)


def _state(value: object) -> State:
    table = _table(value, "state", KEYS)
    figures = _table(table.get("figures", {}), "figures", {*WAND_FIGURES, *TIP_FIGURES})
    clock, deepest, shallowest = (_number(table.get(name), name) for name in PLACES)
    dwell = table.get("dwell")
    if not 0.0 <= shallowest <= deepest or (shallowest == deepest) != (dwell is not None):
        message = "from: the pull goes outward, so from must be more than to, and to no less than 0"
        raise StudioError(message)
    count = table.get("count", 1)
    if type(count) is not int or not 1 <= count <= 1000:
        message = "count: a whole number from 1 to 1000 is needed"
        raise StudioError(message)
    shape = _known(table.get("shape"), "shape", SHAPES)
    return State(
        file=_word(table.get("file", ""), "file"),
        wand=_word(table.get("wand"), "wand"),
        opening=_word(table.get("opening"), "opening"),
        aim=_direction(table.get("aim")),
        clock=clock,
        deepest=deepest,
        shallowest=shallowest,
        entry=None if table.get("entry") is None else _vector(table["entry"], "entry"),
        count=count,
        dwell=None if dwell is None else _number(dwell, "dwell"),
        pattern=_known(table.get("pattern"), "pattern", None),
        shape=shape,
        pieces=None if table.get("pieces") is None else _pieces(table["pieces"]),
        figures={name: _figure(one, name) for name, one in figures.items()},
    )


def _vector(value: object, name: str) -> FloatArray:
    if not isinstance(value, list) or len(value) != 3:
        message = f"{name}: three numbers are needed"
        raise StudioError(message)
    return np.array([_number(one, name) for one in value])


def _direction(value: object) -> FloatArray:
    vector = _vector(value, "aim")
    length = float(np.linalg.norm(vector))
    if not 1e-9 < length < 1e9:
        message = "aim: a direction is needed; this one has no length"
        raise StudioError(message)
    # A direction that is a unit vector already stays what it is, to the last bit.
    return vector if abs(length - 1.0) < 1e-12 else vector / length


def _pieces(value: object) -> tuple[Piece, ...]:
    """Return a chain of pieces from handle to tip, each as a job writes it but in SI numbers."""
    if not isinstance(value, list) or len(value) > MOST_PIECES:
        message = f"pieces: a list of at most {MOST_PIECES} pieces is needed"
        raise StudioError(message)
    made = []
    for row in value:
        table = _table(row, "piece", set(PIECES))
        numbers = {name: _number(one, name) for name, one in table.items()}
        if set(numbers) == {"straight"}:
            made.append(straight_piece(numbers["straight"]))
        elif {"arc", "radius"} <= set(numbers) and "straight" not in numbers:
            made.append(arc_piece(numbers["radius"], numbers["arc"], numbers.get("roll", 0.0)))
        else:
            message = "piece: either straight, or arc and radius, is needed"
            raise StudioError(message)
    return tuple(made)


def _table(value: object, name: str, known: frozenset[str] | set[str]) -> dict[str, Any]:
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


def _figure(value: object, name: str) -> float:
    """Return a figure; a throw that is nothing has no end."""
    return math.inf if name == "throw" and value is None else _number(value, name)


def _word(value: object, name: str) -> str:
    if not isinstance(value, str) or len(value) > MOST_LETTERS:
        message = f"{name}: a text of at most {MOST_LETTERS} letters is needed"
        raise StudioError(message)
    return value


def _known(value: object, name: str, known: tuple[str, ...] | None) -> str | None:
    if value is None:
        return None
    word = _word(value, name)
    if known is not None and word not in known:
        message = f"{name}: one of {', '.join(known)} is needed"
        raise StudioError(message)
    return word


def state_table(state: State) -> dict[str, Any]:
    """Return a state as the page sends it."""
    return {
        "file": state.file,
        "wand": state.wand,
        "opening": state.opening,
        "aim": state.aim.tolist(),
        "clock": state.clock,
        "from": state.deepest,
        "to": state.shallowest,
        "entry": None if state.entry is None else state.entry.tolist(),
        "count": state.count,
        "dwell": state.dwell,
        "pattern": state.pattern,
        "shape": state.shape,
        "pieces": None if state.pieces is None else pieces_table(state.pieces),
        "figures": {name: value if math.isfinite(value) else None for name, value in state.figures.items()},
    }


def pieces_table(pieces: tuple[Piece, ...]) -> list[dict[str, float]]:
    """Return a chain of pieces as the page sends it."""
    return [
        {"straight": piece.length}
        if math.isinf(piece.radius)
        else {"arc": piece.angle, "radius": piece.radius, "roll": piece.roll}
        for piece in pieces
    ]
