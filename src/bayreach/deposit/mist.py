"""Mist and vapour figures of a bay: numbers beside named limits, for a person to judge; never a verdict."""

from dataclasses import dataclass

import numpy as np

from bayreach.arrays import FloatArray
from bayreach.deposit.settled import SettledPerFog
from bayreach.liquids import Liquid


@dataclass(frozen=True, kw_only=True)
class Limit:
    """A limit that a concentration may be laid beside: `value` in kg/m³ and where it comes from."""

    name: str
    value: float
    source: str


LIMITS = (
    Limit(
        name="oil mist breathed over a working day",
        value=5e-6,
        source="NIOSH and OSHA pocket guide, mineral oil mist, 5 mg/m³",
    ),
    Limit(
        name="oil mist breathed for a short time",
        value=10e-6,
        source="NIOSH pocket guide, mineral oil mist, 10 mg/m³",
    ),
    Limit(
        name="oil mist immediately dangerous to life or health",
        value=2.5e-3,
        source="NIOSH pocket guide, mineral oil mist, 2,500 mg/m³",
    ),
    Limit(
        name="a tenth of the lower flammable limit of oil mist",
        value=4e-3,
        source="29 CFR 1910.146, 10 % of the limit; the limit 40 to 50 g/m³ from memory",
    ),
    Limit(
        name="lower flammable limit of oil mist",
        value=40e-3,
        source="from memory, 40 to 50 g/m³; mist of a combustible liquid can burn below its flash point",
    ),
    Limit(
        name="a tenth of the lower flammable limit of mineral-spirit vapour",
        value=5.3e-3,
        source="29 CFR 1910.146, 10 % of the limit; the limit 0.9 % by volume from memory",
    ),
)
"""Limits named beside the figures. Those of the liquid in hand are on its safety data sheet."""


@dataclass(frozen=True, kw_only=True, eq=False)
class MistFigures:
    """Figures of every bay, each a bound on the high side unless it says otherwise.

    Parameters
    ----------
    volumes : (n,) float
        Air space in m³.
    airborne : (n,) float
        Mist in the air at the end of the pull, after what has settled during it, in kg/m³.
    airborne_unsettled : (n,) float
        The same as if nothing had settled or left, in kg/m³.
    vapour_if_all_dries : (n,) float
        All solvent of the liquid left in the bay as vapour in its air, in kg/m³.
    saturation : float
        Vapour in kg/m³ at which air at 20 °C is saturated and takes no more; infinite where the liquid's
        vapour pressure is not known.
    time_to_95 : (n,) float
        Time in s until 5 % of the fog put into each bay still hangs.
    """

    volumes: FloatArray
    airborne: FloatArray
    airborne_unsettled: FloatArray
    vapour_if_all_dries: FloatArray
    time_to_95: FloatArray
    saturation: float = np.inf

    @property
    def vapour(self) -> FloatArray:
        """(n,) float: vapour in kg/m³ if all dries in closed air at 20 °C, bounded by saturation."""
        return np.minimum(self.vapour_if_all_dries, self.saturation)


def mist_figures(
    settled: SettledPerFog, fog: FloatArray, left_in_bay: FloatArray, *, duration: float, liquid: Liquid
) -> MistFigures:
    """Return the figures after a pull of `duration` (s) that gave each bay `fog` (n,) m³ at an even rate.

    Mist counts as liquid of its full density; drying droplets would move some of it to vapour.
    `left_in_bay` (n,) is the liquid in m³ on the sides and in the air of each bay. Nothing here says
    that a place is fit to enter or to spray: that takes a measurement and a person.
    """
    volumes = settled.volumes
    n = len(volumes)
    load = np.asarray(fog, dtype=np.float64)[:n]
    solvent = (1.0 - liquid.volume_solids) * np.asarray(left_in_bay, dtype=np.float64)[:n]
    return MistFigures(
        volumes=volumes,
        airborne=liquid.density * settled.airborne_after_feeding(load, duration) / volumes,
        airborne_unsettled=liquid.density * load / volumes,
        vapour_if_all_dries=liquid.density * solvent / volumes,
        time_to_95=settled.time_to_95,
        saturation=liquid.saturation,
    )
