"""A wand as capsules where it stands, or would stand, at one depth: for a picture."""

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import FloatArray, unit_vectors
from bayreach.insertion._bent import finely, threading_of
from bayreach.insertion._records import Path
from bayreach.insertion._ways import line_arrays, slid
from bayreach.wands import Wand, centre_line

if TYPE_CHECKING:
    from bayreach.bays import Opening

DOWN = (0.0, 0.0, -1.0)
PIECE = 0.01
"""Greatest length in m of a piece of a drawn bend."""
STEP = 0.004
"""Spacing in m of the depths at which a bent wand is told."""


def standing(
    wand: Wand,
    opening: "Opening",
    *,
    aim: ArrayLike,
    clock: float,
    depth: float,
    down: ArrayLike = DOWN,
    path: Path | None = None,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return a wand as capsules with its tip `depth` (m) in: starts, ends (c, 3) and radii (c,), in m.

    From the handle to the tip. Nothing is asked of the structure: a pose that cannot be comes back too. A
    flexible wand lies along the line of `path`; without one, and outside, it lies along `aim`.
    """
    along = unit_vectors(np.asarray(aim, dtype=np.float64))
    if wand.shape != "bent":
        return _along_a_line(wand, np.asarray(opening.center), along, depth, path)
    from bayreach.insertion._motion import placed

    entry = np.asarray(opening.center if path is None else path.entry)
    threading = threading_of(wand, opening.thickness, STEP)
    stand = slid(entry, along, clock, depth, down).stands[-1]
    placement = placed(line_arrays(threading), stand)
    rotation = placement[:9].reshape(3, 3)
    marks = tuple(wand.length - section.far for section in wand.sections)
    line = centre_line(finely(wand.chain, PIECE, marks))
    points = line.points @ rotation.T + placement[9:]
    middles = (line.from_tip[1:] + line.from_tip[:-1]) / 2.0
    return _with_handle(wand, points, _radii(wand, middles), rotation[:, 0])


def _along_a_line(
    wand: Wand, center: FloatArray, aim: FloatArray, depth: float, path: Path | None
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the capsules of a wand along its path's line, or straight where it has none."""
    entry = center if path is None else path.entry
    curved = path is not None and len(path.line) > 1
    line = path.line if path is not None and curved else np.stack([entry, entry + max(depth, 1e-6) * aim])
    run = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    cuts = {depth - wand.length, 0.0, depth}
    cuts |= {depth - value for part in wand.sections for value in (part.near, part.far)}
    if curved:
        cuts |= set(np.linspace(0.0, depth, max(2, math.ceil(depth / 0.01))).tolist())
    places = np.array(sorted(place for place in cuts if depth - wand.length - 1e-9 <= place <= depth + 1e-9))
    inside = np.stack([np.interp(np.maximum(places, 0.0), run, line[:, k]) for k in range(3)], axis=1)
    points = inside + np.minimum(places, 0.0)[:, None] * aim
    middles = depth - (places[1:] + places[:-1]) / 2.0
    return _with_handle(wand, points, _radii(wand, middles), aim)


def _radii(wand: Wand, middles: FloatArray) -> FloatArray:
    """Return the radius (k,) in m of the wand at lengths (k,) from the tip."""
    parts = wand.sections
    diameters = [
        next((part for part in parts if middle <= part.far), parts[-1]).diameter for middle in middles
    ]
    return np.array(diameters) / 2.0


def _with_handle(
    wand: Wand, points: FloatArray, radii: FloatArray, heading: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    if wand.handle_diameter and wand.handle_length:
        points = np.vstack([points[0] - wand.handle_length * heading, points])
        radii = np.concatenate([[wand.handle_diameter / 2.0], radii])
    return points[:-1], points[1:], radii
