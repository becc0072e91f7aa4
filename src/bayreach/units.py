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
    "mass_per_length": "kg/m",
    "temperature": "K",
    "concentration": "kg/m^3",
    "molar_mass": "kg/mol",
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
    "molar_mass": '"142 g/mol"',
}

MESH_UNITS = {"m": 1.0, "cm": 1e-2, "mm": 1e-3, "um": 1e-6, "in": INCH, "ft": 0.3048}
"""Metres in each unit that a mesh may be stated in."""

_FRACTION = re.compile(r"^\s*(?:(\d{1,6})[ -])?(\d{1,6})\s*/\s*(\d{1,6})\s*(.*)$", re.DOTALL)
_NUMBER = re.compile(r"^\s*([+-]?(?:\d{1,30}\.?\d{0,30}|\.\d{1,30})(?:[eE][+-]?\d{1,3})?)\s*(.*)$", re.DOTALL)
_UNIT_TEXT = re.compile(r"^[A-Za-zµμ]{1,20}(\^-?[1-4])?([*/ ][A-Za-zµμ]{1,20}(\^-?[1-4])?){0,4}$")
_SPELLINGS = (
    ("**", "^"),
    ("²", "^2"),
    ("³", "^3"),
    ("·", "*"),
    ("°C", "degC"),
    ("°F", "degF"),
    ("°", "deg"),
    ('"', "inch"),
    ("'", "foot"),
    ("%", "percent"),
)


@lru_cache(maxsize=1)
def _registry() -> "pint.UnitRegistry[Any]":
    import pint

    return pint.UnitRegistry(autoconvert_offset_to_baseunit=True)


def _number_and_unit(text: str) -> tuple[float, str]:
    fraction = _FRACTION.match(text)
    if fraction and int(fraction[3]):
        return int(fraction[1] or 0) + int(fraction[2]) / int(fraction[3]), fraction[4].strip()
    number = _NUMBER.match(text)
    if number:
        return float(number[1]), number[2].strip()
    message = f'"{text[:60]}" does not begin with a number; write it as a number and a unit.'
    raise UnitError(message)


def _plain_unit(unit: str) -> str | None:
    """Return `unit` in the one spelling that the library is asked with, or None where it is no unit text.

    Powers beyond 4 and brackets are refused: no quantity here needs them, and a tower of powers could hang.
    """
    for written, plain in _SPELLINGS:
        unit = unit.replace(written, plain)
    # The library's own "mil" is an angle (a NATO mil); in this trade it is a thousandth of an inch.
    unit = re.sub(r"\bmils?\b", "thou", unit)
    unit = re.sub(r"\bfl\.?\s*oz\b", "floz", unit)
    unit = re.sub(r"(?<=[A-Za-z])(?=[1-4](?:\D|$))", "^", unit)
    unit = re.sub(r"\s*([*/])\s*", r"\1", re.sub(r"\s+", " ", unit.strip()))
    return unit if _UNIT_TEXT.match(unit) else None


def si(text: str, kind: str, *, infinite: bool = False) -> float:
    """Return the SI value of a quantity written with its unit.

    Parameters
    ----------
    text : str
        As a job file writes it: "6 mm", "1/4 in", "80 psi", "0.4 mil".
    kind : str
        A key of `SI_UNITS`.
    infinite : bool
        Whether "inf" is a value that makes sense here.

    >>> si("1/4 in", "length")
    0.00635
    >>> round(si("0.4 mil", "length") * 1e6, 6)
    10.16

    Raises
    ------
    UnitError
        Without a unit, with an unknown one or one of another kind, or infinite where that means nothing.
    """
    wanted = f"a {kind.replace('_', ' ')} is written like {EXAMPLES.get(kind, _plain_example(kind))}"
    if text.strip().lower() in {"inf", "infinite"}:
        if infinite:
            return math.inf
        message = f'"{text.strip()}" makes no sense here; {wanted}.'
        raise UnitError(message)
    value, unit = _number_and_unit(text)
    if not unit:
        message = f'"{text[:60]}" has no unit; {wanted}.'
        raise UnitError(message)
    plain = _plain_unit(unit)
    if plain is None or not math.isfinite(value):
        what = f'the unknown unit "{unit[:40]}"' if plain is None else "a number too large to use"
        message = f'"{text[:60]}" has {what}; {wanted}.'
        raise UnitError(message)
    registry = _registry()
    try:
        number = registry.Quantity(value, registry.parse_units(plain)).to(SI_UNITS[kind]).magnitude
    except Exception as error:
        # The unit library raises a dozen kinds, some of them built-ins; to the user all mean the same.
        is_other_kind = type(error).__name__ == "DimensionalityError"
        reason = f"is no {kind.replace('_', ' ')}" if is_other_kind else f'has the unknown unit "{unit[:40]}"'
        message = f'"{text[:60]}" {reason}; {wanted}.'
        raise UnitError(message) from error
    # The factors leave dust in the sixteenth digit: 25 um would be 2.4999999999999998e-05 m.
    return float(f"{number:.15g}")


def _plain_example(kind: str) -> str:
    return f'"1 {SI_UNITS[kind]}"'


def significant(value: float, digits: int = 3) -> str:
    """Return a number with so many digits that count, and never as a power of ten above one.

    >>> significant(0.012345), significant(12345.0), significant(2.0)
    ('0.0123', '12300', '2')
    """
    text = f"{value:.{digits}g}"
    return f"{float(text):.0f}" if "e+" in text else text


def percent_text(fraction: float | None, decimals: int = 1) -> str:
    """Return a share in percent that rounding never turns into a claim: rounded down, and only 0 prints as 0.

    >>> percent_text(0.9996), percent_text(1.0), percent_text(0.0001), percent_text(None)
    ('99.9 %', '100.0 %', '0.1 %', 'none asked')
    """
    if fraction is None:
        return "none asked"
    step = 10.0**-decimals
    # The small addition only undoes binary fractions: 0.29 * 1000 is 289.99999999999994.
    shown = math.floor(100.0 * fraction / step + 1e-9) * step
    if fraction < 1.0:
        shown = min(shown, 100.0 - step)
    if fraction > 0.0:
        shown = max(shown, step)
    return f"{shown:.{decimals}f} %"


def is_met(fraction: float | None, target: float) -> bool:
    """Return whether a share reaches its target, unrounded; a share of nothing reaches no target.

    >>> is_met(0.9999999, 1.0), is_met(1.0, 1.0), is_met(None, 0.0)
    (False, True, False)
    """
    return fraction is not None and fraction >= target
