"""Tables from CSV files: every refusal names the file, the line, the column and what was found."""

import csv
import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from bayreach.errors import BayreachError

MOST_BYTES = 32 * 2**20
"""A table that a person or a gauge wrote; anything longer is refused before it is read."""


@dataclass(frozen=True, kw_only=True)
class Row:
    """One row: `place` is its file and line, `cells` its text by the name of the column."""

    place: str
    cells: Mapping[str, str]
    refuse: type[BayreachError]

    def number(self, column: str, *, absent: str = "") -> float:
        """Return the number in a column; `absent` is what an empty or a missing cell stands for.

        Raises
        ------
        BayreachError
            Of the kind `refuse`, when it is none.
        """
        text = self.cells.get(column) or absent
        value = number_in(text)
        if math.isnan(value):
            message = (
                f'{self.place}: {column} is "{text[:40]}"; a number is needed, with a point for decimals.'
            )
            raise self.refuse(message)
        return value


def number_in(text: str) -> float:
    """Return the finite number that a cell holds, NaN where it holds none.

    >>> number_in(" 1.5e3 "), number_in("1,5"), number_in("1_000"), number_in("inf")
    (1500.0, nan, nan, nan)
    """
    try:
        value = math.nan if "_" in text else float(text)
    except ValueError:
        return math.nan
    return value if math.isfinite(value) else math.nan


def csv_rows(path: Path, *, what: str, refuse: type[BayreachError]) -> list[tuple[int, list[str]]]:
    """Return the rows of a CSV file (UTF-8, commas) that hold anything, each with its line number.

    `what` the file should be, as "a coupon file", and the kind of error are for the refusal.

    Raises
    ------
    BayreachError
        Of the kind `refuse`, when it cannot be read, is no CSV or longer than `MOST_BYTES`.
    """
    try:
        with path.open("rb") as file:
            raw = file.read(MOST_BYTES + 1)
        if len(raw) > MOST_BYTES:
            message = f"{path.name}: is longer than {MOST_BYTES // 2**20} MB; split it or leave rows out."
            raise refuse(message)
        reader = csv.reader(io.StringIO(raw.decode("utf-8-sig"), newline=""))
        return [(reader.line_num, row) for row in reader if any(cell.strip() for cell in row)]
    except UnicodeDecodeError as error:
        reason = f"byte {error.start} is not UTF-8 text; save it as UTF-8"
    except (OSError, csv.Error) as error:
        reason = str(getattr(error, "strerror", None) or error)
        reason += "; check the path" if isinstance(error, OSError) else "; export it again"
    message = f"{path.name}: cannot be read as {what} ({reason})."
    raise refuse(message)


def csv_table(
    path: Path, *, what: str, needed: Sequence[str], most: int, refuse: type[BayreachError]
) -> list[Row]:
    """Return the rows below the first, which names the columns; spaces and capitals in names do not count.

    Raises
    ------
    BayreachError
        Of the kind `refuse`: as `csv_rows`, or when a needed column is missing, a name is there twice, a row
        has more cells than there are columns, or there is no row or more than `most`.
    """
    rows = csv_rows(path, what=what, refuse=refuse)
    names = [cell.strip().lower() for cell in rows[0][1]] if rows else []
    message = _names_fault(names, needed)
    if message is None and not 0 < len(rows) - 1 <= most:
        message = f"{len(rows) - 1} rows found below the names of the columns, 1 to {most} allowed."
    for line, cells in rows[1:] if message is None else ():
        if any(cell.strip() for cell in cells[len(names) :]):
            message = f"line {line}: {len(cells)} cells found, {len(names)} columns are named above."
            break
    if message is not None:
        message = f"{path.name}, {message}" if message.startswith("line") else f"{path.name}: {message}"
        raise refuse(message)
    return [
        Row(place=f"{path.name}, line {line}", cells=dict(zip(names, cells, strict=False)), refuse=refuse)
        for line, cells in rows[1:]
    ]


def _names_fault(names: Sequence[str], needed: Sequence[str]) -> str | None:
    missing = [name for name in needed if name not in names]
    if missing:
        parted = (
            " Cells are parted by commas, not by semicolons." if any(";" in name for name in names) else ""
        )
        return f"the column {missing[0]} is missing; needed are {', '.join(needed)}.{parted}"
    twice = [name for name in needed if names.count(name) > 1]
    return f"the column {twice[0]} is there {names.count(twice[0])} times; leave one." if twice else None
