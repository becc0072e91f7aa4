"""The mesh itself."""

import pytest
from specimens import box, moved

from bayreach.mesh import joined, mesh_of


def test_a_face_that_names_a_missing_point_is_refused() -> None:
    with pytest.raises(ValueError, match="faces: indices 0 to 3 found, 0 to 2 allowed"):
        mesh_of([[0, 0, 0], [1, 0, 0], [0, 1, 0]], [[0, 1, 3]])


def test_a_coordinate_that_is_not_a_number_is_refused() -> None:
    with pytest.raises(ValueError, match="points: every value must be finite, 1 are not"):
        mesh_of([[0, 0, 0], [1, 0, float("nan")], [0, 1, 0]], [[0, 1, 2]])


def test_joined_meshes_share_parts_of_equal_name() -> None:
    both = joined([box(), moved(box(), [2, 0, 0])])
    assert both.part_names == box().part_names
    assert both.n_faces == 24
    assert both.box[1].tolist() == [3.0, 0.4, 0.2]


def test_arrays_cannot_be_written_to() -> None:
    with pytest.raises(ValueError, match="read-only"):
        box().points[0] = 0
