"""Tip paths and the stations that sample them."""

import math

import numpy as np
import pytest

from bayreach.poses import TipPath, clock_zero, poses_at, stations_of, straight_path, turned_about, with_clock

DOWN = (0, 0, -1)


def test_clock_zero_is_up_made_normal_to_the_axis():
    assert clock_zero([1, 0, 0], DOWN).tolist() == [0, 0, 1]
    tilted = clock_zero([1, 0, 1], DOWN)
    assert tilted == pytest.approx([-math.sqrt(0.5), 0, math.sqrt(0.5)])


def test_a_vertical_wand_counts_its_clock_from_the_mesh_s_x():
    assert clock_zero([0, 0, 1], DOWN).tolist() == [1, 0, 0]


def test_the_clock_runs_clockwise_for_the_hand_behind_the_wand():
    # Looking along +x with up = +z, three o'clock is to the right: -y.
    path = straight_path(
        entry=[0, 0, 0], aim=[1, 0, 0], deepest=1, shallowest=0, clock=math.pi / 2, down=DOWN
    )
    assert path.clocks[0] == pytest.approx([0, -1, 0], abs=1e-12)


def test_a_turn_keeps_lengths_and_angles():
    rng = np.random.default_rng(4)
    vectors, axis = rng.normal(size=(20, 3)), rng.normal(size=3)
    turned = turned_about(vectors, axis, 0.7)
    assert turned @ turned.T == pytest.approx(vectors @ vectors.T)
    assert turned_about(turned, axis, -0.7) == pytest.approx(vectors)


def test_stations_share_the_pull_out_evenly_at_the_middles():
    path = straight_path(entry=[0, 0, 0], aim=[1, 0, 0], deepest=1.0, shallowest=0.1, clock=0, down=DOWN)
    stations = stations_of(path, 0.25)
    assert len(stations.depths) == 4  # 0.9 / 0.25 rounded up
    assert stations.lengths.sum() == pytest.approx(0.9)
    assert stations.depths == pytest.approx([0.8875, 0.6625, 0.4375, 0.2125])
    assert stations.points[:, 0] == pytest.approx(stations.depths)


def test_a_path_of_one_pose_is_a_dwell():
    path = straight_path(entry=[0, 0, 0], aim=[1, 0, 0], deepest=0.3, shallowest=0.3, clock=0, down=DOWN)
    assert stations_of(path, 0.1).lengths.tolist() == [0.0]


def test_poses_between_are_unit_and_square():
    path = TipPath(
        points=[[0, 0, 1], [0, 0, 0]],
        axes=[[1, 0, 0], [0, 1, 0]],
        clocks=[[0, 0, 1], [0, 0, 1]],
        depths=[1.0, 0.0],
    )
    stations = poses_at(path, [0.75, 0.25], [0.5, 0.5])
    assert np.linalg.norm(stations.axes, axis=1) == pytest.approx([1, 1])
    assert np.einsum("ij,ij->i", stations.axes, stations.clocks) == pytest.approx([0, 0], abs=1e-12)


def test_a_path_that_goes_deeper_as_it_is_pulled_is_refused():
    with pytest.raises(ValueError, match="deepest first"):
        TipPath(
            points=[[0, 0, 0], [1, 0, 0]], axes=[[1, 0, 0]] * 2, clocks=[[0, 0, 1]] * 2, depths=[0.0, 1.0]
        )


def test_a_tip_turned_about_its_axis_is_the_path_of_that_clock_angle():
    keys = {"entry": [0, 0, 0], "aim": [1, 2, 0.5], "deepest": 1.0, "shallowest": 0.2, "down": DOWN}
    path = straight_path(clock=0.0, **keys)
    assert with_clock(path, 0.7).clocks == pytest.approx(straight_path(clock=0.7, **keys).clocks)
