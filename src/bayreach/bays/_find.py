"""The bays of a mesh: cap what can be capped, divide the air, name what is there."""

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import OUTSIDE, BoolArray, FloatArray, IntArray, unit_vectors
from bayreach.bays._caps import find_caps
from bayreach.bays._flat import Cap
from bayreach.bays._given import cut_given, name_given
from bayreach.bays._openings import is_sliver, links_of, named_by_place, opening_of, ordered_by_place
from bayreach.bays._records import Bay, Bays, Given, Opening
from bayreach.bays._regions import Regions, regions_of
from bayreach.bays._rims import split_along_rims
from bayreach.bays._thick import Closed, close_thick
from bayreach.bays._voxel import voxel_bays
from bayreach.measure import area_vectors, side_areas
from bayreach.mesh import Mesh
from bayreach.rays import Scene
from bayreach.repair import Finding
from bayreach.repair._findings import some_of
from bayreach.topology import edges_of, groups

LARGE_DIAMETER = 0.25
"""An opening that a round rod of this many metres passes is an open end, no hole. Our choice, no source."""

_OPEN_SHARE = 0.35
"""A space more open than this share of its boundary is a panel or tray, not a bay. Our choice, no source."""

_MOST_ROUNDS = 20

_COVER_SHARE = 0.02
"""A sheet nearer to an open end than this share of its width covers it. Our choice, no source."""


METHODS = ("auto", "cells", "voxel")


def find_bays(
    mesh: Mesh,
    *,
    given: Sequence[Given] = (),
    large: float = LARGE_DIAMETER,
    method: str = "auto",
    closed_up_to: float = 0.0,
    shut: Sequence[tuple[ArrayLike, ArrayLike]] = (),
) -> Bays:
    """Return the bays and openings of a mended mesh.

    Free-edge loops are capped with virtual faces, sides are joined round every edge of mesh and caps
    together, and what
    closes off a finite space is a bay. A cap with the same air on both hands is no opening and is taken
    off again.

    Parameters
    ----------
    mesh : Mesh
        Mended, in m.
    given : sequence of Given
        Openings that the user names; cut as round holes where the mesh has none.
    large : float
        Inscribed diameter in m from which an opening is an open end.
    method : {"auto", "cells", "voxel"}
        "cells" sorts sides round edges (exact), "voxel" counts air on a grid. "auto" takes cells, and the
        grid where they close off no air or a sheet covers an open end without meeting it.
    closed_up_to : float
        For the grid: openings up to this diameter in m are closed.
    shut : sequence of (point, normal)
        Planes that count as wall: the symmetry plane of a half model, the place of a missing end rib. Rims
        that lie in one, to a thousandth of the diagonal, are closed whatever their size and are no openings.

    Raises
    ------
    ValueError
        For an empty mesh or an unknown method.
    MeshError
        When a given opening lies on no sheet.
    """
    if not mesh.n_faces:
        message = "find_bays: the mesh has no face."
        raise ValueError(message)
    if method not in METHODS:
        message = f'find_bays: method "{method}" is unknown; use one of {", ".join(METHODS)}.'
        raise ValueError(message)
    if method == "voxel":
        return name_given(voxel_bays(mesh, closed_up_to=closed_up_to, large=large), given)[0]
    found = _found_bays(mesh, large, shut)
    none_yet = not found.bays and not len(found.material_sides) and _may_leak(mesh)
    if method == "auto" and (none_yet or _has_covered_end(found)):
        counted = voxel_bays(mesh, closed_up_to=closed_up_to, large=large)
        if counted.bays:
            return name_given(counted, given)[0]
    return _with_given(mesh, found, given, lambda cut: _found_bays(cut, large, shut))


def _with_given(mesh: Mesh, found: Bays, given: Sequence[Given], find: Callable[[Mesh], Bays]) -> Bays:
    """Return the bays with the user's openings named, and those that the mesh lacks cut."""
    named, missing = name_given(found, given)
    if not missing:
        return named
    cut, source = cut_given(mesh, missing)
    again = find(cut) if cut is not mesh else found
    if cut is not mesh:
        again = replace(again, source_faces=source[again.source_faces])
    named, still_missing = name_given(again, given, cut=missing)
    return replace(named, findings=(*named.findings, *(_not_found(entry) for entry in still_missing)))


def _not_found(entry: Given) -> Finding:
    if entry.diameter is None:
        reason = "the mesh has no opening there; state its diameter to have it cut"
    else:
        reason = "it was cut, but both its sides look on the same air"
    return Finding(
        kind="opening not found",
        count=1,
        detail=f'Opening "{entry.name}": {reason}.',
        places=entry.center[None],
        is_repair=False,
    )


def _has_covered_end(bays: Bays) -> bool:
    """Return whether an open end is covered by a sheet close by: then sheets that should meet do not."""
    ends = [number for number, opening in enumerate(bays.openings) if opening.large]
    if not ends:
        return False
    scene = Scene(bays.mesh)
    for number in ends:
        mine = bays.cap_faces[bays.cap_opening == number]
        corners = bays.cap_points[mine]
        vectors = area_vectors(corners)
        areas = np.linalg.norm(vectors, axis=1)
        near = np.zeros(len(mine), dtype=bool)
        for way in (1.0, -1.0):
            _, away = scene.first_hit(corners.mean(axis=1), way * vectors)
            near |= away < _COVER_SHARE * bays.openings[number].equivalent_diameter
        if areas[near].sum() > 0.8 * areas.sum():
            return True
    return False


def _may_leak(mesh: Mesh) -> bool:
    """Return whether a mesh has the depth that air needs: its box is not flat."""
    size = np.sort(mesh.box[1] - mesh.box[0])
    return bool(size[0] > 1e-3 * size[2])


def _found_bays(mesh: Mesh, large: float, shut: Sequence[tuple[ArrayLike, ArrayLike]]) -> Bays:
    if not edges_of(mesh.faces).free.any():
        return _closed_bays(mesh, large)
    whole, source = split_along_rims(mesh)
    caps, missed = find_caps(whole)
    caps = [replace(cap, is_wall=_lies_in(whole, cap, shut)) for cap in caps]
    caps, regions = _useful(whole, caps)
    findings = _findings(mesh, whole, regions, missed)
    return _named(mesh=whole, source=source, caps=caps, regions=regions, findings=findings, large=large)


def _closed_bays(mesh: Mesh, large: float) -> Bays:
    """Return the bays of a mesh without free edges: a closed cavity, or thick sheets."""
    closed = close_thick(mesh)
    caps, regions = _useful(closed.mesh, list(closed.caps))
    if not caps and closed.mesh.n_faces > mesh.n_faces:
        # No cap divides anything, so the walls need no split either.
        sides = 2 * closed.source[closed.material_sides // 2] + closed.material_sides % 2
        closed = Closed(mesh=mesh, source=np.arange(mesh.n_faces), caps=(), material_sides=sides)
        caps, regions = _useful(mesh, [])
    findings = _findings(mesh, closed.mesh, regions, [])
    inside = regions.side_region[closed.material_sides]
    material = np.unique(inside[inside >= 0])
    if not len(material):
        return _named(
            mesh=closed.mesh, source=closed.source, caps=caps, regions=regions, findings=findings, large=large
        )
    sides = np.flatnonzero(np.isin(regions.side_region[: closed.mesh.n_sides], material))
    air = np.setdiff1d(np.arange(len(regions.volumes)), material)
    number = np.full(len(regions.volumes) + 1, OUTSIDE, dtype=np.int64)
    number[air] = np.arange(len(air))
    volume = float(regions.volumes[material].sum())
    left = replace(regions, side_region=number[regions.side_region], volumes=regions.volumes[air])
    named = _named(
        mesh=closed.mesh,
        source=closed.source,
        caps=caps,
        regions=left,
        findings=(*findings, _material_finding(volume, len(air), closed.mesh)),
        large=large,
    )
    return replace(named, material_sides=sides, material_volume=volume)


def _material_finding(volume: float, n_bays: int, mesh: Mesh) -> Finding:
    litres = f"{volume * 1e3:.4g} L of material"
    if n_bays:
        detail = f"The sheets are thick: the mesh holds {litres}, which is counted with no bay."
        return Finding(kind="thick sheets", count=1, detail=detail, is_repair=False)
    detail = f"This is a part, not a cavity: the mesh encloses {litres} and no air."
    return Finding(
        kind="part, not a cavity", count=1, detail=detail, places=mesh.box.mean(axis=0)[None], is_repair=False
    )


def _lies_in(mesh: Mesh, cap: Cap, planes: Sequence[tuple[ArrayLike, ArrayLike]]) -> bool:
    """Return whether the rim of a cap lies in one of the planes."""
    rim = mesh.points[cap.rim]
    return any(
        bool(np.abs((rim - np.asarray(point)) @ unit_vectors(normal)).max() <= 1e-3 * mesh.diagonal)
        for point, normal in planes
    )


def _cap_arrays(caps: Sequence[Cap]) -> tuple[IntArray, IntArray]:
    """Return all cap faces (c, 3) and the cap (c,) of each."""
    faces = np.concatenate([np.zeros((0, 3), dtype=np.int64), *(cap.faces for cap in caps)])
    return faces, np.repeat(np.arange(len(caps)), [len(cap.faces) for cap in caps])


def _useful(mesh: Mesh, caps: list[Cap]) -> tuple[list[Cap], Regions]:
    """Return the caps that divide air, and the regions they make."""
    for _ in range(_MOST_ROUNDS):
        cap_faces, cap_of_face = _cap_arrays(caps)
        regions = regions_of(mesh.points, np.concatenate([mesh.faces, cap_faces]))
        cap_sides = regions.side_region[mesh.n_sides :].reshape(-1, 2)
        divides = np.zeros(len(caps), dtype=bool)
        np.logical_or.at(divides, cap_of_face, cap_sides[:, 0] != cap_sides[:, 1])
        walls = np.array([cap.is_wall for cap in caps], dtype=bool)
        keep = divides & ~_on_open_panels(mesh, cap_faces, cap_of_face, regions, walls)
        if keep.all():
            return caps, regions
        caps = [cap for cap, kept in zip(caps, keep, strict=True) if kept]
    return caps, regions


def _on_open_panels(
    mesh: Mesh, cap_faces: IntArray, cap_of_face: IntArray, regions: Regions, walls: BoolArray
) -> BoolArray:
    """Return a mask (n_caps,) of caps to the outside on spaces that are more open than closed; walls stay."""
    n_caps = len(walls)
    if not n_caps:
        return np.zeros(0, dtype=bool)
    n = len(regions.volumes)
    cap_area = np.linalg.norm(area_vectors(mesh.points[cap_faces]), axis=1)
    sides = regions.side_region[mesh.n_sides :].reshape(-1, 2)
    leads_out = (sides == OUTSIDE).any(axis=1) & (sides.max(axis=1) >= 0) & ~walls[cap_of_face]
    open_area = np.bincount(sides.max(axis=1)[leads_out], weights=cap_area[leads_out], minlength=n)
    inner = regions.side_region[: mesh.n_sides]
    wall = np.bincount(inner[inner >= 0], weights=side_areas(mesh)[inner >= 0], minlength=n)
    panel = open_area > _OPEN_SHARE * (wall + open_area)
    out = np.zeros(n_caps, dtype=bool)
    rows = np.flatnonzero(leads_out)
    np.logical_or.at(out, cap_of_face[rows], panel[sides.max(axis=1)[rows]])
    return out


def _findings(given: Mesh, mesh: Mesh, regions: Regions, missed: list[FloatArray]) -> tuple[Finding, ...]:
    """Return what is odd about the air of a mesh."""
    more, tied = mesh.n_faces - given.n_faces, regions.tied_edges
    real = tied[tied.max(axis=1, initial=0) < len(mesh.points)]
    crossed = np.array([rim.mean(axis=0) for rim in missed]).reshape(-1, 3)
    nowhere = np.zeros((0, 3))
    told = (
        ("split at openings", more, f"{more} faces more where something passes an opening.", nowhere),
        (
            "coincident faces",
            len(tied),
            f"At {len(tied)} edges two faces lie on each other.",
            mesh.points[real].mean(axis=1),
        ),
        (
            "rims not capped",
            len(missed),
            f"{len(missed)} bent rims cross themselves however they are seen and were left open.",
            crossed,
        ),
        (
            "open panel",
            int(not len(regions.volumes)),
            "The mesh closes off no air: it is an open panel, or its parts do not meet.",
            nowhere,
        ),
    )
    return tuple(
        Finding(kind=kind, count=count, detail=detail, places=some_of(places), is_repair=False)
        for kind, count, detail, places in told
        if count
    )


def _named(
    *,
    mesh: Mesh,
    source: IntArray,
    caps: list[Cap],
    regions: Regions,
    findings: tuple[Finding, ...],
    large: float,
) -> Bays:
    """Return the records, bays ordered along the longest axis and openings by place."""
    side_region = regions.side_region[: mesh.n_sides]
    order = _bay_order(mesh, side_region, len(regions.volumes))
    new = np.full(len(order) + 1, OUTSIDE, dtype=np.int64)
    new[order] = np.arange(len(order))
    side_bay = new[side_region]
    cap_faces, cap_of_face = _cap_arrays(caps)
    cap_bays = new[regions.side_region[mesh.n_sides :]].reshape(-1, 2)
    cap_faces, cap_links = links_of(cap_faces, cap_bays)
    openings, cap_opening = _openings(
        mesh, caps, cap_faces=cap_faces, cap_of_face=cap_of_face, cap_links=cap_links, large=large
    )
    slivers = sum(is_sliver(cap, mesh.diagonal) for cap in caps if not cap.is_wall)
    if slivers:
        detail = f"{slivers} slits between sheets are too narrow to be openings and were closed."
        findings = (*findings, Finding(kind="slits", count=slivers, detail=detail, is_repair=False))
    return Bays(
        mesh=mesh,
        source_faces=source,
        side_bay=side_bay,
        bays=_bay_records(mesh, side_bay, regions.volumes[order], openings),
        openings=openings,
        method="cells",
        findings=findings,
        cap_points=mesh.points if len(cap_faces) else np.zeros((0, 3)),
        cap_faces=cap_faces,
        cap_opening=cap_opening,
        cap_links=cap_links,
        outside_volume=regions.outside_volume,
    )


def _openings(
    mesh: Mesh,
    caps: list[Cap],
    *,
    cap_faces: IntArray,
    cap_of_face: IntArray,
    cap_links: IntArray,
    large: float,
) -> tuple[tuple[Opening, ...], IntArray]:
    real = [index for index, cap in enumerate(caps) if not (cap.is_wall or is_sliver(cap, mesh.diagonal))]
    raw = [
        opening_of(mesh, caps[index], cap_faces[cap_of_face == index], cap_links[cap_of_face == index], large)
        for index in real
    ]
    ranks = ordered_by_place(np.array([opening.center for opening in raw]).reshape(-1, 3), mesh.box)
    number = np.full(len(caps), -1, dtype=np.int64)
    number[np.array(real, dtype=np.int64)[ranks]] = np.arange(len(real))
    placed = [raw[rank] for rank in ranks.tolist()]
    return named_by_place(placed, mesh.diagonal), number[cap_of_face]


def _bay_order(mesh: Mesh, side_region: IntArray, n: int) -> IntArray:
    boxes = _bay_boxes(mesh, side_region, n)
    return ordered_by_place(boxes.mean(axis=1), mesh.box)


def _bay_boxes(mesh: Mesh, side_bay: IntArray, n: int) -> FloatArray:
    """Return the box (n, 2, 3) of each bay."""
    boxes = np.zeros((n, 2, 3))
    boxes[:, 0], boxes[:, 1] = np.inf, -np.inf
    inside = np.flatnonzero(side_bay >= 0)
    corners = mesh.corners[inside // 2]
    np.minimum.at(boxes[:, 0], side_bay[inside], corners.min(axis=1))
    np.maximum.at(boxes[:, 1], side_bay[inside], corners.max(axis=1))
    return boxes


def _bay_records(
    mesh: Mesh, side_bay: IntArray, volumes: FloatArray, openings: tuple[Opening, ...]
) -> tuple[Bay, ...]:
    n = len(volumes)
    inside = side_bay >= 0
    areas = np.bincount(side_bay[inside], weights=side_areas(mesh)[inside], minlength=n)
    boxes = _bay_boxes(mesh, side_bay, n)
    reached = _reached_from_outside(n, openings)
    bays = []
    for index in range(n):
        mine = [opening for opening in openings if index in opening.links]
        others = {link for opening in mine for link in opening.links if link != index}
        bays.append(
            Bay(
                name=f"bay {index + 1}",
                index=index,
                area=float(areas[index]),
                volume=float(volumes[index]),
                box=boxes[index],
                openings=tuple(opening.name for opening in mine),
                sealed=not reached[index],
                neighbours=tuple(sorted(others)),
            )
        )
    return tuple(bays)


def _reached_from_outside(n: int, openings: tuple[Opening, ...]) -> BoolArray:
    """Return a mask (n,) of bays that a chain of openings links to the outside."""
    pairs = np.array([opening.links for opening in openings], dtype=np.int64).reshape(-1, 2) + 1
    _, label = groups(n + 1, pairs)
    return np.asarray(label[1:] == label[0])
