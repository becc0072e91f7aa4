"""Names in the input cannot run or break an output, and no figure claims more than was found."""

import csv
import json
import os
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import pytest
from boxjob import BOX_JOB, write_box_job
from small_job import box_stl, small_job

from bayreach.cli import main
from bayreach.store import read_outcome, read_result

# A formula, markup, quotes of three kinds, a line separator, text that runs right to left, format signs.
MISCHIEF = "=1+cmd|' /C calc'!A0 </script><script>alert(1)</script> \\\"; {0} %s \u202e\u2028 #let x = 1"


def toml_text(text: str) -> str:
    return json.dumps(text)[1:-1]


def mischievous_job(folder: Path) -> Path:
    """Return a job whose every name is mischief, holes included."""
    path = small_job(folder, wand=toml_text(MISCHIEF))
    text = path.read_text()
    text = text.replace('"port"', f'"{toml_text(MISCHIEF)}"').replace("Small box", toml_text(MISCHIEF))
    text += f'[[keep_out]]\nname = "{toml_text(MISCHIEF)}"\nbox = [[500, 0, 0], [600, 50, 50]]\n'
    path.write_text(text)
    return path


class Scripts(HTMLParser):
    """Gathers what a page would run or fetch."""

    def __init__(self) -> None:
        super().__init__()
        self.running = False
        self.scripts: list[str] = []
        self.handlers: list[str] = []
        self.fetched: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.running = tag == "script"
        if self.running:
            self.scripts.append("")
        for name, value in attrs:
            if name.startswith("on"):
                self.handlers.append(name)
            if name in ("src", "href") and value and "//" in value and not value.startswith("data:"):
                self.fetched.append(value)

    def handle_endtag(self, tag: str) -> None:
        self.running = False

    def handle_data(self, data: str) -> None:
        if self.running:
            self.scripts[-1] += data


@pytest.fixture(scope="module")
def mischief(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the result folder, documents and all, of a job whose every name is mischief."""
    folder = tmp_path_factory.mktemp("mischief")
    assert main(["spray", str(mischievous_job(folder)), "-o", str(folder / "out")]) == 0
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("bayreach.picture._result_sheet.FINE", 1)  # a quarter of the pixels
        assert main(["sheets", str(folder / "out")]) == 0
    return folder / "out"


def test_no_name_runs_in_the_page(mischief: Path) -> None:
    page = Scripts()
    page.feed((mischief / "sheet.html").read_text(encoding="utf-8"))
    assert page.scripts
    assert not [script for script in page.scripts if script.strip() == "alert(1)"]
    assert not page.handlers
    assert not page.fetched


def test_no_name_becomes_a_formula_in_any_table(mischief: Path) -> None:
    for path in mischief.glob("*.csv"):
        with path.open(newline="", encoding="utf-8") as file:
            cells = [cell for row in csv.reader(file) for cell in row]
        assert not [cell for cell in cells if cell[:1] in "=+@" and cell]
        assert not [cell for cell in cells if cell[:1] == "-" and not cell[1:2].isdigit()]


def test_the_film_opens_whatever_its_names(mischief: Path) -> None:
    import pyvista as pv

    mesh = pv.read(mischief / "film.vtp")
    assert mesh.n_cells == read_result(mischief).sides.mesh.n_sides


def test_the_cards_open_whatever_their_names(mischief: Path) -> None:
    from pypdf import PdfReader

    for path in mischief.glob("*.pdf"):
        text = "".join(page.extract_text() for page in PdfReader(path).pages)
        assert "cmd" in text  # shown as text, not set as markup
        assert "/JavaScript" not in path.read_bytes().decode("latin-1")


def test_no_name_runs_in_a_sweep_a_wand_s_sheet_or_a_study_s_page(mischief: Path, tmp_path: Path) -> None:
    import ezdxf

    from bayreach.study._overview import overview_of
    from bayreach.study._page import page
    from bayreach.study._tasks import Refused

    words = ["reach", str(mischief.parent / "job.toml"), "--wand", MISCHIEF]
    assert main([*words, "--vary", "length=0.2m:0.4m:0.2m", "-o", str(tmp_path)]) == 0
    assert main([*words, "--sheet", str(tmp_path)]) == 0
    kinds = {node.tag.rpartition("}")[2] for node in ElementTree.parse(tmp_path / "sweep.svg").iter()}
    assert not kinds & {"script", "foreignObject", "image", "a"}
    with (tmp_path / "sweep.csv").open(newline="", encoding="utf-8") as file:
        assert not [cell for row in csv.reader(file) for cell in row if cell[:1] in "=+@" and cell]
    drawing = ezdxf.readfile(tmp_path / "wand.dxf")
    assert not drawing.audit().errors
    assert b"/JavaScript" not in (tmp_path / "wand.pdf").read_bytes()
    overview = Scripts()
    overview.feed(page(overview_of((), (Refused(name=MISCHIEF, reason=MISCHIEF),), {})))
    assert (overview.scripts, overview.handlers, overview.fetched) == ([], [], [])


def test_the_result_holds_the_names_as_they_are(mischief: Path) -> None:
    assert read_outcome(mischief).passes[0].wand == MISCHIEF


def test_the_printout_holds_nothing_a_terminal_acts_on(
    mischief: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["compare", str(mischief), str(mischief)]) == 0
    assert main(["spray", str(mischief.parent / "job.toml"), "-o", str(mischief.parent / "again")]) == 0
    shown = capsys.readouterr().out
    assert "\u202e" not in shown
    assert all(sign.isprintable() or sign == "\n" for sign in shown)


def test_parts_of_a_mesh_may_bear_any_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("bayreach.picture._result_sheet.FINE", 1)
    job = small_job(tmp_path)
    corners = [line.split()[1:] for line in box_stl().splitlines() if line.startswith("vertex")]
    rows = [f"v {' '.join(corner)}" for corner in corners]
    rows += [f"g {MISCHIEF}"] + [f"f {k + 1} {k + 2} {k + 3}" for k in range(0, len(corners), 3)]
    (tmp_path / "meshes" / "box.obj").write_text("\n".join(rows), encoding="utf-8")
    job.write_text(job.read_text().replace("box.stl", "box.obj"))
    assert main(["spray", str(job), "-o", str(tmp_path / "out")]) == 0
    assert main(["sheets", str(tmp_path / "out")]) == 0
    page = Scripts()
    page.feed((tmp_path / "out" / "sheet.html").read_text(encoding="utf-8"))
    assert not [script for script in page.scripts if script.strip() == "alert(1)"]


def test_nothing_required_is_said_and_never_a_hundred_percent(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job = small_job(tmp_path)
    job.write_text(job.read_text() + '[[surface]]\npart = "mesh"\npriority = 0\n')
    code = main(["spray", str(job), "-o", str(tmp_path / "out")])
    told = capsys.readouterr()
    assert code in (1, 2)
    assert "100" not in told.out.split("caution")[0].replace("100.0 % asked", "")
    if code == 2:
        coverage = read_outcome(tmp_path / "out").coverage
        assert (coverage.fraction, coverage.met) == (None, False)
        assert "no area asks for film" in told.out


def test_all_keep_out_is_said_and_never_a_hundred_percent(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job = small_job(tmp_path)
    job.write_text(
        job.read_text() + '[[keep_out]]\nname = "all"\nno = "spray"\nbox = [[-1, -1, -1], [601, 401, 301]]\n'
    )
    assert main(["spray", str(job), "-o", str(tmp_path / "out")]) == 2
    outcome = read_outcome(tmp_path / "out")
    assert not outcome.coverage.met
    assert outcome.coverage.fraction is None
    assert outcome.masks[0].touched
    assert "no area asks for film" in capsys.readouterr().out


def test_a_mesh_that_holds_no_air_has_no_bay_and_no_percent(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "plate.stl").write_text(
        "solid a\nfacet normal 0 0 1\nouter loop\nvertex 0 0 0\nvertex 500 0 0\nvertex 0 500 0\n"
        "endloop\nendfacet\nendsolid a\n"
    )
    code = main(["measure", str(tmp_path / "plate.stl"), "--units", "mm"])
    told = capsys.readouterr()
    assert code in (0, 1)
    assert "no bay" in told.out + told.err
    assert "%" not in told.out.split("caution")[0]


@pytest.mark.parametrize("threads", ["1", "2"])
def test_the_same_job_gives_the_same_bytes_on_any_number_of_threads(tmp_path: Path, threads: str) -> None:
    job = small_job(tmp_path)
    assert main(["spray", str(job), "-o", str(tmp_path / "here")]) == 0
    words = [sys.executable, "-m", "bayreach", "spray", str(job), "-o", str(tmp_path / "there")]
    counts = dict.fromkeys(("NUMBA_NUM_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), threads)
    subprocess.run(words, env=os.environ | counts, check=True, capture_output=True)
    for name in ("result.json", "film.vtp", "passes.csv"):
        assert (tmp_path / "there" / name).read_bytes() == (tmp_path / "here" / name).read_bytes()


def test_sums_over_many_sides_are_the_same_on_one_thread_and_on_two(tmp_path: Path) -> None:
    # Linear algebra libraries share sums over more than some 10,000 numbers between threads.
    job = write_box_job(tmp_path, BOX_JOB.replace('edge = "60 mm"', 'edge = "6 mm"'))
    for threads in ("1", "2"):
        words = [sys.executable, "-m", "bayreach", "spray", str(job), "-o", str(tmp_path / threads)]
        counts = dict.fromkeys(("NUMBA_NUM_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), threads)
        run = subprocess.run(words, env=os.environ | counts, check=False, capture_output=True)
        assert run.returncode == 2  # done; one pass does not reach the target
    for name in ("result.json", "film.vtp", "passes.csv"):
        assert (tmp_path / "1" / name).read_bytes() == (tmp_path / "2" / name).read_bytes()
