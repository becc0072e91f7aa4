"""What `reach` says in words, and its exit code, on structures built for one limit each."""

import json
import re
from pathlib import Path

import numpy as np
import pytest
from collisions import Collider
from punched import plate, ribbed_box

from bayreach.cli import main
from bayreach.insertion import Replay, paths_through, space_of
from bayreach.job import load_job
from bayreach.mesh import joined
from bayreach.meshfile import write_mesh
from bayreach.run._site import site_of
from bayreach.tips import Tip
from bayreach.wands import Wand

TIP = Tip(pattern="radial", spread=0.7, flow=3e-6)
AXIS = (1.0, 0, 0)


def rod(length, width, **more) -> Wand:
    return Wand(name="rod", shape="straight", length=length, diameter=width, tip=TIP, **more)


def test_a_rib_s_hole_that_is_too_narrow_is_named_with_both_sizes():
    mesh, bays = ribbed_box(ribs=(0.2, 0.4, 0.6, 0.8), length=1.0, holes=[0.04, 0.04, 0.04, 0.0075])
    bays.openings[4].name = "rib 4 lightening hole"
    space = space_of(mesh, bays)
    _, refusals = paths_through(space, rod(1.2, 0.006, tip_diameter=0.008), space.bays.openings[0])
    (last,) = refusals
    assert (last.bay, last.reason) == ("bay 5", "rib 4 lightening hole: 8.0 mm tip in a 7.5 mm hole")
    assert last.short_by == pytest.approx(0.0005)


def test_what_stands_in_the_way_is_named_with_how_far_in_and_how_far_short():
    mesh, bays = ribbed_box(ribs=(0.05, 0.1, 0.15, 0.249), length=0.4)
    stringer = plate(center=(0.212, 0, 0), normal=AXIS, size=(0.1, 0.1), part="stringer 3")
    space = space_of(joined([mesh, stringer]), bays)
    bare = rod(0.5, 0.006, clearance=0.0)
    _, refusals = paths_through(space, bare, space.bays.openings[0], aims=[AXIS])
    # The stringer's web stands 212 mm in, rib 4 at 249.
    assert refusals[0].reason == "stops 212 mm in, its tip on stringer 3, 37 mm short of bay 5"


JOB = """
title = "Ribs"
mesh = "box.obj"
units = "m"

[target]
film_min = "2 um"

[[wand]]
name = "short"
length = "0.5 m"
diameter = "6 mm"
pull_speed = "50 mm/s"
tip = { pattern = "radial", spread = "60 deg", flow = "200 mL/min" }

[[wand]]
name = "hook"
shape = "bent"
diameter = "5 mm"
pull_speed = "50 mm/s"
pieces = [{ straight = "300 mm" }, { arc = "60 deg", radius = "12 mm" }, { straight = "3 mm" }]
tip = { pattern = "side", spread = "40 deg", flow = "200 mL/min" }

[[wand]]
name = "hose"
shape = "flexible"
length = "0.65 m"
diameter = "6 mm"
pull_speed = "50 mm/s"
bend_radius = "60 mm"
tip = { pattern = "forward", spread = "40 deg", flow = "200 mL/min" }

[[opening]]
name = "port"
center = [0, 0, 0]
"""


@pytest.fixture(scope="module")
def ribbed(tmp_path_factory) -> Path:
    """Return the job file of a box with four bays in line, 0.2 m each, and three wands."""
    folder = tmp_path_factory.mktemp("ribbed")
    write_mesh(folder / "box.obj", ribbed_box()[0], "m")
    (folder / "job.toml").write_text(JOB, encoding="utf-8")
    return folder / "job.toml"


def test_a_required_bay_not_reached_is_exit_code_two_with_the_least_changes(ribbed, capsys):
    assert main(["reach", str(ribbed), "--wand", "short", "--bay", "bay 4"]) == 2
    said = capsys.readouterr().out
    assert (
        "short through port: cannot get into bay 4: stops 500 mm in, at its own length, 100 mm short" in said
    )
    assert "would get in: short through port: length 500.0 mm -> 600." in said
    assert "hook" not in said  # the one wand was asked for


def test_a_required_bay_that_is_reached_is_exit_code_zero(ribbed, capsys):
    assert main(["reach", str(ribbed), "--wand", "hose", "--bay", "bay 4"]) == 0
    said = capsys.readouterr().out
    assert said.startswith("hose through port: gets into bay 4, sees ")
    assert "within its spray" in said


def test_a_replay_file_is_clear_by_the_library(ribbed, tmp_path, capsys):
    path = tmp_path / "ways.json"
    assert main(["reach", str(ribbed), "--wand", "hose", "--replay", str(path)]) == 0
    told = json.loads(path.read_text(encoding="utf-8"))["replays"]
    assert [way["wand"] for way in told] == ["hose"]
    collider = Collider(site_of(load_job(ribbed)).mesh)
    for way in told:
        rows = np.array(way["capsules_m"])[::60]
        film = Replay(
            depths=np.array(way["depths_m"])[::60], starts=rows[:, :, :3], ends=rows[:, :, 3:],
            radii=np.array(way["radii_m"]), margins=np.array(way["margins_m"])[::60],
            line=np.array(way["line_m"]),
        )  # fmt: skip
        assert way["clear_between_steps"]
        assert way["clear_to_m"] == 1e-5
        assert collider.first_hit(film) == "", way["wand"]
    capsys.readouterr()


def test_two_figures_are_swept_into_a_table_a_csv_and_a_plot(ribbed, tmp_path, capsys):
    words = ["reach", str(ribbed), "--wand", "short", "-o", str(tmp_path / "sweep"), "--json"]
    vary = ["--vary", "length=0.15m:0.35m:0.2m", "--vary", "tip_diameter=6mm:36mm:30mm"]
    assert main([*words, *vary]) == 0
    rows = json.loads(capsys.readouterr().out)["sweep"]
    # The port is 30 mm wide.
    told = [(row["length_m"], row["tip_diameter_m"], row["fits"], row["bays_reached"]) for row in rows]
    assert told == [
        (0.15, 0.006, True, 1), (0.15, 0.036, False, 0), (0.35, 0.006, True, 2), (0.35, 0.036, False, 0),
    ]  # fmt: skip
    assert all(0.0 <= row["in_pattern_m2"] <= row["visible_m2"] for row in rows)
    lines = (tmp_path / "sweep" / "sweep.csv").read_text(encoding="utf-8").splitlines()
    assert lines[0].startswith("length_m,tip_diameter_m,opening,fits,depth_m,bays_reached")
    assert len(lines) == 5
    assert (tmp_path / "sweep" / "sweep.svg").read_text(encoding="utf-8").count("<polyline") == 2


def test_what_a_wand_reaches_is_told_bay_by_bay(ribbed, capsys):
    assert main(["reach", str(ribbed), "--wand", "short"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert re.match(r"short through port: fits along aims of [\d.]+ sr, 500 mm deep, tilts up to ", lines[0])
    assert lines[1].startswith("  limit: ")
    for number in (1, 2, 3):
        found = re.match(
            rf"  bay {number}: the tip can be in ([\d.]+) L \(\+- [\d.]+\) of it, sees ", lines[1 + number]
        )
        assert 0.0 < float(found[1]) <= 8.0  # a bay holds 8 L
    assert lines[5].startswith(
        "  bay 4: the tip cannot get in: stops 500 mm in, at its own length, 100 mm short of bay 4; sees "
    )
