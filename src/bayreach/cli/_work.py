"""Commands that work something out of a mesh or a job."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

from cyclopts import Parameter

from bayreach.cli._app import DONE, FAILED, NO, Json, OutFolder, app, say, say_json

if TYPE_CHECKING:
    from bayreach.outcome import Outcome, Result
    from bayreach.passes import Kept


@app.command
def measure(
    mesh: Path,
    /,
    *,
    units: str,
    strict: Annotated[bool, Parameter(negative="")] = False,
    method: Literal["auto", "cells", "voxel"] = "auto",
    close: Annotated[str | None, Parameter(allow_leading_hyphen=True)] = None,
    cap: Annotated[list[str] | None, Parameter(negative="", allow_leading_hyphen=True)] = None,
    encloses: Literal["air", "material"] | None = None,
    open_end: Annotated[str, Parameter(allow_leading_hyphen=True)] = "250 mm",
    down: Annotated[str, Parameter(allow_leading_hyphen=True)] = "0,0,-1",
    film: Annotated[str | None, Parameter(allow_leading_hyphen=True)] = None,
    solids: float = 1.0,
    png: Path | None = None,
    json: Json = False,
) -> int:
    """Report on a mesh: what was read and repaired, its bays and its openings.

    Parameters
    ----------
    mesh
        mesh file: STL, OBJ, PLY, glTF, Nastran or VTK; STEP with the extra "step"
    units
        unit of its coordinates: m, cm, mm, um, in or ft
    strict
        refuse a mesh that needs any repair
    method
        cells: exact, from sides; voxel: by a grid, for meshes that leak; auto: the first that works
    close
        by a grid, gaps up to this width count as shut, like "2 mm"
    cap
        what counts as wall: a plane "x,y,z,nx,ny,nz", a point in mesh units and a normal, that closes a
        cut-off structure; or a point "x,y,z" in one opening
    encloses
        what a closed surface encloses, a cavity's air or a part's material; left out: told by its shape
    open_end
        an opening that a rod of this diameter passes is an open end, no hole
    down
        direction of gravity in mesh axes, for low points and the way sides face
    film
        dry film on every side, like "10 um": what liquid each bay takes
    solids
        share of that liquid which stays as film, 0 to 1
    png
        also draw its bays and openings to this file
    """
    from bayreach import run
    from bayreach.cli._progress import watched
    from bayreach.cli._words import measurement_lines
    from bayreach.errors import UnitError, nearest_hint
    from bayreach.units import MESH_UNITS

    if units not in MESH_UNITS:
        hint = nearest_hint(units, MESH_UNITS)
        message = f'--units "{units}" is unknown; use one of {", ".join(MESH_UNITS)}.{hint}'
        raise UnitError(message)
    shut, closed = [_shut(text) for text in cap or ()], _length(close, "--close") or 0.0
    with watched() as progress:
        measured = run.measure(
            mesh,
            units,
            strict=strict,
            method=method,
            closed_up_to=closed,
            shut=shut,
            encloses=encloses,
            large=_length(open_end, "--open-end") or 0.0,
            down=_numbers(down, "--down", (3,)),
            film=_length(film, "--film"),
            volume_solids=_share(solids),
            progress=progress,
        )
    if png is not None:
        from bayreach.viewer import draw_mesh

        draw_mesh(mesh, units, png, method=method, closed_up_to=closed, shut=shut, encloses=encloses)
    if json:
        say_json(measured)
    else:
        say(measurement_lines(measured, name=mesh.name))
    return DONE


def _length(text: str | None, flag: str) -> float | None:
    """Return the length in m that a flag gives, None where it is not given."""
    from bayreach.errors import UnitError
    from bayreach.units import si

    if text is None:
        return None
    try:
        length = si(text, "length")
    except UnitError as error:
        message = f"{flag}: {error}"
        raise UnitError(message) from None
    if not length > 0.0:
        message = f'{flag} "{text[:80]}" must be more than 0.'
        raise UnitError(message)
    return length


def _numbers(text: str, flag: str, counts: tuple[int, ...]) -> tuple[float, ...]:
    from math import hypot, isfinite

    from bayreach.errors import UnitError

    what = " or ".join(str(count) for count in counts)
    try:
        numbers = tuple(float(part) for part in text.split(","))
    except ValueError:
        numbers = ()
    if len(numbers) not in counts or not all(isfinite(number) for number in numbers):
        message = f'{flag} "{text[:80]}" must be {what} numbers with commas between them.'
        raise UnitError(message)
    if (len(numbers) == 6 or flag == "--down") and not hypot(*numbers[-3:]) > 0:
        message = f'{flag} "{text[:80]}" must give a direction, not three zeros.'
        raise UnitError(message)
    return numbers


def _shut(text: str) -> tuple[tuple[float, ...], tuple[float, ...] | None]:
    numbers = _numbers(text, "--cap", (3, 6))
    return numbers[:3], numbers[3:] or None


def _share(solids: float) -> float:
    from bayreach.errors import UnitError

    if not 0.0 < solids <= 1.0:
        message = f"--solids {solids:g} must be more than 0 and at most 1."
        raise UnitError(message)
    return solids


@app.command
def reach(
    job: Path,
    /,
    *,
    bay: str | None = None,
    wand: str | None = None,
    vary: Annotated[list[str] | None, Parameter(negative="")] = None,
    out: Annotated[Path | None, Parameter(name=["--out", "-o"])] = None,
    replay: Path | None = None,
    sheet: Path | None = None,
    json: Json = False,
) -> int:
    """Try each wand through each opening: does it fit, how deep, what limits it, what could it wet.

    Parameters
    ----------
    job
        job file (TOML)
    bay
        name of a bay; exit 2 when no wand gets into it, and the least change that would
    wand
        name of the one wand to try
    vary
        with --wand: a figure and its range, like length=0.6m:2.4m:0.2m; may be given twice
    out
        with --vary: folder for sweep.csv and sweep.svg
    replay
        also write each deepest way in, step by step, to this file (JSON)
    sheet
        with --wand: folder for its data sheet (PDF) and its dimensions drawing (DXF)
    """
    from bayreach import run
    from bayreach.cli import _reach
    from bayreach.cli._progress import watched
    from bayreach.job import load_job

    read = load_job(job)
    if vary:
        return _reach.swept(read, wand, vary, out, json=json)
    with watched() as progress:
        rows = run.reach(read, progress, wand=wand)
    if replay is not None:
        _reach.write_replay(read, replay, wand=wand)
    if sheet is not None:
        _reach.write_sheet(read, wand, rows, sheet)
    return _reach.told(read, rows, bay, wand=wand, json=json)


@app.command
def spray(job: Path, /, *, out: OutFolder, json: Json = False) -> int:
    """Work out the film of the passes written in a job.

    Parameters
    ----------
    job
        job file (TOML)
    """
    from bayreach import run

    return _run_into(job, out, run.spray, json=json)


@app.command
def plan(
    job: Path,
    /,
    *,
    out: OutFolder,
    no_drill: Annotated[bool, Parameter(negative="")] = False,
    sure: float | None = None,
    keep: Path | None = None,
    json: Json = False,
) -> int:
    """Choose openings, holes, wands and passes for a job, verify them, and write everything.

    Parameters
    ----------
    job
        job file (TOML)
    no_drill
        propose no hole, whatever the job allows
    sure
        chance from 0.5 to below 1, like 0.95: plan with a margin, so that it stays covered in a hand
    keep
        folder of an earlier plan of this structure: what its passes lay is reused as far as it is still valid
    """
    from functools import partial

    from bayreach import run

    kept = None if keep is None else _kept_in(keep)
    if sure is None:
        return _run_into(job, out, partial(run.plan, no_drill=no_drill, kept=kept), json=json)
    if no_drill:
        from bayreach.errors import JobError

        message = (
            "--sure and --no-drill do not go together; set [drilling] allowed = false in the job instead."
        )
        raise JobError(message)
    is_sure: list[bool] = []
    code = _run_into(job, out, partial(_sure, sure=sure, kept=kept, is_sure=is_sure), json=json)
    return code if all(is_sure) else NO


def _kept_in(folder: Path) -> "Kept":
    """Return the columns that an earlier plan kept in its folder."""
    from bayreach.errors import StoreError
    from bayreach.passes import KEPT_FILE, kept_from
    from bayreach.store import file_sha256, read_outcome

    files = read_outcome(folder).files
    if KEPT_FILE not in files or file_sha256(folder / KEPT_FILE) != files[KEPT_FILE]:
        message = f"{folder}: has no {KEPT_FILE} of its own plan to reuse; plan without --keep."
        raise StoreError(message)
    return kept_from(folder / KEPT_FILE)


def _sure(job: Any, progress: Any, *, sure: float, kept: "Kept | None", is_sure: list[bool]) -> "Result":
    from dataclasses import replace

    from bayreach.doubt import sure_plan
    from bayreach.units import percent_text

    found = sure_plan(job, sure=sure, kept=kept, progress=progress)
    is_sure.append(found.met)
    words = (
        f"planned for {found.margin:.2f} times the least film on {percent_text(found.asked)} of the area, so"
        f" that covered sides stay so with a chance of {percent_text(sure)}:"
        f" {percent_text(found.sure_fraction)} of the required area is that sure,"
        f" {'which meets' if found.met else 'short of'} the target. Against the plan without margin:"
        f" {found.more_holes:+d} holes, {found.more_seconds / 60.0:+.1f} min of trigger time,"
        f" {found.more_pulls:+d} pulls."
    )
    outcome = found.result.outcome
    outcome = replace(outcome, doubt=found.doubt, warnings=(*outcome.warnings, words))
    return replace(found.result, outcome=outcome)


def _run_into(job: Path, out: Path, answer: Any, *, json: bool) -> int:
    from bayreach.cli._progress import watched
    from bayreach.job import load_job
    from bayreach.store import reserved, write_result

    read = load_job(job)
    with reserved(out) as folder:
        with watched() as progress:
            result: Result = answer(read, progress)
        outcome = write_result(folder, result, origin={"mesh": read.mesh_path, "job": read.path})
    _tell(outcome, out, json=json)
    return DONE if outcome.coverage.met else NO


def _tell(outcome: "Outcome", folder: Path, *, json: bool) -> None:
    from bayreach.cli._words import outcome_lines

    if json:
        say_json(outcome)
    else:
        say(outcome_lines(outcome, folder=str(folder)))


@app.command
def study(
    *jobs: Path,
    out: OutFolder,
    spray: Annotated[bool, Parameter(negative="")] = False,
    workers: int | None = None,
    scheduler: str | None = None,
    spread: int = 1,
    memory: float | None = None,
    retry: Annotated[bool, Parameter(negative="")] = False,
    json: Json = False,
) -> int:
    """Answer many jobs, on local processes or a Dask cluster; what a killed study has done is kept.

    Parameters
    ----------
    jobs
        job files (TOML); one with a table [vary] stands for all its variants
    spray
        spray the passes written, instead of planning
    workers
        local processes; all processors if left out
    scheduler
        address of a Dask scheduler
    spread
        tasks that the columns of each plan are cut into, for a structure that is large
    memory
        GB that a local process may hold; its share of what is free if left out
    retry
        try jobs that failed before again
    """
    from bayreach.cli._progress import watched
    from bayreach.cli._words import study_lines
    from bayreach.errors import JobError
    from bayreach.study import study as answer_all

    if not jobs:
        message = "study needs one job file or more."
        raise JobError(message)
    with watched() as progress:
        overview = answer_all(
            jobs,
            out,
            command="spray" if spray else "plan",
            workers=workers,
            scheduler=scheduler,
            spread=spread,
            memory=None if memory is None else 1e9 * memory,
            retry=retry,
            progress=progress,
        )
    if json:
        say_json(overview)
    else:
        say(study_lines(overview, folder=str(out)))
    if overview.failed and not overview.jobs:
        return FAILED
    return DONE if overview.met else NO
