"""Slow and obvious twins, and shapes with closed forms, for tests."""

import numpy as np

from bayreach.arrays import BoolArray, FloatArray
from bayreach.measure import signed_volumes
from bayreach.mesh import Mesh, mesh_of


def enclosed_volume(mesh: Mesh) -> float:
    """Return the signed volume inside a closed mesh in m³, positive when fronts face out."""
    return float(signed_volumes(mesh.corners, mesh.box.mean(axis=0)).sum())


def grid_plate(center, along, across, *, cells: int = 1) -> Mesh:
    """Return a flat rectangle of 2 x cells² triangles; its front faces along x across."""
    center, along, across = (np.asarray(vector, dtype=np.float64) for vector in (center, along, across))
    u, v = np.meshgrid(np.linspace(-0.5, 0.5, cells + 1), np.linspace(-0.5, 0.5, cells + 1), indexing="ij")
    points = center + u.ravel()[:, None] * along + v.ravel()[:, None] * across
    return mesh_of(points, _grid_faces(cells, cells))


def tube(radius: float, length: float, *, around: int, pieces: int) -> Mesh:
    """Return an open prism about x from 0 to `length` with corners on the circle; fronts outwards."""
    angle = 2 * np.pi * np.arange(around) / around
    ring = np.stack([np.zeros(around), radius * np.cos(angle), radius * np.sin(angle)], axis=1)
    x = np.linspace(0.0, length, pieces + 1)
    points = (ring[None] + np.array([1.0, 0.0, 0.0]) * x[:, None, None]).reshape(-1, 3)
    i, j = np.meshgrid(np.arange(pieces), np.arange(around), indexing="ij")
    a, b = i * around + j, i * around + (j + 1) % around
    c, d = a + around, b + around
    faces = np.concatenate([np.stack([a, b, d], axis=-1), np.stack([a, d, c], axis=-1)]).reshape(-1, 3)
    return mesh_of(points, faces)


def ball(radius: float, *, halvings: int) -> Mesh:
    """Return a sphere by halving an octahedron; fronts outwards."""
    points = np.array([[1, 0, 0], [-1, 0, 0], [0, 1, 0], [0, -1, 0], [0, 0, 1], [0, 0, -1]], dtype=np.float64)
    faces = np.array([[0, 2, 4], [2, 1, 4], [1, 3, 4], [3, 0, 4], [2, 0, 5], [1, 2, 5], [3, 1, 5], [0, 3, 5]])
    for _ in range(halvings):
        corners = points[faces]
        middles = (corners + np.roll(corners, -1, axis=1)) / 2
        a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
        ab, bc, ca = middles[:, 0], middles[:, 1], middles[:, 2]
        pieces = np.concatenate(
            [np.stack(three, axis=1) for three in ([a, ab, ca], [ab, b, bc], [ca, bc, c], [ab, bc, ca])]
        )
        points, inverse = np.unique(pieces.reshape(-1, 3).round(12), axis=0, return_inverse=True)
        points /= np.linalg.norm(points, axis=1)[:, None]
        faces = inverse.reshape(-1, 3)
    return mesh_of(points * radius, faces)


def closed_box(size) -> Mesh:
    """Return a box with a corner at the origin, 12 faces, fronts outwards."""
    x, y, z = size
    corners = np.array([[i, j, k] for i in (0.0, x) for j in (0.0, y) for k in (0.0, z)])
    quads = [[0, 1, 3, 2], [4, 6, 7, 5], [0, 4, 5, 1], [2, 3, 7, 6], [0, 2, 6, 4], [1, 5, 7, 3]]
    faces = [three for a, b, c, d in quads for three in ([a, b, c], [a, c, d])]
    return mesh_of(corners, faces)


def soup(count: int, size: float, seed: int) -> Mesh:
    """Random triangles of about `size` m in a box of 1 m, for comparing ray engines."""
    random = np.random.default_rng(seed)
    centers = random.uniform(0.0, 1.0, (count, 1, 3))
    points = (centers + random.normal(0.0, size, (count, 3, 3))).reshape(-1, 3)
    return mesh_of(points, np.arange(3 * count).reshape(-1, 3))


def nearest_edge_distance(mesh: Mesh, faces, starts: FloatArray, rays: FloatArray) -> FloatArray:
    """How far in m each ray's plane hit lies from the nearest edge line of its face: small means doubtful."""
    corners = mesh.corners[faces]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals /= np.linalg.norm(normals, axis=1)[:, None]
    along = np.einsum("ij,ij->i", normals, corners[:, 0] - starts) / np.einsum("ij,ij->i", normals, rays)
    hits = starts + along[:, None] * rays
    distances = []
    for k in range(3):
        edge = corners[:, (k + 1) % 3] - corners[:, k]
        inward = np.cross(normals, edge / np.linalg.norm(edge, axis=1)[:, None])
        distances.append(np.abs(np.einsum("ij,ij->i", inward, hits - corners[:, k])))
    return np.min(distances, axis=0)


def agreement(one: BoolArray, two: BoolArray) -> float:
    """Share of places where two answers agree."""
    return float((np.asarray(one) == np.asarray(two)).mean())


def _grid_faces(rows: int, columns: int):
    i, j = np.meshgrid(np.arange(rows), np.arange(columns), indexing="ij")
    a = (i * (columns + 1) + j).ravel()
    b, c, d = a + columns + 1, a + 1, a + columns + 2
    return np.concatenate([np.stack([a, b, d], axis=1), np.stack([a, d, c], axis=1)])
