"""Results on disk and back: written whole or not at all, and trusted only when every hash fits."""

import contextlib
import dataclasses
import hashlib
import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from bayreach.errors import StoreError
from bayreach.film import Ledger
from bayreach.outcome import Outcome, Result, outcome_from_table, to_json
from bayreach.store._folder import ROOM, commit, finish, reserved
from bayreach.store._passes import passes_csv, plain_cell, rows_csv
from bayreach.store._vtp import sides_from_vtp, vtp_bytes

__all__ = [
    "check_inputs",
    "checked_files",
    "commit",
    "file_sha256",
    "origin_of",
    "place_documents",
    "plain_cell",
    "read_outcome",
    "read_result",
    "reserved",
    "reserved_result",
    "rows_csv",
    "write_documents",
    "write_result",
]

_MOST_JSON = 500_000_000
_DOCUMENTS, _ORIGIN = "documents.json", "origin.json"


def write_result(
    folder: Path,
    result: Result,
    *,
    origin: Mapping[str, Path] | None = None,
) -> Outcome:
    """Write result.json, film.vtp, passes.csv and the result's own files into the reserved `folder`.

    Returns the outcome as written.

    It carries the SHA-256 of each file beside it. Documents of an older result go. `origin`
    says where the inputs lie ("mesh", "job"), so that a later reader can tell when one has changed.

    Raises
    ------
    StoreError
        When it cannot be written; what was there before is then untouched.
    LedgerError
        When liquid is missing or too much, of a pass or in all; nothing is written then.
    """
    _check_ledgers(result.outcome)
    names = tuple(bay.name for bay in result.outcome.bays)
    beside = {
        "film.vtp": vtp_bytes(result.sides, bay_names=names),
        "passes.csv": passes_csv(result.outcome.passes),
        **result.files,
    }
    hashes = {name: hashlib.sha256(data).hexdigest() for name, data in sorted(beside.items())}
    outcome = dataclasses.replace(result.outcome, files=hashes)
    old = {*_listed(folder), *_old_files(folder)} - set(beside) - {"result.json"}
    places = {name: str(path.resolve()) for name, path in (origin or {}).items()}
    commit(
        folder,
        {**beside, "result.json": to_json(outcome).encode()},
        stale=tuple(sorted(old)),
        hidden=_hidden(folder, {_ORIGIN: places, _DOCUMENTS: {}}),
    )
    return outcome


def _check_ledgers(outcome: Outcome) -> None:
    """Check that all liquid of the result, and of each pass that tells its fate, is accounted for."""
    liquid = outcome.liquid
    Ledger(
        sprayed=liquid.sprayed_m3,
        direct=liquid.direct_m3,
        settled=liquid.settled_m3,
        uncredited=liquid.uncredited_m3,
        suspended=liquid.suspended_m3,
        escaped=liquid.escaped_m3,
        elsewhere=liquid.elsewhere_m3,
        retained=liquid.retained_m3,
        run_off=liquid.run_off_m3,
        creep=liquid.creep_m3,
    ).check()
    for one in outcome.passes:
        if one.fate is not None:
            Ledger(
                sprayed=one.liquid_m3,
                direct=one.fate.direct_m3,
                settled=one.fate.settled_m3,
                uncredited=one.fate.uncredited_m3,
                suspended=one.fate.suspended_m3,
                escaped=one.fate.escaped_m3,
                elsewhere=one.fate.elsewhere_m3,
            ).check()


def read_outcome(folder: Path) -> Outcome:
    """Return the outcome in `folder`.

    Raises
    ------
    StoreError
        When there is none, it is of another version, or it is damaged.
    """
    _tidy(folder)
    path = folder / "result.json"
    raw = _bytes_of(path, most=_MOST_JSON)
    try:
        table = json.loads(raw)
    except (ValueError, RecursionError):
        message = f"{path}: is not JSON, or was cut short; run the job again."
        raise StoreError(message) from None
    try:
        return outcome_from_table(table)
    except StoreError as error:
        message = f"{path}: {error}"
        raise StoreError(message) from None


def read_result(folder: Path) -> Result:
    """Return the result in `folder` with its own files, every one checked against its hash.

    Raises
    ------
    StoreError
        When a file is missing, damaged, or of another run than result.json.
    """
    folder = Path(folder)
    outcome = read_outcome(folder)
    contents = checked_files(folder, outcome)
    if "film.vtp" not in contents:
        message = f"{folder / 'result.json'}: does not say which film.vtp is its own; run the job again."
        raise StoreError(message)
    sides = sides_from_vtp(contents.pop("film.vtp"), place=str(folder / "film.vtp"))
    contents.pop("passes.csv", None)
    return Result(outcome=outcome, sides=sides, files=contents)


def checked_files(folder: Path, outcome: Outcome) -> dict[str, bytes]:
    """Return the bytes of every file that `outcome` names beside it, by name.

    Raises
    ------
    StoreError
        When one is missing, or is not the file that was written with this outcome.
    """
    contents = {}
    for name, expected in outcome.files.items():
        if "/" in name or "\\" in name or name.startswith("."):
            message = f'{folder / "result.json"}: names the file "{name[:60]}", which is not one of a result.'
            raise StoreError(message)
        contents[name] = _bytes_of(folder / name, most=2**40)
        if hashlib.sha256(contents[name]).hexdigest() != expected:
            message = (
                f"{folder / name}: is not the file of this result.json (hashes differ); run the job again."
            )
            raise StoreError(message)
    return contents


def check_inputs(folder: Path, outcome: Outcome) -> tuple[str, ...]:
    """Return a sentence for each input that is no longer where it was; none means all are there, unchanged.

    Raises
    ------
    StoreError
        When an input has changed since the result was made.
    """
    notes = []
    wanted = {"mesh": outcome.inputs.mesh_sha256, "job": outcome.inputs.job_sha256}
    for name, place in _read_hidden(folder, _ORIGIN).items():
        path = Path(str(place))
        if name not in wanted:
            continue
        if not path.is_file():
            notes.append(f"{folder}: its {name} file {path} is not there to compare with.")
        elif file_sha256(path) != wanted[name]:
            message = f"{folder}: its {name} file {path} has changed since; run the job again."
            raise StoreError(message)
    return tuple(notes)


def origin_of(folder: Path) -> dict[str, Path]:
    """Return where the inputs of the result in `folder` lay when it was made: its "mesh" and "job"."""
    return {name: Path(str(place)) for name, place in _read_hidden(Path(folder), _ORIGIN).items()}


@contextlib.contextmanager
def reserved_result(folder: Path) -> Iterator[Path]:
    """Keep other writers out of the `folder` of a result until the block ends, as `reserved` does.

    A folder without a result is refused first: the lock in it must not make it look like one.

    Raises
    ------
    StoreError
        When no result there can be read, it cannot be written to, or another process is writing there.
    """
    read_outcome(folder)
    with reserved(folder):
        yield folder


def write_documents(folder: Path, documents: Mapping[str, bytes]) -> tuple[Path, ...]:
    """Write `documents` (name to bytes) beside a result, all or none, and return their paths.

    They go when a newer result is written to the folder.

    Raises
    ------
    StoreError
        When they cannot be written, or another process is writing there.
    """
    with reserved(folder):
        return place_documents(folder, documents)


def place_documents(folder: Path, documents: Mapping[str, bytes]) -> tuple[Path, ...]:
    """Write `documents` as `write_documents` does, into the `folder` that the caller has reserved.

    Raises
    ------
    StoreError
        When they cannot be written.
    """
    listed = sorted({*_listed(folder), *documents})
    commit(folder, documents, hidden=_hidden(folder, {_DOCUMENTS: {"names": listed}}))
    return tuple(folder / name for name in documents)


def file_sha256(path: Path) -> str:
    """Return the SHA-256 of a file's bytes, in hex.

    Raises
    ------
    StoreError
        When it cannot be read.
    """
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        message = f"{path}: cannot be read ({error.strerror or error})."
        raise StoreError(message) from None


def _tidy(folder: Path) -> None:
    if (folder / ROOM / "next").is_dir():
        with reserved(folder):
            finish(folder)


def _bytes_of(path: Path, *, most: int) -> bytes:
    try:
        if path.stat().st_size > most:
            message = f"{path}: is longer than any result; it is not one of this program."
            raise StoreError(message)
        return path.read_bytes()
    except FileNotFoundError:
        what = "has no result" if path.name == "result.json" else f"has no {path.name}"
        message = f"{path.parent}: {what}; run spray or plan with -o {path.parent} first."
        raise StoreError(message) from None
    except OSError as error:
        message = f"{path}: cannot be read ({error.strerror or error})."
        raise StoreError(message) from None


def _old_files(folder: Path) -> set[str]:
    with contextlib.suppress(OSError, ValueError, AttributeError, RecursionError):
        files = json.loads((folder / "result.json").read_bytes()).get("files", {})
        return {str(name) for name in files}
    return set()


def _listed(folder: Path) -> set[str]:
    return {str(name) for name in _read_hidden(folder, _DOCUMENTS).get("names", [])}


def _hidden(folder: Path, tables: Mapping[str, Mapping[str, Any]]) -> dict[str, bytes]:
    """Return the hidden files that hold `tables`; an empty one only where it takes an older one's place."""
    return {
        name: json.dumps(table).encode()
        for name, table in tables.items()
        if table or (folder / ROOM / name).exists()
    }


def _read_hidden(folder: Path, name: str) -> dict[str, Any]:
    with contextlib.suppress(OSError, ValueError, RecursionError):
        table = json.loads((folder / ROOM / name).read_bytes())
        return table if isinstance(table, dict) else {}
    return {}
