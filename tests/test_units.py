"""Quantities written with a unit become SI numbers, or one sentence that says why not."""

import math
import re

import pytest

from bayreach.errors import UnitError
from bayreach.units import is_met, percent_text, si

# Each value follows from exact definitions: 1 in = 25.4 mm, 1 US gal = 231 in³, 1 psi = 1 lbf/in²
# (4.4482216152605 N / 645.16e-6 m²), 1 lb = 0.45359237 kg (NIST SP 811, appendix B.8).
KNOWN = [
    ("6 mm", "length", 6e-3),
    ("1/4 in", "length", 6.35e-3),
    ("1 1/2 in", "length", 38.1e-3),
    ("1-1/2 in", "length", 38.1e-3),
    ('3/8"', "length", 9.525e-3),
    ("0.4 mil", "length", 10.16e-6),
    ("2 mils", "length", 50.8e-6),
    ("12 µm", "length", 12e-6),
    ("12 μm", "length", 12e-6),
    ("12um", "length", 12e-6),
    ("3 m²", "area", 3.0),
    ("3 m2", "area", 3.0),
    ("3 m**2", "area", 3.0),
    ("3 m^2", "area", 3.0),
    ("9 L", "volume", 9e-3),
    ("1 gal", "volume", 231 * 0.0254**3),
    ("1 fl oz", "volume", 231 * 0.0254**3 / 128),  # a US gallon is 128 US fluid ounces
    ("200 mL/min", "flow", 200e-6 / 60),
    ("200 ml / min", "flow", 200e-6 / 60),
    ("80 psi", "pressure", 80 * 4.4482216152605 / 645.16e-6),
    ("3 bar", "pressure", 3e5),
    ("870 kg/m^3", "density", 870.0),
    ("0.87 g/cm³", "density", 870.0),
    ("12 mPa s", "viscosity", 12e-3),
    ("12 mPa·s", "viscosity", 12e-3),
    ("12 cP", "viscosity", 12e-3),
    ("28 mN/m", "surface_tension", 28e-3),
    ("28 dyn/cm", "surface_tension", 28e-3),
    ("180 deg", "angle", math.pi),
    ("180°", "angle", math.pi),
    ("50 mm/s", "speed", 0.05),
    ("20 degC", "temperature", 293.15),
    ("20 °C", "temperature", 293.15),
    ("-5 deg", "angle", math.radians(-5)),
    ("1e-3 m", "length", 1e-3),
]


@pytest.mark.parametrize(("text", "kind", "value"), KNOWN, ids=[text for text, _, _ in KNOWN])
def test_a_quantity_becomes_its_si_value(text: str, kind: str, value: float) -> None:
    assert si(text, kind) == pytest.approx(value, rel=1e-12)


REFUSED = [
    ("6", "length", 'has no unit; a length is written like "6 mm"'),
    ("six mm", "length", "does not begin with a number"),
    ("", "length", "does not begin with a number"),
    ("6 s", "length", "is no length"),
    ("6 mm", "angle", "is no angle"),
    ("6 furlongz", "length", 'unknown unit "furlongz"'),
    ("1/0 in", "length", "unknown unit"),
    ("1e999 m", "length", "too large"),
    ("inf", "length", "makes no sense here"),
    ("nan m", "length", "does not begin with a number"),
    ("1 m^9^9^9^9", "length", "unknown unit"),
    ("1 (m)", "length", "unknown unit"),
    ("1 __import__('os')", "length", "unknown unit"),
]


@pytest.mark.parametrize(("text", "kind", "words"), REFUSED, ids=[text or "empty" for text, _, _ in REFUSED])
def test_a_quantity_that_means_nothing_is_refused_in_one_sentence(text: str, kind: str, words: str) -> None:
    with pytest.raises(UnitError, match=re.escape(words)):
        si(text, kind)


def test_infinite_is_a_value_only_where_it_is_allowed() -> None:
    assert si("inf", "length", infinite=True) == math.inf


def test_a_long_text_is_not_printed_back_whole() -> None:
    with pytest.raises(UnitError) as failure:
        si("1 " + "x" * 100_000, "length")
    assert len(str(failure.value)) < 250


@pytest.mark.parametrize(
    ("fraction", "text"),
    [
        (0.9996, "99.9 %"),  # 99.96 would round to 100.0
        (1.0, "100.0 %"),
        (1.0 - 1e-12, "99.9 %"),
        (0.0, "0.0 %"),
        (1e-9, "0.1 %"),
        (0.5, "50.0 %"),
        (None, "none asked"),
    ],
)
def test_rounding_never_makes_a_claim(fraction: float | None, text: str) -> None:
    assert percent_text(fraction) == text


def test_a_target_of_everything_is_met_by_everything_only() -> None:
    assert not is_met(1.0 - 1e-15, 1.0)
    assert is_met(1.0, 1.0)
    assert not is_met(None, 0.0)
