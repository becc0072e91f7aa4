"""The three things that `reach` does: tell, sweep, replay."""

from collections.abc import Sequence
from pathlib import Path

from bayreach import run
from bayreach.cautions import cautions
from bayreach.cli._app import DONE, NO, say, say_json
from bayreach.cli._progress import watched
from bayreach.cli._schemas import Sweep
from bayreach.cli._words import reach_lines, table
from bayreach.errors import JobError, nearest_hint
from bayreach.files import write_whole
from bayreach.job import Job
from bayreach.outcome import ReachRecord, ReachTable, ReplayTable, to_json
from bayreach.rays import engine_in_use
from bayreach.reach import sweep_rows, sweep_svg
from bayreach.store import rows_csv, write_documents


def told(
    job: Job, rows: Sequence[ReachRecord], bay: str | None, *, wand: str | None = None, json: bool
) -> int:
    """Print what was found; exit code 2 where no wand fits, or none gets into `bay`."""
    known = {row.bay for each in rows for row in each.bays}
    if bay is not None and bay not in known:
        message = f'--bay "{bay}" is no bay of {job.mesh_path.name}.{nearest_hint(bay, known)}'
        raise JobError(message)
    is_reached = any(row.fits if bay is None else bay in row.bays_reached for row in rows)
    changes: tuple[str, ...] = ()
    if bay is not None and not is_reached:
        with watched() as progress:
            changes = run.changes_into(job, bay, progress, wand=wand)
    if json:
        found = ReachTable(
            reach=tuple(rows), changes=changes, cautions=cautions(film=False), ray_engine=engine_in_use()
        )
        say_json(found)
    else:
        say([*reach_lines(rows, bay=bay), *(f"would get in: {change}" for change in changes)])
    return DONE if is_reached else NO


def swept(job: Job, wand: str | None, vary: Sequence[str], out: Path | None, *, json: bool) -> int:
    """Print a wand's reach at each value of its figures, and write the table and its plot into `out`."""
    if wand is None:
        message = "--vary needs --wand, the name of the wand to vary."
        raise JobError(message)
    with watched() as progress:
        cases = run.vary_reach(job, wand, vary, progress)
    rows = sweep_rows(cases)
    if out is not None:
        write_documents(out, {"sweep.csv": rows_csv(rows), "sweep.svg": sweep_svg(cases).encode()})
    if json:
        say_json(Sweep(sweep=tuple(rows)))
    elif rows:
        say(table(list(rows[0]), ([_cell(cell) for cell in row.values()] for row in rows), left=0))
    else:
        say("no wand can have any of these figures")
    return DONE if any(row["fits"] for row in rows) else NO


def _cell(value: object) -> str:
    return f"{value:z.6g}" if isinstance(value, float) else str(value)


def write_sheet(job: Job, wand: str | None, rows: Sequence[ReachRecord], folder: Path) -> None:
    """Write the data sheet of a wand, with what it reaches, as wand.pdf and wand.dxf into `folder`."""
    from bayreach.wandsheet import sheet_dxf, sheet_pdf, wand_sheet

    if wand is None:
        message = "--sheet needs --wand, the name of the wand to draw."
        raise JobError(message)
    told_of = [
        {"opening": row.opening, "fits": row.fits, "depth_m": row.depth_m, "bays_reached": row.bays_reached,
         "limit": row.limit}
        for row in rows
    ]  # fmt: skip
    sheet = wand_sheet(job.wand_named(wand), title=job.title, reached=told_of)
    write_documents(folder, {"wand.pdf": sheet_pdf(sheet), "wand.dxf": sheet_dxf(sheet)})


def write_replay(job: Job, path: Path, *, wand: str | None = None) -> None:
    """Write the deepest way in of each wand through each opening, step by step."""
    with watched() as progress:
        text = to_json(ReplayTable(replays=run.replays(job, progress, wand=wand)), indent=None)
    write_whole(path, text.encode())
