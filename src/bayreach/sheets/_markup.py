"""Pieces of markup: every text goes through `escaped`, so that no name can become a tag or an attribute."""

import html
import math
from collections.abc import Iterable, Sequence

from bayreach import heatmap
from bayreach.report import words


def escaped(text: object) -> str:
    """Return text for use between tags and in quoted attributes.

    >>> escaped('<script>"')
    '&lt;script&gt;&quot;'
    """
    return html.escape(str(text), quote=True)


def said(key: str, **gaps: object) -> str:
    """Return a text of the table of strings, escaped."""
    return escaped(words(key, **gaps))


def quantity(kind: str, value: float | Sequence[float], text: str) -> str:
    """Return a number that the page rewrites when the reader changes the unit system."""
    values = [value] if isinstance(value, int | float) else list(value)
    if not all(math.isfinite(number) for number in values):
        return said("not_known")
    numbers = " ".join(f"{number:.9g}" for number in values)
    return f'<span data-kind="{kind}" data-value="{numbers}">{escaped(text)}</span>'


def table(heads: Iterable[str], rows: Iterable[str], *, name: str) -> str:
    """Return a table of ready rows with escaped heads, that scrolls sideways by itself."""
    cells = "".join(f'<th scope="col">{escaped(head)}</th>' for head in heads)
    return (
        f'<div class="scroll" tabindex="0" role="region" aria-label="{escaped(name)}"><table>'
        f"<thead><tr>{cells}</tr></thead><tbody>{''.join(rows)}</tbody></table></div>"
    )


def row(cells: Iterable[str], *, attributes: str = "") -> str:
    """Return a row of ready cells; a cell that begins with a mark of a number keeps on one line."""
    return f"<tr{attributes}>" + "".join(f"<td>{cell}</td>" for cell in cells) + "</tr>"


def section(name: str, title: str, body: str, *, is_open: bool = True, css: str = "") -> str:
    """Return a part of the panel that folds."""
    opened = " open" if is_open else ""
    classes = f' class="{css}"' if css else ""
    return (
        f'<details id="{name}"{opened}{classes}><summary><h2>{escaped(title)}</h2></summary>{body}</details>'
    )


def choice(name: str, value: str, text: str, *, checked: bool, kind: str = "radio") -> str:
    """Return a labelled radio button or check-box."""
    on = " checked" if checked else ""
    return f'<label><input type="{kind}" name="{name}" value="{value}"{on}>{escaped(text)}</label>'


def swatch(colour: str, hatch: int) -> str:
    """Return a legend's box with its hatch."""
    lines = ""
    if hatch in (heatmap.HATCH_SLANTED, heatmap.HATCH_CROSSED):
        ink = "#ffffff" if hatch == heatmap.HATCH_SLANTED else "#5a5a5a"
        steps = range(-20, 46, 9)
        lines = "".join(f'<path d="M{x} 26L{x + 26} 0" stroke="{ink}" stroke-width="2"/>' for x in steps)
        if hatch == heatmap.HATCH_CROSSED:
            lines += "".join(f'<path d="M{x} 0L{x + 26} 26" stroke="{ink}" stroke-width="2"/>' for x in steps)
    if hatch == heatmap.HATCH_DOTTED:
        lines = "".join(
            f'<rect x="{x}" y="{y}" width="2" height="2" fill="#ffffff"/>'
            for x in range(4, 46, 9)
            for y in range(4, 26, 9)
        )
    return (
        '<svg viewBox="0 0 46 26" aria-hidden="true" focusable="false">'
        f'<rect width="46" height="26" fill="{colour}"/>{lines}'
        '<rect x=".5" y=".5" width="45" height="25" fill="none" stroke="#191919"/></svg>'
    )


def clock_face(angle_deg: float | None, *, label: str) -> str:
    """Return a clock face whose hand points where the wand's mark is turned; None: it does not matter."""
    ticks = "".join(_tick(hour) for hour in range(12))
    arrow = (
        '<path d="M50 60V17" stroke="#004488" stroke-width="7"/><path d="M50 8L40 27H60Z" fill="#004488"/>'
    )
    hub = '<circle cx="50" cy="50" r="6" fill="#004488"/>'
    hand = "" if angle_deg is None else f'<g transform="rotate({angle_deg:.1f} 50 50)">{arrow}</g>{hub}'
    face = '<circle cx="50" cy="50" r="48" fill="#ffffff" stroke="#191919" stroke-width="3"/>'
    named = f'role="img" aria-label="{escaped(label)}"'
    return f'<svg class="clock" viewBox="0 0 100 100" {named}>{face}{ticks}{hand}</svg>'


def _tick(hour: int) -> str:
    top, bottom, width = (4, 10, 2) if hour % 3 else (2, 15, 4)
    turn = f'transform="rotate({30 * hour} 50 50)"'
    return f'<path d="M50 {top}V{bottom}" {turn} stroke="#191919" stroke-width="{width}"/>'
