"""A sweep as a drawing (SVG)."""

import math
from collections.abc import Mapping, Sequence
from xml.sax.saxutils import escape

from bayreach.reach._sweep import Case, column_of, sweep_rows

WIDE, TALL, LEFT, FOOT = 640.0, 400.0, 70.0, 60.0
COLOURS = ("#0072b2", "#d55e00", "#009e73", "#cc79a7", "#56b4e9", "#e69f00", "#000000")
"""Apart for colour-blind eyes (common practice); dashes tell the lines apart as well."""

Points = list[tuple[float, float, int]]


def sweep_svg(cases: Sequence[Case]) -> str:
    """Return a plot of the sweep: visible area against the first figure, a line for each opening.

    The number of bays reached stands over each point.
    """
    if not cases:
        return ""
    name = next(iter(cases[0].figures))
    groups = _lines_of(cases, name)
    points = [point for line in groups.values() for point in line]
    low, high = min(x for x, _, _ in points), max(x for x, _, _ in points)
    most = max(1e-9, *(y for _, y, _ in points))
    unit = "degrees" if column_of(name).endswith("_rad") else "mm"
    parts = _frame(f"{name.replace('_', ' ')} ({unit})", most)
    for number, (label, line) in enumerate(groups.items()):
        parts += _curve(number, label, sorted(line), (low, high, most))
    return "\n".join([*parts, "</svg>", ""])


def _lines_of(cases: Sequence[Case], name: str) -> Mapping[str, Points]:
    scale = 180.0 / math.pi if column_of(name).endswith("_rad") else 1e3
    groups: dict[str, Points] = {}
    for case, row in zip(cases, sweep_rows(cases), strict=True):
        others = [f"{other} {value:g}" for other, value in case.figures.items() if other != name]
        label = ", ".join([str(row["opening"]), *others])
        groups.setdefault(label, []).append(
            (scale * case.figures[name], float(row["visible_m2"]), int(row["bays_reached"]))
        )
    return groups


def _frame(axis: str, most: float) -> list[str]:
    return [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDE:g} {TALL:g}" font-family="sans-serif">',
        f'<rect width="{WIDE:g}" height="{TALL:g}" fill="white"/>',
        f'<path d="M{LEFT:g} 20V{TALL - FOOT:g}H{WIDE - 20:g}" fill="none" stroke="#444"/>',
        _text(WIDE / 2, TALL - 15, axis, anchor="middle"),
        _text(LEFT, 14, "visible area, m²; bays reached over each point"),
        _text(LEFT - 6, 34, f"{most:.2f}", anchor="end"),
        _text(LEFT - 6, TALL - FOOT, "0", anchor="end"),
    ]


def _curve(number: int, label: str, line: Points, span: tuple[float, float, float]) -> list[str]:
    low, high, most = span
    colour = COLOURS[number % len(COLOURS)]
    dash = "" if number == 0 else f' stroke-dasharray="{2 + 3 * number} 3"'
    placed, parts = [], []
    for x, y, bays in line:
        u = LEFT + 12.0 + ((x - low) / (high - low) if high > low else 0.5) * (WIDE - LEFT - 40.0)
        v = TALL - FOOT - y / most * (TALL - FOOT - 40.0)
        placed.append(f"{u:.1f},{v:.1f}")
        parts.append(f'<circle cx="{u:.1f}" cy="{v:.1f}" r="3.5" fill="{colour}"/>')
        parts.append(_text(u, v - 7, str(bays), anchor="middle"))
        if number == 0:
            parts.append(_text(u, TALL - FOOT + 16, f"{x:g}", anchor="middle"))
    shape = f'<polyline points="{" ".join(placed)}" fill="none" stroke="{colour}" stroke-width="2"{dash}/>'
    return [shape, *parts, _text(LEFT + 12, TALL - FOOT - 12 - 16 * number, label, colour=colour)]


def _text(x: float, y: float, words: str, *, anchor: str = "start", colour: str = "#222") -> str:
    place = f'x="{x:.1f}" y="{y:.1f}" font-size="12" text-anchor="{anchor}" fill="{colour}"'
    return f"<text {place}>{escape(words)}</text>"
