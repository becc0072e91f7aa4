"""The command line: words in, one call, an exit code out. Each command loads only the rooms it needs."""

import contextlib
import os
import signal
import sys
import warnings
from collections.abc import Sequence
from types import FrameType

from bayreach.errors import BayreachError
from bayreach.threads import hold_linear_algebra_to_one_thread

DONE, FAILED, NO = 0, 1, 2


class Stopped(KeyboardInterrupt):
    """The system asked the process to end (SIGTERM)."""


def main(words: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code: 0 done, 1 failed, 2 done and the answer is no.

    Whatever a user can mend ends in one sentence on the error stream, never in a traceback.
    """
    from cyclopts import CycloptsError

    from bayreach.cli._commands import app

    hold_linear_algebra_to_one_thread()
    _end_on_sigterm()
    words = list(sys.argv[1:] if words is None else words)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # libraries' notes to developers; ours are in the result
            code = app(words or ["--help"])
            sys.stdout.flush()
    except CycloptsError as error:
        return _failed(" ".join(str(error).split()) + " See `bayreach --help`.")
    except BrokenPipeError:
        _let_go_of_stdout()
        return FAILED  # the reader (a pager, head) has gone: nobody is left to tell
    except UnicodeEncodeError:
        return _failed("a file's name holds bytes that are no text; rename it and run again.")
    except (BayreachError, KeyboardInterrupt, MemoryError, OSError) as error:
        return _failed(_sentence(error))
    return code if isinstance(code, int) else DONE


def _sentence(error: BaseException) -> str:
    """Return what to tell of a failure that is not a fault of the program."""
    if isinstance(error, Stopped):
        return "ended by the system; nothing half-done was left."
    if isinstance(error, KeyboardInterrupt):
        return "stopped; nothing half-done was left."
    if isinstance(error, MemoryError):
        return "the memory does not suffice; use a coarser mesh, or film.edge in the job."
    if isinstance(error, OSError):
        place = f"{error.filename}: " if error.filename else ""
        return f"{place}{error.strerror or error}."
    return str(error)


def _let_go_of_stdout() -> None:
    """Send what is left in the standard stream nowhere, so that Python does not fail on it at the end."""
    try:
        sys.stdout.flush()
    except OSError:
        with contextlib.suppress(OSError, ValueError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _failed(sentence: str) -> int:
    from bayreach.cli._words import plain

    _let_go_of_stdout()

    sys.stderr.write(f"bayreach: {plain(sentence)}\n")
    return FAILED


def _end_on_sigterm() -> None:
    def end(number: int, frame: FrameType | None) -> None:
        raise Stopped

    try:
        signal.signal(signal.SIGTERM, end)
    except ValueError:
        return  # not the main thread: the caller's business
