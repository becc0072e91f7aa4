"""A file is written whole or not at all, and where it cannot be, the sentence says what to do about it."""

import contextlib
import errno
import os
from pathlib import Path

from bayreach.errors import StoreError

_MENDS = {
    errno.ENOSPC: "the disk is full; free some room and run again",
    errno.EDQUOT: "the disk quota is used up; free some room and run again",
    errno.EROFS: "the disk is read-only; choose another folder",
    errno.EACCES: "you may not write there; choose another folder",
    errno.EPERM: "you may not write there; choose another folder",
    errno.EEXIST: "a file of that name is in the way; choose another folder",
    errno.ENOTDIR: "a file of that name is in the way; choose another folder",
    errno.EISDIR: "a folder of that name is in the way; choose another name",
    errno.ENAMETOOLONG: "the name is too long; choose another folder",
    errno.EFBIG: "the file would be larger than is allowed here; choose another folder",
}


def refusal(place: Path, error: OSError, what: str = "cannot be written") -> StoreError:
    """Return the failure to raise where `place` could not be written, with its mend."""
    mend = _MENDS.get(error.errno or 0, f"{error.strerror or error}; choose another folder")
    return StoreError(f"{place}: {what}: {mend}. What was there before is untouched.")


def write_whole(path: Path, data: bytes) -> Path:
    """Write `data` to `path` and return it: beside it first, brought to the disk, then renamed.

    Whatever kills the writer, the file is the old one or the new one; two writers do not mix. Folders on the
    way are made.

    Raises
    ------
    StoreError
        When it cannot be written; what was there before is then untouched.
    """
    if path.is_dir():
        raise refusal(path, IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR)))
    beside = path.with_name(f".{path.name[:200]}.{os.getpid()}.new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with beside.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(path)
    except BaseException as error:
        with contextlib.suppress(OSError):
            beside.unlink()
        if isinstance(error, OSError):
            raise refusal(path, error) from None
        raise
    return path
