"""The work by the clock and what can be checked after it, as the result tells them."""

from collections.abc import Mapping
from typing import Any

from bayreach.report._case import Case
from bayreach.report._numbers import area_text, length_text, volume_text
from bayreach.report._words import words


def clock_text(seconds: float) -> str:
    """Return a time from the start of work in hours and whole minutes.

    >>> clock_text(0.0), clock_text(4205.0)
    ('0:00', '1:10')
    """
    minutes = int(seconds // 60)
    return f"{minutes // 60}:{minutes % 60:02d}"


def work_steps(case: Case) -> list[Mapping[str, Any]]:
    """Return the steps of the work in order; none where the result does not tell them."""
    return list((case.record.get("work") or {}).get("steps") or ())


def work_line(case: Case) -> str:
    """Return the sentence on how long the work takes; empty where the result does not tell it."""
    work = case.record.get("work")
    if not work or not case.passes:
        return ""
    return words(
        "work_total",
        time=clock_text(float(work["seconds"])),
        openings=work["openings"],
        changes=work["wand_changes"],
        liquid=volume_text(float(work["liquid_m3"])),
        refills=work["refills"],
    )


def look_rows(case: Case) -> list[tuple[str, str, str, str]]:
    """Return tool, opening, depth and area judged of each look that checks the work."""
    looks = (case.record.get("checks") or {}).get("looks") or ()
    return [
        (
            str(one["tool"]),
            str(one["opening"]),
            length_text(float(one["depth_m"])),
            area_text(float(one["sees_m2"])),
        )
        for one in looks
    ]


def check_line(case: Case) -> str:
    """Return the sentence on what no tool can judge; empty where the result does not tell it."""
    checks = case.record.get("checks")
    if not checks:
        return ""
    return words(
        "check_total",
        seen=area_text(float(checks["covered_checkable_m2"])),
        unseen=area_text(float(checks["covered_not_checkable_m2"])),
    )
