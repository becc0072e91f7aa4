"""A tree of boxes of our own, for machines without Embree: built by binned surface areas."""

import numpy as np
from numpy.typing import NDArray

from bayreach.arrays import FloatArray
from bayreach.mesh import Mesh
from bayreach.rays.compiling import compiled

_BINS = 16
_LEAF = 4


def tree_of(
    mesh: Mesh, origin: FloatArray
) -> tuple[NDArray[np.float32], NDArray[np.int32], NDArray[np.float32], NDArray[np.int32]]:
    """Return boxes (b, 6), links (b, 3), triangles (n, 9) and faces (n,) of a mesh, as `Tracer` wants them.

    Each node is cut where the sum of area times number of faces of both parts is least (surface area
    heuristic, Goldsmith and Salmon 1987, in bins after Wald 2007); local coordinates are counted from
    `origin`.
    """
    corners = np.ascontiguousarray((mesh.points - origin).astype(np.float32)[mesh.faces])
    order = np.arange(mesh.n_faces, dtype=np.int32)
    boxes = np.zeros((max(1, 2 * mesh.n_faces), 6), dtype=np.float32)
    links = np.zeros((max(1, 2 * mesh.n_faces), 3), dtype=np.int32)
    count = _build(corners.min(axis=1), corners.max(axis=1), order, boxes, links)
    triangles = np.ascontiguousarray(corners[order].reshape(-1, 9))
    return boxes[:count].copy(), links[:count].copy(), triangles, order


@compiled
def _build(
    least: NDArray[np.float32],
    most: NDArray[np.float32],
    order: NDArray[np.int32],
    boxes: NDArray[np.float32],
    links: NDArray[np.int32],
) -> int:
    """Fill boxes and links, sort `order` into the tree's order, return the number of nodes."""
    waiting = np.zeros((2 * len(order) + 2, 3), dtype=np.int32)
    waiting[0, 2] = len(order)
    left, used = 1, 1
    while left > 0:
        left -= 1
        node, start, end = waiting[left]
        _wrap(least, most, order[start:end], boxes[node])
        axis, cut = -1, 0.0
        if end - start > _LEAF:
            axis, cut = _best_cut(least, most, order[start:end])
        if axis < 0:
            links[node, 0], links[node, 1] = start, end - start
            continue
        middle = start + _part(least[:, axis] + most[:, axis], order[start:end], cut)
        if middle in (start, end):
            middle = (start + end) // 2
        links[node, 0], links[node, 2] = used, axis
        waiting[left, 0], waiting[left, 1], waiting[left, 2] = used, start, middle
        waiting[left + 1, 0], waiting[left + 1, 1], waiting[left + 1, 2] = used + 1, middle, end
        left, used = left + 2, used + 2
    return used


@compiled
def _wrap(
    least: NDArray[np.float32], most: NDArray[np.float32], faces: NDArray[np.int32], box: NDArray[np.float32]
) -> None:
    box[:3] = np.inf
    box[3:] = -np.inf
    for face in faces:
        for k in range(3):
            box[k] = min(box[k], least[face, k])
            box[3 + k] = max(box[3 + k], most[face, k])


@compiled
def _half_area(box: NDArray[np.float32]) -> float:
    x, y, z = box[3] - box[0], box[4] - box[1], box[5] - box[2]
    return float(x * y + y * z + z * x)


@compiled
def _best_cut(
    least: NDArray[np.float32], most: NDArray[np.float32], faces: NDArray[np.int32]
) -> tuple[int, float]:
    """Return the axis and twice the coordinate of the cheapest cut; axis -1 where all middles coincide."""
    best, best_axis, best_cut = np.inf, -1, 0.0
    low, high = np.full(3, np.inf), np.full(3, -np.inf)
    for face in faces:
        for k in range(3):
            middle = np.float64(least[face, k] + most[face, k])
            low[k], high[k] = min(low[k], middle), max(high[k], middle)
    for axis in range(3):
        width = high[axis] - low[axis]
        if width <= 0.0:
            continue
        counts = np.zeros(_BINS, dtype=np.int64)
        bins = np.zeros((_BINS, 6), dtype=np.float32)
        bins[:, :3] = np.inf
        bins[:, 3:] = -np.inf
        for face in faces:
            middle = np.float64(least[face, axis] + most[face, axis])
            place = min(_BINS - 1, int((middle - low[axis]) / width * _BINS))
            counts[place] += 1
            for k in range(3):
                bins[place, k] = min(bins[place, k], least[face, k])
                bins[place, 3 + k] = max(bins[place, 3 + k], most[face, k])
        costs = _cut_costs(counts, bins)
        for place in range(_BINS - 1):
            if costs[place] < best:
                best, best_axis = costs[place], axis
                best_cut = low[axis] + width * (place + 1) / _BINS
    return best_axis, best_cut


@compiled
def _cut_costs(counts: NDArray[np.int64], bins: NDArray[np.float32]) -> FloatArray:
    """Return area times number of both parts for a cut behind each bin; infinite where a part is empty."""
    costs = np.full(_BINS - 1, np.inf)
    below = np.zeros(_BINS - 1)
    number = 0
    box = np.full(6, -np.inf).astype(np.float32)
    box[:3] = np.inf
    for place in range(_BINS - 1):
        number += counts[place]
        for k in range(3):
            box[k] = min(box[k], bins[place, k])
            box[3 + k] = max(box[3 + k], bins[place, 3 + k])
        below[place] = number * _half_area(box) if number > 0 else np.inf
    number = 0
    box[:3] = np.inf
    box[3:] = -np.inf
    for back in range(_BINS - 1):
        place = _BINS - 1 - back
        number += counts[place]
        for k in range(3):
            box[k] = min(box[k], bins[place, k])
            box[3 + k] = max(box[3 + k], bins[place, 3 + k])
        if number > 0:
            costs[place - 1] = below[place - 1] + number * _half_area(box)
    return costs


@compiled
def _part(middles: NDArray[np.float32], faces: NDArray[np.int32], cut: float) -> int:
    """Move faces whose middle lies before the cut to the front; return their number."""
    front = 0
    for place in range(len(faces)):
        face = faces[place]
        if middles[face] < cut:
            faces[place], faces[front] = faces[front], face
            front += 1
    return front
