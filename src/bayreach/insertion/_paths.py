"""Paths that a wand's tip can take, the bays they pass, and refusals that name their limit."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import FloatArray, unit_vectors
from bayreach.insertion._rules import max_tilt
from bayreach.insertion._space import Crossing, Space, crossings, inner_bay, inward
from bayreach.insertion._straight import (
    DIRECTION,
    DROOP,
    HOLE,
    OUTSIDE_ROOM,
    SIZE,
    STEEPEST,
    STRUCTURE,
    StraightReach,
    straight_reach,
)
from bayreach.poses import TipPath, straight_path
from bayreach.wands import Wand

if TYPE_CHECKING:
    from bayreach.bays import Opening

DOWN = (0.0, 0.0, -1.0)


@dataclass(frozen=True, kw_only=True)
class BayRange:
    """The part of a path whose tip is in one bay: from `deepest` to `shallowest` (m of depth)."""

    bay: int
    deepest: float
    shallowest: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Path:
    """One way in for a wand: where its tip travels when pulled from its greatest depth back to the opening.

    Parameters
    ----------
    wand : Wand
        The wand.
    opening : str
        Name of the opening it enters through.
    aim : (3,) float
        Unit vector along the wand where it passes the opening.
    entry : (3,) float
        Point in m where its axis passes the opening.
    clock : float
        Clock angle in rad at the handle.
    deepest, shallowest : float
        Greatest and least depth in m of the tip along the path.
    tip_path : TipPath
        Poses of the tip, deepest first.
    ranges : tuple of BayRange
        The bays that the tip is in, deepest first.
    through : tuple of str
        Names of the openings that the tip passes, in order, the entry first.
    limit : str
        What ends it there.
    """

    wand: Wand
    opening: str
    aim: FloatArray
    entry: FloatArray
    clock: float
    deepest: float
    shallowest: float
    tip_path: TipPath
    ranges: tuple[BayRange, ...]
    through: tuple[str, ...]
    limit: str

    @property
    def bays_reached(self) -> tuple[int, ...]:
        """Bays that the tip enters, in the order of the way in, each once."""
        return tuple(dict.fromkeys(span.bay for span in reversed(self.ranges)))


@dataclass(frozen=True, kw_only=True, eq=False)
class Refusal:
    """Why a wand does not do what was asked: the sentence, how much is missing in m, and where (3,) m."""

    wand: str
    opening: str
    reason: str
    short_by: float
    place: FloatArray
    bay: str = ""


def aims_over_cone(axis: ArrayLike, half_angle: float, count: int) -> FloatArray:
    """Return `count` unit vectors (count, 3) spread evenly over the cone of `half_angle` (rad) about `axis`.

    The first is the axis itself; the rest lie on a golden-angle spiral of equal solid angles.

    >>> aims_over_cone([0, 0, 2], 0.5, 3)[0].tolist()
    [0.0, 0.0, 1.0]
    """
    axis = unit_vectors(axis)
    first = unit_vectors(np.cross(axis, np.eye(3)[np.argmin(np.abs(axis))]))
    second = np.cross(axis, first)
    step = np.arange(max(count, 1))
    cosines = 1.0 - (1.0 - math.cos(half_angle)) * step / max(count - 1, 1)
    sines = np.sqrt(np.maximum(0.0, 1.0 - cosines**2))
    turns = step * math.pi * (3.0 - math.sqrt(5.0))
    sideways = np.cos(turns)[:, None] * first + np.sin(turns)[:, None] * second
    spread: FloatArray = cosines[:, None] * axis + sines[:, None] * sideways
    return spread


def widest_tilt(wand: Wand, opening: "Opening") -> float:
    """Return the greatest tilt in rad that a wand's widest section takes in the opening; -1: too wide."""
    tilt = max_tilt(opening.diameter, wand.largest_section.diameter, opening.thickness)
    return min(tilt, STEEPEST)


def candidate_aims(space: Space, wand: Wand, opening: "Opening", count: int) -> tuple[FloatArray, FloatArray]:
    """Return entry points (m, 3) in m and aims (m, 3) worth trying: a cone's worth, and those in line.

    `count` aims cover the cone that the hole lets the wand tilt in; more go straight in and to the centres
    of the other openings wide enough, from places all over a wide opening, and along each line of two other
    centres that passes this one with room.
    """
    tilt = max(widest_tilt(wand, opening), 0.0)
    axis = inward(opening)
    cone = aims_over_cone(axis, tilt, count)
    entries, aims = [np.tile(opening.center, (len(cone), 1))], [cone]
    width = wand.largest_section.diameter
    centers = np.array(
        [
            other.center
            for other in space.bays.openings
            if other.name != opening.name and other.diameter >= width
        ]
    ).reshape(-1, 3)
    for place in _entries_over(opening, axis, width):
        direct = np.concatenate([axis[None], unit_vectors(centers - place)])
        ahead = direct[direct @ axis > math.cos(tilt + 1e-9)]
        aims.append(ahead)
        entries.append(np.tile(place, (len(ahead), 1)))
    lines, places = _lines_in_line(centers, opening, axis, width)
    return np.concatenate([*entries, places]), np.concatenate([*aims, lines])


def _entries_over(opening: "Opening", axis: FloatArray, width: float) -> FloatArray:
    """Return the opening's centre, and two rings of points in it where it is wide against the wand."""
    if opening.diameter < 4.0 * width:
        return np.asarray(opening.center)[None]
    first = unit_vectors(np.cross(axis, np.eye(3)[np.argmin(np.abs(axis))]))
    room = (opening.diameter - width) / 2.0
    rings = [np.zeros((1, 2))]
    for share, number in ((0.5, 6), (0.9, 12)):
        turns = 2.0 * np.pi * np.arange(number) / number
        rings.append(share * room * np.stack([np.cos(turns), np.sin(turns)], axis=1))
    flat = np.concatenate(rings)
    spread: FloatArray = opening.center + flat @ np.stack([first, np.cross(axis, first)])
    return spread


def _lines_in_line(
    centers: FloatArray, opening: "Opening", axis: FloatArray, width: float
) -> tuple[FloatArray, FloatArray]:
    """Return the directions and entry points of lines through two centres that pass the opening with room."""
    first, second = np.triu_indices(len(centers), k=1)
    lines = unit_vectors(centers[second] - centers[first])
    lines = np.where((lines @ axis)[:, None] < 0.0, -lines, lines)
    slope = lines @ axis
    run = np.divide(
        (opening.center - centers[first]) @ axis, slope, out=np.zeros(len(slope)), where=slope > 1e-9
    )
    places = centers[first] + run[:, None] * lines
    off = np.linalg.norm(places - opening.center, axis=1)
    room = (opening.diameter - width) / 2.0
    passes = (slope > 0.05) & (off < room) & (off > 1e-6)
    return lines[passes], places[passes]


def paths_through(
    space: Space,
    wand: Wand,
    opening: "Opening",
    *,
    aims: ArrayLike | None = None,
    entries: ArrayLike | None = None,
    clocks: Sequence[float] = (0.0,),
    count: int = 64,
    shortest: float = 0.01,
    holes: "tuple[Opening, ...]" = (),
    down: ArrayLike = DOWN,
) -> tuple[tuple[Path, ...], tuple[Refusal, ...]]:
    """Return a wand's paths through an opening, and a refusal for it or for each bay not reached.

    Parameters
    ----------
    space : Space
        What it moves through.
    wand : Wand
        Any shape; a straight one takes `aims`, others are searched.
    opening : Opening
        Where it enters; kind "proposed" is as if cut.
    aims, entries : (m, 3) float
        Unit vectors, and points in m in the opening; without them `count` and those in line are tried.
    clocks : sequence of float
        Clock angles in rad; each gives a path of its own.
    shortest : float
        Paths that end within this depth (m) are dropped.
    holes : tuple of Opening
        More openings that are as if cut.
    down : (3,) float
        The way down, from which clock zero is counted.

    Raises
    ------
    WandError
        When the opening does not lead outside.
    """
    if aims is None:
        places, directions = candidate_aims(space, wand, opening, count)
    else:
        directions = unit_vectors(np.atleast_2d(np.asarray(aims, dtype=np.float64)))
        places = np.broadcast_to(opening.center if entries is None else np.asarray(entries), directions.shape)
    reach = straight_reach(space, wand, opening, directions, entries=places, holes=holes)
    found = crossings(space.bays, reach.entries, reach.aims, np.full(len(reach.aims), space.mesh.diagonal))
    kept = np.flatnonzero(reach.depths > shortest)
    paths = tuple(
        _straight_path(
            space, reach, found[index], index=int(index), clock=clock, shortest=shortest, down=down
        )
        for index in kept
        for clock in clocks
    )
    return paths, refusals_of(space, reach, found, {bay for path in paths for bay in path.bays_reached})


def bay_ranges(
    opening: "Opening", passed: Sequence[Crossing], deepest: float, shallowest: float
) -> tuple[tuple[BayRange, ...], tuple[str, ...]]:
    """Return the bays between two depths (m), deepest first, and the openings passed, the entry first."""
    bay, start = inner_bay(opening), shallowest
    ranges, through = [], [opening.name]
    for crossing in passed:
        links = crossing.opening.links
        if crossing.opening.name == opening.name or crossing.depth >= deepest or bay not in links:
            continue
        if crossing.depth > start:
            ranges.append(BayRange(bay=bay, deepest=crossing.depth, shallowest=start))
            start = crossing.depth
        bay = links[1] if links[0] == bay else links[0]
        through.append(crossing.opening.name)
    ranges.append(BayRange(bay=bay, deepest=deepest, shallowest=start))
    return tuple(reversed(ranges)), tuple(through)


def _straight_path(
    space: Space, reach: StraightReach, passed: Sequence[Crossing], *, index: int, clock: float,
    shortest: float, down: ArrayLike,
) -> Path:  # fmt: skip
    deepest = float(reach.depths[index])
    shallowest = min(shortest, deepest)
    ranges, through = bay_ranges(reach.opening, passed, deepest, shallowest)
    tip_path = straight_path(
        entry=reach.entries[index], aim=reach.aims[index], deepest=deepest, shallowest=shallowest,
        clock=clock, down=down,
    )  # fmt: skip
    return Path(
        wand=reach.wand, opening=reach.opening.name, aim=reach.aims[index], entry=reach.entries[index],
        clock=clock, deepest=deepest, shallowest=shallowest, tip_path=tip_path, ranges=ranges,
        through=through, limit=limit_sentence(space, reach, index),
    )  # fmt: skip


def limit_sentence(space: Space, reach: StraightReach, index: int) -> str:
    """Return what ends the depth along aim `index`, in words with sizes in mm."""
    wand, opening = reach.wand, reach.opening
    depth, limit, section = 1e3 * reach.depths[index], int(reach.limits[index]), reach.sections[index]
    tilt = math.degrees(reach.tilts[index])
    width = 1e3 * next(
        (part.diameter for part in wand.sections if part.name == section), wand.handle_diameter
    )
    part = space.part_of(int(reach.faces[index])) if reach.faces[index] >= 0 else ""
    most = math.degrees(widest_tilt(wand, opening))
    said = {
        SIZE: f"{opening.name}: {width:.1f} mm {section} in a {1e3 * opening.diameter:.1f} mm hole",
        HOLE: f"{opening.name}: at {tilt:.1f} degrees the {width:.1f} mm {section} meets the rim of the "
        f"{1e3 * opening.diameter:.1f} mm hole"
        + (f"; {most:.1f} degrees is the most it takes" if most >= 0 else ""),
        DIRECTION: f"{opening.name}: an aim {tilt:.1f} degrees off the opening's axis does not lead in",
        OUTSIDE_ROOM: f"no room outside {opening.name} for the wand: its {section} meets {part}",
        DROOP: f"{depth:.0f} mm is the free length that droops {1e3 * wand.droop_limit:.1f} mm",
        STRUCTURE: f"stops {depth:.0f} mm in, its {section} on {part}",
    }
    return said.get(limit, f"stops {1e3 * wand.length:.0f} mm in, at its own length")


def refusals_of(
    space: Space, reach: StraightReach, found: Sequence[Sequence[Crossing]], reached: set[int]
) -> tuple[Refusal, ...]:
    """Return one refusal for the opening if no aim enters, else one for each bay that no path reaches."""
    if not reach.fits.any():
        best = int(np.argmin(reach.tilts))
        width = reach.wand.largest_section.diameter
        return (
            Refusal(
                wand=reach.wand.name, opening=reach.opening.name, reason=limit_sentence(space, reach, best),
                short_by=max(0.0, width - reach.opening.diameter), place=reach.places[best],
            ),
        )  # fmt: skip
    missing = [bay for bay in range(len(space.bays.bays)) if bay not in reached]
    return tuple(_short_of(space, reach, found, bay) for bay in missing)


def _short_of(space: Space, reach: StraightReach, found: Sequence[Sequence[Crossing]], bay: int) -> Refusal:
    """Return the refusal of the aim that comes nearest to `bay` along a line that leads there."""
    name = space.bay_name(bay)
    best, least = -1, math.inf
    for index, passed in enumerate(found):
        ranges, _ = bay_ranges(reach.opening, passed, math.inf, 0.0)
        begins = [span.shallowest for span in ranges if span.bay == bay]
        if begins and min(begins) - reach.depths[index] < least:
            best, least = index, min(begins) - float(reach.depths[index])
    if best < 0:
        reason = f"no straight line tried through {reach.opening.name} leads to {name}"
        return Refusal(
            wand=reach.wand.name, opening=reach.opening.name, reason=reason, short_by=math.inf,
            place=reach.opening.center, bay=name,
        )  # fmt: skip
    short = max(least, 0.0)
    reason = f"{limit_sentence(space, reach, best)}, {1e3 * short:.0f} mm short of {name}"
    return Refusal(
        wand=reach.wand.name, opening=reach.opening.name, reason=reason, short_by=short,
        place=reach.places[best], bay=name,
    )  # fmt: skip
