"""A result folder that is always wholly the old result or wholly the new one, whatever kills the writer.

Files are written into `.bayreach/next.part` first. Renaming that to `.bayreach/next` is the one moment at
which the new result becomes the result; moving its files up is then only tidying, which the next reader or
writer finishes if this one is killed. A lock keeps a second writer out.
"""

import contextlib
import errno
import os
import shutil
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import IO

from bayreach.errors import StoreError

ROOM = ".bayreach"
"""Hidden folder in a result folder: lock, files on their way, where the inputs lay."""

DOCUMENT_KINDS = frozenset({".csv", ".dxf", ".html", ".json", ".pdf", ".png", ".svg", ".txt", ".vtp"})
"""Kinds of file that a newer result removes when it makes them out of date."""


def said(folder: Path, error: OSError) -> StoreError:
    """Return the failure to raise for `error`, with its mend."""
    mends = {
        errno.ENOSPC: "the disk is full; free some room and run again",
        errno.EDQUOT: "the disk quota is used up; free some room and run again",
        errno.EROFS: "the disk is read-only; choose another folder",
        errno.EACCES: "you may not write there; choose another folder",
        errno.EPERM: "you may not write there; choose another folder",
        errno.EEXIST: "a file of that name is in the way; choose another folder",
        errno.ENOTDIR: "a file of that name is in the way; choose another folder",
        errno.ENAMETOOLONG: "the name is too long; choose another folder",
        errno.EFBIG: "the file would be larger than is allowed here; choose another folder",
    }
    mend = mends.get(error.errno or 0, f"{error.strerror or error}; choose another folder")
    return StoreError(f"{folder}: cannot write the result: {mend}. What was there before is untouched.")


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
        import fcntl
    except ImportError:  # Windows has another lock
        import msvcrt

        try:
            msvcrt.locking(lock.fileno(), msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined, unused-ignore]
        except OSError:
            return False
        return True
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def _remove_if_bare(folder: Path) -> None:
    with contextlib.suppress(OSError):
        if [path.name for path in folder.iterdir()] == [ROOM]:
            shutil.rmtree(folder)


def commit(folder: Path, files: Mapping[str, bytes], *, stale: tuple[str, ...] = ()) -> None:
    """Put `files` (name to bytes) into the reserved `folder`, all or none, and remove the `stale` ones.

    Raises
    ------
    StoreError
        When one cannot be written; the folder is as it was.
    """
    part = folder / ROOM / "next.part"
    try:
        shutil.rmtree(part, ignore_errors=True)
        part.mkdir()
        for name, data in files.items():
            with (part / name).open("wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
        with (part / "stale").open("w", encoding="utf-8") as file:
            file.write("\n".join(stale))
            file.flush()
            os.fsync(file.fileno())
        part.rename(folder / ROOM / "next")
        _sync(folder / ROOM)
    except OSError as error:
        shutil.rmtree(part, ignore_errors=True)
        raise said(folder, error) from None
    except BaseException:
        shutil.rmtree(part, ignore_errors=True)
        raise
    finish(folder)


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
        # result.json goes last: whoever looks in between sees an old one, and its hashes tell.
        for path in sorted(waiting.iterdir(), key=lambda path: (path.name == "result.json", path.name)):
            if path.name != "stale":
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
