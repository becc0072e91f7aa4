"""The demo's control surface: nose with hinge cut-outs, spar, ribs, a closed trailing edge."""

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
from bayreach.demo._tapered import TaperedSize
from bayreach.mesh import Mesh


@dataclass(frozen=True, kw_only=True)
class ControlSurfaceSize(TaperedSize):
    """Sizes in mm of an invented control surface. x runs outboard, y aft from the spar, z up."""

    bays: int = 5
    rib_pitch: float = 280.0
    chord: float = 240.0
    half_depth: float = 32.0
    nose: float = 60.0
    taper: float = 0.78
    sweep: float = 0.05
    rib_hole: float = 0.27
    rib_hole_radius: float = 15.0
    hinge_bays: tuple[int, ...] = (1, 3, 5)
    hinge_half_width: float = 35.0
    hinge_angle: float = 60.0
    spar_hole_radius: float = 18.0
    drain: float = 0.86
    drain_radius: float = 3.2

    @property
    def hinge_stations(self) -> FloatArray:
        """Stations x (k,) of the hinges, mm: the middles of their bays."""
        return (np.array(self.hinge_bays) - 0.5) * self.rib_pitch


CONTROL_SURFACE = ControlSurfaceSize()


def _skin_row(size: ControlSurfaceSize, edge: float, *, upper: bool) -> FloatArray:
    share = spaced([0.0, 1.0], edge / size.chord)
    height = size.half_depth * (1.0 - share) * (1.0 + 0.25 * share)
    return np.stack([share * size.chord, height if upper else -height], axis=1)


def _nose_row(size: ControlSurfaceSize, edge: float) -> tuple[FloatArray, FloatArray]:
    """Return angles (k,) in degrees, spar top (90) by front (0) to spar foot (-90), and points (k, 2)."""
    step = float(np.degrees(edge / size.nose))
    angles = spaced([-90.0, -size.hinge_angle, 0.0, size.hinge_angle, 90.0], step)[::-1]
    turned = np.radians(angles)
    points = np.stack([-size.nose * np.cos(turned), size.half_depth * np.sin(turned)], axis=1)
    points[[0, -1], 0] = 0.0
    return angles, points


def _spar_row(size: ControlSurfaceSize, edge: float) -> FloatArray:
    z = spaced([-size.half_depth, size.half_depth], edge)
    return np.stack([np.zeros(len(z)), z], axis=1)


def _stations(size: ControlSurfaceSize, edge: float) -> FloatArray:
    hinges = size.hinge_stations
    ends = [hinges - size.hinge_half_width, hinges + size.hinge_half_width]
    return spaced(np.unique([*(size.rib_pitch * np.arange(size.bays + 1)), *np.concatenate(ends)]), edge)


def _nose(size: ControlSurfaceSize, edge: float) -> Sheet:
    x = _stations(size, edge)
    angles, section = _nose_row(size, edge)
    middle = 0.5 * (x[1:] + x[:-1])
    off_hinge = np.abs(middle[:, None] - size.hinge_stations).min(axis=1)
    off_front = np.abs(0.5 * (angles[1:] + angles[:-1]))
    keep = (off_hinge >= size.hinge_half_width)[:, None] | (off_front >= size.hinge_angle)[None]
    return grid_sheet("skin_nose", size.placed(x[:, None], section[None]), keep)


def _skins(size: ControlSurfaceSize, edge: float) -> list[Sheet]:
    x = _stations(size, edge)
    row = _skin_row(size, edge, upper=False)
    lower = size.placed(x[:, None], row[None])
    middles = (np.arange(size.bays) + 0.5) * size.rib_pitch
    drains = [
        (
            (station, float(size.scale(station)) * size.drain * size.chord + size.sweep * station),
            size.drain_radius,
        )
        for station in middles
    ]

    def on_lower(plan: FloatArray) -> FloatArray:
        scale = size.scale(plan[:, 0])
        back = (plan[:, 1] - size.sweep * plan[:, 0]) / scale
        return np.column_stack([plan, np.interp(back, row[:, 0], row[:, 1]) * scale])

    upper = size.placed(x[:, None], _skin_row(size, edge, upper=True)[None])
    return [
        *holed_grid("skin_lower", lower, plan=lower[..., :2], rings=drains, lift=on_lower, step=edge),
        grid_sheet("skin_upper", upper),
    ]


def _spar(size: ControlSurfaceSize, edge: float) -> list[Sheet]:
    x = _stations(size, edge)
    points = size.placed(x[:, None], _spar_row(size, edge)[None])
    holes = [((station, 0.0), size.spar_hole_radius) for station in size.hinge_stations]

    def on_spar(plan: FloatArray) -> FloatArray:
        return np.column_stack([plan[:, 0], size.sweep * plan[:, 0], plan[:, 1]])

    return holed_grid("spar", points, plan=points[..., [0, 2]], rings=holes, lift=on_spar, step=edge)


def _ribs(size: ControlSurfaceSize, edge: float) -> list[Sheet]:
    spar, upper = _spar_row(size, edge), _skin_row(size, edge, upper=True)
    lower, nose = _skin_row(size, edge, upper=False), _nose_row(size, edge)[1]
    aft = np.concatenate([lower[:-1], upper[::-1][:-1], spar[::-1][:-1]])
    hole = circle(
        (size.rib_hole * size.chord, 0.0), size.rib_hole_radius, segments_round(size.rib_hole_radius, edge)
    )
    inner, closed = filled(aft, [hole], edge), filled(aft, [], edge)
    front = filled(np.concatenate([spar[:-1], nose[:-1]]), [], edge)
    sheets: list[Sheet] = []
    for number in range(1, size.bays + 2):
        x = (number - 1) * size.rib_pitch
        ends = number in (1, size.bays + 1)
        for points, faces in [closed, front] if ends else [inner]:
            sheets.append((f"rib_{number}", size.placed(x, points), faces))
    return sheets


def control_surface(edge_mm: float = 12.0, size: ControlSurfaceSize = CONTROL_SURFACE) -> Mesh:
    """Return the demo control surface: zero-thickness sheets that share points wherever they meet.

    The nose is one bay with hinge cut-outs in front; holes in the spar behind the hinges, and in the inner
    ribs,
    lead to the bays behind the spar; each of those has a drain near the trailing edge.

    Parameters
    ----------
    edge_mm : float
        Longest edge along skins and webs before diagonals, in mm.
    size : ControlSurfaceSize
        Its sizes.
    """
    return welded(
        [*_skins(size, edge_mm), _nose(size, edge_mm), *_spar(size, edge_mm), *_ribs(size, edge_mm)]
    )
