"""The kernel's door: arrays made ready, blocks shared among threads, sparse film back."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bayreach.arrays import FloatArray, IntArray
from bayreach.deposit._air import Air
from bayreach.deposit._direct_kernel import Entries, spray_blocks
from bayreach.deposit._kernel_arrays import blocks_for, world_of
from bayreach.deposit._kernel_records import Grains, World
from bayreach.deposit._plain_spray import spray_plainly
from bayreach.deposit._sampled import Spray
from bayreach.rays import Scene, cores, in_parallel
from bayreach.sight import Targets

PAIRS_A_TASK = 1 << 22
"""Pairs of sample and station that one task may look at: half a second at most, so that a key press stops the
work at once."""
_TASKS_A_CORE = 8

Progress = Callable[[float], None]


@dataclass(frozen=True, kw_only=True, eq=False)
class SparseFilm:
    """Film by pull: `starts` (p + 1,) of each in `rows` (rising) and `film` (1/m²); pairs looked at, rays."""

    starts: IntArray
    rows: NDArray[np.int32]
    film: NDArray[np.float32]
    pairs: int
    rays: int

    def of(self, pull: int) -> tuple[NDArray[np.int32], NDArray[np.float32]]:
        """Return the rows and the film of one pull."""
        own = slice(self.starts[pull], self.starts[pull + 1])
        return self.rows[own], self.film[own]

    def dense(self, pull: int, n_rows: int) -> FloatArray:
        """Return the film (n_rows,) of one pull."""
        full = np.zeros(n_rows)
        rows, film = self.of(pull)
        full[rows] = film
        return full


def sparse_film(
    scene: Scene,
    targets: Targets,
    sprays: Sequence[Spray],
    air: Air | None,
    *,
    by_sample: bool = False,
    floor: float = 0.0,
    progress: Progress | None = None,
) -> SparseFilm:
    """Return the film of each pull on each target side (rows as `targets.sides`), or on each sample.

    With `by_sample` rows are samples and their film is that of a point. `floor`: least film in 1/m² of one
    sample from one station that is worth a ray. Film is sparse from birth: blocks tell rows, pulls and film,
    and no array of rows by pulls is ever made.
    """
    fast = scene.has_tracer
    through = air if fast else None
    blocks = blocks_for(targets, through)
    if not blocks.n_blocks or not sprays:
        starts = np.zeros(len(sprays) + 1, dtype=np.int64)
        nothing = np.zeros(0, dtype=np.int32)
        return SparseFilm(starts=starts, rows=nothing, film=np.zeros(0, dtype=np.float32), pairs=0, rays=0)
    world = world_of(scene, targets, sprays, through, by_sample=by_sample, floor=floor)

    def spray(span: tuple[int, int]) -> tuple[Entries, IntArray]:
        counts = np.zeros(2, dtype=np.int64)
        if not fast:
            return spray_plainly(scene, world, span, counts), counts
        return spray_blocks(scene.tracer, world, span, counts), counts

    parts = in_parallel(spray, spans_of(world), progress)
    counts = np.sum([part[1] for part in parts], axis=0)
    order = blocks.samples if by_sample else blocks.order
    starts, rows, film = _by_pull([part[0] for part in parts], order, len(sprays))
    return SparseFilm(starts=starts, rows=rows, film=film, pairs=int(counts[0]), rays=int(counts[1]))


def _by_pull(
    parts: Sequence[Entries], order: IntArray, n_pulls: int
) -> tuple[IntArray, NDArray[np.int32], NDArray[np.float32]]:
    """Return entries block by block as entries pull by pull, their rows put in order, in linear time."""
    from scipy.sparse import coo_array

    rows = order.astype(np.int32)[np.concatenate([part.rows for part in parts])]
    pulls = np.concatenate([part.pulls for part in parts])
    film = np.concatenate([part.film for part in parts])
    # By rows first and then by pulls: each way is a counting sort, so rows come out in order.
    table = coo_array((film, (pulls, rows)), shape=(n_pulls, len(order))).tocsc().tocsr()
    return table.indptr.astype(np.int64), table.indices.astype(np.int32), table.data


def spans_of(world: World, most_samples: int | None = None) -> list[tuple[int, int]]:
    """Return spans of blocks: some for each core, each short enough to be waited for.

    None has more than `most_samples`, but for a single block.
    """
    grains: Grains = world.grains
    n_blocks, n_samples = len(grains.radii), int(grains.starts[-1])
    pairs_a_block = max(1, n_samples * len(world.poses.pulls) // n_blocks)
    each = max(1, min(PAIRS_A_TASK // pairs_a_block, -(-n_blocks // (_TASKS_A_CORE * cores()))))
    if most_samples is not None:
        each = max(1, min(each, most_samples // int(np.diff(grains.starts).max())))
    return [(first, min(first + each, n_blocks)) for first in range(0, n_blocks, each)]
