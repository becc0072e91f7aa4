"""Mesh file in, bays and openings out."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from numpy.typing import ArrayLike

from bayreach.arrays import unit_vectors
from bayreach.bays import check_by_voxels, find_bays
from bayreach.meshfile import read_mesh
from bayreach.outcome import Measurement, quiet
from bayreach.run._answer import measurement_of
from bayreach.run._wetting import Progress
from bayreach.units import MESH_UNITS

Shut = tuple[Sequence[float], Sequence[float] | None]


def measure(
    path: Path,
    units: str,
    *,
    strict: bool = False,
    method: str = "auto",
    closed_up_to: float = 0.0,
    shut: Sequence[Shut] = (),
    down: ArrayLike = (0.0, 0.0, -1.0),
    film: float | None = None,
    volume_solids: float = 1.0,
    progress: Progress = quiet,
) -> Measurement:
    """Return the import report, bays and openings of a mesh file whose numbers are in `units`.

    Parameters
    ----------
    strict : bool
        Refuse a mesh that needs any repair.
    method : {"auto", "cells", "voxel"}
        Exact from sides, by a grid, or the first where it works.
    closed_up_to : float
        By a grid: gaps up to this width in m count as shut.
    shut : sequence of (point, normal)
        Planes that close a cut-off structure; the point in the file's unit. Without a normal, a point in an
        opening that counts as wall.
    down : (3,) float
        Direction of gravity in mesh axes, for low points and the way sides face.
    film : float, optional
        Dry film in m on every side, for the liquid that each bay takes.
    volume_solids : float
        Share of the liquid that stays as film, 0 to 1.

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
    planes = [(tuple(MESH_UNITS[read.units] * part for part in place), normal) for place, normal in shut]
    bays = find_bays(read.mesh, method=method, closed_up_to=closed_up_to, shut=planes)
    progress("checking on a grid", 0.8)
    checked = replace(bays, findings=(*bays.findings, *check_by_voxels(bays)))
    return measurement_of(read, checked, down=unit_vectors(down), film=film, volume_solids=volume_solids)
