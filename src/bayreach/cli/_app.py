"""The command line itself: its name, its help, its exit codes, and how commands print."""

import sys
from json import dumps
from pathlib import Path
from typing import Annotated, Any

from cyclopts import App, Parameter

from bayreach import __version__
from bayreach.errors import StoreError

DONE, FAILED, NO = 0, 1, 2
"""Exit codes: done; failed; done, and the answer is no."""

Json = Annotated[bool, Parameter(name="--json", negative="", help="print JSON, for a machine")]
OutFolder = Annotated[Path, Parameter(name=["--out", "-o"], help="folder for the result")]

HELP = """\
Estimate and plan the coating of the inside of structures: area, reach, shadow, film, passes, holes.

Exit codes: 0 done; 1 failed, with one sentence saying what to mend; 2 done, and the answer is no.
Figures are estimates for planning; a proposed hole is a candidate, not approved data."""

app = App(
    name="bayreach",
    help=HELP,
    help_format="plaintext",
    version=__version__,
    print_error=False,
    exit_on_error=False,
    suppress_keyboard_interrupt=False,
    result_action="return_value",
)


def say(lines: "list[str] | str") -> None:
    """Print lines on the standard stream, with nothing in them that a terminal would act on."""
    from bayreach.cli._words import plain

    text = plain(lines if isinstance(lines, str) else "\n".join(lines)).rstrip("\n") + "\n"
    encoding = sys.stdout.encoding or "utf-8"
    _put(text.encode(encoding, errors="replace").decode(encoding))


def say_json(table: Any) -> None:
    """Print a record or a table as JSON on the standard stream, in ASCII where the stream takes no more."""
    from bayreach.outcome import to_json

    text = to_json(table)
    try:
        text.encode(sys.stdout.encoding or "utf-8")
    except UnicodeEncodeError:
        text = "".join(sign if sign.isascii() else dumps(sign)[1:-1] for sign in text)
    _put(text)


def _put(text: str) -> None:
    """Write and flush: a command that goes on, as the studio does, has told its address by now."""
    try:
        sys.stdout.write(text)
        sys.stdout.flush()
    except BrokenPipeError:
        raise
    except OSError as error:
        message = f"the answer cannot be printed ({error.strerror or error}); let it go where there is room."
        raise StoreError(message) from None
