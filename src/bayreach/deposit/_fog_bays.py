"""Bays that share their fog, each well mixed or a grid of boxes: where one class of droplets ends."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bayreach.arrays import OUTSIDE, FloatArray, IntArray
from bayreach.deposit._fog_air import FogGrid


@dataclass(frozen=True, kw_only=True, eq=False)
class Doorways:
    """Openings as fog meets them.

    `links` (o, 2), `rates` (o,) in m³/s each way, `centers` (o, 3) and `reaches` (o,) in m.
    """

    links: IntArray
    rates: FloatArray
    centers: FloatArray
    reaches: FloatArray


@dataclass(frozen=True, kw_only=True, eq=False)
class Fogged:
    """Exposure in s/m³ of every box of all bays for 1 m³ of fog put evenly into each bay, (m, n).

    `starts` (n + 1,): where each bay's boxes begin; a bay that is well mixed has one. `escaped` (n,): shares
    that left through openings.
    """

    exposures: FloatArray
    starts: IntArray
    escaped: FloatArray


def fogged(
    grids: Sequence[FogGrid | None],
    doors: Doorways,
    *,
    fall: float,
    diffusivities: FloatArray,
    uptakes: Sequence[FloatArray],
) -> Fogged:
    """Return where fog of one class ends that was put evenly into each bay.

    Parameters
    ----------
    grids : sequence of FogGrid or None
        The boxes of each bay; None: it is well mixed.
    doors : Doorways
        Air trades places through openings at `rates`, evenly with the boxes near it.
    fall : float
        In m/s; `diffusivities` (n,) in m²/s.
    uptakes : sequence of (m,) float
        What sides take from the air of each bay's boxes, in m³/s.
    """
    n = len(grids)
    walls = _walls(doors)
    # A wall is two gates, one in each bay; a gate is known by 2 x wall + 0 or 1.
    gates = [
        [2 * w + k for w, wall in enumerate(walls) for k in (0, 1) if wall.bays[k] == b] for b in range(n)
    ]
    vents = [
        [o for o in range(len(doors.links)) if b in doors.links[o] and OUTSIDE in doors.links[o]]
        for b in range(n)
    ]
    answers, seen, leaks = [], [], []
    for b, grid in enumerate(grids):
        answer, at, leak = _alone(
            grid,
            doors,
            ([walls[gate // 2] for gate in gates[b]], vents[b]),
            motion=(fall, diffusivities[b]),
            uptake=uptakes[b],
        )
        answers.append(answer)
        seen.append(at)
        leaks.append(leak)
    through = _through(walls, gates, seen, n)
    starts = np.concatenate([[0], np.cumsum([len(answer) for answer in answers])])
    exposures, escaped = np.zeros((starts[-1], n)), np.zeros(n)
    for b, answer in enumerate(answers):
        came = np.zeros((answer.shape[1], n))
        came[0, b] = 1.0
        for k, gate in enumerate(gates[b], start=1):
            came[k] = through[gate ^ 1]  # what left through the gate on the other side
        exposures[starts[b] : starts[b + 1]] = answer @ came
        escaped += leaks[b] @ exposures[starts[b] : starts[b + 1]]
    return Fogged(exposures=exposures, starts=starts, escaped=escaped)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Wall:
    """All openings between two bays: its `bays`, the places of the `openings` and the sum of their rates."""

    bays: tuple[int, int]
    openings: IntArray
    rate: float


def _walls(doors: Doorways) -> list[_Wall]:
    """Return the walls between bays that air passes; fog that comes through spreads over all their holes."""
    inner = (
        (doors.links != OUTSIDE).all(axis=1) & (doors.links[:, 0] != doors.links[:, 1]) & (doors.rates > 0)
    )
    pairs = np.sort(doors.links, axis=1)
    found = []
    for first, second in np.unique(pairs[inner], axis=0):
        own = np.flatnonzero(inner & (pairs == [first, second]).all(axis=1))
        found.append(_Wall(bays=(int(first), int(second)), openings=own, rate=float(doors.rates[own].sum())))
    return found


def _alone(
    grid: FogGrid | None,
    doors: Doorways,
    ways: tuple[Sequence[_Wall], Sequence[int]],
    *,
    motion: tuple[float, float],
    uptake: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return one bay's exposures (m, 1 + g) for fog put into all of it and in at each gate.

    Also the air at each gate as a mean of boxes (g, m) times the answer, (g, 1 + g), and what leaks outside
    from each box (m,) in m³/s. `ways`: walls and vents of the bay; `motion`: fall speed, diffusivity.
    """
    walls, vents = ways
    m = 1 if grid is None else grid.n_boxes
    means = np.zeros((len(walls), m))
    leak = np.zeros(m)
    for k, wall in enumerate(walls):
        for o in wall.openings:
            near = _near(grid, doors, int(o))
            means[k, near] += doors.rates[o] / wall.rate / len(near)
    for o in vents:
        near = _near(grid, doors, o)
        leak[near] += doors.rates[o] / len(near)
    losses = uptake + leak + np.array([wall.rate for wall in walls]) @ means
    even = np.ones(1) if grid is None else grid.volumes / grid.volumes.sum()
    sources = np.concatenate([even[:, None], means.T], axis=1)
    if grid is None:
        answer = sources / losses[:, None]
    else:
        answer = grid.exposures(fall=motion[0], diffusivity=motion[1], losses=losses, sources=sources)
    return answer, means @ answer, leak


def _near(grid: FogGrid | None, doors: Doorways, opening: int) -> IntArray:
    if grid is None:
        return np.zeros(1, dtype=np.int64)
    return grid.near(doors.centers[opening], float(doors.reaches[opening]))


def _through(
    walls: Sequence[_Wall], gates: Sequence[Sequence[int]], seen: Sequence[FloatArray], n: int
) -> FloatArray:
    """Return what leaves each bay through each gate (2 o, n), as a share of the fog put into each bay.

    f = q (R_0 + sum R_k f_k'): the air at a gate comes of the fog put into its bay and of what came in at
    all its gates, which left the neighbours there.
    """
    size = 2 * len(walls)
    system, given = np.eye(size), np.zeros((size, n))
    for b in range(n):
        for row, gate in enumerate(gates[b]):
            rate = walls[gate // 2].rate
            given[gate, b] = rate * seen[b][row, 0]
            for k, other in enumerate(gates[b], start=1):
                system[gate, other ^ 1] -= rate * seen[b][row, k]
    return np.asarray(np.linalg.solve(system, given))
