"""Trade-off curves as tables and pictures: share covered over new holes, and over passes."""

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from bayreach.units import percent_text

if TYPE_CHECKING:
    from bayreach.plan._records import CurvePoint

WIDTH, HEIGHT, LEFT, TOP = 520.0, 300.0, 60.0, 30.0
MOST_LABELS = 9
"""Most points that carry their numbers in a picture."""


def curve_csv(points: "tuple[CurvePoint, ...]") -> str:
    """Return the trade-off curve as CSV: holes, share covered, proven upper bound, proven or not."""
    lines = ["new_holes,coverage,bound,proven"]
    lines += [f"{p.holes},{p.coverage:.6f},{p.bound:.6f},{'yes' if p.proven else 'no'}" for p in points]
    return "\n".join(lines) + "\n"


def passes_csv(shares: Sequence[float]) -> str:
    """Return as CSV what the best 0, 1, 2, ... passes of a plan cover, each time the one that adds most."""
    return "\n".join(["passes,coverage", *(f"{n},{share:.6f}" for n, share in enumerate(shares))]) + "\n"


def curve_svg(points: "tuple[CurvePoint, ...]", target: float) -> str:
    """Return the trade-off curve as a picture: share covered over new holes, the target as a line."""
    places = [(point.holes, point.coverage, point.proven) for point in points]
    return _picture(
        places,
        target,
        title="Coverage against number of new holes",
        below="new holes (filled: proven best)",
    )


def passes_svg(shares: Sequence[float], target: float) -> str:
    """Return what the best 0, 1, 2, ... passes of a plan cover as a picture, the target as a line."""
    places = [(count, share, True) for count, share in enumerate(shares)]
    return _picture(
        places,
        target,
        title="Coverage against number of passes",
        below="passes of the plan, each time the one that adds most",
    )


def _picture(places: list[tuple[int, float, bool]], target: float, *, title: str, below: str) -> str:
    most = max([count for count, _, _ in places] + [1])
    low = max(0.0, min([share for _, share, _ in places] + [target]) - 0.05)

    def place(count: float, share: float) -> tuple[float, float]:
        right, down = WIDTH - LEFT - 20, HEIGHT - TOP - 50
        return LEFT + count / most * right, TOP + (1.0 - share) / (1.0 - low) * down

    marks = [(*place(count, share), count, share, is_filled) for count, share, is_filled in places]
    line = " ".join(f"{x:.1f},{y:.1f}" for x, y, *_ in marks)
    y_target = place(0, target)[1]
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:.0f} {HEIGHT:.0f}" '
        'font-family="sans-serif" font-size="12">',
        f"<title>{title}</title>",
        f'<line x1="{LEFT}" y1="{y_target:.1f}" x2="{WIDTH - 20}" y2="{y_target:.1f}" stroke="#777" '
        'stroke-dasharray="4 3"/>',
        f'<text x="{WIDTH - 22}" y="{y_target - 4:.1f}" text-anchor="end">'
        f"target {percent_text(target)}</text>",
        f'<polyline points="{line}" fill="none" stroke="#004488" stroke-width="2"/>',
    ]
    every = max(1, math.ceil(len(marks) / MOST_LABELS))
    for x, y, count, share, is_filled in marks:
        fill = "#004488" if is_filled else "#ffffff"
        parts.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4" fill="{fill}" stroke="#004488"/>')
        if count % every == 0:
            parts.append(
                f'<text x="{x:.1f}" y="{y - 8:.1f}" text-anchor="middle">{percent_text(share)}</text>'
            )
            parts.append(f'<text x="{x:.1f}" y="{HEIGHT - 28:.0f}" text-anchor="middle">{count}</text>')
    parts.append(f'<text x="{WIDTH / 2:.0f}" y="{HEIGHT - 8:.0f}" text-anchor="middle">{below}</text></svg>')
    return "\n".join(parts) + "\n"
