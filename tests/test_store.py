"""A result folder holds wholly the old result or wholly the new, and is read only when every hash fits."""

import dataclasses
import json
import re
import signal
import subprocess
import sys
import textwrap
from pathlib import Path

import numpy as np
import pytest
from results import small_outcome, small_plan, small_result, small_sides

from bayreach.errors import StoreError
from bayreach.film import LedgerError
from bayreach.outcome import FateRecord, Result, Sides
from bayreach.store import (
    check_inputs,
    file_sha256,
    plain_cell,
    read_outcome,
    read_result,
    reserved,
    write_documents,
    write_result,
)


def written(folder: Path, result: Result | None = None) -> Path:
    with reserved(folder):
        write_result(folder, result or small_result())
    return folder


def test_a_result_comes_back_as_it_was(tmp_path: Path) -> None:
    back = read_result(written(tmp_path / "out"))
    assert dataclasses.replace(back.outcome, files={}) == small_outcome()
    for name in ("film", "direct", "settled"):
        np.testing.assert_allclose(getattr(back.sides, name), getattr(small_sides(), name), rtol=1e-15)
    for name in ("side_bay", "status", "source_faces"):
        assert getattr(back.sides, name).tolist() == getattr(small_sides(), name).tolist()
    assert back.sides.mesh.part_names == small_sides().mesh.part_names
    assert back.sides.mesh.faces.tolist() == small_sides().mesh.faces.tolist()
    assert back.sides.extra["creep_um"].tolist() == [0.0, 0.0, 0.5, 0.0]
    assert back.sides.names == {"reason_names": ("none", "shadow")}
    assert back.sides.film_is == "dry"


def test_a_result_that_lost_liquid_is_not_written(tmp_path: Path) -> None:
    # Two millionths of what was sprayed are missing: in all, then of one pass.
    outcome = small_outcome()
    lost = dataclasses.replace(outcome.liquid, escaped_m3=outcome.liquid.escaped_m3 - 2e-6 * 1e-4)
    fate = FateRecord(
        direct_m3=1e-4 * (1 - 2e-6), settled_m3=0.0, uncredited_m3=0.0, suspended_m3=0.0, escaped_m3=0.0,
        elsewhere_m3=0.0,
    )  # fmt: skip
    bad_pass = dataclasses.replace(outcome.passes[0], fate=fate)
    for bad in ({"liquid": lost}, {"passes": (bad_pass,)}):
        with pytest.raises(LedgerError, match="is unaccounted for"):
            written(tmp_path / "out", small_result(dataclasses.replace(outcome, **bad)))
        assert not (tmp_path / "out" / "result.json").exists()


def test_the_folder_holds_what_is_promised_and_nothing_on_its_way(tmp_path: Path) -> None:
    folder = written(tmp_path / "out")
    assert sorted(path.name for path in folder.iterdir()) == [
        ".bayreach",
        "film.vtp",
        "passes.csv",
        "result.json",
    ]
    assert [path.name for path in (folder / ".bayreach").iterdir()] == ["lock"]


def test_the_same_result_gives_the_same_bytes(tmp_path: Path) -> None:
    one, two = written(tmp_path / "one"), written(tmp_path / "two")
    for name in ("result.json", "film.vtp", "passes.csv"):
        assert (one / name).read_bytes() == (two / name).read_bytes()


def test_vtk_reads_the_film_as_written(tmp_path: Path) -> None:
    import pyvista as pv

    mesh = pv.read(written(tmp_path / "out") / "film.vtp")
    assert (mesh.n_cells, mesh.n_points) == (4, 4)
    assert mesh.cell_data["face"].tolist() == [0, 0, 1, 1]
    assert mesh.cell_data["side"].tolist() == [0, 1, 0, 1]
    assert mesh.cell_data["bay"].tolist() == [0, -1, 0, -1]
    assert mesh.cell_data["film_um"].tolist() == pytest.approx([10, 0, 4, 0])
    assert mesh.cell_data["direct_um"].tolist() == pytest.approx([9, 0, 4, 0])
    assert mesh.cell_data["settled_um"].tolist() == pytest.approx([1, 0, 0, 0])
    assert mesh.cell_data["status"].tolist() == [0, 2, 1, 2]
    assert list(mesh.field_data["status_names"]) == ["covered", "low", "dry", "heavy", "keep-out"]
    assert list(mesh.field_data["part_names"]) == ["skin <lower>", "web"]
    # Each side faces its own air: up, down, up, down.
    assert mesh.compute_normals(
        cell_normals=True, point_normals=False, consistent_normals=False, auto_orient_normals=False
    ).cell_data["Normals"][:, 2].tolist() == [1, -1, 1, -1]
    assert mesh.area == pytest.approx(2.0)  # both sides of a square of one metre


def test_an_empty_mesh_can_be_written_and_read(tmp_path: Path) -> None:
    from bayreach.mesh import mesh_of

    none = np.zeros(0)
    sides = Sides(
        mesh=mesh_of(np.zeros((0, 3)), np.zeros((0, 3), dtype=int)),
        source_faces=none,
        side_bay=none,
        film=none,
        direct=none,
        settled=none,
        status=none,
        status_names=("covered",),
    )
    folder = written(tmp_path / "out", Result(outcome=small_outcome(), sides=sides))
    assert read_result(folder).sides.mesh.n_faces == 0


def test_a_new_result_takes_the_old_one_s_documents_away_and_leaves_the_user_s(tmp_path: Path) -> None:
    folder = written(tmp_path / "out")
    write_documents(folder, {"page.html": b"old", "cards.pdf": b"old"})
    (folder / "notes.txt").write_text("mine")
    written(folder, small_result(small_plan()))
    assert not (folder / "page.html").exists()
    assert not (folder / "cards.pdf").exists()
    assert (folder / "notes.txt").read_text() == "mine"
    assert read_result(folder).outcome.plan is not None


def test_a_result_cannot_make_a_later_run_remove_a_job(tmp_path: Path) -> None:
    folder = written(tmp_path / "out")
    (folder / "job.toml").write_text("mine")
    (tmp_path / "a.csv").write_text("mine")
    table = json.loads((folder / "result.json").read_text())
    table["files"] |= {"job.toml": "0", "../a.csv": "0"}
    (folder / "result.json").write_text(json.dumps(table))
    written(folder)
    assert (folder / "job.toml").exists()
    assert (tmp_path / "a.csv").exists()


DAMAGE = {
    "no folder": (lambda folder: None, "has no result; run spray or plan with -o"),
    "cut result": (
        lambda folder: (folder / "result.json").write_bytes((folder / "result.json").read_bytes()[:200]),
        "is not JSON, or was cut short",
    ),
    "deep nesting": (lambda folder: (folder / "result.json").write_bytes(b"[" * 10**6), "is not JSON"),
    "another version": (
        lambda folder: (folder / "result.json").write_text('{"version": 99}'),
        "version 99 found, 1 can be read; run the job again",
    ),
    "a list": (lambda folder: (folder / "result.json").write_text("[]"), "version none found"),
    "changed film": (
        lambda folder: (folder / "film.vtp").write_bytes((folder / "film.vtp").read_bytes()[:-40]),
        "is not the file of this result.json (hashes differ)",
    ),
    "missing film": (lambda folder: (folder / "film.vtp").unlink(), "has no film.vtp"),
}


@pytest.mark.parametrize("damage", DAMAGE)
def test_a_damaged_result_is_refused_in_one_sentence(tmp_path: Path, damage: str) -> None:
    harm, words = DAMAGE[damage]
    folder = tmp_path / "out" if damage == "no folder" else written(tmp_path / "out")
    harm(folder)
    with pytest.raises(StoreError, match=re.escape(words)):
        read_result(folder)


@pytest.mark.parametrize("length", [0, 10, 300, 1200, 2500])
def test_a_film_cut_anywhere_is_refused(tmp_path: Path, length: int) -> None:
    from bayreach.store._vtp import sides_from_vtp, vtp_bytes

    raw = vtp_bytes(small_sides(), bay_names=("bay 1",))
    with pytest.raises(StoreError, match="is not a film file of this program"):
        sides_from_vtp(raw[:length], place="film.vtp")


def test_a_film_that_names_a_huge_array_is_refused_before_it_is_made(tmp_path: Path) -> None:
    from bayreach.store._vtp import _START, sides_from_vtp, vtp_bytes

    raw = vtp_bytes(small_sides(), bay_names=("bay 1",))
    first = raw.index(_START) + len(_START)
    huge = raw[:first] + np.uint64(2**62).tobytes() + raw[first + 8 :]
    with pytest.raises(StoreError, match="array face is cut short"):
        sides_from_vtp(huge, place="film.vtp")


def test_a_changed_input_is_noticed_and_a_missing_one_is_said(tmp_path: Path) -> None:
    mesh, job = tmp_path / "box.stl", tmp_path / "job.toml"
    mesh.write_text("solid")
    job.write_text("title")
    inputs = dataclasses.replace(
        small_outcome().inputs, mesh_sha256=file_sha256(mesh), job_sha256=file_sha256(job)
    )
    outcome = dataclasses.replace(small_outcome(), inputs=inputs)
    folder = tmp_path / "out"
    with reserved(folder):
        write_result(folder, small_result(outcome), origin={"mesh": mesh, "job": job})
    assert check_inputs(folder, outcome) == ()
    job.unlink()
    assert "its job file" in check_inputs(folder, outcome)[0]
    mesh.write_text("solid changed")
    with pytest.raises(StoreError, match=r"its mesh file .* has changed since; run the job again"):
        check_inputs(folder, outcome)


@pytest.mark.parametrize(
    "text", ["=1+1", "+1", "-1", "@SUM(A1)", " =1", "\t=1", "\r=cmd|' /C calc'!A0", "|x", "%x"]
)
def test_no_name_becomes_a_formula_in_a_spreadsheet(text: str) -> None:
    assert plain_cell(text)[0] == "'"
    assert "\n" not in plain_cell(text)
    assert "\r" not in plain_cell(text)


def test_a_hostile_wand_name_stays_text_in_the_table(tmp_path: Path) -> None:
    import csv

    outcome = small_outcome()
    first = dataclasses.replace(outcome.passes[0], wand='=HYPERLINK("x","y"),\r\n"z')
    folder = written(tmp_path / "out", small_result(dataclasses.replace(outcome, passes=(first,))))
    with (folder / "passes.csv").open(newline="") as file:
        rows = list(csv.reader(file))
    assert len(rows) == 2
    assert rows[1][1].startswith("'=")


def test_a_second_writer_is_kept_out(tmp_path: Path) -> None:
    with reserved(tmp_path / "out"):
        text = (
            "from pathlib import Path; from bayreach.store import reserved\n"
            f"with reserved(Path({str(tmp_path / 'out')!r})): pass"
        )
        other = subprocess.run([sys.executable, "-c", text], capture_output=True, text=True, check=False)
    assert "another bayreach is writing there; wait for it, or choose another folder" in other.stderr


def test_a_folder_made_for_nothing_goes_again(tmp_path: Path) -> None:
    with pytest.raises(KeyError), reserved(tmp_path / "a" / "out"):
        raise KeyError
    assert not (tmp_path / "a" / "out").exists()


def test_a_file_in_the_way_is_said(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("mine")
    with (
        pytest.raises(StoreError, match="a file of that name is in the way; choose another folder"),
        reserved(tmp_path / "out"),
    ):
        pass
    assert (tmp_path / "out").read_text() == "mine"


# Writes a second result over a first and dies at the chosen call, as kill -9 would: no cleaning up.
DIES = """
import os, sys
from pathlib import Path
sys.path.insert(0, {tests!r})
from results import small_plan, small_result
from bayreach import store
from bayreach.store import _folder
calls = iter(range(10**6))
def dying(real):
    def call(*args, **kept):
        if next(calls) == {when}:
            os.kill(os.getpid(), 9)
        return real(*args, **kept)
    return call
Path.replace = dying(Path.replace)
Path.rename = dying(Path.rename)
Path.unlink = dying(Path.unlink)
os.fsync = dying(os.fsync)
with store.reserved(Path({folder!r})):
    store.write_result(Path({folder!r}), small_result(small_plan()))
"""


# Every moment of a command's writing is looked at in tests/test_interrupted.py; these are real kills.
@pytest.mark.parametrize("when", [4, 6, 9])
def test_a_killed_writer_leaves_one_whole_result(tmp_path: Path, when: int) -> None:
    folder = written(tmp_path / "out")
    text = DIES.format(tests=str(Path(__file__).parent), when=when, folder=str(folder))
    ended = subprocess.run([sys.executable, "-c", text], capture_output=True, text=True, check=False)
    assert ended.returncode == -signal.SIGKILL, ended.stderr
    back = read_result(folder)  # hashes fit: nothing is mixed
    assert dataclasses.replace(back.outcome, files={}) in (small_outcome(), small_plan())
    written(folder)  # and the folder can be written again
    assert read_result(folder).outcome.plan is None


@pytest.mark.skipif(sys.platform == "win32", reason="a limit on file size is a POSIX notion")
def test_a_disk_that_is_full_leaves_the_old_result(tmp_path: Path) -> None:
    folder = written(tmp_path / "out")
    # A limit of 1 kB on every file stands in for the full disk: writes end in EFBIG as they would in ENOSPC.
    text = textwrap.dedent(f"""
        import resource, signal, sys
        from pathlib import Path
        sys.path.insert(0, {str(Path(__file__).parent)!r})
        from results import small_plan, small_result
        from bayreach import errors, store
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))
        try:
            with store.reserved(Path({str(folder)!r})):
                store.write_result(Path({str(folder)!r}), small_result(small_plan()))
        except errors.StoreError as error:
            print(error)
    """)
    ended = subprocess.run([sys.executable, "-c", text], capture_output=True, text=True, check=False)
    assert "larger than is allowed here" in ended.stdout
    assert "What was there before is untouched." in ended.stdout
    assert read_result(folder).outcome.plan is None
    assert [path.name for path in (folder / ".bayreach").iterdir()] == ["lock"]


def test_reading_waits_for_no_one_and_sees_old_or_new(tmp_path: Path) -> None:
    folder = written(tmp_path / "out")
    with reserved(folder):
        assert read_outcome(folder).plan is None
