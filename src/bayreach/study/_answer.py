"""One task to one part: the same bytes whoever works it out, and wherever."""

import base64
import errno
import hashlib
import json
import sys
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

COLUMNS, KEPT = "columns", ".kept"
"""First word of the command of a share of columns, as "columns 2 8"; end of the name of its archive."""

REFUSALS = ("failed to map segment", "cannot allocate memory", "can't start new thread", "bad_alloc")
"""What loader, system, Python's threads and C++ say when there is no more memory, in small letters."""


def answer(command: str, data: str, files: Mapping[str, bytes], job_sha256: str) -> str:
    """Return the part of a task as canonical JSON: {"outcome": ...}, or {"failed": reason}.

    A failure that another run may not meet has "again": true beside it.

    Runs in a process of its own, perhaps on another machine: all it needs comes in, all it found goes out.
    Whatever fails is told in the part, so that one bad job never stops the others.
    """
    from bayreach.errors import BayreachError
    from bayreach.job import job_from

    try:
        with tempfile.TemporaryDirectory(prefix="bayreach_") as name:
            folder = Path(name)
            for file, content in files.items():
                (folder / file).parent.mkdir(parents=True, exist_ok=True)
                (folder / file).write_bytes(content)
            job = job_from(json.loads(data), path=folder / "job.toml", sha256=job_sha256)
            found: dict[str, Any] = _found(command, job, files)
    except BayreachError as error:
        found = {"failed": str(error).replace(f"{folder / 'job.toml'}: ", "").replace(name, "")}
    except Exception as error:
        # Want of memory, or a fault in the program, not in the job: it must not take the other jobs with it.
        fault = f"fault in the program: {type(error).__name__}: {error}{_held_to()}"
        found = {
            "failed": "there was not enough memory for it." if _wants_memory(error) else fault,
            "again": True,
        }
    return json.dumps(found, sort_keys=True, separators=(",", ":"))


def _wants_memory(error: BaseException | None) -> bool:
    """Return whether an error, or one that it came from, is the system's refusal to give more memory.

    Only Python's own allocations raise MemoryError: a library that finds no room to be loaded into raises
    ImportError, and a thread that finds none for its stack RuntimeError.
    """
    while error is not None:
        said = str(error).lower()
        if isinstance(error, MemoryError) or (isinstance(error, OSError) and error.errno == errno.ENOMEM):
            return True
        if any(words in said for words in REFUSALS):
            return True
        error = error.__cause__ or error.__context__
    return False


def _held_to() -> str:
    """Return a clause that names the memory this process may hold, where it is held to any.

    A library that gets no memory does not always say so: its fault may look like any other.
    """
    if sys.platform != "win32":
        import resource

        limit, _ = resource.getrlimit(resource.RLIMIT_DATA)
        if limit != resource.RLIM_INFINITY:
            return f"; it may hold {limit / 1e6:.0f} MB of memory, and perhaps wants more."
    return ""


def _found(command: str, job: Any, files: Mapping[str, bytes]) -> dict[str, Any]:
    """Return the table of a part: an outcome, or the archive of a share of a plan's columns."""
    from bayreach import run
    from bayreach.outcome import to_table
    from bayreach.passes import Kept, kept_bytes, kept_from

    if command.startswith(COLUMNS):
        _, share, shares = command.split()
        kept = kept_bytes(run.plan_share(job, (int(share), int(shares))))
        return {"columns": base64.b64encode(kept).decode()}
    if command == "spray":
        return {"outcome": to_table(run.spray(job).outcome)}
    store = Kept()
    for name in sorted(files):
        if name.endswith(KEPT):
            store.take(kept_from(job.path.parent / name))
    return {"outcome": to_table(run.plan(job, kept=store).outcome)}


def sealed(key: str, body: str) -> bytes:
    """Return a part as it is stored: the body with its key and its hash, in one line each."""
    mark = hashlib.sha256(body.encode()).hexdigest()
    return f"{key}\n{mark}\n{body}\n".encode()


def opened(key: str, stored: bytes) -> dict[str, Any] | None:
    """Return a stored part's table; None when it is damaged or of another task."""
    lines = stored.decode("utf-8", errors="replace").split("\n")
    if len(lines) != 4 or lines[0] != key or hashlib.sha256(lines[2].encode()).hexdigest() != lines[1]:
        return None
    table: dict[str, Any] = json.loads(lines[2])
    return table
