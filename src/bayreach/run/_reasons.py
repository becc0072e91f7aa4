"""Why a side stayed uncovered: hidden and by which part, outside the pattern, too far, too flat, no pass.

Each uncovered side is looked at from poses spread along every pull. What it is told is the best that any of
them could do: a pose that lays film on it tells why that is too little; failing that, a pose whose pattern
points at it tells what is in the way; failing that, it lies outside the pattern or faces away.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bayreach.arrays import NO_FACE, BoolArray, FloatArray, IntArray
from bayreach.measure import side_normals
from bayreach.poses import stations_of
from bayreach.run._pulls import Pull
from bayreach.run._site import Site
from bayreach.tips import in_tip_frame

POSES_A_PULL = 24
"""Places along each pull that an uncovered side is looked at from."""
FLAT = np.cos(np.radians(70.0))
"""Spray that meets a side more than 70 degrees off its normal is called flat (our own word and limit)."""

NO_PASS, SEALED, AWAY, OUTSIDE_PATTERN, HIDDEN, TOO_FAR, TOO_FLAT, TOO_LITTLE, DRAINED, CANNOT_HOLD = range(
    10
)
WORDS = (
    "no pass",
    "sealed bay: no opening leads in",
    "faces away from every pass",
    "outside the pattern of every pass",
    "hidden from every pass",
    "seen, but too far",
    "seen, but too flat",
    "seen, but with too little liquid",
    "enough came to lie, but runs off",
    "cannot hold the film asked: it runs off",
)
"""What each reason is called; where a part hides the side, its name follows."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Reasons:
    """The poses' view of the sides asked: best film weight so far, and what stood against it."""

    code: IntArray
    hidden_by: IntArray


@dataclass(frozen=True, kw_only=True, eq=False)
class _Look:
    """One pose's view of the sides asked: best film weight so far, and what the best view had against it."""

    weight: FloatArray
    distance: FloatArray
    cosine: FloatArray
    hidden_from: FloatArray
    hidden_at: FloatArray
    facing: BoolArray


def reasons_of(site: Site, pulls: Sequence[Pull], uncovered: BoolArray, drained: BoolArray) -> Reasons:
    """Return why each side of `uncovered` (2n,) bool lacks film; from `drained` (2n,) too much ran off."""
    sides = np.flatnonzero(uncovered)
    code = np.full(site.mesh.n_sides, -1, dtype=np.int64)
    hidden_by = np.full(site.mesh.n_sides, NO_FACE, dtype=np.int64)
    sealed = np.array([bay.sealed for bay in site.bays.bays], dtype=np.bool_)[site.bays.side_bay[sides]]
    if not pulls or not len(sides):
        code[sides] = np.where(sealed, SEALED, NO_PASS)
        return Reasons(code=code, hidden_by=hidden_by)
    centers, normals = site.side_centers[sides], side_normals(site.mesh)[sides]
    look = _looked_at(site, pulls, centers, normals)
    found = np.full(len(sides), AWAY, dtype=np.int64)
    found[look.facing] = OUTSIDE_PATTERN
    hidden = np.isfinite(look.hidden_at)
    found[hidden] = HIDDEN
    lit = look.weight > 0.0
    throws = max(pull.wand.tip.throw for pull in pulls)
    found[lit] = TOO_LITTLE
    found[lit & (look.cosine < FLAT)] = TOO_FLAT
    found[lit & (look.distance > throws)] = TOO_FAR
    found[drained[sides]] = DRAINED
    found[~np.isfinite(site.needed[sides])] = CANNOT_HOLD
    found[sealed] = SEALED
    code[sides] = found
    chosen = np.flatnonzero(found == HIDDEN)
    ways = centers[chosen] - look.hidden_from[chosen]
    faces, _ = site.scene.first_hit(look.hidden_from[chosen], ways)
    hidden_by[sides[chosen]] = faces
    return Reasons(code=code, hidden_by=hidden_by)


def _looked_at(site: Site, pulls: Sequence[Pull], centers: FloatArray, normals: FloatArray) -> _Look:
    count = len(centers)
    look = _Look(
        weight=np.zeros(count),
        distance=np.full(count, np.inf),
        cosine=np.zeros(count),
        hidden_from=np.zeros((count, 3)),
        hidden_at=np.full(count, np.inf),
        facing=np.zeros(count, dtype=np.bool_),
    )
    # One pose at a time: each looks at all sides at once.
    for pull in pulls:
        stations = stations_of(pull.path, max(pull.path.length / POSES_A_PULL, 1e-6))
        for place, point in enumerate(stations.points):
            ways = centers - point
            distance = np.linalg.norm(ways, axis=1)
            ways /= np.maximum(distance, 1e-12)[:, None]
            cosine = -np.einsum("ij,ij->i", ways, normals)
            look.facing[cosine > 0.0] = True
            local = in_tip_frame(ways, stations.axes[place], stations.clocks[place])
            density = pull.wand.tip.density(local)
            asked = np.flatnonzero((cosine > 0.0) & (density > 0.0))
            blocked = site.scene.is_blocked(point, centers[asked])
            _note_hidden(look, asked[blocked], point, distance)
            _note_lit(look, asked[~blocked], density * cosine / distance**2, distance, cosine)
    return look


def _note_hidden(look: _Look, sides: IntArray, point: FloatArray, distance: FloatArray) -> None:
    nearer = sides[distance[sides] < look.hidden_at[sides]]
    look.hidden_at[nearer] = distance[nearer]
    look.hidden_from[nearer] = point


def _note_lit(
    look: _Look, sides: IntArray, weight: FloatArray, distance: FloatArray, cosine: FloatArray
) -> None:
    better = sides[weight[sides] > look.weight[sides]]
    look.weight[better] = weight[better]
    look.distance[better] = distance[better]
    look.cosine[better] = cosine[better]


def reason_text(site: Site, reasons: Reasons, sides: IntArray, film_um: FloatArray) -> str:
    """Return why a connected patch of uncovered `sides` lacks film: what holds for most of its area."""
    areas = site.side_areas[sides]
    by_code = np.bincount(reasons.code[sides], weights=areas, minlength=len(WORDS))
    most = int(by_code.argmax())
    text = WORDS[most]
    if most == HIDDEN:
        faces = reasons.hidden_by[sides]
        known = faces != NO_FACE
        if known.any():
            parts = np.bincount(site.mesh.face_parts[faces[known]], weights=areas[known])
            text = f"hidden by {site.mesh.part_names[int(parts.argmax())]}"
    mean = float(np.average(film_um, weights=areas))
    if mean > 0.0:
        text += f"; {mean:.2g} um on average where {1e6 * site.job.target.film_min:.3g} um is asked"
    return text
