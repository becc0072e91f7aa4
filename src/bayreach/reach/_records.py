"""What is told of each wand through each opening."""

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from bayreach.arrays import FloatArray
from bayreach.insertion import Path


@dataclass(frozen=True, kw_only=True)
class BayReach:
    """What a wand through one opening reaches and sees in one bay.

    Parameters
    ----------
    bay : str
        The bay's name.
    reached : bool
        True where the tip gets in.
    tip_volume, tip_volume_error : float
        Air in m³ in which the tip can be, and its standard error from sampling.
    visible_area, visible_share : float
        Area in m² of the bay's sides that some reachable tip sees, and its share of the bay's area.
    in_pattern_area, in_pattern_share : float
        Of those, what lies within the tip's pattern, at some clock angle that can be had, and its throw.
    limit : str
        Why the bay is not reached; empty where it is.
    short_by : float
        How much is missing in m; 0 where it is reached, infinite where no figure says it.
    searched : str
        How a way in was looked for, with its steps, where none was found; empty where the bay is reached, and
        where a rule keeps the wand out.
    """

    bay: str
    reached: bool
    tip_volume: float
    tip_volume_error: float
    visible_area: float
    visible_share: float
    in_pattern_area: float = 0.0
    in_pattern_share: float = 0.0
    limit: str = ""
    short_by: float = 0.0
    searched: str = ""


@dataclass(frozen=True, kw_only=True, eq=False)
class Reach:
    """One wand through one opening.

    Parameters
    ----------
    wand, opening : str
        Their names.
    fits : bool
        True where the tip gets through the opening by a centimetre or more.
    depth : float
        Greatest depth of the tip in m.
    max_tilt : float or None
        Greatest angle in rad between wand and the opening's axis that the hole leaves; None where it does
        not fit.
    solid_angle : float
        Solid angle in sr of the aims, through the opening's centre, along which the tip gets in.
    bays : tuple of BayReach
        One for each bay of the structure.
    limit : str
        What ends the greatest depth, or why it does not fit.
    searched : str
        How a way in was looked for, where it does not fit by no rule, but since none was found.
    paths : tuple of Path
        The ways in that were found.
    tips : (t, 3) float
        Places in m where the tip can be, from which sides were looked at.
    """

    wand: str
    opening: str
    fits: bool
    depth: float
    max_tilt: float | None
    solid_angle: float
    bays: tuple[BayReach, ...]
    limit: str
    searched: str = ""
    paths: tuple[Path, ...] = ()
    tips: FloatArray = field(default_factory=lambda: np.zeros((0, 3)))

    @property
    def bays_reached(self) -> tuple[str, ...]:
        """Names of the bays that the tip gets into."""
        return tuple(bay.bay for bay in self.bays if bay.reached)

    @property
    def visible_area(self) -> float:
        """Area in m² of all sides seen."""
        return sum(bay.visible_area for bay in self.bays)

    @property
    def in_pattern_area(self) -> float:
        """Area in m² of all sides seen within the tip's pattern and throw."""
        return sum(bay.in_pattern_area for bay in self.bays)

    def table(self) -> dict[str, Any]:
        """Return the plain table of `reach --json`: SI units, angles in degrees."""
        return {
            "wand": self.wand,
            "opening": self.opening,
            "fits": self.fits,
            "depth_m": self.depth,
            "max_tilt_deg": None if self.max_tilt is None else math.degrees(self.max_tilt),
            "aims_sr": self.solid_angle,
            "bays_reached": list(self.bays_reached),
            "visible_m2": self.visible_area,
            "in_pattern_m2": self.in_pattern_area,
            "limit": self.limit,
            "searched": self.searched,
            "bays": [
                {
                    "bay": bay.bay,
                    "reached": bay.reached,
                    "tip_volume_m3": bay.tip_volume,
                    "tip_volume_error_m3": bay.tip_volume_error,
                    "visible_m2": bay.visible_area,
                    "visible_share": bay.visible_share,
                    "in_pattern_m2": bay.in_pattern_area,
                    "in_pattern_share": bay.in_pattern_share,
                    "limit": bay.limit,
                    "short_by_m": bay.short_by if math.isfinite(bay.short_by) else None,
                    "searched": bay.searched,
                }
                for bay in self.bays
            ],
        }
