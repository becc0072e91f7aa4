"""A result folder that is always wholly the old result or wholly the new one, whatever kills the writer.

Files are written into `.bayreach/next.part` first. Renaming that to `.bayreach/next` is the one moment at
which the new result becomes the result; moving its files up is then only tidying, which the next reader or
writer finishes if this one is killed. A lock keeps a second writer out.
"""

import contextlib
import os
import shutil
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import IO

from bayreach.errors import StoreError
from bayreach.files import refusal

ROOM = ".bayreach"
"""Hidden folder in a result folder: lock, files on their way, where the inputs lay."""

HIDDEN = "hidden"
"""Folder in `next` of what goes into `ROOM` itself."""

DOCUMENT_KINDS = frozenset({".csv", ".dxf", ".html", ".json", ".pdf", ".png", ".svg", ".txt", ".vtp"})
"""Kinds of file that a newer result removes when it makes them out of date."""


def said(folder: Path, error: OSError) -> StoreError:
    """Return the failure to raise for `error`, with its mend."""
    return refusal(folder, error, "cannot write the result")


@contextlib.contextmanager
def reserved(folder: Path) -> Iterator[Path]:
    """Make `folder` if need be and keep other writers out of it until the block ends.

    A folder made here goes again when the block ends without a file in it.

    Raises
    ------
    StoreError
        When it cannot be written to, or another process is writing there.
    """
    fresh = not folder.exists()
    try:
        (folder / ROOM).mkdir(parents=True, exist_ok=True)
        lock = (folder / ROOM / "lock").open("a")
    except OSError as error:
        raise said(folder, error) from None
    with lock:
        if not _has_locked(lock):
            message = f"{folder}: another bayreach is writing there; wait for it, or choose another folder."
            raise StoreError(message)
        finish(folder)
        try:
            yield folder
        finally:
            if fresh:
                _remove_if_bare(folder)


def _has_locked(lock: IO[str]) -> bool:
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(lock.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def _remove_if_bare(folder: Path) -> None:
    with contextlib.suppress(OSError):
        if [path.name for path in folder.iterdir()] == [ROOM]:
            shutil.rmtree(folder)


def commit(
    folder: Path,
    files: Mapping[str, bytes],
    *,
    stale: tuple[str, ...] = (),
    hidden: Mapping[str, bytes] | None = None,
) -> None:
    """Put `files` (name to bytes) into the reserved `folder`, all or none, and remove the `stale` ones.

    The `hidden` ones go into the folder's hidden one in the same step.

    Raises
    ------
    StoreError
        When one cannot be written; the folder is as it was.
    """
    part = folder / ROOM / "next.part"
    try:
        shutil.rmtree(part, ignore_errors=True)
        (part / HIDDEN).mkdir(parents=True)
        for name, data in files.items():
            _write(part / name, data)
        for name, data in (hidden or {}).items():
            _write(part / HIDDEN / name, data)
        _write(part / "stale", "\n".join(stale).encode())
        part.rename(folder / ROOM / "next")
        _sync(folder / ROOM)
    except OSError as error:
        shutil.rmtree(part, ignore_errors=True)
        raise said(folder, error) from None
    except BaseException:
        shutil.rmtree(part, ignore_errors=True)
        raise
    finish(folder)


def _write(path: Path, data: bytes) -> None:
    with path.open("wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


def finish(folder: Path) -> None:
    """Move the files of a result that was decided on into place; nothing to do where none waits."""
    waiting = folder / ROOM / "next"
    if not waiting.is_dir():
        return
    try:
        listed = waiting / "stale"
        stale = listed.read_text(encoding="utf-8").split("\n") if listed.is_file() else []
        for name in filter(None, stale):
            # The list comes from a file: it may name documents beside the result, never a job or a mesh.
            if Path(name).name == name and Path(name).suffix in DOCUMENT_KINDS:
                (folder / name).unlink(missing_ok=True)
        inner = waiting / HIDDEN
        for path in sorted(inner.iterdir()) if inner.is_dir() else ():
            path.replace(folder / ROOM / path.name)
        # result.json goes last: whoever looks in between sees an old one, and its hashes tell.
        for path in sorted(waiting.iterdir(), key=lambda path: (path.name == "result.json", path.name)):
            if path.name not in ("stale", HIDDEN):
                path.replace(folder / path.name)
        shutil.rmtree(waiting)
        _sync(folder)
    except OSError as error:
        raise said(folder, error) from None


def _sync(folder: Path) -> None:
    """Have the folder's list of names reach the disk, where the system can."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
