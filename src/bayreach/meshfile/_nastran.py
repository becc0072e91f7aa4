"""Nastran bulk data in free, small and large fields: shells by property, other cards named and skipped."""

import re

import numpy as np

from bayreach.arrays import FloatArray, IntArray
from bayreach.errors import MeshError
from bayreach.meshfile._soup import Note, Soup, split_note, triangles_from

SHELLS = {
    "CTRIA3": 3,
    "CTRIAR": 3,
    "CTRIA6": 3,
    "CQUAD4": 4,
    "CQUADR": 4,
    "CQUAD8": 4,
    "CQUAD": 4,
    "CSHEAR": 4,
}
"""Corner points of each shell card; the mid-side points of the larger ones are left out."""

_OTHERS = re.compile(
    r"^(C(BAR|BEAM|BEND|ROD|TUBE|TETRA|HEXA|PENTA|PYRAM|BUSH|GAP|ELAS\d?|MASS|ONM\d|ONROD|WELD)|RBE\d|PLOTEL)"
)
_EXPONENT = re.compile(r"(?<=[0-9.])([+-]\d+)$")


def read_nastran(data: bytes, name: str) -> Soup:
    """Return the shells of a bulk data file as triangles; each property number is a part, "pid_7".

    Raises
    ------
    MeshError
        When a card cannot be read, a shell names a missing grid point, or there is no shell.
    """
    cards = _cards(data.decode("utf-8", errors="replace"), name)
    frames: dict[int, tuple[str, FloatArray]] = {}
    grids: dict[int, tuple[int, list[float], int]] = {}
    shells: list[tuple[str, list[int], int, int]] = []
    skipped: dict[str, list[int]] = {}
    for line, word, fields in cards:
        if word == "GRID":
            at = [_real(field, name, line) for field in (fields[2:5] + [""] * 3)[:3]]
            grids[_whole(fields[0], name, line)] = (_whole(_field(fields, 1) or "0", name, line), at, line)
        elif word in SHELLS:
            shells.append(_shell(word, fields, name, line))
        elif word in {"CORD2R", "CORD2C", "CORD2S"}:
            frames[_whole(fields[0], name, line)] = (word, _frame(fields, name, line))
        elif word == "INCLUDE":
            message = f"{name}, line {line}: INCLUDE is not followed; put all bulk data into one file."
            raise MeshError(message)
        elif _OTHERS.match(word):
            skipped.setdefault(word, []).append(line)
    if not shells:
        listed = ", ".join(f"{len(at)} {word}" for word, at in skipped.items()) or "nothing that has a shape"
        message = f"{name}: the bulk data holds no shell ({listed}); shells are {', '.join(SHELLS)}."
        raise MeshError(message)
    return _soup(shells, grids, frames, skipped, name)


def _soup(
    shells: list[tuple[str, list[int], int, int]],
    grids: dict[int, tuple[int, list[float], int]],
    frames: dict[int, tuple[str, FloatArray]],
    skipped: dict[str, list[int]],
    name: str,
) -> Soup:
    place = {number: row for row, number in enumerate(grids)}
    points = _in_basic(grids, frames, name)
    properties: dict[int, int] = {}
    polygons: dict[int, tuple[list[list[int]], list[int]]] = {}
    for word, corners, prop, line in shells:
        missing = [number for number in corners if number not in place]
        if missing:
            message = (
                f"{name}, line {line}: {word} names grid point {missing[0]}, which the file does not hold."
            )
            raise MeshError(message)
        lists = polygons.setdefault(len(corners), ([], []))
        lists[0].append([place[number] for number in corners])
        lists[1].append(properties.setdefault(prop, len(properties)))
    arrays = {size: (np.array(corners), np.array(number)) for size, (corners, number) in polygons.items()}
    faces, parts = triangles_from(points, arrays)
    return Soup(
        points=points,
        faces=faces,
        face_parts=parts,
        part_names=tuple(f"pid_{prop}" for prop in properties),
        notes=_notes(points, arrays, skipped),
    )


def _notes(
    points: FloatArray, arrays: dict[int, tuple[IntArray, IntArray]], skipped: dict[str, list[int]]
) -> tuple[Note, ...]:
    notes = split_note(points, arrays, "quadrilaterals")
    for word, lines in sorted(skipped.items()):
        detail = (
            f"{len(lines)} {word} cards have no surface here and were skipped, the first in line {lines[0]}."
        )
        notes.append(Note(kind=f"skipped {word}", count=len(lines), detail=detail))
    return tuple(notes)


def _cards(text: str, name: str) -> list[tuple[int, str, list[str]]]:
    """Return the cards as (line, word, fields), continuation lines joined on."""
    lines = text.splitlines()
    start = next((k + 1 for k, line in enumerate(lines) if line.upper().startswith("BEGIN")), 0)
    cards: list[tuple[int, str, list[str]]] = []
    # A card's width and continuation depend on the line before, so lines are walked in order.
    for number, raw in enumerate(lines[start:], start=start + 1):
        line = raw.split("$")[0].rstrip()
        if not line:
            continue
        if line.upper().startswith("ENDDATA"):
            break
        first, fields = _fields(line)
        if line[0] in "+* ," or not first:
            if cards:
                cards[-1][2].extend(fields)
            continue
        word = first.rstrip("*").upper()
        if word == "INCLUDE" or line.upper().startswith("INCLUDE"):
            word = "INCLUDE"
        cards.append((number, word, fields))
    if not cards:
        message = f"{name}: no bulk data card was found; is it a Nastran bulk data file?"
        raise MeshError(message)
    return cards


def _fields(line: str) -> tuple[str, list[str]]:
    """Return the first field and the data fields of a line: free, large (16 wide) or small (8 wide)."""
    if "," in line:
        parts = [part.strip() for part in line.split(",")]
        return parts[0], (parts[1:9] + [""] * 8)[: 4 if parts[0].endswith("*") or parts[0] == "*" else 8]
    line = line.expandtabs(8)
    first = line[:8].strip()
    if first.endswith("*") or first.startswith("*"):
        return first, [line[k : k + 16].strip() for k in (8, 24, 40, 56)]
    return first, [line[k : k + 8].strip() for k in range(8, 72, 8)]


def _field(fields: list[str], k: int) -> str:
    return fields[k] if k < len(fields) else ""


def _shell(word: str, fields: list[str], name: str, line: int) -> tuple[str, list[int], int, int]:
    number = _whole(_field(fields, 0), name, line)
    prop = _whole(_field(fields, 1) or str(number), name, line)
    corners = [_whole(_field(fields, 2 + k), name, line) for k in range(SHELLS[word])]
    return word, corners, prop, line


def _whole(text: str, name: str, line: int) -> int:
    try:
        return int(text)
    except ValueError as error:
        message = f'{name}, line {line}: "{text[:20]}" found where a whole number must stand.'
        raise MeshError(message) from error


def _real(text: str, name: str, line: int) -> float:
    """Return a Nastran real: "1.5", ".5", "1.5-3" for 1.5e-3, "1.5D-3"; a blank is nought."""
    if not text:
        return 0.0
    try:
        value = float(
            _EXPONENT.sub(r"e\1", text.upper().replace("D", "E")) if "E" not in text.upper() else text
        )
    except ValueError as error:
        message = f'{name}, line {line}: "{text[:20]}" found where a number must stand.'
        raise MeshError(message) from error
    if not np.isfinite(value):
        message = f'{name}, line {line}: "{text[:20]}" is not a finite number.'
        raise MeshError(message)
    return value


def _frame(fields: list[str], name: str, line: int) -> FloatArray:
    """Return origin and rows x, y, z (4, 3) of a CORD2 card; it must refer to the basic system."""
    if _field(fields, 1) not in {"", "0"}:
        message = f"{name}, line {line}: its coordinate system refers to another one: not followed."
        raise MeshError(message)
    a, b, c = (
        np.array([_real(_field(fields, 2 + 3 * k + j), name, line) for j in range(3)]) for k in range(3)
    )
    z = (b - a) / np.linalg.norm(b - a)
    y = np.cross(z, c - a)
    y /= np.linalg.norm(y)
    return np.stack([a, np.cross(y, z), y, z])


def _in_basic(
    grids: dict[int, tuple[int, list[float], int]], frames: dict[int, tuple[str, FloatArray]], name: str
) -> FloatArray:
    points = np.array([at for _, at, _ in grids.values()], dtype=np.float64).reshape(-1, 3)
    systems = np.array([system for system, _, _ in grids.values()])
    for system in np.unique(systems[systems != 0]).tolist():
        if system not in frames:
            message = f"{name}: grid points use coordinate system {system}, which the file does not define."
            raise MeshError(message)
        kind, frame = frames[system]
        rows = systems == system
        points[rows] = frame[0] + _straight(points[rows], kind) @ frame[1:]
    return points


def _straight(points: FloatArray, kind: str) -> FloatArray:
    """Return rectangular coordinates of points in CORD2R, CORD2C (r, theta, z) or CORD2S (r, theta, phi)."""
    if kind == "CORD2R":
        return points
    r, theta, third = points.T
    theta = np.radians(theta)
    if kind == "CORD2C":
        return np.stack([r * np.cos(theta), r * np.sin(theta), third], axis=1)
    phi = np.radians(third)
    return np.stack(
        [r * np.sin(theta) * np.cos(phi), r * np.sin(theta) * np.sin(phi), r * np.cos(theta)], axis=1
    )
