"""Commands about a result there is already, the demo and the schemas."""

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from bayreach.cli._app import DONE, NO, Json, app, say, say_json


@app.command
def show(
    folder: Path,
    /,
    *,
    png: Annotated[Path | None, Parameter(help="draw to this file instead")] = None,
    json: Json = False,
) -> int:
    """Open the heat-map of a result in a window, or draw it to a file.

    Parameters
    ----------
    folder
        folder of a result
    """
    from bayreach import viewer
    from bayreach.cli._schemas import Shown
    from bayreach.store import check_inputs, read_outcome

    notes = check_inputs(folder, read_outcome(folder))
    viewer.show(folder, png)
    if json:
        say_json(Shown(folder=str(folder), png=None if png is None else str(png), notes=notes))
    elif png is not None:
        say([*notes, f"drawn to {png}"])
    return DONE


@app.command
def sheets(folder: Path, /, *, json: Json = False) -> int:
    """Write the documents of a result: technician's page, pass cards, hole template, treatment record.

    Parameters
    ----------
    folder
        folder of a result
    """
    from bayreach.cli._schemas import Written
    from bayreach.sheets import write_sheets
    from bayreach.store import check_inputs, read_outcome

    notes = check_inputs(folder, read_outcome(folder))
    written = [str(path) for path in write_sheets(folder)]
    if json:
        say_json(Written(documents=tuple(written), notes=notes))
    else:
        say([*notes, *(f"written {path}" for path in written)])
    return DONE


@app.command
def compare(before: Path, after: Path, /, *, json: Json = False) -> int:
    """Tell what changed between two results.

    Parameters
    ----------
    before
        folder of a result
    after
        folder of the result to hold beside it
    """
    from bayreach import compare as beside
    from bayreach.cli._beside_words import comparison_lines
    from bayreach.store import read_result

    found = beside.compare(read_result(before), read_result(after))
    if json:
        say_json(found)
    else:
        say(comparison_lines(found))
    return DONE


@app.command
def doubt(folder: Path, /, *, job: Path | None = None, json: Json = False) -> int:
    """Work out how sure a result is when aim, depth, speed, flow and drops vary, and write it beside it.

    Parameters
    ----------
    folder
        folder of a result
    job
        its job file, where that has moved
    """
    from bayreach.cli._progress import watched
    from bayreach.cli._words import doubt_lines
    from bayreach.doubt import doubt_folder

    with watched() as progress:
        outcome = doubt_folder(folder, job=job, progress=progress)
    if json:
        say_json(outcome)
    else:
        say(doubt_lines(outcome))
    return DONE


@app.command
def coupons(folder: Path, file: Path, /, *, json: Json = False) -> int:
    """Hold measured coupons beside a result: the factor to correct it by, and where it was wrong.

    Parameters
    ----------
    folder
        folder of a result
    file
        CSV with the columns name, x, y, z (in the mesh's unit) and film_um
    """
    from bayreach.cli._beside_words import coupon_lines
    from bayreach.compare import compare_coupons
    from bayreach.store import read_result

    found = compare_coupons(read_result(folder), file)
    if json:
        say_json(found)
    else:
        say(coupon_lines(found))
    return NO if found.wet_where_dry else DONE


@app.command
def prove(folder: Path, /, *, json: Json = False) -> int:
    """Check a plan's coverage and its bound on holes again, without a solver.

    Parameters
    ----------
    folder
        folder of a plan
    """
    from bayreach.prove import prove as check
    from bayreach.store import checked_files, read_outcome

    checked_files(folder, read_outcome(folder))
    found = check(folder)
    if json:
        say_json(found)
    else:
        say(found.lines())
    return DONE if found.holds else NO


@app.command
def demo(folder: Path, /, *, json: Json = False) -> int:
    """Write demo jobs and their meshes.

    Parameters
    ----------
    folder
        where to write them
    """
    from bayreach.cli._schemas import DemoWritten
    from bayreach.demo import write_demo

    job = write_demo(folder)
    jobs = sorted(str(path) for path in folder.glob("*.toml"))
    if json:
        say_json(DemoWritten(job=str(job), jobs=tuple(jobs)))
    else:
        say([f"written: {', '.join(jobs)}", f"next: bayreach plan {job} -o {folder / 'out'}"])
    return DONE


@app.command
def schema(of: str = "job", /, *, json: Json = False) -> int:
    """Print the JSON Schema of the job file, or of what a command prints with --json or writes as JSON.

    Parameters
    ----------
    of
        job; result, measurement, reach, sweep, comparison, coupons, proof, study, show, sheets, demo or
        studio, printed with --json; replay (reach --replay), certificate (certificate.json of a plan) or
        record (record.json of the documents)
    """
    from bayreach.cli._schemas import schema_named

    say_json(schema_named(of))  # JSON with --json or without
    return DONE
