"""What a "no" rests on: a rule that no way can break, or a search that found none."""

import math
from typing import TYPE_CHECKING

import numpy as np

from bayreach.insertion._chains import chains_to
from bayreach.insertion._flexible_paths import CHAINS
from bayreach.insertion._pivot import TILT
from bayreach.insertion._space import Space
from bayreach.insertion._turning import BEND_STEP, CLOCKS, SHANK_STEP
from bayreach.wands import Wand

if TYPE_CHECKING:
    from bayreach.bays import Opening


def is_ruled_out(space: Space, wand: Wand, opening: "Opening", bay: int | None = None) -> bool:
    """Tell whether a rule alone keeps a wand's tip out of an opening, or of a bay behind it.

    The tip is wider than the circle that fits in the opening; or no chain of openings as wide as the tip
    leads to the bay; or every opening into the bay is further from the first, rim to rim, than the wand is
    long.
    """
    if wand.tip_diameter > opening.diameter * (1.0 + 1e-9):
        return True
    if bay is None or bay in opening.links:
        return False
    if next(iter(chains_to(space, opening, bay, wand.tip_diameter)), None) is None:
        return True
    gates = [gate for gate in space.bays.openings if bay in gate.links and gate is not opening]
    apart = [
        float(np.linalg.norm(gate.center - opening.center)) - _reach_of(gate) - _reach_of(opening)
        for gate in gates
    ]
    return min(apart, default=math.inf) > wand.length


def _reach_of(opening: "Opening") -> float:
    """Return how far in m an opening's rim lies from its centre at most."""
    rim = np.asarray(opening.rim).reshape(-1, 3)
    far = float(np.linalg.norm(rim - opening.center, axis=1).max(initial=0.0))
    return max(far, opening.diameter / 2.0)


def what_was_searched(wand: Wand, *, lines: int, leans: int) -> str:
    """Return in words how finely a way in was looked for: its steps, with `lines` tried, or `leans`."""
    if wand.shape == "straight":
        return f"{lines} lines were tried, and tilts by {math.degrees(TILT):.0f} degrees"
    if wand.shape == "bent":
        return (
            f"sought by {1e3 * BEND_STEP:.1f} to {1e3 * SHANK_STEP:.1f} mm of depth, "
            f"{360 / CLOCKS:.0f} degrees of clock angle and {leans} leans"
        )
    return f"sought through {CHAINS} chains of openings at most, by curves of least bend radius"
