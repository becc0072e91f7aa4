"""Liquids: what they refuse, and that every built-in number says where it comes from."""

import math
import tomllib
from importlib import resources

import pytest

from bayreach.errors import LiquidError
from bayreach.liquids import Liquid, liquid_class

OIL = {"density": 870.0, "viscosity": 0.05, "surface_tension": 0.03, "volume_solids": 0.5}


def test_wet_and_dry_film_differ_by_the_volume_solids() -> None:
    # 25 um dry at 40 % solids by volume needs 62.5 um wet.
    liquid = Liquid(**{**OIL, "volume_solids": 0.4})
    assert liquid.wet_film(25e-6) == pytest.approx(62.5e-6, rel=1e-12)
    assert liquid.dry_film(liquid.wet_film(25e-6)) == pytest.approx(25e-6, rel=1e-12)


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("density", 0.87),  # g/cm³ taken for kg/m³
        ("viscosity", 0.0),
        ("viscosity", math.nan),
        ("surface_tension", 28.0),  # mN/m taken for N/m
        ("volume_solids", 0.0),
        ("volume_solids", 45.0),  # per cent taken for a share
        ("contact_angle", 20.0),  # degrees taken for rad
    ],
)
def test_a_liquid_outside_its_limits_names_the_property(key: str, value: float) -> None:
    with pytest.raises(
        LiquidError, match=rf'liquid "slip": {key} .* is outside .*; check the number and its unit'
    ):
        Liquid(**{"name": "slip", **OIL, key: value})


BUILT_IN = tomllib.loads(
    resources.files("bayreach").joinpath("data", "liquids.toml").read_text(encoding="utf-8")
)


def test_every_built_in_number_has_a_source_and_lies_in_its_range() -> None:
    for name, entry in BUILT_IN.items():
        numbers = {key: value for key, value in entry.items() if key not in {"title", "note", "coats"}}
        for key, number in numbers.items():
            assert number["source"].strip(), (name, key)
            low, high = number.get("range", (number["value"], number["value"]))
            assert low <= number["value"] <= high, (name, key)


@pytest.mark.parametrize("name", BUILT_IN)
def test_every_class_loads_and_its_film_limits_rise(name: str) -> None:
    chosen = liquid_class(name)
    assert 0 < chosen.film_min < chosen.film_target < chosen.film_max
    assert set(chosen.sources) >= {"film_min_um", "viscosity_mPa_s", "density_kg_m3"}


def test_two_coats_end_with_the_second_ones_liquid() -> None:
    assert liquid_class("two_coat").liquid == liquid_class("soft_hd").liquid
    assert liquid_class("two_coat").coats == ("wd_thin", "soft_hd")


def test_an_unknown_class_is_met_with_the_nearest_name() -> None:
    with pytest.raises(LiquidError, match=r'no liquid class "wd_thn"; known: .*Did you mean "wd_thin"\?'):
        liquid_class("wd_thn")
