"""The answer of a run: frozen records named as result.json names them, and arrays with one value a side.

Everything is in SI units; other units stand in the name. The schema of result.json is generated from these
records. Schema history: 1, the first.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, is_dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from bayreach.arrays import FloatArray, IntArray, frozen_floats, frozen_ints
from bayreach.errors import StoreError
from bayreach.mesh import Mesh
from bayreach.units import is_met

if TYPE_CHECKING:
    from pydantic import TypeAdapter

VERSION = 1
"""Version of the shape of result.json."""

OUTSIDE_NAME = "outside"
"""What `links` call the air round the structure."""

Point = tuple[float, float, float]
Box = tuple[Point, Point]


def quiet(stage: str, share: float) -> None:
    """Say nothing of the progress: the default where nobody watches."""


@dataclass(frozen=True, kw_only=True)
class InputsRecord:
    """SHA-256 of the mesh file and of the job file, and every setting that shapes the answer."""

    mesh_sha256: str
    job_sha256: str
    settings: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class RepairRecord:
    """What was found in the mesh, or mended, how often, in words."""

    kind: str
    count: int
    detail: str = ""


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


@dataclass(frozen=True, kw_only=True)
class PassRecord:
    """One pass: depths in m along the wand from the opening; time and liquid of all its pulls."""

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
    """Where every drop went, in m³ of wet liquid. `elsewhere_m3` landed on sides that ask for no film."""

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
class PlanRecord:
    """What the plan costs and what was proven of it; `certificate` names the file that `prove` checks."""

    objective: float
    bound: float
    gap: float
    new_holes: int
    new_holes_bound: int
    proven: bool
    no_drill: NoDrillRecord
    statement: str = ""
    certificate: str = ""


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
    """One keep-out that must stay free of film: the thickest film that reached it, and whether any did."""

    name: str
    film_m: float
    touched: bool


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


@dataclass(frozen=True, kw_only=True)
class PlaceRecord:
    """A named place and the liquid that gathers there: a drain, or a pool."""

    name: str
    center_m: Point
    volume_m3: float = 0.0


@dataclass(frozen=True, kw_only=True)
class PoolRecord:
    """Liquid that stands in a bay: its lowest place, and its greatest depth where that can be estimated."""

    name: str
    bay: str
    center_m: Point
    volume_m3: float
    depth_m: float | None = None


@dataclass(frozen=True, kw_only=True)
class DripRecord:
    """Liquid that leaves through an opening, and how much of it a plug there would keep in."""

    opening: str
    volume_m3: float
    kept_in_if_plugged_m3: float


@dataclass(frozen=True, kw_only=True)
class CreepRecord:
    """Length of seam that a wet side feeds and that none does, and what went in."""

    fed_m: float
    unfed_m: float
    volume_m3: float
    greatest_depth_m: float


@dataclass(frozen=True, kw_only=True)
class LoadRecord:
    """Mass added to a bay: film and pools wet, all of it dried, and its centre, for the balance."""

    bay: str
    film_kg: float
    pool_kg: float
    dry_kg: float
    center_m: Point


@dataclass(frozen=True, kw_only=True)
class MistRecord:
    """Figures of a bay's air, to be judged by a person beside `mist_limits`; none of them is a verdict.

    `airborne_kg_m3` is mist at the end of the pass that leaves most, `airborne_unsettled_kg_m3` the same
    had none settled, `vapour_if_all_dries_kg_m3` the solvent of all passes, were it all in the bay's air
    at once.
    """

    bay: str
    air_m3: float
    airborne_kg_m3: float
    airborne_unsettled_kg_m3: float
    vapour_if_all_dries_kg_m3: float
    time_to_95_s: float


@dataclass(frozen=True, kw_only=True)
class LimitRecord:
    """A limit that mist or vapour may be laid beside, and where it comes from."""

    name: str
    value_kg_m3: float
    source: str


@dataclass(frozen=True, kw_only=True)
class BayReachRecord:
    """One bay as a wand through an opening reaches it; `limit` says why it does not, and how short it is."""

    bay: str
    reached: bool
    tip_volume_m3: float
    tip_volume_error_m3: float
    visible_m2: float
    visible_share: float
    limit: str = ""
    short_by_m: float | None = None


@dataclass(frozen=True, kw_only=True)
class ReachRecord:
    """One wand through one opening: whether it fits, how deep, what it could wet, and what limits it."""

    wand: str
    opening: str
    fits: bool
    depth_m: float
    max_tilt_deg: float | None
    bays_reached: tuple[str, ...]
    visible_m2: float
    limit: str
    aims_sr: float = 0.0
    bays: tuple[BayReachRecord, ...] = ()


@dataclass(frozen=True, kw_only=True)
class ReachTable:
    """What `reach` tells of a job's wands."""

    reach: tuple[ReachRecord, ...]
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Measurement:
    """What `measure` tells of a mesh."""

    mesh: MeshRecord
    bays: tuple[BayRecord, ...]
    openings: tuple[OpeningRecord, ...]
    warnings: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """The whole answer of a run: what result.json holds."""

    version: int = VERSION
    title: str
    inputs: InputsRecord
    warnings: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    mesh: MeshRecord
    bays: tuple[BayRecord, ...]
    openings: tuple[OpeningRecord, ...]
    passes: tuple[PassRecord, ...]
    coverage: CoverageRecord
    liquid: LiquidRecord
    holidays: tuple[HolidayRecord, ...] = ()
    plan: PlanRecord | None = None
    holes: tuple[HoleRecord, ...] | None = None
    masks: tuple[MaskRecord, ...] = ()
    target: TargetRecord
    wands: tuple[WandRecord, ...] = ()
    keep_outs: tuple[KeepOutRecord, ...] = ()
    drains: tuple[PlaceRecord, ...] = ()
    pools: tuple[PoolRecord, ...] = ()
    drips: tuple[DripRecord, ...] = ()
    creep: CreepRecord | None = None
    loads: tuple[LoadRecord, ...] = ()
    mist: tuple[MistRecord, ...] = ()
    mist_limits: tuple[LimitRecord, ...] = ()
    down: Point = (0.0, 0.0, -1.0)
    files: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, eq=False)
class Sides:
    """The film of every side: what film.vtp holds.

    Parameters
    ----------
    mesh : Mesh
        The mesh the film was worked out on, in m: n faces.
    source_faces : (n,) int
        For each face, the face of the input mesh it is a part of.
    side_bay : (2n,) int
        Place in the outcome's bays of each side, -1 outside.
    film, direct, settled : (2n,) float
        Film in m, all of it, what flew straight and what settled; dry or wet as the target is.
    status : (2n,) int
        Place in `status_names`.
    extra : mapping of str to (2n,) array
        More values a side; names that end in `_um` are micrometres.
    names : mapping of str to tuple of str
        Names that whole-number values in `extra` point into, as "reason_names".
    """

    mesh: Mesh
    source_faces: IntArray
    side_bay: IntArray
    film: FloatArray
    direct: FloatArray
    settled: FloatArray
    status: IntArray
    status_names: tuple[str, ...]
    film_is: str = "dry"
    extra: Mapping[str, NDArray[Any]] = field(default_factory=dict)
    names: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        n_sides = self.mesh.n_sides
        for name in ("film", "direct", "settled"):
            object.__setattr__(self, name, frozen_floats(getattr(self, name), shape=(n_sides,), name=name))
        for name in ("side_bay", "status"):
            object.__setattr__(self, name, frozen_ints(getattr(self, name), shape=(n_sides,), name=name))
        source = frozen_ints(self.source_faces, shape=(self.mesh.n_faces,), name="source_faces")
        object.__setattr__(self, "source_faces", source)
        for name, values in self.extra.items():
            if np.shape(values) != (n_sides,):
                message = (
                    f'extra "{name}": shape {np.shape(values)} found, one value for {n_sides} sides needed.'
                )
                raise ValueError(message)


@dataclass(frozen=True, kw_only=True, eq=False)
class Result:
    """An outcome, the film of every side, and more files to lie beside them (name to bytes)."""

    outcome: Outcome
    sides: Sides
    files: Mapping[str, bytes] = field(default_factory=dict)


def to_table(record: Any) -> Any:
    """Return a record as plain tables, lists, numbers and text; a plan's keys are left out elsewhere."""
    if is_dataclass(record) and not isinstance(record, type):
        table = {item.name: to_table(getattr(record, item.name)) for item in fields(record)}
        if isinstance(record, Outcome):
            table = {key: value for key, value in table.items() if value is not None}
        return table
    if isinstance(record, Mapping):
        return {str(key): to_table(value) for key, value in record.items()}
    if isinstance(record, np.generic | np.ndarray):
        return record.tolist()
    if isinstance(record, Sequence) and not isinstance(record, str):
        return [to_table(value) for value in record]
    return record


def to_json(record: Any) -> str:
    """Return a record as JSON text, the same bytes for the same record.

    Raises
    ------
    StoreError
        When a number is not finite, which JSON cannot hold; names its place.
    """
    table = to_table(record)
    try:
        return json.dumps(table, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    except ValueError:
        place = next(iter(_not_finite(table)), "somewhere")
        message = f"result: {place} is not a finite number; nothing was written."
        raise StoreError(message) from None


def _not_finite(table: Any, place: str = "") -> list[str]:
    if isinstance(table, dict):
        return [
            found for key, value in table.items() for found in _not_finite(value, f"{place}.{key}".strip("."))
        ]
    if isinstance(table, list):
        return [found for row, value in enumerate(table) for found in _not_finite(value, f"{place}[{row}]")]
    return [place] if isinstance(table, float) and not np.isfinite(table) else []


@lru_cache(maxsize=4)
def _adapter(kind: type) -> "TypeAdapter[Any]":
    from pydantic import TypeAdapter

    return TypeAdapter(kind)


def outcome_from_table(table: Any) -> Outcome:
    """Return the outcome of a table read from JSON; keys it does not know are passed over.

    Raises
    ------
    StoreError
        When the version is another one, or a key is missing or of the wrong type; names the key.
    """
    from pydantic import ValidationError

    version = table.get("version") if isinstance(table, dict) else None
    if version != VERSION:
        found = "none" if version is None else repr(version)[:20]
        message = f"version {found} found, {VERSION} can be read; run the job again with this bayreach."
        raise StoreError(message)
    try:
        outcome: Outcome = _adapter(Outcome).validate_python(table)
    except ValidationError as error:
        fault = error.errors(include_url=False)[0]
        place = ".".join(str(part) for part in fault["loc"])[:120]
        message = f'key "{place}" is not what a result holds ({fault["msg"].lower()}); run the job again.'
        raise StoreError(message) from None
    return outcome


def result_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of result.json, generated from the records."""
    return _schema(Outcome, "bayreach result")


def reach_schema() -> dict[str, Any]:
    """Return the JSON Schema of what `reach --json` prints."""
    return _schema(ReachTable, "bayreach reach")


def measurement_schema() -> dict[str, Any]:
    """Return the JSON Schema of what `measure --json` prints."""
    return _schema(Measurement, "bayreach measurement")


def _schema(kind: type, title: str) -> dict[str, Any]:
    schema = _adapter(kind).json_schema(mode="serialization")
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema, "title": title}
