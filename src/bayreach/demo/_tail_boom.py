"""The demo's tail boom: a tapering oval tube, flanged ring frames, drains, an end whose cap is off."""

from dataclasses import dataclass

import numpy as np

from bayreach.arrays import FloatArray
from bayreach.demo._sheets import (
    Sheet,
    circle,
    filled,
    grid_sheet,
    holed_grid,
    segments_round,
    spaced,
    welded,
)
from bayreach.mesh import Mesh


@dataclass(frozen=True, kw_only=True)
class TailBoomSize:
    """Sizes in mm of an invented tail boom. x runs aft, y right, z up; sections are alike but smaller aft."""

    bays: int = 8
    frame_pitch: float = 300.0
    half_width: float = 150.0
    half_height: float = 175.0
    taper: float = 0.55
    rise: float = 0.03
    frame_width: float = 32.0
    flange: float = 14.0
    cable_hole_radius: float = 22.0
    drain_radius: float = 4.0
    drain_from_frame: float = 45.0

    @property
    def length(self) -> float:
        """Length from the front bulkhead to the open end, mm."""
        return self.bays * self.frame_pitch

    def scale(self, x: FloatArray | float) -> FloatArray:
        """Return the size of the section at x (mm) as a share of the front one's."""
        return np.asarray(1.0 - (1.0 - self.taper) * np.asarray(x) / self.length)

    def placed(self, x: FloatArray | float, section: FloatArray) -> FloatArray:
        """Return (..., 3) points of front section points (..., 2) (y, z) put at station x."""
        x = np.asarray(x, dtype=np.float64)
        scaled = self.scale(x)[..., None] * section
        z = scaled[..., 1] + self.rise * x
        return np.stack(np.broadcast_arrays(x, scaled[..., 0], z), axis=-1)


TAIL_BOOM = TailBoomSize()


def _section(size: TailBoomSize, edge: float) -> tuple[FloatArray, FloatArray]:
    """Return angles (k,), top by bottom to top, and the front section's points (k, 2)."""
    around = np.pi * (size.half_width + size.half_height)
    count = 4 * int(np.ceil(around / edge / 4.0))
    angles = np.pi / 2.0 + 2.0 * np.pi * np.arange(count + 1) / count
    points = np.stack([size.half_width * np.cos(angles), size.half_height * np.sin(angles)], axis=1)
    points[-1] = points[0]
    return angles, points


def _skin(size: TailBoomSize, edge: float) -> list[Sheet]:
    angles, section = _section(size, edge)
    x = spaced(size.frame_pitch * np.arange(size.bays + 1), edge)
    points = size.placed(x[:, None], section[None])
    mean = 0.5 * (size.half_width + size.half_height)
    plan = np.stack(
        np.broadcast_arrays(x[:, None], (angles - 1.5 * np.pi) * mean * size.scale(x)[:, None]), axis=-1
    )

    def lift(flat: FloatArray) -> FloatArray:
        turned = flat[:, 1] / (mean * size.scale(flat[:, 0])) + 1.5 * np.pi
        around = np.stack([np.interp(turned, angles, section[:, k]) for k in range(2)], axis=1)
        return size.placed(flat[:, 0], around)

    drains = [
        ((bay * size.frame_pitch + size.drain_from_frame, 0.0), size.drain_radius) for bay in range(size.bays)
    ]
    return holed_grid("skin", points, plan=plan, rings=drains, lift=lift, step=edge)


def _frames(size: TailBoomSize, edge: float) -> list[Sheet]:
    _, section = _section(size, edge)
    inner = section * (1.0 - size.frame_width / size.half_height)
    across = np.linspace(0.0, 1.0, 1 + int(np.ceil(size.frame_width / edge)))
    web = section[None] + across[:, None, None] * (inner - section)[None]
    sheets = []
    for number in range(1, size.bays):
        x = number * size.frame_pitch
        points = size.placed(x, web)
        rim = np.stack([points[-1], points[-1] + [size.flange, 0.0, 0.0]])
        sheets += [grid_sheet(f"frame_{number}", points), grid_sheet(f"frame_{number}_flange", rim)]
    return sheets


def _bulkhead(size: TailBoomSize, edge: float) -> Sheet:
    _, section = _section(size, edge)
    hole = circle(
        (0.0, 0.45 * size.half_height), size.cable_hole_radius, segments_round(size.cable_hole_radius, edge)
    )
    points, faces = filled(section[:-1], [hole], edge)
    return "bulkhead", size.placed(0.0, points), faces


def tail_boom(edge_mm: float = 18.0, size: TailBoomSize = TAIL_BOOM) -> Mesh:
    """Return the demo tail boom: zero-thickness sheets that share points wherever they meet.

    The aft end is open, its cap removed; the front bulkhead has one cable hole; each bay has a drain at its
    bottom.

    Parameters
    ----------
    edge_mm : float
        Longest edge along skin and frames before diagonals, in mm.
    size : TailBoomSize
        Its sizes.
    """
    return welded([*_skin(size, edge_mm), *_frames(size, edge_mm), _bulkhead(size, edge_mm)])
