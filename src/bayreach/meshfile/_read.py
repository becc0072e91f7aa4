"""Any mesh file to a mended mesh in metres, with a list of everything that was done to it."""

import hashlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from bayreach.errors import MeshError, UnitError, nearest_hint
from bayreach.mesh import Mesh
from bayreach.meshfile._libraries import read_gltf, read_with_meshio
from bayreach.meshfile._nastran import read_nastran
from bayreach.meshfile._obj import read_obj
from bayreach.meshfile._ply import read_ply
from bayreach.meshfile._soup import Soup
from bayreach.meshfile._step import read_step
from bayreach.meshfile._stl import read_stl
from bayreach.repair import Finding, mend
from bayreach.units import MESH_UNITS

_BYTE_READERS = {
    ".stl": read_stl,
    ".obj": read_obj,
    ".ply": read_ply,
    ".bdf": read_nastran,
    ".nas": read_nastran,
    ".fem": read_nastran,
    ".dat": read_nastran,
}
_PATH_READERS = {
    ".vtk": read_with_meshio,
    ".vtu": read_with_meshio,
    ".gltf": read_gltf,
    ".glb": read_gltf,
}

_STEP = (".step", ".stp")

PLAUSIBLE_SIZES = (0.05, 100.0)
"""Longest side of a structure's box, in m, outside which the unit is doubted. Our choice, no source."""


@dataclass(frozen=True, kw_only=True, eq=False)
class MeshRead:
    """A mesh as read.

    Parameters
    ----------
    mesh : Mesh
        Mended, in m.
    units : str
        Unit the file was stated in.
    findings : tuple of Finding
        What was skipped, merged, dropped or split, and what stays odd.
    sha256 : str
        Hash of the file's bytes.
    n_faces_read : int
        Triangles in the file before mending.
    """

    mesh: Mesh
    units: str
    findings: tuple[Finding, ...]
    sha256: str
    n_faces_read: int


def read_mesh(path: Path, units: str, *, weld: float | None = None, strict: bool = False) -> MeshRead:
    """Return the mesh of a file, mended and in metres.

    Parameters
    ----------
    path : Path
        STL, OBJ, PLY, glTF, GLB, VTK, VTU, Nastran bulk data (.bdf, .nas, .fem, .dat), or with the extra
        "step" STEP.
    units : str
        "m", "cm", "mm", "in", "ft" or "um": what the file's numbers are.
    weld : float, optional
        Weld tolerance in m; 1e-6 of the box's diagonal where None.
    strict : bool
        True refuses a mesh that needs any repair.

    Raises
    ------
    MeshError
        When the file is missing, empty, cut short, malformed or of an unknown kind, or under `strict`
        needs repair.
    UnitError
        When the unit is unknown.
    """
    if units not in MESH_UNITS:
        known = ", ".join(MESH_UNITS)
        message = f'units: "{units}" is not a unit of a mesh ({known}).{nearest_hint(units, MESH_UNITS)}'
        raise UnitError(message)
    path = Path(path)
    data = _bytes_of(path)
    soup = _soup_of(path, data, units)
    mesh, findings = mend(_in_metres(soup, MESH_UNITS[units]), weld)
    if not mesh.n_faces:
        message = (
            f"{path.name}: all {len(soup.faces)} faces are flat or repeated; nothing is left to measure."
        )
        raise MeshError(message)
    notes = tuple(
        Finding(kind=note.kind, count=note.count, detail=note.detail, places=note.places * MESH_UNITS[units])
        for note in soup.notes
    )
    found = (*notes, *findings, *_doubts(mesh, units, path.suffix.lower()))
    if strict:
        _refuse_repairs(found, path.name)
    return MeshRead(
        mesh=mesh,
        units=units,
        findings=found,
        sha256=hashlib.sha256(data).hexdigest(),
        n_faces_read=len(soup.faces),
    )


def _soup_of(path: Path, data: bytes, units: str) -> Soup:
    suffix = path.suffix.lower()
    if suffix in _STEP:
        return read_step(data, path.name, units)
    if suffix in _BYTE_READERS:
        return _BYTE_READERS[suffix](data, path.name)
    if suffix in _PATH_READERS:
        return _PATH_READERS[suffix](path)
    known = ", ".join(sorted([*_BYTE_READERS, *_PATH_READERS, *_STEP]))
    message = f'{path.name}: files ending "{path.suffix}" are not read; use one of {known}.'
    raise MeshError(message)


def _doubts(mesh: Mesh, units: str, suffix: str) -> list[Finding]:
    """Return what makes the stated unit doubtful."""
    out = []
    if suffix in {".gltf", ".glb"} and units != "m":
        detail = f'glTF files are in metres by their standard, "{units}" was stated and used.'
        out.append(Finding(kind="doubtful unit", count=1, detail=detail, places=mesh.box, is_repair=False))
    size = float((mesh.box[1] - mesh.box[0]).max())
    least, most = PLAUSIBLE_SIZES
    if not least <= size <= most:
        number = size / MESH_UNITS[units]
        fitting = [
            unit for unit in ("m", "mm", "in", "cm", "ft", "um") if least <= number * MESH_UNITS[unit] <= most
        ]
        hint = (
            f' stated in "{fitting[0]}" it would be {number * MESH_UNITS[fitting[0]]:.4g} m'
            if fitting
            else " no unit fits"
        )
        detail = f'In "{units}" the structure is {size:.4g} m long, which is implausible;{hint}.'
        out.append(Finding(kind="doubtful unit", count=1, detail=detail, places=mesh.box, is_repair=False))
    return out


def _bytes_of(path: Path) -> bytes:
    if path.exists() and not path.is_file():
        # A pipe or a device could go on for ever.
        message = f"{path}: is a folder, a pipe or a device; give a mesh file."
        raise MeshError(message)
    try:
        data = path.read_bytes()
    except OSError as error:
        message = f"{path}: cannot be read ({error.strerror}); check the path."
        raise MeshError(message) from error
    if not data:
        message = f"{path.name}: the file is empty; export the mesh again."
        raise MeshError(message)
    return data


def _in_metres(soup: Soup, factor: float) -> Mesh:
    return Mesh(
        points=soup.points * factor,
        faces=np.asarray(soup.faces),
        face_parts=soup.face_parts,
        part_names=soup.part_names,
    )


def _refuse_repairs(findings: tuple[Finding, ...], name: str) -> None:
    # Points that repeat exactly are how STL stores every mesh, and splitting quads changes no shape.
    harmless = {"merged points", "split polygons", "tessellated", "doubtful unit"}
    repairs = [finding for finding in findings if finding.is_repair and finding.kind not in harmless]
    if repairs:
        listed = "; ".join(f"{finding.kind}: {finding.count}" for finding in repairs)
        message = f"{name}: strict reading allows no repair, but these are needed: {listed}."
        raise MeshError(message)
