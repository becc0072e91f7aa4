"""Liquid properties, and generic classes of protective liquid with a source beside each number."""

import math
import tomllib
from dataclasses import dataclass, field
from functools import lru_cache
from importlib import resources
from typing import Any

from bayreach.errors import LiquidError, nearest_hint

GAS_CONSTANT, ROOM = 8.314462618, 293.15
"""In J/(mol K), CODATA 2018; and the temperature in K at which vapour is told."""
LIMITS = {
    "density": (100.0, 3000.0, "kg/m³"),
    "viscosity": (1e-5, 1e3, "Pa s"),
    "surface_tension": (1e-3, 1.0, "N/m"),
    "volume_solids": (1e-3, 1.0, "of the volume"),
    "contact_angle": (0.0, math.pi, "rad"),
    "vapour_pressure": (1e-6, 1.1e5, "Pa"),
    "molar_mass": (1e-3, 1.0, "kg/mol"),
}
"""Least and greatest value of each property that a sprayable liquid can have; outside is a slip of units."""


@dataclass(frozen=True, kw_only=True)
class Liquid:
    """A liquid as it leaves the tip.

    Parameters
    ----------
    name : str
        What documents call it.
    density : float
        In kg/m³.
    viscosity : float
        Dynamic viscosity in Pa s.
    surface_tension : float
        In N/m.
    volume_solids : float
        Share of the wet volume that stays when the solvent has gone, above 0 to 1.
    contact_angle : float
        On the wetted surface, in rad; 0 wets fully.
    vapour_pressure, molar_mass : float, optional
        Of the solvent at 20 °C in Pa, and of its vapour in kg/mol; None: unknown.

    Raises
    ------
    LiquidError
        When a property lies outside what a sprayable liquid can have.
    """

    name: str = "unnamed liquid"
    density: float
    viscosity: float
    surface_tension: float
    volume_solids: float
    contact_angle: float = 0.0
    vapour_pressure: float | None = None
    molar_mass: float | None = None

    def __post_init__(self) -> None:
        for key, (least, greatest, unit) in LIMITS.items():
            given = getattr(self, key)
            if given is None:
                continue
            value = float(given)
            if not least <= value <= greatest:
                message = (
                    f'liquid "{self.name}": {key} {value:g} {unit} is outside {least:g} to '
                    f"{greatest:g} {unit}; check the number and its unit."
                )
                raise LiquidError(message)

    @property
    def kinematic_viscosity(self) -> float:
        """Viscosity over density, in m²/s."""
        return self.viscosity / self.density

    @property
    def saturation(self) -> float:
        """Vapour in kg/m³ that air at 20 °C can hold: p M / (R T), the ideal gas law; infinite if unknown.

        >>> oil = Liquid(density=870, viscosity=0.012, surface_tension=0.028, volume_solids=0.4,
        ...              vapour_pressure=266.6, molar_mass=0.142)
        >>> round(1e3 * oil.saturation, 1)
        15.5
        """
        if self.vapour_pressure is None or self.molar_mass is None:
            return math.inf
        return self.vapour_pressure * self.molar_mass / (GAS_CONSTANT * ROOM)

    def dry_film(self, wet_film: float) -> float:
        """Return the dry film in m that a wet film (m) leaves: wet x volume solids."""
        return wet_film * self.volume_solids

    def wet_film(self, dry_film: float) -> float:
        """Return the wet film in m that leaves a dry film (m): dry / volume solids.

        >>> oil = Liquid(density=870, viscosity=0.012, surface_tension=0.028, volume_solids=0.4)
        >>> round(oil.wet_film(25e-6) * 1e6, 9)
        62.5
        """
        return dry_film / self.volume_solids


@dataclass(frozen=True, kw_only=True)
class LiquidClass:
    """A generic class of liquid with its film limits (m, dry) and where each number comes from.

    `coats` names the classes put on in turn, empty for a single coat; `liquid` is that of the last coat.
    """

    name: str
    title: str
    note: str
    liquid: Liquid
    film_min: float
    film_target: float
    film_max: float
    coats: tuple[str, ...] = ()
    sources: dict[str, str] = field(default_factory=dict, compare=False)


def liquid_class(name: str) -> LiquidClass:
    """Return the generic class called `name`.

    >>> thin = liquid_class("wd_thin")
    >>> thin.film_max, thin.liquid.viscosity
    (1.3e-05, 0.01)

    Raises
    ------
    LiquidError
        When there is no class of that name.
    """
    table = _table()
    if name not in table:
        message = f'there is no liquid class "{name}"; known: {", ".join(table)}.{nearest_hint(name, table)}'
        raise LiquidError(message)
    entry = table[name]
    coats = tuple(entry.get("coats", ()))
    own = {key: value for key, value in entry.items() if isinstance(value, dict)}
    properties = own if not coats else {**_numbers(table[coats[-1]]), **own}
    return LiquidClass(
        name=name,
        title=entry["title"],
        note=entry["note"],
        liquid=_liquid(coats[-1] if coats else name, properties),
        film_min=_value(own, "film_min_um", 1e6),
        film_target=_value(own, "film_target_um", 1e6),
        film_max=_value(own, "film_max_um", 1e6),
        coats=coats,
        sources={key: value["source"] for key, value in properties.items()},
    )


def _liquid(name: str, properties: dict[str, Any]) -> Liquid:
    return Liquid(
        name=name,
        density=_value(properties, "density_kg_m3", 1.0),
        viscosity=_value(properties, "viscosity_mPa_s", 1e3),
        surface_tension=_value(properties, "surface_tension_mN_m", 1e3),
        volume_solids=_value(properties, "volume_solids", 1.0),
        contact_angle=math.radians(_value(properties, "contact_angle_deg", 1.0)),
    )


def _value(properties: dict[str, Any], key: str, per_si: float) -> float:
    # Dividing by 1e6 rounds once; multiplying by 1e-6 would give 1.2999999999999999e-05 for 13 um.
    return float(properties[key]["value"]) / per_si


def _numbers(entry: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in entry.items() if isinstance(value, dict)}


@lru_cache(maxsize=1)
def _table() -> dict[str, Any]:
    text = resources.files("bayreach").joinpath("data", "liquids.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)
