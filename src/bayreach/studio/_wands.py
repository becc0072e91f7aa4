"""A wand as the page has it."""

from typing import Any

import numpy as np

from bayreach.studio._state import TIP_FIGURES, pieces_table
from bayreach.wands import Wand


def wand_table(wand: Wand) -> dict[str, Any]:
    """Return a wand's shape, chain and figures; endless figures and those it does not have are left out."""
    figures = {
        "length": wand.length,
        "diameter": wand.diameter,
        "tip_diameter": wand.tip_diameter,
        "pull_speed": wand.pull_speed,
        **{name: getattr(wand.tip, name) for name in TIP_FIGURES},
    }
    if wand.bend_radius is not None:
        figures["bend_radius"] = wand.bend_radius
    kept = {name: float(value) for name, value in figures.items() if np.isfinite(value)}
    return {
        "shape": wand.shape,
        "pattern": wand.tip.pattern,
        "figures": kept,
        "pieces": pieces_table(wand.pieces),
    }
