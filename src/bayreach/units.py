"""Quantities in and out of SI: the only room that uses the unit library."""

import math
import re
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from bayreach.errors import UnitError

if TYPE_CHECKING:
    import pint

MIL = 25.4e-6
"""One mil in m (exact)."""
INCH = 25.4e-3
"""One inch in m (exact)."""
MICROMETRE = 1e-6

SI_UNITS = {
    "length": "m",
    "angle": "rad",
    "area": "m^2",
    "volume": "m^3",
    "speed": "m/s",
    "flow": "m^3/s",
    "time": "s",
    "pressure": "Pa",
    "density": "kg/m^3",
    "viscosity": "Pa s",
    "surface_tension": "N/m",
    "mass": "kg",
    "force": "N",
    "stiffness": "N m^2",
    "temperature": "K",
    "concentration": "kg/m^3",
}
"""SI unit of each kind of quantity a job file may hold."""

EXAMPLES = {
    "length": '"6 mm" or "1/4 in"',
    "angle": '"40 deg"',
    "flow": '"200 mL/min"',
    "speed": '"50 mm/s"',
    "pressure": '"80 psi"',
    "time": '"0.5 s"',
    "density": '"870 kg/m^3"',
    "viscosity": '"12 mPa s"',
    "surface_tension": '"28 mN/m"',
    "volume": '"9 L"',
}

MESH_UNITS = {"m": 1.0, "cm": 1e-2, "mm": 1e-3, "in": INCH, "ft": 0.3048, "um": 1e-6}
"""Metres in each unit that a mesh may be stated in."""

_FRACTION = re.compile(r"^\s*(?:(\d+)[ -])?(\d+)\s*/\s*(\d+)\s*(.*)$")
_NUMBER = re.compile(r"^\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(.*)$")
_UNIT_TEXT = re.compile(r"^[A-Za-zµμ°\"'%/*^·\s\d.()-]{1,40}$")


@lru_cache(maxsize=1)
def _registry() -> "pint.UnitRegistry[Any]":
    import pint

    registry: pint.UnitRegistry[Any] = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
    registry.define("mil = 0.001 inch")
    return registry


def _number_and_unit(text: str) -> tuple[float, str]:
    fraction = _FRACTION.match(text)
    if fraction and int(fraction[3]):
        return int(fraction[1] or 0) + int(fraction[2]) / int(fraction[3]), fraction[4].strip()
    number = _NUMBER.match(text)
    if number:
        return float(number[1]), number[2].strip()
    message = f'"{text}" does not begin with a number; write it as a number and a unit.'
    raise UnitError(message)


def si(text: str, kind: str) -> float:
    """Return the SI value of a quantity written with its unit; "inf" is allowed by the caller's choice.

    >>> si("1/4 in", "length")
    0.00635
    >>> round(si("0.4 mil", "length") * 1e6, 6)
    10.16

    Raises
    ------
    UnitError
        Without a unit, with one that is unknown, or with one of another kind than `kind`.
    """
    if text.strip().lower() in {"inf", "infinite"}:
        return math.inf
    example = EXAMPLES.get(kind, f'"1 {SI_UNITS[kind]}"')
    value, unit = _number_and_unit(text)
    if not unit:
        message = f'"{text}" has no unit; a {kind.replace("_", " ")} is written like {example}.'
        raise UnitError(message)
    if not _UNIT_TEXT.match(unit):
        message = f'"{text[:60]}" has the unknown unit "{unit[:40]}"; a {kind.replace("_", " ")} is written like {example}.'
        raise UnitError(message)
    registry = _registry()
    try:
        factor = registry.Quantity(value, registry.parse_units(unit))
        return float(factor.to(SI_UNITS[kind]).magnitude)
    except Exception as error:
        # The unit library raises a dozen kinds, some of them built-ins; to the user all mean the same.
        reason = (
            f"is no {kind.replace('_', ' ')}"
            if type(error).__name__ == "DimensionalityError"
            else "has an unknown unit"
        )
        message = f'"{text}" {reason}; a {kind.replace("_", " ")} is written like {example}.'
        raise UnitError(message) from error
