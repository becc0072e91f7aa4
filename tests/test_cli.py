"""Each command turns its words into one answer and an exit code; what a user can mend is one sentence."""

import json
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import jsonschema
import pytest
from results import small_outcome, small_plan
from small_job import box_stl, small_job

from bayreach.cli import main
from bayreach.cli._commands import app
from bayreach.cli._schemas import NAMES, schema_named
from bayreach.cli._words import outcome_lines
from bayreach.outcome import DripRecord, LimitRecord, LoadRecord, MistRecord, PoolRecord

HEAVY = (
    "vtk",
    "vtkmodules",
    "pyvista",
    "trimesh",
    "scipy",
    "matplotlib",
    "numpy",
    "pydantic",
    "pint",
    "numba",
)


def ran(words: Sequence[str], **more: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "bayreach", *words], capture_output=True, text=True, check=False, **more
    )


@pytest.fixture(scope="module")
def answered(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with the small job and its result in out/."""
    folder = tmp_path_factory.mktemp("answered")
    assert main(["spray", str(small_job(folder)), "-o", str(folder / "out")]) == 0
    return folder


@pytest.mark.parametrize("words", [["--help"], ["--version"], ["spray", "--help"], ["measure", "--help"]])
def test_help_loads_no_heavy_library(words: list[str]) -> None:
    text = (
        "import sys\nfrom bayreach.cli import main\n"
        f"code = main({words!r})\n"
        f"print([name for name in {HEAVY!r} if name in sys.modules], code, file=sys.stderr)"
    )
    ended = subprocess.run([sys.executable, "-c", text], capture_output=True, text=True, check=False)
    assert ended.stderr.strip() == "[] 0"


def test_the_bare_word_shows_the_commands(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([]) == 0
    shown = capsys.readouterr().out
    for command in ("measure", "spray", "show", "demo", "schema"):
        assert command in shown


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["mesure"], 'Unknown command "mesure". Did you mean "measure"?'),
        (["measure"], "requires an argument."),
        (["measure", "box.stl"], "requires an argument."),
        (["measure", "box.stl", "--unis", "mm"], "--units"),
        (
            ["measure", "box.stl", "--units", "mn"],
            '"mn" is unknown; use one of m, cm, mm, um, in, ft.',
        ),
        (["measure", "none.stl", "--units", "mm"], "none.stl"),
        (["spray", "none.toml", "-o", "out"], "none.toml: there is no such file."),
        (["spray", "none.toml"], "--out"),
        (["show", "nowhere"], "nowhere: has no result; run spray or plan with -o nowhere first."),
        (
            ["schema", "jb"],
            'there is no schema of "jb"; known: job, result,',
        ),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_a_wrong_word_is_answered_in_one_sentence(
    words: list[str],
    sentence: str,
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(words) == 1
    told = capsys.readouterr()
    assert sentence in told.err
    assert told.err.count("\n") == 1
    assert told.out == ""
    assert not list(tmp_path.iterdir())


def test_measure_reports_the_box(answered: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["measure", str(answered / "meshes" / "box.stl"), "--units", "mm"]) == 0
    shown = capsys.readouterr().out
    assert "12 faces" in shown
    assert "600.0 x 400.0 x 300.0 mm" in shown
    assert "23.62 x 15.75 x 11.81 in" in shown  # 600 / 25.4 = 23.62
    assert "0 open, 0 with more than two faces" in shown
    # 2 (0.6 0.4 + 0.4 0.3 + 0.6 0.3) = 1.08 m², 0.6 0.4 0.3 m³ = 72 L
    assert "1.0800" in shown
    assert "72.000" in shown


def test_a_cap_closes_a_box_without_a_lid(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lines = box_stl().splitlines()
    open_box = [*lines[:1], *lines[1:-15], *lines[-1:]]  # the last quad, z = 300 mm, is left out
    (tmp_path / "box.stl").write_text("\n".join(open_box))
    words = ["measure", str(tmp_path / "box.stl"), "--units", "mm"]
    assert main([*words, "--cap", "300,200,300,0,0,1", "--json"]) == 0
    table = json.loads(capsys.readouterr().out)
    assert [bay["volume_m3"] for bay in table["bays"]] == [pytest.approx(0.072)]
    assert main([*words, "--cap", "300,400"]) == 1
    assert '--cap "300,400" must be 3 or 6 numbers' in capsys.readouterr().err


def test_strict_refuses_a_mesh_that_needs_mending(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lines = box_stl().splitlines()
    (tmp_path / "box.stl").write_text("\n".join([*lines[:-1], *lines[1:8], lines[-1]]))  # one face twice
    assert main(["measure", str(tmp_path / "box.stl"), "--units", "mm", "--strict"]) == 1
    assert capsys.readouterr().err.startswith("bayreach: box.stl")


def test_measure_for_a_machine_fits_its_schema(answered: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["measure", str(answered / "meshes" / "box.stl"), "--units", "mm", "--json"]) == 0
    table = json.loads(capsys.readouterr().out)
    jsonschema.validate(table, schema_named("measurement"))
    assert table["bays"][0]["area_m2"] == pytest.approx(1.08, rel=1e-12)
    assert table["bays"][0]["volume_m3"] == pytest.approx(0.072, rel=1e-12)


def test_spray_writes_what_it_prints(answered: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["spray", str(answered / "job.toml"), "-o", str(answered / "again"), "--json"]) == 0
    table = json.loads(capsys.readouterr().out)
    jsonschema.validate(table, schema_named("result"))
    assert table == json.loads((answered / "again" / "result.json").read_text())
    assert table["cautions"]
    assert table["coverage"]["met"]
    assert "plan" not in table


def test_pools_drips_added_mass_and_mist_are_printed_with_their_units() -> None:
    outcome = replace(
        small_outcome(),
        pools=(PoolRecord(name="pool 1", bay="bay 1", center_m=(0.5, 0.25, 0.0), volume_m3=12e-6),),
        drips=(DripRecord(opening="port", volume_m3=3e-6, kept_in_if_plugged_m3=2e-6),),
        loads=(LoadRecord(bay="bay 1", film_kg=0.01, pool_kg=0.002, dry_kg=0.005, center_m=(0, 0, 0)),),
        mist=(
            MistRecord(
                bay="bay 1",
                air_m3=0.1,
                airborne_kg_m3=0.02,
                airborne_unsettled_kg_m3=0.03,
                vapour_if_all_dries_kg_m3=0.01,
                time_to_95_s=60.0,
            ),
        ),
        mist_limits=(LimitRecord(name="a tenth of a lower limit", value_kg_m3=0.004, source="none"),),
    )
    shown = outcome_lines(outcome, folder="out")
    for line in (
        "pool 12.0 mL in bay 1 at 500.0, 250.0, 0.0 mm",
        "out of port 3.0 mL; a plug there would keep 2.0 mL in",
        "added mass 12.0 g wet, 5.0 g dry",
        "mist in bay 1 up to 20 g/m3; compare:",
        "  4 g/m3 a tenth of a lower limit",
    ):
        assert line in shown


def test_a_plan_tells_what_each_number_of_new_holes_covers_and_what_is_not_ruled_out() -> None:
    shown = outcome_lines(small_plan(), folder="out")
    assert "  to choose from: 0 new holes 40.0 %, 1 new hole 60.0 % (at most 65.0 %)" in shown


def test_the_same_job_gives_the_same_bytes(answered: Path) -> None:
    assert main(["spray", str(answered / "job.toml"), "-o", str(answered / "third")]) == 0
    for name in ("result.json", "film.vtp", "passes.csv"):
        assert (answered / "third" / name).read_bytes() == (answered / "out" / name).read_bytes()


def test_reach_tells_how_deep_a_straight_wand_goes(
    answered: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["reach", str(answered / "job.toml"), "--json"]) == 0
    table = json.loads(capsys.readouterr().out)
    jsonschema.validate(table, schema_named("reach"))
    assert (
        table["ray_engine"]
        == json.loads((answered / "out" / "result.json").read_text())["inputs"]["settings"]["ray_engine"]
    )
    row = table["reach"][0]
    assert (row["wand"], row["opening"], row["fits"]) == ("long", "port", True)
    # The wand is 0.7 m long; along the box's diagonal from the port there is a little more than 0.6 m.
    assert 0.6 < row["depth_m"] <= 0.7
    assert row["bays_reached"] == [table["reach"][0]["bays"][0]["bay"]]


def test_reach_of_a_bay_that_is_not_there_is_refused(
    answered: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["reach", str(answered / "job.toml"), "--bay", "bay 7"]) == 1
    assert '--bay "bay 7" is no bay of box.stl. Did you mean "bay 1"?' in capsys.readouterr().err


def test_a_longer_wand_reaches_deeper(
    answered: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["reach", str(answered / "job.toml"), "--wand", "long", "--vary", "length=0.2m:0.6m:0.2m"]
    assert main([*words, "-o", str(tmp_path / "sweep"), "--json"]) == 0
    table = json.loads(capsys.readouterr().out)
    jsonschema.validate(table, schema_named("sweep"))
    rows = table["sweep"]
    depths = [row["depth_m"] for row in rows]
    assert depths == sorted(depths)
    assert depths[0] == pytest.approx(0.2)
    assert (tmp_path / "sweep" / "sweep.csv").read_text().startswith("length_m,")


def test_a_sweep_without_a_wand_says_what_is_missing(
    answered: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["reach", str(answered / "job.toml"), "--vary", "length=0.2m:0.6m:0.2m"]) == 1
    assert "--vary needs --wand" in capsys.readouterr().err


def test_a_replay_holds_the_wand_step_by_step(answered: Path, tmp_path: Path) -> None:
    assert main(["reach", str(answered / "job.toml"), "--replay", str(tmp_path / "way.json")]) == 0
    written = json.loads((tmp_path / "way.json").read_text())
    jsonschema.validate(written, schema_named("replay"))
    replay = written["replays"][0]
    assert replay["wand"] == "long"
    assert len(replay["depths_m"]) == len(replay["capsules_m"])


def test_doubt_adds_chances_to_a_result(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from bayreach.store import read_result

    job = small_job(tmp_path)
    job.write_text(job.read_text() + "\n[doubt]\nsamples = 64\n")
    assert main(["spray", str(job), "-o", str(tmp_path / "out")]) == 0
    capsys.readouterr()
    assert main(["doubt", str(tmp_path / "out"), "--json"]) == 0
    jsonschema.validate(json.loads(capsys.readouterr().out), schema_named("result"))
    assert main(["doubt", str(tmp_path / "out")]) == 0
    assert "at least 95 % sure" in capsys.readouterr().out
    result = read_result(tmp_path / "out")
    assert result.outcome.doubt is not None
    assert result.sides.extra["chance"].max() <= 1.0


def test_a_sure_plan_takes_no_other_switch(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["plan", str(small_job(tmp_path)), "-o", str(tmp_path / "out"), "--sure", "0.95", "--no-drill"]
    assert main(words) == 1
    assert "--sure and --no-drill do not go together" in capsys.readouterr().err


def test_a_chance_of_one_cannot_be_planned_for(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["plan", str(small_job(tmp_path)), "-o", str(tmp_path / "out"), "--sure", "1.0"]
    assert main(words) == 1
    assert "a chance from 0.5 to below 1 is needed" in capsys.readouterr().err


def test_a_study_of_two_jobs_tells_both(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    jobs = [str(small_job(tmp_path / name)) for name in ("left", "right")]
    words = ["study", *jobs, "-o", str(tmp_path / "out"), "--spray", "--workers", "1"]
    assert main([*words, "--json"]) == 0
    table = json.loads(capsys.readouterr().out)
    jsonschema.validate(table, schema_named("study"))
    assert len(table["jobs"]) == 2


def test_coupons_at_twice_the_prediction_give_a_factor_of_two(
    answered: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from bayreach.measure import centroids
    from bayreach.store import read_result

    sides = read_result(answered / "out").sides
    wet = [side for side in range(sides.mesh.n_sides) if sides.film[side] > 0 and sides.side_bay[side] >= 0][
        :3
    ]
    rows = [
        f"c{side},{','.join(str(1e3 * x) for x in centroids(sides.mesh)[side // 2])},{2e6 * sides.film[side]}"
        for side in wet
    ]
    (tmp_path / "coupons.csv").write_text("\n".join(["name,x,y,z,film_um", *rows]))
    assert main(["coupons", str(answered / "out"), str(tmp_path / "coupons.csv"), "--json"]) == 0
    table = json.loads(capsys.readouterr().out)
    jsonschema.validate(table, schema_named("coupons"))
    assert table["n_used"] == 3
    assert table["factor"] == pytest.approx(2.0)


def test_a_plan_and_its_proof_for_a_machine_fit_their_schemas(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job = small_job(tmp_path)
    job.write_text(job.read_text().replace("80 mm", "300 mm") + "[drilling]\nallowed = false\n")
    assert main(["plan", str(job), "-o", str(tmp_path / "out"), "--json"]) == 0
    planned = json.loads(capsys.readouterr().out)
    jsonschema.validate(planned, schema_named("result"))
    assert planned["plan"]["new_holes"] == 0
    assert main(["prove", str(tmp_path / "out"), "--json"]) == 0
    proof = json.loads(capsys.readouterr().out)
    jsonschema.validate(proof, schema_named("proof"))
    assert proof["coverage"] == pytest.approx(proof["coverage_claimed"], abs=1e-6)
    found = {path.name for path in (tmp_path / "out").rglob("*.json") if ".bayreach" not in path.parts}
    assert found == {"result.json", "certificate.json"}  # each JSON file that is not internal has a schema
    certificate = json.loads((tmp_path / "out" / "certificate.json").read_bytes())
    jsonschema.validate(certificate, schema_named("certificate"))


def test_every_command_prints_json_and_its_schema_is_published() -> None:
    printed = {
        "measure": "measurement",
        "reach": "reach",
        "spray": "result",
        "plan": "result",
        "doubt": "result",
        "show": "show",
        "sheets": "sheets",
        "compare": "comparison",
        "coupons": "coupons",
        "prove": "proof",
        "demo": "demo",
        "study": "study",
        "studio": "studio",
        "schema": None,  # a schema itself
    }
    commands = {name for name in app if not name.startswith("-")}
    assert commands == set(printed)
    for command in commands:
        words = app[command].assemble_argument_collection()
        assert "--json" in {name for word in words for name in word.names}, command
    written = {"job", "sweep", "replay", "certificate", "record"}
    assert set(printed.values()) - {None} | written == set(NAMES)


def test_prove_asks_for_a_plan(answered: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["prove", str(answered / "out")]) == 1
    assert "bayreach plan" in capsys.readouterr().err


def test_compare_says_when_nothing_changed(answered: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = str(answered / "out")
    assert main(["compare", out, out]) == 0
    assert capsys.readouterr().out == "nothing changed\n"
    assert main(["compare", out, out, "--json"]) == 0
    table = json.loads(capsys.readouterr().out)
    jsonschema.validate(table, schema_named("comparison"))
    assert table["same_mesh"]


def test_a_target_that_is_not_met_exits_2(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["spray", str(small_job(tmp_path, coverage=1.0)), "-o", str(tmp_path / "out")]) == 2
    shown = capsys.readouterr().out
    assert "100.0 % asked: not reached" in shown
    assert "caution: " in shown


def test_demo_writes_jobs_that_load(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from bayreach.job import load_job

    assert main(["demo", str(tmp_path / "demo"), "--json"]) == 0
    table = json.loads(capsys.readouterr().out)
    jsonschema.validate(table, schema_named("demo"))
    for path in table["jobs"]:
        assert load_job(Path(path)).wands


@pytest.mark.parametrize("of", NAMES)
def test_schema_prints_a_schema(of: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["schema", of]) == 0
    jsonschema.Draft202012Validator.check_schema(json.loads(capsys.readouterr().out))


def test_show_refuses_a_result_of_another_mesh(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    job = small_job(tmp_path)
    assert main(["spray", str(job), "-o", str(tmp_path / "out")]) == 0
    with (tmp_path / "meshes" / "box.stl").open("a") as file:
        file.write("\n")
    capsys.readouterr()
    assert main(["show", str(tmp_path / "out"), "--png", str(tmp_path / "x.png")]) == 1
    assert "box.stl has changed since; run the job again." in capsys.readouterr().err
    assert not (tmp_path / "x.png").exists()


def test_sheets_and_show_print_what_they_wrote(
    answered: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("bayreach.picture._result_sheet.FINE", 1)  # a quarter of the pixels
    assert main(["sheets", str(answered / "out"), "--json"]) == 0
    table = json.loads(capsys.readouterr().out)
    jsonschema.validate(table, schema_named("sheets"))
    assert all(Path(name).is_file() for name in table["documents"])
    jsonschema.validate(json.loads((answered / "out" / "record.json").read_bytes()), schema_named("record"))
    png = answered / "map.png"
    assert main(["show", str(answered / "out"), "--png", str(png), "--json"]) == 0
    jsonschema.validate(json.loads(capsys.readouterr().out), schema_named("show"))
    assert png.read_bytes()[:4] == b"\x89PNG"


def test_a_name_cannot_drive_the_terminal(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["spray", str(tmp_path / "\x1b[31mjob.toml"), "-o", "out"]) == 1
    assert "\x1b" not in capsys.readouterr().err


def test_a_reader_that_goes_away_is_no_failure_to_report(answered: Path) -> None:
    words = [sys.executable, "-m", "bayreach", "schema"]
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as running:
        assert running.stdout is not None
        assert running.stderr is not None
        running.stdout.close()
        assert running.stderr.read() == b""
