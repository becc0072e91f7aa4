"""Air regions from sides: sides joined round edges, islands joined by containment, the outside told apart."""

from dataclasses import dataclass

import numpy as np

from bayreach.arrays import OUTSIDE, BoolArray, FloatArray, IntArray
from bayreach.measure import area_vectors, winding_numbers
from bayreach.topology import groups, region_volumes, side_links

_FLAT_SHARE = 1e-11
"""A boundary of less volume than this share of area times diagonal encloses nothing but rounding."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Regions:
    """The air regions of a set of faces.

    Parameters
    ----------
    side_region : (2n,) int
        Region of each side, -1 outside.
    volumes : (r,) float
        Volume of each region in m³.
    outside_volume : float
        Signed volume that the outside's sides close off: minus the sum of the others.
    tied_edges : (t, 2) int
        Edges where two faces leave in the same direction.
    """

    side_region: IntArray
    volumes: FloatArray
    outside_volume: float
    tied_edges: IntArray


def regions_of(points: FloatArray, faces: IntArray) -> Regions:
    """Return the air regions that faces (n, 3) divide space into."""
    if not len(faces):
        return Regions(
            side_region=np.zeros(0, dtype=np.int64),
            volumes=np.zeros(0),
            outside_volume=0.0,
            tied_edges=np.zeros((0, 2), dtype=np.int64),
        )
    links = side_links(points, faces)
    n_shores, shore = groups(2 * len(faces), links.pairs)
    volumes = region_volumes(points, faces, shore, n_shores)
    corners = points[faces]
    areas = np.bincount(
        shore, weights=np.repeat(np.linalg.norm(area_vectors(corners), axis=1), 2), minlength=n_shores
    )
    diagonal = float(np.linalg.norm(np.ptp(corners.reshape(-1, 3), axis=0)))
    closed = volumes > _FLAT_SHARE * areas * diagonal
    host = _hosts(corners, shore, volumes, closed)
    number = np.full(n_shores, OUTSIDE, dtype=np.int64)
    number[closed] = np.arange(int(closed.sum()))
    number = np.where(closed, number, np.where(host >= 0, number[np.maximum(host, 0)], OUTSIDE))
    side_region = number[shore]
    total = np.bincount(number + 1, volumes, int(closed.sum()) + 1).astype(np.float64)
    return Regions(
        side_region=side_region,
        volumes=total[1:],
        outside_volume=float(total[0]),
        tied_edges=links.tied_edges,
    )


def _hosts(corners: FloatArray, shore: IntArray, volumes: FloatArray, closed: BoolArray) -> IntArray:
    """Return, for each shore that closes off no air itself, the smallest one round it, or -1."""
    host = np.full(len(volumes), -1, dtype=np.int64)
    enclosing = np.flatnonzero(closed)
    islands = np.flatnonzero(~closed)
    if not len(enclosing) or not len(islands):
        return host
    low, high = _boxes(corners, shore, len(volumes))
    probes = _probes(corners, shore, islands)
    slack = 1e-9 * float(np.linalg.norm(high.max(axis=0) - low.min(axis=0)))
    # From the largest to the smallest: the last that holds a probe is the innermost. Few shores enclose an
    # island's box.
    for candidate in enclosing[np.argsort(-volumes[enclosing], kind="stable")]:
        within = (low[islands] >= low[candidate] - slack).all(axis=1) & (
            high[islands] <= high[candidate] + slack
        ).all(axis=1)
        rows = np.flatnonzero(within)
        if not len(rows):
            continue
        wound = winding_numbers(probes[rows], outward_corners(corners, np.flatnonzero(shore == candidate)))
        host[islands[rows[wound > 0.5]]] = candidate
    return host


def outward_corners(corners: FloatArray, sides: IntArray) -> FloatArray:
    """Return the corners (k, 3, 3) of sides, turned so that their normals leave the air they look on."""
    chosen = corners[sides // 2]
    front = sides % 2 == 0
    chosen[front] = chosen[front][:, ::-1]
    return chosen


def _boxes(corners: FloatArray, shore: IntArray, n_shores: int) -> tuple[FloatArray, FloatArray]:
    low, high = np.full((n_shores, 3), np.inf), np.full((n_shores, 3), -np.inf)
    np.minimum.at(low, shore, np.repeat(corners.min(axis=1), 2, axis=0))
    np.maximum.at(high, shore, np.repeat(corners.max(axis=1), 2, axis=0))
    return low, high


def _probes(corners: FloatArray, shore: IntArray, wanted: IntArray) -> FloatArray:
    """Return a point in the air just off the largest side of each wanted shore."""
    vectors = area_vectors(corners)
    areas = np.linalg.norm(vectors, axis=1)
    order = np.lexsort((np.repeat(areas, 2), shore))
    last = np.concatenate([np.flatnonzero(np.diff(shore[order])), [len(order) - 1]])
    largest = np.zeros(int(shore.max()) + 1, dtype=np.int64)
    largest[shore[order[last]]] = order[last]
    side = largest[wanted]
    face = side // 2
    normal = (
        vectors[face] / np.maximum(areas[face, None], 1e-300) * np.where(side % 2 == 0, 1.0, -1.0)[:, None]
    )
    step = np.minimum(
        1e-6 * float(np.linalg.norm(np.ptp(corners.reshape(-1, 3), axis=0))), 1e-3 * np.sqrt(areas[face])
    )
    return np.asarray(corners[face].mean(axis=1) + step[:, None] * normal)
