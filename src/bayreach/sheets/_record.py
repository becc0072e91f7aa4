"""The treatment record: what was planned, filled in; what was done, left blank for the people who do it."""

import hashlib
from pathlib import Path
from typing import Any

from bayreach.outcome import to_json
from bayreach.report import Case, coverage_line, percent, volume_text, words
from bayreach.sheets._cards import openings_in_order
from bayreach.sheets._form import BLANKS, SIGNATURES, form_of
from bayreach.sheets._typeset import shared


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
    return to_json(form_of(case, sha256=sha256, program_version=program_version())).encode()
