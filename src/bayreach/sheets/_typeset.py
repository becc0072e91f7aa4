"""What every printed document of a result says."""

from typing import Any

from bayreach.report import Case, words


def shared(case: Case) -> dict[str, Any]:
    """Return what every document's data hold: strings, foot line, cautions."""
    from bayreach.report import all_words

    inputs = case.record.get("inputs") or {}
    return {
        "words": {**all_words(), "candidate_short": words("candidate_foot")},
        "title": case.title or words("untitled"),
        "foot": words(
            "foot_line",
            version=case.record.get("version", ""),
            mesh=str(inputs.get("mesh_sha256", ""))[:16],
            job=str(inputs.get("job_sha256", ""))[:16],
        ),
        "cautions": [words("candidate_line"), *(case.cautions or (words("not_modelled"),)), *case.warnings],
    }
