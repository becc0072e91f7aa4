"""Settled fog: conservation, limits and a slow twin in time (printed values are in test_published)."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.sparse import coo_array, diags_array
from scipy.sparse.linalg import spsolve

from bayreach.deposit.settled import (
    Airways,
    FogClasses,
    SettledPerFog,
    airways,
    decay,
    fog_classes,
    settled_per_fog,
)
from bayreach.droplets import deposition_speed, fall_speed, wall_speed

# Two box-shaped bays of 0.6 x 0.4 x 0.25 m and 0.3 x 0.4 x 0.25 m: floor, ceiling and four walls each.
AREAS = np.array([0.24, 0.24, 0.15, 0.15, 0.1, 0.1, 0.12, 0.12, 0.075, 0.075, 0.1, 0.1])
RISE = np.array([1.0, -1.0, 0.0, 0.0, 0.0, 0.0] * 2)
BAY = np.repeat([0, 1], 6)
VOLUMES = np.array([0.06, 0.03])
LINKS = np.array([[0, 1], [-1, 0], [1, -1]])
OPENINGS = np.array([5e-3, 2e-4, 1e-3])


def settle(speed: float = 0.01, time: float = np.inf, **changes: object) -> SettledPerFog:
    wanted = {
        "side_bay": BAY,
        "side_areas": AREAS,
        "rise": RISE,
        "airways": airways(VOLUMES, LINKS, OPENINGS, speed),
        "classes": fog_classes(20e-6, 1.8),
        "density": 870.0,
        "time": time,
    }
    return settled_per_fog(**{**wanted, **changes})


@pytest.mark.parametrize("time", [0.0, 1.0, 60.0, 3600.0, np.inf])
def test_every_drop_of_fog_is_credited_uncredited_hanging_or_gone(time: float) -> None:
    fate = settle(time=time)
    total = fate.credited + fate.uncredited + fate.suspended + fate.escaped
    assert total == pytest.approx(np.ones(2), abs=1e-12)


def test_the_film_on_the_sides_is_the_credited_fog() -> None:
    fate, fog = settle(time=90.0), np.array([3e-6, 1e-6])
    assert fate.film(fog) @ AREAS == pytest.approx(fate.credited @ fog, rel=1e-12)


def test_without_exchange_all_fog_settles_in_the_bay_it_entered() -> None:
    fate = settle(speed=0.0)
    film = fate.film(np.array([1e-6, 0.0]))
    assert (film[BAY == 1] == 0.0).all()
    assert fate.escaped == pytest.approx(np.zeros(2), abs=1e-15)
    assert film @ AREAS + fate.uncredited[0] * 1e-6 == pytest.approx(1e-6, rel=1e-12)


def test_film_is_linear_in_the_fog_of_each_bay() -> None:
    fate = settle()
    apart = 2.0 * fate.film(np.array([1e-6, 0.0])) + 3.0 * fate.film(np.array([0.0, 1e-6]))
    assert fate.film(np.array([2e-6, 3e-6])) == pytest.approx(apart, rel=1e-12)


def test_downward_facing_sides_get_no_film_and_the_formulas_share_is_named() -> None:
    fine = FogClasses(diameters=np.array([0.1e-6]), shares=np.array([1.0]))
    fate = settle(speed=0.0, classes=fine)
    assert (fate.film(np.array([1e-6, 1e-6]))[RISE < 0] == 0.0).all()
    # At 0.1 um and 0.03 m/s a ceiling takes nearly as much as a wall: it must be named, not dropped.
    assert (fate.uncredited > 0.1).all()


def test_fog_that_leaves_the_tip_outside_wets_nothing() -> None:
    fate = settle()
    assert (fate.film(np.array([0.0, 0.0, 1e-6])) == 0.0).all()


def test_a_bay_behind_an_opening_gets_less_than_the_one_that_was_fogged() -> None:
    film = settle().film(np.array([1e-6, 0.0]))
    assert 0 < film[6] < film[0]
    assert settle(speed=0.05).film(np.array([1e-6, 0.0]))[6] > film[6]


def test_the_course_of_time_equals_step_by_step_integration() -> None:
    air = airways(VOLUMES, LINKS, OPENINGS, 0.02)
    uptake = deposition_speed(fall_speed(15e-6, 870.0), wall_speed(15e-6, 0.03), RISE) * AREAS
    losses = np.bincount(BAY, uptake)
    dying = decay(air, losses)

    def change(_: float, fog: np.ndarray) -> np.ndarray:
        level = fog / VOLUMES
        return air.flows @ level - (losses + air.vents + air.flows.sum(axis=1)) * level

    start = np.array([2e-6, 1e-6])
    steps = solve_ivp(change, (0, 200), start, rtol=1e-11, atol=1e-20, t_eval=[20.0, 200.0]).y
    assert dying.airborne(start, 20.0) == pytest.approx(steps[:, 0], rel=1e-7)
    assert dying.airborne(start, 200.0) == pytest.approx(steps[:, 1], rel=1e-7)


def test_five_per_cent_hang_at_the_time_named() -> None:
    times = settle().time_to_95
    for bay, time in enumerate(times):
        assert settle(time=float(time)).suspended[bay] == pytest.approx(0.05, rel=1e-9)


def test_more_droplet_classes_converge_at_first_order_or_better() -> None:
    films = [
        settle(classes=fog_classes(20e-6, 1.8, n_classes=n)).film([1e-6, 0.0])[6] for n in (6, 12, 24, 48)
    ]
    changes = np.abs(np.diff(films)) / films[-1]
    assert (changes[1:] < 0.75 * changes[:-1]).all()
    assert changes[1] < 0.02  # between 12, the default, and 24


def test_the_finest_part_of_a_spray_is_finer_than_all_of_it() -> None:
    whole, fine = fog_classes(60e-6, 1.8), fog_classes(60e-6, 1.8, finest_share=0.3)
    assert whole.shares.sum() == pytest.approx(1.0, rel=1e-12)
    assert (fine.diameters < whole.diameters).all()
    assert fine.diameters[-1] < 60e-6 * 1.8**-0.52  # 30 % of a normal lies below -0.524


def test_a_bay_without_volume_is_named() -> None:
    with pytest.raises(ValueError, match="bay 1 has a volume of 0 m³"):
        Airways(volumes=np.array([1.0, 0.0]), flows=np.zeros((2, 2)), vents=np.zeros(2))


def test_a_bay_that_nothing_can_leave_is_refused() -> None:
    with pytest.raises(ValueError, match="holds its fog for ever"):
        settle(side_bay=np.zeros(12, dtype=np.int64), airways=airways(VOLUMES, LINKS[:0], OPENINGS[:0]))


def diffused(settling_speed: float, diffusivity: float, n: int = 10) -> np.ndarray:
    """Return the share of fog put evenly into the first of two cubes of 0.3 m that settles on each floor.

    A slow twin with fog that diffuses instead of being well mixed: n³ equal boxes of air a cube, a floor
    that takes it up at the settling speed, and 0.1 x 0.1 m of their common wall where air trades places
    at 0.01 m/s. Over all time: D laplace(exposure) = - source, with those losses at the boundary.
    """
    step, size = 0.3 / n, n**3
    index = np.arange(size).reshape(n, n, n)
    tails = np.concatenate([index[:-1].ravel(), index[:, :-1].ravel(), index[:, :, :-1].ravel()])
    heads = np.concatenate([index[1:].ravel(), index[:, 1:].ravel(), index[:, :, 1:].ravel()])
    tails, heads = np.concatenate([tails, tails + size]), np.concatenate([heads, heads + size])
    rates = np.full(len(tails), diffusivity * step)
    middle = abs(np.arange(n) + 0.5 - n / 2) * step < 0.05
    window = np.ix_([n - 1], middle, middle)
    left, right = index[window].ravel(), index[np.ix_([0], middle, middle)].ravel() + size
    tails, heads = np.concatenate([tails, left]), np.concatenate([heads, right])
    rates = np.concatenate([rates, np.full(len(left), 0.01 * 0.1 * 0.1 / len(left))])
    floor = np.concatenate([index[:, :, 0].ravel(), index[:, :, 0].ravel() + size])
    loss = np.zeros(2 * size)
    loss[floor] = settling_speed * step**2
    trade = coo_array((rates, (tails, heads)), shape=(2 * size, 2 * size)).tocsr()
    trade = trade + trade.T
    balance = diags_array(np.asarray(trade.sum(axis=1)).ravel() + loss) - trade
    source = np.repeat([1.0 / size, 0.0], size)
    exposure = spsolve(balance.tocsc(), source)
    return (loss * exposure).reshape(2, size).sum(axis=1)


@pytest.mark.parametrize(
    ("biot", "near", "far"), [(0.005, 0.03, 0.03), (0.05, 0.06, 0.17)], ids=["mixed", "less mixed"]
)
def test_well_mixed_bays_agree_with_diffusing_fog_where_air_mixes_faster_than_fog_falls(
    biot: float, near: float, far: float
) -> None:
    # Biot number v L / D: the slower the air mixes, the less fog finds the opening before it has settled.
    speed = 1e-3
    by_diffusion = diffused(speed, speed * 0.3 / biot)
    mixed = decay(airways([0.027, 0.027], [[0, 1]], [0.01], 0.01), np.full(2, speed * 0.09))
    shares = speed * 0.09 * mixed.exposures()[:, 0]
    assert shares.sum() == pytest.approx(1.0, rel=1e-9)
    assert by_diffusion.sum() == pytest.approx(1.0, rel=1e-9)
    assert shares[0] == pytest.approx(by_diffusion[0], rel=near)
    assert shares[1] == pytest.approx(by_diffusion[1], rel=far)


def test_where_fog_falls_as_fast_as_air_mixes_the_next_bay_is_told_a_fifth_too_much() -> None:
    # At a Biot number of 0.5 well-mixed bays give the next one 18 % more: of this the Rouse number warns.
    speed = 1e-3
    by_diffusion = diffused(speed, speed * 0.3 / 0.5)
    mixed = decay(airways([0.027, 0.027], [[0, 1]], [0.01], 0.01), np.full(2, speed * 0.09))
    assert 1.1 < speed * 0.09 * mixed.exposures()[1, 0] / by_diffusion[1] < 1.3
