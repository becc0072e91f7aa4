"""Film of sides cut finer where it needs it: at borders of shadow and pattern, and close to the tip."""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from bayreach.arrays import BUDGET, BoolArray, FloatArray, IntArray
from bayreach.deposit._air import Air
from bayreach.deposit._sampled import (
    EDGE_BOUND,
    Sampled,
    Spray,
    piece_bounds,
    piece_errors,
    sample_values,
    sampled_film,
)
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
"""Pieces quartered together at most: their samples' arrays take some 50 MB each."""
PIECE_BYTES, QUARTERED_BYTES, SAMPLED_BYTES = 72, 480, 128
"""Bytes of the largest arrays: of a piece its corners; of one that is quartered its 15 samples in blocks,
which may not be full; of a side at first its four samples in blocks."""
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
    def beyond(self) -> FloatArray:
        """(p,) float: most by which a corner has other film than the samples let expect; 0 if not asked."""
        off = np.abs(self.tips - 2.0 * self.values[:, :3] + self.values[:, 3:])
        return np.asarray(np.nan_to_num(off).max(axis=1))

    @cached_property
    def errors(self) -> tuple[FloatArray, FloatArray]:
        """Two (p,) float: errors for a border that crosses and for smooth film, as parts of the side's film.

        Corners are no part of the mean; where one has other film than the samples nearest to it and in the
        middle let expect, a border may cut it off.
        """
        edge, smooth = piece_errors(self.values)
        edge = np.maximum(edge, CORNER_ERROR * self.beyond)
        share = 0.25**self.level
        return share * edge, share * smooth

    @property
    def within(self) -> FloatArray:
        """(p,) float: what the error of each piece keeps within, as a part of the side's film."""
        most = np.maximum(piece_bounds(self.values), EDGE_BOUND * self.beyond)
        return np.asarray(0.25**self.level * most, dtype=np.float64)

    @property
    def error(self) -> FloatArray:
        """(p,) float: the greater of both errors."""
        return np.maximum(*self.errors)

    def kept(self, which: BoolArray | IntArray) -> "_Leaves":
        """Return the leaves that `which` tells, a mask (p,) or places."""
        return _Leaves(**{name: getattr(self, name)[which] for name in self.__dataclass_fields__})

    def and_also(self, *more: "_Leaves") -> "_Leaves":
        """Return these leaves and more."""
        all_of = {
            name: [getattr(self, name), *(getattr(one, name) for one in more)]
            for name in self.__dataclass_fields__
        }
        return _Leaves(**{name: np.concatenate(arrays) for name, arrays in all_of.items()})


@dataclass(frozen=True, kw_only=True, eq=False)
class _Span:
    """The pieces of the target sides `first` to `last` - 1."""

    first: int
    last: int
    leaves: _Leaves

    @property
    def _row(self) -> IntArray:
        """(p,) int: the side of each piece, counted from the first of the span."""
        return self.leaves.place - self.first

    @cached_property
    def means(self) -> FloatArray:
        """(n,) float: film of each side in 1/m², the sum of its pieces'."""
        weights = 0.25**self.leaves.level * self.leaves.values.mean(axis=1)
        return np.bincount(self._row, weights, self.last - self.first).astype(np.float64)

    @cached_property
    def errors(self) -> FloatArray:
        """(n,) float: error of each side in 1/m².

        Errors of pieces that a border crosses are independent, so their squares add; of smooth film they add
        as they are.
        """
        edge, smooth = self.leaves.errors
        crossed = edge > smooth
        edges = np.bincount(self._row, np.where(crossed, edge, 0.0) ** 2, self.last - self.first)
        rest = np.bincount(self._row, np.where(crossed, 0.0, smooth), self.last - self.first)
        return np.asarray(np.sqrt(edges) + rest)

    @property
    def within(self) -> FloatArray:
        """(n,) float: what the error of each side keeps within in 1/m², the sum of its pieces'."""
        return np.bincount(self._row, self.leaves.within, self.last - self.first).astype(np.float64)

    def worst(self, doubtful: BoolArray, unseen: FloatArray) -> BoolArray:
        """Return the pieces (p,) to be quartered: of `doubtful` sides (k,) those that err most.

        Where rays met a side and no sample did, `unseen` (k,) is above nought, and its pieces are as good as
        any.
        """
        leaves = self.leaves
        greatest = np.zeros(self.last - self.first)
        np.maximum.at(greatest, self._row, leaves.error)
        hopeful = (leaves.error > 0.0) | (unseen[leaves.place] > 0.0)
        split = doubtful[leaves.place] & (leaves.level < DEEPEST) & hopeful
        return np.asarray(split & (leaves.error >= WORST * greatest[self._row]))

    def cut(self, split: BoolArray, most: int) -> list[tuple["_Span", BoolArray]]:
        """Return the span in parts of `most` pieces once `split` (p,) are quartered, or of one side."""
        pieces = np.bincount(self._row, np.where(split, 4, 1), self.last - self.first)
        if pieces.sum() <= most:
            return [(self, split)]
        parts, first, ends = [], 0, np.cumsum(pieces)
        while first < len(ends):
            done = ends[first - 1] if first else 0
            last = max(first + 1, int(np.searchsorted(ends, done + most, side="right")))
            own = (self._row >= first) & (self._row < last)
            part = _Span(first=self.first + first, last=self.first + last, leaves=self.leaves.kept(own))
            parts.append((part, split[own]))
            first = last
        return parts


@dataclass(frozen=True, kw_only=True, eq=False)
class _Asker:
    """Who is asked what spots of sides get: the scene, the target sides (k,), one pull and the bays.

    `pieces`: how many pieces are quartered together.
    """

    scene: Scene
    sides: IntArray
    spray: Spray
    air: Air | None
    pieces: int

    def values_at(self, place: IntArray, spots: FloatArray) -> FloatArray:
        """Return what barycentric `spots` (p, n, 3) of sides `place` (p,), which rises, get (p, n) in 1/m².

        Spots on an edge are asked about a little inside, where no other face touches.
        """
        n = spots.shape[1]
        inside = np.where((spots <= 0.0).any(axis=2, keepdims=True), spots * (1 - INSET) + INSET / 3, spots)
        samples = samples_at(self.scene.mesh, np.repeat(self.sides[place], n), inside.reshape(-1, 3))
        values = sample_values(self.scene, samples, [self.spray], self.air)
        return np.asarray(values[0].reshape(-1, n))


def refined_film(
    scene: Scene,
    targets: Targets,
    spray: Spray,
    air: Air | None,
    *,
    error: float,
    met: FloatArray,
    budget: int = BUDGET,
) -> Sampled:
    """Return the film of each target side, cut finer until its error is as asked or its pieces are smallest.

    A side is cut where its estimated error exceeds `error` times its film, or times a quarter of the mean of
    all lit sides where that is more; and, the greatest first, until the errors of all sides sum to `error` /
    5 of all film. Of such a side those pieces are quartered, again and again, whose error is at least a
    quarter of its worst piece's: the pieces that a border crosses. `met` (k,) is the film in 1/m² that rays
    met: where no sample is lit, it is the error to begin with.

    Pieces are kept and quartered in spans of sides, so that no array of theirs exceeds `budget` bytes; below
    some 100 kB, what one side may need, a span is one side. Samples come without values.
    """
    if not targets.n_sides:
        return sampled_film(scene, targets, spray, air)
    at_once = max(1, min(PIECES_AT_ONCE, budget // QUARTERED_BYTES))
    asker = _Asker(scene=scene, sides=targets.sides, spray=spray, air=air, pieces=at_once)
    spans, along = _wholes(asker, budget)
    film = np.concatenate([span.means for span in spans])
    spans = _with_corners(asker, spans, film)
    unseen = np.where(film > 0.0, 0.0, met)
    across = np.maximum(np.concatenate([span.leaves.error for span in spans]), unseen)
    for _ in range(DEEPEST):
        doubtful = _doubtful(targets.areas, film, along + across, error)
        split = [span.worst(doubtful, unseen) for span in spans]
        if not any(which.any() for which in split):
            break
        spans = [
            _quartered(asker, part, which)
            for span, chosen in zip(spans, split, strict=True)
            for part, which in span.cut(chosen, budget // PIECE_BYTES)
        ]
        film = np.concatenate([span.means for span in spans])
        across, unseen = np.concatenate([span.errors for span in spans]), np.zeros(len(film))
    within = np.concatenate([span.within for span in spans])
    return Sampled(film=film, along=along, across=across, within=within, values=np.zeros(0))


def _wholes(asker: _Asker, budget: int) -> tuple[list[_Span], FloatArray]:
    """Return each side as one piece of four samples, and the error (k,) along the pull."""
    sides, size = asker.sides, max(1, budget // SAMPLED_BYTES)
    spans, along = [], []
    for first in range(0, len(sides), size):
        last = min(first + size, len(sides))
        targets = targets_of(asker.scene.mesh, sides[first:last], 4, budget=max(budget, SAMPLED_BYTES))
        whole = sampled_film(asker.scene, targets, asker.spray, asker.air)
        leaves = _Leaves(
            place=np.arange(first, last),
            corners=np.broadcast_to(np.eye(3), (last - first, 3, 3)),
            level=np.zeros(last - first, dtype=np.int64),
            values=whole.values.reshape(-1, 4),
            tips=np.full((last - first, 3), np.nan),
        )
        spans.append(_Span(first=first, last=last, leaves=leaves))
        along.append(whole.along)
    return spans, np.concatenate(along)


def _with_corners(asker: _Asker, spans: list[_Span], film: FloatArray) -> list[_Span]:
    """Return whole sides, their corners asked about where a border may be near."""
    beside = _beside_other_film(asker.scene.mesh, asker.sides, film, asker.air)
    at_once = asker.pieces * 5  # three spots a side, where a piece that is quartered has fifteen
    told = []
    for span in spans:
        asked = np.flatnonzero(beside[span.first : span.last] | (span.leaves.errors[0] > 0.0))
        tips = span.leaves.tips.copy()
        for cut in range(0, len(asked), at_once):
            own = asked[cut : cut + at_once]
            tips[own] = asker.values_at(span.leaves.place[own], span.leaves.corners[own])
        told.append(replace(span, leaves=replace(span.leaves, tips=tips)))
    return told


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


def _quartered(asker: _Asker, span: _Span, split: BoolArray) -> _Span:
    """Return a span in which the pieces that `split` (p,) tells are quartered, so many at a time."""
    if not split.any():
        return span
    pieces = span.leaves.kept(split)
    order = np.argsort(pieces.place, kind="stable")
    cuts = range(0, len(order), asker.pieces)
    leaves = span.leaves.kept(~split)
    finer = [_quarters(asker, pieces.kept(order[cut : cut + asker.pieces])) for cut in cuts]
    return replace(span, leaves=leaves.and_also(*finer))


def _quarters(asker: _Asker, pieces: _Leaves) -> _Leaves:
    """Return the quarters of pieces that stand in the order of their sides, each sampled four times.

    What lies in their middles and at the corners of the piece is known already; asked are three samples of
    each and the three corners that they share.
    """
    corners = np.einsum("qcv,pvk->pqck", quarters(), pieces.corners)
    n = len(corners)
    spots = np.einsum("sc,pqck->pqsk", sample_weights(4)[:3], corners).reshape(n, 12, 3)
    spots = np.concatenate([spots, corners[:, 3]], axis=1)  # the middle quarter's corners: of bc, ca, ab
    found = asker.values_at(pieces.place, spots)
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
