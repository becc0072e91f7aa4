"""A bend for a straight wand: the arc that leads its tip through openings into a bay."""

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from bayreach.arrays import BoolArray, FloatArray
from bayreach.insertion import Path, bays_at, entries_over, inward, paths_through, rods_blocked, widest_tilt
from bayreach.poses import clock_zero
from bayreach.reach._ground import SHORTEST, Ground
from bayreach.wands import Wand, arc_piece

if TYPE_CHECKING:
    from bayreach.bays import Opening

TIGHTEST = 5.0
"""Least radius of a proposed bend over the wand's diameter (common practice for bent tube, no source)."""
CHORD = 0.02
"""Greatest length in m of a chord by which an arc is looked at."""
CHECKED = 8
"""Arcs, the least bent first, whose whole way in is checked."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Bend:
    """A straight wand bent, and the checked way by which its tip gets into the bay.

    Parameters
    ----------
    wand : Wand
        The wand with its front part bent to an arc.
    path : Path
        The way in.
    radius, angle : float
        Of the bend's centre line, in m and rad.
    """

    wand: Wand
    path: Path
    radius: float
    angle: float

    @property
    def length(self) -> float:
        """Length in m of the bent part."""
        return self.radius * self.angle

    def sentence(self) -> str:
        """Return the bend in words, in mm and degrees."""
        return (
            f"bend the last {1e3 * self.length:.0f} mm by {math.degrees(self.angle):.1f} degrees, "
            f"radius {1e3 * self.radius:.0f} mm"
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class _Arcs:
    """Arcs from one point: tangents and directions bent to (k, 3), radii and angles (k,), in m and rad."""

    tangents: FloatArray
    bent_to: FloatArray
    radii: FloatArray
    angles: FloatArray

    def at(self, rows: BoolArray | FloatArray) -> "_Arcs":
        return _Arcs(
            tangents=self.tangents[rows],
            bent_to=self.bent_to[rows],
            radii=self.radii[rows],
            angles=self.angles[rows],
        )


def proposed_bend(
    ground: Ground, wand: Wand, opening: "Opening", bay: str, *, depth: float = 0.0
) -> Bend | None:
    """Return the least bend of a straight wand that leads its tip into a bay, `depth` (m) in or near it.

    The front part is bent to one arc, which slides through the opening along itself. Tried are the arcs from
    the opening's centre by a place in another opening to a place in the bay; those whose tube is clear are
    taken in the order of their angle, and the first whose whole way in, rounded to whole millimetres and
    tenths of a degree, passes the check of every step is returned; None where there is none, and for a wand
    that is not straight. It is the least of those tried, not of all bends.
    """
    if wand.shape != "straight":
        return None
    wanted = next(each.index for each in ground.space.bays.bays if each.name == bay)
    arcs = _clear_arcs(ground, wand, opening, wanted)
    lengths = arcs.radii * arcs.angles
    short = np.maximum(depth - lengths, 0.0).round(3)
    for row in np.lexsort((arcs.angles, short))[:CHECKED]:
        found = _checked(ground, wand, opening, wanted, arcs.at(np.array([row])))
        if found is not None:
            return found
    return None


def _clear_arcs(ground: Ground, wand: Wand, opening: "Opening", bay: int) -> _Arcs:
    """Return the arcs from the opening's centre into the bay along which the wand's tube is clear."""
    others = [one for one in ground.space.bays.openings if one.name != opening.name]
    vias = [entries_over(one, wand.largest_section.diameter)[:7] for one in others]
    ends = ground.points[ground.homes == bay]
    if not vias or not len(ends):
        return _none()
    through = np.concatenate(vias)
    one, two = np.meshgrid(np.arange(len(through)), np.arange(len(ends)), indexing="ij")
    arcs, passed = _arcs_by(opening.center, through[one.ravel()], ends[two.ravel()])
    tilts = arcs.tangents @ inward(opening)
    lengths = arcs.radii * arcs.angles
    kept = passed & (tilts > math.cos(max(widest_tilt(wand, opening), 0.0)))
    kept &= (lengths < wand.length) & (lengths > SHORTEST) & (arcs.angles < math.pi / 2.0)
    kept &= arcs.radii > TIGHTEST * wand.largest_section.diameter
    arcs = arcs.at(kept)
    return arcs.at(_are_clear(ground, wand, opening, arcs)) if len(arcs.radii) else arcs


def _none() -> _Arcs:
    nothing, nowhere = np.zeros(0), np.zeros((0, 3))
    return _Arcs(tangents=nowhere, bent_to=nowhere, radii=nothing, angles=nothing)


def _arcs_by(start: FloatArray, through: FloatArray, ends: FloatArray) -> tuple[_Arcs, BoolArray]:
    """Return the arcs from `start` (3,) by `through` to `ends` (k, 3), and whether they pass in that order.

    The circle's centre from the first point is ((|a|² b - |b|² a) × (a × b)) / (2 |a × b|²), a and b the
    other two points from the first.
    """
    a, b = through - start, ends - start
    normal = np.cross(a, b)
    size = np.einsum("ij,ij->i", normal, normal)
    flat = size < 1e-12
    size = np.where(flat, 1.0, size)
    long_a, long_b = np.einsum("ij,ij->i", a, a), np.einsum("ij,ij->i", b, b)
    centers = np.cross(long_a[:, None] * b - long_b[:, None] * a, normal) / (2.0 * size)[:, None]
    radii = np.linalg.norm(centers, axis=1)
    bent_to = np.divide(centers, radii[:, None], out=np.zeros_like(centers), where=radii[:, None] > 0.0)
    tangents = np.cross(bent_to, normal / np.sqrt(size)[:, None])
    tangents *= np.sign(np.einsum("ij,ij->i", tangents, a))[:, None]

    def turned(points: FloatArray) -> FloatArray:
        ahead = np.einsum("ij,ij->i", points, tangents)
        aside: FloatArray = radii - np.einsum("ij,ij->i", points, bent_to)
        return np.asarray(np.mod(np.arctan2(ahead, aside), 2.0 * math.pi))

    angles = turned(b)
    passed: BoolArray = ~flat & (turned(a) < angles) & (angles > 0.0)
    return _Arcs(tangents=tangents, bent_to=bent_to, radii=radii, angles=angles), passed


def _are_clear(ground: Ground, wand: Wand, opening: "Opening", arcs: _Arcs) -> BoolArray:
    """Tell (k,) along which arcs a tube as wide as the wand's widest part meets nothing."""
    lengths = arcs.radii * arcs.angles
    count = max(2, math.ceil(float(lengths.max()) / CHORD) + 1)
    turns = arcs.angles[:, None] * np.linspace(0.0, 1.0, count)
    points = (
        opening.center
        + (arcs.radii[:, None] * np.sin(turns))[..., None] * arcs.tangents[:, None]
        + (arcs.radii[:, None] * (1.0 - np.cos(turns)))[..., None] * arcs.bent_to[:, None]
    )
    radius = wand.largest_section.diameter / 2.0
    blocked = rods_blocked(
        ground.space, points[:, :-1].reshape(-1, 3), points[:, 1:].reshape(-1, 3), radius,
        extras=wand.clearance, shares=ground.space.shares(),
    )  # fmt: skip
    return np.asarray((blocked.reshape(len(arcs.radii), -1) < 0).all(axis=1))


def _checked(ground: Ground, wand: Wand, opening: "Opening", bay: int, arc: _Arcs) -> Bend | None:
    """Return the one arc, in whole millimetres and tenths of a degree, where its whole way in is clear."""
    radius = max(round(float(arc.radii[0]), 3), 1e-3)
    angle = math.radians(round(math.degrees(float(arc.angles[0])), 1))
    if not 0.0 < radius * angle < wand.length:
        return None
    bent = replace(wand, shape="bent", pieces=(arc_piece(radius, angle),))
    zero = clock_zero(arc.tangents[0], ground.down)
    quarter = np.cross(zero, arc.tangents[0])
    clock = math.atan2(-float(arc.bent_to[0] @ quarter), float(arc.bent_to[0] @ zero))
    paths, _ = paths_through(
        ground.space, bent, opening, aims=arc.tangents, clocks=(clock,), shortest=SHORTEST, down=ground.down
    )
    inside = [path for path in paths if bay in path.bays_reached and _ends_in(ground, path, bay)]
    return Bend(wand=bent, path=inside[0], radius=radius, angle=angle) if inside else None


def _ends_in(ground: Ground, path: Path, bay: int) -> bool:
    return int(bays_at(ground.space, path.tip_path.points[:1])[0]) == bay
