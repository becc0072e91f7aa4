"""What the commands print: plain lines for a terminal, a log or a person, and no claim by rounding."""

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from bayreach.cli._flow_words import flow_lines, in_mm
from bayreach.units import INCH, percent_text, significant

if TYPE_CHECKING:
    from bayreach.outcome import (
        BayReachRecord,
        Measurement,
        OpeningRecord,
        Outcome,
        ReachRecord,
        TradeOffRecord,
    )
    from bayreach.study import Overview


def plain(text: str) -> str:
    r"""Return `text` with nothing in it that a terminal would act on.

    >>> plain("rib\x1b[31m 2")
    'rib?[31m 2'
    """
    return "".join(sign if sign.isprintable() or sign == "\n" else "?" for sign in text)


def table(head: Sequence[str], rows: Iterable[Sequence[object]], *, left: int = 1) -> list[str]:
    """Return the lines of a table: the first `left` columns to the left, the rest to the right."""
    cells = [[str(cell) for cell in row] for row in [head, *rows]]
    widths = [max(len(row[column]) for row in cells) for column in range(len(head))]
    lines = []
    for row in cells:
        parts = [
            cell.ljust(width) if column < left else cell.rjust(width)
            for column, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append("  " + "  ".join(parts).rstrip())
    return lines


def measurement_lines(measured: "Measurement", *, name: str) -> list[str]:
    """Return the import report, the table of bays and the table of openings."""
    mesh = measured.mesh
    least, most = mesh.box_m
    size = [high - low for low, high in zip(least, most, strict=True)]
    lines = [
        f"{name}: {mesh.faces:,} faces, units {mesh.units}",
        "box     " + " x ".join(f"{1e3 * side:z,.1f}" for side in size) + " mm",
        "        " + " x ".join(f"{side / INCH:z,.2f}" for side in size) + " in",
        f"edges   {mesh.open_edges:,} open, {mesh.crowded_edges:,} with more than two faces",
        "method  " + _method(mesh.method),
        "found   " + ("nothing to mend or to mention" if not mesh.repairs else ""),
    ]
    for repair in mesh.repairs:
        lines += [f"  {repair.detail or f'{repair.count:,} x {repair.kind}'}", *_places(repair.places_m)]
    lines += [
        "",
        f"{len(measured.bays)} bays" if measured.bays else "no bay: nothing here closes off any air",
    ]
    if measured.bays:
        lines += table(
            ("bay", "area m2", "volume L", "box mm", "openings"),
            (
                (
                    bay.name + (" (sealed)" if bay.sealed else ""),
                    f"{bay.area_m2:z.4f}",
                    f"{1e3 * bay.volume_m3:z.3f}",
                    _box_mm(bay.box_m),
                    len(bay.openings),
                )
                for bay in measured.bays
            ),
        )
        lines += _detail_lines(measured)
    lines += ["", f"{len(measured.openings)} openings"]
    if measured.openings:
        lines += table(
            ("opening", "links", "rod mm", "area cm2", "center mm"),
            (
                (
                    opening.name + (" (open end)" if opening.detail and opening.detail.open_end else ""),
                    " - ".join(opening.links),
                    f"{1e3 * opening.diameter_m:z.1f}" + _off(opening, 1e3),
                    f"{1e4 * opening.area_m2:z.2f}" + _off(opening, 1e4),
                    ", ".join(f"{1e3 * part:z.0f}" for part in opening.center_m),
                )
                for opening in measured.openings
            ),
            left=2,
        )
    told = [
        line for finding in measured.findings for line in (f"{finding.kind}:", *_places(finding.places_m))
    ]
    lines += ["", "where to look", *(f"  {line}" for line in told)] if told else []
    return [*lines, *_notes(measured.warnings, measured.cautions)]


def _off(opening: "OpeningRecord", scale: float) -> str:
    """Return how far a size may be off, in mm (1e3) or cm2 (1e4); nothing where the mesh shows the rim."""
    detail = opening.detail
    error = 0.0 if detail is None else detail.diameter_error_m if scale == 1e3 else detail.area_error_m2
    return f" +- {significant(scale * error, 2)}" if error else ""


_PLACES_SHOWN = 3
_PARTS_SHOWN = 8


def _places(places: Sequence[Sequence[float]]) -> list[str]:
    """Return a line that names a few places in mm, none where there are none."""
    if not places:
        return []
    shown = "; ".join(", ".join(f"{1e3 * part:z.1f}" for part in place) for place in places[:_PLACES_SHOWN])
    more = "; ..." if len(places) > _PLACES_SHOWN else ""
    return [f"    at {shown}{more} mm"]


def _detail_lines(measured: "Measurement") -> list[str]:
    """Return what each bay tells: the way its sides face, its parts, its neighbours, liquid, low points."""
    told = [(bay, bay.detail) for bay in measured.bays if bay.detail is not None]
    if not told:
        return []
    liquid = "liquid mL" if measured.film_m is not None else "liquid (--film)"
    lines = ["", "down    " + ", ".join(f"{part:g}" for part in measured.down)]
    lines += table(
        ("bay", "up m2", "vertical m2", "down m2", liquid, "low points", "lowest mm", "neighbours"),
        (
            (
                bay.name,
                f"{detail.up_m2:z.4f}",
                f"{detail.vertical_m2:z.4f}",
                f"{detail.down_m2:z.4f}",
                "-" if detail.liquid_m3 is None else f"{1e6 * detail.liquid_m3:z.1f}",
                len(detail.low_points_m),
                ", ".join(f"{1e3 * part:z.0f}" for part in detail.low_points_m[0])
                if detail.low_points_m
                else "-",
                ", ".join(detail.neighbours) or "-",
            )
            for bay, detail in told
        ),
    )
    lines += ["", "area by part, m2"]
    for bay, detail in told:
        parts = sorted(detail.parts_m2.items(), key=lambda part: -part[1])
        rest = sum(area for _, area in parts[_PARTS_SHOWN:])
        shown = [f"{plain(name)} {area:.4f}" for name, area in parts[:_PARTS_SHOWN]]
        shown += [f"{len(parts) - _PARTS_SHOWN} more {rest:.4f}"] if len(parts) > _PARTS_SHOWN else []
        lines.append(f"  {bay.name}: " + ", ".join(shown))
    return lines


def _method(method: str) -> str:
    return "exact, from sides" if method == "cells" else "by a grid: approximate, see the warnings"


def _box_mm(box: Sequence[Sequence[float]] | None) -> str:
    if box is None:
        return "-"
    return " x ".join(f"{1e3 * (high - low):z.0f}" for low, high in zip(*box, strict=True))


def _notes(warnings: Sequence[str], cautions: Sequence[str]) -> list[str]:
    lines = ["", *(f"warning: {warning}" for warning in warnings)] if warnings else []
    return lines + (["", *(f"caution: {caution}" for caution in cautions)] if cautions else [])


def outcome_lines(outcome: "Outcome", *, folder: str) -> list[str]:
    """Return the answer of a spray or a plan: coverage, bays, passes, holes, liquid, what stays uncovered."""
    coverage = outcome.coverage
    asked = percent_text(coverage.target)
    verdict = "reached" if coverage.met else "not reached"
    if coverage.fraction is None:
        lines = [
            f"{outcome.title}: no area asks for film, so there is no coverage to tell; {asked} not reached"
        ]
    else:
        lines = [
            f"{outcome.title}: {percent_text(coverage.fraction)} of {coverage.required_m2:z.4f} m2 covered;"
            f" {asked} asked: {verdict}",
            f"  direct {percent_text(coverage.direct_fraction)},"
            f" by settled film only {percent_text(coverage.settled_only_fraction)},"
            f" dry {percent_text(coverage.dry_fraction)}",
        ]
    lines += [*_plan_lines(outcome), "", *_bay_lines(outcome), "", *_pass_lines(outcome)]
    lines += [
        *_work_lines(outcome),
        *_hole_lines(outcome),
        "",
        _liquid_line(outcome),
        *flow_lines(outcome),
        *_mask_lines(outcome),
        *_holiday_lines(outcome),
    ]
    return [*lines, *_notes(outcome.warnings, outcome.cautions), "", f"written to {folder}"]


def _plan_lines(outcome: "Outcome") -> list[str]:
    plan = outcome.plan
    if plan is None:
        return []
    holes = f"{plan.new_holes} new hole{'' if plan.new_holes == 1 else 's'}"
    proof = plan.statement or f"{holes}; at least {plan.new_holes_bound} needed"
    without = f"without drilling: {percent_text(plan.no_drill.coverage)} covered"
    return [
        f"  plan: {proof}",
        f"  proven: with these holes at most {100 * plan.gap:z.2f} % less work is possible; {without}",
        *_trade_off_line(plan.trade_off),
    ]


def _trade_off_line(points: "Sequence[TradeOffRecord]") -> list[str]:
    """Return what 0, 1, 2, ... new holes cover, with the proven bound where more is not ruled out."""
    if len(points) < 2:
        return []
    told = [
        f"{point.new_holes} new hole{'' if point.new_holes == 1 else 's'} {percent_text(point.coverage)}"
        + ("" if point.proven else f" (at most {percent_text(point.bound)})")
        for point in points
    ]
    return [f"  to choose from: {', '.join(told)}"]


def _bay_lines(outcome: "Outcome") -> list[str]:
    return table(
        ("bay", "required m2", "covered", "direct", "settled only", "low", "dry", "heavy"),
        (
            (
                bay.name,
                f"{bay.required_m2:z.4f}",
                *(
                    percent_text(area / bay.required_m2 if bay.required_m2 > 0 else None)
                    for area in (
                        bay.covered_m2, bay.direct_m2, bay.settled_only_m2, bay.low_m2, bay.dry_m2,
                        bay.heavy_m2,
                    )
                ),
            )
            for bay in outcome.bays
        ),
    )  # fmt: skip


def _pass_lines(outcome: "Outcome") -> list[str]:
    if not outcome.passes:
        return ["no pass"]
    return table(
        ("wand", "opening", "from m", "to m", "clock deg", "speed mm/s", "count", "seconds", "mL"),
        (
            (
                spray_pass.wand,
                spray_pass.opening,
                f"{spray_pass.from_m:z.3f}",
                f"{spray_pass.to_m:z.3f}",
                f"{spray_pass.clock_deg:z.0f}",
                f"{1e3 * spray_pass.pull_speed_m_s:z.0f}",
                spray_pass.count,
                f"{spray_pass.seconds:z.1f}",
                f"{1e6 * spray_pass.liquid_m3:z.1f}",
            )
            for spray_pass in outcome.passes
        ),
        left=2,
    )


def _work_lines(outcome: "Outcome") -> list[str]:
    """Return how long the work takes and what can be checked after it."""
    lines = []
    work, checks = outcome.work, outcome.checks
    if work is not None and outcome.passes:
        lines.append(
            f"work: {work.seconds / 60:z.0f} min by common practice, openings gone to {work.openings},"
            f" changes of wand {work.wand_changes}, liquid {1e3 * work.liquid_m3:z.2f} L,"
            f" refills of the tank {work.refills}"
        )
    if checks is not None:
        lines.append(
            f"to check: {checks.covered_checkable_m2:z.4f} m2 of the covered sides by"
            f" {len(checks.looks)} looks; {checks.covered_not_checkable_m2:z.4f} m2 are covered but no tool"
            " can verify them"
        )
    return ["", *lines] if lines else []


def _hole_lines(outcome: "Outcome") -> list[str]:
    return [
        line
        for hole in outcome.holes or ()
        for line in (
            "",
            f"candidate hole {hole.drill_name} at "
            + ", ".join(f"{1e3 * part:z.1f}" for part in hole.center_m)
            + " mm"
            f" ({hole.status}): {hole.why}; closes with {hole.closes_with}",
        )
    ]


def _liquid_line(outcome: "Outcome") -> str:
    liquid = outcome.liquid
    parts = {
        "sprayed": liquid.sprayed_m3,
        "direct": liquid.direct_m3,
        "settled": liquid.settled_m3,
        "escaped": liquid.escaped_m3,
        "suspended": liquid.suspended_m3,
        "run off": liquid.run_off_m3,
    }
    rare = {
        "crept into seams": liquid.creep_m3,
        "on sides that face down, not credited": liquid.uncredited_m3,
        "on sides not asked about": liquid.elsewhere_m3,
    }
    parts |= {name: volume for name, volume in rare.items() if volume >= 5e-8}
    return "liquid mL: " + ", ".join(f"{name} {1e6 * volume:z.1f}" for name, volume in parts.items())


def _mask_lines(outcome: "Outcome") -> list[str]:
    return [
        f"mask {mask.name}: "
        + (f"film {1e6 * mask.film_m:z.1f} um reached it" if mask.touched else "no film reached it")
        for mask in outcome.masks
    ]


def _holiday_lines(outcome: "Outcome", most: int = 8) -> list[str]:
    if not outcome.holidays:
        return []
    ranked = sorted(outcome.holidays, key=lambda holiday: -holiday.area_m2)
    lines = ["", f"{len(ranked)} patches uncovered, the largest first"]
    for holiday in ranked[:most]:
        place = ", ".join(f"{1e3 * part:z.0f}" for part in holiday.center_m)
        lines.append(f"  {1e4 * holiday.area_m2:z.1f} cm2 in {holiday.bay} at {place} mm: {holiday.reason}")
    return lines


def doubt_lines(outcome: "Outcome") -> list[str]:
    """Return how sure the result is: the whole, each bay, the worst places, what matters most."""
    doubt = outcome.doubt
    if doubt is None:
        return ["nothing here asks for film, so there is nothing to doubt"]
    lines = [
        f"covered on average {percent_text(doubt.covered_mean)},"
        f" within {percent_text(doubt.covered_error)} at 95 %;"
        f" nine times in ten {percent_text(doubt.covered_p5)} to {percent_text(doubt.covered_p95)}",
        f"{percent_text(doubt.sure_fraction)} of the required area is at least 95 % sure,"
        f" {percent_text(doubt.even_fraction)} at least 50 %",
    ]
    lines += [
        f"  {bay.name}: {percent_text(bay.sure_m2 / bay.required_m2)} at least 95 % sure,"
        f" {percent_text(bay.even_m2 / bay.required_m2)} at least 50 %, of {bay.required_m2:z.3f} m2"
        for bay in doubt.bays
        if bay.required_m2 > 0.0
    ]
    lines.append(
        f"what the spread of the covered share comes from, within {percent_text(doubt.matters_error)}:"
    )
    lines += [
        f"  {name}: {percent_text(max(0.0, share))}"
        for name, share in sorted(doubt.matters.items(), key=lambda pair: -pair[1])
    ]
    lines.append("worst places:")
    lines += [
        f"  {1e4 * place.area_m2:z.1f} cm2 in {place.bay} at {in_mm(place.center_m)} mm:"
        f" {percent_text(place.chance)} sure"
        for place in doubt.worst[:8]
    ]
    return [*lines, f"{doubt.samples} samples, seed {doubt.seed}", *_notes(doubt.left_out, outcome.cautions)]


def study_lines(overview: "Overview", *, folder: str) -> list[str]:
    """Return a row for each job, the roll-up, and each failure with its reason."""
    rows = [*overview.jobs, *([overview.total] if len(overview.jobs) > 1 else [])]
    lines = table(
        ("job", "covered", "asked", "new holes", "passes", "L", "min"),
        (
            (
                row.job,
                percent_text(row.coverage),
                percent_text(row.target),
                row.new_holes,
                row.passes,
                f"{row.litres:z.2f}",
                f"{row.minutes:z.1f}",
            )
            for row in rows
        ),
    )
    lines += [f"failed: {refused.name}: {refused.reason}" for refused in overview.failed]
    return [*lines, f"written to {folder}"]


def reach_lines(reach: Sequence["ReachRecord"], *, bay: str | None = None) -> list[str]:
    """Return what fits through each opening, how deep, and what limits it; with `bay`, of that bay alone."""
    if not reach:
        return ["no opening leads outside: nothing to try"]
    return [line for row in reach for line in (_reach_of(row) if bay is None else _bay_reach(row, bay))]


def _reach_of(row: "ReachRecord") -> list[str]:
    head = f"{row.wand} through {row.opening}: "
    if not row.fits:
        return [
            f"{head}no way in was found: {row.limit} ({row.searched})"
            if row.searched
            else f"{head}does not fit: {row.limit}"
        ]
    bays = ", ".join(row.bays_reached) or "no bay"
    tilt = "" if row.max_tilt_deg is None else f", tilts up to {row.max_tilt_deg:z.1f} deg"
    return [
        f"{head}fits along aims of {row.aims_sr:z.3g} sr, {1e3 * row.depth_m:z.0f} mm deep{tilt}, reaches "
        f"{bays}, sees {row.visible_m2:z.3f} m2, {row.in_pattern_m2:z.3f} m2 within its spray",
        f"  limit: {row.limit}",
        *(f"  {each.bay}: {_within_bay(each)}" for each in row.bays),
    ]


def _within_bay(each: "BayReachRecord") -> str:
    """Return in how much of a bay the tip can be and what it sees there, or why it does not get in."""
    sees = (
        f"sees {each.visible_m2:z.3f} m2 of it ({percent_text(each.visible_share)}), "
        f"{each.in_pattern_m2:z.3f} m2 within its spray ({percent_text(each.in_pattern_share)})"
    )
    if each.reached:
        error = 1e3 * each.tip_volume_error_m3
        return f"the tip can be in {1e3 * each.tip_volume_m3:z.3g} L (+- {error:z.2g}) of it, {sees}"
    return f"{_why_not(each)}; {sees}"


def _why_not(each: "BayReachRecord") -> str:
    if each.searched:
        return f"no way in was found: {each.limit} ({each.searched})"
    return f"the tip cannot get in: {each.limit}"


def _bay_reach(row: "ReachRecord", bay: str) -> list[str]:
    head = f"{row.wand} through {row.opening}: "
    return [
        f"{head}gets into {bay}, sees {each.visible_m2:z.3f} m2 of it ({percent_text(each.visible_share)}), "
        f"{each.in_pattern_m2:z.3f} m2 within its spray ({percent_text(each.in_pattern_share)})"
        if each.reached
        else f"{head}no way into {bay} was found: {each.limit} ({each.searched})"
        if each.searched
        else f"{head}cannot get into {bay}: {each.limit}"
        for each in row.bays
        if each.bay == bay
    ]
