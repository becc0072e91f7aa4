"""Conforming splits: an edge gets a point, and every face on that edge is split there."""

from dataclasses import dataclass

import numpy as np

from bayreach.arrays import FloatArray, IntArray
from bayreach.mesh import Mesh
from bayreach.topology import Edges, edges_of

_MOST_ROUNDS = 64


@dataclass(frozen=True, kw_only=True, eq=False)
class Refined:
    """A finer mesh of the same shape.

    Parameters
    ----------
    mesh : Mesh
        The finer mesh; its first points are those of the old one, in the same order.
    source_faces : (n,) int
        The old face that each new one is a piece of.
    """

    mesh: Mesh
    source_faces: IntArray


def split_at(faces: IntArray, edges: Edges, points_on: IntArray) -> tuple[IntArray, IntArray]:
    """Return faces split where an edge has a point, and the old face of each new one.

    Parameters
    ----------
    faces : (n, 3) int
        Faces, turned alike before and after.
    edges : Edges
        Their edges.
    points_on : (e,) int
        Point to put on each edge, -1 for none.
    """
    on = points_on[edges.of_faces]
    n_split = (on >= 0).sum(axis=1)
    index = np.arange(len(faces))
    pieces, sources = [faces[n_split == 0]], [index[n_split == 0]]
    for wanted, cut in ((1, _one_split), (2, _two_splits), (3, _three_splits)):
        rows = index[n_split == wanted]
        if len(rows):
            new = cut(*_turned(faces[rows], on[rows]))
            pieces += new
            sources += [rows] * len(new)
    out, source = np.concatenate(pieces), np.concatenate(sources)
    order = np.argsort(source, kind="stable")
    return out[order], source[order]


def _turned(faces: IntArray, on: IntArray) -> tuple[IntArray, IntArray]:
    """Turn each face so that its first edge is split, and with two splits its last is not."""
    is_on = on >= 0
    first = np.where(is_on.sum(axis=1) == 2, (is_on.argmin(axis=1) + 1) % 3, is_on.argmax(axis=1))
    turn = (first[:, None] + np.arange(3)) % 3
    return np.take_along_axis(faces, turn, axis=1), np.take_along_axis(on, turn, axis=1)


def _one_split(faces: IntArray, on: IntArray) -> list[IntArray]:
    a, b, c, m = *faces.T, on[:, 0]
    return [np.stack([a, m, c], axis=1), np.stack([m, b, c], axis=1)]


def _two_splits(faces: IntArray, on: IntArray) -> list[IntArray]:
    a, b, c, m, n = *faces.T, on[:, 0], on[:, 1]
    return [np.stack(rows, axis=1) for rows in ((m, b, n), (a, m, n), (a, n, c))]


def _three_splits(faces: IntArray, on: IntArray) -> list[IntArray]:
    a, b, c, m, n, o = *faces.T, *on.T
    return [np.stack(rows, axis=1) for rows in ((a, m, o), (m, b, n), (o, n, c), (m, n, o))]


def subdivided(mesh: Mesh, longest_edge: float) -> Refined:
    """Return a conforming refinement with no edge longer than `longest_edge` (m); parts and shape are kept.

    Every edge that is too long is halved, and every face on it with it, until none is. Edges shorter than
    the limit stay whole.

    Raises
    ------
    ValueError
        When the limit is not positive.
    """
    if not longest_edge > 0:
        message = f"longest_edge: {longest_edge} m given, it must be positive."
        raise ValueError(message)
    points, faces, source = mesh.points, mesh.faces, np.arange(mesh.n_faces)
    for _ in range(_MOST_ROUNDS):
        edges = edges_of(faces)
        length = np.linalg.norm(points[edges.ends[:, 1]] - points[edges.ends[:, 0]], axis=1)
        long = length > longest_edge * (1 + 1e-12)
        if not long.any():
            break
        # Only the longest edge of a face is halved in a round, so that pieces stay well shaped.
        worst = np.take_along_axis(edges.of_faces, length[edges.of_faces].argmax(axis=1)[:, None], axis=1)[
            :, 0
        ]
        chosen = np.zeros(len(long), dtype=bool)
        chosen[worst] = True
        chosen &= long
        points, faces, piece = _halved(points, faces, edges, chosen)
        source = source[piece]
    refined = Mesh(points=points, faces=faces, face_parts=mesh.face_parts[source], part_names=mesh.part_names)
    return Refined(mesh=refined, source_faces=source)


def _halved(
    points: FloatArray, faces: IntArray, edges: Edges, chosen: np.ndarray
) -> tuple[FloatArray, IntArray, IntArray]:
    points_on = np.full(len(edges.ends), -1, dtype=np.int64)
    points_on[chosen] = len(points) + np.arange(int(chosen.sum()))
    middles = points[edges.ends[chosen]].mean(axis=1)
    new_faces, source = split_at(faces, edges, points_on)
    return np.concatenate([points, middles]), new_faces, source
