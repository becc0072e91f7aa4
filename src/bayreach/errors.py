"""The few ways to fail; each message names the thing, the place, the value, the limit and the mend."""

import difflib
from collections.abc import Iterable

MOST_CHARACTERS = 900
"""A message is a sentence or two, however long the names and values of a file are."""


class BayreachError(Exception):
    r"""Base of every failure that a user can mend; the command line prints it as one line and exits 1.

    A message may quote what a file holds, so it is made one printable line of bounded length.

    >>> str(BayreachError("line 3: 'a\nb' is no number."))
    "line 3: 'a b' is no number."
    """

    def __init__(self, message: str = "") -> None:
        plain = "".join(sign if sign.isprintable() else " " for sign in message)
        if len(plain) > MOST_CHARACTERS:
            plain = f"{plain[: MOST_CHARACTERS - 200]} ... {plain[-190:]}"
        super().__init__(plain)


class UnitError(BayreachError):
    """A quantity without a unit, with an unknown unit, or of the wrong kind."""


class MeshError(BayreachError):
    """A mesh file that cannot be read, or a mesh that the question makes no sense for."""


class JobError(BayreachError):
    """A job file whose table or key is wrong."""


class WandError(BayreachError):
    """A wand or a tip that cannot exist."""


class LiquidError(BayreachError):
    """A liquid that cannot exist, or a class of liquid that is not known."""


class PlanError(BayreachError):
    """A plan that cannot be set up or whose solver failed."""


class StoreError(BayreachError):
    """A result folder that cannot be written, read or trusted."""


class DisplayError(BayreachError):
    """No display, no OpenGL, or a drawing process that died."""


def nearest_hint(word: str, known: Iterable[str]) -> str:
    """Return ' Did you mean "...?"' for the known word nearest to `word`, or an empty string.

    >>> nearest_hint("diamter", ["diameter", "length"])
    ' Did you mean "diameter"?'
    """
    near = difflib.get_close_matches(word, list(known), n=1, cutoff=0.6)
    return f' Did you mean "{near[0]}"?' if near else ""
