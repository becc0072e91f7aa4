"""Cover benchmark: fewest ways in and least work, on columns of the demo box and on an invented instance.

    python tests/benchmarks/bench_plan.py columns FILE [SIDES PATHS SITES]
    python tests/benchmarks/bench_plan.py holes FILE [SHARE ...]
    python tests/benchmarks/bench_plan.py work FILE [SECONDS [SHARE]]
    python tests/benchmarks/bench_plan.py boxy [SIDES PASSES SHARE ...]

`columns` traces the demo wing box's candidate passes and writes the cover problem to FILE (by default some
3,000 passes x 20,000 sides, in minutes). `holes` takes each pass that wets a side enough in one pull at its
reference speed as a way in of its own and asks for the fewest, at 100, 99, 97 and 95 % of what all of them
cover. `work` makes the plan itself: holes, then the least time and liquid, with film limits; its seconds are
counted work. `boxy` is invented, unlike real geometry in that reach is a disc and rows hardly imply one
another. Every line has plain greedy of the same run beside it, and the peak memory. No thresholds.
"""

import pickle
import resource
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy.sparse import csc_matrix

from bayreach import cover

BAYS, LENGTH, WIDTH = 8, 2.4, 0.5
SECONDS = 60.0


def demo_problem(sides: int, paths: int, sites: int) -> cover.Problem:
    """Return the cover problem that a plan of the demo wing box solves, on so many sides and candidates."""
    from bayreach.demo import write_demo
    from bayreach.job import load_job
    from bayreach.plan import Ground, board_of, problem_on
    from bayreach.run._plan import asked_of, drilling_of
    from bayreach.run._site import site_of
    from bayreach.run._wetting import flying_of

    with tempfile.TemporaryDirectory() as folder:
        write_demo(Path(folder))
        job = load_job(Path(folder) / "wing_box.toml")
        site = site_of(job)
    ground = Ground(
        bays=site.bays,
        scene=site.scene,
        space=site.space,
        air=site.air,
        flying={wand.name: flying_of(site, wand.tip) for wand in job.wands},
        down=job.down,
    )
    board = board_of(
        ground,
        job.wands,
        asked_of(site),
        drilling=replace(drilling_of(site), most_sites=sites),
        most_sides=sides,
        most_paths=paths,
        progress=lambda *_: None,
    )
    return problem_on(board)


def one_pull(problem: cover.Problem, share: float) -> cover.Problem:
    """Return each pass as a way in of its own, covering what one pull wets enough; sides out of reach go."""
    film = problem.film
    enough = film.data >= problem.need[film.indices]
    column = np.repeat(np.arange(film.shape[1]), np.diff(film.indptr))[enough]
    marks = csc_matrix((np.ones(len(column)), (film.indices[enough], column)), shape=film.shape).tocsr()
    reached = np.flatnonzero(np.diff(marks.indptr))
    return cover.problem_of(marks[reached], areas=problem.areas[reached], share=share)


def boxy(n_sides: int, n_passes: int, share: float, seed: int = 1) -> cover.Problem:
    """Return an invented instance: sides on two skins of a box of eight bays, passes that wet discs there.

    A pass wets what is near its middle in its own bay and, through a rib's hole, a strip of the next.
    """
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


def memory() -> str:
    return f"{resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MiB"


def say_holes(problem: cover.Problem, seconds: float) -> None:
    begin, used = time.perf_counter(), time.process_time()
    choice = cover.hole_choice(problem)
    found, certificate = cover.fewest_holes(problem, choice, seconds=seconds)
    spent, used = time.perf_counter() - begin, time.process_time() - used
    gap = (found.value - found.bound) / max(found.value, 1e-300)
    print(
        f"{problem.n_sides} x {problem.n_passes}, {problem.film.nnz} entries, share {problem.share:g}: "
        f"{found.value:.0f} found, {found.bound:.0f} proven (certificate {certificate.bound:.2f}), "
        f"gap {gap:.1%}, greedy {greedy(problem)}; {spent:.1f} s ({used:.1f} s of processor), {memory()}",
        flush=True,
    )


def say_work(problem: cover.Problem, seconds: float) -> None:
    begin, used = time.perf_counter(), time.process_time()
    found = cover.solve(problem, seconds=seconds)
    spent, used = time.perf_counter() - begin, time.process_time() - used
    heavy = problem.areas[problem.film_of(found.amounts) > problem.limit].sum() / problem.areas.sum()
    print(
        f"{problem.n_sides} x {problem.n_passes}, {problem.film.nnz} entries, share {problem.share:g}: "
        f"{found.new_holes} holes ({found.new_holes_bound} proven), {found.area / problem.areas.sum():.2%}, "
        f"{int((found.counts > 0).sum())} passes, cost {found.cost:.0f} s, bound {found.bound:.0f} s, "
        f"gap {found.gap:.1%}, greedy {found.greedy_cost:.0f} s, {heavy:.0%} of area above its upper limit; "
        f"{spent:.1f} s ({used:.1f} s of processor), {memory()}",
        flush=True,
    )


def main(words: list[str]) -> None:
    what, rest = (words[0], words[1:]) if words else ("boxy", [])
    if what == "columns":
        numbers = [int(word) for word in rest[1:]] or [20_000, 120, 200]
        problem = demo_problem(*numbers)
        Path(rest[0]).write_bytes(pickle.dumps(problem))
        print(f"{problem.n_sides} x {problem.n_passes}, {problem.film.nnz} entries, {memory()}")
    elif what == "boxy":
        given = [float(word) for word in rest] or [20_000, 3_000, 1.0, 0.99, 0.97, 0.95]
        for share in given[2:]:
            say_holes(boxy(int(given[0]), int(given[1]), share), SECONDS)
    else:
        problem = pickle.loads(Path(rest[0]).read_bytes())  # written by this script
        if what == "work":
            share = float(rest[2]) if len(rest) > 2 else problem.share
            say_work(replace(problem, share=share), float(rest[1]) if len(rest) > 1 else SECONDS)
            return
        for share in [float(word) for word in rest[1:]] or [1.0, 0.99, 0.97, 0.95]:
            say_holes(one_pull(problem, share), SECONDS)


if __name__ == "__main__":
    main(sys.argv[1:])
