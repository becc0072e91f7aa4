"""Candidate passes and the film that each of them lays."""

from bayreach.passes._candidates import (
    FASTEST,
    Candidate,
    candidate_passes,
    clock_angles,
    cut_path,
    spread_paths,
)
from bayreach.passes._columns import PLAN_STEP, Columns, lay_kept, pass_columns
from bayreach.passes._kept import KEPT_FILE, Kept, kept_bytes, kept_from

__all__ = [
    "FASTEST",
    "KEPT_FILE",
    "PLAN_STEP",
    "Candidate",
    "Columns",
    "Kept",
    "candidate_passes",
    "clock_angles",
    "cut_path",
    "kept_bytes",
    "kept_from",
    "lay_kept",
    "pass_columns",
    "spread_paths",
]
