"""One record for each table of result.json, and how each is read from it; SI units inside."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from bayreach.units import MICROMETRE

Row = Mapping[str, Any]
Triple = tuple[float, float, float]


@dataclass(frozen=True, kw_only=True)
class Target:
    """What is asked for: least and greatest film (um, dry or wet) and the share of area to be covered."""

    film_min_um: float
    film_max_um: float
    film_is: str
    coverage: float


@dataclass(frozen=True, kw_only=True)
class Bay:
    """One bay's figures, m² and m³."""

    name: str
    area: float
    volume: float
    required: float
    covered: float
    direct: float
    settled_only: float
    low: float
    dry: float
    heavy: float
    openings: tuple[str, ...]

    @property
    def is_reached(self) -> bool:
        """Whether any of its required surface is wetted."""
        return self.required <= 0.0 or self.covered + self.low + self.heavy > 0.0


@dataclass(frozen=True, kw_only=True)
class Opening:
    """An opening: found in the mesh, given by the user, or proposed."""

    name: str
    kind: str
    center: Triple
    normal: Triple
    diameter: float
    area: float
    links: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class SprayPass:
    """One pull: `path` holds the tip positions, deepest first; `clock_axis` is where its mark points."""

    wand: str
    opening: str
    aim: Triple
    clock_deg: float
    deepest: float
    shallowest: float
    pull_speed: float
    count: int
    seconds: float
    liquid: float
    path: tuple[Triple, ...]
    clock_axis: Triple


@dataclass(frozen=True, kw_only=True)
class Hole:
    """A candidate hole; never approved."""

    name: str
    center: Triple
    normal: Triple
    drill_mm: float
    drill_name: str
    edge_distance: float
    closes_with: str
    why: str
    behind: str
    clearance: float


@dataclass(frozen=True, kw_only=True)
class Holiday:
    """A connected patch that misses its film."""

    bay: str
    area: float
    center: Triple
    reason: str


@dataclass(frozen=True, kw_only=True)
class Mask:
    """Something to be covered before spraying."""

    name: str
    film_um: float
    touched: bool
    center: Triple | None = None


@dataclass(frozen=True, kw_only=True)
class KeepOut:
    """A box where nothing may be drilled or wetted; `no` is "drill", "spray" or "both"."""

    name: str
    no: str
    box: tuple[Triple, Triple] | None


@dataclass(frozen=True, kw_only=True)
class Wand:
    """A wand's sizes in m and its tip's pattern."""

    name: str
    shape: str
    length: float
    diameter: float
    pattern: str
    spread_deg: float


@dataclass(frozen=True, kw_only=True)
class Place:
    """A named place: a drain, or a pool with its volume in m³."""

    name: str
    center: Triple
    volume: float


def triple(values: Sequence[float]) -> Triple:
    """Return three floats.

    Raises
    ------
    ValueError
        When there are not three or one is not finite.
    """
    x, y, z = (float(value) for value in values)
    if not all(math.isfinite(value) for value in (x, y, z)):
        message = f"a place {list(values)} that is not finite"
        raise ValueError(message)
    return x, y, z


def target_of(record: Row) -> Target:
    """Return the target; where a record names none, the film scale is 10 to 30 um."""
    row = record.get("target") or (record.get("inputs", {}).get("settings") or {}).get("target") or {}
    coverage = record.get("coverage", {})
    least = float(row.get("film_min_m") or 10e-6) / MICROMETRE
    most = row.get("film_max_m")
    return Target(
        film_min_um=least,
        film_max_um=float(most) / MICROMETRE if most else math.inf,
        film_is=str(row.get("film_is", "dry")),
        coverage=float(row.get("coverage", coverage.get("target") or 0.0)),
    )


def bay_of(row: Row) -> Bay:
    """Return the bay of a row of `bays`."""
    return Bay(
        name=str(row["name"]),
        area=float(row["area_m2"]),
        volume=float(row.get("volume_m3") or 0.0),
        required=float(row.get("required_m2") or 0.0),
        covered=float(row.get("covered_m2") or 0.0),
        direct=float(row.get("direct_m2") or 0.0),
        settled_only=float(row.get("settled_only_m2") or 0.0),
        low=float(row.get("low_m2") or 0.0),
        dry=float(row.get("dry_m2") or 0.0),
        heavy=float(row.get("heavy_m2") or 0.0),
        openings=tuple(str(name) for name in row.get("openings", ())),
    )


def opening_of(row: Row) -> Opening:
    """Return the opening of a row of `openings`."""
    return Opening(
        name=str(row["name"]),
        kind=str(row.get("kind", "found")),
        center=triple(row["center_m"]),
        normal=triple(row.get("normal", (0.0, 0.0, 1.0))),
        diameter=float(row.get("diameter_m") or 0.0),
        area=float(row.get("area_m2") or 0.0),
        links=tuple(str(name) for name in row.get("links", ())),
    )


def pass_of(row: Row) -> SprayPass:
    """Return the pass of a row of `passes`."""
    return SprayPass(
        wand=str(row["wand"]),
        opening=str(row["opening"]),
        aim=triple(row["aim"]),
        clock_deg=float(row.get("clock_deg") or 0.0),
        deepest=float(row["from_m"]),
        shallowest=float(row["to_m"]),
        pull_speed=float(row["pull_speed_m_s"]),
        count=int(row.get("count", 1)),
        seconds=float(row.get("seconds") or 0.0),
        liquid=float(row.get("liquid_m3") or 0.0),
        path=tuple(triple(point) for point in row.get("path_m") or ()),
        clock_axis=triple(row.get("clock_axis") or (0.0, 0.0, 0.0)),
    )


def hole_of(row: Row, place: int) -> Hole:
    """Return the candidate hole of a row of `holes`; `place` names it where the row does not."""
    return Hole(
        name=str(row.get("name") or f"candidate {place + 1}"),
        center=triple(row["center_m"]),
        normal=triple(row["normal"]),
        drill_mm=float(row["drill_mm"]),
        drill_name=str(row.get("drill_name", "")),
        edge_distance=float(row["edge_distance_m"]) if row.get("edge_distance_m") is not None else math.nan,
        closes_with=str(row.get("closes_with", "")),
        why=str(row.get("why", "")),
        behind=str(row.get("behind", "")),
        clearance=float(row["clearance_m"]) if row.get("clearance_m") is not None else math.nan,
    )


def holiday_of(row: Row) -> Holiday:
    """Return the holiday of a row of `holidays`."""
    return Holiday(
        bay=str(row.get("bay", "")),
        area=float(row["area_m2"]),
        center=triple(row["center_m"]),
        reason=str(row.get("reason", "")),
    )


def mask_of(row: Row) -> Mask:
    """Return the mask of a row of `masks`."""
    return Mask(
        name=str(row["name"]),
        film_um=float(row.get("film_m") or 0.0) / MICROMETRE,
        touched=bool(row.get("touched", False)),
        center=triple(row["center_m"]) if row.get("center_m") else None,
    )


def keep_out_of(row: Row) -> KeepOut:
    """Return the keep-out of a row of `keep_outs`."""
    box = row.get("box_m")
    return KeepOut(
        name=str(row["name"]),
        no=str(row.get("no", "both")),
        box=(triple(box[0]), triple(box[1])) if box else None,
    )


def wand_of(row: Row) -> Wand:
    """Return the wand of a row of `wands`."""
    return Wand(
        name=str(row["name"]),
        shape=str(row.get("shape", "straight")),
        length=float(row.get("length_m") or 0.0),
        diameter=float(row.get("diameter_m") or 0.0),
        pattern=str(row.get("pattern", "")),
        spread_deg=float(row.get("spread_deg") or 0.0),
    )


def place_of(row: Row) -> Place:
    """Return the place of a row of `drains` or `pools`."""
    return Place(
        name=str(row.get("name", "")),
        center=triple(row["center_m"]),
        volume=float(row.get("volume_m3") or 0.0),
    )
