"""Studies: every variant answered once, the same bytes whoever works, nothing lost to a kill."""

import csv
import json
import os
import random
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from boxjob import BOX_JOB, write_box_job
from interruptions import kill_everywhere, refuse_everywhere

from bayreach.errors import JobError
from bayreach.job import load_job
from bayreach.passes import Kept
from bayreach.run import plan_share
from bayreach.study import JobRow, Overview, StudyError, mirrors_of, study, tasks_of
from bayreach.study._answer import sealed
from bayreach.study._page import page

SPEEDS = '[vary]\n"wand.ring.pull_speed" = ["30 mm/s", "60 mm/s", "120 mm/s"]\n'


@pytest.fixture
def three(tmp_path: Path) -> Path:
    return write_box_job(tmp_path / "in", BOX_JOB + SPEEDS)


def parts_in(out: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted((out / "parts").rglob("*.part"))}


def table_in(path: Path) -> list[dict[str, str]]:
    with path.open(newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def reference(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """Return the parts of the three variants, worked out by one process."""
    folder = tmp_path_factory.mktemp("reference")
    study([write_box_job(folder / "in", BOX_JOB + SPEEDS)], folder / "out", command="spray", workers=1)
    return parts_in(folder / "out")


def test_every_combination_of_what_varies_becomes_a_task(tmp_path: Path) -> None:
    text = BOX_JOB + SPEEDS + '"target.film_min" = ["6 um", "8 um", "10 um"]\n'
    tasks, refused = tasks_of([write_box_job(tmp_path, text)], "spray")
    assert len(tasks) == 9
    assert not refused
    assert tasks[0].name == "job [wand.ring.pull_speed = 30 mm/s, target.film_min = 6 um]"
    assert len({task.key for task in tasks}) == 9
    assert all("vary" not in task.data for task in tasks)


def test_a_key_depends_on_content_and_not_on_where_it_lies(tmp_path: Path) -> None:
    here, there = (write_box_job(tmp_path / name) for name in ("here", "there"))
    (first,), _ = tasks_of([here], "spray")
    (second,), _ = tasks_of([there], "spray")
    assert first.key == second.key
    with (tmp_path / "there" / "box.obj").open("a") as file:
        file.write("# one more line\n")
    (changed,), _ = tasks_of([there], "spray")
    (planned,), _ = tasks_of([here], "plan")
    assert len({first.key, changed.key, planned.key}) == 3


def test_jobs_of_one_name_are_told_apart_by_their_folders(tmp_path: Path) -> None:
    jobs = [write_box_job(tmp_path / side / "outer") for side in ("left", "right")]
    tasks, _ = tasks_of(jobs, "spray")
    assert [task.name for task in tasks] == ["left/outer/job", "right/outer/job"]


@pytest.mark.parametrize(
    ("vary", "words"),
    [
        (
            '"wand.rign.length" = ["1 m"]',
            r'"wand\.rign\.length": there is no "rign" here\. Did you mean "ring"\?',
        ),
        ('"title.text" = ["x"]', r'"title" is a value, not a table'),
        ('"wand" = ["x"]', None),
        ('"pass" = [1]', None),
    ],
)
def test_what_cannot_be_varied_is_refused_in_words(tmp_path: Path, vary: str, words: str | None) -> None:
    tasks, refused = tasks_of([write_box_job(tmp_path, f"{BOX_JOB}[vary]\n{vary}\n")], "spray")
    if words is None:
        # It can be put there; the job that comes of it is refused when it is worked out.
        assert len(tasks) == 1
        return
    assert not tasks
    assert len(refused) == 1
    assert re.search(words, refused[0].reason)


def test_an_unknown_way_to_answer_is_refused(tmp_path: Path) -> None:
    with pytest.raises(JobError, match='study: "paint" is no way to answer a job; use "plan" or "spray"'):
        tasks_of([], "paint")


def test_a_study_tells_every_variant_keeps_failures_apart_and_does_nothing_again(
    tmp_path: Path, three: Path, reference: dict[str, bytes]
) -> None:
    broken = write_box_job(tmp_path / "broken", BOX_JOB.replace("viscosity", "viscosty"), name="broken")
    lost = write_box_job(
        tmp_path / "lost", BOX_JOB.replace('opening = "port"', 'opening = "opening 99"'), "lost"
    )
    seen: list[tuple[str, float]] = []
    out = tmp_path / "out"
    overview = study(
        [three, broken, lost], out, command="spray", workers=2, progress=lambda *said: seen.append(said)
    )
    # Slower pulls lay more film: coverage falls as the speed grows.
    shares = [row.coverage for row in overview.jobs]
    assert len(shares) == 3
    assert shares == sorted(shares, reverse=True)
    assert shares[0] > shares[2] + 0.1
    assert [row.name for row in overview.failed] == ["broken", "lost"]
    assert 'Did you mean "viscosity"?' in overview.failed[0].reason
    assert 'no opening is called "opening 99"' in overview.failed[1].reason
    assert "/tmp" not in overview.failed[1].reason
    assert not overview.met
    assert overview.total.litres == pytest.approx(sum(row.litres for row in overview.jobs))
    assert seen[-1][1] == 1.0
    rows = table_in(out / "jobs.csv")
    assert [row["job"] for row in rows] == [row.job for row in overview.jobs]
    assert [float(row["coverage"]) for row in rows] == shares
    page = (out / "index.html").read_text()
    assert "3 jobs answered" in page
    assert "candidate" in page
    assert "<script" not in page
    parquet = pytest.importorskip("pyarrow.parquet").read_table(out / "bays.parquet").to_pylist()
    assert [row["covered_m2"] for row in parquet] == [
        float(row["covered_m2"]) for row in table_in(out / "bays.csv")
    ]
    # Two processes made the bytes that one did; asked again, they make nothing.
    made = parts_in(out)
    assert {name: made[name] for name in reference} == reference
    before = {path: path.stat().st_mtime_ns for path in (out / "parts").rglob("*.part")}
    assert study([three, broken, lost], out, command="spray", workers=2) == overview
    assert {path: path.stat().st_mtime_ns for path in (out / "parts").rglob("*.part")} == before


def test_parts_that_are_damaged_or_failed_by_no_fault_of_their_job_are_made_anew_and_no_others(
    tmp_path: Path, three: Path, reference: dict[str, bytes]
) -> None:
    out = tmp_path / "out"
    tasks, _ = tasks_of([three], "spray")
    paths = [out / "parts" / task.key[:2] / f"{task.key}.part" for task in tasks]
    whole = [reference[path.name] for path in paths]
    left = [
        whole[0][:-40] + b"}" * 39 + b"\n",
        sealed(tasks[1].key, '{"again":true,"failed":"its process died 3 times"}'),
        sealed(tasks[2].key, '{"failed":"no opening is called so"}'),
    ]
    for path, content in zip(paths, left, strict=True):
        path.parent.mkdir(parents=True)
        path.write_bytes(content)
    overview = study([three], out, command="spray", workers=1)
    assert [path.read_bytes() for path in paths] == [*whole[:2], left[2]]
    assert [failure.reason for failure in overview.failed] == ["no opening is called so"]


def test_an_overview_ended_at_any_moment_of_its_writing_is_the_old_or_the_new(
    tmp_path: Path, three: Path, reference: dict[str, bytes], capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    for name, content in reference.items():
        (out / "parts" / name[:2]).mkdir(parents=True, exist_ok=True)
        (out / "parts" / name[:2] / name).write_bytes(content)
    for name in ("index.html", "jobs.csv"):
        (out / name).write_bytes(b"old")
    words = ["study", str(three), "-o", str(out), "--spray"]
    refuse_everywhere(words, out, capsys)
    kill_everywhere(words, out, tmp_path / "copies")


RUN = """
import json, sys
from pathlib import Path
from bayreach.study import study
if __name__ == "__main__":
    study([Path(sys.argv[1])], Path(sys.argv[2]), **json.loads(sys.argv[3]))
"""


def started(job: Path, out: Path, **how: object) -> subprocess.Popen[bytes]:
    """Start a study in a process group of its own."""
    script = out.with_suffix(".py")
    script.write_text(RUN)
    words = json.dumps({"command": "spray", "workers": 1, **how})
    return subprocess.Popen(
        [sys.executable, str(script), str(job), str(out), words],
        start_new_session=True,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


def killed(process: subprocess.Popen[bytes]) -> None:
    """End a process and all that it started, at once and without a word."""
    os.killpg(process.pid, signal.SIGKILL)
    process.wait(timeout=30)


def times_of(out: Path) -> dict[Path, int]:
    return {path: path.stat().st_mtime_ns for path in out.rglob("*.part")}


def wait_for(what: Callable[[], object], seconds: float = 90.0) -> None:
    end = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < end, "waited in vain"
        time.sleep(0.02)


def workers_of(process: subprocess.Popen[bytes]) -> list[int]:
    """Return the process ids of the pool's processes, which were started by a spawn of this run alone."""
    listed = Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text().split()
    found = []
    for pid in map(int, listed):
        try:
            if b"spawn_main" in Path(f"/proc/{pid}/cmdline").read_bytes():
                found.append(pid)
        except FileNotFoundError:
            continue
    return found


linux_only = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="looks processes up in /proc")


@linux_only
def test_a_killed_process_loses_nothing(tmp_path: Path, three: Path, reference: dict[str, bytes]) -> None:
    out = tmp_path / "out"
    process = started(three, out)
    wait_for(lambda: list(out.rglob("*.part")))
    for pid in workers_of(process):
        os.kill(pid, signal.SIGKILL)
    assert process.wait(timeout=120) == 0
    assert parts_in(out) == reference


@linux_only
def test_a_killed_run_goes_on_where_it_was(tmp_path: Path, three: Path, reference: dict[str, bytes]) -> None:
    out = tmp_path / "out"
    process = started(three, out)
    wait_for(lambda: list(out.rglob("*.part")))
    killed(process)
    kept = times_of(out)
    assert 1 <= len(kept) < 3
    study([three], out, command="spray", workers=1)
    assert parts_in(out) == reference
    assert kept.items() <= times_of(out).items()


@linux_only
def test_a_run_killed_at_random_moments_computes_nothing_twice(
    tmp_path: Path, three: Path, reference: dict[str, bytes]
) -> None:
    # Killed at moments that have nothing to do with its parts, wherever it then is: in its start, in a task,
    # while it writes. What a run left is never touched again, and the end is what one quiet run gives.
    rng = random.Random(20)
    out = tmp_path / "out"
    kept: dict[Path, int] = {}
    for _ in range(2):
        process = started(three, out)
        time.sleep(rng.uniform(0.5, 7.0))
        killed(process)
        assert kept.items() <= times_of(out).items()
        kept = times_of(out)
    study([three], out, command="spray", workers=1)
    assert parts_in(out) == reference
    assert kept.items() <= times_of(out).items()


PLAN = BOX_JOB.replace('film_max = "60 um"', 'film_max = "90 um"\ncoverage = 0.5') + "[work]\npasses = 1\n"


def plans_in(out: Path) -> dict[str, dict[str, Any]]:
    """Return the outcomes of a study's parts, what the solver proves with them."""
    return {name: json.loads(content.split(b"\n")[2])["outcome"] for name, content in parts_in(out).items()}


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, dict[str, Any]]]:
    """Return a job and its plan, worked out whole by one process."""
    folder = tmp_path_factory.mktemp("planned")
    job = write_box_job(folder / "in", PLAN)
    assert study([job], folder / "out", workers=1).met
    return job, plans_in(folder / "out")


def columns_in(out: Path) -> dict[Path, int]:
    """Return the parts that hold columns, and when each was written."""
    return {path: when for path, when in times_of(out).items() if b'"columns"' in path.read_bytes()}


@linux_only
def test_a_plan_killed_while_its_columns_are_made_makes_no_column_again_and_is_the_same_plan(
    tmp_path: Path, planned: tuple[Path, dict[str, dict[str, Any]]]
) -> None:
    job, whole = planned
    out = tmp_path / "out"
    process = started(job, out, command="plan", spread=3)
    wait_for(lambda: columns_in(out))
    killed(process)
    kept = columns_in(out)
    assert kept
    assert not whole.keys() & parts_in(out).keys()
    seen: list[str] = []
    study([job], out, workers=1, spread=3, progress=lambda name, share: seen.append(name))
    assert len(seen) == 4 - len(kept)
    assert seen[-1] == "job"
    # The plan's own part is left, that of a plan in one piece; its columns, which are large, are not.
    assert plans_in(out) == whole


def test_shares_of_a_plans_columns_make_up_the_whole(tmp_path: Path) -> None:
    job = load_job(write_box_job(tmp_path, PLAN))
    whole = plan_share(job, (0, 1))
    shares = [plan_share(job, (k, 3)) for k in range(3)]
    assert sum(len(share) for share in shares) == len(whole)
    assert all(0 < len(share) < len(whole) for share in shares)
    together = Kept()
    for share in shares:
        together.take(share)
    assert together.lit.keys() == whole.lit.keys()
    for pull, known in whole.lit.items():
        for name, lit in known.items():
            same = together.lit[pull][name]
            assert np.array_equal(same.sides, lit.sides)
            assert same.direct.tobytes() == lit.direct.tobytes()


@linux_only
def test_a_task_that_wants_more_memory_than_it_may_hold_fails_alone_and_can_be_run_again(
    tmp_path: Path,
) -> None:
    job, out = write_box_job(tmp_path / "in"), tmp_path / "out"
    overview = study([job], out, command="spray", workers=1, memory=60e6)
    assert not overview.jobs
    assert "memory" in overview.failed[0].reason
    assert len(study([job], out, command="spray", workers=1).jobs) == 1


CLUSTER = """
import sys, time
from distributed import LocalCluster
if __name__ == "__main__":
    cluster = LocalCluster(
        n_workers=2, threads_per_worker=1, host="127.0.0.1", dashboard_address=None, silence_logs=50
    )
    print(cluster.scheduler_address, flush=True)
    while True:
        time.sleep(1)
"""


@pytest.fixture(scope="module")
def cluster(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Start a LocalCluster of two workers in a process of its own, on loopback."""
    pytest.importorskip("distributed")
    script = tmp_path_factory.mktemp("cluster") / "cluster.py"
    script.write_text(CLUSTER)
    process = subprocess.Popen([sys.executable, str(script)], stdout=subprocess.PIPE, start_new_session=True)
    assert process.stdout is not None
    yield process.stdout.readline().decode().strip()
    killed(process)
    process.stdout.close()


def test_a_cluster_gives_the_bytes_of_one_process(
    tmp_path: Path, three: Path, reference: dict[str, bytes], cluster: str
) -> None:
    overview = study([three], tmp_path / "out", command="spray", scheduler=cluster)
    assert len(overview.jobs) == 3
    assert parts_in(tmp_path / "out") == reference


def test_a_plan_spread_over_a_cluster_is_that_of_one_process(
    tmp_path: Path, planned: tuple[Path, dict[str, dict[str, Any]]], cluster: str
) -> None:
    job, whole = planned
    seen: list[str] = []
    study(
        [job],
        tmp_path / "out",
        scheduler=cluster,
        spread=2,
        progress=lambda name, share: seen.append(name),
    )
    assert sorted(seen) == ["job", "job, columns 1 of 2", "job, columns 2 of 2"]
    assert seen[-1] == "job"
    assert plans_in(tmp_path / "out") == whole


_HERE = ("--host", "127.0.0.1", "--no-dashboard")


def dask_process(kind: str, file: Path, *words: str) -> subprocess.Popen[bytes]:
    """Start a scheduler or a worker as from a command line; `file` is where the scheduler's address lies."""
    return subprocess.Popen(
        [sys.executable, "-m", f"distributed.cli.dask_{kind}", *_HERE, "--scheduler-file", str(file), *words],
        start_new_session=True,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        cwd=file.parent,
    )


@pytest.fixture
def processes(tmp_path: Path) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """Start a scheduler and two workers, each a process of its own, and give its address and all three."""
    pytest.importorskip("distributed")
    file = tmp_path / "scheduler.json"
    own = [dask_process("scheduler", file, "--port", "0")]
    own += [dask_process("worker", file, "--nthreads", "1", "--no-nanny") for _ in range(2)]
    wait_for(file.exists)
    yield json.loads(file.read_text())["address"], own
    for process in own:
        if process.poll() is None:
            killed(process)


def busy_worker(address: str) -> int:
    """Return the process id of a worker that has a task."""
    from distributed import Client

    with Client(address, set_as_default=False) as client:
        pids = client.run(os.getpid)
        return next(pids[worker] for worker, keys in client.processing().items() if keys)


@linux_only
def test_whatever_of_a_cluster_is_killed_the_study_ends_with_the_same_bytes_and_makes_nothing_twice(
    tmp_path: Path,
    three: Path,
    reference: dict[str, bytes],
    processes: tuple[str, list[subprocess.Popen[bytes]]],
) -> None:
    address, (scheduler, *workers) = processes
    out = tmp_path / "out"
    # The whole run: its scheduler and workers live on.
    run = started(three, out, scheduler=address)
    wait_for(lambda: list(out.rglob("*.part")))
    killed(run)
    kept = times_of(out)
    assert 1 <= len(kept) < 3
    study([three], out, command="spray", scheduler=address)
    assert kept.items() <= times_of(out).items()
    assert parts_in(out) == reference
    # A worker that has a task: the other takes it over.
    dead: list[int] = []

    def kill(name: str, share: float) -> None:
        if not dead:
            dead.append(busy_worker(address))
            os.kill(dead[0], signal.SIGKILL)

    study([three], tmp_path / "again", command="spray", scheduler=address, progress=kill)
    assert sorted(process.poll() for process in workers if process.poll() is not None) == [-signal.SIGKILL]
    assert parts_in(tmp_path / "again") == reference
    # The scheduler: the run ends in a sentence and goes on elsewhere.
    other = tmp_path / "other"
    with pytest.raises(StudyError, match="was lost; what is done is kept"):
        study([three], other, command="spray", scheduler=address, progress=lambda *_: scheduler.kill())
    kept = times_of(other)
    assert 1 <= len(kept) < 3
    study([three], other, command="spray", workers=1)
    assert kept.items() <= times_of(other).items()
    assert parts_in(other) == reference


def test_no_scheduler_is_told_in_a_sentence(tmp_path: Path) -> None:
    pytest.importorskip("distributed")
    with pytest.raises(StudyError, match=r"no Dask scheduler answers at tcp://127\.0\.0\.1:9"):
        study([write_box_job(tmp_path)], tmp_path / "out", command="spray", scheduler="tcp://127.0.0.1:9")


def job_row(name: str, area: float = 1.0, holes: int = 0, coverage: float | None = 1.0) -> JobRow:
    return JobRow(
        job=name,
        title="",
        bays=1,
        volume_m3=0.1,
        required_m2=area,
        covered_m2=area,
        coverage=coverage,
        target=0.9,
        met=True,
        litres=1.0,
        minutes=1.0,
        passes=1,
        pulls=1,
        new_holes=holes,
        new_holes_bound=0,
        no_drill_coverage=1.0,
        warnings=0,
    )


def test_left_is_compared_with_right() -> None:
    rows = [
        job_row("wing_left"),
        job_row("wing_right", area=1.005),
        job_row("boom"),
        job_row("tail LH"),
        job_row("tail RH", holes=1),
    ]
    wing, tail = mirrors_of(rows)
    assert (wing.left, wing.right, wing.alike) == ("wing_left", "wing_right", True)
    assert wing.area == pytest.approx(0.005, rel=0.01)
    assert (tail.holes, tail.alike) == (1, False)


def test_of_more_jobs_than_a_page_can_hold_the_least_covered_are_shown_and_the_rest_is_said() -> None:
    shares = [None, None, *(0.001 * (997 * k % 600) for k in range(600))]
    jobs = tuple(job_row(f"job {k}", coverage=share) for k, share in enumerate(shares))
    text = page(Overview(jobs=jobs, bays=(), failed=()))
    shown = [int(name) for name in re.findall(r"<td>job (\d+)</td>", text)]
    assert "The 500 jobs of 602 that are least covered; all are in jobs.csv." in text
    assert shown == [k for k, share in enumerate(shares) if share is not None and share < 0.4995]
    assert "least covered" not in page(Overview(jobs=jobs[:500], bays=(), failed=()))
