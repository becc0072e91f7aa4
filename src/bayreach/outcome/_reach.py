"""What `reach` tells of a job's wands, and the ways in that `reach --replay` writes."""

from collections.abc import Sequence
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


SixNumbers = tuple[float, float, float, float, float, float]


@dataclass(frozen=True, kw_only=True)
class ReplayRecord:
    """The deepest way in of a wand through an opening, step by step, as capsules in m in the mesh's axes.

    `capsules_m` holds for each step, and in it for each capsule, both ends of its middle line (x, y, z, x, y,
    z); `radii_m` a radius for each capsule; `margins_m`, for each step and capsule, how much it is to be
    grown so that those of all steps together hold the wand at every moment between them. `line_m` is the line
    that a flexible wand keeps to. `clear_between_steps` tells that what is grown so is clear of the
    structure, to `clear_to_m`; null where it was not held against it.
    """

    wand: str
    opening: str
    depths_m: Sequence[float]
    radii_m: Sequence[float]
    capsules_m: Sequence[Sequence[SixNumbers]]
    margins_m: Sequence[Sequence[float]]
    line_m: Sequence[tuple[float, float, float]]
    clear_between_steps: bool | None
    clear_to_m: float


@dataclass(frozen=True, kw_only=True)
class ReplayTable:
    """What `reach --replay` writes: a way in for each wand through each opening that lets it in."""

    replays: tuple[ReplayRecord, ...]
