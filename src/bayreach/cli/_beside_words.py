"""What the commands print that hold a result beside another one, or beside measured coupons."""

from typing import TYPE_CHECKING

from bayreach.cli._words import table
from bayreach.units import percent_text

if TYPE_CHECKING:
    from bayreach.compare import Comparison, CouponCheck


def comparison_lines(found: "Comparison") -> list[str]:
    """Return what changed: figures, bays, passes, area by status."""
    if found.is_equal:
        return ["nothing changed"]
    lines = [f"the {name} files differ" for name, same in _sameness(found).items() if not same]
    figures = [(change, _figure if change.name.endswith("share") else _number) for change in found.figures]
    for change, words in [*figures, *((bay, _figure) for bay in found.bays)]:
        if change.before != change.after:
            lines.append(f"  {change.name}: {words(change.before)} before, {words(change.after)} after")
    lines += [f"  gone: {words}" for words in found.passes_gone]
    lines += [f"  new:  {words}" for words in found.passes_new]
    lines += [f"  candidate hole gone: {words}" for words in found.holes_gone]
    lines += [f"  candidate hole new:  {words}" for words in found.holes_new]
    lines += [f"  keep-out changed: {name}" for name in found.keep_outs_changed]
    lines += [f"  wand changed: {name}" for name in found.wands_changed]
    return lines + [f"  {1e4 * area:z.1f} cm2 {words}" for words, area in found.status_m2.items()]


def coupon_lines(found: "CouponCheck") -> list[str]:
    """Return each coupon beside its prediction, then the factor and the faults."""
    lines = table(
        ("coupon", "measured um", "predicted um"),
        (
            (
                row.name,
                f"{row.measured_um:z.2f}",
                "-" if row.predicted_um is None else f"{row.predicted_um:z.2f}",
            )
            for row in found.coupons
        ),
    )
    if found.factor is not None:
        range_ = (
            "; too few coupons for an interval"
            if found.factor_low is None or found.factor_high is None
            else f", {found.factor_low:z.3f} to {found.factor_high:z.3f} at {100 * found.confidence:.0f} %"
        )
        lines.append(f"factor {found.factor:z.3f} ({found.film_is} film, {found.n_used} coupons){range_}")
    if found.bias_um is not None:
        lines.append(f"measured less predicted: {found.bias_um:z.2f} um on average")
    lines += [
        f"{name}: film where none was predicted; check the geometry and the aim"
        for name in found.wet_where_dry
    ]
    return lines + [f"{name}: lies on no side of a bay; not used" for name in found.off_structure]


def _sameness(found: "Comparison") -> dict[str, bool]:
    return {"mesh": found.same_mesh, "job": found.same_job}


def _figure(value: float | None) -> str:
    return "-" if value is None else percent_text(value)


def _number(value: float | None) -> str:
    return "-" if value is None else f"{value:.6g}"
