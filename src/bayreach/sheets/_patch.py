"""The skin round a candidate hole, laid flat: unrolled where it can be, else projected; error stated."""

import heapq
from collections import defaultdict
from dataclasses import dataclass

import numpy as np

from bayreach.arrays import BoolArray, FloatArray, IntArray, unit_vectors
from bayreach.measure import nearest_faces
from bayreach.mesh import Mesh

SMOOTH = np.radians(30.0)
"""Greatest fold across which the skin is taken to go on."""

UNROLL_LIMIT = 1e-4
"""Greatest error (m) of an unrolled patch; above it the patch is projected and its error printed."""

REACH = 0.45
"""How far (m) from the hole the skin is followed."""

NEAR = 0.12
"""Radius (m) of what a template shows and of where its error is taken."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Line:
    """A line of the skin on the flat: part it belongs to, and segments (k, 2, 2) m from the hole's middle."""

    name: str
    kind: str
    segments: FloatArray


@dataclass(frozen=True, kw_only=True, eq=False)
class Patch:
    """The skin on the flat, seen from outside, hole's middle at the origin, in m.

    Parameters
    ----------
    points : (k, 2) float
        Corners on the flat.
    faces : (m, 3) int
        Faces of the skin, as rows of `points`.
    sources : (m,) int
        The mesh's face that each of them is.
    lines : tuple of Line
        Where other parts meet the skin ("joint"), where it folds ("fold") or ends ("free edge").
    method : str
        "flat", "unrolled" or "projected".
    error : float
        Greatest difference (m) between lengths on the flat and on the skin within `NEAR` of the hole.
    right : (3,) float
        Direction in space of the flat's +x at the hole; +y is `outward` x `right`.
    """

    points: FloatArray
    faces: IntArray
    sources: IntArray
    lines: tuple[Line, ...]
    method: str
    error: float
    right: FloatArray
    outward: FloatArray


def patch_of(mesh: Mesh, center: FloatArray, outward: FloatArray, *, reach: float = REACH) -> Patch:
    """Return the skin round `center` (3,) m on the flat, seen against `outward` (3,)."""
    local = _local_faces(mesh, center, reach)
    start = int(local[nearest_faces(center[None], mesh.of_faces(local))[0][0]])
    folds = _folds(mesh, local)
    right = _right(outward)
    flat, faces, gaps = _unrolled(mesh, start, center, (outward, right), folds)
    kept = np.array(faces)
    numbers, rows = np.unique(mesh.faces[kept].ravel(), return_inverse=True)
    rows = rows.reshape(-1, 3)
    points = np.array([flat[int(number)] for number in numbers])
    space = mesh.points[numbers] - center
    near = np.linalg.norm(space, axis=1) < NEAR
    method, error = "unrolled", _worst_gap(gaps, set(numbers[near].tolist()))
    if np.abs(space @ outward).max() < 1e-6:
        method = "flat"
    if error > UNROLL_LIMIT:
        up = np.cross(outward, right)
        unrolled, points = points, np.stack([space @ right, space @ up], axis=1)
        method, error = "projected", error + _stretch(points, unrolled, near)
    # Only edges within reach have all their faces among the local ones.
    whole = dict(zip(numbers.tolist(), points, strict=True))
    whole = {n: place for n, place in whole.items() if np.linalg.norm(mesh.points[n] - center) < reach}
    lines = _lines(mesh, set(faces), folds, whole)
    return Patch(
        points=points, faces=rows, sources=kept, lines=lines, method=method, error=error, right=right,
        outward=outward,
    )  # fmt: skip


def on_the_flat(patch: Patch, mesh: Mesh, place: FloatArray) -> tuple[FloatArray, float]:
    """Return where a place (3,) m falls on the flat (2,), and how far (m) it lies from the skin laid flat.

    It is taken with the face of the skin that is nearest to it, in that face's plane.
    """
    rows, away = nearest_faces(place[None], mesh.of_faces(patch.sources))
    a, b, c = mesh.points[mesh.faces[patch.sources[int(rows[0])]]]
    sides = np.stack([b - a, c - a], axis=1)
    shares = np.linalg.lstsq(sides, place - a, rcond=None)[0]
    first, second, third = patch.points[patch.faces[int(rows[0])]]
    flat: FloatArray = first + shares[0] * (second - first) + shares[1] * (third - first)
    return flat, float(away[0])


def _right(outward: FloatArray) -> FloatArray:
    """Return the mesh axis that lies flattest on the skin, made normal to `outward`."""
    axis = np.eye(3)[int(np.argmin(np.abs(outward)))]
    return unit_vectors(axis - (axis @ outward) * outward)


def _local_faces(mesh: Mesh, center: FloatArray, reach: float) -> IntArray:
    corners = mesh.corners
    away = np.linalg.norm(corners - center, axis=2).min(axis=1)
    size = np.linalg.norm(corners - corners.mean(axis=1, keepdims=True), axis=2).max(axis=1)
    return np.flatnonzero(away < reach + size)


Folds = dict[tuple[int, int], list[tuple[int, int]]]
"""For each edge (two point numbers): its faces, each with the face the skin goes on to across it, -1 none."""


def _folds(mesh: Mesh, faces: IntArray) -> Folds:
    """Return how the skin goes on across each edge of `faces`."""
    ends = mesh.faces[faces][:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    apexes = mesh.faces[faces][:, [2, 0, 1]].ravel()
    owners = np.repeat(faces, 3)
    low, high = ends.min(axis=1), ends.max(axis=1)
    along = unit_vectors(mesh.points[high] - mesh.points[low])
    arms = mesh.points[apexes] - mesh.points[low]
    arms = unit_vectors(arms - np.einsum("ij,ij->i", arms, along)[:, None] * along)
    order = np.lexsort((high, low))
    changes = (np.diff(low[order]) != 0) | (np.diff(high[order]) != 0)
    starts = np.flatnonzero(np.concatenate([[True], changes]))
    folds: Folds = {}
    # A loop over the edges near one hole; the vectors stand ready.
    for group in np.split(order, starts[1:]):
        members = owners[group].tolist()
        after = [-1] * len(members)
        if len(members) > 1:
            flatness = -(arms[group] @ arms[group].T)
            np.fill_diagonal(flatness, -2.0)
            best = flatness.argmax(axis=1)
            after = [
                members[place] if flatness[row, place] > np.cos(SMOOTH) else -1
                for row, place in enumerate(best.tolist())
            ]
        folds[int(low[group[0]]), int(high[group[0]])] = list(zip(members, after, strict=True))
    return folds


def _unrolled(
    mesh: Mesh, start: int, center: FloatArray, axes: tuple[FloatArray, FloatArray], folds: Folds
) -> tuple[dict[int, FloatArray], list[int], dict[int, float]]:
    """Return the flat place of each point, the faces in order, and how far faces disagreed about a point."""
    flat = _first_face(mesh, mesh.faces[start].tolist(), center, axes)
    gaps: dict[int, float] = {}
    done = {start}
    faces = [start]
    waiting = [(0.0, start)]
    while waiting:
        _, face = heapq.heappop(waiting)
        for other, edge, apex in _across(mesh, face, folds):
            place = _apex_place(mesh, flat, face, edge, apex)
            if apex in flat:
                gaps[apex] = max(gaps.get(apex, 0.0), float(np.linalg.norm(flat[apex] - place)))
            flat.setdefault(apex, place)
            if other not in done:
                done.add(other)
                faces.append(other)
                away = float(np.linalg.norm(mesh.corners[other].mean(axis=0) - center))
                heapq.heappush(waiting, (away, other))
    return flat, faces, gaps


def _first_face(
    mesh: Mesh, corners: list[int], center: FloatArray, axes: tuple[FloatArray, FloatArray]
) -> dict[int, FloatArray]:
    """Return the flat places of the first face's corners, its shape kept: the axes are tilted into it."""
    outward, right = axes
    a, b, c = mesh.points[corners]
    normal = np.cross(b - a, c - a)
    normal = unit_vectors(normal if normal @ outward > 0 else -normal)
    across = unit_vectors(right - (right @ normal) * normal)
    upward = np.cross(normal, across)
    frame = np.stack([across, upward])
    return {number: frame @ (mesh.points[number] - center) for number in corners}


def _across(mesh: Mesh, face: int, folds: Folds) -> list[tuple[int, tuple[int, int], int]]:
    a, b, c = mesh.faces[face].tolist()
    found = []
    for edge in ((a, b), (b, c), (c, a)):
        key = (min(edge), max(edge))
        other = next((after for before, after in folds.get(key, ()) if before == face), -1)
        if other >= 0:
            apex = next(number for number in mesh.faces[other].tolist() if number not in key)
            found.append((other, key, apex))
    return found


def _apex_place(
    mesh: Mesh, flat: dict[int, FloatArray], face: int, edge: tuple[int, int], apex: int
) -> FloatArray:
    """Return where the far corner of the next face falls: its lengths kept, on the other side of the edge."""
    start, end = mesh.points[edge[0]], mesh.points[edge[1]]
    length = float(np.linalg.norm(end - start))
    along = float((mesh.points[apex] - start) @ (end - start)) / length
    height = float(np.linalg.norm(mesh.points[apex] - start - along / length * (end - start)))
    one, two = flat[edge[0]], flat[edge[1]]
    direction = (two - one) / max(float(np.linalg.norm(two - one)), 1e-300)
    side = np.array([-direction[1], direction[0]])
    before = next(number for number in mesh.faces[face].tolist() if number not in edge)
    if (flat[before] - one) @ side > 0:
        side = -side
    place: FloatArray = one + along * direction + height * side
    return place


def _worst_gap(gaps: dict[int, float], near: set[int]) -> float:
    return max((gap for point, gap in gaps.items() if point in near), default=0.0)


def _stretch(points: FloatArray, unrolled: FloatArray, near: BoolArray) -> float:
    """Return the greatest difference of a corner's distance to the hole, projected against unrolled."""
    away = np.abs(np.linalg.norm(points[near], axis=1) - np.linalg.norm(unrolled[near], axis=1))
    return float(away.max(initial=0.0))


def _lines(mesh: Mesh, patch: set[int], folds: Folds, flat: dict[int, FloatArray]) -> tuple[Line, ...]:
    """Return the joints, folds and free edges of the patch, grouped by the part they belong to."""
    groups: dict[tuple[str, str], list[list[FloatArray]]] = defaultdict(list)
    for edge, members in folds.items():
        mine = [face for face, _ in members if face in patch]
        if not mine or edge[0] not in flat or edge[1] not in flat:
            continue
        others = [face for face, _ in members if face not in patch]
        goes_on = any(face in patch and after in patch for face, after in members)
        if goes_on and not others:
            continue
        name = mesh.part_names[mesh.face_parts[others[0] if others else mine[0]]]
        kind = "joint" if others and goes_on else "fold" if others else "free edge"
        groups[(name, kind)].append([flat[edge[0]], flat[edge[1]]])
    return tuple(
        Line(name=name, kind=kind, segments=np.array(segments))
        for (name, kind), segments in sorted(groups.items())
    )
