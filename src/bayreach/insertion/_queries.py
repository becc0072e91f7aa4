"""The questions asked of a tree on arrays, in parts on all cores where there is enough to do."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np

from bayreach.arrays import FloatArray, IntArray
from bayreach.insertion import _tree
from bayreach.insertion._tree import Tree, tree_of
from bayreach.rays import cores

__all__ = ["Tree", "blocking_faces", "cap_depths", "first_touches", "nearest_faces", "tree_of"]

PART = 2000
"""Rods a part; the compiled code lets go of the interpreter's lock."""


def first_touches(
    tree: Tree, *, origins: FloatArray, directions: FloatArray, starts: FloatArray, stops: FloatArray,
    radii: FloatArray, extras: FloatArray, shares: FloatArray,
) -> tuple[FloatArray, IntArray]:  # fmt: skip
    """Return how far each ball moves along its direction before it touches a face, and that face (-1: none).

    Ball k starts at origin + start * direction and goes to `stops[k]`. `shares` (n,) is how much of a ball's
    `extras` each face asks beyond its radius; a face below 0 is as if absent.
    """
    return _in_parts(_tree.touches, tree, (origins, directions, starts, stops, radii, extras), _plain(shares))


def blocking_faces(
    tree: Tree,
    *,
    starts: FloatArray,
    ends: FloatArray,
    radii: FloatArray,
    extras: FloatArray,
    shares: FloatArray,
) -> IntArray:
    """Return a face that each capsule (starts, ends (m, 3); radii (m,)) cuts into; -1: clear."""
    faces: IntArray = _in_parts(_tree.blockers, tree, (starts, ends, radii, extras), _plain(shares))[1]
    return faces


def nearest_faces(
    tree: Tree, *, starts: FloatArray, ends: FloatArray, limit: float
) -> tuple[FloatArray, IntArray]:
    """Return each segment's distance (m,) from the mesh, at most `limit`, and the nearest face (-1: none)."""
    return _in_parts(_tree.gaps_of, tree, (starts, ends), limit)


def cap_depths(
    origins: FloatArray, directions: FloatArray, triangles: FloatArray, owners: IntArray, n_owners: int
) -> FloatArray:
    """Return the least distance (m, o) at which each ray meets a triangle of each owner, edges too.

    `triangles` (c, 3, 3) belong to `owners` (c,).
    """
    origins, directions, triangles = _plain(origins), _plain(directions), _plain(triangles)
    owned = np.array(owners, dtype=np.int64)
    return _tree.ray_depths(origins, directions, triangles, owned, n_owners)


def _plain(values: FloatArray) -> FloatArray:
    """Return a contiguous, writable array: compiled code is made once for those, again for any other kind."""
    array = np.ascontiguousarray(values, dtype=np.float64)
    return array if array.flags.writeable else array.copy()


def _in_parts(
    ask: Callable[..., Any], tree: Tree, rods: tuple[FloatArray, ...], shared: Any
) -> tuple[Any, Any]:
    """Return two arrays that `ask` answers for the rods, each an array over them, and what they share."""
    plain = [_plain(each) for each in rods]
    count = len(plain[0])
    rows = [slice(first, min(first + PART, count)) for first in range(0, count, PART)] or [slice(0, 0)]

    def part(here: slice) -> tuple[Any, Any]:
        answer: tuple[Any, Any] = ask(tree, *(each[here] for each in plain), shared)
        return answer

    if len(rows) == 1:
        return part(rows[0])
    with ThreadPoolExecutor(max_workers=cores()) as pool:
        answers = list(pool.map(part, rows))
    return np.concatenate([one for one, _ in answers]), np.concatenate([two for _, two in answers])
