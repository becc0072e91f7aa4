"""The one table of strings that pictures, pages and sheets take their text from."""

import json
from functools import lru_cache
from importlib.resources import files

MOST_LETTERS = 80
"""Names from files are cut to this length where a line has to hold them."""


@lru_cache(maxsize=1)
def all_words() -> dict[str, str]:
    """Return the table of strings: key to text with {named} gaps."""
    text = files("bayreach").joinpath("data/words.json").read_text(encoding="utf-8")
    table: dict[str, str] = json.loads(text)
    return table


def words(key: str, **gaps: object) -> str:
    """Return the text of `key` with its gaps filled.

    Raises
    ------
    KeyError
        When the table lacks the key or a gap is left open.
    """
    return all_words()[key].format(**gaps)


def short(name: str, most: int = MOST_LETTERS) -> str:
    r"""Return `name` on one line, control and direction marks out, cut to `most` letters with an ellipsis.

    Marks that turn the reading direction (U+202A to U+202E, U+2066 to U+2069) could make a label read as
    another one, so they are dropped; right-to-left letters themselves stay.

    >>> short("a\u202eb\nc"), short("x" * 5, 4)
    ('ab c', 'xxx…')
    """
    kept = "".join(" " if letter.isspace() else letter for letter in name)
    kept = "".join(letter for letter in kept if letter.isprintable())
    return kept if len(kept) <= most else kept[: most - 1] + "…"
