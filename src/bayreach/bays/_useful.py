"""Which caps close an opening: those that divide air, on spaces that are more closed than open."""

from collections.abc import Sequence

import numpy as np

from bayreach.arrays import OUTSIDE, BoolArray, IntArray
from bayreach.bays._flat import Cap
from bayreach.bays._regions import Regions, regions_of
from bayreach.measure import area_vectors, side_areas
from bayreach.mesh import Mesh

OPEN_SHARE = 0.35
"""A space more open than this share of its boundary is a panel or tray, not a bay. Our choice, no source."""

_MOST_ROUNDS = 20


def cap_arrays(caps: Sequence[Cap]) -> tuple[IntArray, IntArray]:
    """Return all cap faces (c, 3) and the cap (c,) of each."""
    faces = np.concatenate([np.zeros((0, 3), dtype=np.int64), *(cap.faces for cap in caps)])
    return faces, np.repeat(np.arange(len(caps)), [len(cap.faces) for cap in caps])


def useful_caps(mesh: Mesh, caps: list[Cap]) -> tuple[list[Cap], Regions]:
    """Return the caps that divide air, and the regions they make."""
    for _ in range(_MOST_ROUNDS):
        cap_faces, cap_of_face = cap_arrays(caps)
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
    panel = open_area > OPEN_SHARE * (wall + open_area)
    out = np.zeros(n_caps, dtype=bool)
    rows = np.flatnonzero(leads_out)
    np.logical_or.at(out, cap_of_face[rows], panel[sides.max(axis=1)[rows]])
    return out
