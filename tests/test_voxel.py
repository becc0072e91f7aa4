"""Bays from a grid, and the check of exact bays by one."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from specimens import X, Y, Z, box, mended, panel, polygon_area, rectangle, rib, ribbed_box, ring, sheet

from bayreach.bays import Bays, bay_at, check_by_voxels, find_bays
from bayreach.bays._gaps import Rims
from bayreach.bays._grid import Links, volumes_to_walls
from bayreach.bays._voxel import voxel_bays
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


def ported() -> Mesh:
    """Build a box of two bays with a hole of 60 mm in its rib and one in its end."""
    end = sheet(rectangle(0.4, 0.2), [ring((0.2, 0.1), 0.06)], (1.0 * X, Y, Z), "end port")
    web = rib(0.5, SIZE, [ring((0.2, 0.1), 0.06)])
    return mended(box(SIZE, open_end=True, xs=[0.5]), web, end)


@pytest.mark.parametrize("turn", [0.0, 0.4])
def test_a_gap_that_no_rim_shows_has_its_rod_and_its_area_from_the_grid_within_the_error_told(
    turn: float,
) -> None:
    skew = rotated(ported(), turn)
    bays = voxel_bays(skew, closed_up_to=0.09, large=0.25, rims=Rims(), centres=60_000)
    assert len(bays.bays) == 2
    assert [bay.volume for bay in bays.bays] == pytest.approx([0.04] * 2, rel=0.02)
    assert {opening.links for opening in bays.openings} == {(0, 1), (-1, 1)}
    for opening in bays.openings:
        # The circle within a 32-gon of 60 mm, and its area.
        assert abs(opening.diameter - 0.06 * np.cos(np.pi / 32)) <= opening.diameter_error < 0.005
        assert abs(opening.area - polygon_area(0.06)) <= opening.area_error < polygon_area(0.06)
    assert not any(bay.sealed for bay in bays.bays)
    said = [finding.detail for finding in bays.findings if finding.kind == "voxel opening"]
    assert len(said) == 2
    assert "has no rim in the mesh: by the grid a rod of 5" in said[0]


def rotated(mesh: Mesh, turn: float) -> Mesh:
    from scipy.spatial.transform import Rotation

    return replace(mesh, points=mesh.points @ Rotation.from_euler("xyz", [turn, turn, turn]).as_matrix().T)


def test_an_opening_whose_rim_the_mesh_shows_is_as_exact_on_the_grid_as_by_sides() -> None:
    counted, exact = find_bays(ported(), method="voxel"), find_bays(ported())
    assert [bay.volume for bay in counted.bays] == pytest.approx([0.04] * 2, rel=0.01)
    for one, other in zip(counted.openings, exact.openings, strict=True):
        assert (one.name, one.links) == (other.name, other.links)
        assert (one.area, one.diameter) == pytest.approx((other.area, other.diameter), rel=1e-12)
        assert one.normal == pytest.approx(other.normal, abs=1e-12)
        assert one.rim.shape == other.rim.shape
        assert one.area_error == 0.0


def gapped_and_ported(gap: float, *, end: bool = True) -> Mesh:
    """Build the box of `gapped_box` with a hole of 60 mm in its rib, and in its end wall or without that."""
    a, b, c = SIZE
    hole = [ring((b / 2 - gap, c / 2), 0.06)]
    rib_web = sheet(rectangle(b - 2 * gap, c - gap), hole, (0.5 * a * X + gap * (Y + Z), Y, Z), "rib")
    end_wall = sheet(rectangle(b, c), [ring((b / 2, c / 2), 0.06)], (a * X, Y, Z), "end")
    return mended(
        panel(a, b, ((c + gap) * Z, X, Y), "lid"),
        panel(a, b, (np.zeros(3), X, Y), "bottom"),
        panel(a, c, (np.zeros(3), X, Z), "front"),
        panel(a, c, (b * Y, X, Z), "rear"),
        panel(b, c, (np.zeros(3), Y, Z), "root"),
        rib_web,
        *([end_wall] if end else []),
    )


def test_sheets_that_do_not_meet_have_bays_and_exact_openings_all_the_same() -> None:
    # Any hole used to let the air of all bays run together with the outside.
    bays = find_bays(gapped_and_ported(0.001))
    assert bays.method == "voxel"
    assert [bay.volume for bay in bays.bays] == pytest.approx([0.0402] * 2, rel=0.03)
    assert [opening.links for opening in bays.openings] == [(0, 1), (-1, 1)]
    assert [opening.area for opening in bays.openings] == pytest.approx([polygon_area(0.06)] * 2, rel=1e-9)
    assert not any(bay.sealed for bay in bays.bays)


def test_on_the_grid_a_plane_or_a_point_closes_what_it_is_asked_to() -> None:
    missing = gapped_and_ported(0.001, end=False)
    plane, port = ((1.0, 0.0, 0.0), (1.0, 0.0, 0.0)), ((0.5, 0.2, 0.1), None)
    # No rim lies in the plane: the lid stands off the walls that end there.
    closed = find_bays(missing, shut=[plane])
    assert [bay.volume for bay in closed.bays] == pytest.approx([0.0402] * 2, rel=0.03)
    assert [opening.links for opening in closed.openings] == [(0, 1)]
    assert all(bay.sealed for bay in closed.bays)
    both = find_bays(missing, shut=[plane, port])
    assert len(both.bays) == 2
    assert not both.openings
    assert not any(finding.kind == "cap not placed" for finding in both.findings)


def test_a_plane_along_a_wall_beside_an_opening_makes_no_grid_of_it() -> None:
    # One edge of the open end lies in the plane of the rear wall, which closes nothing.
    bays = find_bays(box((1.0, 0.4, 0.3), open_end=True), shut=[((0.0, 0.4, 0.0), Y)])
    assert bays.method == "cells"
    assert [finding.kind for finding in bays.findings] == ["cap not placed"]


def test_a_cap_that_closes_nothing_on_the_grid_is_told() -> None:
    aside, nowhere = ((1.5, 0.0, 0.0), (1.0, 0.0, 0.0)), ((0.25, 0.2, 2.0), None)
    bays = find_bays(gapped_and_ported(0.001), shut=[aside, nowhere])
    assert bays.method == "voxel"
    said = [finding.detail for finding in bays.findings if finding.kind == "cap not placed"]
    assert [detail.split(": ")[0].split("but ")[1] for detail in said] == [
        "no rim lies in this plane",
        "no opening is at this point",
    ]


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
    skew = rotated(ribbed_box(3, SIZE, hole=0.08), 0.5)
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
    skew = rotated(ribbed_box(2, SIZE), turn)
    links = Links(skew, centres=60_000)
    volumes = volumes_to_walls(links.grid(), links.scene)
    # 0.08 / 3 each; walls of 2 (a b + a c) / 3 + 2 b c = 0.56 m2
    assert volumes[:3] == pytest.approx([0.08 / 3] * 3, abs=0.05 * links.step * 0.56)
