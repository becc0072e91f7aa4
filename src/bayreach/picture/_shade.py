"""From the side seen in each pixel to a picture: flat colours, hatches and feature edges, no lighting."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from bayreach import heatmap
from bayreach.arrays import IntArray
from bayreach.measure import face_normals
from bayreach.mesh import Mesh
from bayreach.picture._camera import Camera

EDGE = (38, 38, 38)
EDGE_ON_DARK = (205, 205, 205)
EDGE_ANGLE = np.radians(25.0)


def shaded(
    sides: IntArray,
    camera: Camera,
    mesh: Mesh,
    *,
    colours: NDArray[np.uint8],
    hatches: IntArray,
    factor: int,
) -> NDArray[np.uint8]:
    """Return the picture (h, w, 3) of the sides seen (h * factor, w * factor), shrunk by `factor`."""
    seen = sides >= 0
    safe_sides = np.where(seen, sides, 0)
    picture = np.where(seen[..., None], colours[safe_sides], np.uint8(255))
    marks = np.where(seen, hatches[safe_sides], heatmap.HATCH_NONE)
    picture = _hatched(picture, marks, factor)
    edges = _edges(np.where(seen, sides // 2, -1), camera, mesh)
    # Lines on dark colours are drawn light; 90 of 255 parts them well for both colour tables.
    on_dark = edges & (picture.astype(np.float64) @ [0.2126, 0.7152, 0.0722] < 90.0)
    picture[edges] = EDGE
    picture[on_dark] = EDGE_ON_DARK
    height, width = picture.shape[0] // factor, picture.shape[1] // factor
    blocks = picture.reshape(height, factor, width, factor, 3).astype(np.uint16)
    shrunk: NDArray[np.uint8] = (blocks.sum(axis=(1, 3)) // factor**2).astype(np.uint8)
    return shrunk


def _hatched(picture: NDArray[np.uint8], marks: IntArray, factor: int) -> NDArray[np.uint8]:
    pitch = 9 * factor
    row, column = np.ogrid[: marks.shape[0], : marks.shape[1]]
    slanted = (row + column) % pitch < 2 * factor
    rising = (row - column) % pitch < 2 * factor
    dotted = ((row % pitch) < 2 * factor) & ((column % pitch) < 2 * factor)
    light = np.array((255, 255, 255), dtype=np.uint8)
    dark = np.array((90, 90, 90), dtype=np.uint8)
    picture[(marks == heatmap.HATCH_SLANTED) & slanted] = light
    picture[(marks == heatmap.HATCH_CROSSED) & (slanted | rising)] = dark
    picture[(marks == heatmap.HATCH_DOTTED) & dotted] = light
    return picture


def _edges(faces: IntArray, camera: Camera, mesh: Mesh) -> NDArray[np.bool_]:
    """Return which pixels lie on an outline, a fold over 25 degrees, or a step in depth."""
    corners = mesh.corners
    normals = face_normals(mesh)
    away = corners[:, 0] - camera.center
    ahead = normals @ camera.forward
    ahead = np.where(np.abs(ahead) < 1e-9, 1e-9, ahead)
    # Depth of the face's plane at pixel (x, y): offset - x * slope_x - y * slope_y.
    offset = np.einsum("ij,ij->i", away, normals) / ahead
    slopes = np.stack([normals @ camera.right, normals @ camera.up], axis=1) / ahead[:, None]
    found = np.zeros(faces.shape, dtype=np.bool_)
    for axis in (0, 1):
        one = faces[:-1] if axis == 0 else faces[:, :-1]
        two = faces[1:] if axis == 0 else faces[:, 1:]
        rows, columns = np.nonzero(one != two)
        first, second = one[rows, columns], two[rows, columns]
        x = (columns + 0.5 - camera.width / 2) * camera.pixel
        y = (camera.height / 2 - rows - 0.5) * camera.pixel
        is_edge = _is_edge((first, second), (x, y), normals, (offset, slopes), camera.pixel)
        found[rows[is_edge], columns[is_edge]] = True
        found[rows[is_edge] + (axis == 0), columns[is_edge] + (axis == 1)] = True
    return found


def _is_edge(
    faces: tuple[IntArray, IntArray],
    place: tuple[NDArray[Any], NDArray[Any]],
    normals: NDArray[Any],
    planes: tuple[NDArray[Any], NDArray[Any]],
    pixel: float,
) -> NDArray[np.bool_]:
    (first, second), (x, y), (offset, slopes) = faces, place, planes
    outline = (first < 0) | (second < 0)
    one, two = np.maximum(first, 0), np.maximum(second, 0)
    folded = np.abs(np.einsum("ij,ij->i", normals[one], normals[two])) < np.cos(EDGE_ANGLE)
    depths = [offset[k] - x * slopes[k, 0] - y * slopes[k, 1] for k in (one, two)]
    steepness = 1.0 + np.abs(slopes[one]).sum(axis=1)
    stepped = np.abs(depths[0] - depths[1]) > 6.0 * pixel * np.minimum(steepness, 6.0)
    edge: NDArray[np.bool_] = outline | folded | stepped
    return edge
