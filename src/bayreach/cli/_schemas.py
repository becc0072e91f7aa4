"""What each command prints with --json, as records, and the schemas of that and of the JSON files written."""

from dataclasses import dataclass
from typing import Any

from bayreach.errors import JobError, nearest_hint


@dataclass(frozen=True, kw_only=True)
class Shown:
    """What `show` drew; `notes` say what could not be checked."""

    folder: str
    png: str | None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Written:
    """The documents that `sheets` wrote."""

    documents: tuple[str, ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class DemoWritten:
    """The jobs that `demo` wrote, and the one to begin with."""

    job: str
    jobs: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Serving:
    """Where `studio` serves its page, on this machine alone."""

    address: str


@dataclass(frozen=True, kw_only=True)
class Sweep:
    """Rows of `reach --vary`: the figures varied and what the wand then reaches."""

    sweep: tuple[dict[str, Any], ...]


NAMES = (
    "job",
    "result",
    "measurement",
    "reach",
    "sweep",
    "comparison",
    "coupons",
    "proof",
    "study",
    "show",
    "sheets",
    "demo",
    "studio",
    "replay",
    "certificate",
    "record",
)
"""What there is a schema of: the job file, what commands print, and the JSON files that they write."""


def schema_named(name: str) -> dict[str, Any]:
    """Return the JSON Schema of the job file, or of what a command prints with --json or writes as JSON.

    Raises
    ------
    JobError
        When there is none of that name.
    """
    if name not in NAMES:
        message = f'there is no schema of "{name}"; known: {", ".join(NAMES)}.{nearest_hint(name, NAMES)}'
        raise JobError(message)
    if name == "job":
        from bayreach.job import job_schema

        return job_schema()
    from bayreach.outcome import schema_of

    return schema_of(_kind(name), f"bayreach {name}")


def _kind(name: str) -> type:
    from bayreach.compare import Comparison, CouponCheck
    from bayreach.outcome import Measurement, Outcome, ReachTable, ReplayTable
    from bayreach.plan import CertificateRecord
    from bayreach.prove import Proof
    from bayreach.sheets import RecordForm
    from bayreach.study import Overview

    return {
        "result": Outcome,
        "measurement": Measurement,
        "reach": ReachTable,
        "sweep": Sweep,
        "comparison": Comparison,
        "coupons": CouponCheck,
        "proof": Proof,
        "study": Overview,
        "show": Shown,
        "sheets": Written,
        "demo": DemoWritten,
        "studio": Serving,
        "replay": ReplayTable,
        "certificate": CertificateRecord,
        "record": RecordForm,
    }[name]
