"""What-if looks: coarse at once, then better."""

import math

import numpy as np
import pytest
from oracles import closed_box, grid_plate

from bayreach.bays import find_bays
from bayreach.deposit.direct import air_of, path_film
from bayreach.deposit.what_if import WhatIf
from bayreach.mesh import joined
from bayreach.poses import straight_path
from bayreach.rays import Scene
from bayreach.repair import mend, subdivided
from bayreach.sight import targets_of
from bayreach.tips import Tip

PATH = straight_path(
    entry=[0.1, 0.21, 0.23], aim=[1, 0, 0], deepest=0.7, shallowest=0.0, clock=0.0, down=(0, 0, -1)
)
SHEET = Tip(pattern="radial", spread=math.radians(90), throw=0.4)


@pytest.fixture(scope="module")
def ready():
    """Return a box with a half wall across it, made ready."""
    mesh = joined([closed_box((1.0, 0.4, 0.4)), grid_plate([0.5, 0, 0], [0, 0.4, 0], [0, 0, 0.18], cells=4)])
    bays = find_bays(subdivided(mend(mesh)[0], 0.03).mesh)
    mesh = bays.mesh
    targets = targets_of(mesh, np.asarray(bays.side_bay) >= 0)
    return WhatIf(scene=Scene(mesh), targets=targets, air=air_of(mesh, bays))


def misjudged(ready, column, truth):
    """Return the film (m³ per m³) that a look puts on the wrong sides, as a share of all that landed."""
    n_sides = ready.scene.mesh.n_sides
    gap = np.abs(column.dense(n_sides) - truth.dense(n_sides))[ready.targets.sides]
    return float(gap @ ready.targets.areas) / truth.landed / 2


def test_each_look_is_nearer_to_the_film(ready, monkeypatch):
    # As few stations as on a mesh of half a million faces.
    monkeypatch.setattr("bayreach.deposit.what_if.FIRST_STATIONS", (8, 8))
    looks = [ready.at_once(PATH, SHEET), ready.finer(PATH, SHEET)]
    truth = path_film(ready.scene, ready.targets, PATH, SHEET, air=ready.air)
    gaps = [misjudged(ready, column, truth) for column in looks]
    assert 0.1 > gaps[0] > gaps[1] > 0.0
    # Every look keeps the ledger.
    for column in looks:
        whole = column.landed + column.elsewhere + column.fog + column.escaped
        assert whole == pytest.approx(1.0, abs=1e-6)


def test_a_look_may_be_left_for_a_new_question(ready):
    def stop(_: float) -> None:
        raise InterruptedError

    with pytest.raises(InterruptedError):
        ready.finer(PATH, SHEET, progress=stop)


def test_a_pull_over_before_the_liquid_comes_wets_nothing(ready):
    assert ready.at_once(PATH, SHEET, speed=1.0, lag=9.0).landed == 0.0
    assert ready.finer(PATH, SHEET, speed=1.0, lag=9.0).landed == 0.0
