"""Throw: the share that still flies is the volume of the droplets that reach farther."""

import numpy as np
import pytest

from bayreach.deposit.throw import Flying, flying_by_jet, flying_by_throw, flying_table
from bayreach.droplets import stopping_distance

SPRAY = {"droplet": 60e-6, "droplet_spread": 1.8, "density": 870.0}


def test_half_of_the_volume_flies_as_far_as_the_throw() -> None:
    assert flying_by_throw(0.4, throw=0.4, **SPRAY) == pytest.approx(0.5, abs=1e-9)


def test_half_of_the_volume_flies_the_stopping_distance_of_the_median_droplet_beyond_the_entrainment() -> (
    None
):
    stop = float(stopping_distance(20.0, 60e-6, 870.0))
    for entrainment in (0.0, 0.15):
        share = flying_by_jet(entrainment + stop, entrainment=entrainment, **SPRAY)
        assert share == pytest.approx(0.5, abs=1e-9)


def test_within_the_entrainment_length_everything_flies() -> None:
    assert (flying_by_jet([0.0, 0.1, 0.15], entrainment=0.15, **SPRAY) == 1.0).all()


def test_a_sample_of_droplets_gives_the_same_share() -> None:
    # Draw droplets by volume, shoot each, count: 4 sigma of a share p from n draws is 4 sqrt(p (1 - p) /
    # n).
    draws = np.random.default_rng(3).lognormal(np.log(60e-6), np.log(1.8), 200_000)
    reach = stopping_distance(20.0, draws, 870.0)
    for distance in (0.02, 0.05, 0.1, 0.2, 0.4):
        share = float(flying_by_jet(distance, **SPRAY))
        assert (reach > distance).mean() == pytest.approx(share, abs=4 * np.sqrt(share * (1 - share) / 2e5))


def test_an_infinite_throw_turns_nothing_to_fog() -> None:
    assert (flying_by_throw([0.0, 1.0, 1e6], throw=np.inf, **SPRAY) == 1.0).all()


def test_equal_droplets_all_fly_exactly_the_throw() -> None:
    share = flying_by_throw([0.39, 0.41], throw=0.4, droplet=60e-6, droplet_spread=1.0, density=870.0)
    assert share.tolist() == [1.0, 0.0]


@pytest.mark.parametrize("spread", [1.2, 1.8, 2.5])
def test_the_share_falls_steadily_from_one_to_nothing(spread: float) -> None:
    distances = np.linspace(0.0, 40.0, 4001)
    share = flying_by_throw(distances, throw=0.3, droplet=60e-6, droplet_spread=spread, density=870.0)
    assert share[0] == 1.0
    assert (np.diff(share) <= 1e-12).all()
    assert share[-1] < 1e-3


def test_the_table_agrees_with_the_law_between_its_radii() -> None:
    # Linear in steps h = 2 m / 2047: error h²/8 times the greatest curvature, here below 1e-4.
    table = flying_table(throw=0.4, farthest=2.0, **SPRAY)
    distances = np.random.default_rng(0).uniform(0.0, 2.0, 1000)
    assert table(distances) == pytest.approx(flying_by_throw(distances, throw=0.4, **SPRAY), abs=1e-4)


def test_a_table_that_rises_is_refused() -> None:
    with pytest.raises(ValueError, match="shares fall from 1"):
        Flying(radii=np.array([0.0, 1.0]), shares=np.array([0.5, 0.6]))
