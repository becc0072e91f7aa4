"""Formats that libraries read: VTK and VTU through meshio, glTF and GLB through trimesh."""

import contextlib
import io
import lzma
import mmap
import re
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np

from bayreach.arrays import FloatArray, IntArray
from bayreach.errors import MeshError
from bayreach.meshfile._soup import Note, Soup, split_note, triangles_from
from bayreach.repair._findings import PLACES_KEPT

_CORNERS = {"triangle": 3, "triangle6": 3, "triangle7": 3, "quad": 4, "quad8": 4, "quad9": 4}


_MOST_INFLATED = 2 << 30
"""Bytes that the compressed arrays of one file may grow to; ten million faces need a quarter of it."""


def read_with_meshio(path: Path) -> Soup:
    """Return the faces of a VTK or VTU file as triangles; what has no surface is named and skipped.

    Raises
    ------
    MeshError
        When the library cannot read the file or it holds no face.
    """
    import meshio

    if path.suffix.lower() == ".vtu":
        _check_xml(path)
    bounded = _inflating_at_most(_MOST_INFLATED)
    try:
        # The library prints its complaint and may leave the program; both are turned into one error.
        with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()), bounded:
            read = meshio.read(path)
    except (Exception, SystemExit) as error:
        kind = path.suffix[1:].upper()
        message = (
            f"{path.name}: it cannot be read as {kind} ({_short(error)}); export it again, or as STL or OBJ."
        )
        raise MeshError(message) from error
    points = np.asarray(read.points, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != 3 or not np.isfinite(points).all():
        message = f"{path.name}: its points are not all three finite numbers; export the mesh again."
        raise MeshError(message)
    polygons, notes = _polygons(read.cells, points)
    if not polygons:
        listed = "; ".join(note.detail for note in notes) or "it holds points only"
        message = f"{path.name}: no face was found ({listed}); export a surface mesh."
        raise MeshError(message)
    _check_indices(polygons, len(points), path.name)
    numbered = {size: (corners, np.zeros(len(corners), dtype=np.int64)) for size, corners in polygons.items()}
    faces, parts = triangles_from(points, numbered)
    notes += split_note(points, numbered, "polygons with more than three corners")
    return Soup(points=points, faces=faces, face_parts=parts, part_names=("mesh",), notes=tuple(notes))


def _check_xml(path: Path) -> None:
    """Refuse text that an XML parser would read again and again: its time grows as the square of a tag.

    Raises
    ------
    MeshError
        When the file does not begin with a tag, or a tag before the raw data is longer than a megabyte.
    """
    try:
        with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as data:
            begins = data[:1024].lstrip(b"\xef\xbb\xbf \t\r\n").startswith(b"<")
            raw = data.find(b"<AppendedData")
            long = re.search(rb"<[^<>]{1000000}", memoryview(data)[: raw if raw >= 0 else None])
            endless = long is not None
            del long
    except (OSError, ValueError) as error:
        message = f"{path.name}: it cannot be read ({_short(error)}); export it again."
        raise MeshError(message) from error
    if not begins or endless:
        what = "a tag of more than a million letters" if begins else "no XML at its start"
        message = f"{path.name}: it cannot be read as VTU ({what}); export it again, or as STL or OBJ."
        raise MeshError(message)


@contextlib.contextmanager
def _inflating_at_most(most: int) -> Iterator[None]:
    """Let the library inflate no more than so many bytes: a small file may stand for more than the memory."""
    from meshio.vtu import _vtu

    left = most

    def bounded(start: Callable[[], Any]) -> Callable[[bytes], bytes]:
        def decompress(data: bytes) -> bytes:
            nonlocal left
            made: bytes = start().decompress(data, left + 1)
            left -= len(made)
            if left < 0:
                message = f"its compressed arrays grow to more than {most:,} bytes"
                raise ValueError(message)
            return made

        return decompress

    held = _vtu.zlib, _vtu.lzma
    _vtu.zlib = SimpleNamespace(decompress=bounded(zlib.decompressobj))
    _vtu.lzma = SimpleNamespace(decompress=bounded(lzma.LZMADecompressor))
    try:
        yield
    finally:
        _vtu.zlib, _vtu.lzma = held


def _short(error: BaseException) -> str:
    text = str(error).strip().splitlines()
    return text[0][:80] if text and text[0] not in {"0", "1"} else type(error).__name__


def _polygons(blocks: Any, points: FloatArray) -> tuple[dict[int, IntArray], list[Note]]:
    polygons: dict[int, list[IntArray]] = {}
    notes: list[Note] = []
    for block in blocks:
        count = len(block.data)
        if block.type in _CORNERS:
            size = _CORNERS[block.type]
            polygons.setdefault(size, []).append(np.asarray(block.data, dtype=np.int64)[:, :size])
        elif block.type.startswith("polygon"):
            for row in block.data:
                polygons.setdefault(len(row), []).append(np.asarray(row, dtype=np.int64)[None])
        else:
            detail = f"{count} pieces of kind {block.type} have no surface here and were skipped."
            places = _some_places(block.data, points)
            notes.append(Note(kind=f"skipped {block.type}", count=count, detail=detail, places=places))
    joined = {
        size: np.concatenate(rows)
        for size, rows in polygons.items()
        if size >= 3 and any(len(row) for row in rows)
    }
    return joined, notes


def _some_places(rows: Any, points: FloatArray) -> FloatArray:
    """Return the first corners of a few pieces; none where they name no point."""
    first = np.array([row[0] for row in list(rows)[:PLACES_KEPT] if len(row)], dtype=np.int64)
    return points[first[(first >= 0) & (first < len(points))]]


def _check_indices(polygons: dict[int, IntArray], n_points: int, name: str) -> None:
    low = min(int(rows.min()) for rows in polygons.values())
    high = max(int(rows.max()) for rows in polygons.values())
    if low < 0 or high >= n_points:
        wrong = low if low < 0 else high
        message = f"{name}: a face names point {wrong}, but there are {n_points}; export it again."
        raise MeshError(message)


def read_gltf(path: Path) -> Soup:
    """Return the triangles of a glTF or GLB file, each node a part, in the place its scene gives them.

    Raises
    ------
    MeshError
        When the library cannot read the file or it holds no face.
    """
    import trimesh

    try:
        scene = trimesh.load_scene(path, process=False)
    except Exception as error:
        message = (
            f"{path.name}: it cannot be read as glTF ({_short(error)}); export it again, or as STL or OBJ."
        )
        raise MeshError(message) from error
    points, faces, parts, start = [], [], [], 0
    names: list[str] = []
    for node in sorted(scene.graph.nodes_geometry):
        transform, geometry = scene.graph[node]
        shape = scene.geometry[geometry]
        if not isinstance(shape, trimesh.Trimesh) or not len(shape.faces):
            continue
        if np.ndim(shape.vertices) != 2 or np.shape(shape.vertices)[1] != 3:
            shown = f'{path.name}: node "{str(node)[:60]}"'
            message = f"{shown} has points that are not of three numbers; export it again."
            raise MeshError(message)
        placed = trimesh.transform_points(shape.vertices, transform)
        if not np.isfinite(placed).all():
            message = f'{path.name}: node "{str(node)[:60]}" has a point that is not finite; export it again.'
            raise MeshError(message)
        _check_indices({3: np.asarray(shape.faces, dtype=np.int64)}, len(placed), path.name)
        points.append(placed)
        faces.append(np.asarray(shape.faces, dtype=np.int64) + start)
        parts.append(np.full(len(shape.faces), len(names), dtype=np.int64))
        names.append(str(node))
        start += len(placed)
    if not faces:
        message = f"{path.name}: the glTF scene holds no face; export a surface mesh."
        raise MeshError(message)
    return Soup(
        points=np.concatenate(points),
        faces=np.concatenate(faces),
        face_parts=np.concatenate(parts),
        part_names=tuple(names),
    )
