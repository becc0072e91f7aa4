"""Film of sides cut finer where it needs it: at borders of shadow and pattern, and close to the tip."""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from bayreach.arrays import BoolArray, FloatArray, IntArray
from bayreach.deposit._air import Air
from bayreach.deposit._sampled import Sampled, Spray, piece_errors, sample_values, sampled_film
from bayreach.measure import area_vectors
from bayreach.mesh import Mesh
from bayreach.rays import Scene
from bayreach.sampling import quarters, sample_weights
from bayreach.sight import Targets, samples_at, targets_of

DEEPEST = 4
"""Times that a piece of a side is quartered at most: its samples then stand for 1/1024 of the side each."""
LEAST = 0.25
"""Share of the mean film of lit sides that an error is laid against where a side's own film is less."""
SUM_SHARE = 0.2
"""Share of the error asked of a side that the sum over all may have: borders that lie alike do not cancel."""
WORST = 0.25
"""A piece is quartered where its error is more than this share of the greatest of its side."""
CORNER_ERROR = 0.06
"""Error of a piece as a share of what a corner has beyond what the samples let expect there."""
BESIDE = 0.7
"""Ratio of film between neighbours below which the corners of a side are asked about."""
PIECES_AT_ONCE = 1 << 17
"""Pieces quartered together: their samples' arrays take some 150 MB at most, however large the mesh."""
INSET = 0.02
"""How far corners are asked about inside the side, as a share of the way to its middle."""


@dataclass(kw_only=True, eq=False)
class _Leaves:
    """Pieces of sides that are not cut further, each with four samples.

    `place` (p,) of the side among the targets, `corners` (p, 3, 3) barycentric, `level` (p,) of quartering,
    `values` (p, 4) of its samples and `tips` (p, 3) of its corners in 1/m², the latter NaN where not asked.
    """

    place: IntArray
    corners: FloatArray
    level: IntArray
    values: FloatArray
    tips: FloatArray

    @cached_property
    def errors(self) -> tuple[FloatArray, FloatArray]:
        """Two (p,) float: errors for a border that crosses and for smooth film, as parts of the side's film.

        Corners are no part of the mean; where one has other film than the samples nearest to it and in the
        middle let expect, a border may cut it off.
        """
        edge, smooth = piece_errors(self.values)
        beyond = np.abs(self.tips - 2.0 * self.values[:, :3] + self.values[:, 3:])
        edge = np.maximum(edge, CORNER_ERROR * np.nan_to_num(beyond).max(axis=1))
        share = 0.25**self.level
        return share * edge, share * smooth

    @property
    def error(self) -> FloatArray:
        """(p,) float: the greater of both errors."""
        return np.maximum(*self.errors)

    def kept(self, which: BoolArray | IntArray) -> "_Leaves":
        """Return the leaves that `which` tells, a mask (p,) or places."""
        return _Leaves(**{name: getattr(self, name)[which] for name in self.__dataclass_fields__})

    def and_also(self, more: "_Leaves") -> "_Leaves":
        """Return these leaves and more."""
        both = {name: (getattr(self, name), getattr(more, name)) for name in self.__dataclass_fields__}
        return _Leaves(**{name: np.concatenate(pair) for name, pair in both.items()})


def refined_film(
    scene: Scene, targets: Targets, spray: Spray, air: Air | None, *, error: float, met: FloatArray
) -> Sampled:
    """Return the film of each target side, cut finer until its error is as asked or its pieces are smallest.

    A side is cut where its estimated error exceeds `error` times its film, or times a quarter of the mean of
    all lit sides where that is more; and, the greatest first, until the errors of all sides sum to `error` /
    5 of all film. Of such a side those pieces are quartered, again and again, whose error is at least a
    quarter of its worst piece's: the pieces that a border crosses. `met` (k,) is the film in 1/m² that rays
    met: where no sample is lit, it is the error to begin with.
    """
    whole = sampled_film(scene, targets_of(scene.mesh, targets.sides, 4), spray, air)
    leaves = _wholes(scene, targets.sides, whole, spray, air)
    film, unseen = whole.film, np.where(whole.film > 0.0, 0.0, met)
    across = np.maximum(leaves.error, unseen)
    for _ in range(DEEPEST):
        doubtful = _doubtful(targets.areas, film, whole.along + across, error)
        hopeful = (leaves.error > 0.0) | (unseen[leaves.place] > 0.0)
        split = doubtful[leaves.place] & (leaves.level < DEEPEST) & hopeful
        split &= leaves.error >= WORST * _greatest(leaves, targets.n_sides)[leaves.place]
        if not split.any():
            break
        finer = _quartered(scene, targets.sides, leaves.kept(split), spray, air)
        leaves = leaves.kept(~split).and_also(finer)
        film = _means(leaves, targets.n_sides)
        across, unseen = _summed(leaves, targets.n_sides), np.zeros(targets.n_sides)
    return replace(whole, film=film, across=across)


def _wholes(scene: Scene, sides: IntArray, whole: Sampled, spray: Spray, air: Air | None) -> _Leaves:
    """Return each side as one piece, its corners asked about where a border may be near."""
    n_sides = len(whole.film)
    leaves = _Leaves(
        place=np.arange(n_sides),
        corners=np.broadcast_to(np.eye(3), (n_sides, 3, 3)),
        level=np.zeros(n_sides, dtype=np.int64),
        values=whole.values.reshape(-1, 4),
        tips=np.full((n_sides, 3), np.nan),
    )
    asked = np.flatnonzero(_beside_other_film(scene.mesh, sides, whole.film, air) | (leaves.errors[0] > 0.0))
    tips = leaves.tips.copy()
    tips[asked] = _values_at(scene, sides[asked], leaves.corners[asked], spray, air)
    return replace(leaves, tips=tips)


def _values_at(scene: Scene, side: IntArray, spots: FloatArray, spray: Spray, air: Air | None) -> FloatArray:
    """Return what barycentric `spots` (p, n, 3) of each `side` (p,), which rises, get (p, n) in 1/m².

    Spots on an edge are asked about a little inside, where no other face touches.
    """
    n = spots.shape[1]
    inside = np.where((spots <= 0.0).any(axis=2, keepdims=True), spots * (1 - INSET) + INSET / 3, spots)
    samples = samples_at(scene.mesh, np.repeat(side, n), inside.reshape(-1, 3))
    values = sample_values(scene, samples, [spray], air)
    return np.asarray(values[0].reshape(-1, n))


def _beside_other_film(mesh: Mesh, sides: IntArray, film: FloatArray, air: Air | None) -> BoolArray:
    """Return the sides (k,) near which a border may run: mask of those whose neighbours have other film.

    That is where films round a corner are less than `BESIDE` of each other, among sides that look the same
    way (the axis that their normals are nearest to); and a dark side that touches any lit one. Sides of
    different bays are no neighbours.
    """
    corners = mesh.corners[sides // 2]
    normal = area_vectors(corners)
    axis = np.abs(normal).argmax(axis=1)
    back = (normal[np.arange(len(sides)), axis] < 0.0) ^ (sides % 2 == 1)
    bay = np.zeros(len(sides), dtype=np.int64) if air is None else air.side_bay[sides] + 1
    point = mesh.faces[sides // 2] + len(mesh.points) * bay[:, None]
    low, high = _extremes(6 * point + (2 * axis + back)[:, None], film)
    _, highest = _extremes(point, film)
    return np.asarray((low < BESIDE * high) | ((film <= 0.0) & (highest > 0.0)))


def _extremes(keys: IntArray, film: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the least and the greatest film (k,) of sides that share one of the `keys` (k, 3)."""
    _, node = np.unique(keys, return_inverse=True)
    node = node.reshape(keys.shape)
    n_nodes = int(node.max(initial=-1)) + 1
    least, most = np.full(n_nodes, np.inf), np.zeros(n_nodes)
    np.minimum.at(least, node, film[:, None])
    np.maximum.at(most, node, film[:, None])
    return least[node].min(axis=1), most[node].max(axis=1)


def _doubtful(areas: FloatArray, film: FloatArray, errors: FloatArray, error: float) -> BoolArray:
    """Return the sides (k,) whose error is too large, for their own film or for the sum of all."""
    lit = film > 0.0
    if not lit.any():
        return lit
    least = LEAST * float(np.average(film[lit], weights=areas[lit]))
    doubtful = np.asarray(errors > error * np.maximum(film, least))
    amounts = errors * areas
    order = np.argsort(-amounts, kind="stable")
    before = amounts.sum() - np.concatenate([[0.0], np.cumsum(amounts[order])[:-1]])
    doubtful[order[before > SUM_SHARE * error * float(film @ areas)]] = True
    return doubtful


def _greatest(leaves: _Leaves, n_sides: int) -> FloatArray:
    """Return the greatest error (k,) of any piece of each side."""
    greatest = np.zeros(n_sides)
    np.maximum.at(greatest, leaves.place, leaves.error)
    return greatest


def _means(leaves: _Leaves, n_sides: int) -> FloatArray:
    """Return the film (k,) of each side: the sum of its pieces'."""
    film = np.bincount(leaves.place, 0.25**leaves.level * leaves.values.mean(axis=1), minlength=n_sides)
    return np.asarray(film, dtype=np.float64)


def _summed(leaves: _Leaves, n_sides: int) -> FloatArray:
    """Return the error (k,) of each side.

    Errors of pieces that a border crosses are independent, so their squares add; of smooth film they add as
    they are.
    """
    edge, smooth = leaves.errors
    crossed = edge > smooth
    edges = np.bincount(leaves.place, np.where(crossed, edge, 0.0) ** 2, minlength=n_sides)
    rest = np.bincount(leaves.place, np.where(crossed, 0.0, smooth), minlength=n_sides)
    return np.asarray(np.sqrt(edges) + rest)


def _quartered(scene: Scene, sides: IntArray, pieces: _Leaves, spray: Spray, air: Air | None) -> _Leaves:
    """Return the quarters of pieces, each sampled four times, so many at a time that no array is large."""
    order = np.argsort(pieces.place, kind="stable")
    cuts = range(0, len(order), PIECES_AT_ONCE)
    parts = [pieces.kept(order[first : first + PIECES_AT_ONCE]) for first in cuts]
    finer = _quarters(scene, sides, parts[0], spray, air)
    for part in parts[1:]:
        finer = finer.and_also(_quarters(scene, sides, part, spray, air))
    return finer


def _quarters(scene: Scene, sides: IntArray, pieces: _Leaves, spray: Spray, air: Air | None) -> _Leaves:
    """Return the quarters of pieces that stand in the order of their sides.

    What lies in their middles and at the corners of the piece is known already; asked are three samples of
    each and the three corners that they share.
    """
    corners = np.einsum("qcv,pvk->pqck", quarters(), pieces.corners)
    n = len(corners)
    spots = np.einsum("sc,pqck->pqsk", sample_weights(4)[:3], corners).reshape(n, 12, 3)
    spots = np.concatenate([spots, corners[:, 3]], axis=1)  # the middle quarter's corners: of bc, ca, ab
    found = _values_at(scene, sides[pieces.place], spots, spray, air)
    values = np.concatenate([found[:, :12].reshape(n, 4, 3), pieces.values[:, :, None]], axis=2)
    # Columns a, b, c, bc, ca, ab; a row for each quarter, as `quarters` has them.
    tips = np.concatenate([pieces.tips, found[:, 12:]], axis=1)[
        :, [[0, 5, 4], [5, 1, 3], [4, 3, 2], [3, 4, 5]]
    ]
    return _Leaves(
        place=np.repeat(pieces.place, 4),
        corners=corners.reshape(-1, 3, 3),
        level=np.repeat(pieces.level + 1, 4),
        values=values.reshape(-1, 4),
        tips=tips.reshape(-1, 3),
    )
