"""Candidate passes: paths in, spread over what a wand can reach, cut where that helps."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import OUTSIDE, FloatArray, IntArray
from bayreach.deposit.direct import flow_course
from bayreach.insertion import Path, Refusal, paths_through
from bayreach.poses import Stations, TipPath, poses_at, with_clock
from bayreach.wands import Wand

if TYPE_CHECKING:
    from bayreach.bays import Opening
    from bayreach.insertion import Space
    from bayreach.tips import Tip

SHORTEST_PULL = 0.02
"""A pull that stays wet over less than this many m is no candidate of its own."""
FASTEST = 2.0
"""Times the wand's own pull speed that a plan asks for at most (one over its least speed level)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Candidate:
    """A pass that can be made: a path and the part of it with the trigger on.

    The tip answers the trigger `lag` s late, so a faster pull stays dry over a longer part of it. What is wet
    is the same at every speed: what is left at the fastest, and slower pulls are triggered nearer to it.

    Parameters
    ----------
    wand : Wand
        The wand.
    opening : str
        Opening or candidate hole it enters through.
    aim : (3,) float
        Unit vector along the wand at the opening.
    entry : (3,) float
        Where its axis passes the opening, in m.
    clock : float
        Clock angle in rad.
    deepest, shallowest : float
        Depths in m between which the trigger is on.
    tip_path : TipPath
        The poses between them, deepest first.
    bay : int
        The bay that the tip is in, or -1 where the pull passes several.
    through : tuple of str
        Openings passed by the wand, the entry first.
    way_in : Path
        The whole path that it is, or was cut from.
    """

    wand: Wand
    opening: str
    aim: FloatArray
    entry: FloatArray
    clock: float
    deepest: float
    shallowest: float
    tip_path: TipPath
    bay: int
    through: tuple[str, ...]
    way_in: Path

    @property
    def length(self) -> float:
        """Length of the pull in m."""
        return self.deepest - self.shallowest

    @property
    def wet_length(self) -> float:
        """Length in m over which liquid leaves the tip, at any speed."""
        return max(0.0, self.length - _lead(self.wand))

    @property
    def seconds(self) -> float:
        """Trigger-on time in s of one pull at the wand's own speed."""
        return self.seconds_at(self.wand.pull_speed)

    @property
    def volume(self) -> float:
        """Liquid in m³ that a plan counts on for one pull at the wand's own speed.

        Where the flow grows and dies it does so over as long a way as at the fastest pull: slower pulls lay
        no less anywhere.
        """
        return FASTEST * self.volume_at(FASTEST * self.wand.pull_speed)

    @property
    def wet_path(self) -> TipPath:
        """The part of the pull in which liquid leaves the tip, at any speed."""
        if not self.wand.lag:
            return self.tip_path
        return cut_path(self.tip_path, self.shallowest + self.wet_length, self.shallowest)

    def flow_on(self, stations: Stations) -> FloatArray:
        """Return the flow at each station (k,) of the wet part as a share of the full flow; see `volume`."""
        wand = self.wand
        return flow_course(stations, speed=FASTEST * wand.pull_speed, rise=wand.rise, fall=wand.fall)

    def seconds_at(self, speed: float) -> float:
        """Return the trigger-on time in s of one pull at `speed` m/s."""
        return self.wet_length / speed + self.wand.lag

    def volume_at(self, speed: float) -> float:
        """Return the liquid in m³ of one pull at `speed` m/s."""
        return self.wand.sprayed_in(self.wet_length / speed)

    def triggered_at(self, speed: float) -> TipPath:
        """Return the part of the pull with the trigger on at `speed` m/s, so that `wet_path` gets wet."""
        if not self.wand.lag:
            return self.tip_path
        deepest = min(self.deepest, self.shallowest + self.wet_length + speed * self.wand.lag)
        return cut_path(self.tip_path, deepest, self.shallowest)


def _lead(wand: Wand) -> float:
    """Return the length in m that stays dry at the fastest pull."""
    return FASTEST * wand.pull_speed * wand.lag


def cut_path(path: TipPath, deepest: float, shallowest: float) -> TipPath:
    """Return the part of `path` between two depths (m); its own poses in between are kept."""
    inner = path.depths[(path.depths < deepest - 1e-9) & (path.depths > shallowest + 1e-9)]
    ends = [deepest, shallowest] if deepest > shallowest else [deepest]
    depths = np.concatenate([ends[:1], inner, ends[1:]])
    poses = poses_at(path, depths, lengths=np.zeros(len(depths)))
    return TipPath(points=poses.points, axes=poses.axes, clocks=poses.clocks, depths=depths)


def clock_angles(tip: "Tip", shape: str = "straight") -> tuple[float, ...]:
    """Return the clock angles (rad) worth trying.

    One for a pattern round the axis of a straight wand; for a side tip, a table and a bent wand, whose hook
    points somewhere, 0, 90, 180 and 270 degrees (common practice, no source).

    >>> from bayreach.tips import Tip
    >>> len(clock_angles(Tip(pattern="radial", spread=0.7, flow=1e-6)))
    1
    """
    count = 1 if tip.pattern in ("radial", "forward") and shape != "bent" else 4
    return tuple(2.0 * math.pi * step / count for step in range(count))


def candidate_passes(
    space: "Space",
    wands: Sequence[Wand],
    openings: Sequence["Opening"],
    *,
    most_paths: int = 24,
    aims: int = 64,
    proposed: bool = False,
    down: ArrayLike = (0.0, 0.0, -1.0),
) -> tuple[tuple[Candidate, ...], tuple[Refusal, ...]]:
    """Return the passes that `wands` can make through `openings`, and the refusals.

    Of all paths through an opening those that reach furthest and lie furthest apart are kept.
    Each gives one
    pass over its whole depth and one for each bay it passes, so that a bay can be given more than its
    neighbour.

    Parameters
    ----------
    openings : sequence of Opening
        Those that lead outside; others are left out.
    most_paths : int
        Most paths of one wand through one opening, each clock angle counted; two ways in at least.
    aims : int
        Directions tried over the cone that the opening lets the wand tilt in.
    proposed : bool
        Each opening is a hole not cut yet: its own faces do not stand in the way.
    """
    found: list[Candidate] = []
    refused: list[Refusal] = []
    for opening in openings:
        if OUTSIDE not in opening.links:
            continue
        for wand in wands:
            angles = clock_angles(wand.tip, wand.shape)
            # A bent wand gets in by turning: each clock angle is a way of its own, with depths of its own.
            # Another moves but its pattern when it turns.
            is_bent = wand.shape == "bent"
            paths, refusals = paths_through(
                space,
                wand,
                opening,
                clocks=angles if is_bent else (0.0,),
                count=aims,
                shortest=SHORTEST_PULL,
                holes=(opening,) if proposed else (),
                down=down,
            )
            refused.extend(refusals)
            turns = 1 if is_bent else len(angles)
            for index in spread_paths(paths, max(2, math.ceil(most_paths / turns))):
                for path in [paths[index]] if is_bent else _turned(paths[index], angles):
                    found.extend(_ranges(path))
    return tuple(found), tuple(refused)


def spread_paths(paths: Sequence[Path], most: int) -> IntArray:
    """Return the indices of at most `most` paths: the deepest, then always the one furthest from those kept.

    Two paths are as far apart as the mean distance of their points at a quarter, half and all of their depth.
    """
    if not paths:
        return np.zeros(0, dtype=np.int64)
    marks = np.stack([_marks(path) for path in paths])
    kept = [int(np.argmax([path.deepest for path in paths]))]
    gaps = np.linalg.norm(marks - marks[kept[0]], axis=2).mean(axis=1)
    while len(kept) < min(most, len(paths)) and gaps.max() > 5e-3:
        kept.append(int(np.argmax(gaps)))
        gaps = np.minimum(gaps, np.linalg.norm(marks - marks[kept[-1]], axis=2).mean(axis=1))
    return np.array(kept, dtype=np.int64)


def _marks(path: Path) -> FloatArray:
    depths = path.deepest * np.array([1.0, 0.5, 0.25])
    depths = np.clip(depths, path.tip_path.depths[-1], path.tip_path.depths[0])
    return poses_at(path.tip_path, depths, lengths=np.zeros(3)).points


def _turned(path: Path, angles: tuple[float, ...]) -> list[Path]:
    """Return `path` at every clock angle worth trying."""
    if len(angles) == 1:
        return [path]
    return [replace(path, clock=angle, tip_path=with_clock(path.tip_path, angle)) for angle in angles]


def _ranges(path: Path) -> list[Candidate]:
    whole = Candidate(
        wand=path.wand,
        opening=path.opening,
        aim=path.aim,
        entry=path.entry,
        clock=path.clock,
        deepest=path.deepest,
        shallowest=path.shallowest,
        tip_path=path.tip_path,
        bay=path.ranges[0].bay if len(path.ranges) == 1 else OUTSIDE,
        through=path.through,
        way_in=path,
    )
    found = [whole]
    if len(path.ranges) > 1:
        # Triggered as much deeper, where the path goes on, as the tip may stay dry.
        lead = _lead(path.wand)
        starts = [min(path.deepest, span.deepest + lead) for span in path.ranges]
        found += [
            replace(
                whole,
                deepest=start,
                shallowest=span.shallowest,
                tip_path=cut_path(path.tip_path, start, span.shallowest),
                bay=span.bay,
            )
            for start, span in zip(starts, path.ranges, strict=True)
            if start > span.shallowest
        ]
    return [one for one in found if one.wet_length >= SHORTEST_PULL]
