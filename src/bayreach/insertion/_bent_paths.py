"""Paths and refusals of bent wands."""

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import OUTSIDE, BoolArray, FloatArray
from bayreach.insertion._chains import too_narrow
from bayreach.insertion._leans import spread_over
from bayreach.insertion._records import BayRange, Path, Refusal
from bayreach.insertion._space import Space, bays_at, inner_bay, inward
from bayreach.insertion._turning import (
    Search,
    Tools,
    pull_back,
    searched,
    stands_at,
    tools_for,
    way_back_from,
    way_to,
    with_clear_alone,
)
from bayreach.insertion._ways import line_arrays, tips_at
from bayreach.poses import TipPath
from bayreach.wands import Wand

if TYPE_CHECKING:
    from bayreach.bays import Opening


def bent_paths(
    space: Space, wand: Wand, opening: "Opening", *, aims: FloatArray, entries: FloatArray,
    clocks: Sequence[float], shortest: float, holes: "tuple[Opening, ...]", down: ArrayLike, moves: bool,
) -> tuple[tuple[Path, ...], tuple[Refusal, ...]]:  # fmt: skip
    """Return the paths of a bent wand: one for each aim and clock angle at which its tip gets in.

    The wand is threaded through the opening along its own line and turned about it wherever there is room;
    with `moves` it also leans from aim to aim on the way. The clock angle of a path is the one at the handle
    while it is pulled back.
    """
    inward(opening)  # refuses an opening between two bays
    tools = tools_for(
        space, wand, opening, entries=entries, aims=aims, clocks=clocks, down=down, holes=holes, linked=moves,
        least=shortest,
    )  # fmt: skip
    search = searched(tools)
    paths = [
        path
        for lean in range(len(aims))
        for clock in clocks
        if (path := _bent_path(search, lean, float(clock), shortest)) is not None
    ]
    return tuple(paths), _refusals(search, paths)


def bent_gets_into(
    space: Space, wand: Wand, opening: "Opening", bay: int, *, holes: "tuple[Opening, ...]", down: ArrayLike
) -> bool:
    """Tell whether a bent wand's tip gets into a bay, at any lean and clock angle, by a checked way."""
    return bent_way_into(space, wand, opening, bay, holes=holes, down=down) is not None


def bent_way_into(
    space: Space, wand: Wand, opening: "Opening", bay: int, *, holes: "tuple[Opening, ...]", down: ArrayLike
) -> FloatArray | None:
    """Return the stands (k, 13) of a checked way of a bent wand's tip into a bay, or None."""
    entries, aims = spread_over(space, wand, opening, moves=True)
    tools = tools_for(
        space, wand, opening, entries=entries, aims=aims, clocks=[0.0], down=down, holes=holes, linked=True
    )
    goals = with_clear_alone(tools, _tips_in(tools, bay))
    if not goals.any():
        return None
    way, is_decided = way_back_from(tools, goals)
    if is_decided:
        return None if way is None else way.stands
    search = searched(tools, goals)
    return None if search.goal < 0 else way_to(search, search.goal).stands


def _tips_in(tools: Tools, bay: int) -> BoolArray:
    """Tell (l, c, r) at which states the tip is in a bay."""
    shape = (len(tools.leans.aims), len(tools.clocks), len(tools.marks))
    states = np.flatnonzero(np.broadcast_to(tools.passes[:, None, :] > 0, shape))
    points, _, _ = tips_at(tools.threading, stands_at(tools, states))
    low, high = tools.space.bays.bays[bay].box
    near = ((points >= low) & (points <= high)).all(axis=1)
    inside = np.zeros(len(states), dtype=np.bool_)
    inside[near] = bays_at(tools.space, points[near]) == bay if near.any() else False
    goals = np.zeros(int(np.prod(shape)), dtype=np.bool_)
    goals[states[inside]] = True
    return goals.reshape(shape)


def _bent_path(search: Search, lean: int, clock: float, shortest: float) -> Path | None:
    """Return the path along one lean and clock angle from the greatest depth reached there, if any."""
    tools = search.tools
    column = int(np.argmin(np.abs(np.angle(np.exp(1j * (tools.clocks - clock))))))
    rows = np.flatnonzero(search.reached[lean, column])
    if not len(rows) or tools.marks[rows[-1]] <= shortest:
        return None
    deepest = int(rows[-1])
    state = (lean * len(tools.clocks) + column) * len(tools.marks) + deepest
    least = max(deepest - pull_back(search, state), int(np.searchsorted(tools.marks, shortest)))
    if least >= deepest:
        return None
    stands = stands_at(tools, state - np.arange(deepest - least + 1))
    points, axes, ups = tips_at(tools.threading, stands)
    tip_path = TipPath(points=points, axes=axes, clocks=ups, depths=stands[:, 0])
    return Path(
        wand=tools.wand, opening=tools.opening.name, aim=tools.leans.aims[lean],
        entry=tools.leans.entries[lean], clock=clock, deepest=float(stands[0, 0]),
        shallowest=float(stands[-1, 0]), tip_path=tip_path,
        ranges=ranges_of(tools.space, tip_path, inner_bay(tools.opening)), through=(tools.opening.name,),
        limit=bent_limit(search, lean, column, deepest), carried=way_to(search, state),
        stop=stopped_at(search, lean, column, deepest),
    )  # fmt: skip


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


def stopped_at(search: Search, lean: int, column: int, row: int) -> FloatArray | None:
    """Return the middle (3,) m of what meets the structure one step beyond a depth, or None."""
    from bayreach.insertion._motion import placed

    tools = search.tools
    if row + 1 >= len(tools.marks) or search.capsules[lean, column, row + 1] < 0:
        return None
    capsule = int(search.capsules[lean, column, row + 1])
    state = np.array([(lean * len(tools.clocks) + column) * len(tools.marks) + row + 1])
    placement = placed(line_arrays(tools.threading), stands_at(tools, state)[0])
    middle = (tools.body.starts[capsule] + tools.body.ends[capsule]) / 2.0
    return np.asarray(placement[:9].reshape(3, 3) @ middle + placement[9:])


def bent_limit(search: Search, lean: int, column: int, row: int) -> str:
    """Return what ends a bent wand's depth at one lean and clock angle, in words with sizes in mm."""
    tools = search.tools
    depth = 1e3 * tools.marks[row]
    if row + 1 >= len(tools.marks):
        return f"stops {depth:.0f} mm in, at its own length"
    face, capsule = int(search.faces[lean, column, row + 1]), int(search.capsules[lean, column, row + 1])
    if face < 0 and tools.marks[row + 1] > tools.free:
        return f"stops {depth:.0f} mm in, where its free length droops {1e3 * tools.wand.droop_limit:.1f} mm"
    if face < 0:
        return _hole_limit(tools, row + 1)
    where = f"{tools.body.names[capsule]} on {tools.space.part_of(face)}"
    return (
        f"stops {depth:.0f} mm in, its {where}"
        if row
        else f"does not enter {tools.opening.name}: its {where}"
    )


def _hole_limit(tools: Tools, row: int) -> str:
    hole, name = 1e3 * tools.opening.diameter, tools.opening.name
    for section in tools.wand.sections:
        if section.diameter > tools.opening.diameter * (1.0 + 1e-9):
            return f"{name}: {1e3 * section.diameter:.1f} mm {section.name} in a {hole:.1f} mm hole"
    needed = 1e3 * float(np.interp(tools.marks[row], tools.threading.depths, tools.threading.needed))
    return (
        f"{name}: {1e3 * tools.marks[row]:.0f} mm behind its tip the wand needs a hole of {needed:.2f} mm, "
        f"this one has {hole:.2f} mm"
    )


def _refusals(search: Search, paths: Sequence[Path]) -> tuple[Refusal, ...]:
    """Return one refusal for the opening if nothing enters, else one for each bay not reached."""
    tools = search.tools
    row = max(int(np.searchsorted(tools.marks, search.deepest - 1e-9)), 0)
    at = search.reached[:, :, row] if search.deepest > 0.0 else search.faces[:, :, 0] < 0
    lean, column = (int(k) for k in np.unravel_index(int(np.argmax(at)), at.shape))
    reason = bent_limit(search, lean, column, row)
    if search.deepest == 0.0 and tools.passes[:, 0].any() and not search.reached[:, :, 0].any():
        face = int(search.faces[0, 0, 0])
        part = tools.space.part_of(face) if face >= 0 else "its own rim"
        reason = f"no room outside {tools.opening.name} for the wand: it meets {part}"
    reached = {bay for path in paths for bay in path.bays_reached}
    missing = [bay.index for bay in tools.space.bays.bays if bay.index not in reached]
    met = stopped_at(search, lean, column, row)
    place = tools.leans.entries[lean] + search.deepest * tools.leans.aims[lean] if met is None else met
    bends = tools.wand.length - tools.wand.straight_shank
    if not paths:
        said = [(reason, max(0.0, bends - search.deepest), "")]
    else:
        said = [_short_of(tools, paths, reason, bay) for bay in missing]
    return tuple(
        Refusal(
            wand=tools.wand.name,
            opening=tools.opening.name,
            reason=words,
            short_by=short,
            place=place,
            bay=name,
        )
        for words, short, name in said
    )


def _short_of(tools: Tools, paths: Sequence[Path], reason: str, bay: int) -> tuple[str, float, str]:
    """Return why a bay is not reached, how far the tip stays from an opening into it, and its name."""
    name = tools.space.bay_name(bay)
    narrow = too_narrow(tools.space, tools.wand, tools.opening, bay)
    if narrow is not None:
        return *narrow, name
    gates = [gate.center for gate in tools.space.bays.openings if bay in gate.links]
    if not gates:
        return f"{reason}, short of {name}", math.inf, name
    tips = np.concatenate([path.tip_path.points for path in paths])
    short = min(float(np.linalg.norm(tips - gate, axis=1).min()) for gate in gates)
    return f"{reason}, {1e3 * short:.0f} mm short of {name}", short, name
