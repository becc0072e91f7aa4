"""Reading and writing mesh files."""

from pathlib import Path

import numpy as np
import pytest
from specimens import box, ribbed_box

from bayreach.errors import MeshError, UnitError
from bayreach.measure import enclosed_volume
from bayreach.meshfile import read_mesh, write_mesh


@pytest.mark.parametrize(("ending", "ascii_stl"), [(".stl", False), (".stl", True), (".obj", False)])
def test_a_written_mesh_reads_back_alike(tmp_path: Path, ending: str, ascii_stl: bool) -> None:
    path = tmp_path / f"box{ending}"
    write_mesh(path, box(), "mm", ascii_stl=ascii_stl)
    read = read_mesh(path, "mm")
    assert read.mesh.n_faces == 12
    # Binary STL keeps 24 bits of a coordinate: 6e-8.
    assert enclosed_volume(read.mesh) == pytest.approx(enclosed_volume(box()), rel=2e-7)


def test_groups_of_an_obj_file_are_parts(tmp_path: Path) -> None:
    path = tmp_path / "box.obj"
    write_mesh(path, box(), "m")
    assert read_mesh(path, "m").mesh.part_names == ("bottom", "top", "front", "rear", "root", "end")


def test_polygons_of_five_corners_are_split_without_changing_area(tmp_path: Path) -> None:
    path = tmp_path / "l.obj"
    # An L of 3 unit squares, which a fan from its first corner would get wrong.
    path.write_text("v 2 0 0\nv 2 1 0\nv 1 1 0\nv 1 2 0\nv 0 2 0\nv 0 0 0\nf 1 2 3 4 5 6\n")
    read = read_mesh(path, "m")
    corners = read.mesh.corners
    area = (
        0.5
        * np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1).sum()
    )
    assert area == pytest.approx(3.0, rel=1e-12)
    assert any(finding.kind == "split polygons" for finding in read.findings)


def test_units_scale_the_mesh_to_metres(tmp_path: Path) -> None:
    path = tmp_path / "box.obj"
    write_mesh(path, box(), "in")
    assert read_mesh(path, "in").mesh.box[1] == pytest.approx([1.0, 0.4, 0.2], rel=1e-12)


def test_an_unknown_unit_is_refused_by_name(tmp_path: Path) -> None:
    with pytest.raises(UnitError, match=r'units: "mmm" is not a unit of a mesh .* Did you mean "mm"\?'):
        read_mesh(tmp_path / "box.obj", "mmm")


def test_a_binary_file_cut_short_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "box.stl"
    write_mesh(path, box(), "m")
    path.write_bytes(path.read_bytes()[:-70])
    with pytest.raises(
        MeshError, match=r"box.stl: the binary STL header promises 12 faces but the file holds 10.6"
    ):
        read_mesh(path, "m")


def test_an_ascii_file_cut_short_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "box.stl"
    write_mesh(path, box(), "m", ascii_stl=True)
    text = path.read_text()
    path.write_text(text[: text.index("endfacet", 400) + 9])
    with pytest.raises(
        MeshError, match=r'box.stl: the ASCII STL file ends after "endfacet" without "endsolid"'
    ):
        read_mesh(path, "m")


def test_a_malformed_ascii_file_names_the_line(tmp_path: Path) -> None:
    path = tmp_path / "bad.stl"
    path.write_text(
        "solid a\nfacet normal 0 0 1\nouter loop\nvertex 0 0 0\nvertex 1 0 zero\nvertex 0 1 0\n"
        "endloop\nendfacet\nendsolid a\n"
    )
    with pytest.raises(MeshError, match=r'bad.stl, line 5: "vertex 1 0 zero" needs three finite numbers'):
        read_mesh(path, "m")


def test_a_repeated_face_is_dropped_and_told(tmp_path: Path) -> None:
    path = tmp_path / "twice.obj"
    write_mesh(path, box(), "m")
    lines = path.read_text().splitlines()
    path.write_text("\n".join([*lines, lines[-1]]) + "\n")
    read = read_mesh(path, "m")
    assert read.mesh.n_faces == 12
    assert [finding.count for finding in read.findings if finding.kind == "dropped repeated faces"] == [1]


def test_strict_reading_refuses_a_repair(tmp_path: Path) -> None:
    path = tmp_path / "twice.obj"
    write_mesh(path, ribbed_box(1), "m")
    assert read_mesh(path, "m", strict=True).mesh.n_faces == ribbed_box(1).n_faces
    lines = path.read_text().splitlines()
    path.write_text("\n".join([*lines, lines[-1]]) + "\n")
    with pytest.raises(
        MeshError, match="strict reading allows no repair, but these are needed: dropped repeated faces: 1"
    ):
        read_mesh(path, "m", strict=True)
