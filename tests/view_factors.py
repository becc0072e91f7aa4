"""Shapes whose view factors are catalogued, and the share of rays from one to another."""

import math

import numpy as np

from bayreach import measure
from bayreach.mesh import Mesh, mesh_of
from bayreach.rays import Scene
from bayreach.sampling import zone_directions

RAYS = 100_000
"""Rays a view factor; a share s counted on them errs by sqrt(s (1 - s) / RAYS)."""


def rectangle(corner: object, u: object, v: object) -> Mesh:
    """Return a rectangle of two faces; its front faces along u x v."""
    a, b, c = (np.asarray(x, dtype=float) for x in (corner, u, v))
    return mesh_of([a, a + b, a + b + c, a + c], [[0, 1, 2], [0, 2, 3]])


def ring(inner: float, outer: float, z: float, n: int = 720) -> Mesh:
    """Return a flat ring (a disk where `inner` is 0) facing up, its area that of the round one."""
    angle = 2 * np.pi * np.arange(n) / n
    grow = math.sqrt(2 * math.pi / n / math.sin(2 * math.pi / n))
    circle = np.stack([np.cos(angle), np.sin(angle), np.zeros(n)], axis=1) * grow
    points = np.concatenate([inner * circle, outer * circle]) + np.array([0, 0, z])
    k, ahead = np.arange(n), (np.arange(n) + 1) % n
    faces = np.concatenate([np.c_[k, k + n, ahead + n], np.c_[k, ahead + n, ahead]])
    return mesh_of(points, faces)


def wall(radius: float, height: float, n: int = 720) -> Mesh:
    """Return an upright tube from z = 0, front inside."""
    angle = 2 * np.pi * np.arange(n) / n
    circle = np.stack([np.cos(angle), np.sin(angle), np.zeros(n)], axis=1) * radius
    points = np.concatenate([circle, circle + np.array([0, 0, height])])
    k, ahead = np.arange(n), (np.arange(n) + 1) % n
    return mesh_of(points, np.concatenate([np.c_[k, ahead + n, ahead], np.c_[k, k + n, ahead + n]]))


def sphere(radius: float, center: object, steps: int = 5) -> Mesh:
    """Return an icosphere, front outside."""
    import trimesh

    ball = trimesh.creation.icosphere(subdivisions=steps, radius=radius)
    return mesh_of(ball.vertices + np.asarray(center), ball.faces)


def view_factor(emitter: Mesh, receiver: Mesh, seed: int = 1) -> float:
    """Return the share of rays that leave `emitter`'s front by the cosine law and hit `receiver`."""
    random = np.random.default_rng(seed)
    areas = measure.face_areas(emitter)
    face = random.choice(emitter.n_faces, RAYS, p=areas / areas.sum())
    u, v = np.sort(random.uniform(size=(2, RAYS)), axis=0)
    corners = emitter.corners[face]
    starts = u[:, None] * corners[:, 0] + (v - u)[:, None] * corners[:, 1] + (1 - v)[:, None] * corners[:, 2]
    normal = measure.face_normals(emitter)[face]
    cosine, turn = np.sqrt(random.uniform(size=RAYS)), random.uniform(0, 2 * np.pi, RAYS)
    across = np.where(abs(normal[:, :1]) < 0.9, [[1.0, 0, 0]], [[0, 1.0, 0]])
    first = np.cross(normal, across)
    first /= np.linalg.norm(first, axis=1)[:, None]
    second = np.cross(normal, first)
    sine = np.sqrt(1 - cosine**2)
    rays = cosine[:, None] * normal
    rays += (sine * np.cos(turn))[:, None] * first + (sine * np.sin(turn))[:, None] * second
    faces, _ = Scene(receiver).first_hit(starts, rays)
    return float((faces >= 0).mean())


def seen_from_patch(point: object, normal: object, receiver: Mesh) -> float:
    """Return the share of a small flat cosine source's output that hits `receiver`."""
    axis = np.asarray(normal, dtype=float) / np.linalg.norm(np.asarray(normal, dtype=float))
    rays = zone_directions(RAYS, -1.0, 1.0)
    rays = rays[rays @ axis > 0]
    faces, _ = Scene(receiver).first_hit(np.tile(np.asarray(point, dtype=float), (len(rays), 1)), rays)
    cosines = rays @ axis
    return float(cosines[faces >= 0].sum() / cosines.sum())


def seen_from_point(point: object, receiver: Mesh) -> float:
    """Return the share of even rays from a point that hit `receiver`."""
    rays = zone_directions(RAYS, -1.0, 1.0)
    faces, _ = Scene(receiver).first_hit(np.tile(np.asarray(point, dtype=float), (RAYS, 1)), rays)
    return float((faces >= 0).mean())
