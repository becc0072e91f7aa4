"""Mesh file in, bays and openings out."""

from dataclasses import replace
from pathlib import Path

from bayreach.bays import check_by_voxels, find_bays
from bayreach.meshfile import read_mesh
from bayreach.outcome import Measurement, quiet
from bayreach.run._answer import measurement_of
from bayreach.run._wetting import Progress


def measure(path: Path, units: str, *, strict: bool = False, progress: Progress = quiet) -> Measurement:
    """Return the import report, bays and openings of a mesh file whose numbers are in `units`.

    Raises
    ------
    MeshError
        When the file cannot be read; under `strict` also when it needs any repair.
    UnitError
        When the unit is unknown.
    """
    progress("reading the mesh", 0.0)
    read = read_mesh(path, units, strict=strict)
    progress("finding bays", 0.5)
    bays = find_bays(read.mesh)
    progress("checking on a grid", 0.8)
    return measurement_of(read, replace(bays, findings=(*bays.findings, *check_by_voxels(bays))))
