"""Sample points grouped into small blocks that lie together and look the same way."""

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bayreach.arrays import FloatArray, IntArray, unit_vectors

TILE = 16
"""Samples of a tile: as many as rays in a packet."""

SAMPLES_A_BLOCK = 64
"""About how many samples a block holds: few enough for the nearest cache, enough to be worth a test."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Blocks:
    """Samples in the order of their blocks; each side's samples stand in one block.

    Blocks are ordered by the way they look and along a Morton curve, so that the sixteen rays of a packet run
    close together. Samples stand in double precision, so that what one gets does not depend on which others
    are asked about with it.

    Parameters
    ----------
    starts : (b + 1,) int
        Where each block's samples begin.
    centers : (b, 3) float
        Middle of each block in m.
    radii : (b,) float
        Greatest distance in m of a sample from the middle.
    axes : (b, 3) float
        Mean direction of the normals.
    cosines : (b,) float
        Least cosine between a normal and the mean.
    floors : (b,) float
        Least height in m of a sample above the middle along its own normal.
    points : (n, 3) float
        Samples in m as the targets have them.
    normals : (n, 3) float
        Unit normals as the targets have them.
    weights : (m,) float32
        Share of its side that a sample stands for.
    rows : (m,) int32
        Side of each sample, counted in the order of the blocks.
    order : (k,) int
        Place of each of those sides in the targets' `sides`.
    samples : (m,) int
        Place of each sample in the targets.
    """

    starts: IntArray
    centers: FloatArray
    radii: FloatArray
    axes: FloatArray
    cosines: FloatArray
    floors: FloatArray
    points: FloatArray
    normals: FloatArray
    weights: NDArray[np.float32]
    rows: NDArray[np.int32]
    order: IntArray
    samples: IntArray

    @property
    def n_blocks(self) -> int:
        """Number of blocks."""
        return len(self.radii)

    @cached_property
    def groups(self) -> IntArray:
        """(b + 1,) int: where each block's tiles begin; each block begins a new one."""
        return np.concatenate([[0], np.cumsum(-(-np.diff(self.starts) // TILE))]).astype(np.int64)

    @cached_property
    def tile_points(self) -> FloatArray:
        """(t, 3 * 16) float: of sixteen samples their x, y, z in m, row after row.

        What a tile has left over is the middle of its block.
        """
        middles = np.repeat(self.centers, np.diff(self.groups), axis=0)
        return self._rows_of(self.points, np.repeat(middles[:, :, None], TILE, axis=2))

    @cached_property
    def tile_normals(self) -> NDArray[np.float32]:
        """(t, 3 * 16) float32: of sixteen samples their normals' x, y, z, row after row."""
        return self._rows_of(self.normals, np.zeros((int(self.groups[-1]), 3, TILE), dtype=np.float32))

    def _rows_of(self, vectors: FloatArray, tiles: NDArray[Any]) -> NDArray[Any]:
        for k in range(3):
            tiles[:, k][self._lanes] = vectors[self.samples, k]
        return tiles.reshape(-1, 3 * TILE)

    @cached_property
    def tile_weights(self) -> NDArray[np.float32]:
        """(t, 16) float32: their weights; what a tile has left over weighs nothing."""
        return self._in_tiles(self.weights)

    @cached_property
    def tile_ones(self) -> NDArray[np.float32]:
        """(t, 16) float32: weights of one, nothing where a tile is left over."""
        return self._in_tiles(np.ones_like(self.weights))

    def _in_tiles(self, values: NDArray[np.float32]) -> NDArray[np.float32]:
        full = np.zeros((int(self.groups[-1]), TILE), dtype=np.float32)
        full[self._lanes] = values
        return full

    @cached_property
    def _lanes(self) -> tuple[IntArray, IntArray]:
        """Tile and lane (m,) of each sample."""
        place = np.arange(len(self.weights)) + np.repeat(
            TILE * self.groups[:-1] - self.starts[:-1], np.diff(self.starts)
        )
        return place // TILE, place % TILE


def blocks_of(
    points: FloatArray,
    normals: FloatArray,
    weights: FloatArray,
    side_starts: IntArray,
    label: IntArray | None = None,
) -> Blocks:
    """Return the samples of sides (`side_starts` (k + 1,): where each side's samples begin) in blocks.

    The sides of a block have one `label` (k,), where there are labels.
    """
    n_sides = len(side_starts) - 1
    counts = np.diff(side_starts)
    firsts = side_starts[:-1]
    middles = _means(points, side_starts)
    alike = _looks(normals[firsts])
    if label is not None:
        alike += 6 * label.astype(np.int64)
    order = np.lexsort((_morton(middles), alike))
    cuts = _cuts(counts[order], alike[order])
    starts = np.concatenate([[0], np.cumsum(counts[order])])
    samples = (
        np.repeat(firsts[order], counts[order])
        + np.arange(len(points))
        - np.repeat(starts[:-1], counts[order])
    )
    block_starts = starts[cuts]
    n_blocks = len(cuts) - 1
    block = np.repeat(np.arange(n_blocks), np.diff(block_starts))
    there = points[samples]
    low, high = _extremes(there, block_starts)
    centers = 0.5 * (low + high)
    offsets = there - centers[block]
    looks = normals[samples]
    axes = unit_vectors(_means(looks, block_starts))
    if not n_sides:
        looks, axes = np.zeros((0, 3)), np.zeros((0, 3))
    at = block_starts[:-1]
    cosines = np.einsum("ij,ij->i", looks, axes[block])
    heights = np.einsum("ij,ij->i", offsets, looks)
    return Blocks(
        starts=block_starts.astype(np.int64),
        centers=centers,
        radii=np.sqrt(np.maximum.reduceat(np.einsum("ij,ij->i", offsets, offsets), at)) * (1 + 1e-6)
        if n_blocks
        else np.zeros(0),
        axes=axes,
        cosines=np.minimum.reduceat(cosines, at) if n_blocks else np.zeros(0),
        floors=np.minimum.reduceat(heights, at) if n_blocks else np.zeros(0),
        points=points,
        normals=normals,
        weights=weights[samples].astype(np.float32),
        rows=np.repeat(np.arange(n_sides), counts[order]).astype(np.int32),
        order=order,
        samples=samples,
    )


def _means(values: FloatArray, starts: IntArray) -> FloatArray:
    """Return the mean (k, 3) of each run of rows."""
    if len(starts) < 2:
        return np.zeros((0, 3))
    sums = np.add.reduceat(values, starts[:-1], axis=0)
    return np.asarray(sums / np.diff(starts)[:, None])


def _extremes(values: FloatArray, starts: IntArray) -> tuple[FloatArray, FloatArray]:
    if len(starts) < 2:
        return np.zeros((0, 3)), np.zeros((0, 3))
    least = np.minimum.reduceat(values, starts[:-1], axis=0)
    return least, np.maximum.reduceat(values, starts[:-1], axis=0)


def _looks(normals: FloatArray) -> IntArray:
    """Return a number 0 to 5 for the axis, and the way along it, that each normal (k, 3) is nearest to."""
    if not len(normals):
        return np.zeros(0, dtype=np.int64)
    axis = np.abs(normals).argmax(axis=1)
    negative = normals[np.arange(len(normals)), axis] < 0
    return np.asarray(2 * axis + negative, dtype=np.int64)


def _morton(points: FloatArray) -> IntArray:
    """Return the place (k,) of points (k, 3) along a Morton curve of 2^20 steps a side."""
    if not len(points):
        return np.zeros(0, dtype=np.int64)
    low = points.min(axis=0)
    size = float((points.max(axis=0) - low).max()) or 1.0
    steps = ((points - low) / size * (2**20 - 1)).astype(np.uint64)
    place = np.zeros(len(points), dtype=np.uint64)
    for k in range(3):
        place |= _spread(steps[:, k]) << np.uint64(k)
    return place.astype(np.int64)


def _spread(values: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """Return 20-bit numbers with two zero bits between each of their bits and the next."""
    spread = values & np.uint64(0x1FFFFF)
    for shift, mask in (
        (32, 0x1F00000000FFFF),
        (16, 0x1F0000FF0000FF),
        (8, 0x100F00F00F00F00F),
        (4, 0x10C30C30C30C30C3),
        (2, 0x1249249249249249),
    ):
        spread = (spread | (spread << np.uint64(shift))) & np.uint64(mask)
    return spread


def _cuts(counts: IntArray, alike: IntArray) -> IntArray:
    """Return where (b + 1,), in ordered sides, blocks begin: where they differ in kind or a block is full."""
    if not len(counts):
        return np.zeros(1, dtype=np.int64)
    sides_a_block = max(1, SAMPLES_A_BLOCK // max(1, int(np.median(counts))))
    turn = np.flatnonzero(np.diff(alike, prepend=alike[0] - 1))
    run = np.repeat(turn, np.diff(np.append(turn, len(alike))))
    full = (np.arange(len(alike)) - run) % sides_a_block == 0
    return np.append(np.flatnonzero(full), len(counts))
