"""STL, ASCII and binary, read strictly: what is cut short or malformed is an error, never an empty mesh."""

import numpy as np

from bayreach.errors import MeshError
from bayreach.meshfile._soup import Soup

_RECORD = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
_HEADER = 84
_WORDS = {"solid", "facet", "outer", "vertex", "endloop", "endfacet", "endsolid"}


def read_stl(data: bytes, name: str) -> Soup:
    """Return the triangles of STL bytes; solids of an ASCII file become parts.

    Raises
    ------
    MeshError
        When the file is cut short, malformed or holds no face.
    """
    if len(data) >= _HEADER:
        count = int.from_bytes(data[80:84], "little")
        if len(data) == _HEADER + _RECORD.itemsize * count:
            return _binary(data, count, name)
    if data.lstrip()[:5].lower() == b"solid" and b"\0" not in data[:2000]:
        return _ascii(data, name)
    if len(data) < _HEADER:
        message = (
            f"{name}: {len(data)} bytes are too few for an STL file (84 at least); export the mesh again."
        )
        raise MeshError(message)
    found = (len(data) - _HEADER) / _RECORD.itemsize
    message = (
        f"{name}: the binary STL header promises {count} faces but the file holds {found:.6g}; "
        "it was cut short or damaged: export or copy it again."
    )
    raise MeshError(message)


def _binary(data: bytes, count: int, name: str) -> Soup:
    if count == 0:
        message = f"{name}: the binary STL file holds no face; export the mesh again."
        raise MeshError(message)
    records = np.frombuffer(data, dtype=_RECORD, count=count, offset=_HEADER)
    points = records["corners"].astype(np.float64).reshape(-1, 3)
    _check_finite(points, name)
    return Soup(
        points=points,
        faces=np.arange(3 * count).reshape(-1, 3),
        face_parts=np.zeros(count, dtype=np.int64),
        part_names=("mesh",),
    )


def _check_finite(points: np.ndarray, name: str) -> None:
    bad = np.flatnonzero(~np.isfinite(points).all(axis=1))
    if len(bad):
        message = f"{name}: face {bad[0] // 3 + 1} has a corner that is not a number ({len(bad)} in all)."
        raise MeshError(message)


def _ascii(data: bytes, name: str) -> Soup:
    lines = [line.split() for line in data.decode("utf-8", errors="replace").splitlines()]
    words = [line[0].lower() if line else "" for line in lines]
    _check_words(words, name)
    numbers = [line[1:] for line, word in zip(lines, words, strict=True) if word == "vertex"]
    points = _vertices(numbers, words, name)
    face_solid: list[int] = []
    names: dict[str, int] = {}
    solid = 0
    # Names of solids stand between the faces, so the lines are walked once in order.
    for line, word in zip(lines, words, strict=True):
        if word == "solid":
            solid = names.setdefault(" ".join(line[1:]) or "mesh", len(names))
        elif word == "facet":
            face_solid.append(solid)
    return Soup(
        points=points,
        faces=np.arange(len(points)).reshape(-1, 3),
        face_parts=np.array(face_solid, dtype=np.int64),
        part_names=tuple(names),
    )


def _check_words(words: list[str], name: str) -> None:
    """Check that the words of an ASCII STL file come in the one order allowed."""
    follows = {
        "": ("solid",),
        "solid": ("facet", "endsolid"),
        "facet": ("outer",),
        "outer": ("vertex",),
        "vertex": ("vertex", "endloop"),
        "endloop": ("endfacet",),
        "endfacet": ("facet", "endsolid"),
        "endsolid": ("solid",),
    }
    before, corners = "", 0
    for number, word in enumerate(words, start=1):
        if not word:
            continue
        if word not in follows[before]:
            wanted = " or ".join(f'"{w}"' for w in follows[before])
            message = (
                f'{name}, line {number}: "{word[:20]}" found where {wanted} must stand; export it again.'
            )
            raise MeshError(message)
        corners = corners + 1 if word == "vertex" else 0 if word == "outer" else corners
        if (word == "endloop" and corners != 3) or corners > 3:
            message = (
                f"{name}, line {number}: a face has {corners} corners, STL faces have 3; export it again."
            )
            raise MeshError(message)
        before = word
    if before != "endsolid":
        message = f'{name}: the ASCII STL file ends after "{before}" without "endsolid"; it was cut short.'
        raise MeshError(message)
    if "facet" not in words:
        message = f"{name}: the ASCII STL file holds no face; export the mesh again."
        raise MeshError(message)


def _vertices(numbers: list[list[str]], words: list[str], name: str) -> np.ndarray:
    try:
        points = np.array(numbers, dtype=np.float64)
        if points.shape == (len(numbers), 3) and np.isfinite(points).all():
            return points
    except ValueError:
        pass
    rows = [number for number, word in enumerate(words, start=1) if word == "vertex"]
    for row, texts in zip(rows, numbers, strict=True):
        if len(texts) != 3 or not all(_is_finite_number(text) for text in texts):
            message = f'{name}, line {row}: "vertex {" ".join(texts)[:60]}" needs three finite numbers.'
            raise MeshError(message)
    message = f"{name}: its vertices cannot be read."
    raise MeshError(message)


def _is_finite_number(text: str) -> bool:
    try:
        return bool(np.isfinite(float(text)))
    except ValueError:
        return False
