"""What a kill, a signal or a full disk leaves behind, at every moment of a command's writing.

Python tells an audit hook of each file that is opened, renamed or removed. Before each such step in the
watched folder the folder is copied: the copies are what `kill -9` would leave at those moments. A step may be
refused instead, as a full disk refuses it, or as a signal ends it.
"""

import contextlib
import errno
import os
import shutil
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from bayreach.cli import Stopped, main
from bayreach.store import reserved

STEPS = {"open", "os.rename", "os.remove", "os.mkdir", "os.rmdir", "shutil.rmtree"}
WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC

State = dict[str, bytes]
"""What a reader finds in a folder: the bytes of each file, by its path in it."""


@dataclass
class Watch:
    """The folder watched, and what is done before a step in it."""

    folder: Path
    before: Callable[[str, Path], None]
    busy: bool = False


_watch: list[Watch] = []


def _told(event: str, words: tuple[Any, ...]) -> None:
    if not _watch or event not in STEPS or _watch[0].busy or not isinstance(words[0], str | Path):
        return
    if event == "open" and not int(words[2] or 0) & WRITING:
        return
    path, watch = Path(words[0]).absolute(), _watch[0]
    if path.is_relative_to(watch.folder):
        watch.busy = True
        try:
            watch.before(event, path)
        finally:
            watch.busy = False


sys.addaudithook(_told)


@contextlib.contextmanager
def watched(folder: Path, before: Callable[[str, Path], None]) -> Iterator[None]:
    """Call `before` ahead of every step that writes within `folder`."""
    _watch.append(Watch(folder=folder.absolute(), before=before))
    try:
        yield
    finally:
        _watch.clear()


@dataclass
class Copies:
    """Copies of `folder`, one for each moment at which a kill could find it in another state."""

    folder: Path
    into: Path
    made: list[Path] = field(default_factory=list)
    opened: Path | None = None

    def __call__(self, event: str, path: Path) -> None:
        """Copy the folder; once more with half of the file that was being written."""
        if self.opened is not None and self.opened.is_file():
            half = self._copy() / self.opened.relative_to(self.folder)
            half.write_bytes(half.read_bytes()[: half.stat().st_size // 2])
        self._copy()
        self.opened = path if event == "open" else None

    def _copy(self) -> Path:
        copy = self.into / f"{len(self.made):04d}"
        shutil.copytree(self.folder, copy)
        self.made.append(copy)
        return copy


def refusing(error: BaseException) -> Callable[[str, Path], None]:
    """Return what raises `error` where a file is to be opened for writing; the lock is let through."""

    def before(event: str, path: Path) -> None:
        if event == "open" and path.name != "lock":
            raise error

    return before


def state(folder: Path) -> State:
    """Return what the next command finds, once it has tidied up as it does before it reads or writes."""
    for room in sorted(folder.rglob(".bayreach")):
        with reserved(room.parent):
            pass
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and not any(part.startswith(".") for part in path.relative_to(folder).parts)
    }


def refuse_everywhere(words: list[str], out: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Assert that a disk that refuses, and a signal, end the command in a sentence and leave `out` alone."""
    old = state(out)
    for error, sentence in (
        (OSError(errno.ENOSPC, os.strerror(errno.ENOSPC)), "the disk is full; free some room and run again"),
        (OSError(errno.EROFS, os.strerror(errno.EROFS)), "the disk is read-only; choose another folder"),
        (KeyboardInterrupt(), "bayreach: stopped; nothing half-done was left."),
        (Stopped(), "bayreach: ended by the system; nothing half-done was left."),
    ):
        with watched(out, refusing(error)):
            assert main(words) == 1
        told = capsys.readouterr().err
        assert sentence in told
        assert told.count("\n") == 1
        assert state(out) == old
        assert litter(out) == []


def kill_everywhere(words: list[str], out: Path, into: Path, *, together: bool = True) -> None:
    """Assert that `out` holds the old or the new files at each moment; `together`: all of one kind."""
    old, copies = state(out), Copies(folder=out, into=into)
    with watched(out, copies):
        assert main(words) in (0, 2)
    new = state(out)
    assert litter(out) == []
    assert new != old
    assert len(copies.made) > 3
    for copy in copies.made:
        left = state(copy)
        assert (
            left in (old, new) if together else all(left[path] in (old.get(path), new[path]) for path in left)
        )


def litter(folder: Path) -> list[str]:
    """Return the hidden files that a command left where it should have cleaned up."""
    known = {"lock", "origin.json", "documents.json"}
    return [path.name for path in folder.rglob(".*") if path.is_file() and path.name not in known]
