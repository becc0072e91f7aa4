"""Rims that the user has count as wall: those in a plane, or the one round a point."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import unit_vectors
from bayreach.bays._flat import Cap
from bayreach.measure import area_vectors, nearest_on_triangles
from bayreach.mesh import Mesh
from bayreach.repair import Finding

Shut = tuple[ArrayLike, ArrayLike | None]
"""A plane by a point (m) and a normal, or with no normal a point in the opening meant."""

_IN_PLANE = 1e-3
"""A rim lies in a plane to within this share of the diagonal."""

_NEAR = 0.5
"""A point means the opening whose cap is nearer than this share of its width."""


def walled(mesh: Mesh, caps: Sequence[Cap], shut: Sequence[Shut]) -> tuple[list[Cap], list[Finding]]:
    """Return the caps, those that count as wall marked, and what is said of entries that close nothing."""
    walls = np.zeros(len(caps), dtype=bool)
    findings = []
    for place, normal in shut:
        point = np.asarray(place, dtype=np.float64)
        mine = [k for k, cap in enumerate(caps) if _is_meant(mesh, cap, point, normal)]
        if normal is None and mine:
            mine = [min(mine, key=lambda k: _away(mesh, caps[k], point))]
        walls[mine] = True
        if not mine:
            what = "no rim lies in this plane" if normal is not None else "no opening is at this point"
            detail = f"A cap was asked for, but {what}: nothing was closed there."
            findings.append(
                Finding(kind="cap not placed", count=1, detail=detail, places=point[None], is_repair=False)
            )
    return [replace(cap, is_wall=bool(wall)) for cap, wall in zip(caps, walls, strict=True)], findings


def _is_meant(mesh: Mesh, cap: Cap, point: np.ndarray, normal: ArrayLike | None) -> bool:
    if normal is not None:
        heights = (mesh.points[cap.rim] - point) @ unit_vectors(normal)
        return bool(np.abs(heights).max() <= _IN_PLANE * mesh.diagonal)
    area = float(np.linalg.norm(area_vectors(mesh.points[cap.faces]), axis=1).sum())
    return bool(_away(mesh, cap, point) <= _NEAR * np.sqrt(area))


def _away(mesh: Mesh, cap: Cap, point: np.ndarray) -> float:
    corners = mesh.points[cap.faces]
    feet = nearest_on_triangles(np.broadcast_to(point, (len(corners), 3)), corners)
    return float(np.linalg.norm(feet - point, axis=1).min())
