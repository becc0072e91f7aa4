"""The study at a glance: a row a bay, a row a job, their sum, and left against right."""

import csv
import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

from bayreach.store import commit, plain_cell
from bayreach.study._tasks import Refused, Task

MIRROR_TOLERANCE = 0.01
"""Relative difference between left and right beyond which they are named: 1 %."""

_HANDS = re.compile(r"(?i)(?<![a-z])(left|right|port|starboard|lh|rh)(?![a-z])")
_LEFT = {"left", "port", "lh"}


@dataclass(frozen=True, kw_only=True)
class JobRow:
    """One job that was answered: areas in m², liquid in litres, time in minutes of trigger."""

    job: str
    title: str
    bays: int
    volume_m3: float
    required_m2: float
    covered_m2: float
    coverage: float | None
    target: float
    met: bool
    litres: float
    minutes: float
    passes: int
    pulls: int
    new_holes: int
    new_holes_bound: int | None
    no_drill_coverage: float | None
    warnings: int


@dataclass(frozen=True, kw_only=True)
class BayRow:
    """One bay of one job: areas in m²."""

    job: str
    bay: str
    area_m2: float
    volume_m3: float
    required_m2: float
    covered_m2: float
    coverage: float | None
    direct_m2: float
    settled_only_m2: float
    dry_m2: float
    heavy_m2: float


_BAY = {"name", *(one.name for one in fields(BayRow))}


@dataclass(frozen=True, kw_only=True)
class MirrorRow:
    """Left against right of what should be alike: relative differences, None where both are nothing."""

    left: str
    right: str
    area: float | None
    volume: float | None
    covered: float | None
    litres: float | None
    holes: int
    alike: bool


@dataclass(frozen=True, kw_only=True)
class Overview:
    """All of a study: rows in the order of the jobs, failures with their reason, and how left fits right."""

    jobs: tuple[JobRow, ...]
    bays: tuple[BayRow, ...]
    failed: tuple[Refused, ...]
    mirrors: tuple[MirrorRow, ...] = field(default=())

    @property
    def met(self) -> bool:
        """Whether every job was answered and reaches its target."""
        return not self.failed and all(row.met for row in self.jobs)

    @property
    def total(self) -> JobRow:
        """The roll-up: sums over all jobs; coverage is that of all required area together."""
        required = sum(row.required_m2 for row in self.jobs)
        covered = sum(row.covered_m2 for row in self.jobs)
        bounds = [row.new_holes_bound for row in self.jobs]
        return JobRow(
            job="all",
            title="",
            bays=sum(row.bays for row in self.jobs),
            volume_m3=sum(row.volume_m3 for row in self.jobs),
            required_m2=required,
            covered_m2=covered,
            coverage=covered / required if required else None,
            target=max((row.target for row in self.jobs), default=0.0),
            met=self.met,
            litres=sum(row.litres for row in self.jobs),
            minutes=sum(row.minutes for row in self.jobs),
            passes=sum(row.passes for row in self.jobs),
            pulls=sum(row.pulls for row in self.jobs),
            new_holes=sum(row.new_holes for row in self.jobs),
            new_holes_bound=sum(bound or 0 for bound in bounds)
            if any(b is not None for b in bounds)
            else None,
            no_drill_coverage=None,
            warnings=sum(row.warnings for row in self.jobs),
        )


def overview_of(
    tasks: Sequence[Task], refused: Sequence[Refused], parts: Mapping[str, Mapping[str, Any]]
) -> Overview:
    """Return the overview of the parts that are there, in the order of `tasks`."""
    jobs, bays, failed = [], [], list(refused)
    for task in tasks:
        part = parts.get(task.key)
        if part is None:
            continue
        if "failed" in part:
            failed.append(Refused(name=task.name, reason=str(part["failed"])))
            continue
        outcome = part["outcome"]
        jobs.append(_job_row(task.name, outcome))
        bays += [_bay_row(task.name, bay) for bay in outcome["bays"]]
    return Overview(jobs=tuple(jobs), bays=tuple(bays), failed=tuple(failed), mirrors=mirrors_of(jobs))


def slim(part: Mapping[str, Any]) -> Mapping[str, Any]:
    """Return of a part only what the overview needs: a study of many jobs holds one for each in memory."""
    if "failed" in part:
        return part
    outcome = part["outcome"]
    kept = {name: outcome[name] for name in ("title", "coverage", "liquid")}
    kept["plan"] = outcome.get("plan")
    kept["bays"] = [{name: value for name, value in bay.items() if name in _BAY} for bay in outcome["bays"]]
    kept["passes"] = [{"seconds": one["seconds"], "count": one["count"]} for one in outcome["passes"]]
    kept["holes"] = [{} for _ in outcome.get("holes") or ()]
    kept["warnings"] = [None for _ in outcome["warnings"]]
    return {"outcome": kept}


def _job_row(name: str, outcome: Mapping[str, Any]) -> JobRow:
    coverage, passes = outcome["coverage"], outcome["passes"]
    plan, holes = outcome.get("plan"), outcome.get("holes") or []
    return JobRow(
        job=name,
        title=outcome["title"],
        bays=len(outcome["bays"]),
        volume_m3=sum(bay["volume_m3"] for bay in outcome["bays"]),
        required_m2=coverage["required_m2"],
        covered_m2=coverage["covered_m2"],
        coverage=coverage["fraction"],
        target=coverage["target"],
        met=coverage["met"],
        litres=1e3 * outcome["liquid"]["sprayed_m3"],
        minutes=sum(one["seconds"] for one in passes) / 60.0,
        passes=len(passes),
        pulls=sum(one["count"] for one in passes),
        new_holes=len(holes),
        new_holes_bound=plan["new_holes_bound"] if plan else None,
        no_drill_coverage=plan["no_drill"]["coverage"] if plan else None,
        warnings=len(outcome["warnings"]),
    )


def _bay_row(name: str, bay: Mapping[str, Any]) -> BayRow:
    required = bay["required_m2"]
    same = {key.name: bay[key.name] for key in fields(BayRow) if key.name in bay}
    return BayRow(
        job=name, bay=bay["name"], coverage=bay["covered_m2"] / required if required else None, **same
    )


def mirrors_of(jobs: Sequence[JobRow]) -> tuple[MirrorRow, ...]:
    """Return the pairs of jobs whose names differ by left and right alone, compared."""
    sides: dict[str, dict[bool, JobRow]] = {}
    for row in jobs:
        hands = _HANDS.findall(row.job)
        if len(hands) == 1:
            sides.setdefault(_HANDS.sub("*", row.job), {})[hands[0].lower() in _LEFT] = row
    return tuple(_mirror(pair[True], pair[False]) for pair in sides.values() if len(pair) == 2)


def _mirror(left: JobRow, right: JobRow) -> MirrorRow:
    def apart(name: str) -> float | None:
        first, second = getattr(left, name), getattr(right, name)
        scale = max(abs(first), abs(second))
        return (second - first) / scale if scale else None

    found = {"area": apart("required_m2"), "volume": apart("volume_m3"), "covered": apart("covered_m2")}
    found["litres"] = apart("litres")
    holes = right.new_holes - left.new_holes
    alike = holes == 0 and all(abs(value or 0.0) <= MIRROR_TOLERANCE for value in found.values())
    return MirrorRow(left=left.job, right=right.job, holes=holes, alike=alike, **found)


def write_overview(out: Path, overview: Overview) -> None:
    """Write bays.csv, jobs.csv, failures.csv, their Parquet twins where pyarrow is there, and index.html.

    All or none of them, into the reserved folder `out`.

    Raises
    ------
    StoreError
        When they cannot be written.
    """
    from bayreach.study._page import page

    tables: dict[str, tuple[type, Sequence[Any]]] = {
        "bays": (BayRow, overview.bays),
        "jobs": (JobRow, overview.jobs),
        "failures": (Refused, overview.failed),
        "mirrors": (MirrorRow, overview.mirrors),
    }
    files = {"index.html": page(overview).encode()}
    for name, (kind, rows) in tables.items():
        columns = [field.name for field in fields(kind)]
        files[f"{name}.csv"] = _csv(columns, rows)
        parquet = _parquet(columns, rows)
        if parquet is not None:
            files[f"{name}.parquet"] = parquet
    commit(out, files)


def _csv(columns: Sequence[str], rows: Sequence[Any]) -> bytes:
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(columns)
    for row in rows:
        values = [getattr(row, column) for column in columns]
        writer.writerow(
            [
                "" if value is None else plain_cell(value) if isinstance(value, str) else value
                for value in values
            ]
        )
    return text.getvalue().encode()


def _parquet(columns: Sequence[str], rows: Sequence[Any]) -> bytes | None:
    try:
        import pyarrow
        import pyarrow.parquet
    except ImportError:
        return None
    table = pyarrow.table({column: [getattr(row, column) for row in rows] for column in columns})
    sink = pyarrow.BufferOutputStream()
    pyarrow.parquet.write_table(table, sink, compression="zstd")
    return bytes(sink.getvalue().to_pybytes())
