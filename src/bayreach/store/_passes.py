"""passes.csv: the passes in the order of work, for a spreadsheet, with no cell a spreadsheet would run."""

import csv
import io
from collections.abc import Mapping, Sequence

from bayreach.outcome import PassRecord

COLUMNS = (
    "order", "wand", "opening", "through", "aim_x", "aim_y", "aim_z", "clock_deg", "from_m", "to_m",
    "pull_speed_m_s", "count", "seconds", "liquid_mL",
)  # fmt: skip


def plain_cell(text: str) -> str:
    """Return `text` so that no spreadsheet takes it for a formula: an apostrophe goes before =, +, - and @.

    >>> plain_cell("=1+1"), plain_cell("long radial")
    ("'=1+1", 'long radial')
    """
    flat = "".join(sign if sign.isprintable() else " " for sign in text)
    return f"'{flat}" if flat.lstrip()[:1] in ("=", "+", "-", "@", "|", "%") else flat


def rows_csv(rows: Sequence[Mapping[str, object]]) -> bytes:
    """Return plain rows as CSV: UTF-8, CRLF line ends, a first line of names, no cell that would be run."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    for row in rows[:1]:
        writer.writerow([plain_cell(name) for name in row])
    for row in rows:
        writer.writerow([plain_cell(cell) if isinstance(cell, str) else cell for cell in row.values()])
    return text.getvalue().encode()


def passes_csv(passes: Sequence[PassRecord]) -> bytes:
    """Return the table: UTF-8, CRLF line ends (RFC 4180), one row a pass."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for index, spray_pass in enumerate(passes):
        order = index + 1 if spray_pass.order is None else spray_pass.order
        writer.writerow(
            [
                order,
                plain_cell(spray_pass.wand),
                plain_cell(spray_pass.opening),
                plain_cell(" > ".join(spray_pass.through)),
                *(f"{part:.6g}" for part in spray_pass.aim),
                f"{spray_pass.clock_deg:.6g}",
                f"{spray_pass.from_m:.6g}",
                f"{spray_pass.to_m:.6g}",
                f"{spray_pass.pull_speed_m_s:.6g}",
                spray_pass.count,
                f"{spray_pass.seconds:.6g}",
                f"{spray_pass.liquid_m3 * 1e6:.6g}",
            ]
        )
    return text.getvalue().encode()
