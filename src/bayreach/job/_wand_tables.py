"""The tables of a wand: its tip, its pieces and itself."""

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from bayreach.job._quantities import (
    Angle,
    FileName,
    Flow,
    Length,
    MassPerLength,
    Name,
    PositiveAngle,
    PositiveLength,
    PositiveOrInfiniteLength,
    Pressure,
    Speed,
    Stiffness,
    Time,
)
from bayreach.job._table import Table


class TipTable(Table):
    """The tip: where it throws liquid, how much, and in what drops."""

    pattern: Literal["radial", "side", "forward", "table"] = Field(description="what shape the spray has")
    spread: PositiveAngle | None = Field(default=None, description="full angle of the sheet, cone or fan")
    angle: Angle | None = Field(
        default=None, description="side, radial: centre line or sheet to the wand's axis"
    )
    profile: Name | None = Field(default=None, description="how liquid is shared over the spread")
    power: Annotated[float, Field(strict=True, gt=0, le=100)] | None = Field(
        default=None, description='exponent of the profile "cosine"'
    )
    table: FileName | None = Field(default=None, description="table only: CSV of measured angular density")
    flow: Flow | None = Field(
        default=None, description="flow while the trigger is on; or give orifice and discharge_coefficient"
    )
    flow_at: Pressure | None = Field(
        default=None, description="pressure at which flow was measured; scaled by the square-root law"
    )
    orifice: PositiveLength | None = Field(
        default=None, description="instead of flow: diameter of the hole the liquid leaves by"
    )
    discharge_coefficient: Annotated[float, Field(strict=True, gt=0, le=1)] | None = Field(
        default=None, description="with orifice: share of the ideal flow that the tip was measured to pass"
    )
    pressure: Pressure | None = Field(
        default=None, description="pressure at the tip; left out: that of [supply]"
    )
    throw: PositiveOrInfiniteLength = Field(
        default="inf", description='flight length after which drops are fog; "inf": never'
    )
    droplet: PositiveLength = Field(default="60 um", description="median drop diameter by volume")
    droplet_spread: Annotated[float, Field(strict=True, ge=1, le=10)] = Field(
        default=1.8, description="geometric standard deviation of drop diameters"
    )

    @model_validator(mode="after")
    def _fits_its_pattern(self) -> Self:
        if self.pattern == "table" and self.table is None:
            message = 'pattern "table" needs the key table, a CSV file beside the job'
            raise ValueError(message)
        if self.pattern != "table" and self.table is not None:
            message = f'the key table belongs to pattern "table", not "{self.pattern}"'
            raise ValueError(message)
        if self.pattern != "table" and self.spread is None:
            message = f'pattern "{self.pattern}" needs the key spread, like "40 deg"'
            raise ValueError(message)
        if self.pattern not in ("side", "radial") and self.angle is not None:
            message = f'the key angle belongs to the patterns "side" and "radial", not "{self.pattern}"'
            raise ValueError(message)
        return self

    @model_validator(mode="after")
    def _has_one_flow(self) -> Self:
        if self.flow is not None and (self.orifice is not None or self.discharge_coefficient is not None):
            message = "a tip has either flow or orifice with discharge_coefficient, not both: leave out one"
            raise ValueError(message)
        if self.flow is None and (self.orifice is None or self.discharge_coefficient is None):
            message = "a tip needs the key flow, or the keys orifice and discharge_coefficient"
            raise ValueError(message)
        if self.flow_at is not None and self.flow is None:
            message = "the key flow_at belongs to flow: the law of an orifice takes the pressure itself"
            raise ValueError(message)
        if self.pressure is not None and self.flow is not None and self.flow_at is None:
            message = "the key pressure needs flow_at, the pressure at which flow was measured, or orifice"
            raise ValueError(message)
        return self


class PieceTable(Table):
    """One piece of a bent wand: straight, or an arc of a radius, turned about the piece before."""

    straight: PositiveLength | None = Field(default=None, description="length of a straight piece")
    arc: PositiveAngle | None = Field(default=None, description="angle an arc bends through")
    radius: PositiveLength | None = Field(default=None, description="radius of the arc's centre line")
    roll: Angle = Field(
        default="0 deg",
        description="turn of the bend's plane about the wand's axis, right-handed looking to the tip",
    )

    @model_validator(mode="after")
    def _is_one_kind(self) -> Self:
        if (self.straight is None) == (self.arc is None):
            message = "a piece is either straight or an arc: give one of the keys straight and arc"
            raise ValueError(message)
        if (self.arc is None) != (self.radius is None):
            message = "an arc needs the keys arc and radius, a straight piece neither"
            raise ValueError(message)
        return self


class WandTable(Table):
    """A wand and its tip."""

    name: Name = Field(description="what passes call it")
    shape: Literal["straight", "bent", "flexible"] = Field(default="straight", description="how it is made")
    length: PositiveLength | None = Field(
        default=None, description="length that can go in; bent: sum of the pieces"
    )
    diameter: PositiveLength = Field(description="outer diameter of the shank")
    tip_diameter: PositiveLength | None = Field(
        default=None, description="outer diameter of the tip, if it differs"
    )
    tip: TipTable = Field(description="the tip")
    pull_speed: Speed = Field(description="speed it is pulled back at")
    lag: Time = Field(default="0 s", description="time between trigger and spray")
    rise: Time = Field(default="0 s", description="time over which the flow grows at the start of a pull")
    fall: Time = Field(default="0 s", description="time over which the flow dies at the end of a pull")
    couple_after: bool = Field(
        default=False,
        strict=True,
        description="whether it is coupled up once inside, so needs no room outside",
    )
    pieces: tuple[PieceTable, ...] = Field(
        default=(), max_length=50, description="bent only: from the hand to the tip"
    )
    bend_radius: PositiveLength | None = Field(
        default=None, description="flexible only: least radius it can take"
    )
    clearance: Length | None = Field(default=None, description="gap kept to every wall")
    tip_length: PositiveLength | None = Field(default=None, description="length of the tip's body")
    shank_diameter: PositiveLength | None = Field(
        default=None, description="diameter of a stretch next to the handle"
    )
    shank_length: PositiveLength | None = Field(default=None, description="length of that stretch")
    handle_diameter: PositiveLength | None = Field(default=None, description="diameter of what stays outside")
    handle_length: PositiveLength | None = Field(default=None, description="length of what stays outside")
    room_outside: Length | None = Field(
        default=None, description="free length outside for a wand coupled up after"
    )
    stiffness: Stiffness | None = Field(default=None, description="bending stiffness E I")
    mass_per_length: MassPerLength | None = Field(default=None, description="mass per length, liquid and all")
    droop_limit: PositiveLength | None = Field(
        default=None, description="greatest droop of the tip that is accepted"
    )
    droop_table: tuple[tuple[PositiveLength, Length], ...] = Field(
        default=(), max_length=100, description='measured droop: rows ["free length", "droop"], rising'
    )

    @model_validator(mode="after")
    def _fits_its_shape(self) -> Self:
        if (self.shape == "bent") != bool(self.pieces):
            message = f'shape "{self.shape}" {"needs" if self.shape == "bent" else "takes no"} pieces'
            raise ValueError(message)
        if (self.shape == "flexible") != (self.bend_radius is not None):
            message = (
                f'shape "{self.shape}" {"needs" if self.shape == "flexible" else "takes no"} bend_radius'
            )
            raise ValueError(message)
        if self.shape != "bent" and self.length is None:
            message = f'shape "{self.shape}" needs the key length'
            raise ValueError(message)
        return self
