"""Sentences that several documents share."""

from collections.abc import Mapping
from typing import Any

from bayreach.report._case import Case
from bayreach.report._numbers import area_text, percent, place_text
from bayreach.report._records import Opening
from bayreach.report._words import short, words

MOST_LABELLED = 12
MOST_DOUBTFUL = 5
"""Least sure places that a document names."""


def coverage_line(case: Case) -> str:
    """Return the sentence that says whether the target is met; no figure is rounded up."""
    coverage = case.record.get("coverage") or {}
    required = float(coverage.get("required_m2") or 0.0)
    if required <= 0.0:
        return words("no_required")
    line = words(
        "coverage_line",
        covered=area_text(float(coverage.get("covered_m2") or 0.0)),
        required=area_text(required),
        fraction=percent(float(coverage.get("fraction") or 0.0)),
        target=percent(case.target.coverage),
        met=words("met" if coverage.get("met") else "not_met"),
    )
    plan = case.record.get("plan")
    if not plan:
        return line
    no_drill = (plan.get("no_drill") or {}).get("coverage")
    bound = plan.get("new_holes_bound")
    return f"{line}.  " + words(
        "plan_line",
        holes=plan.get("new_holes", words("unknown")),
        bound=words("unknown") if bound is None else bound,
        no_drill=words("unknown") if no_drill is None else percent(float(no_drill)),
    )


def doubt_line(case: Case) -> str:
    """Return the sentence on how sure the coverage is; empty where that was not worked out."""
    doubt = case.record.get("doubt")
    if not doubt:
        return ""
    return words(
        "doubt_line",
        samples=doubt.get("samples", words("unknown")),
        mean=percent(float(doubt["covered_mean"])),
        low=percent(float(doubt["covered_p5"])),
        high=percent(float(doubt["covered_p95"])),
        sure=percent(float(doubt["sure_fraction"])),
    )


def doubt_lines(case: Case) -> tuple[str, ...]:
    """Return what stands below `doubt_line`: bays, what matters most, the least sure places, omissions.

    Empty where doubt was not worked out. Factors whose share is within its error are not named.
    """
    doubt = case.record.get("doubt")
    if not doubt:
        return ()
    lines = [
        words(
            "doubt_bay",
            bay=short(str(bay["name"])),
            required=area_text(float(bay["required_m2"])),
            sure=percent(float(bay["sure_m2"]) / float(bay["required_m2"])),
            even=percent(float(bay["even_m2"]) / float(bay["required_m2"])),
        )
        for bay in doubt.get("bays") or ()
        if float(bay["required_m2"]) > 0.0
    ]
    error = float(doubt.get("matters_error") or 0.0)
    matters = sorted((doubt.get("matters") or {}).items(), key=lambda pair: -float(pair[1]))
    shares = ", ".join(
        words("doubt_share", name=words(f"factor_{name.replace(' ', '_')}"), share=percent(float(share)))
        for name, share in matters
        if float(share) > error
    )
    if shares:
        lines.append(words("doubt_matters", error=percent(error), shares=shares))
    lines += [_doubtful_place(place) for place in (doubt.get("worst") or ())[:MOST_DOUBTFUL]]
    return (*lines, *(words("doubt_left", line=line) for line in doubt.get("left_out") or ()))


def _doubtful_place(place: Mapping[str, Any]) -> str:
    x, y, z = (float(value) for value in place["center_m"])
    return words(
        "doubt_place",
        area=area_text(float(place["area_m2"])),
        part=short(str(place["part"])),
        bay=short(str(place["bay"])),
        place=place_text((x, y, z)),
        chance=percent(float(place["chance"])),
    )


def main_openings(case: Case) -> tuple[Opening, ...]:
    """Return the openings worth a label: those that passes use or the job names, then those to the outside.

    Candidate holes have labels of their own; inner cut-outs by the dozen would hide the drawing.
    """
    used = {one.opening for one in case.passes}
    there = [one for one in case.openings if one.kind != "proposed" or not case.holes]
    first = [one for one in there if one.name in used or one.kind == "given"]
    outer = [one for one in there if "outside" in one.links and one not in first]
    inner = [one for one in there if one not in first and one not in outer]
    inner.sort(key=lambda one: -one.diameter)
    return tuple([*first, *outer, *inner][: max(MOST_LABELLED, len(first))])
