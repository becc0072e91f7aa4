"""One broken mesh file per defect: each ends in one clear error, or in a finding that names it."""

from pathlib import Path

import pytest

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
}

# Kind of finding, count and faces left; each but the last three is a repair that --strict refuses.
FOUND = {
    "repeated_face.obj": ("dropped repeated faces", 1, 2),
    "flat_face.obj": ("dropped flat faces", 1, 3),
    "points_nearly_equal.obj": ("welded points", 2, 4),
    "point_on_an_edge.obj": ("split edges", 1, 7),
    "sheets_that_cross.obj": ("cut faces", 4, None),
    "rib_standing_on_a_skin.obj": ("cut faces", 2, None),
    "doubler_on_a_skin.obj": ("dropped repeated faces", None, None),
    "face_turned_over.obj": ("turned faces", 1, 2),
    "lines_and_points.obj": ("skipped lines", 1, 2),
    "metres_called_millimetres.obj": ("doubtful unit", 1, 2),
}

CHANGED = [name for name in FOUND if FOUND[name][0] not in {"turned faces", "doubtful unit", "skipped lines"}]


@pytest.mark.parametrize("name", sorted(REFUSED))
def test_a_file_that_cannot_be_meant_is_refused_in_one_sentence(name: str) -> None:
    with pytest.raises(MeshError, match=REFUSED[name]):
        read_mesh(BROKEN / name, "m")


@pytest.mark.parametrize("name", sorted(FOUND))
def test_a_defect_that_can_be_mended_or_told_is(name: str) -> None:
    kind, count, n_faces = FOUND[name]
    read = read_mesh(MENDABLE / name, "mm" if name == "metres_called_millimetres.obj" else "m")
    (finding,) = [finding for finding in read.findings if finding.kind == kind]
    assert count is None or finding.count == count
    assert n_faces is None or read.mesh.n_faces == n_faces
    assert finding.detail[0].isupper() or finding.detail[0].isdigit()


@pytest.mark.parametrize("name", sorted(CHANGED))
def test_strict_reading_refuses_what_would_be_changed(name: str) -> None:
    with pytest.raises(
        MeshError, match=f"strict reading allows no repair, but these are needed: .*{FOUND[name][0]}"
    ):
        read_mesh(MENDABLE / name, "m", strict=True)


def test_every_mendable_mesh_file_is_pinned() -> None:
    assert {path.name for path in MENDABLE.iterdir()} == set(FOUND)
