"""The whole wand at every step of its way in, as capsules: for a picture, a file or an outside check."""

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from bayreach.arrays import BoolArray, FloatArray
from bayreach.insertion._bent import body_of, threading_of
from bayreach.insertion._records import Path
from bayreach.insertion._turning import FINE
from bayreach.insertion._ways import poses_along

if TYPE_CHECKING:
    from bayreach.bays import Opening


@dataclass(frozen=True, kw_only=True, eq=False)
class Replay:
    """Capsules of a wand on its way in.

    Parameters
    ----------
    depths : (k,) float
        Depth in m at each step, from outside to the greatest.
    starts, ends : (k, c, 3) float
        Ends of each capsule's middle line in m.
    radii : (c,) float
        In m.
    """

    depths: FloatArray
    starts: FloatArray
    ends: FloatArray
    radii: FloatArray

    def table(self) -> dict[str, Any]:
        """Return the plain table of `reach --replay`: metres, one row of capsules a step."""
        capsules = np.concatenate([self.starts, self.ends], axis=2).round(9)
        return {
            "depths_m": self.depths.round(9).tolist(),
            "radii_m": self.radii.tolist(),
            "capsules_m": capsules.tolist(),
        }


def replay(path: Path, opening: "Opening", *, step: float = 0.002) -> Replay:
    """Return the whole wand at steps of at most `step` (m) of its tip's travel along the way of `path`.

    `opening` is the one the path enters through. What needs no room outside (coupled afterwards, or the
    slack of a flexible wand) is drawn in to the end of what does.
    """
    if path.wand.shape == "flexible":
        return _flexible_replay(path, step)
    return _rigid_replay(path, opening, step)


def _rigid_replay(path: Path, opening: "Opening", step: float) -> Replay:
    wand = path.wand
    threading = threading_of(wand, opening.thickness, FINE)
    body = body_of(wand)
    depths, rotations, origins = poses_along(threading, path.way, step)

    def carried(points: FloatArray) -> FloatArray:
        moved: FloatArray = np.einsum("kij,cj->kci", rotations, points) + origins[:, None]
        return moved

    starts, ends = carried(body.starts), carried(body.ends)
    if wand.couple_after:
        out = (body.far + body.near)[None, :] / 2.0 - depths[:, None] > wand.room_outside
        starts, ends = _drawn_in(out, starts, ends)
    return Replay(depths=depths, starts=starts, ends=ends, radii=body.radii)


def _drawn_in(out: BoolArray, starts: FloatArray, ends: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Shrink the capsules that are `out` (k, c) to the end of the outermost one that is not."""
    first = np.argmin(out, axis=1)
    stand_in = starts[np.arange(len(out)), first][:, None, :]
    return np.where(out[..., None], stand_in, starts), np.where(out[..., None], stand_in, ends)


def _flexible_replay(path: Path, step: float) -> Replay:
    wand, line = path.wand, path.line
    run = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    tip_radius = wand.tip_diameter / 2.0
    spacing = min(0.005, float(wand.bend_radius or 1.0) / 12.0)
    outside = min(wand.room_outside, wand.length)
    marks = np.arange(tip_radius, path.deepest + outside + spacing, spacing)
    depths = np.linspace(0.0, path.deepest, max(2, math.ceil(path.deepest / step) + 1))
    places = np.maximum(depths[:, None] - marks[None, :], -outside)
    inside = np.stack([np.interp(np.maximum(places, 0.0), run, line[:, k]) for k in range(3)], axis=2)
    points = inside + np.minimum(places, 0.0)[..., None] * path.aim
    middles = (marks[1:] + marks[:-1]) / 2.0
    radii = np.where(middles <= wand.tip_length, tip_radius, wand.diameter / 2.0)
    return Replay(depths=depths, starts=points[:, :-1], ends=points[:, 1:], radii=radii)
