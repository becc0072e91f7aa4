"""Mesh file in, bays and openings out."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from numpy.typing import ArrayLike

from bayreach.arrays import OUTSIDE, FloatArray, unit_vectors
from bayreach.bays import (
    LARGE_DIAMETER,
    Bay,
    BayReport,
    Bays,
    Opening,
    bay_reports,
    check_by_voxels,
    find_bays,
)
from bayreach.cautions import cautions
from bayreach.meshfile import MeshRead, read_mesh
from bayreach.outcome import OUTSIDE_NAME, BayDetailRecord, Measurement, OpeningDetailRecord, quiet
from bayreach.run._answer import (
    bay_record,
    bay_warnings,
    finding_records,
    mesh_record,
    opening_records,
    point,
)
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
    encloses: str | None = None,
    large: float = LARGE_DIAMETER,
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
    encloses : {None, "air", "material"}
        What a mesh without free edges encloses; None lets its shape tell.
    large : float
        Diameter in m of the rod from which an opening that it passes is an open end.
    down : (3,) float
        Direction of gravity in mesh axes, for low points and the way sides face.
    film : float, optional
        Dry film in m on every side, for the liquid that each bay takes.
    volume_solids : float
        Share of the liquid that stays as film, 0 to 1.

    Raises
    ------
    MeshError
        When the file cannot be read; under `strict` also when it needs any repair; when `encloses` is stated
        of an open mesh.
    UnitError
        When the unit is unknown.
    """
    progress("reading the mesh", 0.0)
    read = read_mesh(path, units, strict=strict)
    progress("finding bays", 0.5)
    planes = [(tuple(MESH_UNITS[read.units] * part for part in place), normal) for place, normal in shut]
    bays = find_bays(
        read.mesh, method=method, closed_up_to=closed_up_to, shut=planes, encloses=encloses, large=large
    )
    progress("checking on a grid", 0.8)
    checked = replace(bays, findings=(*bays.findings, *check_by_voxels(bays)))
    return _measurement(read, checked, down=unit_vectors(down), film=film, volume_solids=volume_solids)


def _measurement(
    read: MeshRead, bays: Bays, *, down: FloatArray, film: float | None, volume_solids: float
) -> Measurement:
    """Return what `measure` tells; the liquid of each bay is for a dry film in m of a liquid so solid."""
    asked = bay_reports(bays, down=down, film=film or 0.0, volume_solids=volume_solids)
    return Measurement(
        mesh=mesh_record(read, bays.method),
        bays=tuple(
            replace(bay_record(bay), detail=_bay_detail(bays, bay, told, film))
            for bay, told in zip(bays.bays, asked, strict=True)
        ),
        openings=tuple(
            replace(record, detail=_opening_detail(opening))
            for record, opening in zip(opening_records(bays), bays.openings, strict=True)
        ),
        findings=finding_records(bays.findings),
        down=point(down),
        film_m=film,
        volume_solids=volume_solids,
        warnings=bay_warnings(bays),
        cautions=cautions(film=False),
    )


def _opening_detail(opening: Opening) -> OpeningDetailRecord:
    return OpeningDetailRecord(
        equivalent_diameter_m=opening.equivalent_diameter,
        thickness_m=opening.thickness,
        open_end=opening.large,
        diameter_error_m=opening.diameter_error,
        area_error_m2=opening.area_error,
    )


def _bay_detail(bays: Bays, bay: Bay, told: BayReport, film: float | None) -> BayDetailRecord:
    return BayDetailRecord(
        parts_m2=told.area_of_part,
        up_m2=told.area_up,
        vertical_m2=told.area_vertical,
        down_m2=told.area_down,
        neighbours=tuple(
            OUTSIDE_NAME if other == OUTSIDE else bays.bays[other].name for other in bay.neighbours
        ),
        low_points_m=tuple(point(place) for place in told.low_points),
        liquid_m3=None if film is None else told.liquid,
    )
