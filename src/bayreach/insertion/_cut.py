"""Holes not drilled yet, cut out of the faces they lie in, so that a wand may meet the rest of them."""

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from bayreach.arrays import FloatArray, IntArray, plane_across, unit_vectors
from bayreach.insertion._space import Space, faces_in_hole
from bayreach.mesh import Mesh

if TYPE_CHECKING:
    from bayreach.bays import Opening

CORNERS = 48
"""Corners of the polygon that stands for a round hole; its inscribed circle is the hole."""


def with_holes_cut(space: Space, holes: "tuple[Opening, ...]") -> Space:
    """Return a space in which holes of kind "proposed" are cut; the rest of the faces they cut stays solid.

    Faces keep their parts. What is left of a cut face counts as rim.
    """
    from bayreach.insertion._tree import tree_of

    solid, rim = space.solid, space.rim
    for hole in (hole for hole in holes if hole.kind == "proposed"):
        cut = faces_in_hole(solid, hole)
        pieces, parts = _rest_of(solid, cut, hole)
        kept = np.setdiff1d(np.arange(solid.n_faces), cut)
        count = len(solid.points)
        solid = Mesh(
            points=np.concatenate([solid.points, pieces.reshape(-1, 3)]),
            faces=np.concatenate([solid.faces[kept], count + np.arange(3 * len(pieces)).reshape(-1, 3)]),
            face_parts=np.concatenate([solid.face_parts[kept], parts]),
            part_names=solid.part_names,
        )
        rim = np.concatenate([rim[kept], np.ones(len(pieces), dtype=np.bool_)])
    if solid is space.solid:
        return space
    return replace(space, solid=solid, rim=rim, tree=tree_of(np.array(solid.corners)))


def _rest_of(mesh: Mesh, faces: IntArray, hole: "Opening") -> tuple[FloatArray, IntArray]:
    """Return the triangles (k, 3, 3) that are left of `faces` outside the hole, and the part (k,) of each."""
    from shapely import Polygon, constrained_delaunay_triangles

    axis = unit_vectors(hole.normal)
    plane = plane_across(axis).T
    turns = 2.0 * np.pi * (np.arange(CORNERS) + 0.5) / CORNERS
    radius = hole.diameter / 2.0 / np.cos(np.pi / CORNERS)
    disc = Polygon(radius * np.stack([np.cos(turns), np.sin(turns)], axis=1))
    pieces: list[FloatArray] = []
    parts: list[int] = []
    for face in faces:  # a hole lies in a handful of faces
        corners = mesh.corners[face]
        flat = (corners - hole.center) @ plane
        rest = Polygon(flat).difference(disc)
        for polygon in (part for part in _polygons(rest) if part.area > 1e-12):
            triangles = constrained_delaunay_triangles(polygon)
            for triangle in triangles.geoms:
                pieces.append(_lifted(np.array(triangle.exterior.coords)[:3], flat, corners))
                parts.append(int(mesh.face_parts[face]))
    return np.array(pieces).reshape(-1, 3, 3), np.array(parts, dtype=np.int64)


def _polygons(shape: Any) -> list[Any]:
    kinds = getattr(shape, "geoms", [shape])
    return [kind for kind in kinds if kind.geom_type == "Polygon"]


def _lifted(flat: FloatArray, corners_flat: FloatArray, corners: FloatArray) -> FloatArray:
    """Return points (3, 3) of a face's plane from their places (3, 2) in the hole's plane."""
    edges = corners_flat[1:] - corners_flat[0]
    shares = np.linalg.solve(edges.T, (flat - corners_flat[0]).T).T
    lifted: FloatArray = corners[0] + shares @ (corners[1:] - corners[0])
    return lifted
