"""Mist, vapour and added mass of each bay, as the result tells them."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from bayreach.report._case import Case
from bayreach.report._numbers import place_text
from bayreach.report._words import words
from bayreach.units import significant

GRAMS = 1e3


@dataclass(frozen=True, kw_only=True)
class Air:
    """One bay's mist after spraying and vapour if all solvent dries in closed air (g/m³), added mass (g)."""

    bay: str
    mist_g_m3: float | None
    vapour_g_m3: float | None
    wet_g: float | None
    dry_g: float | None

    def texts(self) -> tuple[str, str, str, str, str]:
        """Return the bay's name and its figures, two digits each."""
        known = (self.mist_g_m3, self.vapour_g_m3, self.wet_g, self.dry_g)
        units = ("g/m³", "g/m³", "g", "g")
        mist, vapour, wet, dry = (
            words("not_known") if value is None else f"{significant(value, 2)} {unit}"
            for value, unit in zip(known, units, strict=True)
        )
        return self.bay, mist, vapour, wet, dry


def air_of(case: Case) -> tuple[Air, ...]:
    """Return the rows of the bays the result tells of; none where it tells of none."""
    mist = {str(row.get("bay")): row for row in case.record.get("mist") or ()}
    loads = {str(row.get("bay")): row for row in case.record.get("loads") or ()}
    return tuple(
        Air(
            bay=name,
            mist_g_m3=_grams(mist.get(name), "airborne_unsettled_kg_m3"),
            vapour_g_m3=_vapour(mist.get(name)),
            wet_g=None if name not in loads else GRAMS * _wet(loads[name]),
            dry_g=_grams(loads.get(name), "dry_kg"),
        )
        for name in dict.fromkeys([*mist, *loads])
    )


def _vapour(row: Mapping[str, Any] | None) -> float | None:
    """Return the vapour of a bay in g/m³, bounded by saturation where the result knows that."""
    bounded = _grams(row, "vapour_kg_m3")
    return _grams(row, "vapour_if_all_dries_kg_m3") if bounded is None else bounded


def air_limits(case: Case) -> tuple[str, ...]:
    """Return the limits the mist is to be held against, each with its source."""
    return tuple(
        words(
            "air_limit",
            name=row.get("name", ""),
            value=significant(float(row["value_kg_m3"]) * GRAMS, 2),
            source=row.get("source", ""),
        )
        for row in case.record.get("mist_limits") or ()
    )


def mass_line(case: Case) -> str:
    """Return the sentence on the whole added mass and its middle; empty where the result tells of none."""
    loads = [row for row in case.record.get("loads") or () if _wet(row) > 0.0]
    wet = sum(_wet(row) for row in loads)
    if wet <= 0.0:
        return ""
    dry = sum(float(row.get("dry_kg") or 0.0) for row in loads)
    x, y, z = (sum(_wet(row) * float(row["center_m"][axis]) for row in loads) / wet for axis in range(3))
    place = place_text((x, y, z))
    return words("mass_total", wet=significant(wet * GRAMS, 2), dry=significant(dry * GRAMS, 2), place=place)


def balance_lines(case: Case) -> tuple[str, ...]:
    """Return a sentence for each hinge line that the result holds the added mass against."""
    return tuple(
        words(
            "balance_line",
            name=row.get("name", ""),
            wet=significant(float(row.get("wet_n_m") or 0.0), 2),
            dry=significant(float(row.get("dry_n_m") or 0.0), 2),
        )
        for row in case.record.get("balances") or ()
    )


def _wet(row: Mapping[str, Any]) -> float:
    """Return the wet mass (kg) of a bay: its film and its pools."""
    return float(row.get("film_kg") or 0.0) + float(row.get("pool_kg") or 0.0)


def _grams(row: Mapping[str, Any] | None, key: str) -> float | None:
    value = None if row is None else row.get(key)
    return None if value is None else float(value) * GRAMS
