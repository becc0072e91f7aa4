"""What the page asks besides a try, worked out in short steps so that others are not kept waiting.

Each question is a generator: it yields the share done after each step and returns its answer.
"""

from collections.abc import Callable, Generator
from dataclasses import replace
from typing import Any

import numpy as np

from bayreach import reach as reaching
from bayreach.arrays import FloatArray, IntArray
from bayreach.deposit import direct
from bayreach.film import Column
from bayreach.insertion import Path as Way
from bayreach.insertion import Refusal, aims_over_cone, aims_to_try, paths_through
from bayreach.job import ChangedWand, WrittenPass, write_job
from bayreach.passes import cut_path
from bayreach.run import Pull, flying_of
from bayreach.sight import Targets, targets_of
from bayreach.studio._bench import (
    LOOKS,
    NO_ARRAYS,
    Answer,
    Bench,
    GaveWayError,
    GoOn,
    checked_job,
    plain_name,
    states_of,
)
from bayreach.studio._state import Request, State, StudioError, state_table
from bayreach.studio._wands import wand_table
from bayreach.wands import Wand

COARSE = 0.2
"""Stations of an aim that is compared with others, against those of the step rule."""
AIMS = 48
"""Aims tried for the best one."""
NEAR = (0.05, 0.15)
"""Half angles in rad of the cones round the aim at hand that are tried as well."""
GROUP = 8
"""Aims compared in one step."""
SEARCHED = 3
"""Aims of a bent wand for which a way in is searched in one step."""
SHARE_OF_WAYS = 0.5
"""Share of the work, about, that is done once the ways in are known."""
LOOKED_AT = 8000
"""Sides, about, on which aims are compared; the best few are compared on all."""
FINALISTS = 4

Steps = Generator[float, None, Answer]


def question(bench: Bench, request: Request, go_on: GoOn | None = None) -> Steps:
    """Return the steps of a request's answer; `go_on` ends a long one by an exception."""
    if request.kind == "all":
        return _all(bench, request, go_on)
    asked: dict[str, Callable[[Bench, Request], Steps]] = {
        "best": _best, "changes": _changes, "sweep": _sweep, "reach": _reach, "save": _save, "open": _open,
        "sheet": _sheet,
    }  # fmt: skip
    return asked[request.kind](bench, request)


def _best(bench: Bench, request: Request) -> Steps:
    """Return the aim and depths, of those tried, with which one pull covers most of the required area."""
    state = request.state
    wand = bench.wand_of(state)
    yield 0.0
    ways = yield from _ways(bench, state, wand)
    pulls = [_pull_of(state, wand, way) for way in ways]
    some = _some_targets(bench)
    gains = np.zeros(len(pulls))
    for first in range(0, len(pulls), GROUP):
        yield SHARE_OF_WAYS + (0.8 - SHARE_OF_WAYS) * first / len(pulls)
        group = pulls[first : first + GROUP]
        for place, column in enumerate(_columns(bench, some, group)):
            gains[first + place] = _gain(bench, group[place], column)
    finalists: IntArray = np.argsort(-gains, kind="stable")[:FINALISTS]
    yield 0.8
    columns = _columns(bench, bench.site.targets, [pulls[k] for k in finalists])
    covered = [_gain(bench, pulls[k], column) for k, column in zip(finalists, columns, strict=True)]
    winner = int(finalists[int(np.argmax(covered))])
    way, path = ways[winner], pulls[winner].path
    table = {
        "aim": way.aim.tolist(),
        "clock": way.clock,
        "entry": _entry_of(bench, state, way),
        "from": float(path.depths[0]),
        "to": float(path.depths[-1]),
        "tried": len(ways),
        "covered_m2": max(covered),
    }
    return Answer(table=table, arrays=NO_ARRAYS)


def _entry_of(bench: Bench, state: State, way: Way) -> list[float] | None:
    """Return where a way's axis passes the opening, None for its middle and for a flexible wand."""
    off = float(np.linalg.norm(way.entry - bench.opening_of(state).center))
    return None if off < 1e-9 or way.wand.shape == "flexible" else way.entry.tolist()


def _ways(bench: Bench, state: State, wand: Wand) -> Generator[float, None, list[Way]]:
    """Return ways worth comparing: spread over the opening, and at and round the state's own aim."""
    space, opening, down = bench.site.space, bench.opening_of(state), bench.job.down
    if wand.shape == "flexible":
        spread, refusals = paths_through(space, wand, opening, count=AIMS, clocks=(state.clock,), down=down)
        ways = list(spread[:: max(1, len(spread) // AIMS)])
    else:
        entries, aims = aims_to_try(space, wand, opening, count=AIMS)
        some = slice(None, None, max(1, len(aims) // AIMS))
        near = np.concatenate([aims_over_cone(state.aim, lean, 5) for lean in NEAR])
        own = np.tile(opening.center if state.entry is None else state.entry, (len(near), 1))
        lines = np.concatenate([entries[some], own]), np.concatenate([aims[some], near])
        ways, refusals = yield from _ways_along(bench, state, wand, *lines)
    if not ways:
        message = f"no aim gets this wand in: {refusals[0].reason}"
        raise StudioError(message)
    return ways


def _ways_along(
    bench: Bench, state: State, wand: Wand, entries: FloatArray, aims: FloatArray
) -> Generator[float, None, tuple[list[Way], tuple[Refusal, ...]]]:
    """Return a rigid wand's ways along aims (m, 3) through entries (m, 3); a bent one's in several steps."""
    each = SEARCHED if wand.shape == "bent" else len(aims)
    ways: list[Way] = []
    refusals: tuple[Refusal, ...] = ()
    for first in range(0, len(aims), each):
        yield SHARE_OF_WAYS * first / len(aims)
        part = slice(first, first + each)
        found, refused = paths_through(
            bench.site.space, wand, bench.opening_of(state), aims=aims[part], entries=entries[part],
            clocks=(state.clock,), down=bench.job.down,
        )  # fmt: skip
        ways += found
        refusals = refusals or refused
    return ways, refusals


def _some_targets(bench: Bench) -> Targets:
    """Return sample points of some of the sides, spread over the mesh."""
    sides = np.flatnonzero(bench.site.inside & bench.site.required)
    step = max(1, len(sides) // LOOKED_AT)
    return targets_of(bench.site.mesh, sides[::step]) if step > 1 else bench.site.targets


def _pull_of(state: State, wand: Wand, way: Way) -> Pull:
    """Return the pull along the whole of a way, out to where the state's ends."""
    path = way.tip_path
    shallowest = max(way.shallowest, min(state.shallowest, 0.9 * way.deepest))
    if shallowest < way.deepest:
        path = cut_path(path, way.deepest, shallowest)
    return Pull(
        wand=wand, opening=state.opening, aim=way.aim, clock=way.clock, path=path, speed=wand.pull_speed
    )


def _columns(bench: Bench, targets: Targets, pulls: list[Pull]) -> list[Column]:
    site, tip = bench.site, pulls[0].wand.tip
    flying = flying_of(site, tip)
    asked = [
        direct.Pull(
            stations=direct.stations_for(site.scene, pull.path, tip, refine=COARSE), tip=tip, flying=flying
        )
        for pull in pulls
    ]
    return direct.columns(site.scene, targets, asked, air=site.air)


def _gain(bench: Bench, pull: Pull, column: Column) -> float:
    """Return the required area in m² of the column's sides that the direct film of a pull covers."""
    site = bench.site
    film = column.direct * pull.volume * site.wet_share
    covered = (film >= site.job.target.film_min) & site.required[column.sides]
    return float(site.side_areas[column.sides[covered]].sum())


def _changes(bench: Bench, request: Request) -> Steps:
    """Return the single changes that would get the wand into a bay, the smallest first, and a bend."""
    state, bay = request.state, request.word
    if bay not in [one.name for one in bench.site.bays.bays]:
        message = f'no bay is called "{bay}"'
        raise StudioError(message)
    wand, opening = bench.wand_of(state), bench.opening_of(state)
    yield 0.0
    rows: list[dict[str, Any]] = []
    bend = reaching.proposed_bend(bench.ground, wand, opening, bay, depth=state.deepest)
    if bend is not None:
        rows.append({"text": bend.sentence(), "state": _bent(state, bend)})
    found = []
    for number, change in enumerate(reaching.each_change(bench.ground, wand, opening, bay), start=1):
        found += [] if change is None else [change]
        yield min(0.9, 0.12 * number)
    for change in sorted(found, key=lambda one: one.relative):
        rows.append({"text": change.sentence(), "state": _changed(state, wand, change)})
    return Answer(table={"changes": rows, "bay": bay}, arrays=NO_ARRAYS)


def _bent(state: State, bend: reaching.Bend) -> dict[str, Any]:
    """Return the state of a wand with the proposed bend, aimed and as deep as the way found."""
    path = bend.path
    deepest = min(max(state.deepest, bend.length), path.deepest)
    bent = replace(
        state, shape="bent", pieces=bend.wand.pieces, aim=path.aim, clock=path.clock, entry=None,
        deepest=deepest,
        shallowest=max(path.shallowest, min(state.shallowest, 0.5 * deepest)),
    )  # fmt: skip
    return state_table(bent)


def _changed(state: State, wand: Wand, change: reaching.Change) -> dict[str, Any] | None:
    """Return the state with a change made; None where it is the structure that would be changed."""
    figures = dict(state.figures)
    if change.what == "length":
        return state_table(replace(state, figures={**figures, "length": change.needed}))
    if change.what == "diameter":
        for name in ("diameter", "tip_diameter"):
            figures[name] = min(getattr(wand, name), change.needed)
        return state_table(replace(state, figures=figures))
    if change.what == "bend_radius" and wand.shape == "flexible":
        return state_table(replace(state, figures={**figures, "bend_radius": change.needed}))
    if change.what in ("bend_radius", "bend_angle"):
        pieces = reaching.with_figure(wand, change.what, change.needed).pieces
        return state_table(replace(state, shape="bent", pieces=pieces))
    return None


def _sweep(bench: Bench, request: Request) -> Steps:
    """Return a plot (SVG) of what the wand reaches as one figure varies."""
    name, values = reaching.read_vary(request.word)
    wand, opening = bench.wand_of(request.state), bench.opening_of(request.state)
    cases: list[reaching.Case] = []
    for number, value in enumerate(values):
        yield number / len(values)
        cases += reaching.sweep(bench.ground, wand, [opening], {name: (value,)})
    rows = reaching.sweep_rows(cases)
    return Answer(table={"svg": reaching.sweep_svg(cases), "rows": rows}, arrays=NO_ARRAYS)


def _reach(bench: Bench, request: Request) -> Steps:
    """Return what the wand reaches through the opening, as `reach` tells it."""
    yield 0.0
    wand, opening = bench.wand_of(request.state), bench.opening_of(request.state)
    row = reaching.reach_through(bench.ground, wand, opening).table()
    return Answer(table={"row": row}, arrays=NO_ARRAYS)


def _all(bench: Bench, request: Request, go_on: GoOn | None) -> Steps:
    """Return the film of all pulls of the page's list together."""
    if not request.passes:
        message = "the list of pulls is empty"
        raise StudioError(message)
    pulls: list[Pull] = []
    columns: list[Column] = []
    while len(pulls) < len(request.passes):
        yield len(pulls) / len(request.passes)
        try:
            pull, column = bench.pull_and_column(request.passes[len(pulls)], go_on)
        except GaveWayError:
            continue
        pulls.append(pull)
        columns.append(column)
    answer = bench.film_of(pulls, columns)
    answer.table.update(look=LOOKS[-1], pulls=len(pulls))
    return answer


def _save(bench: Bench, request: Request) -> Steps:
    """Write the wands and the pulls of the list, or this pull alone, into a new file beside the job's own.

    Raises
    ------
    JobError, StudioError
        When the name is no plain file name or is taken, or the job's file has changed.
    """
    name = plain_name(request.word)
    yield 0.0
    states = request.passes or (request.state,)
    wands, passes = _as_written(bench, states)
    made = write_job(bench.job, bench.job.folder / name, wands=wands, passes=passes)
    table = {"name": made.path.name, "pulls": len(passes), "wands": [one.after.name for one in wands]}
    return Answer(table=table, arrays=NO_ARRAYS)


def _as_written(bench: Bench, states: tuple[State, ...]) -> tuple[list[ChangedWand], list[WrittenPass]]:
    """Return the wands that the pulls need and the pulls.

    Of one wand's variants each gets a name of its own; another pull speed alone makes no variant.
    """
    made: dict[str, ChangedWand] = {}
    passes = []
    for state in states:
        source = bench.job_of(state)
        wand = state.wand_of(source)
        number, name = 1, wand.name
        while name in made and not _alike(made[name].after, wand):
            number += 1
            name = f"{wand.name} {number}"
        made.setdefault(name, ChangedWand(source=source, before=wand.name, after=replace(wand, name=name)))
        same = made[name].after.pull_speed == wand.pull_speed
        passes.append(replace(state.written(name), pull_speed=None if same else wand.pull_speed))
    return list(made.values()), passes


def _alike(one: Wand, other: Wand) -> bool:
    """Tell whether two wands are the same but for their names and the speed they are pulled at."""
    return wand_table(replace(one, pull_speed=1.0)) == wand_table(replace(other, pull_speed=1.0))


def _open(bench: Bench, request: Request) -> Steps:
    """Return the wands and pulls of a job saved beside the studio's own; without a name, the names."""
    yield 0.0
    if not request.word:
        names = sorted(path.name for path in bench.job.folder.glob("*.toml"))
        return Answer(table={"names": names}, arrays=NO_ARRAYS)
    name = plain_name(request.word)
    job = checked_job(bench, name)
    file = "" if job.path == bench.job.path else name
    table = {
        "name": name,
        "file": file,
        "wands": [{**wand_table(wand), "name": wand.name, "file": file} for wand in job.wands],
        "passes": [state_table(state) for state in states_of(bench, job, file=file)],
    }
    return Answer(table=table, arrays=NO_ARRAYS)


def _sheet(bench: Bench, request: Request) -> Steps:
    """Return the wand's data sheet as PDF and DXF."""
    from bayreach import wandsheet

    yield 0.0
    wand, opening = bench.wand_of(request.state), bench.opening_of(request.state)
    row = reaching.reach_through(bench.ground, wand, opening)
    yield 0.6
    sheet = wandsheet.wand_sheet(wand, title=bench.job.title, reached=[row.table()])
    arrays = {
        "pdf": np.frombuffer(wandsheet.sheet_pdf(sheet), dtype=np.uint8),
        "dxf": np.frombuffer(wandsheet.sheet_dxf(sheet), dtype=np.uint8),
    }
    return Answer(table={"name": wand.name, "scale": sheet.scale_text}, arrays=arrays)
