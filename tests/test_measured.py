"""What `measure` tells of each bay, in the printout and in its JSON, and where it says to look."""

import json
from pathlib import Path

import numpy as np
import pytest
from specimens import X, Y, Z, box, mended, panel, polygon_area, rectangle, ribbed_box, ring, sheet

from bayreach import run
from bayreach.bays import find_bays
from bayreach.cli import main
from bayreach.cli._words import measurement_lines
from bayreach.mesh import Mesh, joined, mesh_of
from bayreach.meshfile import read_mesh, write_mesh
from bayreach.repair import mend

SIZE = (1.0, 0.4, 0.2)
BROKEN = Path(__file__).parent / "broken" / "mendable"


@pytest.fixture
def ported(tmp_path: Path) -> Path:
    """Return a box with a rib with a hole of 100 mm in it, and a port of 60 mm into the first bay."""
    root = sheet(rectangle(0.4, 0.2), [ring((0.2, 0.1), 0.06)], (np.zeros(3), Y, Z), "root")
    whole = ribbed_box(1, SIZE, hole=0.1)
    kept = whole.face_parts != whole.part_names.index("root")
    walls = Mesh(
        points=whole.points,
        faces=whole.faces[kept],
        face_parts=whole.face_parts[kept],
        part_names=whole.part_names,
    )
    path = tmp_path / "box.obj"
    write_mesh(path, mended(walls, root), "mm")
    return path


def measured(capsys: pytest.CaptureFixture[str], *words: str) -> dict:
    assert main(["measure", *words, "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def test_the_json_tells_all_of_a_bay(ported: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ("--units", "mm", "--film", "10 um", "--solids", "0.5")
    told = measured(capsys, str(ported), *words)
    first, second = told["bays"]
    hole, port = polygon_area(0.1), polygon_area(0.06)
    # Each half: floor and ceiling 0.5 x 0.4, long walls 0.5 x 0.2 twice, two ends 0.4 x 0.2, less its holes.
    assert first["area_m2"] == pytest.approx(0.76 - hole - port, rel=1e-6)
    assert first["volume_m3"] == pytest.approx(0.04, rel=1e-6)
    assert first["box_m"] == pytest.approx(np.array([[0, 0, 0], [0.5, 0.4, 0.2]]), abs=1e-6)
    assert first["openings"] == ["opening x0 y200 z100", "opening x500 y200 z100"]
    assert not first["sealed"]
    detail = first["detail"]
    assert detail["neighbours"] == ["outside", "bay 2"]
    assert second["detail"]["neighbours"] == ["bay 1"]
    assert [detail[key] for key in ("up_m2", "down_m2", "vertical_m2")] == pytest.approx(
        [0.2, 0.2, 0.36 - hole - port], rel=1e-6
    )
    assert detail["parts_m2"] == pytest.approx(
        {
            "bottom": 0.2,
            "top": 0.2,
            "front": 0.1,
            "rear": 0.1,
            "root": 0.08 - port,
            "rib at 0.5": 0.08 - hole,
        },
        rel=1e-6,
    )
    assert [point[2] for point in detail["low_points_m"]] == pytest.approx([0.0], abs=1e-9)
    # area x film / volume solids
    assert detail["liquid_m3"] == pytest.approx(first["area_m2"] * 10e-6 / 0.5, rel=1e-12)
    assert told["mesh"]["method"] == "cells"


def test_down_turns_what_faces_up_and_where_liquid_lies(
    ported: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    told = measured(capsys, str(ported), "--units", "mm", "--down", "0,1,0")
    detail = told["bays"][0]["detail"]
    assert (detail["up_m2"], detail["down_m2"]) == pytest.approx((0.1, 0.1), rel=1e-6)
    assert detail["low_points_m"][0][1] == pytest.approx(0.4, rel=1e-6)
    assert detail["liquid_m3"] is None
    assert told["down"] == [0.0, 1.0, 0.0]


def test_the_printout_tells_the_same(ported: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["measure", str(ported), "--units", "mm", "--film", "10 um", "--solids", "0.5"]) == 0
    printed = capsys.readouterr().out
    for words in ("up m2", "vertical m2", "down m2", "liquid mL", "low points", "neighbours", "area by part"):
        assert words in printed
    assert "outside, bay 2" in printed
    assert "bottom 0.2000" in printed
    # 0.7493 m2 x 10 um / 0.5
    assert "15.0" in printed


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--down", "0,0,0"), '--down "0,0,0" must give a direction'),
        (("--down", "0,1"), '--down "0,1" must be 3 numbers'),
        (("--cap", "1,2,3,4"), '--cap "1,2,3,4" must be 3 or 6 numbers'),
        (("--cap", "1,2,3,0,0,0"), "must give a direction"),
        (("--solids", "0"), "--solids 0 must be more than 0"),
    ],
)
def test_words_that_cannot_be_meant_are_refused(
    ported: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, str], says: str
) -> None:
    assert main(["measure", str(ported), "--units", "mm", *words]) == 1
    assert says in capsys.readouterr().err


def test_a_missing_end_rib_is_closed_by_its_plane_or_by_a_point_in_its_rim(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "open.stl"
    write_mesh(path, box((1.0, 0.4, 0.3), open_end=True), "mm")
    (end,) = measured(capsys, str(path), "--units", "mm")["openings"]
    assert end["links"] == ["outside", "bay 1"]
    assert end["detail"]["open_end"]
    # A rod of 300 mm passes it, none of 350 mm.
    (hole,) = measured(capsys, str(path), "--units", "mm", "--open-end", "350 mm")["openings"]
    assert not hole["detail"]["open_end"]
    # 0.4 x 0.3 m of sheet without thickness, its rim in the mesh.
    assert end["detail"]["equivalent_diameter_m"] == pytest.approx(2 * np.sqrt(0.12 / np.pi), rel=1e-6)
    assert [end["detail"][key] for key in ("thickness_m", "diameter_error_m", "area_error_m2")] == [0, 0, 0]
    for cap in ("1000,0,0,1,0,0", "1000,200,150", "1000,50,20"):
        told = measured(capsys, str(path), "--units", "mm", "--cap", cap)
        (only,) = told["bays"]
        assert only["volume_m3"] == pytest.approx(0.12, rel=1e-6)
        assert only["sealed"]
        assert not told["openings"]


def test_a_point_closes_one_of_two_ends_alone() -> None:
    ends = mended(
        panel(1, 0.4, (np.zeros(3), X, Y), "floor"),
        panel(1, 0.4, (0.3 * Z, X, Y), "top"),
        panel(1, 0.3, (np.zeros(3), X, Z), "front"),
        panel(1, 0.3, (0.4 * Y, X, Z), "rear"),
    )
    assert len(find_bays(ends).openings) == 2
    (left,) = find_bays(ends, shut=[((1.0, 0.2, 0.15), None)]).openings
    assert left.center == pytest.approx([0, 0.2, 0.15], abs=1e-12)


@pytest.mark.parametrize(
    ("shut", "words"),
    [
        (((0.5, 0.2, 0.0), None), "no opening is at this point"),
        (((0.5, 0, 0), (1, 0, 0)), "no rim lies in this plane"),
    ],
)
def test_a_cap_that_closes_nothing_is_told(shut: tuple, words: str) -> None:
    bays = find_bays(box((1.0, 0.4, 0.3), open_end=True), shut=[shut])
    (said,) = [finding for finding in bays.findings if finding.kind == "cap not placed"]
    assert words in said.detail
    assert len(said.places) == 1


def test_faces_that_pass_through_each_other_are_told_with_their_places() -> None:
    floor = panel(1, 1, (np.zeros(3), X, Y), "floor")
    web = panel(1, 1, ([0.5, 0, -0.5], Y, Z), "web")
    _, findings = mend(joined([floor, web]))
    (crossing,) = [finding for finding in findings if finding.kind == "crossing faces"]
    assert crossing.count == len(crossing.places)
    # They cross along x = 0.5, z = 0.
    assert crossing.places[:, [0, 2]] == pytest.approx(np.tile([0.5, 0.0], (crossing.count, 1)), abs=1e-12)


@pytest.mark.parametrize("name", sorted(path.name for path in BROKEN.iterdir()))
def test_every_finding_says_where_to_look(name: str) -> None:
    read = read_mesh(BROKEN / name, "m")
    bays = find_bays(read.mesh)
    for finding in (*read.findings, *bays.findings):
        assert len(finding.places) or "in line" in finding.detail, finding.kind


def test_places_are_in_the_json_and_in_the_printout(tmp_path: Path) -> None:
    points = [[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1], [1, 1, 0]]
    path = tmp_path / "twice.obj"
    write_mesh(path, mesh_of(points, [[0, 1, 2], [0, 1, 3], [0, 2, 3], [1, 2, 3], [0, 1, 2]]), "m")
    told = run.measure(path, "m")
    (repeated,) = [repair for repair in told.mesh.repairs if repair.kind == "dropped repeated faces"]
    assert repeated.places_m == (pytest.approx((1 / 3, 1 / 3, 0.0)),)
    assert any("at 333.3, 333.3, 0.0 mm" in line for line in measurement_lines(told, name="twice.obj"))


def test_the_picture_shows_the_bays_that_the_words_tell(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    # It used to measure again without the caps asked for, and showed an opening that was told closed.
    from bayreach import viewer

    shown: list[list] = []
    monkeypatch.setattr(viewer, "draw_bays", lambda *_, openings, **__: shown.append(openings))
    path = tmp_path / "open.stl"
    write_mesh(path, box((1.0, 0.4, 0.3), open_end=True), "mm")
    for cap in ([], ["--cap", "1000,200,150"]):
        measured(capsys, str(path), "--units", "mm", "--png", str(tmp_path / "bays.png"), *cap)
    assert [len(openings) for openings in shown] == [1, 0]
