"""Jobs to tasks: every combination of a job's `[vary]` table, each with a name made of its content."""

import base64
import copy
import hashlib
import itertools
import json
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from bayreach.errors import BayreachError, JobError, nearest_hint
from bayreach.job import load_job
from bayreach.study._answer import COLUMNS, KEPT, opened

FORMAT = 1
"""Raised when the content of a part changes, so that older parts are made anew."""


@dataclass(frozen=True, kw_only=True)
class Task:
    """One job to be answered.

    Parameters
    ----------
    name : str
        The job file's name, and what was varied.
    command : str
        "plan" or "spray".
    data : str
        The job's tables as canonical JSON.
    folder : Path
        Where its files lie.
    files : tuple of (str, str)
        Names, relative to `folder`, and SHA-256 of the files it reads.
    job_sha256 : str
        Of the job file.
    key : str
        SHA-256 of all that the answer depends on; folder, name and `kept` are not among it.
    kept : tuple of Path
        Parts with shares of the columns of a plan, worked out before; without them it works them out.
    """

    name: str
    command: str
    data: str
    folder: Path
    files: tuple[tuple[str, str], ...]
    job_sha256: str
    key: str
    kept: tuple[Path, ...] = ()

    def contents(self) -> dict[str, bytes]:
        """Return the bytes of the files it reads, by name; the last are its columns."""
        found = {name: (self.folder / name).read_bytes() for name, _ in self.files}
        for number, path in enumerate(self.kept):
            table = opened(path.stem, path.read_bytes())
            if table is not None and "columns" in table:
                found[f"{number:04d}{KEPT}"] = base64.b64decode(table["columns"])
        return found

    def shares(self, count: int) -> "tuple[Task, ...]":
        """Return the tasks that work out `count` shares of the columns of this plan."""
        return tuple(
            replace(
                self,
                name=f"{self.name}, columns {number + 1} of {count}",
                command=f"{COLUMNS} {number} {count}",
                key=_key(f"{COLUMNS} {number} {count}", self.data, self.files),
            )
            for number in range(count)
        )


@dataclass(frozen=True, kw_only=True)
class Refused:
    """A job that cannot be run at all, and why."""

    name: str
    reason: str


def tasks_of(jobs: Sequence[Path], command: str) -> tuple[tuple[Task, ...], tuple[Refused, ...]]:
    """Return the tasks of job files, in order, and the files that make none with their reason.

    Raises
    ------
    JobError
        When `command` is neither "plan" nor "spray".
    """
    if command not in ("plan", "spray"):
        message = f'study: "{command}" is no way to answer a job; use "plan" or "spray".'
        raise JobError(message)
    found: list[Task] = []
    refused: list[Refused] = []
    for path, name in zip(jobs, _names(jobs), strict=True):
        try:
            load_job(path)  # refuses what is wrong with the file as a whole, in words
            found += _tasks(Path(path), name, command)
        except BayreachError as error:
            refused.append(Refused(name=name, reason=str(error)))
    return tuple(found), tuple(refused)


def _names(jobs: Sequence[Path]) -> list[str]:
    """Return a name for each job: its file's name, with as much of its folders as tells it from others."""
    paths = [Path(path).resolve() for path in jobs]
    for depth in range(1, max((len(path.parts) for path in paths), default=1) + 1):
        names = ["/".join([*path.parts[-depth:-1], path.stem]) for path in paths]
        if len(set(names)) == len(names):
            return names
    return [f"{name} ({place})" for place, name in enumerate(names, start=1)]


def _tasks(path: Path, name: str, command: str) -> Iterator[Task]:
    raw = path.read_bytes()
    data = tomllib.loads(raw.decode("utf-8-sig"))
    varied = data.pop("vary", {})
    for changes in _combinations(varied):
        tables = copy.deepcopy(data)
        for key, value in changes.items():
            _put(tables, key, value, place=f"{path}, [vary]")
        label = ", ".join(f"{key} = {value}" for key, value in changes.items())
        files = tuple((file, _sha256(path.parent, file)) for file in _files_of(tables))
        text = json.dumps(tables, sort_keys=True, separators=(",", ":"))
        yield Task(
            name=f"{name} [{label}]" if label else name,
            command=command,
            data=text,
            folder=path.parent,
            files=files,
            job_sha256=hashlib.sha256(raw).hexdigest(),
            key=_key(command, text, files),
        )


def _key(command: str, text: str, files: tuple[tuple[str, str], ...]) -> str:
    whole = json.dumps([FORMAT, _version(), command, text, files], separators=(",", ":"))
    return hashlib.sha256(whole.encode()).hexdigest()


def _version() -> str:
    from importlib.metadata import version

    return version("bayreach")


def _combinations(varied: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    choices = [value if isinstance(value, list) else [value] for value in varied.values()]
    for values in itertools.product(*choices):
        yield dict(zip(varied, values, strict=True))


def _put(tables: dict[str, Any], key: str, value: Any, *, place: str) -> None:
    """Set the value at a dotted key; a step into a list of tables is the `name` of one of them."""
    *steps, last = key.split(".")
    here: Any = tables
    for step in steps:
        if isinstance(here, list):
            names = {str(entry.get("name", entry.get("part", ""))): entry for entry in here}
            if step not in names:
                message = f'{place}: "{key}": there is no "{step}" here.{nearest_hint(step, names)}'
                raise JobError(message)
            here = names[step]
        else:
            here = here.setdefault(step, {})
        if not isinstance(here, dict | list):
            message = f'{place}: "{key}": "{step}" is a value, not a table, so nothing lies under it.'
            raise JobError(message)
    if not isinstance(here, dict):
        message = (
            f'{place}: "{key}" names a list of tables; write "{key}.KEY" with the name of one before KEY.'
        )
        raise JobError(message)
    here[last] = value


def _files_of(tables: Mapping[str, Any]) -> Iterator[str]:
    """Give the names of the files a job reads: its mesh, tables of measured tips, and a list of fasteners."""
    yield str(tables.get("mesh", ""))
    drilling = tables.get("drilling", {})
    if isinstance(drilling, dict) and drilling.get("fasteners"):
        yield str(drilling["fasteners"])
    for wand in tables.get("wand", []):
        table = wand.get("tip", {}).get("table") if isinstance(wand, dict) else None
        if table:
            yield str(table)


def _sha256(folder: Path, name: str) -> str:
    home = folder.resolve()
    path = (home / name).resolve()
    if not name or not path.is_relative_to(home) or not path.is_file():
        message = f'{folder}: the file "{name}" is not in the folder of the job; put it inside.'
        raise JobError(message)
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
