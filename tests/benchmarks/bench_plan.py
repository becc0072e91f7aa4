"""Cover benchmark: fewest ways in on a boxy invented instance, against plain greedy in the same run.

    python tests/benchmarks/bench_plan.py [SIDES PASSES SHARE ...]

Sides lie on the two skins of a box of eight bays; a pass wets what is near its line in its own bay and,
through a rib's hole, a strip of the next. Prints time, number found, proven bound, gap, plain greedy, peak
memory. No thresholds.
"""

import resource
import sys
import time

import numpy as np
from scipy.sparse import csc_matrix

from bayreach import cover

BAYS, LENGTH, WIDTH = 8, 2.4, 0.5


def instance(n_sides: int, n_passes: int, share: float, seed: int = 1) -> cover.Problem:
    """Return a cover problem in which every pass is a way in of its own."""
    rng = np.random.default_rng(seed)
    side = np.stack([rng.random(n_sides) * LENGTH, rng.random(n_sides) * WIDTH], axis=1)
    lower = rng.random(n_sides) < 0.5
    middle = np.stack([rng.random(n_passes) * LENGTH, rng.random(n_passes) * WIDTH], axis=1)
    reach = rng.uniform(0.05, 0.12, n_passes)
    bay = (side[:, 0] * BAYS / LENGTH).astype(int)
    rows, columns = [], []
    for index in range(n_passes):
        gap = np.hypot(side[:, 0] - middle[index, 0], side[:, 1] - middle[index, 1])
        here = bay == int(middle[index, 0] * BAYS / LENGTH)
        through = ~here & (np.abs(side[:, 1] - middle[index, 1]) < 0.02)
        shadow = lower & (np.abs(side[:, 1] - middle[index, 1] - 0.04) < 0.01)  # a stringer in the way
        wet = np.flatnonzero((gap < reach[index]) & (here | through) & ~shadow)
        rows.append(wet)
        columns.append(np.full(len(wet), index))
    row, column = np.concatenate(rows), np.concatenate(columns)
    film = csc_matrix((np.ones(len(row)), (row, column)), shape=(n_sides, n_passes))
    reachable = np.asarray(film.sum(axis=1)).ravel() > 0
    film = film[reachable]
    areas = rng.uniform(0.5, 1.5, film.shape[0]) * 1e-4
    return cover.problem_of(film, areas=areas, share=share)


def greedy(problem: cover.Problem) -> int:
    """Return how many ways in plain greedy takes: always the one that adds most area."""
    film, areas = problem.film, problem.areas
    column = np.repeat(np.arange(film.shape[1]), np.diff(film.indptr))
    done = np.zeros(film.shape[0], dtype=bool)
    count = 0
    while areas[done].sum() < problem.asked_area * (1 - 1e-9):
        gain = np.bincount(column, (areas * ~done)[film.indices], film.shape[1])
        best = int(np.argmax(gain))
        done[film.indices[film.indptr[best] : film.indptr[best + 1]]] = True
        count += 1
    return count


def main(n_sides: int, n_passes: int, shares: list[float], seconds: float = 60.0) -> None:
    for share in shares:
        problem = instance(n_sides, n_passes, share)
        begin = time.perf_counter()
        choice = cover.hole_choice(problem)
        reduced = time.perf_counter() - begin
        found, certificate = cover.fewest_holes(problem, choice, seconds=seconds)
        spent = time.perf_counter() - begin
        plain = greedy(problem)
        gap = (found.value - found.bound) / found.value
        memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(
            f"{problem.n_sides} x {n_passes}, {problem.film.nnz} entries, {choice.shares.shape[0]} rows left"
        )
        print(
            f"  share {share:g}: {found.value:.0f} found, {found.bound:.0f} proven "
            f"(certificate {certificate.bound:.2f}), gap {gap:.1%}, greedy {plain}"
        )
        print(f"  {spent:.1f} s ({reduced:.1f} s to reduce), {memory:.0f} MiB", flush=True)


if __name__ == "__main__":
    given = [float(word) for word in sys.argv[1:]]
    main(int(given[0]), int(given[1]), given[2:]) if len(given) > 2 else main(
        20_000, 3_000, [1.0, 0.99, 0.97, 0.95]
    )
