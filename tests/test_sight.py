"""Sample points of sides."""

import numpy as np
import pytest
from oracles import closed_box, grid_plate

from bayreach.mesh import mesh_of
from bayreach.sight import Targets, targets_of


def test_all_sides_of_a_box_are_targets_with_their_area():
    targets = targets_of(closed_box((1.0, 2.0, 3.0)))
    assert targets.n_sides == 24
    assert targets.is_whole
    assert targets.areas.sum() == pytest.approx(2 * 22.0)  # 2 (1·2 + 2·3 + 3·1) on each hand
    assert np.add.reduceat(targets.weight, targets.starts[:-1]) == pytest.approx(np.ones(24))


def test_the_back_looks_the_other_way():
    targets = targets_of(grid_plate([0, 0, 0], [1, 0, 0], [0, 1, 0]), samples=1)
    assert targets.normals[targets.side % 2 == 0] == pytest.approx(np.array([[0, 0, 1.0]] * 2))
    assert targets.normals[targets.side % 2 == 1] == pytest.approx(np.array([[0, 0, -1.0]] * 2))


def test_chosen_sides_may_be_ids_or_a_mask():
    mesh = closed_box((1, 1, 1))
    mask = np.zeros(24, dtype=bool)
    mask[[5, 2]] = True
    assert targets_of(mesh, mask).sides.tolist() == targets_of(mesh, [5, 2]).sides.tolist() == [2, 5]
    assert not targets_of(mesh, mask).is_whole


def test_faces_without_area_are_left_out():
    mesh = mesh_of([[0, 0, 0], [1, 0, 0], [2, 0, 0], [0, 1, 0]], [[0, 1, 2], [0, 1, 3]])
    assert targets_of(mesh).sides.tolist() == [2, 3]
    assert targets_of(mesh).is_whole


def test_no_sides_give_no_targets():
    targets = targets_of(closed_box((1, 1, 1)), [])
    assert targets.n_sides == 0
    assert targets.areas.shape == (0,)


def test_a_side_that_is_not_there_is_refused():
    with pytest.raises(ValueError, match="0 to 23 allowed"):
        targets_of(closed_box((1, 1, 1)), [24])
    with pytest.raises(ValueError, match="mask of 24"):
        targets_of(closed_box((1, 1, 1)), np.ones(3, dtype=bool))


def test_samples_must_stand_in_order_of_their_sides():
    with pytest.raises(ValueError, match="rising order"):
        Targets(
            points=np.zeros((2, 3)), normals=np.zeros((2, 3)), side=[3, 1], weight=[1, 1], areas=[1.0, 1.0]
        )
