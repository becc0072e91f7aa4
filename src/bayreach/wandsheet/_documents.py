"""The sheet as DXF and PDF; figures in mm and inches, each as the wand has it."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from bayreach.cautions import cautions
from bayreach.paper import drawing_bytes, new_drawing, pdf
from bayreach.report import all_words, length_text, short, words
from bayreach.wands import Piece, Wand
from bayreach.wandsheet._layout import Arc, Layout, Line, layout_of, points_of

MM = 1e3
SCALES = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0)
"""Reductions of ISO 5455, as far as a wand needs them (from memory)."""
WINDOW = (176.0, 96.0)
"""Room in mm for the drawing on the page."""
LAYERS = ("OUTLINE", "CENTRE", "DIMENSION", "NOTES")


@dataclass(frozen=True, kw_only=True, eq=False)
class WandSheet:
    """A wand, laid out, and what is said beside it."""

    wand: Wand
    layout: Layout
    title: str
    reached: tuple[Mapping[str, Any], ...]
    scale: float

    @property
    def scale_text(self) -> str:
        """The drawing's scale on paper."""
        return f"1:{self.scale:g}"


def wand_sheet(wand: Wand, *, title: str = "", reached: Sequence[Mapping[str, Any]] = ()) -> WandSheet:
    """Return the data sheet of a wand.

    Parameters
    ----------
    wand : Wand
        The wand.
    title : str
        Of the job it was tried in.
    reached : sequence of mapping
        Rows of `reach --json` to be told of it.
    """
    layout = layout_of(wand)
    (x0, y0), (x1, y1) = layout.box()
    need = max(MM * (x1 - x0) / WINDOW[0], MM * (y1 - y0) / WINDOW[1])
    scale = next((each for each in SCALES if each >= need), math.ceil(need))
    return WandSheet(wand=wand, layout=layout, title=title, reached=tuple(reached), scale=scale)


def sheet_dxf(sheet: WandSheet) -> bytes:
    """Return the drawing at 1:1 in mm, DXF R2010: layers OUTLINE, CENTRE, DIMENSION, NOTES.

    The centre line is on CENTRE, one LINE or ARC a piece; dimensions are true DIMENSION entities.
    """
    drawing = new_drawing(LAYERS)
    space = drawing.modelspace()
    for layer, items in (("OUTLINE", sheet.layout.outline), ("CENTRE", sheet.layout.centre)):
        for item in items:
            _add(space, item, layer)
    size = max(2.5, 0.006 * MM * sheet.wand.length)
    style = {"dimtxt": size, "dimasz": size, "dimexo": 0.3 * size, "dimexe": 0.5 * size, "dimdec": 2}
    _dimension(space, sheet, style, 4.0 * size)
    (x0, y0), _ = sheet.layout.box()
    for number, text in enumerate(_notes(sheet)):
        at = (MM * x0, MM * y0 - (12.0 + 1.8 * number) * size)
        space.add_text(_plain(text), height=size, dxfattribs={"layer": "NOTES", "insert": at})
    return drawing_bytes(drawing)


def _add(space: Any, item: Line | Arc, layer: str) -> None:
    attributes = {"layer": layer}
    if isinstance(item, Line):
        space.add_line(_mm(item.start), _mm(item.end), dxfattribs=attributes)
        return
    first, last = sorted((item.begin, item.begin + item.turn))
    space.add_arc(
        _mm(item.center), MM * item.radius, math.degrees(first), math.degrees(last), dxfattribs=attributes
    )


def _dimension(space: Any, sheet: WandSheet, style: dict[str, Any], off: float) -> None:
    """Add the lengths of straights, radii and angles of bends, and the width of every section."""
    told: dict[str, Any] = {"dimstyle": "EZDXF", "override": style, "dxfattribs": {"layer": "DIMENSION"}}
    for item in sheet.layout.centre:
        if isinstance(item, Line):
            space.add_aligned_dim(p1=_mm(item.start), p2=_mm(item.end), distance=-off, **told).render()
            continue
        middle = math.degrees(item.begin + 0.5 * item.turn)
        space.add_radius_dim(center=_mm(item.center), radius=MM * item.radius, angle=middle, **told).render()
        first, last = sorted((item.begin, item.begin + item.turn))
        space.add_angular_dim_cra(
            center=_mm(item.center), radius=MM * item.radius, start_angle=math.degrees(first),
            end_angle=math.degrees(last), distance=off, **told,
        ).render()  # fmt: skip
    for section in sheet.layout.sections:
        space.add_aligned_dim(
            p1=_mm(section.start), p2=_mm(section.end), distance=0.0, text="%%c<>", **told
        ).render()


def _mm(point: tuple[float, float]) -> tuple[float, float]:
    return (MM * point[0], MM * point[1])


def _plain(text: str) -> str:
    """Return text that DXF takes literally."""
    return short(text, 240).replace("%%", "% %").replace("^", "'")


def _notes(sheet: WandSheet) -> list[str]:
    lines = [words("wand_sheet_title", name=short(sheet.wand.name)), short(sheet.title)]
    lines += [f"{name}: {text}" for name, text in _figures(sheet)]
    lines += [" / ".join(row) for row in _chain_rows(sheet.wand)]
    lines += [_laid(sheet.layout), *(f"{name}: {text}" for name, text in _reached_rows(sheet))]
    return [*lines, *cautions(film=False)]


def _laid(layout: Layout) -> str:
    return words("wand_sheet_flat" if layout.is_flat else "wand_sheet_developed")


def sheet_pdf(sheet: WandSheet) -> bytes:
    """Return the sheet as PDF, drawn at the scale it states, pieces numbered as in its table."""
    return pdf("wand", sheet_data(sheet))


def sheet_data(sheet: WandSheet) -> dict[str, Any]:
    """Return what the PDF's template is given: lines in mm on paper, and texts."""
    wand, layout = sheet.wand, sheet.layout
    (x0, y0), (x1, y1) = layout.box()
    middle = (0.5 * (x0 + x1), 0.5 * (y0 + y1))

    def on_paper(point: tuple[float, float]) -> list[float]:
        return [
            round(MM * (value - center) / sheet.scale, 5) for value, center in zip(point, middle, strict=True)
        ]

    return {
        "words": {**all_words(), "candidate_short": words("wand_sheet_foot")},
        "title": words("wand_sheet_title", name=short(wand.name)),
        "job": short(sheet.title),
        "foot": "",
        "scale": words("wand_sheet_scale", scale=sheet.scale_text),
        "laid": _laid(layout),
        "outline": [[on_paper(point) for point in points_of(item)] for item in layout.outline],
        "centre": [[on_paper(point) for point in points_of(item)] for item in layout.centre],
        "marks": [on_paper(item.middle) for item in layout.centre],
        "figures": _figures(sheet),
        "chain": _chain_rows(wand),
        "reached": _reached_rows(sheet),
        "cautions": list(cautions(film=False)),
    }


def _size(metres: float) -> str:
    return f"{MM * metres:.2f} mm ({metres / 0.0254:.4f} in)"


def _chain_rows(wand: Wand) -> list[list[str]]:
    """Return the bending table: number, kind, length along the centre line, radius, angle, roll."""
    rows = [[words(f"wand_sheet_{name}") for name in ("piece", "kind", "length", "radius", "angle", "roll")]]
    for number, piece in enumerate(wand.chain, start=1):
        rows.append([str(number), *_piece_cells(piece)])
    return rows


def _piece_cells(piece: Piece) -> list[str]:
    if math.isinf(piece.radius):
        return [words("wand_sheet_straight"), _size(piece.length), "-", "-", "-"]
    return [
        words("wand_sheet_arc"),
        _size(piece.length),
        _size(piece.radius),
        f"{math.degrees(piece.angle):.2f}°",
        f"{math.degrees(piece.roll):.2f}°",
    ]


def _figures(sheet: WandSheet) -> list[tuple[str, str]]:
    wand, tip = sheet.wand, sheet.wand.tip
    rows = [(words("wand_sheet_shape"), wand.shape), (words("wand_sheet_whole"), _size(wand.length))]
    parts = [(part.name, part.diameter, part.far - part.near) for part in wand.sections]
    if wand.handle_diameter and wand.handle_length:
        parts.append(("handle", wand.handle_diameter, wand.handle_length))
    for name, diameter, length in parts:
        rows.append((words("wand_sheet_section", name=name), f"⌀ {_size(diameter)}, {_size(length)}"))
    if wand.bend_radius is not None:
        rows.append((words("wand_sheet_least"), _size(wand.bend_radius)))
    angle = f", {math.degrees(tip.angle):.1f}°" if tip.pattern in ("side", "radial") else ""
    throw = _size(tip.throw) if math.isfinite(tip.throw) else words("wand_sheet_endless")
    rows += [
        (words("wand_sheet_pattern"), f"{tip.pattern}, {math.degrees(tip.spread):.1f}°{angle}"),
        (words("wand_sheet_flow"), f"{6e7 * tip.flow:.2f} mL/min"),
        (words("wand_sheet_throw"), throw),
        (words("wand_sheet_speed"), f"{MM * wand.pull_speed:.1f} mm/s"),
    ]
    return rows


def _reached_rows(sheet: WandSheet) -> list[tuple[str, str]]:
    rows = []
    for one in sheet.reached:
        bays = ", ".join(short(str(bay), 40) for bay in one["bays_reached"]) or "-"
        depth = length_text(float(one["depth_m"]))
        text = words("wand_sheet_fits" if one["fits"] else "wand_sheet_no", depth=depth, bays=bays)
        rows.append((short(str(one["opening"]), 60), f"{text} {short(str(one['limit']), 160)}"))
    return rows
