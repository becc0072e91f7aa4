"""The records of bays and openings, from sides by region and the caps between them."""

import numpy as np

from bayreach.arrays import OUTSIDE, BoolArray, FloatArray, IntArray
from bayreach.bays._flat import Cap
from bayreach.bays._openings import is_sliver, links_of, named_by_place, opening_of, ordered_by_place
from bayreach.bays._records import Bay, Bays, Opening
from bayreach.bays._regions import Regions
from bayreach.bays._useful import cap_arrays
from bayreach.measure import side_areas
from bayreach.mesh import Mesh
from bayreach.repair import Finding
from bayreach.repair._findings import some_of
from bayreach.topology import edges_of, groups


def assembled(
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
    cap_faces, cap_of_face = cap_arrays(caps)
    cap_bays = new[regions.side_region[mesh.n_sides :]].reshape(-1, 2)
    cap_faces, cap_links = links_of(cap_faces, cap_bays)
    openings, cap_opening = _openings(
        mesh, caps, cap_faces=cap_faces, cap_of_face=cap_of_face, cap_links=cap_links, large=large
    )
    slivers = [cap for cap in caps if not cap.is_wall and is_sliver(cap, mesh.diagonal)]
    if slivers:
        detail = f"{len(slivers)} slits between sheets are too narrow to be openings and were closed."
        where = some_of([mesh.points[cap.rim].mean(axis=0) for cap in slivers])
        slits = Finding(kind="slits", count=len(slivers), detail=detail, places=where, is_repair=False)
        findings = (*findings, slits)
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


def air_findings(given: Mesh, mesh: Mesh, regions: Regions, missed: list[FloatArray]) -> tuple[Finding, ...]:
    """Return what is odd about the air of a mesh."""
    more, tied = mesh.n_faces - given.n_faces, regions.tied_edges
    real = tied[tied.max(axis=1, initial=0) < len(mesh.points)]
    crossed = np.array([rim.mean(axis=0) for rim in missed]).reshape(-1, 3)
    new = mesh.points[len(given.points) :]
    free = edges_of(given.faces)
    told = (
        ("split at openings", more, f"{more} faces more where something passes an opening.", new),
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
            given.points[free.ends[free.free]].mean(axis=1) if free.free.any() else given.box,
        ),
    )
    return tuple(
        Finding(kind=kind, count=count, detail=detail, places=some_of(places), is_repair=False)
        for kind, count, detail, places in told
        if count
    )
