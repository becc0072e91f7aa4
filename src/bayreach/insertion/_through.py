"""The one call that finds the paths of any wand through an opening."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import unit_vectors
from bayreach.insertion._aims import candidate_aims
from bayreach.insertion._bent_paths import bent_paths
from bayreach.insertion._flexible_paths import flexible_paths
from bayreach.insertion._records import Path, Refusal
from bayreach.insertion._space import Space
from bayreach.insertion._straight import straight_reach
from bayreach.insertion._straight_paths import straight_paths
from bayreach.wands import Wand

if TYPE_CHECKING:
    from bayreach.bays import Opening

DOWN = (0.0, 0.0, -1.0)
BENT_AIMS = 9
"""Aims of a bent wand tried unless told: each is a search over depth and clock angle."""


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
    if wand.shape == "flexible":
        return flexible_paths(space, wand, opening, count=count, shortest=shortest, holes=holes, down=down)
    if aims is None:
        tried = count if wand.shape == "straight" else min(count, BENT_AIMS)
        places, directions = candidate_aims(space, wand, opening, tried)
        if wand.shape != "straight":
            places, directions = places[:tried], directions[:tried]
    else:
        directions = unit_vectors(np.atleast_2d(np.asarray(aims, dtype=np.float64)))
        given = opening.center if entries is None else np.asarray(entries, dtype=np.float64)
        places = np.broadcast_to(given, directions.shape)
    if wand.shape == "bent":
        return bent_paths(
            space, wand, opening, aims=directions, entries=places, clocks=clocks, shortest=shortest,
            holes=holes, down=down,
        )  # fmt: skip
    reach = straight_reach(space, wand, opening, directions, entries=places, holes=holes)
    return straight_paths(space, reach, clocks=clocks, shortest=shortest, down=down)
