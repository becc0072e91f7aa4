"""What a plan leaves behind so that others can check it: columns, certificate, trade-off curve."""

import io
import json
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from bayreach.plan._records import CurvePoint, Plan

COLUMNS_FILE = "columns.npz"
CERTIFICATE_FILE = "certificate.json"
CURVE_FILE = "curve.csv"
CURVE_PICTURE = "curve.svg"


def proof_files(plan: "Plan") -> dict[str, bytes]:
    """Return the files, by name, that `bayreach prove` needs, and the trade-off curve as CSV and picture."""
    return {
        COLUMNS_FILE: _columns_bytes(plan),
        CERTIFICATE_FILE: _certificate_bytes(plan),
        CURVE_FILE: curve_csv(plan.curve).encode(),
        CURVE_PICTURE: curve_svg(plan.curve, plan.target).encode(),
    }


def _columns_bytes(plan: "Plan") -> bytes:
    problem = plan.problem
    table = problem.lets_in.tocoo()
    buffer = io.BytesIO()
    np.savez_compressed(
        buffer,
        film_starts=problem.film.indptr.astype(np.int64),
        film_rows=problem.film.indices.astype(np.int32),
        film_m=problem.film.data.astype(np.float32),
        areas_m2=problem.areas,
        need_m=problem.need,
        most=problem.most,
        entry_of_pass=np.stack([table.row, table.col]).astype(np.int32),
        new_entry=problem.new,
        sides=plan.sides,
        amounts=plan.cover.amounts,
    )
    return buffer.getvalue()


def _certificate_bytes(plan: "Plan") -> bytes:
    proof = plan.certificate
    table = {
        "says": plan.statement,
        "scope": plan.scope,
        "share_asked": plan.problem.share,
        "coverage": plan.coverage,
        "new_holes": plan.new_holes,
        "holes_bound": proof.holes,
        "price_per_m2": proof.price,
        "witness_rows": proof.sides.tolist(),
        "weights": proof.weights.tolist(),
        "bound": proof.bound,
        "law": (
            "holes >= price*asked - sum over sides that can be covered max(0, price*area - weight) "
            "- sum over candidate holes max(0, sum over sides share*weight - 1)"
        ),
    }
    return (json.dumps(table, indent=1) + "\n").encode()


def curve_csv(points: "tuple[CurvePoint, ...]") -> str:
    """Return the trade-off curve as CSV: holes, share covered, proven upper bound, proven or not."""
    lines = ["new_holes,coverage,bound,proven"]
    lines += [f"{p.holes},{p.coverage:.6f},{p.bound:.6f},{'yes' if p.proven else 'no'}" for p in points]
    return "\n".join(lines) + "\n"


def curve_svg(points: "tuple[CurvePoint, ...]", target: float) -> str:
    """Return the trade-off curve as a picture: share covered over new holes, the target as a line."""
    from bayreach.units import percent_text

    width, height, left, top = 520.0, 300.0, 60.0, 30.0
    most = max([point.holes for point in points] + [1])
    low = min([point.coverage for point in points] + [target])
    low = max(0.0, low - 0.05)

    def place(holes: float, share: float) -> tuple[float, float]:
        return left + holes / most * (width - left - 20), top + (1.0 - share) / (1.0 - low) * (
            height - top - 50
        )

    marks = [place(point.holes, point.coverage) for point in points]
    line = " ".join(f"{x:.1f},{y:.1f}" for x, y in marks)
    y_target = place(0, target)[1]
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0f} {height:.0f}" '
        'font-family="sans-serif" font-size="12">',
        "<title>Coverage against number of new holes</title>",
        f'<line x1="{left}" y1="{y_target:.1f}" x2="{width - 20}" y2="{y_target:.1f}" stroke="#777" '
        'stroke-dasharray="4 3"/>',
        f'<text x="{width - 22}" y="{y_target - 4:.1f}" text-anchor="end">'
        f"target {percent_text(target)}</text>",
        f'<polyline points="{line}" fill="none" stroke="#004488" stroke-width="2"/>',
    ]
    for (x, y), point in zip(marks, points, strict=True):
        fill = "#004488" if point.proven else "#ffffff"
        parts.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4" fill="{fill}" stroke="#004488"/>')
        parts.append(
            f'<text x="{x:.1f}" y="{y - 8:.1f}" text-anchor="middle">{percent_text(point.coverage)}</text>'
        )
        parts.append(f'<text x="{x:.1f}" y="{height - 28:.0f}" text-anchor="middle">{point.holes}</text>')
    parts.append(
        f'<text x="{width / 2:.0f}" y="{height - 8:.0f}" text-anchor="middle">'
        "new holes (filled: proven best)</text></svg>"
    )
    return "\n".join(parts) + "\n"
