"""The kernel's door: arrays made ready, blocks shared among threads, sparse film back."""

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import dataclass

import numpy as np

from bayreach.arrays import FloatArray, IntArray
from bayreach.deposit._air import Air
from bayreach.deposit._direct_kernel import spray_blocks
from bayreach.deposit._kernel_arrays import world_of
from bayreach.deposit._kernel_records import Grains, World
from bayreach.deposit._sampled import Spray
from bayreach.rays import Scene
from bayreach.sight import Targets

MEMORY = 64 * 2**20
"""Bytes of dense film that one task may hold."""
_TASKS_A_CORE = 8

Progress = Callable[[float], None]


@dataclass(frozen=True, kw_only=True, eq=False)
class SparseFilm:
    """Film by pull: `starts` (p + 1,) of each in `rows` and `film` (1/m²); pairs looked at, rays asked."""

    starts: IntArray
    rows: IntArray
    film: FloatArray
    pairs: int
    rays: int


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
    sample from one station that is worth a ray.
    """
    blocks = targets.blocks
    if not blocks.n_blocks or not sprays:
        nothing = np.zeros(0, dtype=np.int64)
        return SparseFilm(
            starts=np.zeros(len(sprays) + 1, dtype=np.int64), rows=nothing, film=np.zeros(0), pairs=0, rays=0
        )
    world = world_of(scene, targets, sprays, air, by_sample=by_sample, floor=floor)
    spans = _spans(world.grains, len(sprays))
    parts = _run(scene, world, spans, len(sprays), progress)
    order = blocks.samples if by_sample else blocks.order
    rows = np.concatenate([order[part[0]] for part in parts])
    pulls = np.concatenate([part[1] for part in parts])
    film = np.concatenate([part[2] for part in parts])
    sorting = np.lexsort((rows, pulls))
    starts = np.searchsorted(pulls[sorting], np.arange(len(sprays) + 1))
    counts = np.sum([part[3] for part in parts], axis=0)
    return SparseFilm(
        starts=starts, rows=rows[sorting], film=film[sorting], pairs=int(counts[0]), rays=int(counts[1])
    )


_Part = tuple[IntArray, IntArray, FloatArray, IntArray]


def _run(
    scene: Scene, world: World, spans: list[tuple[int, int]], n_pulls: int, progress: Progress | None
) -> list[_Part]:
    """Return the sparse film of each span of blocks, in order; a key press stops it between spans."""
    starts, rows = world.grains.starts, world.grains.rows

    def spray(span: tuple[int, int]) -> _Part:
        first, last = rows[starts[span[0]]], rows[starts[span[1]] - 1]
        film = np.zeros((last - first + 1, n_pulls))
        counts = np.zeros(2, dtype=np.int64)
        spray_blocks(scene.tracer, world, span, film, counts)
        row, pull = np.nonzero(film)
        return row + int(first), pull, film[row, pull], counts

    if len(spans) == 1:
        return [spray(spans[0])]
    with ThreadPoolExecutor(max_workers=_cores()) as pool:
        futures = [pool.submit(spray, span) for span in spans]
        try:
            for number, _ in enumerate(as_completed(futures), start=1):
                if progress is not None:
                    progress(number / len(spans))
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise
    return [future.result() for future in futures]


def _spans(grains: Grains, n_pulls: int) -> list[tuple[int, int]]:
    """Return spans of blocks: some for each core, each within the memory that one task may hold."""
    n_blocks = len(grains.radii)
    rows_a_block = max(1.0, len(grains.row_bay) / n_blocks)
    fits = max(1, int(MEMORY / (8 * n_pulls * rows_a_block)))
    each = max(1, min(fits, -(-n_blocks // (_TASKS_A_CORE * _cores()))))
    return [(first, min(first + each, n_blocks)) for first in range(0, n_blocks, each)]


def _cores() -> int:
    if hasattr(os, "sched_getaffinity"):
        return max(1, len(os.sched_getaffinity(0)))
    return os.cpu_count() or 1
