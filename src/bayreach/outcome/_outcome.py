"""The whole answers: of a run, and of a measurement."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from bayreach.outcome._checks import ChecksRecord
from bayreach.outcome._doubt import DoubtRecord
from bayreach.outcome._flow import (
    BalanceRecord,
    CreepRecord,
    DripRecord,
    FogRecord,
    LimitRecord,
    LoadRecord,
    MistRecord,
    PlaceRecord,
    PoolRecord,
)
from bayreach.outcome._records import (
    VERSION,
    BayRecord,
    CoverageRecord,
    HoleRecord,
    HolidayRecord,
    InputsRecord,
    KeepOutRecord,
    LiquidRecord,
    MaskRecord,
    MeshRecord,
    OpeningRecord,
    PassRecord,
    PlanRecord,
    Point,
    RepairRecord,
    TargetRecord,
    WandRecord,
)
from bayreach.outcome._work import WorkRecord


@dataclass(frozen=True, kw_only=True)
class Measurement:
    """What `measure` tells of a mesh.

    `findings` are what is odd about its air, with places; `down`, `film_m` (dry, None where not asked for)
    and `volume_solids` are what the low points and the liquid of each bay were asked with.
    """

    mesh: MeshRecord
    bays: tuple[BayRecord, ...]
    openings: tuple[OpeningRecord, ...]
    findings: tuple[RepairRecord, ...] = ()
    down: Point = (0.0, 0.0, -1.0)
    film_m: float | None = None
    volume_solids: float = 1.0
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
    balances: tuple[BalanceRecord, ...] = ()
    mist: tuple[MistRecord, ...] = ()
    mist_limits: tuple[LimitRecord, ...] = ()
    fog: tuple[FogRecord, ...] = ()
    down: Point = (0.0, 0.0, -1.0)
    work: WorkRecord | None = None
    checks: ChecksRecord | None = None
    doubt: DoubtRecord | None = None
    files: Mapping[str, str] = field(default_factory=dict)
