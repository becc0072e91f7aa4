"""Round holes cut into sheets."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import BoolArray, FloatArray, IntArray, unit_vectors
from bayreach.errors import MeshError
from bayreach.measure import area_vectors, nearest_on_triangles
from bayreach.mesh import Mesh
from bayreach.repair._mend import WELD_SHARE, mend
from bayreach.units import significant


@dataclass(frozen=True, kw_only=True, eq=False)
class HoleCut:
    """A mesh with a round hole in it.

    Parameters
    ----------
    mesh : Mesh
        The mesh with the hole.
    source_faces : (n,) int
        The old face that each new one is (a piece of).
    removed_area : float
        One-sided area cut away, in m².
    """

    mesh: Mesh
    source_faces: IntArray
    removed_area: float


def with_round_hole(
    mesh: Mesh,
    center: ArrayLike,
    normal: ArrayLike,
    diameter: float,
    reach: float | None = None,
    *,
    segments: int = 32,
) -> HoleCut:
    """Return the mesh with a round hole through the sheet at `center`.

    The hole is the regular polygon of `segments` sides inscribed in the circle, swept along `normal`. It
    cuts the
    sheet nearest to `center` and whatever lies within `reach` (m) of the centre along the normal; sheets
    farther off stay whole.

    Parameters
    ----------
    mesh : Mesh
        Mended mesh.
    center : (3,) float
        In m, on the sheet.
    normal : (3,) float
        Direction of the drill.
    diameter : float
        In m.
    reach : float, optional
        Half the depth cut along the normal; half the diameter where None.
    segments : int
        Corners of the hole.

    Raises
    ------
    MeshError
        When no sheet is there.
    """
    center = np.asarray(center, dtype=np.float64)
    axes = _axes(np.asarray(normal, dtype=np.float64))
    reach = 0.5 * diameter if reach is None else reach
    local = (mesh.corners - center) @ axes.T
    touched = _touched_faces(mesh, local, center, diameter, reach)
    ring = _ring(0.5 * diameter, segments)
    pieces, piece_source, removed = [], [], 0.0
    for face in np.flatnonzero(touched):
        # Few faces lie under a hole; each is cut in its own plane by a polygon library.
        corners, area = _cut_face(local[face], ring)
        removed += area
        pieces.append(corners)
        piece_source.append(np.full(len(corners), face, dtype=np.int64))
    if removed == 0.0:
        away = np.linalg.norm(
            nearest_on_triangles(np.broadcast_to(center, (mesh.n_faces, 3)), mesh.corners) - center, axis=1
        )
        message = (
            f"no sheet within {significant(1e3 * reach)} mm of the hole at {np.round(center, 4).tolist()} m: "
            f"the nearest face is {significant(1e3 * float(away.min()))} mm away; "
            "move it onto a face or turn the normal."
        )
        raise MeshError(message)
    return _assembled(
        mesh, touched, np.concatenate(pieces) @ axes + center, np.concatenate(piece_source), removed
    )


def _axes(normal: FloatArray) -> FloatArray:
    """Return rows u, v, n of a right-handed frame."""
    n = unit_vectors(normal)
    first = np.zeros(3)
    first[np.abs(n).argmin()] = 1.0
    u = unit_vectors(np.cross(first, n))
    return np.stack([u, np.cross(n, u), n])


def _ring(radius: float, segments: int) -> FloatArray:
    angle = 2 * np.pi * np.arange(segments) / segments
    return radius * np.stack([np.cos(angle), np.sin(angle)], axis=1)


def _touched_faces(
    mesh: Mesh, local: FloatArray, center: FloatArray, diameter: float, reach: float
) -> BoolArray:
    """Return a mask of faces that the drill meets within its reach, edge-on ones left out."""
    radius = 0.5 * diameter
    low, high = local.min(axis=1), local.max(axis=1)
    near = (low[:, :2] < radius).all(axis=1) & (high[:, :2] > -radius).all(axis=1)
    near &= (low[:, 2] <= reach) & (high[:, 2] >= -reach)
    vectors = area_vectors(local)
    slope = np.abs(vectors[:, 2]) / np.maximum(np.linalg.norm(vectors, axis=1), 1e-300)
    near = np.asarray(near & (slope > 0.05))
    rows = np.flatnonzero(near)
    foot = _depth_over_axis(local[rows])
    near[rows] = np.abs(foot) <= reach
    return near


def _depth_over_axis(local: FloatArray) -> FloatArray:
    """Return the height along the drill of the point of each face nearest to its axis."""
    flat = local.copy()
    flat[:, :, 2] = 0.0
    foot = nearest_on_triangles(np.zeros((len(local), 3)), flat)
    vectors = area_vectors(local)
    rise = -(vectors[:, :2] / vectors[:, 2:]) if len(local) else np.zeros((0, 2))
    return np.asarray(local[:, 0, 2] + np.einsum("ij,ij->i", rise, foot[:, :2] - local[:, 0, :2]))


def _cut_face(local: FloatArray, ring: FloatArray) -> tuple[FloatArray, float]:
    """Return the triangles (k, 3, 3) left of one face outside the ring, and the area removed."""
    import shapely

    triangle = shapely.Polygon(local[:, :2])
    rest = shapely.difference(triangle, shapely.Polygon(ring))
    area = float(np.linalg.norm(area_vectors(local)))
    flat_area = float(triangle.area)
    removed = max(0.0, flat_area - float(rest.area)) * area / flat_area
    if removed <= 1e-12 * area:
        return local[None], 0.0
    flat = triangles_of(rest)
    vectors = area_vectors(local)
    height = local[0, 2] - ((flat - local[0, :2]) @ vectors[:2]) / vectors[2]
    corners = np.concatenate([flat, height[..., None]], axis=2)
    if vectors[2] < 0:
        corners = corners[:, ::-1]
    return corners, removed


def triangles_of(shape: object) -> FloatArray:
    """Return triangles (k, 3, 2), anticlockwise, that fill a polygon or several, on their own corners."""
    import shapely

    polygons = [part for part in shapely.get_parts(shape) if part.geom_type == "Polygon" and part.area > 0]
    pieces = [shapely.get_parts(shapely.constrained_delaunay_triangles(polygon)) for polygon in polygons]
    if not pieces:
        return np.zeros((0, 3, 2))
    flat: FloatArray = shapely.get_coordinates(np.concatenate(pieces)).reshape(-1, 4, 2)[:, :3]
    span = flat[:, 1:] - flat[:, :1]
    turned = span[:, 0, 0] * span[:, 1, 1] - span[:, 0, 1] * span[:, 1, 0] < 0
    flat[turned] = flat[turned][:, ::-1]
    return flat


def _assembled(
    mesh: Mesh, touched: BoolArray, corners: FloatArray, source: IntArray, removed: float
) -> HoleCut:
    """Join untouched faces and pieces, weld along shared edges and split what touches."""
    kept = np.flatnonzero(~touched)
    points = np.concatenate([mesh.points, corners.reshape(-1, 3)])
    new = len(mesh.points) + np.arange(3 * len(corners)).reshape(-1, 3)
    sources = np.concatenate([kept, source])
    # Parts carry the old face's number through the mending, so that each new face knows where it came from.
    numbered = Mesh(
        points=points,
        faces=np.concatenate([mesh.faces[kept], new]),
        face_parts=sources,
        part_names=("",) * mesh.n_faces,
    )
    mended, _ = mend(numbered, weld=1e-3 * WELD_SHARE * mesh.diagonal, imprint=False)
    source_faces = np.array(mended.face_parts)
    whole = Mesh(
        points=mended.points,
        faces=mended.faces,
        face_parts=mesh.face_parts[source_faces],
        part_names=mesh.part_names,
    )
    return HoleCut(mesh=whole, source_faces=source_faces, removed_area=removed)
