"""The answer of a run: frozen records named as result.json names them, and arrays with one value a side.

Everything is in SI units; other units stand in the name. The schema of result.json is generated from these
records. Schema history: 1, the first.
"""

from bayreach.outcome._checks import ChecksRecord, LookRecord, ToolCheckRecord
from bayreach.outcome._doubt import BayDoubtRecord, DoubtfulPlaceRecord, DoubtRecord
from bayreach.outcome._films import FILMS_FILE, PassFilm, films_bytes, films_from
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
from bayreach.outcome._json import (
    outcome_from_table,
    result_schema,
    schema_of,
    to_json,
    to_table,
)
from bayreach.outcome._outcome import Measurement, Outcome
from bayreach.outcome._reach import BayReachRecord, ReachRecord, ReachTable, ReplayRecord, ReplayTable
from bayreach.outcome._records import (
    OUTSIDE_NAME,
    VERSION,
    BayDetailRecord,
    BayRecord,
    Box,
    CoverageRecord,
    FateRecord,
    HoleRecord,
    HolidayRecord,
    InputsRecord,
    KeepOutRecord,
    LiquidRecord,
    MaskRecord,
    MeshRecord,
    NoDrillRecord,
    OpeningDetailRecord,
    OpeningRecord,
    PassRecord,
    PlanRecord,
    Point,
    RepairRecord,
    ShortfallRecord,
    TargetRecord,
    TradeOffRecord,
    WandRecord,
    coverage_of,
)
from bayreach.outcome._sides import Result, Sides
from bayreach.outcome._work import WorkRecord, WorkStepRecord

__all__ = [
    "FILMS_FILE",
    "OUTSIDE_NAME",
    "VERSION",
    "BalanceRecord",
    "BayDetailRecord",
    "BayDoubtRecord",
    "BayReachRecord",
    "BayRecord",
    "Box",
    "ChecksRecord",
    "CoverageRecord",
    "CreepRecord",
    "DoubtRecord",
    "DoubtfulPlaceRecord",
    "DripRecord",
    "FateRecord",
    "FogRecord",
    "HoleRecord",
    "HolidayRecord",
    "InputsRecord",
    "KeepOutRecord",
    "LimitRecord",
    "LiquidRecord",
    "LoadRecord",
    "LookRecord",
    "MaskRecord",
    "Measurement",
    "MeshRecord",
    "MistRecord",
    "NoDrillRecord",
    "OpeningDetailRecord",
    "OpeningRecord",
    "Outcome",
    "PassFilm",
    "PassRecord",
    "PlaceRecord",
    "PlanRecord",
    "Point",
    "PoolRecord",
    "ReachRecord",
    "ReachTable",
    "RepairRecord",
    "ReplayRecord",
    "ReplayTable",
    "Result",
    "ShortfallRecord",
    "Sides",
    "TargetRecord",
    "ToolCheckRecord",
    "TradeOffRecord",
    "WandRecord",
    "WorkRecord",
    "WorkStepRecord",
    "coverage_of",
    "films_bytes",
    "films_from",
    "outcome_from_table",
    "quiet",
    "result_schema",
    "schema_of",
    "to_json",
    "to_table",
]


def quiet(stage: str, share: float) -> None:
    """Say nothing of the progress: the default where nobody watches."""
