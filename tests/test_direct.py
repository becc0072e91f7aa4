"""Direct film: closed forms of points and moving sources, shadows, and where all the liquid went."""

import math
from types import SimpleNamespace

import numpy as np
import pytest
from oracles import ball, closed_box, grid_plate, tube

from bayreach.deposit.direct import (
    air_of,
    flow_course,
    path_film,
    pull_film,
    stations_for,
    wet_part,
)
from bayreach.mesh import joined
from bayreach.poses import Stations, poses_at, stations_of, straight_path
from bayreach.rays import Scene
from bayreach.repair import subdivided
from bayreach.sight import Targets, targets_of
from bayreach.tips import Tip

DOWN = (0, 0, -1)
ISOTROPIC = Tip(pattern="radial", spread=math.pi)
COSINE = Tip(pattern="forward", spread=math.pi, profile="cosine")
RING = Tip(pattern="radial", spread=math.radians(20))


def dwell(point, axis=(1, 0, 0), clock=(0, 0, 1)) -> Stations:
    """One station that stays where it is."""
    return Stations(points=[point], axes=[axis], clocks=[clock], depths=[0.0], lengths=[0.0])


def pull(start, end, axis=None, step=0.01) -> Stations:
    """Stations on the straight line from start to end; the axis is the way back unless given."""
    start, end = np.asarray(start, float), np.asarray(end, float)
    length = np.linalg.norm(end - start)
    aim = (start - end) / length
    path = straight_path(entry=end, aim=aim, deepest=length, shallowest=0.0, clock=0.0, down=DOWN)
    stations = stations_of(path, step)
    if axis is None:
        return stations
    k = len(stations.points)
    return Stations(
        points=stations.points,
        axes=np.tile(axis, (k, 1)),
        clocks=np.tile(aim, (k, 1)),
        depths=stations.depths,
        lengths=stations.lengths,
    )


def points_on_plate(offsets, normal=(0, 0, 1)) -> Targets:
    """Single points in the plane z = 0 at x = 0 and the given y, each a side of its own."""
    count = len(offsets)
    return Targets(
        points=np.stack([np.zeros(count), offsets, np.zeros(count)], axis=1),
        normals=np.tile(normal, (count, 1)),
        side=2 * np.arange(count),
        weight=np.ones(count),
        areas=np.ones(count),
    )


EMPTY = Scene(grid_plate([50, 0, 0], [0.01, 0, 0], [0, 0.01, 0]))


def film_at(offsets, stations, tip):
    return pull_film(EMPTY, points_on_plate(offsets), stations, tip).dense(2 * len(offsets))[::2]


@pytest.mark.parametrize(("reach", "ratio"), [(0.5, 0.7155418), (1.0, 0.3535534), (2.0, 0.0894427)])
def test_b1_isotropic_point_over_a_plane_holland_and_steckelmacher_1952(reach, ratio):
    # check-values B1: d0 = V / (4 pi h²) = 7.957747 um for 1 mL at 0.1 m.
    film = film_at([0.0, reach * 0.1], dwell([0, 0, 0.1]), ISOTROPIC) * 1e-6
    assert film[0] == pytest.approx(7.957747e-6, rel=1e-6)
    assert film[1] / film[0] == pytest.approx(ratio, rel=1e-6)


@pytest.mark.parametrize(("reach", "ratio"), [(0.5, 0.64), (1.0, 0.25), (2.0, 0.04)])
def test_b2_cosine_source_facing_a_plane_holland_and_steckelmacher_1952(reach, ratio):
    # check-values B2: d0 = V / (pi h²) = 31.830989 um.
    film = film_at([0.0, reach * 0.1], dwell([0, 0, 0.1], axis=(0, 0, -1), clock=(1, 0, 0)), COSINE) * 1e-6
    assert film[0] == pytest.approx(31.830989e-6, rel=1e-6)
    assert film[1] / film[0] == pytest.approx(ratio, rel=1e-6)


def test_b3_lobe_of_power_three_over_a_plane():
    # check-values B3: (1 + (l/h)²)^(-(n+3)/2) with n = 3 at l = h is 1/8.
    tip = Tip(pattern="forward", spread=math.pi, profile="cosine", power=3.0)
    film = film_at([0.0, 0.1], dwell([0, 0, 0.1], axis=(0, 0, -1), clock=(1, 0, 0)), tip)
    assert film[1] / film[0] == pytest.approx(0.125, rel=1e-6)


@pytest.mark.parametrize("axis", [(0.36, 0.48, 0.8), (-1.0, 0.0, 0.0)])
def test_b4_a_cosine_source_on_the_wall_of_a_sphere_wets_it_evenly_knudsen(axis):
    # check-values B4: V / (4 pi R²) = 7.957747 um for 1 mL in R = 0.1 m, whatever the place on the wall.
    random = np.random.default_rng(7)
    outward = random.normal(size=(200, 3))
    outward /= np.linalg.norm(outward, axis=1)[:, None]
    sphere = Targets(
        points=0.1 * outward,
        normals=-outward,
        side=2 * np.arange(200),
        weight=np.ones(200),
        areas=np.ones(200),
    )
    source = dwell(0.1 * np.array(axis), axis=-np.array(axis), clock=np.cross(axis, [0.0, 1.0, 0.0]))
    film = pull_film(EMPTY, sphere, source, COSINE).dense(400)[::2] * 1e-6
    assert film == pytest.approx(np.full(200, 7.957747e-6), rel=1e-6)


def test_b4_on_a_mesh_of_a_sphere_within_one_per_cent_of_its_mean():
    sphere = ball(0.1, halvings=4)
    source = sphere.corners[700].mean(axis=0)
    axis = -source / np.linalg.norm(source)
    targets = targets_of(sphere, np.arange(1, sphere.n_sides, 2))
    column = pull_film(
        Scene(sphere), targets, dwell(source, axis=axis, clock=np.cross(axis, [0, 1, 0])), COSINE
    )
    away = np.linalg.norm(sphere.corners.mean(axis=1) - source, axis=1) > 0.05
    film = column.dense(sphere.n_sides)[1::2]
    areas = targets.areas[away]
    assert (film[away] @ areas) / areas.sum() * 1e-6 == pytest.approx(7.957747e-6, rel=1e-2)


def test_d1_ring_spray_along_a_cylinder_is_the_flow_over_its_circumference_and_speed():
    # check-values D1: Q / (2 pi R v) = 159.154943 um for Q = 5 mL/s, v = 0.05 m/s, R = 0.1 m.
    wall = tube(0.1, 2.0, around=96, pieces=40)
    stations = pull([1.8, 0, 0], [0.2, 0, 0], step=0.005)
    column = pull_film(Scene(wall), targets_of(wall), stations, RING)
    volume = 5e-6 * 1.6 / 0.05
    film = column.dense(wall.n_sides)[1::2] * volume
    middle = np.abs(wall.corners.mean(axis=1)[:, 0] - 1.0) < 0.4
    # The prism's wall stands nearer than the circle by up to 1 - cos(pi / 96) = 0.05 %.
    assert film[middle] == pytest.approx(np.full(int(middle.sum()), 159.154943e-6), rel=1e-2)


def test_d1_holds_for_an_isotropic_source_too():
    wall = tube(0.1, 4.0, around=96, pieces=80)
    middle = np.abs(wall.corners.mean(axis=1)[:, 0] - 2.0) < 0.1
    stations = pull([3.9, 0, 0], [0.1, 0, 0], step=0.01)
    column = pull_film(Scene(wall), targets_of(wall, 2 * np.flatnonzero(middle) + 1), stations, ISOTROPIC)
    film = column.dense(wall.n_sides)[1::2] * (5e-6 * 3.8 / 0.05)
    assert film[middle] == pytest.approx(np.full(int(middle.sum()), 159.154943e-6), rel=1e-2)


def test_the_midpoint_rule_along_the_pull_converges_with_the_square_of_the_step():
    # A cosine lobe of the sheet is smooth, so halving the step must quarter the error against the closed form
    # D2's integrand over a finite pull from -L to L: Q / (4 pi v h) 2 L / sqrt(h² + L²) for an isotropic
    # point at y = 0.
    height, half = 0.1, 0.05
    exact = 1 / (4 * math.pi * height) * 2 * half / math.hypot(height, half) / (2 * half)
    errors = []
    for count in (2, 4, 8):
        film = film_at([0.0], pull([half, 0, height], [-half, 0, height], step=2 * half / count), ISOTROPIC)
        errors.append(abs(film[0] / exact - 1))
    assert errors[0] / errors[1] == pytest.approx(4.0, rel=0.1)
    assert errors[1] / errors[2] == pytest.approx(4.0, rel=0.05)


@pytest.mark.parametrize(("offset", "film_um"), [(0.0, 159.154943), (0.04, 137.202537), (0.1, 79.577472)])
@pytest.mark.parametrize(
    "tip", [ISOTROPIC, Tip(pattern="radial", spread=math.radians(0.5))], ids=["d2", "d3"]
)
def test_d2_d3_moving_isotropic_point_and_ring_over_a_plate(offset, film_um, tip):
    # check-values D2, D3: Q h / (2 pi v (h² + y²)); a pull of 20 m stands for the infinite line (tail 1e-5).
    length = 20.0 if tip is ISOTROPIC else 0.01
    step = 0.005 if tip is ISOTROPIC else 0.01 / 4001
    film = film_at([offset], pull([length / 2, 0, 0.1], [-length / 2, 0, 0.1], step=step), tip)
    assert film[0] * 5e-6 * length / 0.05 == pytest.approx(film_um * 1e-6, rel=3e-3)


@pytest.mark.parametrize(("offset", "film_um"), [(0.0, 500.0), (0.1, 176.776695)])
def test_d4_moving_cosine_source_over_a_plate(offset, film_um):
    # check-values D4: Q h² / (2 v rho³).
    stations = pull([5, 0, 0.1], [-5, 0, 0.1], axis=(0, 0, -1), step=0.005)
    film = film_at([offset], stations, COSINE)
    assert film[0] * 5e-6 * 10 / 0.05 == pytest.approx(film_um * 1e-6, rel=1e-5)


@pytest.mark.parametrize(("offset", "film_um"), [(0.0, 1164.104727), (0.1, 36.378273)])
def test_d5_moving_lobe_of_power_eight(offset, film_um):
    tip = Tip(pattern="forward", spread=math.pi, profile="cosine", power=8.0)
    film = film_at([offset], pull([3, 0, 0.1], [-3, 0, 0.1], axis=(0, 0, -1), step=0.005), tip)
    assert film[0] * 5e-6 * 6 / 0.05 == pytest.approx(film_um * 1e-6, rel=1e-6)


def test_d9_a_half_plane_baffle_halves_the_film_under_its_edge():
    # check-values D9: a pull across a half-plane's edge; the point under the edge sees half of the pull.
    baffle = grid_plate([0.5, 0, 0.05], [1.0, 0, 0], [0, 4.0, 0], cells=8)
    point = points_on_plate([0.0])
    stations = pull([1, 0, 0.1], [-1, 0, 0.1], step=0.0005)
    free = pull_film(EMPTY, point, stations, ISOTROPIC).dense(2)[0]
    half = pull_film(Scene(baffle), point, stations, ISOTROPIC).dense(2)[0]
    assert half / free == pytest.approx(0.5, abs=1e-3)


def test_a_plate_casts_the_shadow_of_similar_triangles():
    # Tip 0.3 m above the wall, a plate 0.1 m wide at 0.2 m: the shadow is 0.1 x 0.3 / 0.1 = 0.3 m wide.
    plate = grid_plate([0, 0, 0.2], [0.1, 0, 0], [0, 0.1, 0])
    offsets = np.linspace(-0.3, 0.3, 6001)
    targets = points_on_plate(offsets)
    column = pull_film(Scene(plate), targets, dwell([0, 0, 0.3]), ISOTROPIC)
    dark = offsets[column.dense(2 * len(offsets))[::2] == 0.0]
    assert dark.min() == pytest.approx(-0.15, abs=2e-4)
    assert dark.max() == pytest.approx(0.15, abs=2e-4)


@pytest.mark.parametrize("throw", [math.inf, 0.3])
def test_direct_fog_and_escaped_add_up_to_all_that_was_sprayed(throw):
    box = closed_box((1.0, 0.4, 0.3))
    mesh = joined([box, grid_plate([0.5, 0.2, 0.1], [0, 0.2, 0], [0, 0, 0.1], cells=4)])
    tip = Tip(pattern="radial", spread=math.radians(60), throw=throw)
    stations = pull([0.8, 0.2, 0.2], [0.2, 0.2, 0.2])
    column = pull_film(Scene(mesh), targets_of(mesh, samples=64), stations, tip)
    # Film is kept in single precision.
    assert column.landed + column.fog + column.escaped + column.elsewhere == pytest.approx(1.0, abs=1e-7)
    assert column.escaped == pytest.approx(0.0, abs=1e-12)
    assert column.elsewhere == 0.0
    # The 12 large walls are too coarse for a hard edge, and the closure says so.
    assert 0.0 < abs(column.closure) < 0.1
    assert (column.fog > 0.1) == (throw < 1)


def test_an_open_tube_lets_out_what_its_solid_angle_says():
    # An isotropic point in the middle: each end is seen under 2 pi (1 - cos a), tan a = R / (L / 2).
    wall = tube(0.1, 0.6, around=96, pieces=30)
    column = pull_film(Scene(wall), targets_of(wall), dwell([0.3, 0, 0]), ISOTROPIC)
    lost = 1 - 0.3 / math.hypot(0.3, 0.1)
    assert column.escaped == pytest.approx(lost, abs=4e-3)
    assert column.closure == pytest.approx(0.0, abs=5e-3)


def test_sides_not_asked_about_are_elsewhere():
    box = closed_box((1.0, 0.4, 0.3))
    column = pull_film(Scene(box), targets_of(box, [1, 3]), dwell([0.5, 0.2, 0.15]), ISOTROPIC)
    assert math.isnan(column.closure)
    assert column.landed + column.elsewhere == pytest.approx(1.0, abs=1e-12)
    assert column.elsewhere > 0.5


def _two_bays():
    """Return a box of two bays with a square hole of half its height between, and its caps."""
    box = closed_box((2.0, 1.0, 1.0))
    # The wall at x = 1 leaves open y, z in 0.25 .. 0.75: four strips round the hole.
    strips = [
        grid_plate([1, 0.125, 0.5], [0, 0.25, 0], [0, 0, 1.0]),
        grid_plate([1, 0.875, 0.5], [0, 0.25, 0], [0, 0, 1.0]),
        grid_plate([1, 0.5, 0.125], [0, 0.5, 0], [0, 0, 0.25]),
        grid_plate([1, 0.5, 0.875], [0, 0.5, 0], [0, 0, 0.25]),
    ]
    mesh = joined([box, *strips])
    x = mesh.corners.mean(axis=1)[:, 0]
    side_bay = np.full(mesh.n_sides, -1)
    side_bay[1:24:2] = 0  # the box faces outwards: its backs look inside
    right = np.array([x[k] > 1.9 for k in range(12)])
    side_bay[1:24:2][right] = 1
    side_bay[24::2] = 1  # strips: front to +x
    side_bay[25::2] = 0
    cap = grid_plate([1, 0.5, 0.5], [0, 0.5, 0], [0, 0, 0.5])
    bays = SimpleNamespace(
        side_bay=side_bay,
        bays=("left", "right"),
        openings=(SimpleNamespace(links=(0, 1)),),
        cap_points=cap.points,
        cap_faces=cap.faces,
        cap_opening=np.zeros(2, dtype=int),
        cap_links=np.array([[0, 1], [0, 1]]),
        method="cells",
    )
    return mesh, bays


def test_fog_is_put_down_to_the_bay_where_it_left_the_jet():
    # A narrow jet along +x from x = 0.5, opening at 0.5 m, far wall at 1.5 m, half of the volume flies 0.5 m:
    # 1/2 turns to fog in the first bay, tau(0.5) - tau(1.5) in the second, tau(1.5) lands.
    mesh, bays = _two_bays()
    tip = Tip(pattern="forward", spread=math.radians(2), throw=0.5, droplet_spread=1.5)
    column = pull_film(Scene(mesh), targets_of(mesh), dwell([0.5, 0.5, 0.5]), tip, air=air_of(mesh, bays))
    lands = float(tip.share_flying(1.5))
    assert column.fog_to_bay == pytest.approx([0.5, 0.5 - lands, 0.0], abs=1e-3)
    assert column.landed + column.elsewhere == pytest.approx(lands, abs=1e-3)
    assert column.escaped == pytest.approx(0.0, abs=1e-12)


def test_fog_of_a_pull_through_two_bays_is_put_down_to_the_bay_that_each_part_of_it_leaves_the_jet_in():
    # The jet of above while its tip is pulled from x = 1.4 to 0.6 m through the opening at x = 1: with tau(r)
    # the share still flying, of what leaves at x < 1 the first bay gets 1 - tau(1 - x), all else the second.
    mesh, bays = _two_bays()
    tip = Tip(pattern="forward", spread=math.radians(2), throw=0.5, droplet_spread=1.5)
    stations = pull([1.4, 0.5, 0.5], [0.6, 0.5, 0.5], step=0.005)
    column = pull_film(Scene(mesh), targets_of(mesh), stations, tip, air=air_of(mesh, bays))
    x = 0.6 + 0.8 * (np.arange(4000) + 0.5) / 4000
    first = np.where(x < 1.0, 1.0 - tip.share_flying(np.maximum(1.0 - x, 0.0)), 0.0).mean()
    lands = tip.share_flying(2.0 - x).mean()
    assert first > 0.01
    assert column.fog_to_bay == pytest.approx([first, 1.0 - lands - first, 0.0], abs=1e-3)


def test_a_jet_out_of_the_structure_has_escaped_even_if_it_lands_outside():
    mesh, bays = _two_bays()
    column = pull_film(Scene(mesh), targets_of(mesh), dwell([-0.5, 0.5, 0.5]), RING, air=air_of(mesh, bays))
    assert column.escaped == pytest.approx(1.0)
    assert column.landed == 0.0


def test_film_does_not_depend_on_flow_but_the_slower_end_gets_more():
    wall = tube(0.1, 1.0, around=24, pieces=20)
    scene, targets = Scene(wall), targets_of(wall)
    stations = pull([0.9, 0, 0], [0.1, 0, 0])
    even = pull_film(scene, targets, stations, RING)
    faster = pull_film(scene, targets, stations, RING, speed=3.0)
    assert faster.direct == pytest.approx(even.direct)
    slow_deep = pull_film(
        scene, targets, stations, RING, speed=np.where(stations.points[:, 0] > 0.5, 0.5, 1.0)
    )
    x = wall.corners.mean(axis=1)[:, 0]
    dense = slow_deep.dense(wall.n_sides)[1::2]
    assert dense[np.abs(x - 0.7) < 0.1].mean() / dense[np.abs(x - 0.3) < 0.1].mean() == pytest.approx(
        2, rel=0.02
    )


def test_two_half_pulls_are_one_pull():
    wall = tube(0.1, 1.0, around=24, pieces=20)
    scene, targets = Scene(wall), targets_of(wall, np.arange(1, wall.n_sides, 2))
    whole = pull_film(scene, targets, pull([0.9, 0, 0], [0.1, 0, 0]), RING).dense(wall.n_sides)
    first = pull_film(scene, targets, pull([0.9, 0, 0], [0.5, 0, 0]), RING).dense(wall.n_sides)
    second = pull_film(scene, targets, pull([0.5, 0, 0], [0.1, 0, 0]), RING).dense(wall.n_sides)
    assert (first + second) / 2 == pytest.approx(whole, abs=1e-7 * whole.max())  # single precision


def test_a_mirrored_structure_gets_mirrored_film():
    box = closed_box((1.0, 0.4, 0.4))
    mesh = joined([box, grid_plate([0.5, 0.1, 0.2], [0, 0.2, 0], [0, 0, 0.2], cells=2)])
    mirrored = joined([box, grid_plate([0.5, 0.3, 0.2], [0, 0.2, 0], [0, 0, 0.2], cells=2)])
    stations = pull([0.3, 0.2, 0.2], [0.1, 0.2, 0.2])
    tip = Tip(pattern="forward", spread=math.radians(120))
    one = pull_film(Scene(mesh), targets_of(mesh, samples=16), stations, tip)
    two = pull_film(Scene(mirrored), targets_of(mirrored, samples=16), stations, tip)
    assert one.direct.sum() == pytest.approx(two.direct.sum(), rel=2e-2)


def test_more_occluders_never_add_direct_film():
    box = closed_box((1.0, 0.4, 0.4))
    targets = targets_of(box, np.arange(1, 24, 2), samples=16)
    stations = pull([0.8, 0.2, 0.2], [0.2, 0.2, 0.2])
    rib = grid_plate([0.5, 0.1, 0.1], [0, 0.2, 0], [0, 0, 0.2])
    free = pull_film(Scene(box), targets, stations, ISOTROPIC).dense(24)
    hidden = pull_film(Scene(joined([box, rib])), targets, stations, ISOTROPIC).dense(24)
    assert (hidden <= free * (1 + 1e-7)).all()
    assert hidden.sum() < free.sum()


def test_stations_keep_to_the_step_rule():
    # A tip 0.05 m off a plate, less the 5 mm it may come nearer within a panel: 4.5 mm at most, so three
    # steps to each panel of 10 mm.
    plate = grid_plate([0, 0, 0], [2, 0, 0], [0, 2, 0])
    path = straight_path(
        entry=[0.5, 0, 0.05], aim=[-1, 0, 0], deepest=1.0, shallowest=0.0, clock=0, down=DOWN
    )
    stations = stations_for(Scene(plate), path, ISOTROPIC)
    assert stations.lengths == pytest.approx(np.full(300, 10e-3 / 3))
    assert stations.lengths.sum() == pytest.approx(1.0)
    assert stations.depths[0] > stations.depths[-1]
    finer = stations_for(Scene(plate), path, ISOTROPIC, refine=2.0)
    assert finer.lengths == pytest.approx(np.full(500, 10e-3 / 5))  # 2.25 mm at most


@pytest.mark.parametrize("spread", [5, 20, 60])
def test_a_hard_edged_sheet_converges_with_the_square_of_the_step(spread):
    # D1 with a sheet that, at 5 degrees, is 8.7 mm wide on the wall: thinner than the first two steps.
    wall = tube(0.1, 2.0, around=96, pieces=40)
    middle = np.abs(wall.corners.mean(axis=1)[:, 0] - 1.0) < 0.4
    tip = Tip(pattern="radial", spread=math.radians(spread))
    targets = targets_of(wall, 2 * np.flatnonzero(middle) + 1)
    errors = []
    for step in (0.02, 0.01, 0.005):
        stations = pull([1.8, 0, 0], [0.2, 0, 0], step=step)
        column = pull_film(Scene(wall), targets, stations, tip)
        errors.append(np.abs(column.direct * 2 * math.pi * 0.1 * 1.6 - 1).mean())
        assert column.error > 0.8 * errors[-1]  # the estimate is not exceeded
    # The prism stands 0.05 % nearer than the circle, which is what is left at the end.
    assert errors[0] / errors[1] > 3.5
    assert errors[1] < 4e-3
    assert errors[2] < 1e-3


def test_stations_crowd_where_a_wall_is_near():
    # A wall at x = 1 ends the pull's start: the standoff grows from 0.01 m to 0.5 m and more.
    wall = grid_plate([1, 0, 0], [0, 1, 0], [0, 0, 1])
    path = straight_path(entry=[0, 0, 0], aim=[1, 0, 0], deepest=0.99, shallowest=0.3, clock=0, down=DOWN)
    stations = stations_for(Scene(wall), path, ISOTROPIC)
    assert stations.lengths[0] < 1.2e-3
    assert stations.lengths[-1] > 9e-3


def test_a_path_of_one_pose_is_a_dwell():
    wall = grid_plate([1, 0, 0], [0, 1, 0], [0, 0, 1])
    path = straight_path(entry=[0, 0, 0], aim=[1, 0, 0], deepest=0.5, shallowest=0.5, clock=0, down=DOWN)
    stations = stations_for(Scene(wall), path, ISOTROPIC)
    assert len(stations.points) == 1
    assert poses_at(path, [0.5], [0.0]).points == pytest.approx(stations.points)


def test_bays_of_another_mesh_are_refused():
    mesh, bays = _two_bays()
    with pytest.raises(ValueError, match="side bays found"):
        air_of(closed_box((1, 1, 1)), bays)
    assert air_of(mesh, bays).n_bays == 2


def test_a_lag_leaves_the_deep_end_dry_and_shortens_the_pull():
    # 0.05 m/s and 2 s late: the first 0.1 m stays dry; the film further out is Q / (2 pi R v) as ever (D1).
    wall = tube(0.1, 2.0, around=96, pieces=40)
    path = straight_path(entry=[0, 0, 0], aim=[1, 0, 0], deepest=1.5, shallowest=0.5, clock=0, down=DOWN)
    column = path_film(Scene(wall), targets_of(wall), path, RING, speed=0.05, lag=2.0)
    assert column.length == pytest.approx(0.9)
    film = column.dense(wall.n_sides)[1::2] * 5e-6 * column.length / 0.05
    x = wall.corners.mean(axis=1)[:, 0]
    assert film[(x > 0.6) & (x < 1.3)] == pytest.approx(159.154943e-6, rel=1e-2)
    # Beyond the sheet's edge, 0.1 tan 10 degrees further in than 1.4 m, all is dry but for the edge's smear.
    assert film[x > 1.46].max() < 0.01 * 159e-6
    assert path_film(Scene(wall), targets_of(wall), path, RING, speed=0.05, lag=30.0).sides.shape == (0,)
    assert wet_part(path, speed=0.05, lag=0.0) is path


def test_a_flow_that_rises_over_a_second_wets_the_deep_end_less():
    stations = pull([1.0, 0, 0], [0.0, 0, 0], step=0.01)
    course = flow_course(stations, speed=0.1, rise=2.0, fall=1.0)
    # 10 s in all: half the flow after 1 s, full from 2 s to 9 s, half again at 9.5 s.
    times = (np.arange(100) + 0.5) * 0.1
    assert course == pytest.approx(np.clip(np.minimum(times / 2.0, (10.0 - times) / 1.0), 0, 1))
    wall = tube(0.1, 1.0, around=24, pieces=20)
    film = pull_film(Scene(wall), targets_of(wall), stations, RING, flow=course).dense(wall.n_sides)[1::2]
    x = wall.corners.mean(axis=1)[:, 0]
    assert film[np.abs(x - 0.9) < 0.03].mean() / film[np.abs(x - 0.5) < 0.1].mean() == pytest.approx(
        0.5, rel=0.05
    )


def test_the_asked_error_is_reached_and_told():
    box = closed_box((1.0, 0.4, 0.3))
    mesh = subdivided(
        joined([box, grid_plate([0.5, 0.2, 0.1], [0, 0.2, 0], [0, 0, 0.1], cells=4)]), 0.05
    ).mesh
    path = straight_path(
        entry=[0.1, 0.2, 0.2], aim=[1, 0, 0], deepest=0.8, shallowest=0.1, clock=0, down=DOWN
    )
    tip = Tip(pattern="radial", spread=math.radians(60))
    scene, targets = Scene(mesh), targets_of(mesh)
    rough = pull_film(scene, targets, stations_for(scene, path, tip), tip)
    fine = path_film(scene, targets, path, tip, error=0.02)
    exact = pull_film(scene, targets_of(mesh, samples=64), stations_for(scene, path, tip, refine=4.0), tip)
    assert fine.error < 0.02
    assert fine.error < rough.error
    miss = np.abs(fine.dense(mesh.n_sides) - exact.dense(mesh.n_sides))[targets.sides] @ targets.areas
    assert miss < fine.error
    assert miss < 0.02
