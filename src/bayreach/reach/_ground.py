"""What all wands and openings of one structure share when reach is asked: points to try, rays, figures."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import BoolArray, FloatArray, IntArray
from bayreach.insertion import Space, bays_at
from bayreach.measure import centroids, side_areas, side_normals
from bayreach.rays import Scene

DOWN = (0.0, 0.0, -1.0)
SHORTEST = 0.01
"""Depth in m below which a tip is not through."""


@dataclass(frozen=True, kw_only=True)
class Care:
    """How finely reach is looked at.

    Parameters
    ----------
    aims : int
        Aims over the cone that the hole leaves.
    samples : int
        Points a bay at which the tip is tried.
    tips : int
        Of those points, how many a bay sides are looked at from.
    seed : int
        Of the points.
    """

    aims: int = 256
    samples: int = 300
    tips: int = 60
    seed: int = 0


USUAL_CARE = Care()


@dataclass(frozen=True, kw_only=True, eq=False)
class Ground:
    """What all wands and openings share: the space, its rays, points to try and the sides' figures.

    `points` (k, 3) m lie in the bays `homes` (k,), from those with `lookouts` (k,) sides are looked at;
    `centers` (n, 3), `normals` (2n, 3) and `areas` (2n,) are the mesh's.
    """

    space: Space
    scene: Scene
    points: FloatArray
    homes: IntArray
    lookouts: BoolArray
    centers: FloatArray
    normals: FloatArray
    areas: FloatArray
    care: Care
    down: FloatArray


def ground_of(space: Space, scene: Scene, *, care: Care = USUAL_CARE, down: ArrayLike = DOWN) -> Ground:
    """Return what `reach` works on: build once, ask for many wands."""
    points, homes = _points_in_bays(space, care)
    ranks = np.concatenate([np.arange(count) for count in np.bincount(homes, minlength=1)])
    return Ground(
        lookouts=ranks < care.tips,
        space=space, scene=scene, points=points, homes=homes, centers=centroids(space.mesh),
        normals=side_normals(space.mesh), areas=side_areas(space.mesh), care=care,
        down=np.asarray(down, dtype=np.float64),
    )  # fmt: skip


def _points_in_bays(space: Space, care: Care) -> tuple[FloatArray, IntArray]:
    """Return up to `care.samples` points (k, 3) spread at random over each bay's air, and the bay of each."""
    rng = np.random.default_rng(care.seed)
    points, homes = [np.zeros((0, 3))], [np.zeros(0, dtype=np.int64)]
    for bay in space.bays.bays:
        low, high = np.asarray(bay.box)
        tried = low + rng.random((4 * care.samples, 3)) * (high - low)
        inside = tried[bays_at(space, tried) == bay.index][: care.samples]
        points.append(inside)
        homes.append(np.full(len(inside), bay.index))
    return np.concatenate(points), np.concatenate(homes)
