"""The treatment record: what was planned, filled in; what was done, left blank for the people who do it."""

import hashlib
import json
from pathlib import Path
from typing import Any

from bayreach.report import Case, coverage_line, percent, volume_text, words
from bayreach.sheets._cards import openings_in_order
from bayreach.sheets._typeset import shared

FORM_VERSION = 1
BLANKS = (
    "aircraft",
    "zone",
    "authority",
    "liquid_name",
    "liquid_lot",
    "liquid_expiry",
    "cleaned",
    "dried",
    "temperature",
    "start",
    "end",
    "next_due",
)
SIGNATURES = ("operator", "inspector", "certificate")


def plan_hash(folder: Path) -> str:
    """Return the SHA-256 of result.json: what ties the record to the plan it is of."""
    return hashlib.sha256((folder / "result.json").read_bytes()).hexdigest()


def record_data(case: Case, sha256: str) -> dict[str, Any]:
    """Return the data of the printed record."""
    return {
        **shared(case),
        "inputs": _inputs(case, sha256),
        "blanks": [words(f"blank_{name}") for name in BLANKS],
        "signatures": [words(f"blank_{name}") for name in SIGNATURES],
        "bay_heads": [
            words(f"head_{name}")
            for name in ("bay", "planned", "seen", "unbroken", "touched_up", "not_seen", "method", "initials")
        ],
        "bays": [
            {"name": bay.name, "planned": percent(bay.covered / bay.required) if bay.required > 0 else ""}
            for bay in sorted(case.bays, key=lambda bay: bay.is_reached)
        ],
        "use_heads": [
            words(f"head_{name}") for name in ("opening", "planned", "seconds", "used", "deviation")
        ],
        "use": _use(case),
        "masks": [
            {"name": name}
            for name in dict.fromkeys(
                [
                    *(one.name for one in case.masks),
                    *(one.name for one in case.keep_outs if one.no != "drill"),
                ]
            )
        ],
        "drains": [{"name": one.name} for one in case.drains],
        "hole_heads": [words(f"head_{name}") for name in ("hole", "drill", "approval", "drilled", "closed")],
        "holes": [
            {"name": f"{one.name}: {words('candidate')}", "drill": f"{one.drill_name} {one.drill_mm:g} mm"}
            for one in case.holes
        ],
    }


def _inputs(case: Case, sha256: str) -> list[tuple[str, str]]:
    inputs = case.record.get("inputs") or {}
    target = case.target
    film = words(
        "record_film",
        least=f"{target.film_min_um:.3g}",
        most=f"{target.film_max_um:.3g}",
        film_is=target.film_is,
    )
    return [
        (words("record_plan_hash"), sha256),
        (words("record_mesh_hash"), str(inputs.get("mesh_sha256", ""))),
        (words("record_job_hash"), str(inputs.get("job_sha256", ""))),
        (words("record_version"), f"{program_version()} / {case.record.get('version', '')}"),
        (words("record_target"), film),
        (words("record_coverage"), coverage_line(case)),
    ]


def _use(case: Case) -> list[dict[str, str]]:
    rows = []
    for opening in openings_in_order(case):
        mine = [one for one in case.passes if one.opening == opening.name]
        rows.append(
            {
                "opening": opening.name,
                "planned": volume_text(sum(one.liquid for one in mine)),
                "seconds": f"{sum(one.seconds for one in mine):.0f} s",
            }
        )
    return rows


def program_version() -> str:
    """Return the version of the installed package."""
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("bayreach")
    except PackageNotFoundError:
        return words("unknown")


def record_json(case: Case, sha256: str) -> bytes:
    """Return the record as JSON: the plan filled in, null for everything that people fill in later."""
    inputs = case.record.get("inputs") or {}
    form = {
        "form": "bayreach treatment record",
        "form_version": FORM_VERSION,
        "title": case.title,
        "plan_sha256": sha256,
        "mesh_sha256": inputs.get("mesh_sha256"),
        "job_sha256": inputs.get("job_sha256"),
        "program_version": program_version(),
        "result_version": case.record.get("version"),
        "target": {
            "film_min_um": round(case.target.film_min_um, 6),
            "film_is": case.target.film_is,
            "coverage": case.target.coverage,
        },
        "planned_coverage": (case.record.get("coverage") or {}).get("fraction"),
        **dict.fromkeys(BLANKS),
        "deviations": [],
        **_check_offs(case),
        "signatures": dict.fromkeys(SIGNATURES),
        "cautions": list(case.cautions),
    }
    return (json.dumps(form, indent=2, ensure_ascii=False) + "\n").encode()


def _check_offs(case: Case) -> dict[str, list[dict[str, Any]]]:
    """Return what is to be checked off, planned figures filled in, the rest null."""
    seen = ("seen_wet", "film_unbroken", "touched_up", "not_seen", "method", "initials")
    return {
        "bays": [
            {
                "name": bay.name,
                "required_m2": bay.required,
                "planned_covered_m2": bay.covered,
                **dict.fromkeys(seen),
            }
            for bay in case.bays
        ],
        "passes": [
            {
                "number": number,
                "wand": one.wand,
                "opening": one.opening,
                "planned_count": one.count,
                "planned_seconds": one.seconds,
                "planned_liquid_m3": one.liquid,
                **dict.fromkeys(("done_count", "used_liquid_m3", "deviation")),
            }
            for number, one in enumerate(case.passes, start=1)
        ],
        "masks": [{"name": one.name, "on": None, "off": None} for one in case.masks],
        "drains": [{"name": one.name, "open_before": None, "open_after": None} for one in case.drains],
        "holes": [
            {
                "name": one.name,
                "status": words("candidate"),
                "drill_mm": one.drill_mm,
                **dict.fromkeys(("approval_reference", "drilled", "closed")),
            }
            for one in case.holes
        ],
    }
