"""The parts of an answer, named as result.json names them: SI units, other units in the name."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from bayreach.units import is_met

VERSION = 1
"""Version of the shape of result.json."""

OUTSIDE_NAME = "outside"
"""What `links` call the air round the structure."""

Point = tuple[float, float, float]
Box = tuple[Point, Point]


@dataclass(frozen=True, kw_only=True)
class InputsRecord:
    """SHA-256 of the mesh file and of the job file, and every setting that shapes the answer."""

    mesh_sha256: str
    job_sha256: str
    settings: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class RepairRecord:
    """What was found in the mesh, or mended, how often, in words; `places_m` are a few places to look at."""

    kind: str
    count: int
    detail: str = ""
    places_m: tuple[Point, ...] = ()


@dataclass(frozen=True, kw_only=True)
class MeshRecord:
    """The mesh as it was read: `box_m` is (least, greatest) corner."""

    faces: int
    box_m: Box
    units: str
    repairs: tuple[RepairRecord, ...] = ()
    method: Literal["cells", "voxel"] = "cells"
    open_edges: int = 0
    crowded_edges: int = 0
    parts: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class BayDetailRecord:
    """What a bay tells beyond its size: areas in m² by part and by the way sides face, and where liquid lies.

    `up_m2` are sides within 45 degrees of up; `low_points_m` come deepest first; `liquid_m3` is None where no
    film was asked for.
    """

    parts_m2: Mapping[str, float]
    up_m2: float
    vertical_m2: float
    down_m2: float
    neighbours: tuple[str, ...]
    low_points_m: tuple[Point, ...]
    liquid_m3: float | None = None


@dataclass(frozen=True, kw_only=True)
class BayRecord:
    """One bay: areas in m² of its sides, by what the film reached; zero where none was laid."""

    name: str
    area_m2: float
    volume_m3: float
    required_m2: float = 0.0
    covered_m2: float = 0.0
    direct_m2: float = 0.0
    settled_only_m2: float = 0.0
    low_m2: float = 0.0
    dry_m2: float = 0.0
    heavy_m2: float = 0.0
    openings: tuple[str, ...] = ()
    box_m: Box | None = None
    sealed: bool = False
    checkable_m2: float | None = None
    detail: BayDetailRecord | None = None


@dataclass(frozen=True, kw_only=True)
class OpeningDetailRecord:
    """What an opening tells beyond its size: circle of equal area, the sheet's thickness, the kind of gap.

    `open_end` is True where it is too large to be a hole; the errors are 0 where the mesh shows its rim and
    what a grid leaves open where it does not.
    """

    equivalent_diameter_m: float
    thickness_m: float
    open_end: bool
    diameter_error_m: float
    area_error_m2: float


@dataclass(frozen=True, kw_only=True)
class OpeningRecord:
    """One opening; `links` are names of bays, or "outside"."""

    name: str
    kind: Literal["found", "given", "proposed"]
    center_m: Point
    normal: Point
    diameter_m: float
    area_m2: float
    links: tuple[str, str]
    detail: OpeningDetailRecord | None = None


@dataclass(frozen=True, kw_only=True)
class FateRecord:
    """Where the liquid of one pass went, in m³, before uptake, creep and run-off, which know no passes.

    direct + settled + uncredited (fog on sides that face down) + suspended + escaped + elsewhere is the
    liquid of the pass, within a millionth. `direct_corrected_m3` is the part of direct film, of either sign,
    that was added to what the sides summed to, so that it is what rays along the pattern say has landed;
    `error` is the estimated relative error of the direct film, None where none was estimated.
    """

    direct_m3: float
    settled_m3: float
    uncredited_m3: float
    suspended_m3: float
    escaped_m3: float
    elsewhere_m3: float
    direct_corrected_m3: float = 0.0
    error: float | None = None


@dataclass(frozen=True, kw_only=True)
class PassRecord:
    """One pass: depths in m along the wand from the opening; time and liquid of all its pulls, and its fate.

    `entry_m` is where the wand's axis passes the opening: with it, a job's pass sprays the same again.
    """

    wand: str
    opening: str
    aim: Point
    clock_deg: float
    from_m: float
    to_m: float
    pull_speed_m_s: float
    count: int
    seconds: float
    liquid_m3: float
    path_m: tuple[Point, ...] = ()
    axes: tuple[Point, ...] = ()
    clock_axis: Point | None = None
    through: tuple[str, ...] = ()
    order: int | None = None
    entry_m: Point | None = None
    fate: FateRecord | None = None


@dataclass(frozen=True, kw_only=True)
class CoverageRecord:
    """How much of the required area has its least film; shares are None where none is required."""

    required_m2: float
    covered_m2: float
    fraction: float | None
    direct_fraction: float | None
    settled_only_fraction: float | None
    dry_fraction: float | None
    target: float
    met: bool


def coverage_of(
    *,
    required_m2: float,
    covered_m2: float,
    direct_m2: float,
    settled_only_m2: float,
    dry_m2: float,
    target: float,
) -> CoverageRecord:
    """Return the coverage record of areas in m²; a share of nothing is None and meets no target.

    >>> coverage_of(required_m2=0, covered_m2=0, direct_m2=0, settled_only_m2=0, dry_m2=0, target=0.9).met
    False
    """

    def share(area: float) -> float | None:
        return min(1.0, area / required_m2) if required_m2 > 0.0 else None

    fraction = share(covered_m2)
    return CoverageRecord(
        required_m2=required_m2,
        covered_m2=covered_m2,
        fraction=fraction,
        direct_fraction=share(direct_m2),
        settled_only_fraction=share(settled_only_m2),
        dry_fraction=share(dry_m2),
        target=target,
        met=is_met(fraction, target),
    )


@dataclass(frozen=True, kw_only=True)
class LiquidRecord:
    """Where every drop went, in m³ of wet liquid. `elsewhere_m3` landed on sides that ask for no film.

    `direct_corrected_m3` is the sum of that of the passes: what the quadrature of direct film was short of.
    """

    sprayed_m3: float
    direct_m3: float
    settled_m3: float
    escaped_m3: float
    suspended_m3: float
    retained_m3: float
    run_off_m3: float
    elsewhere_m3: float = 0.0
    uncredited_m3: float = 0.0
    creep_m3: float = 0.0
    direct_corrected_m3: float = 0.0


@dataclass(frozen=True, kw_only=True)
class HolidayRecord:
    """One connected patch that stayed uncovered, where it is and why."""

    bay: str
    area_m2: float
    center_m: Point
    reason: str
    part: str = ""


@dataclass(frozen=True, kw_only=True)
class NoDrillRecord:
    """The best plan that drills nothing: its share of coverage (None: nothing required)."""

    coverage: float | None
    covered_m2: float = 0.0
    passes: int = 0
    liquid_m3: float = 0.0
    met: bool = False


@dataclass(frozen=True, kw_only=True)
class ShortfallRecord:
    """Area of one bay that the plan leaves short for one reason, and what would help (where worked out)."""

    bay: str
    reason: str
    area_m2: float
    helps: str = ""


@dataclass(frozen=True, kw_only=True)
class TradeOffRecord:
    """The most that a number of new holes covers: the share found, its proven upper bound, are they equal."""

    new_holes: int
    coverage: float
    bound: float
    proven: bool


@dataclass(frozen=True, kw_only=True)
class PlanRecord:
    """What the plan costs and what was proven of it; `certificate` names the file that `prove` checks.

    `trade_off` is the share covered with 0, 1, 2, ... new holes, `coverage_by_passes` that of the plan's best
    0, 1, 2, ... passes, each time the one that adds most; both by the columns planned on.
    """

    objective: float
    bound: float
    gap: float
    new_holes: int
    new_holes_bound: int
    proven: bool
    no_drill: NoDrillRecord
    statement: str = ""
    certificate: str = ""
    shortfalls: tuple[ShortfallRecord, ...] = ()
    trade_off: tuple[TradeOffRecord, ...] = ()
    coverage_by_passes: tuple[float, ...] = ()


@dataclass(frozen=True, kw_only=True)
class HoleRecord:
    """One candidate hole. It is never approved data."""

    center_m: Point
    normal: Point
    drill_mm: float
    drill_name: str
    edge_distance_m: float
    closes_with: str
    why: str
    name: str = ""
    bay: str = ""
    part: str = ""
    status: str = "candidate, not approved data"


@dataclass(frozen=True, kw_only=True)
class MaskRecord:
    """One keep-out that must stay free of film: the thickest film that reached it, and whether any did.

    `center_m` lies on the side that most film reached, or on the middle one of a keep-out that stayed dry;
    None where the mesh shows nothing of it.
    """

    name: str
    film_m: float
    touched: bool
    center_m: Point | None = None


@dataclass(frozen=True, kw_only=True)
class TargetRecord:
    """The film asked for; `film_max_m` is None where there is no upper limit."""

    film_min_m: float
    film_max_m: float | None
    film_is: Literal["dry", "wet"]
    coverage: float


@dataclass(frozen=True, kw_only=True)
class WandRecord:
    """A wand as documents show it; `flow_m3_s` while the trigger is on."""

    name: str
    shape: str
    length_m: float
    diameter_m: float
    tip_diameter_m: float
    pattern: str
    spread_deg: float
    flow_m3_s: float


@dataclass(frozen=True, kw_only=True)
class KeepOutRecord:
    """A keep-out as documents show it."""

    name: str
    no: Literal["drill", "spray", "both"]
    box_m: Box | None = None
    part: str | None = None
