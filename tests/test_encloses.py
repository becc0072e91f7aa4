"""A closed surface may be a cavity or a part: what its shape tells, and what has to be stated."""

from pathlib import Path
from typing import Any

import pytest
from boxjob import BOX_JOB
from specimens import box
from thick import hollow, mesh_from, plain, turned

from bayreach.bays import Bays, find_bays
from bayreach.cli import main
from bayreach.errors import JobError, MeshError
from bayreach.job import load_job
from bayreach.meshfile import write_mesh
from bayreach.run import site_of


def washer() -> Any:
    """Build a flat ring with sharp edges, 0.6 m over a hole of 0.3 m, 0.1 m high."""
    import manifold3d

    return manifold3d.Manifold.cylinder(0.1, 0.3, 0.3, 48) - manifold3d.Manifold.cylinder(0.1, 0.15, 0.15, 48)


def block(holes: int) -> Any:
    """Build a block of 0.3 x 0.2 x 0.1 m with holes of 30 mm through it."""
    import manifold3d

    solid = manifold3d.Manifold.cube([0.3, 0.2, 0.1])
    for k in range(holes):
        solid -= manifold3d.Manifold.cylinder(0.1, 0.015, 0.015, 24).translate([0.1 + 0.1 * k, 0.1, 0])
    return solid


def plate() -> Any:
    """Build a plate of 0.3 x 0.2 x 0.005 m with one hole."""
    return block(1).scale([1, 1, 0.05])


def said(bays: Bays) -> str:
    """Return what is said of the mesh being a cavity or a part."""
    kinds = {"closed surface", "part, not a cavity"}
    (detail,) = [finding.detail for finding in bays.findings if finding.kind in kinds]
    return detail


SOLIDS = {
    "washer": (washer, "air"),
    "brick": (lambda: block(0), "air"),
    "block with one hole": (lambda: block(1), "air"),
    "block with two holes": (lambda: block(2), "material"),
    "plate": (plate, "material"),
}


@pytest.mark.parametrize("sort", SOLIDS)
@pytest.mark.parametrize("stated", [None, "air", "material"])
def test_a_closed_surface_encloses_what_is_stated_or_says_that_it_could_be_either(
    sort: str, stated: str | None
) -> None:
    build, by_shape = SOLIDS[sort]
    solid = build()
    bays = find_bays(mesh_from(solid), encloses=stated)
    meant = stated or by_shape
    assert bays.method == "cells"
    if meant == "air":
        (only,) = bays.bays
        assert (only.volume, only.area) == pytest.approx((solid.volume(), solid.surface_area()), rel=1e-9)
        assert bays.material_volume == 0.0
    else:
        assert not bays.bays
        assert bays.material_volume == pytest.approx(solid.volume(), rel=1e-9)
    if stated is None:
        other = "material" if meant == "air" else "air"
        assert f'state encloses = "{other}" in the job file (measure: --encloses)' in said(bays)


def test_a_structure_with_a_way_in_is_what_it_was_whatever_is_stated_of_its_material() -> None:
    mesh = mesh_from(hollow([turned(plain(0.05), (0.4, 0.2))]))
    known, stated = find_bays(mesh), find_bays(mesh, encloses="material")
    assert [bay.volume for bay in stated.bays] == [bay.volume for bay in known.bays]
    assert stated.material_volume == known.material_volume
    sealed = find_bays(mesh_from(hollow()), encloses="material")
    assert [bay.volume for bay in sealed.bays] == pytest.approx([0.08], rel=1e-9)


def test_sheets_that_cross_or_meet_three_at_an_edge_are_no_part() -> None:
    from specimens import ribbed_box

    assert not any(finding.kind == "closed surface" for finding in find_bays(ribbed_box(1)).findings)


def test_what_an_open_mesh_encloses_cannot_be_stated() -> None:
    with pytest.raises(
        MeshError, match=r'encloses = "air" is stated, but the mesh has 4 free edges and so is no closed surf'
    ):
        find_bays(box(open_end=True), encloses="air")
    with pytest.raises(ValueError, match='encloses "water" is unknown; use "air" or "material"'):
        find_bays(box(), encloses="water")


def write_job(folder: Path, line: str, solid: Any) -> Path:
    write_mesh(folder / "box.obj", mesh_from(solid), "mm")
    path = folder / "job.toml"
    path.write_text(BOX_JOB.replace('units = "mm"\n', f'units = "mm"\n{line}\n'))
    return path


def test_a_job_states_what_its_mesh_encloses(tmp_path: Path) -> None:
    # By its shape the block with two holes is a part; the message names the key that makes it a cavity.
    job = load_job(write_job(tmp_path, "", block(2)))
    with pytest.raises(JobError, match=r'closes no bay.*state encloses = "air" in the job file'):
        site_of(job)
    job = load_job(write_job(tmp_path, 'encloses = "air"', block(2)))
    assert job.encloses == "air"
    bays = find_bays(mesh_from(block(2)), encloses=job.encloses)
    assert bays.bays[0].volume == pytest.approx(block(2).volume(), rel=1e-9)
    with pytest.raises(JobError, match='key "encloses"'):
        load_job(write_job(tmp_path, 'encloses = "water"', block(2)))


def test_measure_takes_the_same_statement(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "ring.obj"
    write_mesh(path, mesh_from(washer()), "mm")
    assert main(["measure", str(path), "--units", "mm"]) == 0
    assert "it is taken for a cavity" in " ".join(capsys.readouterr().out.split())
    assert main(["measure", str(path), "--units", "mm", "--encloses", "material"]) == 0
    assert "no bay: nothing here closes off any air" in capsys.readouterr().out
