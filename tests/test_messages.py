"""Three people type and write what is wrong: each message names thing, place, value, limit and mend."""

from pathlib import Path

import pytest
from small_job import small_job

from bayreach.cli import main


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with the small job, its result in out/ and a table that is no tip's."""
    made = tmp_path_factory.mktemp("messages")
    assert main(["spray", str(small_job(made)), "-o", str(made / "out")]) == 0
    (made / "name.csv").write_text("name,x,y,z,film_um\n")
    return made


LENGTH = 'a length is written like "6 mm" or "1/4 in".'
WRITTEN = {
    ('diameter = "6 mm"', 'diameter = "6"'): f'[[wand]] 1 "long", key "diameter": "6" has no unit; {LENGTH}',
    ('diameter = "6 mm"', "diameter = 6"): (
        'key "diameter" must be a quantity in quotes with its unit, like "6 mm" or "1/4 in"; 6 found.'
    ),
    ('diameter = "6 mm"', 'diameter = "-6 mm"'): 'key "diameter" must be more than 0 m; "-6 mm" found.',
    ('"radial", spread = "60 deg"', '"radial", spread = "400 deg"'): (
        'job.toml: [[wand]] 1 "long": tip spread: 400 deg found, above 0 to 180 deg allowed.'
    ),
    ('"radial"', '"table", table = "name.csv"'): (
        '[[wand]] 1 "long", key "tip.table": name.csv: a tip table needs a row of azimuth edges'
    ),
    ('from = "0.55 m"', 'from = "0.01 m"'): (
        "[[pass]] 1: a pull goes outward, so from (0.01 m) must be at least to (0.05 m)."
    ),
    ("[0, 200, 150]", "[0, 200, 15000]"): (
        'job.toml: opening "port": no sheet within 30 mm of the hole at [0.0, 0.2, 15.0] m: '
        "the nearest face is 14700 mm away; move it onto a face or turn the normal."
    ),
    ('edge = "80 mm"', 'edge = "0.01 mm"'): (
        '[film], key "edge": 0.01 mm would cut the structure into some 6.7e+10 faces, at most 5,000,000 are '
        "taken; 1.2 mm or more does it."
    ),
    ('title = "Small box"', 'title = ""'): "key \"title\" must have at least 1 character; '' found.",
    ("coverage = 0.01", "coverage = 1.5"): (
        '[target], key "coverage" must be less than or equal to 1; 1.5 found.'
    ),
    ('units = "mm"', 'units = "inch"'): "'inch' found. Did you mean \"in\"?",
    ("meshes/box.stl", "meshes/bx.stl"): 'there is no file "meshes/bx.stl" in ',
}


@pytest.mark.parametrize(("change", "sentence"), WRITTEN.items(), ids=lambda value: str(value)[:40])
def test_a_wrong_line_in_a_job_is_told_with_its_place_and_its_mend(
    change: tuple[str, str], sentence: str, folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job = small_job(tmp_path)
    (tmp_path / "name.csv").write_bytes((folder / "name.csv").read_bytes())
    assert change[0] in job.read_text()
    job.write_text(job.read_text().replace(*change))
    assert main(["spray", str(job), "-o", str(tmp_path / "out")]) == 1
    told = capsys.readouterr().err
    assert sentence in told
    assert told.count("\n") == 1
    assert ".." not in told.replace("...", "")
    assert not (tmp_path / "out").exists()


TYPED = {
    "measure meshes/box.stl --units mm --film 10": f'--film: "10" has no unit; {LENGTH}',
    "measure meshes/box.stl --units mm --film -1mm": '--film "-1mm" must be more than 0.',
    "measure meshes/box.stl --units mm --close 2": f'--close: "2" has no unit; {LENGTH}',
    "measure meshes/box.stl --units mm --down -1,0": (
        '--down "-1,0" must be 3 numbers with commas between them.'
    ),
    "reach job.toml --wand long --vary length=0.2:1:0.1": (
        f'"length=0.2:1:0.1": "0.2" has no unit; {LENGTH}'
    ),
    "doubt out --job none.toml": "none.toml: there is no such file; name with --job the job that out",
    "doubt out --job other.toml": "other.toml is not the job file that it was made from; name that one",
    "prove out": "out: has no columns.npz, so there is no plan to prove; run `bayreach plan` first.",
    "coupons out none.csv": "(No such file or directory; check the path).",
    "study job.toml -o study --workers 0": "study: --workers 0 must be at least 1.",
    "study job.toml -o study --spread 0": "study: --spread 0 must be at least 1.",
    "study job.toml -o study --memory -2": "study: --memory -2 GB must be more than 0.",
    "studio job.toml --no-browser --port 99999": "port 99999 is none: give a --port from 0 to 65535.",
}


@pytest.mark.parametrize("words", TYPED)
def test_a_wrong_word_is_told_with_its_flag_and_its_mend(
    words: str, folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(folder)
    (folder / "other.toml").write_text((folder / "job.toml").read_text() + "# another\n")
    assert main(words.split()) == 1
    told = capsys.readouterr().err
    assert TYPED[words] in told
    assert told.count("\n") == 1


def test_a_direction_may_begin_with_a_minus(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["measure", str(folder / "meshes" / "box.stl"), "--units", "mm", "--down", "-1,0,0", "--json"]
    assert main(words) == 0
    assert '"down": [\n  -1.0,' in capsys.readouterr().out
