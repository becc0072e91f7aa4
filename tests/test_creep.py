"""Creep: how far seams draw liquid in, and that they take no more than their wet sides have."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from bayreach.deposit.creep import crept, greatest_rise, laps_of, seams_of, slot_depth, together
from bayreach.deposit.uptake import soaked
from bayreach.liquids import Liquid
from bayreach.measure import side_areas
from bayreach.mesh import joined, mesh_of
from bayreach.repair import mend

OIL = Liquid(
    density=870.0, viscosity=0.05, surface_tension=0.03, volume_solids=0.5, contact_angle=np.radians(20)
)
SEAM = {"liquid": OIL, "gap": 50e-6, "lap": 0.02, "time": 3600.0}


def skin_and_web():
    """Return a skin of two faces and a web of two faces that stand on its middle line, 1 m long."""
    skin = mesh_of(
        [[0, -1, 0], [1, -1, 0], [1, 0, 0], [0, 0, 0], [1, 1, 0], [0, 1, 0]],
        [[0, 1, 2], [0, 2, 3], [3, 2, 4], [3, 4, 5]],
        part="skin",
    )
    web = mesh_of([[0, 0, 0], [1, 0, 0], [1, 0, 0.5], [0, 0, 0.5]], [[0, 1, 2], [0, 2, 3]], part="web")
    mesh, _ = mend(joined([skin, web]))
    bays = np.zeros(mesh.n_sides, dtype=np.int64)
    bays[1:8:2] = -1  # below the skin is outside
    return mesh, bays


def test_a_slot_fills_as_its_equation_of_motion_says_step_by_step() -> None:
    # dL/dt = b² / (12 mu) x (2 sigma cos(theta) / b) / L, started from a known depth.
    pull = 2 * OIL.surface_tension * np.cos(OIL.contact_angle) / 50e-6
    start = float(slot_depth(50e-6, 1.0, OIL))
    end = solve_ivp(
        lambda _, depth: (50e-6) ** 2 / (12 * OIL.viscosity) * pull / depth,
        (1.0, 60.0),
        [start],
        rtol=1e-10,
        atol=1e-14,
    )
    assert float(slot_depth(50e-6, 60.0, OIL)) == pytest.approx(end.y[0, -1], rel=1e-7)


def test_the_seam_is_the_edge_where_two_parts_meet() -> None:
    mesh, bays = skin_and_web()
    seams = seams_of(mesh, bays)
    assert seams.lengths == pytest.approx([1.0])
    assert [mesh.part_names[part] for part in seams.parts[0]] == ["skin", "web"]
    # Two skin faces touch it from above, the web's face with both sides.
    assert len(seams.meetings) == 4
    assert len(seams_of(mesh, bays, pairs=[[0, 0]]).lengths) == 0


def test_a_fed_seam_takes_gap_times_depth_times_length_and_no_drop_is_lost() -> None:
    mesh, bays = skin_and_web()
    seams, areas = seams_of(mesh, bays), side_areas(mesh)
    film = np.where(bays == 0, 30e-6, 0.0)
    result = crept(seams, film, areas, **SEAM)
    # 3600 s at 50 um would reach 184 mm: the lap of 20 mm is full. 50 um x 20 mm x 1 m = 1 mL.
    assert result.depths == pytest.approx([0.02], rel=1e-12)
    assert result.volumes == pytest.approx([1e-6], rel=1e-12)
    assert result.taken @ areas == pytest.approx(1e-6, rel=1e-12)
    assert (result.taken <= film).all()
    assert (result.fed_length, result.unfed_length) == (1.0, 0.0)


def test_a_seam_takes_no_more_than_its_wet_sides_have() -> None:
    mesh, bays = skin_and_web()
    seams, areas = seams_of(mesh, bays), side_areas(mesh)
    film = np.zeros(mesh.n_sides)
    film[seams.meetings[0, 1]] = 1e-6  # one side of 0.5 m², 1 um: 0.5 mL for a slot that could take 1 mL
    result = crept(seams, film, areas, **SEAM)
    assert result.volumes == pytest.approx([0.5e-6], rel=1e-12)
    assert result.depths == pytest.approx([0.01], rel=1e-12)


def test_a_dry_seam_is_named_as_unfed() -> None:
    mesh, bays = skin_and_web()
    result = crept(seams_of(mesh, bays), np.zeros(mesh.n_sides), side_areas(mesh), **SEAM)
    assert not result.fed.any()
    assert result.unfed_length == 1.0
    assert (result.volumes == 0).all()


def test_no_seam_is_credited_with_more_than_it_could_hold_upright() -> None:
    mesh, bays = skin_and_web()
    film = np.where(bays == 0, 1e-3, 0.0)
    wide = {**SEAM, "gap": 0.5e-3, "lap": 1.0, "time": 1e6}
    result = crept(seams_of(mesh, bays), film, side_areas(mesh), **wide)
    assert result.depths == pytest.approx([float(greatest_rise(0.5e-3, OIL))], rel=1e-12)


def skin_and_doubler(gap: float = 0.2e-3):
    """Return a skin of 1 x 1 m and a doubler of 0.4 x 0.4 m that lies 0.2 mm above it, sharing no point."""
    skin = mesh_of([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], [[0, 1, 2], [0, 2, 3]], part="skin")
    low, high = 0.3, 0.7
    corners = [[low, low, gap], [high, low, gap], [high, high, gap], [low, high, gap]]
    mesh = joined([skin, mesh_of(corners, [[0, 1, 2], [0, 2, 3]], part="doubler")])
    return mesh, np.array([0, -1, 0, -1, 0, 0, 0, 0])  # below the skin is outside


def test_a_doubler_that_shares_no_point_with_the_skin_has_its_outline_as_a_seam_where_declared() -> None:
    mesh, bays = skin_and_doubler()
    assert len(seams_of(mesh, bays).lengths) == 0
    seams = laps_of(mesh, bays, [[1, 0]], 0.5e-3)
    assert seams.lengths.sum() == pytest.approx(4 * 0.4, rel=1e-12)
    assert seams.parts.tolist() == [[0, 1]] * 4
    # Each outline edge is fed by both sides of the doubler's face there and by the skin's upper side.
    fed = {int(side) for side in seams.meetings[:, 1]}
    assert fed == {0, 2, 4, 5, 6, 7}
    assert len(laps_of(mesh, bays, [[0, 1]], 0.1e-3).lengths) == 0  # too far apart
    assert len(laps_of(mesh, bays, [], 0.5e-3).lengths) == 0


def test_a_lap_takes_gap_times_depth_times_length_and_no_drop_is_lost() -> None:
    mesh, bays = skin_and_doubler()
    seams, areas = laps_of(mesh, bays, [[0, 1]], 0.5e-3), side_areas(mesh)
    film = np.where(bays == 0, 30e-6, 0.0)
    result = crept(seams, film, areas, **SEAM)
    # 50 um x 20 mm x 1.6 m = 1.6 mL, of the 30 mL and more that lie beside it.
    assert result.volumes.sum() == pytest.approx(1.6e-6, rel=1e-9)
    assert result.taken @ areas == pytest.approx(1.6e-6, rel=1e-9)
    assert (result.fed_length, result.unfed_length) == (pytest.approx(1.6), 0.0)


def test_seams_and_laps_are_counted_together() -> None:
    (mesh, bays), (other, sides) = skin_and_web(), skin_and_doubler()
    first, second = seams_of(mesh, bays), laps_of(other, sides, [[0, 1]], 0.5e-3)
    both = together(first, second)
    assert both.lengths.sum() == pytest.approx(first.lengths.sum() + second.lengths.sum())
    assert both.meetings[:, 0].max() == len(first.lengths) + len(second.lengths) - 1


def test_a_liquid_that_does_not_wet_does_not_creep() -> None:
    shy = Liquid(density=870.0, viscosity=0.05, surface_tension=0.03, volume_solids=1.0, contact_angle=2.0)
    assert float(slot_depth(50e-6, 3600.0, shy)) == 0.0


def test_what_is_soaked_up_and_what_stays_are_the_film() -> None:
    film = np.array([0.0, 1e-6, 2e-6, 9e-6])
    stays, taken = soaked(film, 2e-6)
    assert stays + taken == pytest.approx(film, rel=1e-15)
    assert taken.max() == 2e-6
    assert (stays >= 0).all()
