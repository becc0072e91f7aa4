"""Bays from a grid, and the check of exact bays by one."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from specimens import X, Y, Z, box, mended, panel, polygon_area, rectangle, rib, ribbed_box, ring, sheet

from bayreach.bays import Bays, bay_at, check_by_voxels, find_bays
from bayreach.bays._grid import Links, volumes_to_walls
from bayreach.mesh import Mesh

SIZE = (1.0, 0.4, 0.2)


def gapped_box(gap: float) -> Mesh:
    """Build a box of two bays whose lid and rib stand off their neighbours by `gap`."""
    a, b, c = SIZE
    lid = panel(a, b, ((c + gap) * Z, X, Y), "lid")
    walls = [
        panel(a, b, (np.zeros(3), X, Y), "bottom"),
        panel(a, c, (np.zeros(3), X, Z), "front"),
        panel(a, c, (b * Y, X, Z), "rear"),
        panel(b, c, (np.zeros(3), Y, Z), "root"),
        panel(b, c, (a * X, Y, Z), "end"),
        panel(b - 2 * gap, c - gap, (0.5 * a * X + gap * (Y + Z), Y, Z), "rib"),
    ]
    return mended(lid, *walls)


def test_sheets_with_gaps_between_them_are_counted_on_a_grid_with_an_uncertainty() -> None:
    bays = find_bays(gapped_box(0.001))
    assert bays.method == "voxel"
    assert len(bays.bays) == 2
    # 0.5 x 0.4 x 0.201 each; a grid of about 6 mm is good to a per cent or two.
    assert [bay.volume for bay in bays.bays] == pytest.approx([0.0402] * 2, rel=0.03)
    assert [bay.area for bay in bays.bays] == pytest.approx([0.76] * 2, rel=0.03)
    said = [finding.detail for finding in bays.findings if finding.kind == "voxel uncertainty"]
    assert len(said) == 2
    assert "uncertain by" in said[0]
    assert bay_at(bays, [[0.3, 0.2, 0.1], [0.8, 0.2, 0.1], [2, 2, 2]]).tolist() == [0, 1, -1]


def test_the_grid_agrees_with_the_exact_bays_of_a_closed_box() -> None:
    exact = find_bays(ribbed_box(1, SIZE))
    counted = find_bays(ribbed_box(1, SIZE), method="voxel")
    assert [bay.volume for bay in counted.bays] == pytest.approx([bay.volume for bay in exact.bays], rel=0.03)
    assert [bay.area for bay in counted.bays] == pytest.approx([bay.area for bay in exact.bays], rel=1e-9)
    assert all(bay.sealed for bay in counted.bays)


def test_openings_up_to_a_diameter_are_closed_on_the_grid() -> None:
    end = sheet(rectangle(0.4, 0.2), [ring((0.2, 0.1), 0.06)], (1.0 * X, Y, Z), "end port")
    web = rib(0.5, SIZE, [ring((0.2, 0.1), 0.06)])
    whole = mended(box(SIZE, open_end=True, xs=[0.5]), web, end)
    bays = find_bays(whole, method="voxel", closed_up_to=0.09)
    assert len(bays.bays) == 2
    assert [bay.volume for bay in bays.bays] == pytest.approx([0.04] * 2, rel=0.08)
    assert {opening.links for opening in bays.openings} == {(0, 1), (-1, 1)}
    assert [opening.area for opening in bays.openings] == pytest.approx([polygon_area(0.06)] * 2, rel=0.5)
    assert not any(bay.sealed for bay in bays.bays)


def test_a_grid_confirms_exact_volumes_and_doubts_a_wrong_one() -> None:
    exact = find_bays(ribbed_box(1, SIZE, hole=0.1))
    assert not check_by_voxels(exact, centres=60_000)
    first, second = exact.bays
    wrong = replace(exact, bays=(replace(first, volume=0.06), second))
    (doubt,) = check_by_voxels(wrong, centres=60_000)
    assert doubt.detail.startswith("bay 1: the exact volume 60 L and a grid's ")
    assert "look for a gap or a double wall" in doubt.detail


def test_an_unknown_method_is_refused() -> None:
    with pytest.raises(ValueError, match='method "guess" is unknown; use one of auto, cells, voxel'):
        find_bays(box(SIZE), method="guess")


def test_a_skew_structure_does_not_leak_where_a_face_passes_close_to_a_centre() -> None:
    # Rays that leave their ends free once let air through wherever a face came within that of a centre.
    from scipy.spatial.transform import Rotation

    whole = ribbed_box(3, SIZE, hole=0.08)
    turn = Rotation.from_euler("xyz", [0.3, 0.5, 0.7]).as_matrix()
    skew = Mesh(
        points=whole.points @ turn.T,
        faces=whole.faces,
        face_parts=whole.face_parts,
        part_names=whole.part_names,
    )
    assert not check_by_voxels(find_bays(skew))


def test_every_job_has_its_exact_bays_checked_on_a_grid(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from boxjob import write_box_job

    from bayreach.job import load_job
    from bayreach.run import _site

    job = load_job(write_box_job(tmp_path))
    assert not [said for said in _site.site_of(job).bays.findings if said.kind == "voxel check"]

    def half(mesh: Mesh, **rest: object) -> Bays:
        found = find_bays(mesh, **rest)
        return replace(found, bays=tuple(replace(bay, volume=bay.volume / 2) for bay in found.bays))

    monkeypatch.setattr(_site, "find_bays", half)
    (doubt,) = [said for said in _site.site_of(job).bays.findings if said.kind == "voxel check"]
    # 300 x 200 x 150 mm
    assert doubt.detail.startswith("bay 1: the exact volume 4.5 L and a grid's 9")
    assert len(doubt.places) == 1


def test_a_job_that_calls_an_opening_by_its_place_has_it(tmp_path: Path) -> None:
    from boxjob import BOX_JOB, write_box_job

    from bayreach.job import load_job
    from bayreach.run import site_of

    # The port is at 0, 100, 75; the job was written for a mesh that had it 3 mm aside.
    called = "opening x0 y103 z75"
    without = BOX_JOB.replace('[[opening]]\nname = "port"\ncenter = [0, 100, 75]\n', "")
    text = without.replace('opening = "port"', f'opening = "{called}"')
    site = site_of(load_job(write_box_job(tmp_path, text)))
    assert [opening.name for opening in site.bays.openings] == [called]


@pytest.mark.parametrize("turn", [0.0, 0.4])
def test_volumes_measured_to_the_walls_are_good_to_a_twentieth_of_a_step(turn: float) -> None:
    from scipy.spatial.transform import Rotation

    whole = ribbed_box(2, SIZE)
    skew = replace(whole, points=whole.points @ Rotation.from_euler("xyz", [turn, turn, turn]).as_matrix().T)
    links = Links(skew, centres=60_000)
    volumes = volumes_to_walls(links.grid(), links.scene)
    # 0.08 / 3 each; walls of 2 (a b + a c) / 3 + 2 b c = 0.56 m2
    assert volumes[:3] == pytest.approx([0.08 / 3] * 3, abs=0.05 * links.step * 0.56)
