"""What can be verified after the work, as result.json names it."""

from dataclasses import dataclass

from bayreach.outcome._records import Point


@dataclass(frozen=True, kw_only=True)
class ToolCheckRecord:
    """A tool to look or feel with, and the required m² that it can judge and no tool listed before it."""

    name: str
    kind: str
    diameter_m: float
    reach_m: float
    farthest_m: float
    least_angle_deg: float
    bend_deg: float
    field_deg: float
    first_m2: float


@dataclass(frozen=True, kw_only=True)
class LookRecord:
    """One look: where the sight begins (eye, mirror, tip), how far in through which opening, what it sees."""

    tool: str
    opening: str
    depth_m: float
    point_m: Point
    axis: Point
    sees_m2: float


@dataclass(frozen=True, kw_only=True)
class ChecksRecord:
    """What can be verified through the openings used: m² of required sides.

    `looks` together judge 99.9 % of what can be judged; fewer than `looks_bound` of the looks tried cannot.
    """

    checkable_m2: float
    covered_checkable_m2: float
    covered_not_checkable_m2: float
    tools: tuple[ToolCheckRecord, ...] = ()
    looks: tuple[LookRecord, ...] = ()
    looks_bound: int = 0
