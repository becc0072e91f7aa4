"""What a file holds before it is mended: polygons with part names, in the file's own unit."""

from dataclasses import dataclass, field

import numpy as np

from bayreach.arrays import FloatArray, IntArray
from bayreach.repair._findings import some_of


@dataclass(frozen=True, kw_only=True, eq=False)
class Note:
    """What was skipped or split while reading: kind, count, a sentence, places (k, 3) in the file's unit."""

    kind: str
    count: int
    detail: str
    places: FloatArray = field(default_factory=lambda: np.zeros((0, 3)))


def split_note(points: FloatArray, polygons: dict[int, tuple[IntArray, IntArray]], what: str) -> list[Note]:
    """Return the note on polygons of four corners and more that were split, none where there are none."""
    larger = [corners for size, (corners, _) in polygons.items() if size > 3 and len(corners)]
    count = sum(len(corners) for corners in larger)
    if not count:
        return []
    places = some_of(np.concatenate([points[corners].mean(axis=1) for corners in larger]))
    detail = f"{count} {what} were split into triangles."
    return [Note(kind="split polygons", count=count, detail=detail, places=places)]


@dataclass(frozen=True, kw_only=True, eq=False)
class Soup:
    """Triangles as a file gives them.

    Parameters
    ----------
    points : (p, 3) float
        In the file's unit.
    faces : (n, 3) int
        Triangles.
    face_parts : (n,) int
        Index into `part_names`.
    part_names : tuple of str
        In the order of first use.
    notes : tuple of Note
        What was skipped or split while reading.
    """

    points: FloatArray
    faces: IntArray
    face_parts: IntArray
    part_names: tuple[str, ...]
    notes: tuple[Note, ...] = field(default=())


def triangles_from(
    points: FloatArray, polygons: dict[int, tuple[IntArray, IntArray]]
) -> tuple[IntArray, IntArray]:
    """Return triangles (n, 3) and the number each came with, from polygons grouped by corner count.

    Parameters
    ----------
    points : (p, 3) float
        Corner positions.
    polygons : dict
        For each corner count k: corners (m, k) and a number (m,) that every piece keeps.
    """
    faces, numbers = [np.zeros((0, 3), dtype=np.int64)], [np.zeros(0, dtype=np.int64)]
    for size, (corners, number) in sorted(polygons.items()):
        if size == 3:
            faces.append(corners)
            numbers.append(number)
        elif size == 4:
            halves = _quad_halves(points, corners)
            faces.append(halves.reshape(-1, 3))
            numbers.append(np.repeat(number, 2))
        else:
            # Polygons of five corners and more are rare in shell meshes; each is cut by the ear-cutting
            # library.
            pieces = [_polygon_pieces(points, polygon) for polygon in corners]
            faces += pieces
            numbers += [np.full(len(piece), name) for piece, name in zip(pieces, number, strict=True)]
    return np.concatenate(faces), np.concatenate(numbers)


def _quad_halves(points: FloatArray, quads: IntArray) -> IntArray:
    """Return two triangles (m, 2, 3) a quad along the diagonal 0-2, or 1-3 where 1 or 3 turns inward."""
    a, b, c, d = (points[quads[:, k]] for k in range(4))
    normal = np.cross(c - a, d - b)
    straight = (np.einsum("ij,ij->i", np.cross(b - a, c - a), normal) > 0) & (
        np.einsum("ij,ij->i", np.cross(c - a, d - a), normal) > 0
    )
    first = np.where(straight[:, None, None], [[0, 1, 2], [0, 2, 3]], [[0, 1, 3], [1, 2, 3]])
    return np.take_along_axis(quads[:, None, :], first, axis=2)


def _polygon_pieces(points: FloatArray, polygon: IntArray) -> IntArray:
    import mapbox_earcut

    corners = points[polygon]
    normal = np.cross(corners, np.roll(corners, -1, axis=0)).sum(axis=0)
    keep = np.delete(np.arange(3), int(np.abs(normal).argmax()))
    flat = np.ascontiguousarray(corners[:, keep])
    index = mapbox_earcut.triangulate_float64(flat, np.array([len(flat)], dtype=np.uint32)).reshape(-1, 3)
    pieces: IntArray = polygon[index.astype(np.int64)]
    turned = (
        np.cross(points[pieces[:, 1]] - points[pieces[:, 0]], points[pieces[:, 2]] - points[pieces[:, 0]])
        @ normal
        < 0
    )
    pieces[turned] = pieces[turned][:, ::-1]
    return pieces
