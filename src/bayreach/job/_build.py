"""Builds the frozen objects of a job from its checked tables: mesh units become metres, presets fill gaps."""

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

from bayreach.arrays import FloatArray, frozen_floats, unit_vectors
from bayreach.errors import BayreachError, JobError, nearest_hint
from bayreach.holes import read_fasteners
from bayreach.job._load import path_inside
from bayreach.job._records import (
    DoubtSettings,
    Drilling,
    FilmSettings,
    GivenOpening,
    Hinge,
    Job,
    KeepOut,
    Obstacle,
    Supply,
    Surface,
    Target,
    Work,
    WrittenPass,
)
from bayreach.job._tables import (
    DrillingTable,
    JobTable,
    KeepOutTable,
    LiquidTable,
    OpeningTable,
    PassTable,
    PlaceTable,
    TargetTable,
)
from bayreach.job._wand_tables import PieceTable, TipTable, WandTable
from bayreach.liquids import Liquid, LiquidClass, liquid_class
from bayreach.tips import Tip, orifice_flow, read_table
from bayreach.units import MESH_UNITS
from bayreach.wands import Piece, Wand, arc_piece, straight_piece

Built = TypeVar("Built")

DEFAULT_PRESET = "wd_soft"
"""The liquid class that fills what a job says nothing of; every use is listed in `Job.assumed`."""


def job_of(table: JobTable, *, path: Path, sha256: str) -> Job:
    """Return the job of `table`, read from the file at `path` whose bytes hash to `sha256`.

    Raises
    ------
    JobError
        When a value that is fine by itself does not fit the rest; names the table and the mend.
    """
    per_unit = MESH_UNITS[table.units]
    liquid, target, assumed = _liquid_and_target(table, path)
    return Job(
        path=path,
        sha256=sha256,
        title=table.title or path.stem,
        mesh_path=path_inside(path.parent, table.mesh, place=f'{path}: key "mesh"'),
        units=table.units,
        encloses=table.encloses,
        down=_direction(table.down),
        target=target,
        liquid=liquid,
        wands=tuple(
            _wand(row, table, path, index, density=liquid.density) for index, row in enumerate(table.wand)
        ),
        openings=tuple(_opening(row, per_unit) for row in table.opening),
        passes=tuple(_written_pass(row, per_unit) for row in table.pass_),
        film=FilmSettings(**table.film.model_dump()),
        keep_outs=tuple(_keep_out(row, per_unit) for row in table.keep_out),
        hinges=tuple(
            Hinge(name=row.name, point=_place(row.point, per_unit), axis=_direction(row.axis))
            for row in table.hinge
        ),
        obstacles=tuple(Obstacle(name=row.name, box=_place(row.box, per_unit)) for row in table.obstacle),
        surfaces=tuple(
            Surface(part=row.part, priority=row.priority, uptake=row.uptake) for row in table.surface
        ),
        supply=Supply(tank=table.supply.tank, pressure=table.supply.pressure),
        drilling=_drilling(table.drilling, per_unit, path),
        work=_work(table, path),
        doubt=DoubtSettings(**table.doubt.model_dump(exclude_none=True)),
        vary={key: tuple(values) for key, values in table.vary.items()},
        assumed=assumed,
    )


def _place(values: Any, per_unit: float) -> FloatArray:
    array = frozen_floats(values, shape=(-1, 3) if isinstance(values[0], tuple) else (3,), name="coordinates")
    return frozen_floats(array * per_unit, shape=array.shape, name="coordinates")


def _direction(values: Any) -> FloatArray:
    return frozen_floats(unit_vectors(values), shape=(3,), name="direction")


def _said(place: str, build: Callable[[], Built]) -> Built:
    """Return what `build` returns; a failure of the object itself is told with its place in the file."""
    try:
        return build()
    except JobError:
        raise  # it names its place, within this one
    except BayreachError as error:
        message = f"{place}: {error}"
        raise JobError(message) from None


def _preset(name: str | None, place: str) -> LiquidClass | None:
    return _said(place, lambda: liquid_class(name)) if name else None


def _liquid_and_target(table: JobTable, path: Path) -> tuple[Liquid, Target, tuple[str, ...]]:
    of_target = _preset(table.target.preset, f'{path}: [target], key "preset"')
    of_liquid = _preset(table.liquid.preset, f'{path}: [liquid], key "preset"') or of_target
    liquid, assumed = _liquid(table.liquid, of_liquid, path)
    return liquid, _target(table.target, of_target, liquid, path), assumed


def _liquid(table: LiquidTable, preset: LiquidClass | None, path: Path) -> tuple[Liquid, tuple[str, ...]]:
    source = preset or liquid_class(DEFAULT_PRESET)
    keys = ("density", "viscosity", "surface_tension", "volume_solids", "contact_angle")
    values = {key: getattr(table, key) for key in keys}
    left_out = [key for key, value in values.items() if value is None]
    known = {key: getattr(source.liquid, key) if value is None else value for key, value in values.items()}
    told = [key.replace("_", " ") for key in left_out if key != "contact_angle"]
    assumed = (
        (f'liquid: {", ".join(told)} taken from the generic class "{source.name}"; use the data sheet\'s.',)
        if told
        else ()
    )
    # No class has a solvent of its own: its vapour is on the data sheet or unknown.
    known |= {"vapour_pressure": table.vapour_pressure, "molar_mass": table.molar_mass}
    name = table.name or (preset.title if preset else "liquid of the job")
    return _said(f"{path}: [liquid]", lambda: Liquid(name=name, **known)), assumed


def _target(table: TargetTable, preset: LiquidClass | None, liquid: Liquid, path: Path) -> Target:
    least, most = table.film_min, table.film_max
    if preset is not None:
        # A preset's limits are of dry film; a target in wet terms needs them wet.
        wet = (lambda film: film) if table.film_is == "dry" else liquid.wet_film
        least = wet(preset.film_min) if least is None else least
        most = wet(preset.film_max) if most is None else most
    if least is None:
        message = f'{path}: [target], key "film_min" is missing; write it like "8 um", or name a preset.'
        raise JobError(message)
    most = math.inf if most is None else most
    if least >= most:
        message = (
            f'{path}: [target], key "film_min" is {least * 1e6:g} um and film_max is {most * 1e6:g} um; '
            "film_min must be the smaller."
        )
        raise JobError(message)
    return Target(film_min=least, film_max=most, film_is=table.film_is, coverage=table.coverage)


_OPTIONAL_OF_WAND = (
    "tip_diameter", "tip_length", "shank_diameter", "shank_length", "handle_diameter", "handle_length",
    "room_outside", "bend_radius", "stiffness", "mass_per_length", "droop_limit", "droop_table", "clearance",
)  # fmt: skip


def _wand(row: WandTable, table: JobTable, path: Path, index: int, *, density: float) -> Wand:
    place = f'{path}: [[wand]] {index + 1} "{row.name}"'
    pieces = _said(place, lambda: tuple(_piece(piece) for piece in row.pieces))
    length = row.length if row.length is not None else sum(piece.length for piece in pieces)
    optional = {key: value for key in _OPTIONAL_OF_WAND if (value := getattr(row, key)) not in (None, ())}
    return _said(
        place,
        lambda: Wand(
            name=row.name,
            shape=row.shape,
            length=length,
            diameter=row.diameter,
            tip=_tip(row.tip, table, path, place, density=density),
            pull_speed=row.pull_speed,
            lag=row.lag,
            rise=row.rise,
            fall=row.fall,
            couple_after=row.couple_after,
            pieces=pieces,
            **optional,
        ),
    )


def _piece(row: PieceTable) -> Piece:
    if row.straight is not None:
        return straight_piece(row.straight)
    assert row.radius is not None
    assert row.arc is not None
    return arc_piece(row.radius, row.arc, row.roll)


def _tip(row: TipTable, table: JobTable, path: Path, place: str, *, density: float) -> Tip:
    chosen: dict[str, Any] = {
        key: value
        for key in ("spread", "angle", "profile", "power")
        if (value := getattr(row, key)) is not None
    }
    if row.table is not None:
        measured = path_inside(path.parent, row.table, place=f'{place}, key "tip.table"')
        chosen["table"] = _said(f'{place}, key "tip.table"', lambda: read_table(measured))
    return Tip(
        pattern=row.pattern,
        flow=_flow(row, table, density, place),
        throw=row.throw,
        droplet=row.droplet,
        droplet_spread=row.droplet_spread,
        **chosen,
    )


def _flow(row: TipTable, table: JobTable, density: float, place: str) -> float:
    """Return the flow given, scaled to the pressure at the tip, or that of the tip's orifice, in m³/s."""
    if row.flow is not None and row.flow_at is None:
        return float(row.flow)
    key = "orifice" if row.flow is None else "flow_at"
    pressure = row.pressure if row.pressure is not None else table.supply.pressure
    if pressure is None:
        message = (
            f'{place}, key "tip.{key}" needs tip.pressure, or [supply] pressure, the pressure at the wand.'
        )
        raise JobError(message)
    if row.flow is not None and row.flow_at is not None:
        # Flow through an orifice goes with the square root of the pressure across it (Bernoulli).
        return float(row.flow * math.sqrt(pressure / row.flow_at))
    assert row.orifice is not None
    assert row.discharge_coefficient is not None
    return orifice_flow(row.orifice, row.discharge_coefficient, pressure, density)


def _opening(row: OpeningTable, per_unit: float) -> GivenOpening:
    return GivenOpening(
        name=row.name,
        center=_place(row.center, per_unit),
        diameter=row.diameter,
        normal=None if row.normal is None else _direction(row.normal),
    )


def _written_pass(row: PassTable, per_unit: float) -> WrittenPass:
    return WrittenPass(
        wand=row.wand,
        opening=row.opening,
        aim=_direction(row.aim),
        deepest=row.from_,
        shallowest=row.to,
        clock=row.clock,
        count=row.count,
        pull_speed=row.pull_speed,
        dwell=row.dwell,
        entry=None if row.entry is None else _place(row.entry, per_unit),
    )


def _keep_out(row: KeepOutTable, per_unit: float) -> KeepOut:
    box = None if row.box is None else _place(row.box, per_unit)
    return KeepOut(name=row.name, no=row.no, box=box, part=row.part)


def _work(table: JobTable, path: Path) -> Work:
    known = [row.name for row in table.wand]
    for name in table.work.wands:
        if name not in known:
            message = f'{path}: [work], key "wands": no wand is called "{name}".{nearest_hint(name, known)}'
            raise JobError(message)
    return Work(**table.work.model_dump())


def _drilling(row: DrillingTable, per_unit: float, path: Path) -> Drilling:
    part = row.surface if isinstance(row.surface, str) else None
    place = row.surface if isinstance(row.surface, PlaceTable) else PlaceTable.model_construct()
    plane = None
    if place.plane is not None:
        plane = (_place(place.plane.point, per_unit), _direction(place.plane.normal), place.plane.within)
    fasteners = None
    if row.fasteners is not None:
        key = f'{path}: [drilling], key "fasteners"'
        listed = path_inside(path.parent, row.fasteners, place=key)
        fasteners = _said(key, lambda: read_fasteners(listed, per_unit))
    return Drilling(
        allowed=row.allowed,
        part=part,
        box=None if place.box is None else _place(place.box, per_unit),
        plane=plane,
        skin=row.skin,
        most=row.most,
        drills=row.drills,
        sites=row.sites,
        fasteners=fasteners,
    )
