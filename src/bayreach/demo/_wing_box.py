"""The demo's outboard wing box: two spars, curved skins, seven ribs, Z stringers, one inspection port."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from bayreach.arrays import FloatArray, IntArray
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
class WingBoxSize(TaperedSize):
    """Sizes in mm of an invented wing box. x runs outboard, y aft, z up.

    Every section is the root's section made smaller by one factor, `taper` at the tip, so that the skins
    between two ribs are ruled and flat from node to node, and volumes have a closed form.
    """

    bays: int = 6
    rib_pitch: float = 350.0
    chord: float = 500.0
    depth: float = 220.0
    taper: float = 0.68
    sweep: float = 0.08
    stringers: tuple[float, ...] = (0.25, 0.5, 0.75)
    stringer_height: float = 25.0
    stringer_flange: float = 18.0
    stringer_gap: float = 8.0
    stringer_stop: float = 25.0
    lightening: tuple[float, ...] = (0.30, 0.70)
    lightening_radius: float = 50.0
    root_port_radius: float = 60.0
    port_bay: int = 3
    port_chord: float = 0.643
    port_radius: float = 36.0

    def profile(self, share: FloatArray | float, *, upper: bool) -> FloatArray:
        """Return the root section's skin height z (mm) at a share of the chord, 0 front spar, 1 rear spar."""
        share = np.asarray(share, dtype=np.float64)
        edge, crown = (0.66, 0.34) if upper else (-0.72, -0.28)
        return np.asarray(0.5 * self.depth * (edge + crown * 4.0 * share * (1.0 - share)))


WING_BOX = WingBoxSize()


def _chord_nodes(size: WingBoxSize, edge: float) -> FloatArray:
    flange, gap = size.stringer_flange / size.chord, size.stringer_gap / size.chord
    wanted = [0.0, 1.0]
    for foot in size.stringers:
        wanted += [foot - gap, foot, foot + flange, foot + flange + gap]
    return spaced(sorted(wanted), edge / size.chord)


def _span_nodes(size: WingBoxSize, edge: float) -> FloatArray:
    ribs = size.rib_pitch * np.arange(size.bays + 1)
    stops = [size.stringer_stop, size.span - size.stringer_stop]
    return spaced(np.unique([*ribs, *stops]), edge)


def _skin_row(size: WingBoxSize, chord: FloatArray, *, upper: bool) -> FloatArray:
    return np.stack([chord * size.chord, size.profile(chord, upper=upper)], axis=1)


def _spar_row(size: WingBoxSize, share: float, edge: float) -> FloatArray:
    low, high = (float(size.profile(share, upper=upper)) for upper in (False, True))
    z = spaced([low, high], edge)
    return np.stack([np.full(len(z), share * size.chord), z], axis=1)


def _skins_and_spars(size: WingBoxSize, edge: float) -> list[Sheet]:
    x, chord = _span_nodes(size, edge), _chord_nodes(size, edge)
    upper = size.placed(x[:, None], _skin_row(size, chord, upper=True)[None])
    lower = size.placed(x[:, None], _skin_row(size, chord, upper=False)[None])
    middle = (size.port_bay - 0.5) * size.rib_pitch
    port = (middle, float(size.scale(middle)) * size.port_chord * size.chord + size.sweep * middle)

    def on_lower(plan: FloatArray) -> FloatArray:
        share = (plan[:, 1] - size.sweep * plan[:, 0]) / (size.scale(plan[:, 0]) * size.chord)
        heights = np.interp(share, chord, size.profile(chord, upper=False))
        return np.column_stack([plan, heights * size.scale(plan[:, 0])])

    sheets = holed_grid(
        "skin_lower",
        lower,
        plan=lower[..., :2],
        rings=[(port, size.port_radius)],
        lift=on_lower,
        step=edge,
        lines=[int(np.abs(chord - foot).argmin()) for foot in size.stringers],
    )
    sheets.append(grid_sheet("skin_upper", upper))
    for name, share in (("spar_front", 0.0), ("spar_rear", 1.0)):
        sheets.append(grid_sheet(name, size.placed(x[:, None], _spar_row(size, share, edge)[None])))
    return sheets


def _stringers(size: WingBoxSize, edge: float) -> list[Sheet]:
    x = _span_nodes(size, edge)
    x = x[(x >= size.stringer_stop - 1e-9) & (x <= size.span - size.stringer_stop + 1e-9)]
    sheets = []
    for skin, upper in (("lower", False), ("upper", True)):
        rise = -size.stringer_height if upper else size.stringer_height
        for number, foot in enumerate(size.stringers, start=1):
            web = np.array([[foot * size.chord, float(size.profile(foot, upper=upper))]]) + np.column_stack(
                [np.zeros(3), np.linspace(0.0, rise, 3)]
            )
            chord = np.array([foot, foot + size.stringer_flange / size.chord])
            flange = _skin_row(size, chord, upper=upper) + np.array([0.0, rise])
            section = np.concatenate([web, flange[1:]])
            sheets.append(grid_sheet(f"stringer_{skin}_{number}", size.placed(x[:, None], section[None])))
    return sheets


def _mouse_hole(size: WingBoxSize, foot: float, *, upper: bool, edge: float) -> FloatArray:
    """Return the rim (k, 2) of a rib's cut-out for a stringer, skin to skin, rising chord, ends included."""
    flange, gap = size.stringer_flange / size.chord, size.stringer_gap / size.chord
    sign = -1.0 if upper else 1.0
    ends = _skin_row(size, np.array([foot - gap, foot + flange + gap]), upper=upper)
    tops = ends + np.array([0.0, sign * (size.stringer_height + size.stringer_gap)])
    corners = [ends[0], tops[0], tops[1], ends[1]]
    pieces = []
    for start, end in pairwise(corners):
        count = max(1, int(np.ceil(np.linalg.norm(end - start) / min(edge, 12.0))))
        pieces.append(start + (end - start) * (np.arange(count) / count)[:, None])
    return np.concatenate([*pieces, ends[1:]])


def _skin_edge(size: WingBoxSize, edge: float, *, upper: bool, notched: bool) -> FloatArray:
    """Return the rib's edge (k, 2) along a skin from front to rear, round the stringers where notched."""
    chord = _chord_nodes(size, edge)
    if not notched:
        return _skin_row(size, chord, upper=upper)
    flange, gap = size.stringer_flange / size.chord, size.stringer_gap / size.chord
    pieces, start = [], 0.0
    for foot in size.stringers:
        run = chord[(chord >= start - 1e-9) & (chord < foot - gap - 1e-9)]
        pieces += [_skin_row(size, run, upper=upper), _mouse_hole(size, foot, upper=upper, edge=edge)[:-1]]
        start = foot + flange + gap
    pieces.append(_skin_row(size, chord[chord >= start - 1e-9], upper=upper))
    return np.concatenate(pieces)


def _rib(
    size: WingBoxSize, edge: float, rings: list[tuple[tuple[float, float], float]], *, notched: bool
) -> tuple[FloatArray, IntArray]:
    lower = _skin_edge(size, edge, upper=False, notched=notched)
    upper = _skin_edge(size, edge, upper=True, notched=notched)
    rear, front = _spar_row(size, 1.0, edge), _spar_row(size, 0.0, edge)
    outline = np.concatenate([lower[:-1], rear[:-1], upper[::-1][:-1], front[::-1][:-1]])
    holes = [circle(center, radius, segments_round(radius, min(edge, 15.0))) for center, radius in rings]
    return filled(outline, holes, edge)


def _ribs(size: WingBoxSize, edge: float) -> list[Sheet]:
    centers = [(share * size.chord, 0.0) for share in size.lightening]
    inner = _rib(size, edge, [(center, size.lightening_radius) for center in centers], notched=True)
    root = _rib(size, edge, [(centers[0], size.root_port_radius)], notched=False)
    tip = _rib(size, edge, [], notched=False)
    webs = [root, *([inner] * (size.bays - 1)), tip]
    return [
        (f"rib_{number}", size.placed((number - 1) * size.rib_pitch, points), faces)
        for number, (points, faces) in enumerate(webs, start=1)
    ]


def wing_box(edge_mm: float = 20.0, size: WingBoxSize = WING_BOX) -> Mesh:
    """Return the demo wing box: zero-thickness sheets that share points wherever they meet.

    Parameters
    ----------
    edge_mm : float
        Longest edge along skins and webs before diagonals, in mm.
    size : WingBoxSize
        Its sizes.

    Notes
    -----
    A stringer's foot lies on the skin and is one with it, so a Z shows as web and free flange. Each inner
    rib has a
    cut-out round each stringer that reaches the skin: the gap between them is open.
    """
    return welded([*_skins_and_spars(size, edge_mm), *_ribs(size, edge_mm), *_stringers(size, edge_mm)])
