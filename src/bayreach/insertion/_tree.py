"""A bounding-box tree over triangles (surface-area split) and the compiled questions asked of it.

A tree is five arrays: boxes (m, 6), the first child or first face (m,), the number of faces (m,), 0 for an
inner node, the corners in leaf order (n, 3, 3), and the face index of each place in that order (n,).
"""

import math

import numpy as np

from bayreach.arrays import FloatArray, IntArray
from bayreach.insertion._solid import (
    Vector,
    ball_triangle,
    box_span,
    cross,
    dot,
    less,
    point_triangle,
    segment_triangle,
)
from bayreach.rays.compiling import compiled

LEAF = 4
BINS = 12
Tree = tuple[FloatArray, IntArray, IntArray, FloatArray, IntArray]


def tree_of(corners: FloatArray) -> Tree:
    """Return the tree over `corners` (n, 3, 3) in m; no faces give one empty box that nothing meets."""
    n_faces = len(corners)
    if n_faces == 0:
        box = np.array([[math.inf] * 3 + [-math.inf] * 3])
        none = np.zeros(0, dtype=np.int64)
        return box, np.zeros(1, dtype=np.int64), np.zeros(1, dtype=np.int64), np.zeros((0, 3, 3)), none
    order = np.arange(n_faces)
    lows, highs = corners.min(axis=1), corners.max(axis=1)
    boxes, firsts, counts, n_nodes = _grown(np.hstack([lows, highs]), order)
    return (
        boxes[:n_nodes].copy(),
        firsts[:n_nodes].copy(),
        counts[:n_nodes].copy(),
        corners[order].copy(),
        order,
    )


@compiled
def _grown(face_boxes: FloatArray, order: IntArray) -> tuple[FloatArray, IntArray, IntArray, int]:
    n_faces = len(order)
    boxes = np.zeros((2 * n_faces + 1, 6))
    firsts = np.zeros(2 * n_faces + 1, dtype=np.int64)
    counts = np.zeros(2 * n_faces + 1, dtype=np.int64)
    waiting = [(0, 0, n_faces)]
    n_nodes = 1
    while len(waiting) > 0:
        node, start, stop = waiting.pop()
        boxes[node] = _union(face_boxes, order, start, stop)
        middle = _split(face_boxes, order, start, stop) if stop - start > LEAF else -1
        if middle < 0:
            firsts[node], counts[node] = start, stop - start
            continue
        firsts[node] = n_nodes
        waiting.append((n_nodes, start, middle))
        waiting.append((n_nodes + 1, middle, stop))
        n_nodes += 2
    return boxes, firsts, counts, n_nodes


@compiled
def _union(face_boxes: FloatArray, order: IntArray, start: int, stop: int) -> FloatArray:
    box: FloatArray = face_boxes[order[start]].copy()
    for i in range(start + 1, stop):
        for k in range(3):
            box[k] = min(box[k], face_boxes[order[i], k])
            box[k + 3] = max(box[k + 3], face_boxes[order[i], k + 3])
    return box


@compiled
def _split(face_boxes: FloatArray, order: IntArray, start: int, stop: int) -> int:
    """Part `order[start:stop]` in place at the bin border of least surface-area cost; return where."""
    centers = np.zeros((stop - start, 3))
    for i in range(start, stop):
        for k in range(3):
            centers[i - start, k] = face_boxes[order[i], k] + face_boxes[order[i], k + 3]
    low, high = centers[0].copy(), centers[0].copy()
    for i in range(len(centers)):
        for k in range(3):
            low[k], high[k] = min(low[k], centers[i, k]), max(high[k], centers[i, k])
    axis = int(np.argmax(high - low))
    width = high[axis] - low[axis]
    middle = start + (stop - start) // 2
    if width <= 0.0:
        return middle
    bins = np.zeros(stop - start, dtype=np.int64)
    for i in range(len(bins)):
        bins[i] = min(BINS - 1, int(BINS * (centers[i, axis] - low[axis]) / width))
    _sort_by_bin(order, start, stop, bins)
    return start + _best_border(face_boxes, order[start:stop], bins)


@compiled
def _sort_by_bin(order: IntArray, start: int, stop: int, bins: IntArray) -> None:
    """Sort `order[start:stop]` and `bins` by bin in place, keeping the order within each."""
    begins = np.zeros(BINS + 1, dtype=np.int64)
    for k in bins:
        begins[k + 1] += 1
    for k in range(BINS):
        begins[k + 1] += begins[k]
    faces, sorted_bins = order[start:stop].copy(), bins.copy()
    for i in range(stop - start):
        place = begins[sorted_bins[i]]
        begins[sorted_bins[i]] += 1
        order[start + place] = faces[i]
        bins[place] = sorted_bins[i]


@compiled
def _best_border(face_boxes: FloatArray, faces: IntArray, bins: IntArray) -> int:
    n_faces = len(faces)
    costs = np.full(n_faces, math.inf)
    for backwards in (False, True):
        box = face_boxes[faces[n_faces - 1 if backwards else 0]].copy()
        for step in range(n_faces - 1):
            i = n_faces - 1 - step if backwards else step
            for k in range(3):
                box[k] = min(box[k], face_boxes[faces[i], k])
                box[k + 3] = max(box[k + 3], face_boxes[faces[i], k + 3])
            a, b, c = box[3] - box[0], box[4] - box[1], box[5] - box[2]
            area = (a * b + b * c + c * a) * (step + 1)
            if backwards:
                costs[i] += area
            elif bins[i] != bins[i + 1]:
                costs[i + 1] = area
    return int(np.argmin(costs))


@compiled
def _corner(corners: FloatArray, i: int, j: int) -> Vector:
    return (corners[i, j, 0], corners[i, j, 1], corners[i, j, 2])


@compiled
def first_touch(
    tree: Tree,
    o: Vector,
    d: Vector,
    start: float,
    stop: float,
    radius: float,
    extra: float,
    shares: FloatArray,
) -> tuple[float, int]:
    boxes, firsts, counts, corners, order = tree
    best, face = stop, -1
    stack = np.zeros(128, dtype=np.int64)
    depth = 1
    while depth > 0:
        depth -= 1
        node = stack[depth]
        if box_span(o, d, start, best, boxes[node], radius + extra) > best:
            continue
        if counts[node] == 0 and firsts[node] > 0:
            left = firsts[node]
            one = box_span(o, d, start, best, boxes[left], radius + extra)
            two = box_span(o, d, start, best, boxes[left + 1], radius + extra)
            stack[depth], stack[depth + 1] = (left + 1, left) if one <= two else (left, left + 1)
            depth += 2
            continue
        for i in range(firsts[node], firsts[node] + counts[node]):
            share = shares[order[i]]
            if share >= 0.0:
                a, b, c = _corner(corners, i, 0), _corner(corners, i, 1), _corner(corners, i, 2)
                u = ball_triangle(o, d, radius + share * extra, start, a, b, c)
                if u < best:
                    best, face = u, order[i]
    return best, face


@compiled
def touches(
    tree: Tree, origins: FloatArray, directions: FloatArray, starts: FloatArray, stops: FloatArray,
    radii: FloatArray, extras: FloatArray, shares: FloatArray,
) -> tuple[FloatArray, IntArray]:  # fmt: skip
    """Return how far each ball moves before it touches a face, and that face; see `_queries`."""
    n_rods = len(origins)
    reached = np.zeros(n_rods)
    faces = np.full(n_rods, -1)
    for k in range(n_rods):
        o = (origins[k, 0], origins[k, 1], origins[k, 2])
        d = (directions[k, 0], directions[k, 1], directions[k, 2])
        reached[k], faces[k] = first_touch(tree, o, d, starts[k], stops[k], radii[k], extras[k], shares)
    return reached, faces


@compiled
def blocking_face(tree: Tree, p: Vector, q: Vector, radius: float, extra: float, shares: FloatArray) -> int:
    """Return a face that the capsule about segment pq cuts into, -1 where it is clear."""
    boxes, firsts, counts, corners, order = tree
    d = less(q, p)
    stack = np.zeros(128, dtype=np.int64)
    depth = 1
    while depth > 0:
        depth -= 1
        node = stack[depth]
        if box_span(p, d, 0.0, 1.0, boxes[node], radius + extra) > 1.0:
            continue
        if counts[node] == 0 and firsts[node] > 0:
            stack[depth], stack[depth + 1] = firsts[node], firsts[node] + 1
            depth += 2
            continue
        for i in range(firsts[node], firsts[node] + counts[node]):
            share = shares[order[i]]
            if share >= 0.0:
                reach = radius + share * extra
                a, b, c = _corner(corners, i, 0), _corner(corners, i, 1), _corner(corners, i, 2)
                if segment_triangle(p, q, a, b, c) < reach * reach:
                    return int(order[i])
    return -1


@compiled
def blockers(
    tree: Tree,
    starts: FloatArray,
    ends: FloatArray,
    radii: FloatArray,
    extras: FloatArray,
    shares: FloatArray,
) -> tuple[FloatArray, IntArray]:
    """Return the radii, and a face that each capsule cuts into, -1: clear; see `_queries`."""
    faces = np.full(len(starts), -1)
    for k in range(len(starts)):
        p = (starts[k, 0], starts[k, 1], starts[k, 2])
        q = (ends[k, 0], ends[k, 1], ends[k, 2])
        faces[k] = blocking_face(tree, p, q, radii[k], extras[k], shares)
    return radii, faces


@compiled
def _nearest(tree: Tree, p: Vector, q: Vector, limit: float) -> tuple[float, int]:
    boxes, firsts, counts, corners, order = tree
    best, face = limit, -1
    d = less(q, p)
    stack = np.zeros(128, dtype=np.int64)
    depth = 1
    while depth > 0:
        depth -= 1
        node = stack[depth]
        if box_span(p, d, 0.0, 1.0, boxes[node], best) > 1.0:
            continue
        if counts[node] == 0 and firsts[node] > 0:
            stack[depth], stack[depth + 1] = firsts[node], firsts[node] + 1
            depth += 2
            continue
        for i in range(firsts[node], firsts[node] + counts[node]):
            a, b, c = _corner(corners, i, 0), _corner(corners, i, 1), _corner(corners, i, 2)
            point = d[0] == 0.0 and d[1] == 0.0 and d[2] == 0.0
            gap = math.sqrt(point_triangle(p, a, b, c) if point else segment_triangle(p, q, a, b, c))
            if gap < best:
                best, face = gap, order[i]
    return best, face


@compiled
def gaps_of(tree: Tree, starts: FloatArray, ends: FloatArray, limit: float) -> tuple[FloatArray, IntArray]:
    """Return each segment's distance from the mesh and the nearest face; see `_queries`."""
    gaps, faces = np.zeros(len(starts)), np.full(len(starts), -1)
    for k in range(len(starts)):
        p = (starts[k, 0], starts[k, 1], starts[k, 2])
        q = (ends[k, 0], ends[k, 1], ends[k, 2])
        gaps[k], faces[k] = _nearest(tree, p, q, limit)
    return gaps, faces


@compiled
def ray_depths(
    origins: FloatArray, directions: FloatArray, triangles: FloatArray, owners: IntArray, n_owners: int
) -> FloatArray:
    """Return the least distance at which each ray meets a triangle of each owner; see `_queries`."""
    depths = np.full((len(origins), n_owners), math.inf)
    for c in range(len(triangles)):
        a = _corner(triangles, c, 0)
        ab, ac = less(_corner(triangles, c, 1), a), less(_corner(triangles, c, 2), a)
        for k in range(len(origins)):
            d = (directions[k, 0], directions[k, 1], directions[k, 2])
            p = cross(d, ac)
            det = dot(p, ab)
            if abs(det) > 1e-30:
                s = less((origins[k, 0], origins[k, 1], origins[k, 2]), a)
                q = cross(s, ab)
                u, v, t = dot(s, p) / det, dot(d, q) / det, dot(q, ac) / det
                if u >= -1e-9 and v >= -1e-9 and u + v <= 1.0 + 1e-9 and 1e-9 < t < depths[k, owners[c]]:
                    depths[k, owners[c]] = t
    return depths
