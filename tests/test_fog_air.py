"""Fog that diffuses and falls: closed forms of a slab, the well-mixed limit, conservation, what ran where."""

import math
from dataclasses import replace

import numpy as np
import pytest
import specimens
from test_settled import diffused

from bayreach.bays import find_bays
from bayreach.deposit._fog_air import FogGrid
from bayreach.deposit._fog_bays import Doorways, fogged
from bayreach.deposit.laid import Conditions, Ground, ground_of, settling
from bayreach.deposit.settled import SettledPerFog, biot_numbers, eddy_diffusivities
from bayreach.liquids import liquid_class
from bayreach.repair import subdivided
from bayreach.tips import Tip

DOWN = (0, 0, -1)
THIN = liquid_class("wd_thin").liquid
HEIGHT = 0.3


def slab(n: int) -> FogGrid:
    """Return a column of air of 1 m² and 0.3 m height as `n` boxes one above the other."""
    place, step = np.arange(n), HEIGHT / n
    return FogGrid(
        centers=np.stack([0.0 * place, 0.0 * place, (place + 0.5) * step], axis=1),
        volumes=np.full(n, step),
        links=np.stack([place[:-1], place[1:]], axis=1),
        areas=np.ones(n - 1),
        gaps=np.full(n - 1, step),
        is_fall=np.ones(n - 1, dtype=np.bool_),
        sides=np.array([0]),
        spots=np.zeros((1, 4), dtype=np.int64),
    )


def slab_exposure(z: np.ndarray, fall: float, diffusivity: float, speed: float) -> np.ndarray:
    """Return the exposure at heights z of fog made evenly in the slab, its floor taking up at `speed`.

    D c' + V c = s (H - z) (what was made above comes down), s = 1 / H, and v c(0) = 1. Without fall
    c = 1 / v + s (H z - z² / 2) / D; with it c = s (H - z) / V + s D / V² + K exp(-V z / D), K by the floor.
    """
    s = 1.0 / HEIGHT
    if fall == 0.0:
        return 1.0 / speed + s * (HEIGHT * z - z**2 / 2) / diffusivity
    part = s * (HEIGHT - z) / fall + s * diffusivity / fall**2
    at_floor = s * HEIGHT / fall + s * diffusivity / fall**2
    return part + (1.0 / speed - at_floor) * np.exp(-fall * z / diffusivity)


@pytest.mark.parametrize("fall", [0.0, 1e-3, 5e-3])
def test_fog_in_a_slab_with_a_floor_that_takes_it_up_has_its_closed_form(fall: float) -> None:
    diffusivity, speed, off = 1e-3, 2e-3, []
    for n in (20, 40, 80):
        losses = np.zeros(n)
        losses[0] = speed
        exposure = slab(n).exposures(
            fall=fall, diffusivity=diffusivity, losses=losses, sources=np.full((n, 1), 1 / n)
        )[:, 0]
        z = (np.arange(n) + 0.5) * HEIGHT / n
        exact = slab_exposure(z, fall, diffusivity, speed)
        off.append(np.abs(exposure / exact - 1).max())
        assert exposure[0] * speed == pytest.approx(1.0, rel=1e-9)  # all of it ends on the floor
    # The floor takes from the middle of the lowest box, half a step up: first order.
    assert off[0] < 0.06
    assert off[1] < 0.6 * off[0]
    assert off[2] < 0.6 * off[1]


def box(open_end: bool = False) -> Ground:
    """Return the ground of a box of two bays with a round hole of 100 mm in the rib between."""
    size = (0.6, 0.3, 0.3)
    rib = specimens.rib(0.3, size, [specimens.ring((0.15, 0.15), 0.1)])
    mesh = specimens.mended(specimens.box(size, open_end=open_end, xs=(0.3,)), rib)
    return ground_of(find_bays(subdivided(mesh, 0.05).mesh), DOWN)


def fate(ground: Ground, droplet: float, model: str, **more: object) -> SettledPerFog:
    tip = Tip(pattern="radial", spread=math.radians(60), throw=0.3, droplet=droplet, droplet_spread=1.01)
    conditions = Conditions(fog=model, n_classes=1, **more)
    return settling(ground, tip, THIN, conditions, lambda distances: 0.5 + 0.0 * distances)


@pytest.mark.parametrize("open_end", [False, True], ids=["closed", "open end"])
@pytest.mark.parametrize("droplet", [5e-6, 20e-6, 60e-6])
def test_every_drop_of_boxed_fog_is_credited_uncredited_or_gone(droplet: float, open_end: bool) -> None:
    ground = box(open_end)
    told = fate(ground, droplet, "auto")
    assert told.boxed.all()
    assert told.credited + told.uncredited + told.escaped == pytest.approx(np.ones(2), abs=1e-9)
    film = told.film(np.eye(2))
    assert film.T @ ground.areas == pytest.approx(told.credited, rel=1e-9)
    assert (film[ground.rise < -1e-6] == 0.0).all()
    assert (told.escaped > 1e-4).any() == open_end
    assert told.film([2e-6, 3e-6]) == pytest.approx(2e-6 * film[:, 0] + 3e-6 * film[:, 1], rel=1e-9)


def test_boxes_become_a_well_mixed_bay_where_air_stirs_faster_than_fog_falls() -> None:
    # At a Biot number of 0.005 (6 x 0.1 mm/s / (0.4 x 0.6 m/s) is 0.0025) both tell the same share in each
    # bay within 3 %.
    ground, stirred = box(), 0.6
    mixed = fate(ground, 1.6e-6, "mixed", friction_speed=stirred)
    assert mixed.biots.max() < 0.006
    by_boxes = boxed_all_the_same(ground, 1.6e-6, stirred)
    areas = ground.areas
    for bay in (0, 1):
        own = ground.bays.side_bay == bay
        expected = mixed.film(np.eye(2))[own].T @ areas[own]
        assert by_boxes.film(np.eye(2))[own].T @ areas[own] == pytest.approx(expected, rel=0.03)


def boxed_all_the_same(ground: Ground, droplet: float, friction_speed: float) -> SettledPerFog:
    """Return the fate by boxes although the Biot number does not ask for them."""
    from bayreach.deposit import settled

    kept, settled.MIXED_BIOT = settled.MIXED_BIOT, 0.0
    try:
        told = fate(ground, droplet, "auto", friction_speed=friction_speed)
    finally:
        settled.MIXED_BIOT = kept
    assert told.boxed.all()
    return told


def cube(n: int, start: float) -> FogGrid:
    """Return a cube of air of 0.3 m, its low x at `start`, as n x n x n boxes."""
    step, number = 0.3 / n, np.arange(n**3).reshape(n, n, n)
    pairs = [
        np.stack([np.delete(number, -1, axis).ravel(), np.delete(number, 0, axis).ravel()], axis=1)
        for axis in range(3)
    ]
    places = (np.stack(np.meshgrid(*[np.arange(n) + 0.5] * 3, indexing="ij"), axis=-1).reshape(-1, 3)) * step
    links = np.concatenate(pairs)
    return FogGrid(
        centers=places + np.array([start, 0.0, 0.0]),
        volumes=np.full(n**3, step**3),
        links=links,
        areas=np.full(len(links), step**2),
        gaps=np.full(len(links), step),
        is_fall=np.repeat([False, False, True], len(links) // 3),
        sides=np.array([0]),
        spots=np.zeros((1, 4), dtype=np.int64),
    )


@pytest.mark.parametrize("biot", [0.005, 0.05, 0.5])
def test_two_cubes_of_boxes_tell_what_a_slow_twin_of_one_system_tells(biot: float) -> None:
    # The twin of test_settled solves both cubes as one system, with links across the hole; here each cube is
    # solved alone and a system of what passes the hole joins them. Fog diffuses only, as the twin's.
    n, speed = 10, 1e-3
    grids = (cube(n, 0.0), cube(n, 0.3))
    doors = Doorways(
        links=np.array([[0, 1]]),
        rates=np.array([1e-4]),
        centers=np.array([[0.3, 0.15, 0.15]]),
        reaches=np.array([0.06]),
    )
    uptake = np.where(grids[0].centers[:, 2] < 0.3 / n, speed * (0.3 / n) ** 2, 0.0)
    told = fogged(
        grids, doors, fall=0.0, diffusivities=np.full(2, speed * 0.3 / biot), uptakes=(uptake, uptake)
    )
    shares = np.array([uptake @ told.exposures[: n**3, 0], uptake @ told.exposures[n**3 :, 0]])
    assert shares.sum() == pytest.approx(1.0, rel=1e-9)
    assert shares == pytest.approx(diffused(speed, speed * 0.3 / biot, n), rel=0.03)


def test_zones_below_a_biot_number_of_a_tenth_and_boxes_above() -> None:
    # 6 V / (0.4 u*): at 0.03 m/s the border lies at V = 0.2 mm/s, a droplet of 2.7 um.
    ground = box()
    for droplet, is_boxed in ((2e-6, False), (4e-6, True)):
        told = fate(ground, droplet, "auto")
        assert (told.biots > 0.1).all() == is_boxed
        assert told.boxed.all() == is_boxed
    assert not fate(ground, 60e-6, "mixed").boxed.any()
    assert biot_numbers(np.array([2e-4]), 0.03) == pytest.approx([0.1], rel=1e-9)
    assert eddy_diffusivities(np.array([0.027]), 0.03) == pytest.approx([0.4 * 0.03 * 0.3 / 6], rel=1e-12)


def test_coarse_fog_falls_before_it_finds_the_next_bay() -> None:
    ground = box()
    through = []
    for model in ("mixed", "auto"):
        told = fate(ground, 60e-6, model)
        other = ground.bays.side_bay == 1
        through.append(float(told.film([1.0, 0.0])[other] @ ground.areas[other]))
    assert 0.0 < through[1] < 0.7 * through[0]


def test_a_shelf_keeps_fog_from_the_floor_below_it() -> None:
    # A shelf of half the floor, half way up: what is made above it ends on it, what is made below beneath.
    size = (0.3, 0.3, 0.3)
    shelf = specimens.mended(
        specimens.box(size),
        replace_parts([[0, 0, 0.15], [0.15, 0, 0.15], [0.15, 0.3, 0.15], [0, 0.3, 0.15]]),
    )
    ground = ground_of(find_bays(subdivided(shelf, 0.04).mesh), DOWN)
    told = fate(ground, 60e-6, "auto")
    film = told.film(np.eye(len(ground.bays.bays)))[:, 0]
    middle = ground.bays.mesh.corners.mean(axis=1).repeat(2, axis=0)
    up = (ground.rise > 0.9) & (ground.bays.side_bay >= 0)
    floor, on_shelf = up & (middle[:, 2] < 0.01), up & (abs(middle[:, 2] - 0.15) < 0.01)
    beneath, open_floor = floor & (middle[:, 0] < 0.1), floor & (middle[:, 0] > 0.2)
    means = [np.average(film[part], weights=ground.areas[part]) for part in (on_shelf, beneath, open_floor)]
    assert means[2] == pytest.approx(1 / 0.09, rel=0.15)  # all of a column of 0.3 m: 0.3 / 0.027
    assert means[0] == pytest.approx(0.5 / 0.09, rel=0.2)
    assert means[1] == pytest.approx(0.5 / 0.09, rel=0.2)


def replace_parts(corners: list[list[float]]):
    """Return a plate of two faces as a part of its own."""
    from bayreach.mesh import mesh_of

    return mesh_of(corners, [[0, 1, 2], [0, 2, 3]], part="shelf")


def test_a_bay_too_small_for_boxes_is_well_mixed_and_told_so() -> None:
    ground = box()
    ground.__dict__["fog_air"] = replace(ground.fog_air, grids=(None, ground.fog_air.grids[1]))
    told = fate(ground, 30e-6, "auto")
    assert told.boxed.tolist() == [[False, True]]
    assert told.credited + told.uncredited + told.escaped == pytest.approx(np.ones(2), abs=1e-9)
    assert [told.boxes_of(bay) > 0 for bay in (0, 1)] == [False, True]
