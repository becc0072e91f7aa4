"""Parallel views: where points fall on the picture, and which directions show most of a place."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import BoolArray, FloatArray, unit_vectors
from bayreach.measure import area_vectors
from bayreach.mesh import Mesh

MOST_SIDES = 40_000
"""About how many sides the search for a good direction looks at: four for each square of its grid."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Camera:
    """A parallel view of `width` by `height` pixels, `span` m across, with `center` (3,) in the middle."""

    center: FloatArray
    right: FloatArray
    up: FloatArray
    forward: FloatArray
    span: float
    width: int
    height: int

    @property
    def pixel(self) -> float:
        """Size of a pixel in m."""
        return self.span / self.width

    def project(self, points: ArrayLike) -> FloatArray:
        """Return (k, 3): pixels from the left, pixels from the top, depth in m, of points (k, 3) m."""
        away = np.asarray(points, dtype=np.float64) - self.center
        across, upward = away @ self.right / self.pixel, away @ self.up / self.pixel
        return np.stack([self.width / 2 + across, self.height / 2 - upward, away @ self.forward], axis=-1)

    def pixel_origins(self) -> FloatArray:
        """Return (height * width, 3) m: points of the view plane behind the pixels' middles, row by row."""
        x = (np.arange(self.width) + 0.5 - self.width / 2) * self.pixel
        y = (self.height / 2 - np.arange(self.height) - 0.5) * self.pixel
        across, upward = np.meshgrid(x, y)
        origins: FloatArray = (
            self.center + across.reshape(-1, 1) * self.right + upward.reshape(-1, 1) * self.up
        )
        return origins

    def enlarged(self, factor: int) -> "Camera":
        """Return the same view with `factor` times the pixels each way."""
        return Camera(
            center=self.center,
            right=self.right,
            up=self.up,
            forward=self.forward,
            span=self.span,
            width=self.width * factor,
            height=self.height * factor,
        )


def camera_toward(
    points: ArrayLike, *, forward: ArrayLike, up: ArrayLike, size: tuple[int, int], margin: float = 1.12
) -> Camera:
    """Return the view along `forward` (3,) that holds all `points` (k, 3) m in `size` pixels."""
    points = np.asarray(points, dtype=np.float64)
    ahead = unit_vectors(forward)
    upward = np.asarray(up, dtype=np.float64) - (np.asarray(up, dtype=np.float64) @ ahead) * ahead
    if np.linalg.norm(upward) < 1e-6:
        upward = np.array([0.0, 1.0, 0.0]) - ahead[1] * ahead
    upward = unit_vectors(upward)
    right = np.cross(ahead, upward)
    along = np.stack([points @ right, points @ upward, points @ ahead], axis=1)
    least, most = along.min(axis=0), along.max(axis=0)
    middle = (least + most) / 2
    width, height = size
    span = max(most[0] - least[0], (most[1] - least[1]) * width / height, 1e-9) * margin
    center = middle[0] * right + middle[1] * upward + middle[2] * ahead
    return Camera(
        center=center,
        right=right,
        up=upward,
        forward=ahead,
        span=float(span),
        width=width,
        height=height,
    )


def box_corners(box: ArrayLike) -> FloatArray:
    """Return the eight corners (8, 3) of a box (2, 3)."""
    least, most = np.asarray(box, dtype=np.float64)
    bits = (np.arange(8)[:, None] >> np.arange(3)) & 1
    corners: FloatArray = np.where(bits == 0, least, most)
    return corners


def overview_direction(mesh: Mesh, down: FloatArray) -> FloatArray:
    """Return the direction (3,) of the overview: longest level axis across the picture, seen from above."""
    up = -unit_vectors(down)
    size = mesh.box[1] - mesh.box[0]
    level = size * (1.0 - np.abs(up))
    along = np.eye(3)[int(np.argmax(level))]
    across = np.cross(along, up)
    return -unit_vectors(0.72 * across + 0.55 * up + 0.30 * along)


def facing(mesh: Mesh, forward: FloatArray) -> BoolArray:
    """Return which sides (2n,) look at a viewer whose view runs along `forward`; edge-on sides do not."""
    toward = area_vectors(mesh.corners) @ forward
    return np.stack([toward < 0.0, toward > 0.0], axis=1).ravel()


def best_direction(mesh: Mesh, shown: BoolArray, wanted: BoolArray, up: FloatArray) -> FloatArray:
    """Return the direction (3,) that shows most of the `wanted` sides (2n,), of 18 that look down or level.

    Coarse on purpose: side middles fall on a 96 by 96 grid and the nearest in each square counts as seen.
    """
    sides = np.flatnonzero(shown)
    sides = sides[:: 1 + len(sides) // MOST_SIDES]
    corners = mesh.corners[sides // 2]
    vectors = area_vectors(corners)
    vectors[sides % 2 == 1] *= -1.0
    middles = corners.mean(axis=1)
    across = unit_vectors(np.cross(up, [0.0, 1.0, 0.0] if abs(up[1]) < 0.9 else [1.0, 0.0, 0.0]))
    other = np.cross(up, across)
    best, most = -up, -1.0
    for tilt in (0.9, 0.45, 0.1):
        for turn in np.arange(6) * np.pi / 3 + 0.35:
            forward = -unit_vectors(tilt * up + np.cos(turn) * across + np.sin(turn) * other)
            seen = _seen_area(middles, vectors, wanted[sides], forward)
            if seen > most:
                best, most = forward, seen
    return best


def _seen_area(middles: FloatArray, vectors: FloatArray, wanted: BoolArray, forward: FloatArray) -> float:
    """Return the area (m²) of wanted sides that is seen, of sides with middles and area vectors (k, 3)."""
    drawn = vectors @ forward < 0.0
    if not (drawn & wanted).any():
        return 0.0
    camera = camera_toward(middles[drawn & wanted], forward=forward, up=(0.0, 0.0, 1.0), size=(96, 96))
    chosen = np.flatnonzero(drawn)
    x, y, depth = camera.project(middles[chosen]).T
    inside = (x >= 0) & (x < 96) & (y >= 0) & (y < 96)
    chosen, depth = chosen[inside], depth[inside]
    square = x[inside].astype(int) + 96 * y[inside].astype(int)
    order = np.lexsort((depth, square))
    first = np.concatenate([[True], np.diff(square[order]) > 0]) if len(order) else np.zeros(0, dtype=bool)
    nearest = chosen[order][first]
    seen = nearest[wanted[nearest]]
    return float(np.linalg.norm(vectors[seen], axis=1).sum())
