"""Bays of a mesh without free edges: a closed cavity, or thick sheets with holes through them."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from bayreach.arrays import OUTSIDE
from bayreach.bays._assembled import air_findings, assembled
from bayreach.bays._flat import Cap
from bayreach.bays._records import Bays
from bayreach.bays._regions import Regions
from bayreach.bays._shut import Shut, not_placed, walled
from bayreach.bays._thick import Closed, close_thick
from bayreach.bays._useful import useful_caps
from bayreach.mesh import Mesh
from bayreach.repair import Finding


def closed_bays(mesh: Mesh, large: float, shut: Sequence[Shut] = ()) -> Bays:
    """Return the bays of a mesh without free edges: a closed cavity, or thick sheets."""
    closed, caps, regions = _closed_and_capped(mesh)
    caps, unplaced = walled(closed.mesh, caps, shut)
    findings = (*air_findings(mesh, closed.mesh, regions, []), *not_placed(unplaced))
    inside = regions.side_region[closed.material_sides]
    material = np.unique(inside[inside >= 0])
    if not len(material):
        return assembled(
            mesh=closed.mesh, source=closed.source, caps=caps, regions=regions, findings=findings, large=large
        )
    sides = np.flatnonzero(np.isin(regions.side_region[: closed.mesh.n_sides], material))
    air = np.setdiff1d(np.arange(len(regions.volumes)), material)
    number = np.full(len(regions.volumes) + 1, OUTSIDE, dtype=np.int64)
    number[air] = np.arange(len(air))
    volume = float(regions.volumes[material].sum())
    left = replace(regions, side_region=number[regions.side_region], volumes=regions.volumes[air])
    named = assembled(
        mesh=closed.mesh,
        source=closed.source,
        caps=caps,
        regions=left,
        findings=(*findings, material_finding(volume, len(air), closed.mesh)),
        large=large,
    )
    return replace(named, material_sides=sides, material_volume=volume)


def _closed_and_capped(mesh: Mesh) -> tuple[Closed, list[Cap], Regions]:
    """Return the closed surface, its useful caps, and the air regions that they make.

    Where no cap divides anything, the walls need no split, and rounded rims prove nothing by themselves:
    a ring-shaped cavity has them too.
    """
    closed = close_thick(mesh)
    caps, regions = useful_caps(closed.mesh, list(closed.caps))
    if not caps and closed.is_doubtful:
        closed = close_thick(mesh, rounded=False)
        caps, regions = useful_caps(closed.mesh, list(closed.caps))
    if caps or closed.mesh.n_faces == mesh.n_faces:
        return closed, caps, regions
    sides = np.unique(2 * closed.source[closed.material_sides // 2] + closed.material_sides % 2)
    whole = replace(closed, mesh=mesh, source=np.arange(mesh.n_faces), caps=(), material_sides=sides)
    return whole, *useful_caps(mesh, [])


def material_finding(volume: float, n_bays: int, mesh: Mesh) -> Finding:
    """Return what is said of a mesh that holds material, `volume` in m³."""
    litres = f"{volume * 1e3:.4g} L of material"
    middle = mesh.box.mean(axis=0)[None]
    if n_bays:
        detail = f"The sheets are thick: the mesh holds {litres}, which is counted with no bay."
        return Finding(kind="thick sheets", count=1, detail=detail, places=middle, is_repair=False)
    detail = f"This is a part, not a cavity: the mesh encloses {litres} and no air."
    return Finding(kind="part, not a cavity", count=1, detail=detail, places=middle, is_repair=False)
