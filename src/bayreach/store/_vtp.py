"""film.vtp: VTK's XML PolyData, written and read with numpy alone, so that a run never loads VTK.

Layout after the VTK user's guide, "VTK file formats" (XML, serial, appended raw data): each array is its byte
count as a UInt64, then its bytes, little-endian; strings are character codes, each string closed by a 0.
"""

import re
from collections.abc import Mapping
from typing import Any
from xml.etree import ElementTree
from xml.sax.saxutils import quoteattr

import numpy as np
from numpy.typing import NDArray

from bayreach.errors import StoreError
from bayreach.mesh import Mesh
from bayreach.outcome import Sides

_TYPES: Mapping[str, str] = {
    "Int8": "<i1", "UInt8": "<u1", "Int16": "<i2", "UInt16": "<u2", "Int32": "<i4", "UInt32": "<u4",
    "Int64": "<i8", "UInt64": "<u8", "Float32": "<f4", "Float64": "<f8",
}  # fmt: skip
_NAMES = {np.dtype(code): name for name, code in _TYPES.items()}
_START = b'<AppendedData encoding="raw">\n_'
_END = b"\n</AppendedData>\n</VTKFile>\n"
_MOST_HEADER = 5_000_000


class _Appended:
    """Arrays gathered for the end of the file, and the words that point at them."""

    def __init__(self) -> None:
        self.blocks: list[bytes] = []
        self.offset = 0

    def array(self, name: str, values: NDArray[Any], *, parts: int = 1) -> str:
        raw = np.ascontiguousarray(values)
        raw = raw.astype(raw.dtype.newbyteorder("<"))
        data = raw.tobytes()
        words = (
            f'<DataArray type="{_NAMES[raw.dtype]}" Name={quoteattr(name)} NumberOfComponents="{parts}"'
            f' format="appended" offset="{self.offset}"/>'
        )
        self.blocks += [np.uint64(len(data)).tobytes(), data]
        self.offset += 8 + len(data)
        return words


def _strings(name: str, texts: tuple[str, ...]) -> str:
    codes = " ".join(str(code) for text in texts for code in (*text.encode(), 0))
    return (
        f'<Array type="String" Name={quoteattr(name)} NumberOfTuples="{len(texts)}" format="ascii">'
        f"{codes}</Array>"
    )


def _smallest(values: NDArray[Any]) -> NDArray[Any]:
    if values.dtype.kind == "b":
        return values.astype(np.uint8)
    if values.dtype.kind in "iu":
        fits = not values.size or (values.min() >= -(2**31) and values.max() < 2**31)
        return values.astype(np.int32 if fits else np.int64)
    return values.astype(np.float64)


def vtp_bytes(sides: Sides, *, bay_names: tuple[str, ...]) -> bytes:
    """Return the file: one triangle a side, in the order of side ids, wound so that its normal leaves it."""
    mesh = sides.mesh
    cells = np.stack([mesh.faces, mesh.faces[:, [0, 2, 1]]], axis=1).reshape(-1, 3)
    n_cells = len(cells)
    arrays: dict[str, NDArray[Any]] = {
        "face": np.repeat(np.arange(mesh.n_faces), 2),
        "side": np.tile([0, 1], mesh.n_faces),
        "bay": sides.side_bay,
        "film_um": sides.film * 1e6,
        "direct_um": sides.direct * 1e6,
        "settled_um": sides.settled * 1e6,
        "status": sides.status,
        "source_face": np.repeat(sides.source_faces, 2),
        "part": np.repeat(mesh.face_parts, 2),
    }
    arrays |= {name: np.asarray(values) for name, values in sides.extra.items() if name not in arrays}
    names = {
        "status_names": sides.status_names,
        "bay_names": bay_names,
        "part_names": mesh.part_names,
        "film_is": (sides.film_is,),
        **sides.names,
    }
    appended = _Appended()
    lines = [
        '<?xml version="1.0"?>',
        '<VTKFile type="PolyData" version="1.0" byte_order="LittleEndian" header_type="UInt64">',
        "<PolyData>",
        "<FieldData>",
        *(_strings(name, texts) for name, texts in names.items()),
        "</FieldData>",
        f'<Piece NumberOfPoints="{len(mesh.points)}" NumberOfVerts="0" NumberOfLines="0" NumberOfStrips="0"'
        f' NumberOfPolys="{n_cells}">',
        '<CellData Scalars="film_um">',
        *(appended.array(name, _smallest(values)) for name, values in arrays.items()),
        "</CellData>",
        "<Points>",
        appended.array("Points", mesh.points, parts=3),
        "</Points>",
        "<Polys>",
        appended.array("connectivity", cells.ravel().astype(np.int64)),
        appended.array("offsets", 3 * np.arange(1, n_cells + 1, dtype=np.int64)),
        "</Polys>",
        "</Piece>",
        "</PolyData>",
    ]
    header = "\n".join(lines).encode() + b"\n"
    return b"".join([header, _START, *appended.blocks, _END])


def sides_from_vtp(raw: bytes, *, place: str) -> Sides:
    """Return the sides that `vtp_bytes` wrote; `place` names the file in a message.

    Raises
    ------
    StoreError
        When it is not such a file, or is cut short.
    """
    try:
        return _sides(raw)
    except (ValueError, KeyError, IndexError, TypeError, OverflowError, ElementTree.ParseError) as error:
        message = f"{place}: is not a film file of this program ({_short(error)}); run the job again."
        raise StoreError(message) from None


def _short(error: Exception) -> str:
    return re.sub(r"\s+", " ", str(error))[:120]


def _sides(raw: bytes) -> Sides:
    start = raw.find(_START, 0, _MOST_HEADER)
    if start < 0 or not raw.endswith(_END):
        message = "cut short, or of another kind"
        raise ValueError(message)
    if b"<!" in raw[:start]:
        message = "it declares things no film file declares"
        raise ValueError(message)
    root = ElementTree.fromstring(raw[:start] + b"</VTKFile>")
    data = memoryview(raw)[start + len(_START) : len(raw) - len(_END)]
    arrays = {str(node.get("Name")): _array(node, data) for node in root.iter("DataArray")}
    names = {str(node.get("Name")): _texts(node) for node in root.iter("Array")}
    cells = arrays.pop("connectivity").reshape(-1, 2, 3)
    arrays.pop("offsets")
    mesh = Mesh(
        points=arrays.pop("Points").reshape(-1, 3),
        faces=cells[:, 0],
        face_parts=arrays.pop("part")[::2].astype(np.int64),
        part_names=names.pop("part_names"),
    )
    names.pop("bay_names")
    for derived in ("face", "side"):
        arrays.pop(derived)
    return Sides(
        mesh=mesh,
        source_faces=arrays.pop("source_face")[::2].astype(np.int64),
        side_bay=arrays.pop("bay").astype(np.int64),
        film=arrays.pop("film_um") * 1e-6,
        direct=arrays.pop("direct_um") * 1e-6,
        settled=arrays.pop("settled_um") * 1e-6,
        status=arrays.pop("status").astype(np.int64),
        status_names=names.pop("status_names"),
        film_is=names.pop("film_is")[0],
        extra=arrays,
        names=names,
    )


def _array(node: ElementTree.Element, data: memoryview) -> NDArray[Any]:
    offset = int(str(node.get("offset")))
    kind = np.dtype(_TYPES[str(node.get("type"))])
    if not 0 <= offset <= len(data) - 8:
        message = f"array {node.get('Name')} starts beyond the end"
        raise ValueError(message)
    size = int(np.frombuffer(data, "<u8", count=1, offset=offset)[0])
    if size > len(data) - 8 - offset or size % kind.itemsize:
        message = f"array {node.get('Name')} is cut short"
        raise ValueError(message)
    return np.frombuffer(data, kind, count=size // kind.itemsize, offset=offset + 8)


def _texts(node: ElementTree.Element) -> tuple[str, ...]:
    codes = bytes(int(code) for code in (node.text or "").split())
    return tuple(text.decode() for text in codes.split(b"\0")[:-1])
