"""The job file: TOML tables that build domain objects; unknown keys are refused."""

from typing import Any

from bayreach.job._load import job_from, load_job
from bayreach.job._records import (
    MECHANISMS,
    DoubtSettings,
    Drilling,
    FilmSettings,
    GivenOpening,
    Hinge,
    Job,
    KeepOut,
    Obstacle,
    Supply,
    Surface,
    Target,
    Tolerances,
    Work,
    WrittenPass,
)
from bayreach.job._write import ChangedWand, write_job

__all__ = [
    "MECHANISMS",
    "ChangedWand",
    "DoubtSettings",
    "Drilling",
    "FilmSettings",
    "GivenOpening",
    "Hinge",
    "Job",
    "KeepOut",
    "Obstacle",
    "Supply",
    "Surface",
    "Target",
    "Tolerances",
    "Work",
    "WrittenPass",
    "job_from",
    "job_schema",
    "load_job",
    "write_job",
]


def job_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of the job file, generated from its tables."""
    from bayreach.job import _tables

    return _tables.job_schema()
