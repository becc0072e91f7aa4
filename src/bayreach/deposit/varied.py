"""Direct film of one pull in many poses, each with several tips that differ a little.

What is in the way does not depend on the tip, so the rays of a pose are asked once and shared by all tips.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bayreach.arrays import BUDGET, OUTSIDE, IntArray
from bayreach.deposit._air import Air
from bayreach.deposit._fates import Flying, fate_of
from bayreach.deposit._kernel_arrays import blocks_for, shared_world_of
from bayreach.deposit._kernel_records import UNIFORM, World
from bayreach.deposit._sampled import Spray
from bayreach.deposit._spraying import spans_of, sparse_film
from bayreach.deposit._stations import time_shares
from bayreach.errors import MeshError
from bayreach.poses import Stations
from bayreach.rays import Scene, in_parallel
from bayreach.sight import Targets
from bayreach.tips import Tip

if TYPE_CHECKING:
    from bayreach.deposit._shared_kernel import Curves

FOG_RAYS = 2_000
"""Rays of a pull that tell what becomes of its spray."""
FLYING_NODES = 1025
"""Distances at which the share still flying is tabulated; linear between them."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Varied:
    """Film per volume sprayed of each tip in each pose.

    Parameters
    ----------
    rows : (k,) int
        Places in `targets.sides`, rising, of the sides that any tip wets in any pose.
    film : (t, p, k) float32
        Film in 1/m² of t tips and p poses.
    rays : int
        Rays asked.
    """

    rows: IntArray
    film: NDArray[np.float32]
    rays: int


def varied_films(
    scene: Scene,
    targets: Targets,
    poses: Sequence[Stations],
    tips: Sequence[tuple[Tip, Flying | None]],
    *,
    air: Air | None = None,
    flow: ArrayLike = 1.0,
    floor: float = 0.0,
    budget: int = BUDGET,
) -> Varied:
    """Return the direct film of every tip in every pose, at constant speed; see `pull_film`.

    Parameters
    ----------
    poses : sequence of Stations
        The pull as it may be made.
    tips : sequence of (Tip, Flying)
        Tips with one centre line and one sort of profile; share still flying, the tip's own law if None.
    flow : float or (k,) float
        Flow at the stations of every pose as a share of the full flow; see `flow_course`.
    floor : float
        Film in 1/m² of one sample from one station below which no ray is asked.
    budget : int
        Bytes that no array of films may exceed (1 GiB if not given); blocks of sides are worked on so many at
        a time. The film is the same whatever it is.

    Raises
    ------
    MeshError
        When the film of the sides that get any would itself exceed the budget.
    """
    from bayreach.deposit._shared_kernel import spray_shared

    shares = [time_shares(stations, 1.0, flow) for stations in poses]
    if not scene.has_tracer:
        asked = list(zip(poses, shares, strict=True))
        return _one_by_one(scene, targets, asked, tips, air=air, floor=floor, budget=budget)

    def spray(stations: Stations, share: NDArray[np.float64], place: int) -> Spray:
        tip, flying = tips[place]
        return Spray(stations=stations, shares=share, tip=tip, flying=flying)

    pulls = [spray(stations, share, 0) for stations, share in zip(poses, shares, strict=True)]
    states = [spray(poses[0], shares[0], place) for place in range(len(tips))]
    world = shared_world_of(scene, targets, pulls, states, air)
    curves = _curves(world, states, floor)
    starts, rows = world.grains.starts, world.grains.rows

    def part(span: tuple[int, int]) -> tuple[IntArray, NDArray[np.float32], int]:
        first, last = rows[starts[span[0]]], rows[starts[span[1]] - 1]
        film = np.zeros((last - first + 1, len(poses), len(tips)), dtype=np.float32)
        asked = spray_shared(scene.tracer, (world, curves), span, film)
        wet = np.flatnonzero(film.any(axis=(1, 2)))
        return wet + int(first), film[wet], asked

    parts = in_parallel(part, spans_of(world, budget // (4 * len(poses) * len(tips))))
    _check(sum(len(one[0]) for one in parts), len(poses), len(tips), budget)
    found = blocks_for(targets, air).order[np.concatenate([one[0] for one in parts])]
    film = np.concatenate([one[1] for one in parts])
    if air is not None:
        inside = air.side_bay[targets.sides[found]] != OUTSIDE
        found, film = found[inside], film[inside]
    order = np.argsort(found)
    return Varied(
        rows=found[order],
        film=np.ascontiguousarray(film[order].transpose(2, 1, 0)),
        rays=sum(one[2] for one in parts),
    )


def _check(n_sides: int, n_poses: int, n_tips: int, budget: int) -> None:
    """Raise MeshError where the film of so many sides would exceed the budget."""
    needed = 4 * n_sides * n_poses * n_tips
    if needed > budget:
        message = (
            f"doubt: the film of {n_sides} sides in {n_poses} poses by {n_tips} tips needs an array of "
            f"{needed} bytes, {budget} are allowed; ask about fewer sides or take a coarser mesh."
        )
        raise MeshError(message)


def _one_by_one(
    scene: Scene,
    targets: Targets,
    poses: Sequence[tuple[Stations, NDArray[np.float64]]],
    tips: Sequence[tuple[Tip, Flying | None]],
    *,
    air: Air | None,
    floor: float,
    budget: int,
) -> Varied:
    """Return the same where no compiled kernel can trace: each tip asks its own rays."""
    films = []
    for tip, flying in tips:
        sprays = [Spray(stations=stations, shares=share, tip=tip, flying=flying) for stations, share in poses]
        films.append(sparse_film(scene, targets, sprays, air, floor=floor))
    rows = np.unique(np.concatenate([one.rows for one in films])).astype(np.int64)
    if air is not None:
        rows = rows[air.side_bay[targets.sides[rows]] != OUTSIDE]
    _check(len(rows), len(poses), len(tips), budget)
    film = np.zeros((len(tips), len(poses), len(rows)), dtype=np.float32)
    for place, one in enumerate(films):
        for pose in range(len(poses)):
            lit, values = one.of(pose)
            kept = np.isin(lit, rows)
            film[place, pose, np.searchsorted(rows, lit[kept])] = values[kept]
    return Varied(rows=rows, film=film, rays=sum(one.rays for one in films))


def _curves(world: World, states: Sequence[Spray], floor: float) -> "Curves":
    """Return the tips' edges, densities and shares still flying side by side, in single precision."""
    from bayreach.deposit._shared_kernel import Curves

    patterns, count = world.patterns, len(states)
    is_even = patterns.kinds[:count] == UNIFORM
    distances = np.linspace(0.0, float(patterns.reach[-1]), FLYING_NODES)
    flying = np.stack([np.broadcast_to(state.flies(distances), distances.shape) for state in states], axis=1)
    return Curves(
        patterns.cosines[:count, 0].astype(np.float32),
        patterns.cosines[:count, 1].astype(np.float32),
        patterns.scales[:count].astype(np.float32),
        np.ascontiguousarray(flying, dtype=np.float32),
        float(distances[1]),
        not bool(is_even.all()),
        floor,
    )


def varied_fog(
    scene: Scene,
    stations: Stations,
    tips: Sequence[tuple[Tip, Flying | None]],
    *,
    air: Air,
    flow: ArrayLike = 1.0,
    rays: int = FOG_RAYS,
) -> NDArray[np.float64]:
    """Return the share (t, n_bays) of the liquid of a pull that becomes fog in each bay, by tip."""
    shares = time_shares(stations, 1.0, flow)
    return np.stack(
        [
            fate_of(
                scene,
                stations,
                tip,
                shares=shares,
                flies=tip.share_flying if flying is None else flying,
                air=air,
                rays=rays,
            ).fog[:-1]
            for tip, flying in tips
        ]
    )
