"""Reading and writing mesh files."""

from pathlib import Path

import meshio
import numpy as np
import pytest
from oracles import enclosed_volume
from specimens import box, icosphere, ribbed_box

from bayreach.errors import MeshError, UnitError
from bayreach.meshfile import _libraries, read_mesh, write_mesh


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


@pytest.mark.parametrize("ending", [".ply", ".vtk", ".vtu"])
def test_a_mesh_written_by_another_library_reads_alike(tmp_path: Path, ending: str) -> None:
    import meshio

    whole = ribbed_box(1)
    path = tmp_path / f"box{ending}"
    meshio.Mesh(whole.points * 1e3, [("triangle", whole.faces)]).write(path)
    read = read_mesh(path, "mm").mesh
    assert read.n_faces == whole.n_faces
    # ASCII PLY may be written with 16 digits at most.
    assert np.abs(np.sort(read.points, axis=0) - np.sort(whole.points, axis=0)).max() < 1e-12


@pytest.mark.parametrize("ending", [".glb", ".gltf"])
def test_nodes_of_a_gltf_scene_are_parts_where_the_scene_places_them(tmp_path: Path, ending: str) -> None:
    import trimesh

    scene = trimesh.Scene()
    scene.add_geometry(trimesh.creation.box((1, 1, 1)), node_name="near")
    shift = np.eye(4)
    shift[0, 3] = 5.0
    scene.add_geometry(trimesh.creation.box((1, 1, 1)), node_name="far", transform=shift)
    path = tmp_path / f"two{ending}"
    exported = scene.export(file_type=ending[1:])
    if isinstance(exported, dict):
        for name, data in exported.items():
            (tmp_path / ("two.gltf" if name == "model.gltf" else name)).write_bytes(data)
    else:
        path.write_bytes(exported)
    read = read_mesh(path, "m")
    assert read.mesh.part_names == ("far", "near")
    assert read.mesh.box[1][0] == pytest.approx(5.5)
    assert not [finding for finding in read.findings if finding.kind == "doubtful unit"]
    assert any("glTF files are in metres" in finding.detail for finding in read_mesh(path, "in").findings)


BULK = """$ a strip of two quads and a triangle; small, large and free fields
BEGIN BULK
GRID           1              0.      0.      0.
GRID,2,,1.,0.,0.
GRID,3,,1.,1.,0.
GRID*                  4                              0.              1.
*                     0.
GRID           5            2.+0      0.    .5-1
GRID           6              2.   1.5+0   5.D-2
CQUAD4         1       7       1       2       3       4
CQUAD4*                2               9               2               5
*                      6               3
CTRIA3,3,9,3,6,4
CBAR           4       3       1       2     1.0      0.      0.
CROD           5       3       1       2
ENDDATA
"""


def test_bulk_data_in_all_three_field_formats_gives_shells_by_property(tmp_path: Path) -> None:
    path = tmp_path / "strip.bdf"
    path.write_text(BULK)
    read = read_mesh(path, "m")
    assert read.mesh.part_names == ("pid_7", "pid_9")
    assert read.mesh.face_parts.tolist().count(0) == 2
    assert read.mesh.n_faces == 5
    assert read.mesh.box[1] == pytest.approx([2.0, 1.5, 0.05])
    kinds = {finding.kind: finding.count for finding in read.findings}
    assert kinds["skipped CBAR"] == 1
    assert kinds["skipped CROD"] == 1
    assert kinds["split polygons"] == 2


def test_bulk_data_in_a_cylinder_system_lands_where_the_angle_says(tmp_path: Path) -> None:
    path = tmp_path / "round.bdf"
    path.write_text(
        "BEGIN BULK\nCORD2C,5,0,10.,0.,0.,10.,0.,1.,+\n+,11.,0.,0.\n"
        "GRID,1,5,1.,0.,0.\nGRID,2,5,1.,90.,0.\nGRID,3,5,1.,0.,2.\nCTRIA3,1,1,1,2,3\nENDDATA\n"
    )
    # r = 1 at 0 and 90 degrees about an axis along z through x = 10
    assert read_mesh(path, "m").mesh.points == pytest.approx(np.array([[11, 0, 0], [10, 1, 0], [11, 0, 2]]))


@pytest.mark.parametrize(
    ("bulk", "words"),
    [
        (
            "GRID,1,,0.,0.,0.\nCTRIA3,1,1,1,2,3\n",
            r"line 2: CTRIA3 names grid point 2, which the file does not hold",
        ),
        ("GRID,1,,0.,zero,0.\n", r'line 1: "zero" found where a number must stand'),
        ("GRID,1,,0.,0.,0.\nCBAR,1,1,1,1\n", r"the bulk data holds no shell \(1 CBAR\)"),
        ("INCLUDE 'more.bdf'\n", r"line 1: INCLUDE is not followed"),
        ("GRID,1,9,0.,0.,0.\nCTRIA3,1,1,1,1,1\n", r"coordinate system 9, which the file does not define"),
    ],
)
def test_bulk_data_that_cannot_be_meant_is_refused_with_its_line(
    tmp_path: Path, bulk: str, words: str
) -> None:
    path = tmp_path / "bad.bdf"
    path.write_text(bulk)
    with pytest.raises(MeshError, match=words):
        read_mesh(path, "m")


@pytest.mark.parametrize("ending", [".ply", ".vtk", ".vtu", ".glb", ".gltf"])
def test_a_file_that_is_something_else_is_one_clear_error(tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"wrong{ending}"
    path.write_text("this is no mesh\n")
    with pytest.raises(MeshError, match=rf"wrong\{ending}: it cannot be read as"):
        read_mesh(path, "m")


def test_an_unknown_ending_lists_those_that_are_read(tmp_path: Path) -> None:
    path = tmp_path / "box.xyz"
    path.write_text("x")
    with pytest.raises(
        MeshError, match=r'files ending ".xyz" are not read; use one of .bdf, .dat, .fem, .glb'
    ):
        read_mesh(path, "m")


def test_a_missing_and_an_empty_file_are_told_apart(tmp_path: Path) -> None:
    with pytest.raises(MeshError, match=r"cannot be read \(No such file or directory\); check the path"):
        read_mesh(tmp_path / "none.stl", "m")
    (tmp_path / "empty.stl").touch()
    with pytest.raises(MeshError, match=r"empty.stl: the file is empty"):
        read_mesh(tmp_path / "empty.stl", "m")


def test_a_metre_model_labelled_mm_is_doubted_with_the_unit_that_fits(tmp_path: Path) -> None:
    path = tmp_path / "box.obj"
    write_mesh(path, box(), "m")
    (doubt,) = [finding for finding in read_mesh(path, "mm").findings if finding.kind == "doubtful unit"]
    assert doubt.detail == (
        'In "mm" the structure is 0.001 m long, which is implausible; stated in "m" it would be 1 m.'
    )


def test_faces_turned_against_their_neighbours_are_told_and_left(tmp_path: Path) -> None:
    path = tmp_path / "ball.obj"
    write_mesh(path, icosphere(0.5, 1), "m")
    lines = path.read_text().splitlines()
    a, b, c = lines[-1].split()[1:]
    path.write_text("\n".join([*lines[:-1], f"f {a} {c} {b}"]) + "\n")
    read = read_mesh(path, "m")
    assert [finding.count for finding in read.findings if finding.kind == "turned faces"] == [3]
    assert read.mesh.n_faces == 80


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("v" * 2_000_000, "no XML at its start"),
        ("<VTKFile " + "v" * 2_000_000, "a tag of more than a million"),
    ],
)
def test_xml_that_a_parser_would_read_again_and_again_is_refused(
    tmp_path: Path, text: str, said: str
) -> None:
    (tmp_path / "long.vtu").write_text(text)
    with pytest.raises(MeshError, match=said):
        read_mesh(tmp_path / "long.vtu", "mm")


@pytest.mark.parametrize("compression", ["zlib", "lzma"])
def test_a_small_vtu_that_inflates_past_the_limit_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, compression: str
) -> None:
    points = np.zeros((100_000, 3))
    points[1, 0] = points[2, 1] = 1.0
    mesh = meshio.Mesh(points, [("triangle", np.array([[0, 1, 2]]))])
    meshio.vtu.write(tmp_path / "bomb.vtu", mesh, binary=True, compression=compression)
    assert (tmp_path / "bomb.vtu").stat().st_size < 50_000
    assert len(read_mesh(tmp_path / "bomb.vtu", "mm").mesh.faces) == 1
    monkeypatch.setattr(_libraries, "_MOST_INFLATED", 1_000_000)
    with pytest.raises(MeshError, match="compressed arrays grow to more than 1,000,000 bytes"):
        read_mesh(tmp_path / "bomb.vtu", "mm")
