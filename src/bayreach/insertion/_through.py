"""The one call that finds the paths of any wand through an opening."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import FloatArray, unit_vectors
from bayreach.insertion._aims import candidate_aims
from bayreach.insertion._bent_paths import bent_gets_into, bent_paths
from bayreach.insertion._flexible import bender_of, entries_of
from bayreach.insertion._flexible_paths import flexible_paths, route_into
from bayreach.insertion._leans import spread_over
from bayreach.insertion._pivot import pivoted_way, pivots_of
from bayreach.insertion._pivot_paths import bays_to_gain, pivot_paths
from bayreach.insertion._records import Path, Refusal
from bayreach.insertion._space import Space
from bayreach.insertion._straight import straight_reach
from bayreach.insertion._straight_paths import bays_along, straight_paths
from bayreach.wands import Wand

if TYPE_CHECKING:
    from bayreach.bays import Opening

DOWN = (0.0, 0.0, -1.0)


def aims_tried(space: Space, wand: Wand, opening: "Opening") -> FloatArray:
    """Return the aims (m, 3) through an opening's centre that a bent or flexible wand is tried along."""
    if wand.shape == "flexible":
        return np.array([entry.heading for entry in entries_of(bender_of(space, wand, opening))]).reshape(
            -1, 3
        )
    entries, aims = spread_over(space, wand, opening, moves=True)
    middle: FloatArray = aims[np.linalg.norm(entries - opening.center, axis=1) < 1e-9]
    return middle


def aims_to_try(
    space: Space, wand: Wand, opening: "Opening", *, count: int = 64, moves: bool = False
) -> tuple[FloatArray, FloatArray]:
    """Return the entries and aims (m, 3) that `paths_through` tries for a rigid wand where none are given."""
    if wand.shape == "straight":
        return candidate_aims(space, wand, opening, count)
    return spread_over(space, wand, opening, moves=moves)


def gets_into(
    space: Space, wand: Wand, opening: "Opening", bay: int, *, count: int = 64, shortest: float = 0.01,
    holes: "tuple[Opening, ...]" = (), down: ArrayLike = DOWN,
) -> bool:  # fmt: skip
    """Tell whether a wand's tip gets through an opening into a bay; arguments as in `paths_through`."""
    if wand.shape == "flexible":
        return route_into(bender_of(space, wand, opening, holes), bay, down) is not None
    if wand.shape == "bent":
        return bent_gets_into(space, wand, opening, bay, holes=holes, down=down)
    places, directions = candidate_aims(space, wand, opening, count)
    reach = straight_reach(space, wand, opening, directions, entries=places, holes=holes)
    if bay in bays_along(space, reach, shortest):
        return True
    if bay not in bays_to_gain(space, reach, holes):
        return False
    return pivoted_way(pivots_of(space, wand, opening, down=down, holes=holes), bay) is not None


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
    moves: bool = False,
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
    moves : bool
        Look for ways in that lean or pivot in the opening as well: slower, and never fewer paths.

    Raises
    ------
    WandError
        When the opening does not lead outside.
    """
    if wand.shape == "flexible":
        return flexible_paths(space, wand, opening, count=count, shortest=shortest, holes=holes, down=down)
    if aims is None:
        places, directions = aims_to_try(space, wand, opening, count=count, moves=moves)
    else:
        directions = unit_vectors(np.atleast_2d(np.asarray(aims, dtype=np.float64)))
        given = opening.center if entries is None else np.asarray(entries, dtype=np.float64)
        places = np.broadcast_to(given, directions.shape)
    if wand.shape == "bent":
        return bent_paths(
            space, wand, opening, aims=directions, entries=places, clocks=clocks, shortest=shortest,
            holes=holes, down=down, moves=moves,
        )  # fmt: skip
    reach = straight_reach(space, wand, opening, directions, entries=places, holes=holes)
    paths, refusals = straight_paths(space, reach, clocks=clocks, shortest=shortest, down=down)
    if not moves:
        return paths, refusals
    more = pivot_paths(space, reach, clocks=clocks, holes=holes, down=down)
    got_into = {space.bay_name(bay) for path in more for bay in path.bays_reached}
    left = tuple(each for each in refusals if each.bay not in got_into and (each.bay or not more))
    return (*paths, *more), left
