"""Structures that nobody here made; skipped where the data folder is absent."""

import json
import os
from pathlib import Path

import numpy as np
import pytest

from bayreach.bays import find_bays
from bayreach.meshfile import read_mesh

DATA = Path(os.environ.get("BAYREACH_REAL_MESHES", Path(__file__).parents[2] / "shared" / "data"))

pytestmark = pytest.mark.skipif(not DATA.is_dir(), reason="the folder of real structures is not here")


def reference(name: str) -> dict[str, object]:
    found: dict[str, object] = json.loads((DATA / "reference_bays.json").read_text())[name]
    return found


@pytest.mark.parametrize("ending", [".obj", ".stl", ".bdf"])
def test_every_bay_of_the_research_wing_box_agrees_with_two_other_programs(ending: str) -> None:
    bays = find_bays(read_mesh(DATA / f"tacs_coarse_mdo_wingbox{ending}", "m").mesh)
    cells = sorted(reference("tacs_coarse_mdo_wingbox")["cells"], key=lambda cell: cell["volume"])
    # The reference was made from coordinates rounded to six digits: 3e-6 of the smallest bay.
    found = sorted(bays.bays, key=lambda bay: bay.volume)
    assert [bay.volume for bay in found] == pytest.approx([cell["volume"] for cell in cells], rel=3e-6)
    assert [bay.area for bay in found] == pytest.approx([cell["wetted_area"] for cell in cells], rel=3e-6)
    for bay, cell in zip(found, cells, strict=True):
        assert np.abs(bay.box - np.array(cell["bbox"])).max() < 1e-4
    assert sum(bay.volume for bay in bays.bays) == pytest.approx(8.05826891, rel=1e-7)
    assert all(bay.sealed for bay in bays.bays)


def test_the_box_beam_has_eighteen_equal_bays_only_once_edges_are_split() -> None:
    read = read_mesh(DATA / "crm_boxbeam_8856.bdf", "mm")
    bays = find_bays(read.mesh)
    assert [bay.volume for bay in bays.bays] == pytest.approx([4.285727] * 18, rel=1e-6)
    assert [bay.area for bay in bays.bays] == pytest.approx([19.902231] * 18, rel=1e-6)
    assert sum(bay.volume for bay in bays.bays) == pytest.approx(77.1430656, rel=1e-6)
    # Its free edges are those of stringers.
    assert not bays.openings
    assert [finding.count for finding in read.findings if finding.kind == "split edges"] == [152]


def test_the_plain_box_with_ribs_has_nine_bays_exact_by_hand() -> None:
    bays = find_bays(read_mesh(DATA / "ribs_stiffeners_box.obj", "mm").mesh)
    assert [bay.volume for bay in bays.bays] == pytest.approx([0.1] * 9, rel=1e-9)
    assert [bay.area for bay in bays.bays] == pytest.approx([1.68] * 9, rel=1e-9)
    assert not bays.openings


@pytest.mark.parametrize("ending", [".obj", ".bdf"])
def test_an_open_fuselage_panel_has_no_bay_and_says_so(ending: str) -> None:
    bays = find_bays(read_mesh(DATA / f"fus_section{ending}", "mm").mesh)
    assert not bays.bays
    assert any("it is an open panel" in finding.detail for finding in bays.findings)


@pytest.mark.parametrize("name", ["starling_wing_rib.stl", "plate_holes.stl"])
def test_a_thick_part_is_told_from_a_cavity(name: str) -> None:
    bays = find_bays(read_mesh(DATA / name, "mm").mesh)
    assert not bays.bays
    assert any(finding.detail.startswith("This is a part, not a cavity") for finding in bays.findings)
    assert bays.material_volume > 0
