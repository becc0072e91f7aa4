"""Points on faces and directions over zones."""

import numpy as np
import pytest

from bayreach.sampling import points_on_faces, sample_weights, zone_directions


@pytest.mark.parametrize("samples", [1, 4, 16, 64])
def test_samples_average_a_linear_field_exactly(samples):
    corners = np.array([[[0, 0, 0], [3, 0, 0], [0, 2, 1]]], dtype=float)
    points = points_on_faces(corners, samples)
    assert points.shape == (1, samples, 3)
    assert points.mean(axis=1) == pytest.approx(corners.mean(axis=1), abs=1e-14)


def test_samples_lie_inside_and_apart():
    weights = sample_weights(16)
    assert (weights > 0).all()
    assert weights.sum(axis=1) == pytest.approx(np.ones(16))
    assert len(np.unique(weights.round(9), axis=0)) == 16


def test_sampling_a_square_of_x_converges_with_the_square_of_the_piece():
    # Mean of x² over the unit right triangle is 1/6; the centroid rule errs by a fixed part of the piece's
    # size².
    corners = np.array([[[0, 0, 0], [1, 0, 0], [0, 1, 0]]], dtype=float)
    errors = [abs((points_on_faces(corners, 4**k)[0, :, 0] ** 2).mean() - 1 / 6) for k in (1, 2, 3)]
    assert errors[0] / errors[1] == pytest.approx(4.0, rel=1e-6)
    assert errors[1] / errors[2] == pytest.approx(4.0, rel=1e-6)


@pytest.mark.parametrize("samples", [0, 2, 8, -4])
def test_a_count_that_is_no_power_of_four_is_refused(samples):
    with pytest.raises(ValueError, match="power of four"):
        sample_weights(samples)


def test_zone_directions_are_unit_and_stay_in_their_zone():
    rays = zone_directions(500, -0.3, 0.8, turn=1.0)
    assert np.linalg.norm(rays, axis=1) == pytest.approx(np.ones(500))
    assert rays[:, 0].min() > -0.3
    assert rays[:, 0].max() < 0.8


def test_zone_directions_integrate_the_square_of_each_coordinate():
    # Over the sphere the mean of y² and of z² is 1/3.
    rays = zone_directions(4000, -1.0, 1.0)
    assert (rays**2).mean(axis=0) == pytest.approx(np.full(3, 1 / 3), abs=1e-3)
