"""What `reach` tells of a job's wands."""

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class BayReachRecord:
    """One bay as a wand through an opening reaches it; `limit` says why it does not, and how short it is.

    `searched` says how a way in was looked for where none was found; empty where a rule keeps the wand out.
    """

    bay: str
    reached: bool
    tip_volume_m3: float
    tip_volume_error_m3: float
    visible_m2: float
    visible_share: float
    in_pattern_m2: float = 0.0
    in_pattern_share: float = 0.0
    limit: str = ""
    short_by_m: float | None = None
    searched: str = ""


@dataclass(frozen=True, kw_only=True)
class ReachRecord:
    """One wand through one opening: whether it fits, how deep, what it could wet, and what limits it.

    `visible_m2` is seen from where the tip can be; `in_pattern_m2` of it within the tip's pattern and throw.
    `searched` says how a way in was looked for where it does not fit by no rule, but none was found.
    """

    wand: str
    opening: str
    fits: bool
    depth_m: float
    max_tilt_deg: float | None
    bays_reached: tuple[str, ...]
    visible_m2: float
    limit: str
    in_pattern_m2: float = 0.0
    aims_sr: float = 0.0
    searched: str = ""
    bays: tuple[BayReachRecord, ...] = ()


@dataclass(frozen=True, kw_only=True)
class ReachTable:
    """What `reach` tells of a job's wands, and which ray engine told what their tips see."""

    reach: tuple[ReachRecord, ...]
    changes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    ray_engine: str = ""
