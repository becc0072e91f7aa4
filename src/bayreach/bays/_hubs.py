"""Caps on branching rims: each run between two branching points filled towards one point that all share."""

import numpy as np

from bayreach.arrays import FloatArray, IntArray, unit_vectors
from bayreach.bays._flat import Cap, fitted_plane
from bayreach.measure import area_vectors, nearest_on_triangles

_NODES_AT_MOST = 24
"""A rim with more branching points is no hole at a seam but the edge of an open panel."""

_IN_SIGHT = 0.05
"""Share of the way to a corner that is left out when asking whether a shared point sees it."""


def runs_of(edges: IntArray) -> tuple[list[IntArray], list[IntArray]]:
    """Return the runs of edges (k, 2) between branching points, and the loops that end where they began.

    Every point has two edges or more; a run is an ordered array of points with both its ends, a loop has
    its branching point once.
    """
    steps: dict[int, list[int]] = {}
    for a, b in edges.tolist():
        steps.setdefault(a, []).append(b)
        steps.setdefault(b, []).append(a)
    nodes = {point for point, ahead in steps.items() if len(ahead) != 2}
    runs, loops, seen = [], [], set()
    # A run is a walk by nature; rims are short beside the mesh.
    for node in sorted(nodes):
        for first in steps[node]:
            if (node, first) in seen:
                continue
            walk = [node, first]
            while walk[-1] not in nodes:
                a, b = steps[walk[-1]]
                walk.append(b if a == walk[-2] else a)
            seen |= {(walk[0], walk[1]), (walk[-1], walk[-2])}
            if walk[0] == walk[-1]:
                loops.append(np.array(walk[:-1], dtype=np.int64))
            else:
                runs.append(np.array(walk, dtype=np.int64))
    return runs, loops


def hub_of(points: FloatArray, runs: list[IntArray], sheets: dict[tuple[int, int], FloatArray]) -> FloatArray:
    """Return the point (3,) nearest to the planes of all sheets along the runs, in m.

    Where those planes meet in a line or lie in one, it is the point of it nearest to the middle of the
    branching points: on the seam that the hole interrupts, or on the corner where several meet.
    """
    pairs = [pair for run in runs for pair in zip(run[:-1].tolist(), run[1:].tolist(), strict=True)]
    normals = np.array([sheets[pair] if pair in sheets else sheets[pair[::-1]] for pair in pairs])
    feet, ahead = (points[[pair[k] for pair in pairs]] for k in (0, 1))
    # Each sheet counts by the length of its rim, however that is divided.
    weight = np.sqrt(np.linalg.norm(ahead - feet, axis=1))
    middle = points[np.unique([run[k] for run in runs for k in (0, -1)])].mean(axis=0)
    rise = np.einsum("ij,ij->i", normals, feet - middle)
    return np.asarray(middle + np.linalg.pinv(normals * weight[:, None], rcond=1e-3) @ (rise * weight))


def hub_caps(points: FloatArray, runs: list[IntArray], hub: int, corners: FloatArray) -> list[Cap] | None:
    """Return a cap for each run, filled towards the point `hub`; None where that point does not see the rim.

    `corners` (n, 3, 3) are those of the mesh, which may stand in the way.
    All caps share the lines from the branching points to the hub, so that they part the spaces that meet
    there as the sheets would without the hole.
    """
    nodes = np.unique([run[k] for run in runs for k in (0, -1)])
    rim = np.unique(np.concatenate(runs))
    if len(nodes) > _NODES_AT_MOST or not _sees(corners, points[hub], points[rim]):
        return None
    caps = []
    for run in runs:
        faces = np.stack([run[:-1], run[1:], np.full(len(run) - 1, hub)], axis=1)
        vectors = area_vectors(points[faces])
        total = vectors.sum(axis=0)
        if not np.linalg.norm(total) > 0 or (vectors @ unit_vectors(total)).min() <= 0:
            return None
        caps.append(_fan(points, np.append(run, hub), faces))
    return caps


def _sees(corners: FloatArray, hub: FloatArray, rim: FloatArray) -> bool:
    """Return whether no face (n, 3, 3) passes between the hub and any corner (k, 3) of the rim.

    In double precision, face by face: the sheets round the rim lie edge-on to these lines, which rays in
    single precision cannot tell from lying across them.
    """
    size = float(np.linalg.norm(np.ptp(rim, axis=0)))
    low, high = np.minimum(rim.min(axis=0), hub), np.maximum(rim.max(axis=0), hub)
    near = corners[((corners.min(axis=1) <= high) & (corners.max(axis=1) >= low)).all(axis=1)]
    normals = unit_vectors(area_vectors(near))
    start = np.einsum("ij,ij->i", normals, hub - near[:, 0])
    for end in rim + _IN_SIGHT * (hub - rim):
        height = np.einsum("ij,ij->i", normals, end - near[:, 0])
        across = (start * height < 0) & (np.minimum(np.abs(start), np.abs(height)) > 1e-6 * size)
        share = start[across] / (start[across] - height[across])
        places = hub + share[:, None] * (end - hub)
        feet = nearest_on_triangles(places, near[across])
        if (np.linalg.norm(feet - places, axis=1) < 1e-6 * size).any():
            return False
    return True


def _fan(points: FloatArray, rim: IntArray, faces: IntArray) -> Cap:
    import shapely

    plane, _ = fitted_plane(points[rim])
    flat = plane.flat(points[rim])
    shape = shapely.make_valid(shapely.Polygon(flat))
    parts = [part for part in shapely.get_parts(shape) if part.geom_type == "Polygon"]
    largest = max(parts, key=lambda part: float(part.area)) if parts else shapely.Polygon(flat)
    return Cap(faces=faces, rim=rim, flat=flat, shape=largest, planar=False, in_sheet=True)
