"""The plan and the pass cards: one page an opening, in working order."""

from collections.abc import Mapping
from itertools import pairwise
from typing import Any

from bayreach.report import (
    Case,
    Opening,
    SprayPass,
    air_limits,
    air_of,
    area_text,
    balance_lines,
    check_line,
    clock_text,
    coverage_line,
    doubt_line,
    doubt_lines,
    length_text,
    look_rows,
    mass_line,
    percent,
    place_text,
    volume_text,
    words,
    work_line,
    work_steps,
)
from bayreach.sheets._typeset import shared


def cards_data(case: Case, pictures: Mapping[str, str]) -> dict[str, Any]:
    """Return the data of the cards; `pictures` names the file of each opening's picture."""
    return {
        **shared(case),
        "coverage": " ".join(line for line in (coverage_line(case), doubt_line(case)) if line),
        "doubt": list(doubt_lines(case)),
        "unreached": unreached(case),
        "bay_heads": [
            words(f"head_{name}") for name in ("bay", "required", "covered", "dry", "low", "heavy")
        ],
        "bays": [_bay_row(bay) for bay in sorted(case.bays, key=lambda bay: bay.is_reached)],
        "order_heads": [
            words(f"head_{name}")
            for name in ("start", "pass", "opening", "wand", "count", "seconds", "liquid", "done")
        ],
        "order": _order(case),
        "totals": words(
            "cards_totals",
            passes=len(case.passes),
            seconds=f"{sum(one.seconds for one in case.passes):.0f}",
            liquid=volume_text(sum(one.liquid for one in case.passes)),
        ),
        "work": work_line(case),
        "look_heads": [words(f"head_{name}") for name in ("tool", "opening", "depth", "judges", "done")],
        "looks": [list(one) for one in look_rows(case)],
        "checks": check_line(case),
        "masks": mask_rows(case),
        "drains": [{"name": one.name, "text": place_text(one.center)} for one in case.drains],
        "air_heads": [words(f"head_{name}") for name in ("bay", "mist", "vapour", "wet", "dried")],
        "air": [list(one.texts()) for one in air_of(case)],
        "air_limits": list(air_limits(case)),
        "mass": [mass_line(case), *balance_lines(case)],
        "cards": [_card(case, one, pictures.get(one.name)) for one in openings_in_order(case)],
    }


def openings_in_order(case: Case) -> list[Opening]:
    """Return the openings that passes use, in the order of their first pass."""
    known = {one.name: one for one in case.openings}
    used = dict.fromkeys(one.opening for one in case.passes)
    nameless = Opening(
        name="", kind="given", center=(0, 0, 0), normal=(0, 0, 1), diameter=0.0, area=0.0, links=()
    )
    return [known.get(name) or _renamed(nameless, name) for name in used]


def _renamed(one: Opening, name: str) -> Opening:
    from dataclasses import replace

    return replace(one, name=name)


def unreached(case: Case) -> list[dict[str, str]]:
    """Return the bays that no film reaches, with why, as the result tells it."""
    rows = []
    for bay in case.bays:
        if bay.is_reached:
            continue
        reasons = [one.reason for one in case.holidays if one.bay == bay.name and one.reason]
        reason = reasons[0] if reasons else words("why_dry")
        rows.append({"name": bay.name, "text": f"{area_text(bay.required)}; {reason}"})
    return rows


def mask_rows(case: Case) -> list[dict[str, str]]:
    """Return masks and spray keep-outs with what is to be done about each."""
    rows = [
        {"name": one.name, "text": words("mask_touched" if one.touched else "mask_clear")}
        for one in case.masks
    ]
    named = {one["name"] for one in rows}
    rows += [
        {"name": one.name, "text": words(f"no_{one.no}")}
        for one in case.keep_outs
        if one.no in ("spray", "both") and one.name not in named
    ]
    return rows


def _bay_row(bay: Any) -> dict[str, str]:
    share = percent(bay.covered / bay.required) if bay.required > 0 else words("no_required")
    return {
        "name": bay.name,
        "required": area_text(bay.required),
        "covered": share,
        "dry": area_text(bay.dry),
        "low": area_text(bay.low),
        "heavy": area_text(bay.heavy),
    }


def _order(case: Case) -> list[dict[str, Any]]:
    """Return the passes in order, each with its time from the start of work, and the refills between them."""
    steps = [step for step in work_steps(case) if step["kind"] in ("pass", "refill")]
    starts = {step["order"]: clock_text(float(step["start_s"])) for step in steps if step["kind"] == "pass"}
    refilled = {after["order"] for first, after in pairwise(steps) if first["kind"] == "refill"}
    rows, before = [], ""
    for number, one in enumerate(case.passes, start=1):
        rows.append(
            {
                "start": starts.get(number, ""),
                "refill": number in refilled,
                "number": str(number),
                "opening": one.opening,
                "wand": one.wand,
                "change": one.wand != before,
                "count": f"{one.count} ×",
                "seconds": f"{one.seconds:.0f} s",
                "liquid": volume_text(one.liquid).split(" (")[0],
            }
        )
        before = one.wand
    return rows


def _card(case: Case, one: Opening, picture: str | None) -> dict[str, Any]:
    mine = [(number, each) for number, each in enumerate(case.passes, start=1) if each.opening == one.name]
    between = " – ".join(one.links)
    return {
        "name": one.name,
        "text": words(
            "cards_opening_text",
            diameter=length_text(one.diameter),
            place=place_text(one.center),
            links=between,
        ),
        "candidate": one.kind == "proposed",
        "picture": picture,
        "full": max([1e-9, *(each.deepest * 1e3 for _, each in mine)]),
        "passes": [_pass(case, number, each) for number, each in mine],
    }


def _pass(case: Case, number: int, one: SprayPass) -> dict[str, Any]:
    turned = case.clock_matters(one)
    return {
        "number": str(number),
        "wand": one.wand,
        "way": words(
            "cards_way",
            aim=aim_text(one.aim),
            speed=f"{one.pull_speed * 1e3:.3g}",
            inches=f"{one.pull_speed / 0.0254:.2g}",
        ),
        "pulls": words("cards_pulls", count=one.count, seconds=f"{one.seconds / max(one.count, 1):.0f}"),
        "liquid": words("cards_liquid", liquid=volume_text(one.liquid)),
        "count": one.count,
        "from": one.deepest * 1e3,
        "to": one.shallowest * 1e3,
        "from_text": length_text(one.deepest),
        "to_text": length_text(one.shallowest),
        "clock": one.clock_deg if turned else None,
        "clock_lines": [f"{one.clock_deg:.0f}°", clock_hour(one.clock_deg)]
        if turned
        else [words("any_clock")],
    }


def clock_hour(angle_deg: float) -> str:
    """Return the clock reading of an angle from 12 o'clock, to the nearest half hour.

    >>> clock_hour(0.0), clock_hour(90.0), clock_hour(135.0)
    ('12 h', '3 h', '4:30 h')
    """
    halves = round(angle_deg / 15.0) % 24
    hour = halves // 2 or 12
    return f"{hour}:30 h" if halves % 2 else f"{hour} h"


def aim_text(aim: tuple[float, float, float]) -> str:
    """Return the way a wand points as shares along the mesh's axes.

    >>> aim_text((1.0, 0.0, 0.0)), aim_text((0.6, -0.8, 0.0))
    ('+x', '+0.60 x, -0.80 y')
    """
    parts = [(value, axis) for value, axis in zip(aim, "xyz", strict=True) if abs(value) > 0.004]
    if len(parts) == 1:
        value, axis = parts[0]
        return f"{'+' if value > 0 else '-'}{axis}"
    return ", ".join(f"{value:+.2f} {axis}" for value, axis in parts)
