"""STEP files: their own unit, their products as parts, and triangles to a stated tolerance."""

import importlib.util
from pathlib import Path

import numpy as np
import pytest
from step_file import METRE, StepFile

from bayreach.bays import find_bays
from bayreach.errors import MeshError
from bayreach.measure import face_areas
from bayreach.meshfile import read_mesh

needs_kernel = pytest.mark.skipif(
    importlib.util.find_spec("cascadio") is None, reason='the extra "step" (cascadio) is not installed'
)

T = 5.0
INSIDE = (600.0, 400.0, 200.0)


def box_of_sheets(unit: str | None = None, scale: float = 1.0) -> str:
    """Return six plates of 5 mm round 600 x 400 x 200 mm of air, a product each, that only touch."""
    a, b, c = INSIDE
    file = StepFile() if unit is None else StepFile(unit)
    plates = {
        "skin lower": ((a + 2 * T, b + 2 * T, T), (-T, -T, -T)),
        "skin upper": ((a + 2 * T, b + 2 * T, T), (-T, -T, c)),
        "spar front": ((a + 2 * T, T, c), (-T, -T, 0)),
        "spar rear": ((a + 2 * T, T, c), (-T, b, 0)),
        "rib 1": ((T, b, c), (-T, 0, 0)),
        "rib 2": ((T, b, c), (a, 0, 0)),
    }
    for name, (size, at) in plates.items():
        file.add_box(name, np.array(size) * scale, np.array(at) * scale)
    return file.text()


@needs_kernel
def test_products_are_parts_in_the_unit_the_file_tells(tmp_path: Path) -> None:
    path = tmp_path / "box.step"
    path.write_text(box_of_sheets())
    read = read_mesh(path, "mm")
    assert set(read.mesh.part_names) == {
        "skin lower", "skin upper", "spar front", "spar rear", "rib 1", "rib 2",
    }  # fmt: skip
    size = read.mesh.box[1] - read.mesh.box[0]
    assert size == pytest.approx([0.61, 0.41, 0.21], rel=1e-6)
    # The lower skin: 0.61 x 0.41 twice and an edge of 5 mm all round. Where plates touch, the first of them
    # keeps the face: both ribs, 0.4 x 5 mm each.
    skin = 2 * 0.61 * 0.41 + 2 * (0.61 + 0.41) * 0.005 - 2 * 0.4 * 0.005
    lower = read.mesh.face_parts == read.mesh.part_names.index("skin lower")
    assert face_areas(read.mesh)[lower].sum() == pytest.approx(skin, rel=1e-5)
    assert not any(finding.kind == "doubtful unit" for finding in read.findings)


@needs_kernel
def test_solids_that_only_touch_close_a_bay_between_them(tmp_path: Path) -> None:
    path = tmp_path / "box.stp"
    path.write_text(box_of_sheets())
    bays = find_bays(read_mesh(path, "mm").mesh)
    (only,) = bays.bays
    assert only.volume == pytest.approx(0.6 * 0.4 * 0.2, rel=1e-6)
    assert only.area == pytest.approx(2 * (0.6 * 0.4 + 0.4 * 0.2 + 0.2 * 0.6), rel=1e-6)
    # What the plates hold is material: all round, less the air.
    assert bays.material_volume == pytest.approx(0.61 * 0.41 * 0.21 - 0.048, rel=1e-6)


@needs_kernel
def test_a_unit_stated_against_the_file_s_own_is_told_and_the_file_s_is_used(tmp_path: Path) -> None:
    path = tmp_path / "box.step"
    path.write_text(box_of_sheets(METRE, 1e-3))
    read = read_mesh(path, "mm")
    assert read.mesh.box[1] - read.mesh.box[0] == pytest.approx([0.61, 0.41, 0.21], rel=1e-6)
    (said,) = [finding for finding in read.findings if finding.kind == "doubtful unit"]
    assert said.detail == 'The file tells its own unit, m, and that was used; "mm" was stated.'


@needs_kernel
def test_a_round_rod_is_cut_to_the_tolerance_that_the_report_states(tmp_path: Path) -> None:
    file = StepFile()
    file.add_rod("rod", 50.0, 300.0)
    path = tmp_path / "rod.step"
    path.write_text(file.text())
    read = read_mesh(path, "mm")
    (said,) = [finding for finding in read.findings if finding.kind == "tessellated"]
    assert "no more than 0.05 mm off a curved face" in said.detail
    middles = read.mesh.corners.mean(axis=1)
    wall = (middles[:, 2] > 1e-6) & (middles[:, 2] < 0.3 - 1e-6)
    # Corners lie on the cylinder, chords inside it by the sagitta at most.
    corners = read.mesh.corners[wall]
    assert np.hypot(corners[..., 0], corners[..., 1]) == pytest.approx(0.05, abs=1e-8)
    chords = 0.5 * (corners + np.roll(corners, 1, axis=1))
    assert np.hypot(chords[..., 0], chords[..., 1]).min() > 0.05 - 0.05e-3
    (only,) = find_bays(read.mesh).bays
    # An n-gon of that sagitta has at least this share of the circle; float32 coordinates add 1e-7.
    assert 0.998 < only.volume / (np.pi * 0.05**2 * 0.3) < 1.0


@needs_kernel
@pytest.mark.parametrize("text", ["no step file at all", "cut short"])
def test_a_damaged_file_is_one_clear_error(
    tmp_path: Path, text: str, capfd: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "bad.step"
    path.write_text(text if text != "cut short" else box_of_sheets()[:4000])
    with pytest.raises(MeshError, match=r"bad.step: it cannot be read as STEP \(ERR StepFile"):
        read_mesh(path, "mm")
    # The kernel's own complaint, with its colours, stays out of a report that a machine reads.
    assert capfd.readouterr() == ("", "")


def test_without_the_kernel_the_error_names_the_extra(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "box.step"
    path.write_text(box_of_sheets())
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None)
    with pytest.raises(MeshError, match=r"pip install 'bayreach\[step\]', or export STL"):
        read_mesh(path, "mm")
