"""Rims that the user has count as wall: those in a plane, or the one round a point."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import BoolArray, FloatArray, unit_vectors
from bayreach.bays._flat import Cap, plane_through
from bayreach.measure import area_vectors, nearest_on_triangles
from bayreach.mesh import Mesh
from bayreach.repair import Finding

Shut = tuple[ArrayLike, ArrayLike | None]
"""A plane by a point (m) and a normal, or with no normal a point in the opening meant."""

_IN_PLANE = 1e-3
"""A rim lies in a plane to within this share of the diagonal."""

_NEAR = 0.5
"""A point means the opening whose cap is nearer than this share of its width."""


def walled(mesh: Mesh, caps: Sequence[Cap], shut: Sequence[Shut]) -> tuple[list[Cap], list[Shut]]:
    """Return the caps, those that count as wall marked, and the entries that no cap lies at."""
    walls = np.zeros(len(caps), dtype=bool)
    unplaced: list[Shut] = []
    for place, normal in shut:
        point = np.asarray(place, dtype=np.float64)
        mine = [k for k, cap in enumerate(caps) if _is_meant(mesh, cap, point, normal)]
        if normal is None and mine:
            mine = [min(mine, key=lambda k: _away(mesh, caps[k], point))]
        walls[mine] = True
        if not mine:
            unplaced.append((place, normal))
    return [replace(cap, is_wall=bool(wall)) for cap, wall in zip(caps, walls, strict=True)], unplaced


def not_placed(unplaced: Sequence[Shut]) -> tuple[Finding, ...]:
    """Return what is said of entries that close nothing."""
    return tuple(
        Finding(
            kind="cap not placed",
            count=1,
            detail="A cap was asked for, but "
            + ("no rim lies in this plane" if normal is not None else "no opening is at this point")
            + ": nothing was closed there.",
            places=np.asarray(place, dtype=np.float64)[None],
            is_repair=False,
        )
        for place, normal in unplaced
    )


def plane_wall(mesh: Mesh, point: ArrayLike, normal: ArrayLike) -> FloatArray | None:
    """Return two triangles (2, 3, 3) that close a plane as far as the mesh's box goes, None where it misses.

    For a grid, which needs no rim in the plane.
    """
    plane = plane_through(np.asarray(point, dtype=np.float64), unit_vectors(normal))
    ends = np.array(
        [[box[k] for box, k in zip(mesh.box.T, pick, strict=True)] for pick in np.ndindex(2, 2, 2)]
    )
    heights, slack = plane.heights(ends), _IN_PLANE * mesh.diagonal
    if heights.min() > slack or heights.max() < -slack:
        return None
    flat = plane.flat(ends)
    (u0, v0), (u1, v1) = flat.min(axis=0) - slack, flat.max(axis=0) + slack
    ring = np.array([[u0, v0], [u1, v0], [u1, v1], [u0, v1]]) @ plane.axes[:2] + plane.origin
    return np.asarray(ring[[[0, 1, 2], [0, 2, 3]]])


def _is_meant(mesh: Mesh, cap: Cap, point: np.ndarray, normal: ArrayLike | None) -> bool:
    if normal is not None:
        return bool(in_plane(mesh, mesh.points[cap.rim], point, normal).all())
    area = float(np.linalg.norm(area_vectors(mesh.points[cap.faces]), axis=1).sum())
    return bool(_away(mesh, cap, point) <= _NEAR * np.sqrt(area))


def in_plane(mesh: Mesh, places: FloatArray, point: ArrayLike, normal: ArrayLike) -> BoolArray:
    """Return a mask (k,) of the places (k, 3) that lie in a plane, as a mesh of that size goes."""
    heights = (places - np.asarray(point, dtype=np.float64)) @ unit_vectors(normal)
    return np.asarray(np.abs(heights) <= _IN_PLANE * mesh.diagonal)


def _away(mesh: Mesh, cap: Cap, point: np.ndarray) -> float:
    corners = mesh.points[cap.faces]
    feet = nearest_on_triangles(np.broadcast_to(point, (len(corners), 3)), corners)
    return float(np.linalg.norm(feet - point, axis=1).min())
