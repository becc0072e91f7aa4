"""PLY, ASCII and binary, read with numpy; every count is held against the bytes there are first.

Format after Greg Turk, "The PLY Polygon File Format" (1994): a text header of elements and their properties,
then one row an element; a list property is its length, then its items.
"""

import re
from collections import defaultdict
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bayreach.arrays import FloatArray, IntArray
from bayreach.errors import MeshError
from bayreach.meshfile._soup import Note, Soup, split_note, triangles_from
from bayreach.repair._findings import some_of

_TYPES = {
    "char": "i1", "int8": "i1", "uchar": "u1", "uint8": "u1", "short": "i2", "int16": "i2", "ushort": "u2",
    "uint16": "u2", "int": "i4", "int32": "i4", "uint": "u4", "uint32": "u4", "float": "f4", "float32": "f4",
    "double": "f8", "float64": "f8",
}  # fmt: skip
_ORDERS = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}
_MOST_HEADER = 100_000
_LISTS_OF_CORNERS = ("vertex_indices", "vertex_index")


@dataclass(frozen=True, kw_only=True)
class _Property:
    name: str
    kind: str
    length_kind: str = ""  # of a list: the type of its length


@dataclass(frozen=True, kw_only=True)
class _Element:
    name: str
    count: int
    properties: tuple[_Property, ...]


class _Rows:
    """Reads rows one element after the other, from numbers as text or from bytes."""

    def __init__(self, data: bytes, order: str, name: str) -> None:
        self.order, self.name, self.place = order, name, 0
        self.data = data
        self.numbers = np.zeros(0)
        if not order:
            try:
                self.numbers = np.array(data.split()).astype(np.float64) if data.strip() else self.numbers
            except ValueError:
                message = f"{name}: its rows hold a word that is not a number; export the mesh again."
                raise MeshError(message) from None

    def take(self, kind: str, count: int) -> FloatArray:
        """Return the next `count` numbers of type `kind`."""
        if not self.order:
            got: FloatArray = self.numbers[self.place : self.place + count]
            self.place += count
        else:
            code = np.dtype(self.order + _TYPES[kind])
            self._need(count * code.itemsize)
            got = np.frombuffer(self.data, code, count=count, offset=self.place).astype(np.float64)
            self.place += count * code.itemsize
        if len(got) < count:
            raise self._cut_short()
        return got

    def table(self, element: _Element, sizes: list[int]) -> list[FloatArray] | None:
        """Return the columns (count, size) of rows of equal build, or None where lists differ in length."""
        start = self.place
        columns = self._columns(element, sizes)
        for item, size, column in zip(element.properties, sizes, columns, strict=True):
            if item.length_kind and (column[:, 0] != size - 1).any():
                self.place = start
                return None
        return [
            column[:, 1:] if item.length_kind else column
            for item, column in zip(element.properties, columns, strict=True)
        ]

    def _columns(self, element: _Element, sizes: list[int]) -> list[FloatArray]:
        if not self.order:
            width = sum(sizes)
            block = self.take("double", element.count * width).reshape(element.count, width)
            return np.split(block, np.cumsum(sizes)[:-1], axis=1)
        fields = []
        for index, (item, size) in enumerate(zip(element.properties, sizes, strict=True)):
            if item.length_kind:
                fields.append((f"n{index}", self.order + _TYPES[item.length_kind], (1,)))
            length = size - bool(item.length_kind)
            fields.append((f"v{index}", self.order + _TYPES[item.kind], (length,)))
        row = np.dtype(fields)
        self._need(element.count * row.itemsize)
        rows = np.frombuffer(self.data, row, count=element.count, offset=self.place)
        self.place += element.count * row.itemsize
        columns = []
        for index, item in enumerate(element.properties):
            with np.errstate(invalid="ignore"):  # what is no number is told later, with its place
                column = rows[f"v{index}"].astype(np.float64)
            if item.length_kind:
                column = np.concatenate([rows[f"n{index}"].astype(np.float64), column], axis=1)
            columns.append(column)
        return columns

    def _need(self, size: int) -> None:
        if size > len(self.data) - self.place:
            raise self._cut_short()

    def _cut_short(self) -> MeshError:
        message = f"{self.name}: its header promises more rows than the file holds; export or copy it again."
        return MeshError(message)


def read_ply(data: bytes, name: str) -> Soup:
    """Return the faces of PLY bytes as triangles.

    Raises
    ------
    MeshError
        When the file is cut short, malformed or holds no face.
    """
    order, elements, rest = _header(data, name)
    rows = _Rows(rest, order, name)
    points: FloatArray | None = None
    polygons: dict[int, IntArray] = {}
    for element in elements:
        columns, lists = _read(rows, element)
        if element.name == "vertex":
            points = _points(columns, name)
        elif element.name == "face":
            polygons = next((lists[key] for key in _LISTS_OF_CORNERS if key in lists), {})
    if points is None or not polygons:
        message = f"{name}: no face was found; export a surface mesh."
        raise MeshError(message)
    return _soup(points, polygons, name)


def _soup(points: FloatArray, polygons: dict[int, IntArray], name: str) -> Soup:
    short = sum(len(corners) for size, corners in polygons.items() if size < 3)
    whole = {size: corners for size, corners in polygons.items() if size >= 3}
    for corners in whole.values():
        if corners.min() < 0 or corners.max() >= len(points):
            message = (
                f"{name}: a face names point {int(corners.max())}, there are {len(points)} (counted from 0); "
                "the file is damaged: export it again."
            )
            raise MeshError(message)
    numbered = {size: (corners, np.zeros(len(corners), dtype=np.int64)) for size, corners in whole.items()}
    faces, parts = triangles_from(points, numbered)
    if not len(faces):
        message = f"{name}: no face of three corners or more was found; export a surface mesh."
        raise MeshError(message)
    notes = split_note(points, numbered, "polygons with more than three corners")
    if short:
        firsts = [corners[:, 0] for size, corners in polygons.items() if 0 < size < 3]
        named = np.concatenate([np.zeros(0, dtype=np.int64), *firsts])
        places = some_of(points[named[(named >= 0) & (named < len(points))].astype(np.int64)])
        detail = f"{short} faces of fewer than three corners were skipped."
        notes.append(Note(kind="skipped", count=short, detail=detail, places=places))
    return Soup(points=points, faces=faces, face_parts=parts, part_names=("mesh",), notes=tuple(notes))


def _points(columns: dict[str, FloatArray], name: str) -> FloatArray:
    try:
        points = np.concatenate([columns[axis] for axis in "xyz"], axis=1)
    except KeyError:
        message = f"{name}: its vertices have no x, y and z; export the mesh again."
        raise MeshError(message) from None
    if not np.isfinite(points).all():
        message = f"{name}: a vertex has a coordinate that is not a finite number; export the mesh again."
        raise MeshError(message)
    return points


def _read(rows: _Rows, element: _Element) -> tuple[dict[str, FloatArray], dict[str, dict[int, IntArray]]]:
    """Return the plain columns and, for each list, its items grouped by length."""
    if not element.count or not element.properties:
        return {item.name: np.zeros((0, 1)) for item in element.properties}, {}
    start = rows.place
    sizes = []  # of the first row: most files have lists of one length
    for item in element.properties:
        length = _length(rows.take(item.length_kind, 1)[0], rows) if item.length_kind else 1
        rows.take(item.kind, length)
        sizes.append(length + bool(item.length_kind))
    rows.place = start
    columns = rows.table(element, sizes)
    if columns is not None:
        plain = dict(zip((item.name for item in element.properties), columns, strict=True))
        lists = {
            item.name: {plain[item.name].shape[1]: _whole(plain[item.name], rows.name)}
            for item in element.properties
            if item.length_kind
        }
        return plain, lists
    return {}, _read_slowly(rows, element)


def _read_slowly(rows: _Rows, element: _Element) -> dict[str, dict[int, IntArray]]:
    """Return lists of differing lengths, row by row, since each row starts where the last ended."""
    found: dict[str, dict[int, list[NDArray[np.float64]]]] = defaultdict(lambda: defaultdict(list))
    for _ in range(element.count):
        for item in element.properties:
            length = _length(rows.take(item.length_kind, 1)[0], rows) if item.length_kind else 1
            items = rows.take(item.kind, length)
            if item.length_kind:
                found[item.name][length].append(items)
    return {
        key: {size: _whole(np.array(items), rows.name) for size, items in by_size.items()}
        for key, by_size in found.items()
    }


def _length(value: float, rows: _Rows) -> int:
    if not (0 <= value <= len(rows.data)) or value != int(value):
        message = f"{rows.name}: a list of {value:g} items is named; the file is damaged: export it again."
        raise MeshError(message)
    return int(value)


def _whole(values: FloatArray, name: str) -> IntArray:
    if not (np.isfinite(values).all() and (np.abs(values) < 2**53).all()):
        message = f"{name}: a face names a point that is no number; the file is damaged: export it again."
        raise MeshError(message)
    return values.astype(np.int64)


def _header(data: bytes, name: str) -> tuple[str, list[_Element], bytes]:
    end = re.search(rb"\nend_header[ \t]*\r?\n", data[:_MOST_HEADER])
    if not data.startswith(b"ply") or end is None:
        message = f"{name}: it cannot be read as PLY (its header is missing or has no end); export it again."
        raise MeshError(message)
    order: str | None = None
    elements: list[_Element] = []
    for number, line in enumerate(data[: end.start()].decode("latin-1").splitlines(), start=1):
        words = line.split()
        if number == 1 or not words or words[0] in ("comment", "obj_info"):
            continue
        if words[0] == "format" and len(words) > 1 and words[1] in _ORDERS:
            order = _ORDERS[words[1]]
        elif words[0] == "element" and len(words) == 3 and re.fullmatch(r"\d{1,12}", words[2]):
            elements.append(_Element(name=words[1], count=int(words[2]), properties=()))
        elif words[0] == "property" and elements and (item := _property(words)):
            last = elements.pop()
            properties = (*last.properties, item)
            elements.append(_Element(name=last.name, count=last.count, properties=properties))
        else:
            message = (
                f'{name}, line {number}: "{line[:60]}" is no line of a PLY header; export the mesh again.'
            )
            raise MeshError(message)
    if order is None:
        message = f"{name}: its header names no format; export the mesh again."
        raise MeshError(message)
    return order, elements, data[end.end() :]


def _property(words: list[str]) -> _Property | None:
    if len(words) == 3 and words[1] in _TYPES:
        return _Property(name=words[2], kind=words[1])
    if len(words) == 5 and words[1] == "list" and words[2] in _TYPES and words[3] in _TYPES:
        return _Property(name=words[4], kind=words[3], length_kind=words[2])
    return None
