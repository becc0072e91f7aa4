"""Many jobs, each part stored by its content, so that whatever is killed, nothing done is done again."""

import json
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from bayreach.files import write_whole
from bayreach.outcome import quiet
from bayreach.store import reserved
from bayreach.study._answer import opened, sealed
from bayreach.study._overview import Overview, overview_of, slim, write_overview
from bayreach.study._tasks import Task, tasks_of
from bayreach.study._workers import StudyError, Workers, cluster_workers, local_workers

PARTS = "parts"
Progress = Callable[[str, float], None]


@dataclass(frozen=True, kw_only=True)
class Parts:
    """The folder of parts: one file a task, named by its key."""

    folder: Path

    def path(self, key: str) -> Path:
        """Return where the part of a task lies."""
        return self.folder / key[:2] / f"{key}.part"

    def read(self, key: str) -> dict[str, Any] | None:
        """Return a part's table; None when it is not there, damaged, or of another task."""
        try:
            return opened(key, self.path(key).read_bytes())
        except FileNotFoundError:
            return None

    def write(self, key: str, body: str) -> None:
        """Store a part, whole or not at all."""
        write_whole(self.path(key), sealed(key, body))


def study(
    jobs: Sequence[Path],
    out: Path,
    *,
    command: str = "plan",
    workers: int | None = None,
    scheduler: str | None = None,
    spread: int = 1,
    memory: float | None = None,
    retry: bool = False,
    progress: Progress = quiet,
) -> Overview:
    """Answer many jobs and write their overview into `out`; what is there from before is kept.

    Parameters
    ----------
    jobs : sequence of Path
        Job files; one with a `[vary]` table stands for all combinations of its values.
    out : Path
        Folder of the study: `parts/`, `bays.csv`, `jobs.csv` (with Parquet beside, where that is installed)
        and
        `index.html`.
    command : {"plan", "spray"}
        How each job is answered.
    workers : int, optional
        Processes on this machine; all processors if None. Ignored with a scheduler.
    scheduler : str, optional
        Address of a Dask scheduler whose workers do it.
    spread : int
        Tasks that the columns of each plan are cut into; they are worked out before it and dropped after it.
    memory : float, optional
        Bytes that a process on this machine may hold; if None, its share of what is free. Workers of a
        cluster have limits of their own.
    retry : bool
        Whether jobs that failed before are tried again; those whose process died, or that met a fault in
        the program, are tried again in any case.
    progress : callable
        Told what is going on and the share done.

    Raises
    ------
    JobError, StoreError, StudyError
        When the study itself cannot go on; a job that fails is told in the overview instead.
    """
    out = Path(out)
    for name, value, least in (("workers", workers, 1), ("spread", spread, 1)):
        if value is not None and value < least:
            message = f"study: --{name} {value} must be at least {least}."
            raise StudyError(message)
    if memory is not None and not memory > 0.0:
        message = f"study: --memory {memory / 1e9:g} GB must be more than 0."
        raise StudyError(message)
    tasks, refused = tasks_of(jobs, command)
    with reserved(out):
        parts = Parts(folder=out / PARTS)
        found = {task.key: slim(table) for task in tasks if (table := parts.read(task.key))}
        found = {key: table for key, table in found.items() if not _is_due(table, retry)}
        left = list({task.key: task for task in tasks if task.key not in found}.values())
        chosen = _workers(workers, scheduler, memory) if left else None
        left, shares = _shared(parts, left, spread if command == "plan" else 1)
        done, total = len(found), len(found) + len(left) + len(shares)
        # All columns first: a plan takes those of its own that are there.
        for task, body in chosen(shares) if chosen and shares else ():
            parts.write(task.key, body)
            done += 1
            progress(task.name, done / total)
        for task, body in chosen(left) if chosen else ():
            parts.write(task.key, body)
            done += 1
            progress(task.name, done / total)
            found[task.key] = slim(json.loads(body))
            for path in task.kept:
                path.unlink(missing_ok=True)
        overview = overview_of(tasks, refused, found)
        write_overview(out, overview)
    return overview


def _shared(parts: Parts, left: list[Task], spread: int) -> tuple[list[Task], list[Task]]:
    """Return the tasks told where the shares of their columns will lie, and the shares that are not there."""
    if spread < 2:
        return left, []
    told, shares = [], []
    for task in left:
        own = task.shares(spread)
        told.append(replace(task, kept=tuple(parts.path(share.key) for share in own)))
        shares += [share for share in own if "columns" not in (parts.read(share.key) or {})]
    return told, shares


def _is_due(table: Mapping[str, Any], retry: bool) -> bool:
    """Return whether a part is to be worked out again: it failed by no fault of its job, or `retry`."""
    return "failed" in table and (retry or bool(table.get("again")))


def _workers(workers: int | None, scheduler: str | None, memory: float | None) -> Workers:
    if scheduler is not None:
        return cluster_workers(scheduler)
    return local_workers(os.cpu_count() or 1 if workers is None else workers, memory=memory)
