"""Single droplets: limits, orders and slow twins (printed values are in test_published)."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from bayreach.droplets import (
    STANDARD_AIR,
    Air,
    deposition_speed,
    fall_speed,
    slip_factor,
    stokes_speed,
    stopping_distance,
    wall_integral,
    wall_speed,
)

SIZES = np.geomspace(0.05e-6, 500e-6, 60)


def test_fall_speed_meets_stokes_for_fine_droplets_and_stays_below_it_for_coarse_ones() -> None:
    ratio = fall_speed(SIZES, 870.0) / stokes_speed(SIZES, 870.0)
    # Only buoyancy (1.205 / 870 = 0.14 %) is left at the fine end.
    assert ratio[0] == pytest.approx(1.0 - 1.205 / 870.0, rel=1e-6)
    assert (np.diff(ratio) < 1e-12).all()
    assert ratio[-1] < 0.35
    assert (np.diff(fall_speed(SIZES, 870.0)) > 0).all()


def test_fall_speed_balances_weight_and_drag() -> None:
    # pi/6 d³ (rho - rho_air) g = 3 pi mu d v (1 + 0.15 Re^0.687) / Cc, each side computed apart.
    speed = fall_speed(SIZES, 870.0)
    reynolds = STANDARD_AIR.density * speed * SIZES / STANDARD_AIR.viscosity
    drag = 3 * np.pi * STANDARD_AIR.viscosity * SIZES * speed * (1 + 0.15 * reynolds**0.687)
    weight = np.pi / 6 * SIZES**3 * (870.0 - STANDARD_AIR.density) * 9.81
    assert drag / slip_factor(SIZES) == pytest.approx(weight, rel=1e-9)


@pytest.mark.parametrize(("size", "speed"), [(20e-6, 5.0), (60e-6, 20.0), (150e-6, 30.0)])
def test_stopping_distance_equals_the_drag_law_integrated_step_by_step(size: float, speed: float) -> None:
    still = Air(mean_free_path=1e-16)
    tau = 870.0 * size**2 / (18 * still.viscosity)

    def slowing(_: float, state: np.ndarray) -> list[float]:
        reynolds = still.density * abs(state[1]) * size / still.viscosity
        return [state[1], -state[1] / tau * (1 + reynolds ** (2 / 3) / 6)]

    end = solve_ivp(slowing, (0, 60 * tau), [0.0, speed], rtol=1e-10, atol=1e-14).y[0, -1]
    assert float(stopping_distance(speed, size, 870.0, still)) == pytest.approx(end, rel=1e-6)


def test_the_series_and_the_whole_of_mercers_law_join_without_a_step() -> None:
    # Re^(1/3) passes 0.02 where Re = 8e-6: at 10 um that is 1.2e-5 m/s.
    speeds = np.geomspace(1e-6, 1e-4, 2001)
    slope = np.diff(np.log(stopping_distance(speeds, 10e-6, 1000.0))) / np.diff(np.log(speeds))
    assert slope == pytest.approx(1.0, abs=2e-3)


def test_a_droplet_cloud_reaches_a_side_by_its_tilt_in_the_three_published_cases() -> None:
    fall, wall = stokes_speed(SIZES, 870.0), wall_speed(SIZES, 0.03)
    up, upright, down = deposition_speed(fall[:, None], wall[:, None], np.array([1.0, 0.0, -1.0])).T
    with np.errstate(over="ignore"):
        assert up == pytest.approx(fall / (1 - np.exp(-fall / wall)), rel=1e-9)
        assert down == pytest.approx(fall / (np.exp(fall / wall) - 1), rel=1e-9)
    assert upright == pytest.approx(wall, rel=1e-12)
    # Facing up minus facing down is the fall itself, whatever the wall does.
    assert up - down == pytest.approx(fall, rel=1e-9)


def test_deposition_rises_steadily_from_facing_down_to_facing_up_without_overflow() -> None:
    rise = np.linspace(-1, 1, 401)
    for size in (0.1e-6, 1e-6, 100e-6):
        speed = deposition_speed(stokes_speed(size, 870.0), wall_speed(size, 0.03), rise)
        assert np.isfinite(speed).all()
        assert (np.diff(speed) >= 0).all()


def test_the_wall_integral_refuses_what_its_closed_form_gets_wrong() -> None:
    with pytest.raises(ValueError, match="1e-09 m found, 1e-08 m or more needed"):
        wall_integral(1e-9, 0.01)
