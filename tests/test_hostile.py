"""Whatever comes in as a file or a signal ends in one sentence, in bounded time, with nothing half-done."""

import os
import signal
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from readers import READERS, seeds, survives
from small_job import small_job

from bayreach.errors import MeshError
from bayreach.store import read_outcome

BROKEN = sorted(path for path in (Path(__file__).parent / "broken").glob("*.*") if path.suffix != ".md")
ENDINGS = {Path(name).suffix: reader for reader, (name, _) in READERS.items()} | {".csv": "tip-table"}


@pytest.mark.parametrize("reader", READERS)
def test_the_seeds_of_the_fuzzer_are_accepted(reader: str) -> None:
    assert [survives(reader, data) for data in seeds(reader)] == [None] * len(seeds(reader))


@pytest.mark.parametrize("path", BROKEN, ids=lambda path: path.name)
def test_a_defect_that_was_found_once_is_told_in_one_sentence(path: Path) -> None:
    assert survives(ENDINGS[path.suffix], path.read_bytes())


# Changes of a valid file as damage and mischief make them: cut, flip, repeat, words that readers trip over.
WORDS = [
    b"nan",
    b"inf",
    b"-1",
    b"0",
    b"4294967295",
    b"1e999",
    b"\xff\xfe",
    b"\0",
    b"\n",
    b"\r\n",
    b"[" * 50,
    b"<",
    b'"',
]


def changed(data: bytes, changes: list[tuple[int, int, int]]) -> bytes:
    """Return `data` after each (kind, place, value) has been done to it."""
    for kind, where, value in changes:
        place = where % (len(data) + 1)
        word = WORDS[value % len(WORDS)]
        match kind:
            case 0:
                data = data[:place]
            case 1:
                data = data[:place] + bytes([value % 256]) + data[place + 1 :]
            case 2:
                data = data[:place] + word + data[place:]
            case 3:
                data = data[:place] + word + data[place + len(word) :]
            case _:
                data = data[:place] + data[place : place + value] * 3 + data[place + value :]
    return data


CHANGES = st.lists(
    st.tuples(st.integers(0, 4), st.integers(0, 10**6), st.integers(0, 10**4)), min_size=1, max_size=4
)


@pytest.mark.parametrize("reader", READERS)
def test_a_damaged_file_is_read_or_refused_and_nothing_else(reader: str) -> None:
    valid = seeds(reader)

    @settings(max_examples=40, deadline=None, derandomize=True, database=None)
    @given(which=st.integers(0, len(valid) - 1), changes=CHANGES)
    def damage(which: int, changes: list[tuple[int, int, int]]) -> None:
        survives(reader, changed(valid[which], changes))

    damage()


@pytest.mark.parametrize("reader", READERS)
@settings(max_examples=20, deadline=None, derandomize=True, database=None)
@given(data=st.binary(max_size=300))
def test_noise_is_refused(reader: str, data: bytes) -> None:
    survives(reader, data)


@pytest.mark.parametrize("ending", ["stl", "obj", "ply", "bdf", "vtk", "vtu", "glb", "toml", "csv"])
def test_a_line_without_end_is_refused_in_bounded_memory(ending: str) -> None:
    # 5 MB in one line stand in for the gigabyte: time and memory grow with the file, not faster.
    reader = {"toml": "job", "csv": "tip-table", "bdf": "nastran"}.get(ending, ending)
    assert survives(reader, b"v" * 5_000_001)


@pytest.mark.skipif(not Path("/dev/zero").exists(), reason="no such device on this system")
def test_a_device_that_never_ends_is_refused() -> None:
    from bayreach.meshfile import read_mesh

    with pytest.raises(MeshError):
        read_mesh(Path("/dev/zero"), "mm")


# The real command, its work replaced by a wait: the moment at which a person loses patience.
WAITS = """
import sys, time
import bayreach.run
from bayreach.cli import main
def wait(job, progress):
    print("ready", flush=True)
    time.sleep(60)
bayreach.run.spray = wait
sys.exit(main(["spray", sys.argv[1], "-o", sys.argv[2]]))
"""


def waiting(job: Path, out: Path) -> subprocess.Popen[str]:
    """Return the process of a spray that has begun its work."""
    words = [sys.executable, "-c", textwrap.dedent(WAITS), str(job), str(out)]
    running = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert running.stdout is not None
    assert running.stdout.readline() == "ready\n"
    return running


@pytest.mark.skipif(sys.platform == "win32", reason="signals are a POSIX notion")
@pytest.mark.parametrize(
    ("number", "sentence"),
    [
        (signal.SIGINT, "bayreach: stopped; nothing half-done was left."),
        (signal.SIGTERM, "ended by the system"),
    ],
)
def test_a_signal_ends_the_work_and_leaves_nothing(
    tmp_path: Path, number: signal.Signals, sentence: str
) -> None:
    out = tmp_path / "out"
    running = waiting(small_job(tmp_path), out)
    running.send_signal(number)
    _, told = running.communicate(timeout=20)
    assert running.returncode == 1
    assert sentence in told
    assert told.count("\n") == 1
    assert not out.exists()


@pytest.mark.skipif(sys.platform == "win32", reason="signals are a POSIX notion")
def test_a_killed_spray_leaves_a_folder_that_holds_no_result_and_can_be_used(tmp_path: Path) -> None:
    from bayreach.cli import main
    from bayreach.errors import StoreError

    out = tmp_path / "out"
    job = small_job(tmp_path)
    running = waiting(job, out)
    running.kill()
    running.communicate(timeout=20)
    with pytest.raises(StoreError, match="has no result"):
        read_outcome(out)
    assert main(["spray", str(job), "-o", str(out)]) == 0
    assert read_outcome(out).title == "Small box"


def test_a_second_spray_into_the_same_folder_is_refused_at_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from bayreach.cli import main

    job, out = small_job(tmp_path), tmp_path / "out"
    running = waiting(job, out)
    try:
        started = time.monotonic()
        assert main(["spray", str(job), "-o", str(out)]) == 1
        assert time.monotonic() - started < 30
        assert "another bayreach is writing there" in capsys.readouterr().err
    finally:
        running.kill()
        running.communicate(timeout=20)


def test_a_folder_that_cannot_be_written_is_told_before_the_work(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from bayreach.cli import main

    (tmp_path / "file").write_text("mine")
    assert main(["spray", str(small_job(tmp_path)), "-o", str(tmp_path / "file" / "out")]) == 1
    assert "a file of that name is in the way; choose another folder" in capsys.readouterr().err


@pytest.mark.parametrize("number", ["EROFS", "EACCES", "ENOSPC", "EDQUOT"])
def test_a_disk_that_refuses_is_told_with_the_mend(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, number: str
) -> None:
    import errno

    from bayreach.cli import main

    job = small_job(tmp_path)

    def refuse(*words: object, **choices: object) -> None:
        raise OSError(getattr(errno, number), os.strerror(getattr(errno, number)))

    monkeypatch.setattr(Path, "mkdir", refuse)
    assert main(["spray", str(job), "-o", str(tmp_path / "out")]) == 1
    told = capsys.readouterr().err
    assert "cannot write the result" in told
    assert "What was there before is untouched." in told
