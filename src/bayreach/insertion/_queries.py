"""The questions asked of a tree on arrays, in parts on all cores where there is enough to do."""

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np

from bayreach.arrays import FloatArray, IntArray
from bayreach.insertion import _tree
from bayreach.insertion._tree import Tree, tree_of

__all__ = [
    "Tree",
    "blocked_bodies",
    "blocking_faces",
    "cap_depths",
    "first_touches",
    "nearest_faces",
    "tree_of",
]

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
    origins, directions, starts, stops = _plain(origins), _plain(directions), _plain(starts), _plain(stops)
    radii, extras, shares = _plain(radii), _plain(extras), _plain(shares)
    return _in_parts(
        len(origins),
        lambda rows: _tree.touches(
            tree,
            origins[rows],
            directions[rows],
            starts[rows],
            stops[rows],
            radii[rows],
            extras[rows],
            shares,
        ),
    )


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
    starts, ends, radii, extras, shares = (_plain(each) for each in (starts, ends, radii, extras, shares))

    def ask(rows: slice) -> tuple[IntArray, IntArray]:
        found = _tree.blockers(tree, starts[rows], ends[rows], radii[rows], extras[rows], shares)
        return found, found

    faces: IntArray = _in_parts(len(starts), ask)[0]
    return faces


def blocked_bodies(
    tree: Tree, *, starts: FloatArray, ends: FloatArray, radii: FloatArray, extras: FloatArray,
    rotations: FloatArray, origins: FloatArray, shares: FloatArray,
) -> tuple[IntArray, IntArray]:  # fmt: skip
    """Return, for each pose of a body of capsules, a face that it cuts and the capsule that does; -1: clear.

    The capsules (c, 3) are given in the body's frame; pose k carries x to `rotations[k]` x + `origins[k]`.
    `extras` (k, c) is what each face asks of a capsule beyond its radius, by the face's share; a capsule
    below 0 is as if absent.
    """
    starts, ends, radii, extras, shares = (_plain(each) for each in (starts, ends, radii, extras, shares))
    rotations, origins = _plain(rotations), _plain(origins)
    return _in_parts(
        len(origins),
        lambda rows: _tree.body_blockers(
            tree, starts, ends, radii, extras[rows], rotations[rows], origins[rows], shares
        ),
        part=PART // 10,
    )


def nearest_faces(
    tree: Tree, *, starts: FloatArray, ends: FloatArray, limit: float
) -> tuple[FloatArray, IntArray]:
    """Return each segment's distance (m,) from the mesh, at most `limit`, and the nearest face (-1: none)."""
    starts, ends = _plain(starts), _plain(ends)
    return _in_parts(len(starts), lambda rows: _tree.gaps_of(tree, starts[rows], ends[rows], limit))


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


def _in_parts(count: int, ask: Callable[[slice], tuple[Any, Any]], part: int = PART) -> tuple[Any, Any]:
    rows = [slice(first, min(first + part, count)) for first in range(0, count, part)] or [slice(0, 0)]
    if len(rows) == 1:
        return ask(rows[0])
    with ThreadPoolExecutor(max_workers=_cores()) as pool:
        answers = list(pool.map(ask, rows))
    return np.concatenate([one for one, _ in answers]), np.concatenate([two for _, two in answers])


def _cores() -> int:
    if hasattr(os, "sched_getaffinity"):
        return max(1, len(os.sched_getaffinity(0)))
    return os.cpu_count() or 1
