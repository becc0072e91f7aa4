"""Sentences that several documents share."""

from bayreach.report._case import Case
from bayreach.report._numbers import area_text, percent
from bayreach.report._words import words


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
