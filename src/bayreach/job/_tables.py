"""The tables of the job file as pydantic models: every key, type and default. Unknown keys are refused."""

from typing import Annotated, Any, Literal, Self

from pydantic import Field, model_validator

from bayreach.job._quantities import (
    Angle,
    Box,
    Density,
    Direction,
    FileName,
    Length,
    MolarMass,
    Name,
    PositiveLength,
    PositiveOrInfiniteLength,
    PositiveTime,
    Pressure,
    SettleTime,
    Speed,
    SurfaceTension,
    Vector,
    Viscosity,
    Volume,
)
from bayreach.job._table import Table
from bayreach.job._wand_tables import WandTable


class TargetTable(Table):
    """The film asked for. A preset fills the limits; explicit values win."""

    preset: Name | None = Field(
        default=None, description="a generic liquid class that fills film_min and film_max"
    )
    film_min: PositiveLength | None = Field(default=None, description="least film of a covered side")
    film_max: PositiveOrInfiniteLength | None = Field(default=None, description="film above this is heavy")
    film_is: Literal["dry", "wet"] = Field(
        default="dry", description="whether the limits are of dry or of wet film"
    )
    coverage: Annotated[float, Field(strict=True, gt=0, le=1)] = Field(
        default=0.95, description="share of the required area to reach film_min"
    )


class LiquidTable(Table):
    """The liquid as it leaves the tip. A preset fills what is not given."""

    preset: Name | None = Field(
        default=None, description="a generic liquid class that fills what is not given"
    )
    name: Name | None = Field(default=None, description="what documents call it")
    density: Density | None = Field(default=None, description="density")
    viscosity: Viscosity | None = Field(default=None, description="dynamic viscosity")
    surface_tension: SurfaceTension | None = Field(default=None, description="surface tension")
    volume_solids: Annotated[float, Field(strict=True, gt=0, le=1)] | None = Field(
        default=None, description="share of the wet volume that stays as dry film"
    )
    contact_angle: Angle | None = Field(default=None, description="contact angle on the wetted surface")
    vapour_pressure: Pressure | None = Field(
        default=None, description="of its solvent at 20 degC: bounds the vapour told; with molar_mass"
    )
    molar_mass: MolarMass | None = Field(default=None, description="of its solvent's vapour")

    @model_validator(mode="after")
    def _has_both_of_the_vapour(self) -> Self:
        if (self.vapour_pressure is None) != (self.molar_mass is None):
            message = "vapour_pressure and molar_mass go together; give both or none"
            raise ValueError(message)
        return self


class OpeningTable(Table):
    """Names an opening found in the mesh; where there is none, cuts a round one there."""

    name: Name = Field(description="what passes call it")
    center: Vector = Field(description="its middle, in mesh units")
    diameter: PositiveLength | None = Field(
        default=None, description="its diameter; needed where one is to be cut"
    )
    normal: Direction | None = Field(
        default=None, description="direction through it; left out: of the nearest skin"
    )


class PassTable(Table):
    """One trigger-on pull of a wand along a path."""

    wand: Name = Field(description="name of a [[wand]]")
    opening: Name = Field(
        description='name of an [[opening]], or one that `measure` lists: "opening x500 y200 z100" (mm)'
    )
    aim: Direction = Field(description="direction the wand is pushed in, in mesh axes")
    entry: Vector | None = Field(
        default=None, description="where its axis passes the opening, in mesh units; left out: where it fits"
    )
    from_: Length = Field(alias="from", description="depth where the pull begins")
    to: Length = Field(description="depth where the pull ends")
    clock: Angle = Field(
        default="0 deg", description="turn of the wand, clockwise seen by the hand behind it"
    )
    count: Annotated[int, Field(ge=1, le=1000, strict=True)] = Field(default=1, description="how often")
    pull_speed: Speed | None = Field(default=None, description="instead of the wand's own")
    dwell: PositiveTime | None = Field(
        default=None, description="time the trigger is held where from equals to"
    )

    @model_validator(mode="after")
    def _pulls_back(self) -> Self:
        if self.from_ < self.to:
            message = f"a pull goes outward, so from ({self.from_:g} m) must be at least to ({self.to:g} m)"
            raise ValueError(message)
        if (self.from_ == self.to) != (self.dwell is not None):
            message = (
                "a pass where from equals to needs the key dwell, and only such a one takes it; "
                f"from is {self.from_:g} m, to {self.to:g} m"
            )
            raise ValueError(message)
        return self


class FilmTable(Table):
    """How the film is worked out."""

    mechanisms: tuple[Literal["direct", "settled", "creep", "run_off"], ...] = Field(
        default=("direct", "settled"), min_length=1, description="layers of film to lay"
    )
    error: Annotated[float, Field(strict=True, ge=1e-4, le=0.5)] = Field(
        default=0.02, description="relative error of the direct film"
    )
    edge: PositiveLength | None = Field(
        default=None, description="longest edge of the mesh the film is worked out on"
    )
    seed: Annotated[int, Field(ge=0, le=2**31 - 1, strict=True)] = Field(
        default=0, description="seed of sampled numbers"
    )

    fog_classes: Annotated[int, Field(ge=1, le=200, strict=True)] = Field(
        default=12, description="settled: number of drop classes"
    )
    fog: Literal["auto", "mixed"] = Field(
        default="auto",
        description="settled: bays all well mixed, or boxes of air for drops that fall faster than it stirs",
    )
    friction_speed: Speed = Field(
        default="0.03 m/s", description="settled: friction speed of the stirred air"
    )
    exchange_speed: Speed = Field(default="0.01 m/s", description="settled: air speed through openings")
    settle_time: SettleTime = Field(default="inf", description="settled: time waited for fog to come down")
    throw_law: Literal["tip", "jet"] = Field(
        default="tip",
        description="direct: reach of drops by the tip's throw, or by drop size, jet_speed and entrainment",
    )
    jet_speed: Speed = Field(default="20 m/s", description="direct: speed of drops as they leave the tip")
    entrainment: Length = Field(
        default="0 m", description="direct: length over which the jet carries air along"
    )
    drain_time: PositiveTime = Field(default="1 h", description="run_off: time the film runs down")
    laps: tuple[tuple[Name, Name], ...] = Field(
        default=(),
        max_length=2000,
        description="creep: pairs of parts that lap but share no edge of the mesh",
    )
    lap_reach: PositiveLength = Field(
        default="1 mm", description="creep: greatest distance of parts that lap"
    )
    seam_gap: PositiveLength = Field(default="50 um", description="creep: gap of a seam")
    seam_lap: PositiveLength = Field(default="20 mm", description="creep: depth of a seam")
    seam_time: PositiveTime = Field(default="1 h", description="creep: time the seam drinks")
    blocked: tuple[Name, ...] = Field(
        default=(), max_length=2000, description="openings that liquid cannot run out of"
    )

    @model_validator(mode="after")
    def _names_each_once(self) -> Self:
        if len(set(self.mechanisms)) < len(self.mechanisms):
            message = f"mechanisms names one twice: {', '.join(self.mechanisms)}; leave one"
            raise ValueError(message)
        return self


class HingeTable(Table):
    """A line about which the moment of the liquid left is told, as of a control surface about its hinges."""

    name: Name = Field(description="what the sheet calls it")
    point: Vector = Field(description="a point on the line, in mesh units")
    axis: Direction = Field(description="its direction; moments right-handed about it are positive")


class KeepOutTable(Table):
    """Where nothing may be drilled, nothing may be wet, or neither: a box or a part."""

    name: Name = Field(description="what it protects")
    no: Literal["drill", "spray", "both"] = Field(default="both", description="what is not allowed there")
    box: Box | None = Field(default=None, description="[[least x, y, z], [greatest x, y, z]] in mesh units")
    part: Name | None = Field(default=None, description="a group of the mesh")

    @model_validator(mode="after")
    def _is_somewhere(self) -> Self:
        if (self.box is None) == (self.part is None):
            message = "a keep-out needs one of the keys box and part"
            raise ValueError(message)
        return self


class ObstacleTable(Table):
    """Something outside the mesh that a wand must pass by: a box."""

    name: Name = Field(description="what it is")
    box: Box = Field(description="[[least x, y, z], [greatest x, y, z]] in mesh units")


class SurfaceTable(Table):
    """A part that differs from the rest."""

    part: Name = Field(description="a group of the mesh")
    priority: Annotated[float, Field(strict=True, ge=0, le=1000)] = Field(
        default=1.0, description="weight in the plan; 0: none asked"
    )
    uptake: Length = Field(default="0 um", description="wet film soaked up before any stays")


class SupplyTable(Table):
    """What the liquid comes from."""

    tank: Volume | None = Field(default=None, description="what the tank holds")
    pressure: Pressure | None = Field(default=None, description="pressure at the wand")


class PlaneTable(Table):
    """A plane, as the place where drilling is allowed."""

    point: Vector = Field(description="a point of it, in mesh units")
    normal: Direction = Field(description="its normal")
    within: PositiveLength = Field(default="5 mm", description="how far a skin may lie from it")


class PlaceTable(Table):
    """A place where drilling is allowed: a box or a plane."""

    box: Box | None = Field(default=None, description="[[least x, y, z], [greatest x, y, z]] in mesh units")
    plane: PlaneTable | None = Field(default=None, description="skins in this plane")

    @model_validator(mode="after")
    def _is_one_kind(self) -> Self:
        if (self.box is None) == (self.plane is None):
            message = "a place is a box or a plane: give one of the two keys"
            raise ValueError(message)
        return self


class DrillingTable(Table):
    """Whether and where a candidate hole may be proposed."""

    allowed: bool = Field(
        default=True, strict=True, description="without the table [drilling] no hole is proposed"
    )
    surface: Name | PlaceTable | None = Field(
        default=None,
        description="a group of the mesh, or a box or plane; left out: any skin reached from outside",
    )
    skin: Length = Field(default="0 mm", description="thickness of the skin")
    most: Annotated[int, Field(ge=0, le=1000, strict=True)] | None = Field(
        default=None, description="most new holes"
    )
    drills: Literal["metric", "inch"] = Field(
        default="metric", description="which drill table sizes come from"
    )
    sites: Annotated[int, Field(ge=1, le=2000, strict=True)] = Field(
        default=60, description="most places looked at for one size of hole"
    )
    fasteners: FileName | None = Field(
        default=None, description="CSV with columns x, y, z, diameter in mesh units: holes keep their pitch"
    )


Share = Annotated[float, Field(strict=True, ge=0, le=1)]


class DoubtTable(Table):
    """How much a hand and a tip vary: standard deviations; those without a unit are relative."""

    aim: Angle | None = Field(default=None, description="aim, about each of two axes")
    place: Length | None = Field(default=None, description="tip beside its line")
    depth: Length | None = Field(default=None, description="depth of insertion")
    clock: Angle | None = Field(default=None, description="clock angle")
    pull_speed: Share | None = Field(default=None, description="pull speed, relative")
    flow: Share | None = Field(default=None, description="flow, relative")
    spread: Share | None = Field(default=None, description="spread of the spray, relative")
    throw: Share | None = Field(default=None, description="throw, relative")
    droplet: Share | None = Field(default=None, description="drop diameter, relative")
    samples: Annotated[int, Field(ge=2, le=1_000_000, strict=True)] | None = Field(
        default=None, description="most samples drawn"
    )
    error: Annotated[float, Field(strict=True, gt=0, le=1)] | None = Field(
        default=None, description="half width of the 95 % interval of the covered share to stop at"
    )
    seed: Annotated[int, Field(ge=0, le=2**31 - 1, strict=True)] | None = Field(
        default=None, description="seed"
    )


class WorkTable(Table):
    """What hands and the shop allow a plan."""

    wands: tuple[Name, ...] = Field(
        default=(), max_length=200, description="names of the wands on hand; left out: all of them"
    )
    not_through: tuple[Name, ...] = Field(
        default=(), max_length=2000, description="openings that must not be used"
    )
    passes_per_opening: Annotated[int, Field(ge=1, le=1000, strict=True)] | None = Field(
        default=None, description="most passes through one opening or hole"
    )
    passes: Annotated[int, Field(ge=1, le=20000, strict=True)] | None = Field(
        default=None, description="most passes in all"
    )


class JobTable(Table):
    """A bayreach job file. Quantities are strings with a unit; coordinates are in mesh units."""

    title: Name | None = Field(default=None, description="what documents are headed with")
    mesh: FileName = Field(description="mesh file, relative to the job file and inside its folder")
    units: Literal["m", "cm", "mm", "um", "in", "ft"] = Field(description="unit of the mesh's coordinates")
    encloses: Literal["air", "material"] | None = Field(
        default=None,
        description="what a mesh that is a closed surface encloses, a cavity's air or a part's material; "
        "left out: told by its shape",
    )
    down: Direction = Field(default=(0.0, 0.0, -1.0), description="where a drop falls, in mesh axes")
    target: TargetTable = Field(description="the film asked for")
    liquid: LiquidTable = Field(default_factory=LiquidTable, description="the liquid")
    wand: tuple[WandTable, ...] = Field(default=(), max_length=200, description="wands")
    opening: tuple[OpeningTable, ...] = Field(default=(), max_length=2000, description="openings given")
    pass_: tuple[PassTable, ...] = Field(
        default=(), alias="pass", max_length=20000, description="passes to spray"
    )
    film: FilmTable = Field(default_factory=FilmTable, description="how the film is worked out")
    keep_out: tuple[KeepOutTable, ...] = Field(default=(), max_length=2000, description="keep-outs")
    hinge: tuple[HingeTable, ...] = Field(default=(), max_length=100, description="lines to balance about")
    obstacle: tuple[ObstacleTable, ...] = Field(
        default=(), max_length=2000, description="things outside the mesh that a wand must pass by"
    )
    surface: tuple[SurfaceTable, ...] = Field(default=(), max_length=2000, description="parts that differ")
    supply: SupplyTable = Field(default_factory=SupplyTable, description="tank and pressure")
    drilling: DrillingTable = Field(
        default_factory=lambda: DrillingTable(allowed=False), description="candidate holes"
    )
    work: WorkTable = Field(default_factory=WorkTable, description="what hands and the shop allow a plan")
    doubt: DoubtTable = Field(default_factory=DoubtTable, description="how much a hand and a tip vary")
    vary: dict[Name, list[Any]] = Field(
        default={}, max_length=20, description="for `study`: a dotted key and the values it takes in turn"
    )


def job_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of the job file, generated from the tables above."""
    schema = JobTable.model_json_schema(by_alias=True, mode="validation")
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema, "title": "bayreach job file"}
