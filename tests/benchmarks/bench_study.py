"""Benchmark of doubt and study: samples a second, cost of a task, one worker against two.

Run: python tests/benchmarks/bench_study.py [doubt|study|resume] [JOB]. Prints figures; nothing is judged.
"""

import os
import sys
import tempfile
import time
from pathlib import Path

from bayreach import demo
from bayreach.doubt import POSES, Tolerances, asked_of, doubt_of, site_variants
from bayreach.job import load_job
from bayreach.run import site_of, written_pulls
from bayreach.study import study, tasks_of
from bayreach.study._study import Parts

SPEEDS = ", ".join(f'"{speed} mm/s"' for speed in range(30, 150, 10))
VARY = f'\n[vary]\n"wand.long radial.pull_speed" = [{SPEEDS}]\n'


def bench_doubt(path: Path) -> None:
    """Time the variants of a job's written passes and their recombination."""
    site = site_of(load_job(path))
    pulls, _ = written_pulls(site)
    asked, tolerances = asked_of(site), Tolerances()
    make = site_variants(site, asked, pulls, tolerances)
    make(99)  # compiles, builds the scene
    start = time.perf_counter()
    cores = time.process_time()
    made = [make(replicate) for replicate in range(8)]
    rays, ray_cores = time.perf_counter() - start, time.process_time() - cores
    start, cores = time.perf_counter(), time.process_time()
    doubt = doubt_of(asked.sides, lambda replicate: made[replicate], tolerances, samples=2048, error=0.0)
    chances, chance_cores = time.perf_counter() - start, time.process_time() - cores
    sprayed = len(pulls) * doubt.variants
    print(
        f"{path.name}: {site.mesh.n_faces} working faces, {len(asked.sides.areas)} sides, {len(pulls)} passes"
    )
    print(f"  {sprayed} varied pulls in {rays:.2f} s ({ray_cores:.1f} core s): {sprayed / rays:.1f} a second")
    print(
        f"  {len(doubt.covered)} samples recombined, with indices: {chances:.2f} s, {chance_cores:.1f} core s"
    )
    print(f"  {len(doubt.covered) / (rays + chances):.0f} samples a second in all")
    fresh = 200 / (8 * POSES) * rays + 200 / 2048 * chances
    print(f"  200 samples, each in a pose of its own: {fresh:.1f} s; matters {doubt.matters}")
    print(f"  covered {doubt.covered.mean():.4f} +- {doubt.covered_error:.4f}")


def bench_study(folder: Path) -> None:
    """Time twelve variants on one and on two processes, and a study that has nothing left to do."""
    demo.write_demo(folder, quick=True)
    job = folder / "tail_boom.toml"
    study([job], folder / "out_0", command="spray", workers=1)  # compiles
    job.write_text(job.read_text() + VARY)
    took = {}
    for workers in (1, 2):
        start = time.perf_counter()
        overview = study([job], folder / f"out_{workers}", command="spray", workers=workers)
        took[workers] = time.perf_counter() - start
        print(f"{len(overview.jobs)} jobs, {workers} process(es): {took[workers]:.1f} s")
    print(f"efficiency 1 -> 2: {took[1] / (2 * took[2]):.2f} (processors: {os.cpu_count()})")
    start = time.perf_counter()
    study([job], folder / "out_1", command="spray", workers=1)
    print(f"nothing to do: {1e3 * (time.perf_counter() - start) / 12:.1f} ms a task")


def bench_resume(folder: Path, count: int = 2000) -> None:
    """Time what a study costs whose `count` parts are all there: reading them, its tables and its page."""
    demo.write_demo(folder, quick=True)
    job = folder / "tail_boom.toml"
    text, out = job.read_text(), folder / "out"
    study([job], out, command="spray", workers=1)
    (own,) = (out / "parts").rglob("*.part")
    body = own.read_text().split("\n")[2]
    speeds = ", ".join(f'"{20 + 0.1 * k:.1f} mm/s"' for k in range(count))
    job.write_text(f'{text}\n[vary]\n"wand.long radial.pull_speed" = [{speeds}]\n')
    begin = time.process_time()
    tasks, _ = tasks_of([job], "spray")
    print(f"{count} tasks made of one job: {1e3 * (time.process_time() - begin) / count:.2f} core ms each")
    parts = Parts(folder=out / "parts")
    for task in tasks:
        parts.write(task.key, body)
    begin = time.process_time()
    overview = study([job], out, command="spray", workers=1)
    took = time.process_time() - begin
    print(f"{len(overview.jobs)} parts there: {1e3 * took / count:.2f} core ms each, {took:.1f} s in all")
    for path in sorted(out.glob("*.*")):
        print(f"  {path.name}: {path.stat().st_size / count:.0f} bytes a task")


if __name__ == "__main__":
    what = sys.argv[1] if len(sys.argv) > 1 else "both"
    with tempfile.TemporaryDirectory() as name:
        here = Path(name)
        if what in ("doubt", "both"):
            bench_doubt(Path(sys.argv[2]) if len(sys.argv) > 2 else demo.write_demo(here))
        if what in ("study", "both"):
            bench_study(here / "study")
        if what in ("resume", "both"):
            bench_resume(here / "resume")
