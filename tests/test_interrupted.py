"""Whatever ends a command while it writes, its folder holds the old or the new, and never some of each."""

import errno
import os
import pkgutil
import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
from interruptions import kill_everywhere, refuse_everywhere, watched
from results import small_plan, small_result
from small_job import small_job

from bayreach.cli import main
from bayreach.errors import StoreError
from bayreach.job import load_job, write_job
from bayreach.store import reserved, write_documents, write_result


@dataclass(frozen=True)
class Case:
    """A command, the folder it writes to, and what lies there before.

    `work` names the functions whose answers are kept between its runs: the writing is done again each time.
    """

    words: Callable[[Path, Path], list[str]]
    before: Callable[[Path], None]
    work: tuple[str, ...] = ()


def old_result(out: Path) -> None:
    with reserved(out):
        write_result(out, small_result())
    write_documents(out, {"sheet.html": b"old", "template_1.dxf": b"old"})


def old_files(*names: str) -> Callable[[Path], None]:
    def write(out: Path) -> None:
        for name in names:
            (out / name).parent.mkdir(parents=True, exist_ok=True)
            (out / name).write_bytes(b"old")

    return write


def sprayed(out: Path) -> None:
    shutil.copytree(out.parents[1] / "sprayed", out)
    write_documents(out, {"sheet.html": b"old", "template_1.dxf": b"old"})


def studied(out: Path) -> None:
    shutil.copytree(out.parents[1] / "studied" / "parts", out / "parts")
    old_files("index.html", "jobs.csv", "bays.csv")(out)


def once(work: Callable[..., object]) -> Callable[..., object]:
    """Return `work` so that it is done at the first call, and its answer given again at the others."""
    found: list[object] = []

    def answer(*words: object, **more: object) -> object:
        if not found:
            found.append(work(*words, **more))
        return found[0]

    return answer


DEMO = [f"{name}.toml" for name in ("wing_box", "tail_boom", "control_surface")]
CASES = {
    "spray": Case(lambda job, out: ["spray", str(job), "-o", str(out)], old_result, ("run.spray",)),
    "plan": Case(lambda job, out: ["plan", str(job), "-o", str(out)], old_result),
    "sheets": Case(lambda job, out: ["sheets", str(out)], sprayed, ("sheets.documents",)),
    "doubt": Case(lambda job, out: ["doubt", str(out)], sprayed, ("doubt._folder.doubt_at",)),
    "show": Case(
        lambda job, out: ["show", str(job.parent / "sprayed"), "--png", str(out / "map.png")],
        old_files("map.png"),
        ("picture.result_sheet", "picture._paper.Paper.png"),
    ),
    "measure": Case(
        lambda job, out: ["measure", str(box_of(job)), "--units", "mm", "--png", str(out / "bays.png")],
        old_files("bays.png"),
        ("picture.bays_sheet", "picture._paper.Paper.png"),
    ),
    "reach --replay": Case(
        lambda job, out: ["reach", str(job), "--replay", str(out / "ways.json")],
        old_files("ways.json"),
        ("run.reach", "run.replays"),
    ),
    "reach --vary": Case(
        lambda job, out: [
            "reach",
            str(job),
            "--wand",
            "long",
            "--vary",
            "length=0.2m:0.4m:0.2m",
            "-o",
            str(out),
        ],
        old_files("sweep.csv", "sweep.svg"),
        ("run.vary_reach",),
    ),
    "reach --sheet": Case(
        lambda job, out: ["reach", str(job), "--wand", "long", "--sheet", str(out)],
        old_files("wand.pdf", "wand.dxf"),
        ("run.reach", "wandsheet.sheet_pdf"),
    ),
    "study": Case(lambda job, out: ["study", str(job), "-o", str(out), "--spray", "--workers", "1"], studied),
    "demo": Case(
        lambda job, out: ["demo", str(out)],
        old_files(*DEMO),
        tuple(f"demo._jobs.{name.removesuffix('.toml')}" for name in DEMO),
    ),
}


def box_of(job: Path) -> Path:
    return job.parent / "meshes" / "box.stl"


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the small job, with its result in sprayed/ beside it, and a study of it in studied/."""
    path = small_job(tmp_path_factory.mktemp("job"), coverage=0.3)
    path.write_text(path.read_text() + "\n[doubt]\nsamples = 64\n")
    assert main(["spray", str(path), "-o", str(path.parent / "sprayed")]) == 0
    assert main(["study", str(path), "-o", str(path.parent / "studied"), "--spray", "--workers", "1"]) == 0
    return path


@pytest.mark.skipif(sys.platform == "win32", reason="open files cannot be renamed there")
@pytest.mark.parametrize("name", CASES)
def test_a_command_ended_at_any_moment_of_its_writing_leaves_the_old_or_the_new(
    name: str, job: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    case = CASES[name]
    monkeypatch.setattr("bayreach.picture._result_sheet.FINE", 1)
    monkeypatch.setattr("bayreach.picture._bays_sheet.SIZE", (300, 200))
    monkeypatch.setattr("bayreach.picture._seen.DRAWER", (sys.executable, "-c", "import os; os.abort()"))
    monkeypatch.setattr("bayreach.run.plan", lambda *_, **__: small_result(small_plan()))  # planned elsewhere
    for place in case.work:
        monkeypatch.setattr(f"bayreach.{place}", once(pkgutil.resolve_name(f"bayreach.{place}")))
    out = job.parent / name.replace(" ", "") / "out"
    case.before(out)
    refuse_everywhere(case.words(job, out), out, capsys)
    # Six files of a demo stand for themselves, each whole; the others belong together.
    kill_everywhere(case.words(job, out), out, tmp_path, together=name != "demo")


def test_every_command_is_ended_at_every_moment_but_those_that_only_print() -> None:
    from bayreach.cli._commands import app

    printing = {"compare", "coupons", "prove", "schema"}
    saving = {"studio"}  # as below, when its page says so
    commands = {name for name in app if not name.startswith("-")}
    assert {name.partition(" ")[0] for name in CASES} | printing | saving == commands


@pytest.mark.parametrize("first", ["saved.toml", ".saved.toml"], ids=["name", "content"])
def test_a_job_saved_from_the_studio_is_there_whole_or_not_at_all(job: Path, first: str) -> None:
    read, path = load_job(job), job.parent / "saved.toml"

    def full(event: str, opened: Path) -> None:
        if event == "open" and opened.name.startswith(first):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with watched(job.parent, full), pytest.raises(StoreError, match="the disk is full; free some room"):
        write_job(read, path, wands=[], passes=read.passes)
    assert not [left.name for left in job.parent.iterdir() if "saved" in left.name]
    assert write_job(read, path, wands=[], passes=read.passes).passes
    path.unlink()


def test_an_answer_that_finds_no_room_is_told_in_one_sentence() -> None:
    words = [sys.executable, "-m", "bayreach", "schema"]
    with Path("/dev/full").open("w") as full:
        ended = subprocess.run(words, stdout=full, stderr=subprocess.PIPE, text=True, check=False)
    assert ended.returncode == 1
    assert ended.stderr == (
        "bayreach: the answer cannot be printed (No space left on device); let it go where there is room.\n"
    )
