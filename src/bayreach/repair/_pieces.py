"""Cuts faces along lines, in their own plane; faces that lie on each other are cut as one."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from bayreach.arrays import FloatArray, IntArray
from bayreach.measure import area_vectors

_AXES_FIRST = np.array([1.0 + 2e-6, 1.0 + 1e-6, 1.0])
"""Weights by which the axis to look along is the same for faces of one plane, however they are rounded."""

_SHORTER = 1e-3
"""Share by which a line between two corners is shortened at both ends to see whether it meets another."""

_FLAT_SLACKS = 4.0
"""Faces that lie on each other are cut as one where all corners are this many tolerances from a plane."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Drawn:
    """Lines drawn on faces: the face (k,) of each and its ends (k, 2, 3)."""

    face: IntArray
    ends: FloatArray


@dataclass(frozen=True, kw_only=True, eq=False)
class Cuts:
    """The pieces (m, 3, 3) of cut faces, the face (m,) of each, and the middles (r, 3) of those left out."""

    pieces: FloatArray
    source: IntArray
    repeated: FloatArray


def cut_faces(corners: FloatArray, drawn: Drawn, clusters: Sequence[IntArray], slack: float) -> Cuts:
    """Return the faces of all clusters cut along the lines drawn on them.

    Parameters
    ----------
    corners : (n, 3, 3) float
        Of all faces.
    drawn : Drawn
    clusters : sequence of (c,) int
        Faces to cut; those of one cluster lie on each other.
    slack : float
        Tolerance in m.
    """
    order = np.argsort(drawn.face, kind="stable")
    starts = np.searchsorted(drawn.face[order], np.arange(len(corners) + 1))
    lines = [drawn.ends[order[starts[face] : starts[face + 1]]] for face in range(len(corners))]
    pieces, source, repeated = [np.zeros((0, 3, 3))], [np.zeros(0, dtype=np.int64)], [np.zeros((0, 3))]
    # A polygon library cuts one plane at a time; only faces that others meet come here.
    for cluster in clusters:
        together = (
            [cluster]
            if _lie_flat(corners[cluster], slack)
            else [cluster[k, None] for k in range(len(cluster))]
        )
        for group in together:
            new, owner, middles = _pieces_of(corners[group], [lines[face] for face in group.tolist()], slack)
            pieces.append(new)
            source.append(group[owner])
            repeated.append(middles)
    return Cuts(
        pieces=np.concatenate(pieces), source=np.concatenate(source), repeated=np.concatenate(repeated)
    )


def _lie_flat(corners: FloatArray, slack: float) -> bool:
    vectors = area_vectors(corners)
    first = int(np.linalg.norm(vectors, axis=1).argmax())
    normal = vectors[first] / np.linalg.norm(vectors[first])
    return bool(np.abs((corners - corners[first, 0]) @ normal).max() <= _FLAT_SLACKS * slack)


def _pieces_of(
    corners: FloatArray, lines: Sequence[FloatArray], slack: float
) -> tuple[FloatArray, IntArray, FloatArray]:
    """Return the triangles (m, 3, 3) of faces in one plane cut along lines, each one's face, and repeats.

    What several faces cover comes back once, as a piece of the first of them.
    """
    import shapely

    # Sheets that lie on each other are seen along the same axis, in the same coordinates.
    vectors = area_vectors(corners)
    largest = int(np.linalg.norm(vectors, axis=1).argmax())
    keep = np.delete(np.arange(3), int((np.abs(vectors[largest]) * _AXES_FIRST).argmax()))
    outlines = corners[:, :, keep]
    rings = np.stack([outlines, np.roll(outlines, -1, axis=1)], axis=2).reshape(-1, 2, 2)
    inside = [_snapped(own[:, :, keep], out, slack) for own, out in zip(lines, outlines, strict=True)]
    work = shapely.union_all(shapely.linestrings(np.concatenate([rings, *inside])), grid_size=1e-4 * slack)
    polygons = np.asarray(shapely.get_parts(shapely.polygonize(_without_loose_ends(shapely.get_parts(work)))))
    owner, n_owners = _owners(polygons, outlines)
    lift = _Lift(corners[largest], outlines[largest])
    twice = shapely.get_coordinates(shapely.point_on_surface(polygons[n_owners > 1]))
    flat, cell = _triangles(polygons[owner >= 0])
    owner = owner[owner >= 0][cell]
    turned = _doubled_areas(flat) * _doubled_areas(outlines)[owner] < 0
    flat[turned] = flat[turned][:, ::-1]
    return lift.up(flat), owner, lift.up(twice)


def _without_loose_ends(lines: Any) -> Any:
    """Return the lines (k,) with a line added from each loose end to the nearest corner in sight of it.

    A line that ends inside a face, as a stringer's foot does, bounds no piece by itself and would be lost.
    """
    import shapely

    ends = np.stack([shapely.get_coordinates(shapely.get_point(lines, k)) for k in (0, -1)], axis=1)
    corners, name, degree = np.unique(ends.reshape(-1, 2), axis=0, return_inverse=True, return_counts=True)
    name = name.reshape(-1, 2)
    added: list[Any] = []
    # Few lines end inside a face.
    for loose in np.flatnonzero(degree == 1).tolist():
        away = np.linalg.norm(corners - corners[loose], axis=1)
        own = name[(name == loose).any(axis=1)].ravel()
        for target in np.argsort(away, kind="stable").tolist():
            if target in own:
                continue
            line = shapely.linestrings(corners[[loose, target]])
            others = np.delete(corners, [loose, target], axis=0)
            clear = shapely.distance(shapely.multipoints(others), line) > 1e-6 * away[target]
            both = corners[[loose, target]]
            inner = shapely.linestrings(both + _SHORTER * (both[::-1] - both))
            if clear and not shapely.intersects(inner, np.append(lines, added)).any():
                added.append(line)
                break
    return np.append(lines, added)


class _Lift:
    """Back from the two coordinates kept to the plane of a face."""

    def __init__(self, corners: FloatArray, outline: FloatArray) -> None:
        self.origin, self.flat = corners[0], outline[0]
        self.slope = np.linalg.inv(outline[1:] - outline[0]) @ (corners[1:] - corners[0])

    def up(self, flat: FloatArray) -> FloatArray:
        """Return the points (..., 3) of flat coordinates (..., 2)."""
        return np.asarray(self.origin + (flat - self.flat) @ self.slope)


def _owners(polygons: Any, outlines: FloatArray) -> tuple[IntArray, IntArray]:
    """Return for each polygon the first face that covers it, -1 for none, and how many do."""
    import shapely

    owner = np.full(len(polygons), -1, dtype=np.int64)
    count = np.zeros(len(polygons), dtype=np.int64)
    if len(outlines) == 1:
        return owner + 1, count + 1
    tree = shapely.STRtree(shapely.polygons(outlines))
    polygon, face = tree.query(shapely.point_on_surface(polygons), predicate="within")
    order = np.lexsort((face, polygon))
    names, first = np.unique(polygon[order], return_index=True)
    owner[names] = face[order][first]
    np.add.at(count, polygon, 1)
    return owner, count


def _triangles(polygons: Any) -> tuple[FloatArray, IntArray]:
    """Return triangles (m, 3, 2) that fill polygons, and the polygon of each."""
    import shapely

    shapes, cell = shapely.get_parts(shapely.constrained_delaunay_triangles(polygons), return_index=True)
    flat = shapely.get_coordinates(shapes).reshape(-1, 4, 2)[:, :3].copy()
    return flat, np.asarray(cell, dtype=np.int64)


def _doubled_areas(flat: FloatArray) -> FloatArray:
    span = flat[:, 1:] - flat[:, :1]
    return np.asarray(span[:, 0, 0] * span[:, 1, 1] - span[:, 0, 1] * span[:, 1, 0])


def _snapped(lines: FloatArray, outline: FloatArray, slack: float) -> FloatArray:
    """Move line ends that lie within `slack` of an edge or corner of the face onto it."""
    ends = lines.reshape(-1, 2)
    for start, end in zip(outline, np.roll(outline, -1, axis=0), strict=True):
        along = end - start
        share = np.clip(((ends - start) @ along) / (along @ along), 0.0, 1.0)
        foot = start + share[:, None] * along
        near = np.linalg.norm(foot - ends, axis=1) <= slack
        ends = np.where(near[:, None], foot, ends)
    for corner in outline:
        near = np.linalg.norm(corner - ends, axis=1) <= slack
        ends = np.where(near[:, None], corner, ends)
    return ends.reshape(-1, 2, 2)
