"""Cut-outs at the foot of thick webs: two runs of sharp rim each, which begin and end on another skin."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from bayreach.arrays import FloatArray, IntArray, unit_vectors
from bayreach.bays._hubs import runs_of
from bayreach.bays._loops import loop_center, loop_length, loop_vector
from bayreach.topology import groups

_STRAIGHT_RUN = 0.01
"""A run that closes off less than this share of its length squared is an edge, no cut-out."""

_UPRIGHT = 0.5
"""Cosine to a cut-out's axis below which a face beside its rim is wall, above which it is skin."""

_OPPOSITE = 0.9
"""Least cosine between the axes of two runs, and between each and the way to the other."""

_LONGEST = 4.0
"""A cut-out deeper than its width times this is no cut-out through a web."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Notch:
    """The two rims of a cut-out, each a run of points with its ends on another skin, and some of its wall."""

    faces: IntArray
    rims: tuple[IntArray, IntArray]
    thickness: float
    axis: FloatArray


class _Run:
    """A run of rim with both ends on another skin, closed by the straight line between them."""

    def __init__(self, points: FloatArray, run: IntArray, beside: IntArray, normals: FloatArray) -> None:
        ring = points[run]
        self.run = run
        self.center = loop_center(ring)
        vector = loop_vector(ring)
        self.area = float(np.linalg.norm(vector))
        self.axis = unit_vectors(vector)
        self.is_flat = self.area < _STRAIGHT_RUN * loop_length(ring) ** 2
        units = unit_vectors(normals[beside])
        along = units @ self.axis
        is_wall = np.abs(along) < _UPRIGHT
        self.wall = beside[is_wall]
        # Weighed by the edges they stand at, which the middle of each tells: two faces an edge, in turn.
        middles = np.repeat(0.5 * (ring[:-1] + ring[1:]), 2, axis=0)
        length = np.repeat(np.linalg.norm(np.diff(ring, axis=0), axis=1), 2)
        inward = np.einsum("ij,ij->i", units, self.center - middles) > 0
        self.is_hole = bool(length[is_wall & inward].sum() > 0.95 * length[is_wall].sum() > 0)
        self.out = 1.0 if (along * length)[~is_wall].sum() > 0 else -1.0


def notches(points: FloatArray, edges: IntArray, beside: IntArray, normals: FloatArray) -> list[Notch]:
    """Return the cut-outs that runs of sharp rim edges (k, 2) show.

    Two runs belong to one where they lie on the two skins of a web, opposite each other: each skin turns away
    from the other run, and the wall beside each is turned to its middle. A tab that stands on a skin has such
    runs too, but its wall is turned outwards.

    Parameters
    ----------
    points : (p, 3) float
    edges : (k, 2) int
    beside : (k, 2) int
        The two faces at each edge.
    normals : (n, 3) float
        Area vectors of all faces, into the air.
    """
    found = [run for run in _open_runs(points, edges, beside, normals) if run.is_hole and not run.is_flat]
    if not found:
        return []
    out, taken = [], set()
    tree = cKDTree(np.stack([run.center for run in found]))
    # Cut-outs are few; each takes the nearest run that may be its other rim.
    for k, one in enumerate(found):
        near = tree.query_ball_point(one.center, _LONGEST * np.sqrt(one.area))
        others = [m for m in sorted(near) if m not in taken and m != k and _are_opposite(one, found[m])]
        if k in taken or not others:
            continue
        away = [float(np.linalg.norm(found[m].center - one.center)) for m in others]
        other = found[others[int(np.argmin(away))]]
        taken |= {k, others[int(np.argmin(away))]}
        arm = other.center - one.center
        out.append(
            Notch(
                faces=np.union1d(one.wall, other.wall),
                rims=(one.run, other.run),
                thickness=float(np.linalg.norm(arm)),
                axis=unit_vectors(arm),
            )
        )
    return out


def _are_opposite(one: _Run, other: _Run) -> bool:
    arm = other.center - one.center
    size = float(np.linalg.norm(arm))
    if not 0 < size < _LONGEST * np.sqrt(one.area) or not 0.25 < other.area / one.area < 4.0:
        return False
    first, second = one.out * float(one.axis @ arm), other.out * float(other.axis @ arm)
    return first < -_OPPOSITE * size and second > _OPPOSITE * size


def _open_runs(points: FloatArray, edges: IntArray, beside: IntArray, normals: FloatArray) -> list[_Run]:
    """Return the runs of edges that have two ends and branch nowhere."""
    if not len(edges):
        return []
    names, local = np.unique(edges, return_inverse=True)
    local = local.reshape(-1, 2)
    degree = np.bincount(local.ravel(), minlength=len(names))
    count, label = groups(len(names), local)
    is_run = (np.bincount(label, degree == 1, count) == 2) & (np.bincount(label, degree > 2, count) == 0)
    mine = is_run[label[local[:, 0]]]
    place = {tuple(sorted(ends)): k for k, ends in enumerate(edges.tolist())}
    runs, _ = runs_of(edges[mine])
    return [
        _Run(
            points,
            run,
            beside[
                [
                    place[min(a, b), max(a, b)]
                    for a, b in zip(run[:-1].tolist(), run[1:].tolist(), strict=True)
                ]
            ].ravel(),
            normals,
        )
        for run in runs
    ]
