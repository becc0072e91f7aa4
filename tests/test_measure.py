"""Areas, volumes and winding numbers against closed forms."""

import numpy as np
import pytest
from specimens import box, icosphere, moved

from bayreach.measure import (
    enclosed_volume,
    face_areas,
    face_normals,
    nearest_faces,
    nearest_on_triangles,
    side_normals,
    winding_numbers,
)


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
