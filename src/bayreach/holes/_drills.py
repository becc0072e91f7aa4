"""Standard drills, and what closes their holes."""

import tomllib
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import Any, Literal

from bayreach.errors import PlanError
from bayreach.units import INCH

MM = 1e-3
HAIR = 1e-7
"""A diameter in m within which two sizes are one."""


@dataclass(frozen=True, kw_only=True)
class Drill:
    """A standard drill: its name, system ("number", "letter", "fraction", "metric") and diameter in m."""

    name: str
    system: str
    diameter: float


@dataclass(frozen=True, kw_only=True)
class Rivet:
    """A blind rivet that closes holes from `least` to `greatest` diameter in m; `drill` is the usual one."""

    name: str
    drill: str
    least: float
    greatest: float


@lru_cache(maxsize=1)
def _table() -> dict[str, Any]:
    return tomllib.loads((files("bayreach") / "data" / "drills.toml").read_text(encoding="utf-8"))


@lru_cache(maxsize=1)
def drills() -> tuple[Drill, ...]:
    """Return every drill of the table, smallest first (source: see data/drills.toml)."""
    table = _table()
    found = [
        Drill(name=f"No. {name}", system="number", diameter=inches * INCH)
        for name, inches in table["number"].items()
    ]
    found += [
        Drill(name=f"letter {name}", system="letter", diameter=inches * INCH)
        for name, inches in table["letter"].items()
    ]
    for part in range(table["fraction"]["first_64th"], table["fraction"]["last_64th"] + 1):
        found.append(Drill(name=_fraction(part), system="fraction", diameter=part / 64 * INCH))
    for row in table["metric"]:
        for step in range(round((row["to"] - row["from"]) / row["step"]) + 1):
            size = round(row["from"] + step * row["step"], 3)
            found.append(Drill(name=f"{size:g} mm", system="metric", diameter=size * MM))
    return tuple(sorted(found, key=lambda drill: (drill.diameter, drill.name)))


def _fraction(part: int) -> str:
    if part == 64:
        return "1 in"
    below = 64
    while part % 2 == 0:
        part, below = part // 2, below // 2
    return f"{part}/{below} in"


@lru_cache(maxsize=1)
def rivets() -> tuple[Rivet, ...]:
    """Return the blind rivets of the table, smallest first."""
    return tuple(
        Rivet(
            name=row["name"],
            drill=row["drill"],
            least=row["hole"][0] * INCH,
            greatest=row["hole"][1] * INCH,
        )
        for row in _table()["rivet"]
    )


def drill_for(diameter: float, system: Literal["metric", "inch"] = "metric") -> Drill:
    """Return the smallest standard drill of at least `diameter` (m); "inch": number, letter or fraction.

    >>> drill_for(0.0065).name, drill_for(0.0065, "inch").name
    ('6.5 mm', 'letter F')

    Raises
    ------
    PlanError
        When no drill of the table is large enough.
    """
    systems = {"metric"} if system == "metric" else {"number", "letter", "fraction"}
    fitting = [drill for drill in drills() if drill.system in systems and drill.diameter >= diameter - HAIR]
    if not fitting:
        message = (
            f"drill: {1e3 * diameter:.1f} mm is more than the largest {system} drill of the table, "
            f"{1e3 * max(drill.diameter for drill in drills()):.1f} mm; use a thinner wand or an opening."
        )
        raise PlanError(message)
    return fitting[0]


def closes_with(diameter: float) -> str:
    """Return what closes a hole of `diameter` (m): a blind rivet of its size, else a plug.

    Where a rivet of the next size asks for a hole up to 0.6 mm larger, that is said too.

    >>> closes_with(drill_for(0.0032, "inch").diameter)
    '1/8 in blind rivet'
    >>> closes_with(0.0095)
    'plug for a 9.5 mm hole, with sealant'
    """
    for rivet in rivets():
        if rivet.least - 1e-6 <= diameter <= rivet.greatest + 1e-6:
            return rivet.name
        if 0.0 < rivet.least - diameter <= 0.6 * MM:
            wider = 1e3 * rivet.least
            return f"{rivet.name} after opening it to {wider:.2f} mm ({rivet.drill}), or a plug with sealant"
    return f"plug for a {1e3 * diameter:.1f} mm hole, with sealant"
