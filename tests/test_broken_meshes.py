"""One broken mesh file per defect: each ends in one clear error, or in a finding that names it."""

from pathlib import Path

import pytest

from bayreach.bays import find_bays
from bayreach.errors import MeshError
from bayreach.meshfile import read_mesh

BROKEN = Path(__file__).parent / "broken"
MENDABLE = BROKEN / "mendable"

REFUSED = {
    "ascii_cut_short.stl": r'the ASCII STL file ends after "endfacet" without "endsolid"; it was cut short',
    "ascii_four_corners.stl": r"line 7: a face has 4 corners, STL faces have 3",
    "ascii_misspelt_word.stl": r'line 3: "otter" found where "outer" must stand',
    "ascii_without_faces.stl": r"the ASCII STL file holds no face",
    "ascii_word_in_number.stl": r'line 5: "vertex 1 0 zero" needs three finite numbers',
    "binary_cut_short.stl": r"the binary STL header promises 2 faces but the file holds 1\.4",
    "binary_huge_count.stl": r"the binary STL header promises 4294967295 faces but the file holds 1",
    "binary_not_a_number.stl": r"face 1 has a corner that is not a number \(1 in all\)",
    "binary_without_faces.stl": r"the binary STL file holds no face",
    "empty.stl": r"the file is empty",
    "too_small.stl": r"3 bytes are too few for an STL file",
    "face_names_missing_vertex.obj": r"line 5: a face names vertex 9, but only 4 stand above it",
    "face_of_words.obj": r'line 5: the face "one two three" is not made of vertex numbers',
    "face_with_two_corners.obj": r"line 5: a face has 2 corners, it needs 3 or more",
    "vertex_not_a_number.obj": r'vertex 2, "v 1 nan 0", needs three finite numbers',
    "vertex_with_two_numbers.obj": r'vertex 2, "v 1 0", needs three finite numbers',
    "vertices_only.obj": r"the OBJ file holds 4 vertices but no face",
    "all_faces_flat.obj": r"all 1 faces are flat or repeated; nothing is left to measure",
    "beams_only.bdf": r"the bulk data holds no shell \(1 CBAR\)",
    "missing_grid_point.bdf": r"line 4: CTRIA3 names grid point 3, which the file does not hold",
    "number_that_is_none.bdf": r'line 2: "nought" found where a number must stand',
    "not_a_mesh.glb": r"it cannot be read as glTF",
    "not_a_mesh.ply": r"it cannot be read as PLY",
    "not_a_mesh.vtu": r"it cannot be read as VTU",
    "block_of_no_triangle.vtk": r"all 1 faces are flat or repeated; nothing is left to measure",
    "every_face_is_flat.stl": r"all 2 faces are flat or repeated; nothing is left to measure",
    "face_of_a_point_that_is_not_there.glb": r"a face names point 257, but there are 8; export it again",
    "flat_face_and_missing_point.obj": r"all 2 faces are flat or repeated; nothing is left to measure",
    "header_without_end.ply": r"it cannot be read as PLY \(its header is missing or has no end\)",
    "no_face_of_any_area.vtk": r"all 2 faces are flat or repeated; nothing is left to measure",
    "no_face_of_any_area.vtu": r"all 2 faces are flat or repeated; nothing is left to measure",
    "points_of_one_number.glb": r'node "geometry_0" has points that are not of three numbers',
    "shell_of_no_area.bdf": r"all 1 faces are flat or repeated; nothing is left to measure",
    "include_of_another_file.bdf": r"line 3: INCLUDE is not followed; put all bulk data into one file",
    "grid_in_unknown_system.bdf": r"grid points use coordinate system 5, which the file does not define",
    "letter_for_whole_number.bdf": r'line 5: "two" found where a whole number must stand',
    "rows_cut_short.ply": r"its header promises more rows than the file holds; export or copy it again",
    "face_of_no_corner.ply": r"all 1 faces are flat or repeated; nothing is left to measure",
    "face_names_missing_point.ply": r"a face names point 7, there are 3 \(counted from 0\); the file",
}

# Kind of finding, count, faces left, and what is said; all but those kept are repairs that --strict refuses.
FOUND = {
    "repeated_face.obj": ("dropped repeated faces", 1, 2, "same three corners as another and were dropped"),
    "flat_face.obj": ("dropped flat faces", 1, 3, "have no area (a height of at most"),
    "points_nearly_equal.obj": ("welded points", 2, 4, "of another and were welded to it."),
    "point_on_an_edge.obj": ("split edges", 1, 7, "had a point on them (within"),
    "sheets_that_cross.obj": ("cut faces", 4, None, "were cut where another part touches or crosses them."),
    "rib_standing_on_a_skin.obj": ("cut faces", 2, None, "were cut where another part touches or crosses"),
    "doubler_on_a_skin.obj": ("dropped repeated faces", None, None, "lie on another face and were dropped"),
    "parts_that_only_touch.obj": ("dropped repeated faces", 2, None, "lie on another face and were dropped"),
    "face_turned_over.obj": (
        "turned faces",
        1,
        2,
        "join faces turned opposite ways; bays come from the shape",
    ),
    "lines_and_points.obj": ("skipped lines", 1, 2, "have no area and were skipped, the first in line"),
    "metres_called_millimetres.obj": ("doubtful unit", 1, 2, 'stated in "m" it would be'),
    "polygons_of_many_corners.obj": ("split polygons", 2, 5, "with more than three corners were split"),
    "points_written_twice.obj": ("merged points", 2, 2, "repeated another exactly and were merged."),
    "beams_beside_shells.bdf": (
        "skipped CBAR",
        2,
        2,
        "2 CBAR cards have no surface here and were skipped, the",
    ),
}

KEPT = {
    "face_turned_over.obj",
    "metres_called_millimetres.obj",
    "lines_and_points.obj",
    "polygons_of_many_corners.obj",
    "points_written_twice.obj",
    "beams_beside_shells.bdf",
}

# Method, bays, kind of finding, and what is said of the air.
AIR = {
    "tray_without_lid.obj": (
        "cells",
        0,
        "open panel",
        "The mesh closes off no air: it is an open panel, or its",
    ),
    "plate_with_a_hole.obj": (
        "cells",
        0,
        "part, not a cavity",
        "This is a part, not a cavity: the mesh encloses",
    ),
    "ring_that_is_either.obj": (
        "cells",
        1,
        "closed surface",
        "a cavity and a solid part have alike: it is taken for a cavity. If",
    ),
    "walls_of_sheet_metal.obj": (
        "cells",
        1,
        "thick sheets",
        "The sheets are thick: the mesh holds 5.533 L of",
    ),
    "crack_beside_a_lid.obj": ("cells", 1, "slits", "1 slits between sheets are too narrow to be openings"),
    "lid_that_stands_off.obj": (
        "voxel",
        1,
        "voxel method",
        "Sheets do not meet, so the air was counted on a",
    ),
    "bars_that_cross_in_a_hole.obj": (
        "voxel",
        1,
        "voxel method",
        "the rings of wall in them close off no air, so the",
    ),
}

CHANGED = [name for name in FOUND if name not in KEPT]


@pytest.mark.parametrize("name", sorted(REFUSED))
def test_a_file_that_cannot_be_meant_is_refused_in_one_sentence(name: str) -> None:
    with pytest.raises(MeshError, match=REFUSED[name]):
        read_mesh(BROKEN / name, "m")


@pytest.mark.parametrize("name", sorted(FOUND))
def test_a_defect_that_can_be_mended_or_told_is(name: str) -> None:
    kind, count, n_faces, words = FOUND[name]
    read = read_mesh(MENDABLE / name, "mm" if name == "metres_called_millimetres.obj" else "m")
    (finding,) = [finding for finding in read.findings if finding.kind == kind]
    assert count is None or finding.count == count
    assert n_faces is None or read.mesh.n_faces == n_faces
    assert words in finding.detail
    assert finding.detail[0].isupper() or finding.detail[0].isdigit()


@pytest.mark.parametrize("name", sorted(AIR))
def test_what_is_odd_about_the_air_is_told_with_a_place(name: str) -> None:
    method, n_bays, kind, words = AIR[name]
    bays = find_bays(read_mesh(BROKEN / "odd_air" / name, "m").mesh)
    (finding,) = [finding for finding in bays.findings if finding.kind == kind]
    assert (bays.method, len(bays.bays)) == (method, n_bays)
    assert words in finding.detail
    assert all(len(said.places) for said in bays.findings)


@pytest.mark.parametrize("name", sorted(CHANGED))
def test_strict_reading_refuses_what_would_be_changed(name: str) -> None:
    with pytest.raises(
        MeshError, match=f"strict reading allows no repair, but these are needed: .*{FOUND[name][0]}"
    ):
        read_mesh(MENDABLE / name, "m", strict=True)


def test_every_broken_mesh_file_is_pinned() -> None:
    assert {path.name for path in MENDABLE.iterdir()} == set(FOUND)
    assert {path.name for path in (BROKEN / "odd_air").iterdir()} == set(AIR)
    meshes = {".stl", ".obj", ".ply", ".glb", ".vtk", ".vtu", ".bdf"}
    assert {path.name for path in BROKEN.iterdir() if path.suffix in meshes} == set(REFUSED)
