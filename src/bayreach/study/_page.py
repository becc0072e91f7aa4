"""The overview as one page that needs nothing else."""

from collections.abc import Iterable, Sequence
from html import escape
from typing import TypeVar

from bayreach.cautions import cautions
from bayreach.study._overview import BayRow, JobRow, MirrorRow, Overview
from bayreach.units import percent_text

_STYLE = """
body { font: 15px/1.4 system-ui, sans-serif; margin: 1.5em; color: #222; max-width: 75em }
table { border-collapse: collapse; margin: 0.5em 0 1.5em }
th, td { padding: 0.25em 0.7em; border-bottom: 1px solid #ccc; text-align: right }
td { white-space: nowrap }
th:first-child, td:first-child { text-align: left; white-space: normal }
.why th, .why td { text-align: left; white-space: normal }
tfoot td { font-weight: bold; border-top: 2px solid #222 }
.short td { background: #f6e6e8 }
.bar { display: inline-block; height: 0.7em; background: #004488; vertical-align: middle }
.rest { display: inline-block; height: 0.7em; background: #bb5566; vertical-align: middle }
"""

_POLICY = "default-src 'none'; style-src 'unsafe-inline'"

_HEADS = (
    "job",
    "bays",
    "required m²",
    "covered",
    "asked",
    "litres",
    "minutes",
    "pulls",
    "new holes",
    "at least",
    "none drilled",
)


MOST_ROWS = 500
"""Rows of a table on the page; of more, those that are least covered are shown."""

Row = TypeVar("Row", JobRow, BayRow)


def page(overview: Overview) -> str:
    """Return the overview as HTML: jobs, bays, left against right, failures, cautions.

    Tables of more than `MOST_ROWS` show those that are least covered, in their order, and say so.
    """
    short = sum(not row.met for row in overview.jobs)
    said = (
        f"{len(overview.jobs)} jobs answered, {short} short of their target, {len(overview.failed)} failed."
    )
    if any(" [" in row.job for row in overview.jobs):
        said += " The sum counts every variant of a job: it is no sum over one airframe."
    jobs, left_out = _least(overview.jobs, "jobs")
    rows = [_job_cells(row) for row in jobs]
    marked = [not row.met for row in jobs]
    body = [
        "<h1>Study</h1>",
        f"<p>{escape(said)}</p>",
        *left_out,
        _table(_HEADS, rows, marked, foot=_job_cells(overview.total)),
        "<h2>Bays</h2>",
        *_bays(overview),
        *_mirrors(overview.mirrors),
        *_failures(overview),
        "<h2>Cautions</h2>",
        "".join(f"<p>{escape(line)}</p>" for line in cautions(holes=True)),
    ]
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Study</title>'
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">'
        f"<style>{_STYLE}</style></head><body>{''.join(body)}</body></html>\n"
    )


def _job_cells(row: JobRow) -> list[str]:
    return [
        escape(row.job),
        str(row.bays),
        f"{row.required_m2:.3f}",
        percent_text(row.coverage) if row.coverage is not None else "none asked",
        percent_text(row.target),
        f"{row.litres:.3g}",
        f"{row.minutes:.1f}",
        str(row.pulls),
        str(row.new_holes),
        "" if row.new_holes_bound is None else str(row.new_holes_bound),
        "" if row.no_drill_coverage is None else percent_text(row.no_drill_coverage),
    ]


def _table(
    heads: Sequence[str], rows: Iterable[Sequence[str]], marked: Sequence[bool], foot: Sequence[str] = ()
) -> str:
    head = "".join(f"<th>{escape(text)}</th>" for text in heads)
    body = "".join(
        f"<tr{' class=short' if mark else ''}>{''.join(f'<td>{cell}</td>' for cell in cells)}</tr>"
        for cells, mark in zip(rows, marked, strict=True)
    )
    end = f"<tfoot><tr>{''.join(f'<td>{cell}</td>' for cell in foot)}</tr></tfoot>" if foot else ""
    return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody>{end}</table>"


def _least(rows: Sequence[Row], name: str) -> tuple[Sequence[Row], list[str]]:
    """Return as many rows as a table shows, in their order, and a paragraph where that is not all."""
    if len(rows) <= MOST_ROWS:
        return rows, []
    order = sorted(
        range(len(rows)), key=lambda place: (rows[place].coverage is None, rows[place].coverage or 0.0)
    )
    shown = sorted(order[:MOST_ROWS])
    said = f"The {MOST_ROWS} {name} of {len(rows)} that are least covered; all are in {name}.csv."
    return [rows[place] for place in shown], [f"<p>{said}</p>"]


def _bays(overview: Overview) -> list[str]:
    rows = []
    bays, left_out = _least(overview.bays, "bays")
    for bay in bays:
        share = bay.coverage
        wide = round(120 * (share or 0.0))
        bar = f'<span class="bar" style="width:{wide}px"></span>'
        bar += f'<span class="rest" style="width:{120 - wide}px"></span>'
        covered = "none asked" if share is None else percent_text(share)
        cells = [f"{bay.required_m2:.3f}", covered, bar if share is not None else "", f"{bay.dry_m2:.3f}"]
        rows.append([escape(f"{bay.job}: {bay.bay}"), *cells])
    return [*left_out, _table(("bay", "required m²", "covered", "", "dry m²"), rows, [False] * len(rows))]


def _mirrors(mirrors: Sequence[MirrorRow]) -> list[str]:
    if not mirrors:
        return []

    def shown(value: float | None) -> str:
        return "" if value is None else f"{100 * value:+.2f} %"

    rows = [
        [
            escape(f"{row.left} / {row.right}"),
            *(shown(value) for value in (row.area, row.volume, row.covered, row.litres)),
            f"{row.holes:+d}",
            "alike" if row.alike else "differ",
        ]
        for row in mirrors
    ]
    heads = ("left / right", "area", "volume", "covered", "litres", "holes", "")
    return ["<h2>Left against right</h2>", _table(heads, rows, [not row.alike for row in mirrors])]


def _failures(overview: Overview) -> list[str]:
    if not overview.failed:
        return []
    rows = [[escape(one.name), escape(one.reason)] for one in overview.failed]
    table = _table(("job", "why"), rows, [True] * len(rows))
    return ["<h2>Failed</h2>", f'<div class="why">{table}</div>']
