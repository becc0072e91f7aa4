"""The ledger, statuses and uncovered patches."""

import numpy as np
import pytest
from oracles import grid_plate

from bayreach.film import STATUSES, Column, Film, Ledger, LedgerError, holidays, statuses
from bayreach.mesh import joined


def test_a_ledger_that_closes_is_returned():
    ledger = Ledger(sprayed=1e-4, direct=6e-5, settled=1e-5, suspended=1e-5, escaped=1.5e-5, uncredited=5e-6)
    assert ledger.check() is ledger


def test_a_ledger_that_loses_a_hundred_thousandth_is_refused():
    with pytest.raises(LedgerError, match=r"1e-05 of the 0.0001 m³ sprayed"):
        Ledger(sprayed=1e-4, direct=1e-4 * (1 - 1e-5)).check()


def test_run_off_splits_what_came_to_lie():
    Ledger(sprayed=1.0, direct=0.8, settled=0.2, retained=0.4, run_off=0.5, creep=0.1).check()
    with pytest.raises(LedgerError, match="was kept, crept or ran off"):
        Ledger(sprayed=1.0, direct=0.8, settled=0.2, retained=0.4, run_off=0.5).check()


def test_ledgers_add():
    one = Ledger(sprayed=1.0, direct=1.0)
    assert one.plus(one) == Ledger(sprayed=2.0, direct=2.0)


def test_statuses_at_their_limits():
    film = [0.0, 1e-12, 8e-6, 25e-6, 26e-6, 9e-6]
    keep_out = [False] * 5 + [True]
    names = [STATUSES[k] for k in statuses(film, 8e-6, 25e-6, keep_out)]
    assert names == ["dry", "low", "covered", "covered", "heavy", "keep-out"]


def test_a_minimum_of_each_side_its_own():
    assert statuses([5e-6, 5e-6], [4e-6, 6e-6]).tolist() == [0, 1]


def test_film_adds_its_mechanisms_and_keeps_what_stays():
    film = Film(direct=np.array([1.0, 0]), settled=np.array([0, 2.0]), creep=np.zeros(2))
    assert film.total.tolist() == [1, 2]
    assert film.stays.tolist() == [1, 2]
    kept = Film(direct=film.direct, settled=film.settled, creep=film.creep, retained=np.array([0.5, 1]))
    assert kept.stays.tolist() == [0.5, 1]


def test_a_column_tells_its_total():
    column = Column(sides=[1, 4], direct=[2.0, 3.0], areas=[0.1, 0.2], fog_to_bay=[0.1, 0.05, 0.0])
    assert column.landed == pytest.approx(0.8)
    assert column.fog == pytest.approx(0.15)
    assert column.dense(6).tolist() == [0, 2, 0, 0, 3, 0]


def test_two_patches_on_a_plate_are_two_holidays_largest_first():
    plate = grid_plate([0.5, 0.5, 0], [1, 0, 0], [0, 1, 0], cells=10)
    x = plate.corners.mean(axis=1)[:, 0]
    uncovered = np.zeros(plate.n_sides, dtype=bool)
    uncovered[0::2] = (x < 0.2) | (x > 0.7)
    found = holidays(plate, uncovered)
    assert [patch.area for patch in found] == pytest.approx([0.3, 0.2])
    assert found[0].center == pytest.approx([0.85, 0.5, 0])
    assert (found[0].sides % 2 == 0).all()


def test_front_and_back_of_a_plate_meet_round_its_edge_unless_their_bays_differ():
    plate = grid_plate([0, 0, 0], [1, 0, 0], [0, 1, 0])
    everywhere = np.ones(plate.n_sides, dtype=bool)
    assert len(holidays(plate, everywhere)) == 1
    assert len(holidays(plate, everywhere, side_bay=np.arange(plate.n_sides) % 2)) == 2


def test_separate_plates_are_separate_holidays():
    mesh = joined([grid_plate([k, 0, 0], [0.5, 0, 0], [0, 0.5, 0]) for k in range(3)])
    assert len(holidays(mesh, np.ones(mesh.n_sides, dtype=bool))) == 3


def test_a_fully_covered_mesh_has_no_holidays():
    plate = grid_plate([0, 0, 0], [1, 0, 0], [0, 1, 0])
    assert holidays(plate, np.zeros(plate.n_sides, dtype=bool)) == ()


def test_patches_that_interleave_keep_their_own_sides():
    """A chessboard's dark squares meet at corners alone: each is a patch of its own two triangles."""
    plate = grid_plate([0.5, 0.5, 0], [1, 0, 0], [0, 1, 0], cells=4)
    cell = np.floor(plate.corners.mean(axis=1)[:, :2] * 4).astype(int)
    uncovered = np.zeros(plate.n_sides, dtype=bool)
    uncovered[0::2] = cell.sum(axis=1) % 2 == 0
    found = holidays(plate, uncovered)
    assert [len(patch.sides) for patch in found] == [2] * 8
    assert [patch.area for patch in found] == pytest.approx([1 / 16] * 8)
    for patch in found:
        (one,) = np.unique(cell[patch.sides // 2], axis=0)
        assert patch.center[:2] == pytest.approx((one + 0.5) / 4)


def test_a_covered_strip_parts_two_patches_of_one_bay():
    plate = grid_plate([0.5, 0.5, 0], [1, 0, 0], [0, 1, 0], cells=10)
    x = plate.corners.mean(axis=1)[:, 0]
    uncovered = np.zeros(plate.n_sides, dtype=bool)
    uncovered[0::2] = (x < 0.2) | (x > 0.7)
    assert len(holidays(plate, uncovered, side_bay=np.zeros(plate.n_sides, dtype=int))) == 2


def test_what_was_kept_is_held_against_the_liquid_sprayed():
    """A loss of 2e-6 of the liquid is refused, however small the liquid is."""
    Ledger(sprayed=1e-4, direct=1e-4, retained=1e-4 * (1 - 5e-7)).check()
    with pytest.raises(LedgerError, match="was kept, crept or ran off"):
        Ledger(sprayed=1e-4, direct=1e-4, retained=1e-4 * (1 - 2e-6)).check()


@pytest.mark.parametrize("name", ["direct", "areas", "errors"])
def test_an_array_of_a_column_that_does_not_fit_is_named(name):
    arrays = {"sides": [1, 4], "direct": [2.0, 3.0], "areas": [0.1, 0.1], "errors": [0.0, 0.0]}
    Column(**{key: np.array(value) for key, value in arrays.items()})
    with pytest.raises(ValueError, match=name):
        Column(**{key: np.array(value) for key, value in {**arrays, name: [1.0]}.items()})


@pytest.mark.parametrize("name", ["settled", "creep", "retained"])
def test_an_array_of_a_film_that_does_not_fit_is_named(name):
    arrays = {key: np.zeros(4) for key in ("direct", "settled", "creep", "retained")}
    Film(**arrays)
    with pytest.raises(ValueError, match=name):
        Film(**{**arrays, name: np.zeros(3)})
