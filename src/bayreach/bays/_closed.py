"""Bays of a mesh without free edges: a closed cavity, or thick sheets with holes through them."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from bayreach.arrays import OUTSIDE, IntArray
from bayreach.bays._assembled import air_findings, assembled
from bayreach.bays._flat import Cap
from bayreach.bays._records import Bays
from bayreach.bays._regions import Regions
from bayreach.bays._shut import Shut, not_placed, walled
from bayreach.bays._thick import Closed, close_thick
from bayreach.bays._useful import useful_caps
from bayreach.mesh import Mesh
from bayreach.repair import Finding
from bayreach.topology import edges_of


def closed_bays(mesh: Mesh, large: float, shut: Sequence[Shut] = (), encloses: str | None = None) -> Bays:
    """Return the bays of a mesh without free edges: a closed cavity, or thick sheets.

    `encloses` states which, "air" or "material"; None lets the shape tell as far as it can.
    """
    closed, caps, regions = _closed_and_capped(mesh, encloses)
    caps, unplaced = walled(closed.mesh, caps, shut)
    findings = (*air_findings(mesh, closed.mesh, regions, []), *not_placed(unplaced))
    inside = regions.side_region[closed.material_sides]
    material = np.unique(inside[inside >= 0])
    if not len(material):
        if encloses is None and not caps:
            findings = (*findings, *_either(mesh, len(regions.volumes)))
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


def _closed_and_capped(mesh: Mesh, encloses: str | None) -> tuple[Closed, list[Cap], Regions]:
    """Return the closed surface, its useful caps, and the air regions that they make.

    Where no cap divides anything, the walls need no split, and rounded rims, or a single ring of wall in
    something stout, prove nothing by themselves: a ring-shaped cavity has them too.
    """
    whole = Closed(
        mesh=mesh, source=np.arange(mesh.n_faces), caps=(), material_sides=np.zeros(0, dtype=np.int64)
    )
    if encloses == "air":
        return whole, *useful_caps(mesh, [])
    for rounded in (True, False):
        closed = close_thick(mesh, rounded=rounded)
        caps, regions = useful_caps(closed.mesh, list(closed.caps))
        if caps:
            break
        # What no cap divides is left as it was.
        sides = np.unique(2 * closed.source[closed.material_sides // 2] + closed.material_sides % 2)
        closed = replace(whole, material_sides=sides, is_doubtful=closed.is_doubtful)
        regions = useful_caps(mesh, [])[1]
        if encloses == "material":
            closed = replace(closed, material_sides=np.union1d(sides, _inner_skin(regions)))
        if encloses == "material" or not closed.is_doubtful:
            break
    else:
        closed = whole
    return closed, caps, regions


def _inner_skin(regions: Regions) -> IntArray:
    """Return the sides (k,) of the spaces that one face parts from the outside."""
    hands = regions.side_region.reshape(-1, 2)
    next_to = np.unique(hands[(hands == OUTSIDE).any(axis=1)])
    return np.flatnonzero(np.isin(regions.side_region, next_to[next_to != OUTSIDE]))


def _either(mesh: Mesh, n_bays: int) -> tuple[Finding, ...]:
    """Return what is said of closed surfaces that may as well be solid parts."""
    if not n_bays or edges_of(mesh.faces).crowded.any():
        return ()
    detail = (
        "The mesh is a closed surface, which a cavity and a solid part have alike: it is taken for a cavity. "
        f'If it is a part, state encloses = "material" {_WHERE}.'
    )
    middle = mesh.box.mean(axis=0)[None]
    return (Finding(kind="closed surface", count=n_bays, detail=detail, places=middle, is_repair=False),)


_WHERE = "in the job file (measure: --encloses)"


def material_finding(volume: float, n_bays: int, mesh: Mesh) -> Finding:
    """Return what is said of a mesh that holds material, `volume` in m³."""
    litres = f"{volume * 1e3:.4g} L of material"
    middle = mesh.box.mean(axis=0)[None]
    if n_bays:
        detail = f"The sheets are thick: the mesh holds {litres}, which is counted with no bay."
        return Finding(kind="thick sheets", count=1, detail=detail, places=middle, is_repair=False)
    detail = (
        f"This is a part, not a cavity: the mesh encloses {litres} and no air. "
        f'If it is a cavity drawn as a closed surface, state encloses = "air" {_WHERE}.'
    )
    return Finding(kind="part, not a cavity", count=1, detail=detail, places=middle, is_repair=False)
