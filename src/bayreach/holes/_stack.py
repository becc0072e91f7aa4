"""What lies behind the skin where a drill comes through: free air, a doubler to drill too, or structure."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from bayreach.arrays import NO_FACE, BoolArray, FloatArray, IntArray, unit_vectors
from bayreach.measure import area_vectors

if TYPE_CHECKING:
    from bayreach.holes._sites import Skin

FLAT = 0.9
"""Cosine between a doubler's normal and the drill: 26 degrees at most."""
RING = 8
"""Directions round a hole in which what lies behind is looked at."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Behind:
    """What a drill finds: free depth (n,) m behind the last sheet; depth (n,) m and face (n,) of a doubler.

    Where there is no doubler its depth is 0 and its face NO_FACE.
    """

    free: FloatArray
    doubler: FloatArray
    face: IntArray

    @property
    def has_doubler(self) -> BoolArray:
        """(n,) bool."""
        return np.asarray(self.face != NO_FACE)


def behind_of(
    skin: "Skin", points: FloatArray, inward: FloatArray, diameter: float, length: float, *, edge: float
) -> Behind:
    """Return what lies behind the skin at the centre and round the edge of holes, up to `length` (m).

    A sheet within half a diameter of the skin and along it, all round as far as `edge` (m) from the centre,
    is a doubler: the drill goes through both, and what counts is the depth behind it. A cut of a mesh goes
    as far: half a diameter along the drill.
    """
    first, face = _first(skin, points, inward, length)
    close = np.flatnonzero((face != NO_FACE) & (first <= 0.5 * diameter))
    is_flat = _along(skin, face[close], inward[close])
    close = close[is_flat]
    level_everywhere = np.ones(len(close), dtype=bool)
    for way in _ring(inward[close]):
        round_about, other = _first(skin, points[close] + edge * way, inward[close], length)
        level = np.abs(round_about - first[close]) <= 0.1 * diameter
        fine = (other != NO_FACE) & level
        fine[fine] = _along(skin, other[fine], inward[close][fine])
        level_everywhere &= fine
    close = close[level_everywhere]
    found = np.full(len(points), NO_FACE, dtype=np.int64)
    depth = np.zeros(len(points))
    found[close], depth[close] = face[close], first[close]
    # Past the doubler, where there is one.
    start = points + np.where(depth > 0, depth + 5e-4, 0.0)[:, None] * inward
    free = _free(skin, start, inward, diameter, length)
    return Behind(free=free, doubler=depth, face=found)


def _ring(inward: FloatArray) -> list[FloatArray]:
    helper = np.where(np.abs(inward[:, :1]) < 0.9, [[1.0, 0.0, 0.0]], [[0.0, 1.0, 0.0]])
    first = unit_vectors(np.cross(inward, helper))
    second = np.cross(inward, first)
    angles = np.linspace(0.0, 2.0 * np.pi, RING, endpoint=False)
    return [np.cos(angle) * first + np.sin(angle) * second for angle in angles]


def _first(
    skin: "Skin", points: FloatArray, inward: FloatArray, length: float
) -> tuple[FloatArray, IntArray]:
    """Return how deep (n,) m the first face behind the skin lies, at most `length`, and that face."""
    lift = 1e-4
    faces, distances = skin.scene.first_hit(points + lift * inward, inward)
    depths = np.asarray(distances) + lift
    return np.minimum(depths, length), np.where(depths <= length, faces, NO_FACE)


def _along(skin: "Skin", faces: IntArray, inward: FloatArray) -> BoolArray:
    corners = skin.mesh.corners[faces]
    normals = unit_vectors(area_vectors(corners))
    return np.asarray(np.abs(np.einsum("ij,ij->i", normals, inward)) >= FLAT)


def _free(skin: "Skin", points: FloatArray, inward: FloatArray, diameter: float, length: float) -> FloatArray:
    """Return the least free depth (n,) m at the centre and round the hole's edge."""
    free = _first(skin, points, inward, length)[0]
    for way in _ring(inward):
        # Half a mm inside the skin, so that a curved skin itself does not count.
        lifted = points + 0.5 * diameter * way + 5e-4 * inward
        free = np.minimum(free, _first(skin, lifted, inward, length - 5e-4)[0] + 5e-4)
    return np.asarray(free)
