"""Writes STL and OBJ files, whole or not at all."""

from pathlib import Path

import numpy as np

from bayreach.errors import MeshError
from bayreach.files import write_whole
from bayreach.measure import face_normals
from bayreach.mesh import Mesh
from bayreach.meshfile._stl import _RECORD
from bayreach.units import MESH_UNITS


def write_mesh(path: Path, mesh: Mesh, units: str, *, ascii_stl: bool = False) -> None:
    """Write a mesh in the unit given: `.stl` (binary, or ASCII by parts) or `.obj` (a group a part).

    Raises
    ------
    MeshError
        When the file's ending is neither.
    StoreError
        When it cannot be written; what was there before is then untouched.
    """
    path = Path(path)
    scale = 1.0 / MESH_UNITS[units]
    suffix = path.suffix.lower()
    if suffix == ".obj":
        data = _obj(mesh, scale).encode()
    elif suffix == ".stl":
        data = _ascii_stl(mesh, scale).encode() if ascii_stl else _binary_stl(mesh, scale)
    else:
        message = f'{path.name}: meshes are written as .stl or .obj, not "{path.suffix}".'
        raise MeshError(message)
    write_whole(path, data)


def _binary_stl(mesh: Mesh, scale: float) -> bytes:
    records = np.zeros(mesh.n_faces, dtype=_RECORD)
    records["normal"] = face_normals(mesh)
    records["corners"] = mesh.corners * scale
    return b"bayreach mesh".ljust(80) + mesh.n_faces.to_bytes(4, "little") + records.tobytes()


def _ascii_stl(mesh: Mesh, scale: float) -> str:
    lines = []
    normals = face_normals(mesh)
    for part, name in enumerate(mesh.part_names):
        rows = np.flatnonzero(mesh.face_parts == part)
        if not len(rows):
            continue
        lines.append(f"solid {name}")
        # Text is made face by face; there is no array form of it.
        for normal, corners in zip(
            normals[rows].tolist(), (mesh.corners[rows] * scale).tolist(), strict=True
        ):
            lines.append(f"facet normal {normal[0]!r} {normal[1]!r} {normal[2]!r}\n outer loop")
            lines += [f"  vertex {x!r} {y!r} {z!r}" for x, y, z in corners]
            lines.append(" endloop\nendfacet")
        lines.append(f"endsolid {name}")
    return "\n".join(lines) + "\n"


def _obj(mesh: Mesh, scale: float) -> str:
    lines = [f"v {x!r} {y!r} {z!r}" for x, y, z in (mesh.points * scale).tolist()]
    for part, name in enumerate(mesh.part_names):
        rows = np.flatnonzero(mesh.face_parts == part)
        if len(rows):
            lines.append(f"g {name}")
            lines += [f"f {a} {b} {c}" for a, b, c in (mesh.faces[rows] + 1).tolist()]
    return "\n".join(lines) + "\n"
