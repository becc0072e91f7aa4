"""Plates with round holes, and boxes made of them, with their bays and openings written by hand."""

import math
from types import SimpleNamespace
from typing import Any

import numpy as np

from bayreach.arrays import OUTSIDE
from bayreach.mesh import Mesh, joined, mesh_of

SEGMENTS = 64


def circle(diameter: float, segments: int = SEGMENTS) -> np.ndarray:
    """Return the corners (k, 2) of the polygon whose *inscribed* circle has the diameter."""
    turns = 2.0 * np.pi * (np.arange(segments) + 0.5) / segments
    return diameter / 2.0 / math.cos(math.pi / segments) * np.stack([np.cos(turns), np.sin(turns)], axis=1)


def plate(*, center, normal, size=(0.4, 0.4), holes=(), part="plate", thickness=0.0, up=(0, 0, 1.0)) -> Mesh:
    """Make a flat plate about `center`; `holes` are (y, z, diameter) in its plane; sheet or thick."""
    normal = np.asarray(normal, dtype=float)
    second = np.asarray(up, dtype=float)
    first = np.cross(second, normal)
    flat, faces = _flat(size, holes)
    offsets = (0.0,) if thickness == 0.0 else (-thickness / 2.0, thickness / 2.0)
    meshes = [
        mesh_of(np.asarray(center) + flat[:, :1] * first + flat[:, 1:] * second + shift * normal, faces, part)
        for shift in offsets
    ]
    for y, z, diameter in holes if thickness else ():
        rim = circle(diameter) + np.array([y, z])
        ring = np.asarray(center) + rim[:, :1] * first + rim[:, 1:] * second
        count = len(ring)
        points = np.concatenate([ring + shift * normal for shift in offsets])
        here, ahead = np.arange(count), np.roll(np.arange(count), -1)
        wall = np.concatenate(
            [
                np.stack([here, ahead, here + count], axis=1),
                np.stack([ahead, ahead + count, here + count], axis=1),
            ]
        )
        meshes.append(mesh_of(points, wall, part))
    return joined(meshes)


def _flat(size, holes) -> tuple[np.ndarray, np.ndarray]:
    from shapely import Polygon
    from trimesh.creation import triangulate_polygon

    y, z = size[0] / 2.0, size[1] / 2.0
    rims = [circle(diameter) + np.array([at_y, at_z]) for at_y, at_z, diameter in holes]
    points, faces = triangulate_polygon(Polygon([(-y, -z), (y, -z), (y, z), (-y, z)], rims), engine="earcut")
    return np.asarray(points, dtype=float), np.asarray(faces)


def opening(
    name, center, normal, diameter, links, *, kind="found", thickness=0.0, up=(0, 0, 1.0)
) -> SimpleNamespace:
    """Make a round opening; its rim is the polygon that `plate` cuts."""
    normal, second = np.asarray(normal, dtype=float), np.asarray(up, dtype=float)
    first = np.cross(second, normal)
    flat = circle(diameter)
    center = np.asarray(center, dtype=float)
    return SimpleNamespace(
        name=name, kind=kind, center=center, normal=normal, diameter=diameter,
        equivalent_diameter=diameter, area=math.pi * diameter**2 / 4.0,
        rim=center + flat[:, :1] * first + flat[:, 1:] * second, links=links, thickness=thickness,
    )  # fmt: skip


def bays_of(mesh: Mesh, names, openings, side_bay=None) -> Any:
    """Make bays by name, and caps over the openings' rims."""
    points, faces, index = [np.zeros((0, 3))], [np.zeros((0, 3), dtype=int)], [np.zeros(0, dtype=int)]
    start = 0
    for place, hole in enumerate(openings):
        count = len(hole.rim)
        points.append(np.concatenate([hole.rim, hole.center[None]]))
        here = np.arange(count)
        faces.append(start + np.stack([here, np.roll(here, -1), np.full(count, count)], axis=1))
        index.append(np.full(count, place))
        start += count + 1
    bays = tuple(SimpleNamespace(name=name, index=k, area=1.0, volume=1.0) for k, name in enumerate(names))
    return SimpleNamespace(
        mesh=mesh, bays=bays, openings=tuple(openings), cap_points=np.concatenate(points),
        cap_faces=np.concatenate(faces), cap_opening=np.concatenate(index),
        side_bay=np.full(mesh.n_sides, OUTSIDE) if side_bay is None else side_bay,
        cap_links=np.array([openings[k].links for k in np.concatenate(index)], dtype=int).reshape(-1, 2),
    )  # fmt: skip


def ribbed_box(*, ribs=(0.2, 0.4, 0.6), length=0.8, entry=0.03, holes=None, drop=None) -> tuple[Mesh, Any]:
    """Make a square tube along x with ribs; its end plate "end" at x = 0 has the opening "port".

    Walls are 0.2 m wide. Rib k has one lightening hole "hole k" of 40 mm, `drop[k]` m off the axis in z.
    """
    holes = holes or [0.04] * len(ribs)
    drop = drop or [0.0] * len(ribs)
    axis = (1.0, 0, 0)
    walls = [
        plate(center=(0, 0, 0), normal=axis, size=(0.2, 0.2), holes=[(0, 0, entry)], part="end"),
        plate(center=(length, 0, 0), normal=axis, size=(0.2, 0.2), part="far end"),
    ]
    for at, size, shift, number in zip(ribs, holes, drop, range(len(ribs)), strict=True):
        name = f"rib {number + 1}"
        walls.append(
            plate(center=(at, 0, 0), normal=axis, size=(0.2, 0.2), holes=[(0, shift, size)], part=name)
        )
    for side, name in ((0.1, "top"), (-0.1, "bottom")):
        walls.append(
            plate(
                center=(length / 2, 0, side),
                normal=(0, 0, 1.0),
                size=(0.2, length),
                part=name,
                up=(1.0, 0, 0),
            )
        )
    for side, name in ((0.1, "left"), (-0.1, "right")):
        walls.append(plate(center=(length / 2, side, 0), normal=(0, 1.0, 0), size=(length, 0.2), part=name))
    mesh = joined(walls)
    openings = [opening("port", (0, 0, 0), axis, entry, (OUTSIDE, 0))]
    openings += [
        opening(f"hole {k + 1}", (ribs[k], 0, drop[k]), axis, holes[k], (k, k + 1)) for k in range(len(ribs))
    ]
    return mesh, bays_of(mesh, [f"bay {k + 1}" for k in range(len(ribs) + 1)], openings)


def two_bays(hole, height, window, *extra):
    """Return the ground of a box with a bay over a shelf `height` above its port, and the port.

    A window in the shelf, 60 mm wide, stands about x = `window`; the skin with the port is in x = 0.
    """
    from bayreach.bays import find_bays
    from bayreach.insertion import space_of
    from bayreach.rays import Scene
    from bayreach.reach import Care, ground_of
    from bayreach.repair import mend

    middle, deep = 0.2, 0.4
    sheets = [
        plate(center=(0, 0, 0), normal=(1.0, 0, 0), holes=[(0, 0, hole)], part="skin"),
        plate(center=(deep, 0, 0), normal=(1.0, 0, 0), size=(0.4, 0.4), part="end"),
        plate(
            center=(middle, 0, height), normal=(0, 0, 1.0), up=(1.0, 0, 0), size=(0.4, deep), part="shelf",
            holes=[(0, window - middle, 0.06)],
        ),
    ]  # fmt: skip
    for side in (0.2, -0.2):
        sheets.append(
            plate(center=(middle, 0, side), normal=(0, 0, 1.0), up=(1.0, 0, 0), size=(0.4, deep), part="wall")
        )
        sheets.append(
            plate(center=(middle, side, 0), normal=(0, 1.0, 0), up=(1.0, 0, 0), size=(0.4, deep), part="wall")
        )
    bays = find_bays(mend(joined(sheets))[0])
    space = space_of(bays.mesh, bays, joined(extra) if extra else None)
    port = next(each for each in bays.openings if OUTSIDE in each.links)
    upper = max(bays.bays, key=lambda bay: bay.box[1][2])
    care = Care(aims=16, samples=4, tips=2)
    return ground_of(space, Scene(bays.mesh), care=care), port, upper
