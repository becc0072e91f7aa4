"""Reads a job file and builds the frozen objects from its tables."""

import hashlib
import tomllib
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bayreach.errors import JobError, nearest_hint
from bayreach.job._records import Job

if TYPE_CHECKING:
    from bayreach.job._tables import JobTable

MOST_BYTES = 5_000_000
"""A job file is text that a person wrote; anything longer is a mistake."""

_FOUND = ("opening ", "cap ")


def load_job(path: Path | str) -> Job:
    """Return the job written in the TOML file at `path`, checked: lengths in m, angles in rad.

    Raises
    ------
    JobError
        When the file cannot be read, a key is unknown, a value is wrong, a name is missing or used twice, or
        a path leaves the job's folder. The message names the file, the table, the key and the mend.
    """
    path = Path(path)
    raw = _read(path)
    return job_from(_parsed(raw, path), path=path, sha256=hashlib.sha256(raw).hexdigest())


def job_from(data: dict[str, Any], *, path: Path, sha256: str) -> Job:
    """Return the job of tables as TOML reads them; `path` and `sha256` are of the file they came from.

    Raises
    ------
    JobError
        As `load_job`.
    """
    table = _checked(data, path)
    _check_names(table, path)
    from bayreach.job._build import job_of

    return job_of(table, path=path, sha256=sha256)


def _read(path: Path) -> bytes:
    if path.is_dir():
        message = f"{path}: this is a folder; give the job file in it."
        raise JobError(message)
    if path.exists() and not path.is_file():
        message = f"{path}: is a pipe or a device; give a job file."
        raise JobError(message)
    try:
        with path.open("rb") as file:
            raw = file.read(MOST_BYTES + 1)
    except FileNotFoundError:
        near = [other.name for other in _neighbours(path)]
        message = f"{path}: there is no such file.{nearest_hint(path.name, near)}"
        raise JobError(message) from None
    except OSError as error:
        message = f"{path}: cannot be read ({error.strerror or error})."
        raise JobError(message) from None
    if len(raw) > MOST_BYTES:
        message = f"{path}: is longer than {MOST_BYTES // 1_000_000} MB; a job file is a page of text."
        raise JobError(message)
    return raw


def _neighbours(path: Path) -> Iterable[Path]:
    try:
        return sorted(path.parent.glob("*.toml"))[:200]
    except OSError:
        return []


def _parsed(raw: bytes, path: Path) -> dict[str, Any]:
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        message = f"{path}: is not UTF-8 text (byte {error.start}); save the job file as UTF-8."
        raise JobError(message) from None
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        message = f"{path}: is not TOML: {error}."
        raise JobError(message) from None
    except (RecursionError, ValueError):
        # Deep nesting and numbers of thousands of digits; the parser gives up on them in its own ways.
        message = f"{path}: is not TOML that can be read: it nests too deep or holds a number too long."
        raise JobError(message) from None


def _checked(data: dict[str, Any], path: Path) -> "JobTable":
    from pydantic import ValidationError

    from bayreach.job._messages import first_sentence
    from bayreach.job._tables import JobTable

    try:
        return JobTable.model_validate(data)
    except ValidationError as error:
        message = f"{path}: {first_sentence(error, JobTable, data)}"
        raise JobError(message) from None


def _check_names(table: "JobTable", path: Path) -> None:
    wands = [wand.name for wand in table.wand]
    openings = [opening.name for opening in table.opening]
    _refuse_twice(wands, "wand", path)
    _refuse_twice(openings, "opening", path)
    _refuse_twice([keep_out.name for keep_out in table.keep_out], "keep_out", path)
    _refuse_twice([obstacle.name for obstacle in table.obstacle], "obstacle", path)
    _refuse_twice([surface.part for surface in table.surface], "surface", path, key="part")
    for index, written in enumerate(table.pass_):
        place = f"{path}: [[pass]] {index + 1}, key"
        if written.wand not in wands:
            known = f"the file has {_listed(wands)}"
            hint = nearest_hint(written.wand, wands)
            message = f'{place} "wand": there is no [[wand]] "{written.wand}"; {known}.{hint}'
            raise JobError(message)
        if written.opening not in openings and not written.opening.startswith(_FOUND):
            known = f"the file has {_listed(openings)}, and those found in a mesh are called by place"
            hint = nearest_hint(written.opening, openings)
            message = f'{place} "opening": there is no [[opening]] "{written.opening}"; {known}.{hint}'
            raise JobError(message)


def _listed(names: Sequence[str]) -> str:
    if not names:
        return "none"
    return ", ".join(f'"{name}"' for name in names[:6]) + (", ..." if len(names) > 6 else "")


def _refuse_twice(names: Sequence[str], table: str, path: Path, key: str = "name") -> None:
    first: dict[str, int] = {}
    for index, name in enumerate(names):
        if name in first:
            places = f"[[{table}]] {first[name] + 1} and {index + 1}"
            message = f'{path}: {places} have the same {key} "{name}"; give each its own.'
            raise JobError(message)
        first[name] = index


def path_inside(folder: Path, name: str, *, place: str) -> Path:
    """Return the file `name` under `folder`, links followed.

    Raises
    ------
    JobError
        When it is absolute, leaves the folder (by "..", or through a link) or does not exist; `place` says
        where the name is written.
    """
    try:
        home = folder.resolve()
        path = (home / name).resolve()
        leaves = Path(name).is_absolute() or not path.is_relative_to(home)
        exists = not leaves and path.is_file()
    except (OSError, RuntimeError, ValueError):
        message = f'{place}: "{name}" is no path that can be read.'
        raise JobError(message) from None
    if leaves:
        message = f'{place}: "{name}" leaves the folder of the job file; put the file inside {home}.'
        raise JobError(message)
    if not exists:
        near = nearest_hint(path.name, [other.name for other in _siblings(path)])
        message = f'{place}: there is no file "{name}" in {home}.{near}'
        raise JobError(message)
    return path


def _siblings(path: Path) -> list[Path]:
    try:
        return sorted(path.parent.iterdir())[:500] if path.parent.is_dir() else []
    except OSError:
        return []
