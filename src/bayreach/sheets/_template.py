"""What a hole template says: the hole, its datum lines, check distances, neighbours, what lies behind."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from bayreach.arrays import NO_FACE, OUTSIDE, FloatArray, unit_vectors
from bayreach.mesh import Mesh
from bayreach.rays import Scene
from bayreach.report import Case, Hole
from bayreach.sheets._patch import Line, Patch, on_the_flat, patch_of

LEAST_ANGLE = np.radians(40.0)
"""Two datum lines stand at least this far apart in direction."""

BEHIND = 0.3
"""How far (m) behind the skin the drill's way is looked at."""

MARGIN = 0.010
"""Ring (m) round the drill within which something behind the skin is named (common practice, no source)."""


FAR = 0.3
"""How far (m) from the hole its neighbours are looked for."""

OFF_SKIN = 0.005
"""How far (m) off the skin the middle of a hole on it may lie."""


@dataclass(frozen=True, kw_only=True)
class Datum:
    """A datum line: its name, the foot of the perpendicular from the hole (2,) m and the distance in m."""

    name: str
    kind: str
    foot: tuple[float, float]
    distance: float


@dataclass(frozen=True, kw_only=True)
class Check:
    """A second way to find the hole: a corner (2,) m that can be seen, and its distance in m."""

    name: str
    corner: tuple[float, float]
    distance: float


@dataclass(frozen=True, kw_only=True)
class Neighbour:
    """Another hole or opening of the skin: its place (2,) m on the flat, and pitch in m along the skin."""

    name: str
    pitch: float
    place: tuple[float, float]


@dataclass(frozen=True, kw_only=True, eq=False)
class Template:
    """One candidate hole, laid out; `lines` are the patch's without the rim of the hole itself."""

    hole: Hole
    patch: Patch
    lines: tuple[Line, ...]
    datums: tuple[Datum, ...]
    checks: tuple[Check, ...]
    neighbours: tuple[Neighbour, ...]
    clearance: float
    behind: str
    part: str

    @property
    def radius(self) -> float:
        """Radius of the hole in m."""
        return self.hole.drill_mm * 0.5e-3


def template_of(case: Case, hole: Hole) -> Template:
    """Return the template of a candidate hole."""
    center = np.asarray(hole.center, dtype=np.float64)
    outward = outward_of(case, hole)
    patch = patch_of(case.mesh, center, outward)
    lines = [line for line in (_without_rim(line, hole) for line in patch.lines) if len(line.segments)]
    datums = _datums(lines)
    clearance, behind = looked_behind(case.mesh, center, outward, hole.drill_mm * 0.5e-3)
    return Template(
        hole=hole,
        patch=patch,
        lines=tuple(lines),
        datums=datums,
        checks=_checks(lines),
        neighbours=_neighbours(case, hole, patch),
        clearance=clearance,
        behind=behind,
        part=_part_at(case, center),
    )


def outward_of(case: Case, hole: Hole) -> FloatArray:
    """Return the unit vector (3,) out of the structure at a hole: toward the skin's outer side."""
    center = np.asarray(hole.center, dtype=np.float64)
    middles = case.mesh.corners.mean(axis=1)
    bays = case.sides.bay.reshape(-1, 2)
    skin = np.flatnonzero((bays == OUTSIDE).sum(axis=1) == 1)
    stated = unit_vectors(hole.normal)
    if not len(skin):
        return stated
    face = skin[np.argmin(np.linalg.norm(middles[skin] - center, axis=1))]
    a, b, c = case.mesh.corners[face]
    front = unit_vectors(np.cross(b - a, c - a))
    out = front if bays[face, 0] == OUTSIDE else -front
    return stated if stated @ out > 0 else -stated


def looked_behind(mesh: Mesh, center: FloatArray, outward: FloatArray, radius: float) -> tuple[float, str]:
    """Return the free way (m) behind the skin over the drill's width plus `MARGIN`, and what ends it.

    37 rays start just inside the skin, on the axis and on three rings; infinite and "" where none hits
    within `BEHIND`.
    """
    across = unit_vectors(np.cross(outward, [1.0, 0.0, 0.0] if abs(outward[0]) < 0.9 else [0.0, 1.0, 0.0]))
    up = np.cross(outward, across)
    turns = np.arange(12) * np.pi / 6
    ring = np.cos(turns)[:, None] * across + np.sin(turns)[:, None] * up
    spread = [np.zeros((1, 3)), *(reach * ring for reach in (0.5 * radius, radius, radius + MARGIN))]
    starts = center + np.concatenate(spread) - 5e-4 * outward
    faces, lengths = Scene(mesh).first_hit(starts, np.tile(-outward, (len(starts), 1)))
    lengths = np.where(faces == NO_FACE, np.inf, lengths + 5e-4)
    nearest = int(np.argmin(lengths))
    if lengths[nearest] > BEHIND:
        return np.inf, ""
    return float(lengths[nearest]), mesh.part_names[mesh.face_parts[faces[nearest]]]


def _part_at(case: Case, center: FloatArray) -> str:
    middles = case.mesh.corners.mean(axis=1)
    face = int(np.argmin(np.linalg.norm(middles - center, axis=1)))
    return case.mesh.part_names[int(case.mesh.face_parts[face])]


def _without_rim(line: Line, hole: Hole) -> Line:
    """Drop the edge of the hole itself, where the mesh already has it cut."""
    far = np.linalg.norm(line.segments, axis=2).max(axis=1) > 0.65e-3 * hole.drill_mm + 1e-4
    return Line(name=line.name, kind=line.kind, segments=line.segments[far])


def _datums(lines: list[Line]) -> tuple[Datum, ...]:
    """Return the two nearest lines that stand well apart in direction; fewer where the skin has fewer."""
    found = [_datum(line) for line in lines]
    found.sort(key=lambda datum: datum.distance)
    chosen: list[Datum] = []
    for datum in found:
        if datum.distance > 1e-4 and all(_stand_apart(datum, other) for other in chosen):
            chosen.append(datum)
    return tuple(chosen[:2])


def _datum(line: Line) -> Datum:
    start, end = line.segments[:, 0], line.segments[:, 1]
    along = end - start
    share = -np.einsum("ij,ij->i", start, along) / np.maximum(np.einsum("ij,ij->i", along, along), 1e-300)
    feet = start + np.clip(share, 0.0, 1.0)[:, None] * along
    lengths = np.linalg.norm(feet, axis=1)
    nearest = int(np.argmin(lengths))
    foot = (float(feet[nearest, 0]), float(feet[nearest, 1]))
    return Datum(name=line.name, kind=line.kind, foot=foot, distance=float(lengths[nearest]))


def _stand_apart(one: Datum, two: Datum) -> bool:
    cosine = np.dot(one.foot, two.foot) / (one.distance * two.distance)
    return bool(abs(cosine) < np.cos(LEAST_ANGLE))


def _checks(lines: list[Line]) -> tuple[Check, ...]:
    """Return the two nearest corners, where lines of two names meet, that do not lie in one direction."""
    ends: dict[tuple[float, float], set[str]] = {}
    for line in lines:
        for x, y in line.segments.reshape(-1, 2):
            ends.setdefault((round(float(x), 6), round(float(y), 6)), set()).add(line.name)
    corners = [
        Check(name=" / ".join(sorted(names)), corner=corner, distance=float(np.hypot(*corner)))
        for corner, names in ends.items()
        if len(names) > 1
    ]
    corners.sort(key=lambda check: (check.distance, check.corner))
    chosen: list[Check] = []
    for check in corners:
        apart = all(
            np.dot(check.corner, other.corner) < 0.97 * check.distance * other.distance for other in chosen
        )
        if check.distance > 1e-4 and apart:
            chosen.append(check)
    return tuple(chosen[:2])


def _neighbours(case: Case, hole: Hole, patch: Patch) -> tuple[Neighbour, ...]:
    """Return the holes and openings on the same skin within 300 mm, nearest first; pitch along the skin."""
    others: list[tuple[str, Any, float]] = [
        (one.name, one.center, one.drill_mm * 1e-3)
        for one in case.holes
        if one is not hole and one.name != hole.name
    ]
    others += [
        (one.name, one.center, one.diameter)
        for one in case.openings
        if one.kind != "proposed" and "outside" in one.links
    ]
    found = []
    for name, center, diameter in others:
        if not 1e-4 < float(np.linalg.norm(np.asarray(center) - hole.center)) < FAR:
            continue
        place, away = on_the_flat(patch, case.mesh, np.asarray(center, dtype=np.float64))
        # The skin may end at the rim of an opening, half its width from its middle.
        if away < 0.5 * diameter + OFF_SKIN:
            x, y = float(place[0]), float(place[1])
            found.append(Neighbour(name=name, pitch=float(np.hypot(x, y)), place=(x, y)))
    return tuple(sorted(found, key=lambda one: one.pitch))
