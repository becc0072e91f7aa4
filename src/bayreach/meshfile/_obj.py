"""Wavefront OBJ: vertices, polygons of any size, groups and objects."""

import numpy as np

from bayreach.errors import MeshError
from bayreach.meshfile._soup import Note, Soup, split_note, triangles_from


def read_obj(data: bytes, name: str) -> Soup:
    """Return the polygons of OBJ bytes as triangles; groups, or else objects, become parts.

    Raises
    ------
    MeshError
        With the line, when a vertex or face cannot be read or a face names a vertex that does not exist.
    """
    vertices: list[str] = []
    polygons: dict[int, tuple[list[list[int]], list[int]]] = {}
    parts: dict[str, int] = {}
    group = "mesh"
    skipped: dict[str, list[int]] = {"l": [], "p": []}
    # Names stand between the faces and indices may count from the latest vertex, so lines are walked in
    # order.
    for number, line in enumerate(data.decode("utf-8", errors="replace").splitlines(), start=1):
        word, _, rest = line.strip().partition(" ")
        if word == "v":
            vertices.append(rest)
        elif word == "f":
            corners = _corners(rest, len(vertices), name, number)
            lists = polygons.setdefault(len(corners), ([], []))
            lists[0].append(corners)
            lists[1].append(parts.setdefault(group, len(parts)))
        elif word in {"g", "o"}:
            group = rest.strip() or "mesh"
        elif word in skipped:
            skipped[word].append(number)
    points = _points(vertices, name)
    if not polygons:
        message = f"{name}: the OBJ file holds {len(vertices)} vertices but no face; export the mesh again."
        raise MeshError(message)
    arrays = {size: (np.array(corners), np.array(number)) for size, (corners, number) in polygons.items()}
    faces, face_parts = triangles_from(points, arrays)
    return Soup(
        points=points,
        faces=faces,
        face_parts=face_parts,
        part_names=tuple(parts),
        notes=_notes(points, arrays, skipped),
    )


def _corners(rest: str, n_vertices: int, name: str, number: int) -> list[int]:
    try:
        raw = [int(text.split("/")[0]) for text in rest.split("#", maxsplit=1)[0].split()]
    except ValueError as error:
        message = f'{name}, line {number}: the face "{rest[:40]}" is not made of vertex numbers.'
        raise MeshError(message) from error
    corners = [index - 1 if index > 0 else n_vertices + index for index in raw]
    if len(corners) < 3:
        message = f"{name}, line {number}: a face has {len(corners)} corners, it needs 3 or more."
        raise MeshError(message)
    wrong = [
        index
        for index, corner in zip(raw, corners, strict=True)
        if index == 0 or not 0 <= corner < n_vertices
    ]
    if wrong:
        message = (
            f"{name}, line {number}: a face names vertex {wrong[0]}, but only {n_vertices} stand above it."
        )
        raise MeshError(message)
    return corners


def _points(vertices: list[str], name: str) -> np.ndarray:
    try:
        rows = [text.split()[:3] for text in vertices]
        points = np.array(rows, dtype=np.float64).reshape(-1, 3)
        if len(points) == len(vertices) and np.isfinite(points).all():
            return points
    except ValueError:
        pass
    for place, text in enumerate(vertices, start=1):
        try:
            fine = np.isfinite(np.array(text.split()[:3], dtype=np.float64)).sum() == 3
        except ValueError:
            fine = False
        if not fine:
            message = f'{name}: vertex {place}, "v {text[:40]}", needs three finite numbers.'
            raise MeshError(message)
    message = f"{name}: its vertices cannot be read."
    raise MeshError(message)


def _notes(
    points: np.ndarray, arrays: dict[int, tuple[np.ndarray, np.ndarray]], skipped: dict[str, list[int]]
) -> tuple[Note, ...]:
    notes = split_note(points, arrays, "polygons with more than three corners")
    for letter, what in (("l", "lines"), ("p", "points")):
        lines = skipped[letter]
        if lines:
            detail = f"{len(lines)} {what} have no area and were skipped, the first in line {lines[0]}."
            notes.append(Note(kind=f"skipped {what}", count=len(lines), detail=detail))
    return tuple(notes)
