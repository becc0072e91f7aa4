"""Paths and refusals of bent wands."""

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import OUTSIDE, FloatArray, IntArray
from bayreach.insertion._bent import body_poses
from bayreach.insertion._records import BayRange, Path, Refusal
from bayreach.insertion._space import Space, bays_at, inner_bay, inward
from bayreach.insertion._turning import Search, Tools, checked_way, pull_back, searched, tools_for
from bayreach.poses import TipPath
from bayreach.wands import Wand

if TYPE_CHECKING:
    from bayreach.bays import Opening


def bent_paths(
    space: Space, wand: Wand, opening: "Opening", *, aims: FloatArray, entries: FloatArray,
    clocks: Sequence[float], shortest: float, holes: "tuple[Opening, ...]", down: ArrayLike,
) -> tuple[tuple[Path, ...], tuple[Refusal, ...]]:  # fmt: skip
    """Return the paths of a bent wand: one for each aim and clock angle at which its tip gets in.

    Along each aim the wand is threaded through the opening along its own line, and may be turned about the
    aim wherever there is room; the clock angle of a path is the one at the handle while it is pulled back.
    """
    inward(opening)  # refuses an opening between two bays
    tools = tools_for(space, wand, opening, clocks=clocks, down=down, holes=holes)
    paths: list[Path] = []
    searches: list[Search] = []
    for entry, aim in zip(entries, aims, strict=True):  # each is a search of its own
        search = searched(tools, entry, aim)
        for clock in clocks:
            column = int(np.argmin(np.abs(np.angle(np.exp(1j * (tools.clocks - clock))))))
            way, search = checked_way(search, column)
            path = _bent_path(search, way, float(clock), shortest) if len(way) else None
            if path is not None:
                paths.append(path)
        searches.append(search)
    return tuple(paths), _refusals(tools, searches, paths)


def bent_gets_into(
    space: Space, wand: Wand, opening: "Opening", bay: int, *, aims: FloatArray,
    holes: "tuple[Opening, ...]", down: ArrayLike,
) -> bool:  # fmt: skip
    """Tell whether a bent wand's tip gets into a bay along some aim, at any clock angle, by a checked way."""
    tools = tools_for(space, wand, opening, clocks=[0.0], down=down, holes=holes)
    for aim in aims:
        search = searched(tools, np.asarray(opening.center), aim)
        rows, columns = np.nonzero(search.reached)
        poses = body_poses(
            tools.threading,
            tools.rows[rows],
            tools.clocks[columns],
            entry=search.entry,
            aim=aim,
            down=tools.down,
        )
        inside = np.flatnonzero(bays_at(space, poses.carried(tools.threading.points[0])) == bay)
        for column in np.unique(columns[inside]):
            way, _ = checked_way(search, int(column))
            if len(way) and way[-1, 0] >= rows[inside][columns[inside] == column].min():
                return True
    return False


def _bent_path(search: Search, way: IntArray, clock: float, shortest: float) -> Path | None:
    tools = search.tools
    depths = tools.threading.depths[tools.rows]
    deepest, column = int(way[-1, 0]), int(way[-1, 1])
    shallowest = max(pull_back(search, column, deepest), int(np.searchsorted(depths, shortest)))
    if shallowest >= deepest:
        return None
    rows = np.arange(deepest, shallowest - 1, -1)
    tip_path = tip_path_of(search, rows, column)
    ranges = ranges_of(tools.space, tip_path, inner_bay(tools.opening))
    steps = np.stack([depths[way[:, 0]], tools.clocks[way[:, 1]]], axis=1)
    return Path(
        wand=tools.wand, opening=tools.opening.name, aim=search.aim, entry=search.entry, clock=clock,
        deepest=float(depths[deepest]), shallowest=float(depths[shallowest]), tip_path=tip_path,
        ranges=ranges, through=(tools.opening.name,), limit=bent_limit(search, deepest, column), way=steps,
    )  # fmt: skip


def tip_path_of(search: Search, rows: IntArray, column: int) -> TipPath:
    """Return the tip's poses at some searched depths (deepest first) and one clock angle."""
    tools = search.tools
    threading = tools.threading
    poses = body_poses(
        threading, tools.rows[rows], np.full(len(rows), tools.clocks[column]), entry=search.entry,
        aim=search.aim, down=tools.down,
    )  # fmt: skip
    frame = threading.frames[0]
    return TipPath(
        points=poses.carried(threading.points[0]),
        axes=np.einsum("kij,j->ki", poses.rotations, frame[0]),
        clocks=np.einsum("kij,j->ki", poses.rotations, frame[2]),
        depths=threading.depths[tools.rows[rows]],
    )


def ranges_of(space: Space, tip_path: TipPath, entered: int) -> tuple[BayRange, ...]:
    """Return the bays that a tip is in along its path, deepest first; at the opening, the one behind it."""
    bays = bays_at(space, tip_path.points)
    if len(bays) > 1 and bays[-1] == OUTSIDE:
        bays[-1] = entered
    depths = tip_path.depths
    starts = np.flatnonzero(np.concatenate([[True], bays[1:] != bays[:-1]]))
    stops = np.concatenate([starts[1:], [len(bays) - 1]])
    return tuple(
        BayRange(bay=int(bays[start]), deepest=float(depths[start]), shallowest=float(depths[stop]))
        for start, stop in zip(starts, stops, strict=True)
    )


def bent_limit(search: Search, row: int, column: int) -> str:
    """Return what ends a bent wand's depth at one clock angle, in words with sizes in mm."""
    tools = search.tools
    depth = 1e3 * tools.threading.depths[tools.rows[row]]
    if row + 1 >= len(tools.rows):
        return f"stops {depth:.0f} mm in, at its own length"
    face, capsule = int(search.faces[row + 1, column]), int(search.capsules[row + 1, column])
    if face < 0 and tools.threading.depths[tools.rows[row + 1]] > tools.free:
        return f"stops {depth:.0f} mm in, where its free length droops {1e3 * tools.wand.droop_limit:.1f} mm"
    if face < 0:
        return _hole_limit(tools, row + 1)
    where = f"{tools.coarse.names[capsule]} on {tools.space.part_of(face)}"
    return (
        f"stops {depth:.0f} mm in, its {where}"
        if row
        else f"does not enter {tools.opening.name}: its {where}"
    )


def _hole_limit(tools: Tools, row: int) -> str:
    needed = 1e3 * float(tools.threading.needed[tools.rows[row]])
    depth = 1e3 * float(tools.threading.depths[tools.rows[row]])
    return (
        f"{tools.opening.name}: {depth:.0f} mm behind its tip the wand needs a hole of {needed:.2f} mm, "
        f"this one has {1e3 * tools.opening.diameter:.2f} mm"
    )


def _refusals(tools: Tools, searches: Sequence[Search], paths: Sequence[Path]) -> tuple[Refusal, ...]:
    """Return one refusal for the opening if nothing enters, else one for each bay not reached."""
    best = max(searches, key=lambda search: search.deepest)
    row = max(int(np.searchsorted(tools.threading.depths[tools.rows], best.deepest - 1e-9)), 0)
    column = int(np.argmax(best.reached[row])) if best.deepest > 0.0 else int(np.argmin(best.faces[0] >= 0))
    reason = bent_limit(best, row, column)
    if best.deepest == 0.0 and not best.clear[0].any():
        face = int(best.faces[0, column])
        part = tools.space.part_of(face) if face >= 0 else "its own rim"
        reason = f"no room outside {tools.opening.name} for the wand: it meets {part}"
    bends = tools.wand.length - tools.wand.straight_shank
    missing = {bay.index: bay.name for bay in tools.space.bays.bays}
    for path in paths:
        for bay in path.bays_reached:
            missing.pop(bay, None)
    names = [""] if not paths else list(missing.values())
    place = best.entry + best.deepest * best.aim
    short = max(0.0, bends - best.deepest) if not paths else math.inf
    return tuple(
        Refusal(
            wand=tools.wand.name, opening=tools.opening.name,
            reason=f"{reason}, short of {name}" if name else reason,
            short_by=short, place=place, bay=name,
        )
        for name in names
    )  # fmt: skip
