"""A wand as the page has it."""

from typing import Any

import numpy as np

from bayreach.studio._state import TIP_FIGURES, WAND_FIGURES, pieces_table
from bayreach.wands import Wand


def wand_table(wand: Wand) -> dict[str, Any]:
    """Return a wand's shape, chain and figures; endless figures and those it does not have are left out."""
    figures = {
        **{name: getattr(wand, name) for name in WAND_FIGURES},
        **{name: getattr(wand.tip, name) for name in TIP_FIGURES},
    }
    kept = {name: float(value) for name, value in figures.items() if value is not None and np.isfinite(value)}
    return {
        "shape": wand.shape,
        "pattern": wand.tip.pattern,
        "figures": kept,
        "pieces": pieces_table(wand.pieces),
    }
