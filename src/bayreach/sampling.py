"""Points on faces and directions over the sphere: even, repeatable, without chance."""

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import FloatArray

GOLDEN_ANGLE = np.pi * (3.0 - np.sqrt(5.0))
"""Turn in rad between neighbours of the golden spiral."""


def sample_weights(samples: int) -> FloatArray:
    """Return the barycentric coordinates (samples, 3) of evenly spread points of a triangle.

    `samples` is a power of four: the triangle is halved edge by edge and each piece is represented by its
    centroid, all pieces being equal in area.

    >>> sample_weights(1).round(6).tolist()
    [[0.333333, 0.333333, 0.333333]]

    Raises
    ------
    ValueError
        When `samples` is not 1, 4, 16, 64 ...
    """
    levels = round(np.log(samples) / np.log(4)) if samples > 0 else -1
    if levels < 0 or 4**levels != samples:
        message = f"samples: {samples} found; a power of four (1, 4, 16, 64) is needed."
        raise ValueError(message)
    pieces = np.eye(3)[None]
    for _ in range(levels):
        pieces = np.einsum("qcv,pvk->pqck", quarters(), pieces).reshape(-1, 3, 3)
    weights: FloatArray = pieces.mean(axis=1)
    return weights


def quarters() -> FloatArray:
    """Return the corners (4, 3, 3) of a triangle's quarters by its own; the fourth is the one in the middle.

    >>> quarters().mean(axis=1).sum(axis=0).round(6).tolist()
    [1.333333, 1.333333, 1.333333]
    """
    a, b, c = np.eye(3)
    ab, bc, ca = (a + b) / 2, (b + c) / 2, (c + a) / 2
    return np.stack([[a, ab, ca], [ab, b, bc], [ca, bc, c], [bc, ca, ab]])


def points_on_faces(corners: ArrayLike, samples: int) -> FloatArray:
    """Return `samples` evenly spread points (n, samples, 3) m of each triangle `corners` (n, 3, 3) m."""
    points: FloatArray = np.einsum(
        "sk,nkx->nsx", sample_weights(samples), np.asarray(corners, dtype=np.float64)
    )
    return points


def zone_directions(count: int, low: float, high: float, turn: float = 0.0) -> FloatArray:
    """Return `count` unit vectors (count, 3) spread evenly over the zone low <= x <= high of the unit sphere.

    A golden spiral about +x: equal steps in x, hence equal areas (Archimedes), turned by the golden angle
    from one to the next; `turn` (rad) turns the whole. Each vector stands for 2 pi (high - low) / count sr.

    >>> bool(abs(zone_directions(1000, -1, 1).mean(axis=0)).max() < 1e-3)
    True
    """
    place = np.arange(count)
    along = low + (high - low) * (place + 0.5) / count
    radius = np.sqrt(np.maximum(0.0, 1.0 - along**2))
    angle = place * GOLDEN_ANGLE + turn
    return np.stack([along, radius * np.cos(angle), radius * np.sin(angle)], axis=1)
