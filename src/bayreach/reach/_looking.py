"""What sides can be seen from where a tip can be, and which of them lie within its pattern and throw."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bayreach.arrays import BoolArray, FloatArray, IntArray, unit_vectors
from bayreach.insertion import Path
from bayreach.reach._ground import Ground
from bayreach.tips import Tip, tip_frame
from bayreach.wands import Wand

STATIONS = 24
"""Poses of paths that sides are looked at from, besides the points tried in the bays."""
TURN_WEIGHT = 0.05
"""How many m apart two poses count for that differ by a radian in direction."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Lookouts:
    """Where the tip can be: `places` (t, 3) m, its `axes` (t, 3) and, unless it may be turned, its `clocks`.

    A straight wand may be turned to any clock angle, and a flexible one's twist is not known: their clocks,
    (0, 3), are free.
    """

    places: FloatArray
    axes: FloatArray
    clocks: FloatArray


def lookouts_of(
    ground: Ground, wand: Wand, paths: Sequence[Path], found: BoolArray, sources: FloatArray
) -> Lookouts:
    """Return poses to look at sides from: at points where the tip was `found` to be, and along its paths.

    `found` and `sources` (k,), (k, 3) m tell of a straight wand at which of the ground's points its tip can
    be, and from which entries; other shapes are looked at from their paths alone.
    """
    points = np.concatenate([np.zeros((0, 3)), *(path.tip_path.points for path in paths)])
    axes = np.concatenate([np.zeros((0, 3)), *(path.tip_path.axes for path in paths)])
    if wand.shape == "straight":
        rows = np.flatnonzero(found & ground.lookouts)
        along = unit_vectors(ground.points[rows] - sources[rows])
        pivoted = [path.way.turns.max(initial=0.0) > 1e-6 for path in paths]
        counts = [len(path.tip_path.depths) for path in paths]
        tilted = np.flatnonzero(np.repeat(pivoted, counts) if len(rows) else np.ones(len(points)))
        tilted = tilted[_apart(points[tilted], axes[tilted], STATIONS)]
        return Lookouts(
            places=np.concatenate([ground.points[rows], points[tilted]]),
            axes=np.concatenate([along, axes[tilted]]), clocks=np.zeros((0, 3)),
        )  # fmt: skip
    clocks = np.concatenate([np.zeros((0, 3)), *(path.tip_path.clocks for path in paths)])
    most = STATIONS + int(np.bincount(ground.homes[ground.lookouts], minlength=1).max(initial=0))
    rows = _apart(points, np.hstack([axes, clocks]), most)
    free = wand.shape != "bent"
    return Lookouts(places=points[rows], axes=axes[rows], clocks=np.zeros((0, 3)) if free else clocks[rows])


def _apart(places: FloatArray, headings: FloatArray, most: int) -> IntArray:
    """Return at most `most` of the poses, each the one that differs most from those chosen before it."""
    if len(places) <= most:
        return np.arange(len(places))
    poses = np.hstack([places, TURN_WEIGHT * headings])
    chosen = [0]
    gaps = np.linalg.norm(poses - poses[0], axis=1)
    while len(chosen) < most:
        chosen.append(int(np.argmax(gaps)))
        gaps = np.minimum(gaps, np.linalg.norm(poses - poses[chosen[-1]], axis=1))
    return np.array(chosen)


def seen_sides(ground: Ground, tip: Tip, lookouts: Lookouts) -> tuple[BoolArray, BoolArray]:
    """Return the sides (2n,) of bays whose middle some tip sees, and those it sees within pattern and throw.

    Seen is what lies in front of the side with nothing between.
    """
    seen: BoolArray = np.zeros(len(ground.areas), dtype=np.bool_)
    sprayed = seen.copy()
    wanted = ground.space.bays.side_bay >= 0
    for k, place in enumerate(lookouts.places):  # each place leaves fewer sides to look at
        left = np.flatnonzero(wanted & ~sprayed)
        rays = ground.centers[left // 2] - place
        facing = np.einsum("ij,ij->i", rays, ground.normals[left]) < 0.0
        left, rays = left[facing], rays[facing]
        clock = lookouts.clocks[k] if len(lookouts.clocks) else None
        within = _within(tip, rays, lookouts.axes[k], clock)
        asked = within | ~seen[left]
        left, within = left[asked], within[asked]
        blocked = ground.scene.is_blocked(np.broadcast_to(place, (len(left), 3)), ground.centers[left // 2])
        seen[left[~blocked]] = True
        sprayed[left[~blocked & within]] = True
    return seen, sprayed


def _within(tip: Tip, rays: FloatArray, axis: FloatArray, clock: FloatArray | None) -> BoolArray:
    """Tell (n,) which rays leave a tip within its pattern, turned to any clock angle if none is given."""
    lengths = np.linalg.norm(rays, axis=1)
    directions = rays / np.maximum(lengths, 1e-12)[:, None]
    near: BoolArray = lengths <= tip.throw
    if clock is None:
        return near & tip.sprays_at(np.arccos(np.clip(directions @ axis, -1.0, 1.0)))
    return near & (tip.density(directions @ tip_frame(axis, clock).T) > 0.0)
