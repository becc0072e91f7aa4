"""The hole template on paper and as DXF: 1:1, in mm, the hole's middle at the origin."""

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from bayreach.arrays import FloatArray
from bayreach.paper import drawing_bytes, new_drawing
from bayreach.report import Case, Hole, length_text, place_text, short, words
from bayreach.sheets._template import Template
from bayreach.sheets._typeset import shared

MM = 1e3
WINDOW = (82.0, 52.0)
"""Half width and height (mm) within which labels of the drawing stand."""


def templates_data(case: Case, templates: Sequence[Template]) -> dict[str, Any]:
    """Return the data of the template sheets, a page a candidate."""
    return {**shared(case), "holes": [_hole(template) for template in templates]}


def _hole(template: Template) -> dict[str, Any]:
    hole = template.hole
    drill = length_text(hole.drill_mm / MM)
    return {
        "name": hole.name,
        "drill": words(
            "template_drill", drill=drill if _names_itself(hole) else f"{hole.drill_name}, {drill}"
        ),
        "method": method_text(template),
        "axes": words("template_axes", right=_axis_text(template.patch.right)),
        "radius": hole.drill_mm / 2,
        "lines": [[line.kind, _in_mm(line.segments)] for line in template.lines],
        "datums": [
            {
                "foot": _in_mm(np.array(one.foot)),
                "label": _label(one.foot),
                "text": f"{letter}: {_mm(one.distance)}",
            }
            for letter, one in zip("AB", template.datums, strict=False)
        ],
        "checks": [
            {
                "foot": _in_mm(np.array(one.corner)),
                "label": _label(one.corner),
                "text": f"{number}: {_mm(one.distance)}",
            }
            for number, one in enumerate(template.checks, start=1)
        ],
        "neighbours": [{"place": _in_mm(np.array(one.place))} for one in template.neighbours],
        "rows": _rows(template),
    }


def _names_itself(hole: Hole) -> bool:
    """Return whether the drill's name only repeats its size."""
    return hole.drill_name in ("", f"{hole.drill_mm:g} mm")


def method_text(template: Template) -> str:
    """Return how the skin was laid flat and how far that may be wrong."""
    return words(f"template_{template.patch.method}", error=f"{template.patch.error * MM:.2f}")


def _rows(template: Template) -> list[tuple[str, str]]:
    hole = template.hole
    rows = [(words("template_place"), f"{place_text(hole.center)}; {template.part}")]
    for letter, datum in zip("AB", template.datums, strict=False):
        name = words(f"line_{datum.kind.replace(' ', '_')}", name=short(datum.name, 40))
        rows.append(
            (
                words("template_datum", letter=letter),
                f"{_mm(datum.distance)} ({datum.distance / 0.0254:.3f} in): {name}",
            )
        )
    if len(template.datums) < 2:
        rows.append((words("template_datum", letter="?"), words("template_no_datum")))
    for number, check in enumerate(template.checks, start=1):
        text = words("template_corner", name=short(check.name, 60))
        rows.append(
            (
                words("template_check", number=number),
                f"{_mm(check.distance)} ({check.distance / 0.0254:.3f} in): {text}",
            )
        )
    if len(template.checks) < 2:
        rows.append((words("template_check", number="?"), words("template_no_check")))
    edge = hole.edge_distance
    rows.append(
        (
            words("head_edge"),
            words("template_edge", distance=length_text(edge), times=f"{edge * MM / hole.drill_mm:.1f}")
            if math.isfinite(edge)
            else words("not_known"),
        )
    )
    pitches = "; ".join(f"{short(one.name, 30)} {_mm(one.pitch)}" for one in template.neighbours[:4])
    rows.append((words("template_pitch"), pitches or words("template_no_pitch")))
    rows.append((words("template_behind"), behind_text(template)))
    rows.append((words("head_closes"), hole.closes_with or words("not_known")))
    rows.append((words("head_why"), short(hole.why, 200) or words("not_known")))
    return rows


def behind_text(template: Template) -> str:
    """Return what lies behind the skin over the drill's width and a ring round it."""
    if math.isinf(template.clearance):
        return words("template_free")
    return words("template_hit", clearance=length_text(template.clearance), name=short(template.behind, 40))


def _axis_text(right: FloatArray) -> str:
    parts = [f"{value:+.2f} {axis}" for value, axis in zip(right, "xyz", strict=True) if abs(value) > 0.004]
    return ", ".join(parts)


def _mm(metres: float) -> str:
    return f"{metres * MM:.1f} mm"


def _in_mm(metres: FloatArray) -> Any:
    return np.round(metres * MM, 4).tolist()


def _label(foot: tuple[float, float]) -> list[float]:
    """Return where (mm) the text of a dimension stands: half way, or at the window's edge for a far foot."""
    x, y = foot[0] * MM, foot[1] * MM
    share = min(0.6, 0.86 * WINDOW[0] / max(abs(x), 1e-9), 0.86 * WINDOW[1] / max(abs(y), 1e-9))
    return [x * share, y * share]


def template_dxf(case: Case, template: Template) -> bytes:
    """Return the template of one hole as DXF R2010 in mm.

    Layers: HOLE, CENTRE, SKIN_JOINT, SKIN_FOLD, SKIN_EDGE, DATUM, CHECK, NEIGHBOUR, RULER, NOTES.
    """
    drawing = new_drawing(
        ("HOLE", "CENTRE", *_SKIN.values(), "DATUM", "CHECK", "NEIGHBOUR", "RULER", "NOTES")
    )
    space = drawing.modelspace()
    radius = template.hole.drill_mm / 2
    space.add_circle((0, 0), radius, dxfattribs={"layer": "HOLE"})
    arm = max(radius + 6.0, 10.0)
    for end in ((arm, 0.0), (0.0, arm)):
        space.add_line((-end[0], -end[1]), end, dxfattribs={"layer": "CENTRE"})
    for line in template.lines:
        for start, stop in line.segments * MM:
            space.add_line(tuple(start), tuple(stop), dxfattribs={"layer": _SKIN[line.kind]})
    _dimensions(space, template)
    _ruler(space)
    notes = [
        words("template_banner"),
        f"{plain(case.title)} / {plain(template.hole.name)}",
        *(f"{plain(name)}: {plain(text)}" for name, text in _rows(template)),
        method_text(template),
        words("candidate_line"),
    ]
    for number, text in enumerate(notes):
        space.add_text(
            plain(text), height=3.0, dxfattribs={"layer": "NOTES", "insert": (-85.0, -80.0 - 5.0 * number)}
        )
    return drawing_bytes(drawing)


_SKIN = {"joint": "SKIN_JOINT", "fold": "SKIN_FOLD", "free edge": "SKIN_EDGE"}


def plain(text: str) -> str:
    """Return text that DXF takes literally: no control codes (%%), no carets, one line."""
    return short(text, 240).replace("%%", "% %").replace("^", "'")


def _dimensions(space: Any, template: Template) -> None:
    rows = [
        ("DATUM", one.foot, f"{letter} {_mm(one.distance)}")
        for letter, one in zip("AB", template.datums, strict=False)
    ]
    rows += [
        ("CHECK", one.corner, f"{number} {_mm(one.distance)}")
        for number, one in enumerate(template.checks, start=1)
    ]
    for layer, end, text in rows:
        x, y = end[0] * MM, end[1] * MM
        space.add_line((0, 0), (x, y), dxfattribs={"layer": layer})
        space.add_text(text, height=3.0, dxfattribs={"layer": layer, "insert": (0.6 * x, 0.6 * y)})
    for one in template.neighbours:
        x, y = one.place[0] * MM, one.place[1] * MM
        space.add_circle((x, y), 1.5, dxfattribs={"layer": "NEIGHBOUR"})


def _ruler(space: Any) -> None:
    """Draw 100 mm both ways, outside the hole's own place."""
    for upright in (False, True):

        def at(along: float, off: float, upright: bool = upright) -> tuple[float, float]:
            return (-85.0 + off, -60.0 + along) if upright else (-80.0 + along, -70.0 + off)

        space.add_line(at(0.0, 0.0), at(100.0, 0.0), dxfattribs={"layer": "RULER"})
        for step in range(11):
            tick = -4.0 if step % 5 == 0 else -2.5
            space.add_line(at(10.0 * step, 0.0), at(10.0 * step, tick), dxfattribs={"layer": "RULER"})
