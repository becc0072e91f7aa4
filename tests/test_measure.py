"""Areas, volumes and winding numbers against closed forms."""

import numpy as np
import pytest
import trimesh
from oracles import enclosed_volume
from specimens import box, icosphere, moved

from bayreach.measure import (
    face_areas,
    face_normals,
    nearest_faces,
    nearest_on_segments,
    nearest_on_triangles,
    side_normals,
    signed_volumes,
    winding_numbers,
)
from bayreach.mesh import mesh_of


def test_the_volume_of_a_far_off_box_keeps_its_digits() -> None:
    from bayreach.bays import find_bays

    far = moved(box(), [1e4, -2e4, 3e4])
    assert find_bays(far).bays[0].volume == pytest.approx(0.08, rel=1e-9)


@pytest.mark.parametrize("steps", [2, 3])
def test_a_sphere_of_triangles_converges_at_second_order(steps: int) -> None:
    exact = 4 * np.pi
    coarse = exact - face_areas(icosphere(1.0, steps)).sum()
    fine = exact - face_areas(icosphere(1.0, steps + 1)).sum()
    # J7: order 2 +- 0.05
    assert np.log2(coarse / fine) == pytest.approx(2.0, abs=0.05)


def test_icosphere_of_1280_faces_has_the_published_volume() -> None:
    # J9
    assert enclosed_volume(icosphere(1.0, 3)) == pytest.approx(4.152740817, abs=1e-9)


def test_normals_of_a_sphere_point_out_in_front_and_in_behind() -> None:
    ball = icosphere(1.0, 2)
    assert (np.einsum("ij,ij->i", face_normals(ball), ball.corners.mean(axis=1)) > 0).all()
    assert np.allclose(side_normals(ball)[1::2], -face_normals(ball))


def test_a_closed_surface_winds_once_inside_and_not_outside() -> None:
    ball = icosphere(1.0, 2)
    wound = winding_numbers([[0.1, 0.2, 0.3], [2.0, 0, 0]], ball.corners)
    assert wound == pytest.approx([1.0, 0.0], abs=1e-12)


def test_the_nearest_point_of_a_triangle_lies_inside_on_an_edge_or_at_a_corner() -> None:
    corners = np.array([[[0, 0, 0], [1, 0, 0], [0, 1, 0]]] * 3, dtype=float)
    points = np.array([[0.2, 0.2, 1], [0.5, -1, 0], [-1, -1, 0]], dtype=float)
    assert nearest_on_triangles(points, corners).tolist() == [[0.2, 0.2, 0], [0.5, 0, 0], [0, 0, 0]]


def test_the_nearest_face_of_a_box_is_its_bottom() -> None:
    faces, away = nearest_faces([[0.6, 0.2, 0.01]], box())
    assert box().part_names[box().face_parts[faces[0]]] == "bottom"
    assert away == pytest.approx([0.01])


def test_normals_of_faces_of_all_sizes_have_length_one_and_a_face_without_area_has_none() -> None:
    rng = np.random.default_rng(1)
    corners = rng.normal(size=(50, 3, 3)) * np.geomspace(1e-3, 1e3, 50)[:, None, None]
    corners[7, 2] = corners[7, 0]
    normals = face_normals(mesh_of(corners.reshape(-1, 3), np.arange(150).reshape(50, 3)))
    assert normals[7].tolist() == [0, 0, 0]
    lengths = np.delete(np.linalg.norm(normals, axis=1), 7)
    assert lengths == pytest.approx(np.ones(49), rel=1e-12)


def test_the_volume_of_a_box_about_a_far_off_middle_is_that_of_its_sides() -> None:
    # The middle of the box is not on a diagonal: each axis has its own.
    far = moved(box(), shift=(10.0, -200.0, 3000.0))
    assert enclosed_volume(far) == pytest.approx(enclosed_volume(box()), rel=1e-9)


def test_a_face_seen_from_a_point_spans_a_sixth_of_the_box_of_its_corners() -> None:
    # Corners one unit along each axis from (1, 2, 3): det / 6 = 1/6, whatever the origin.
    corners = np.array([[[2, 2, 3], [1, 3, 3], [1, 2, 4]]], dtype=float)
    assert signed_volumes(corners, [1, 2, 3]) == pytest.approx([1 / 6])
    assert signed_volumes(corners[:, ::-1], [1, 2, 3]) == pytest.approx([-1 / 6])


def test_the_nearest_points_of_random_triangles_agree_with_an_independent_library() -> None:
    rng = np.random.default_rng(2)
    corners = rng.normal(size=(2000, 3, 3)) + 3.0
    points = rng.normal(size=(2000, 3)) * 2.0 + 3.0
    expected = trimesh.triangles.closest_point(corners, points)
    assert nearest_on_triangles(points, corners) == pytest.approx(expected, abs=1e-9)


def test_the_nearest_point_of_a_triangle_without_area_lies_on_its_longest_edge() -> None:
    line = np.array([[[0, 0, 0], [2, 0, 0], [1, 0, 0]], [[3, 3, 3]] * 3], dtype=float)
    points = np.array([[1.5, 1, 0], [0, 0, 0]], dtype=float)
    assert nearest_on_triangles(points, line).tolist() == [[1.5, 0, 0], [3, 3, 3]]
    assert nearest_on_segments(points, line[:, 0], line[:, 0]).tolist() == [[0, 0, 0], [3, 3, 3]]
