"""Moved wands: bent and flexible ones against a wand moved by hand, and a moved shadow against its law."""

from dataclasses import replace
from pathlib import Path
from typing import cast

import numpy as np
import pytest
from boxjob import BOX_JOB, box_with_port, write_box_job
from scipy.spatial.transform import Rotation
from scipy.special import ndtr

from bayreach.demo._sheets import grid_sheet
from bayreach.doubt import Passable, Tolerances, asked_of, doubt_of, site_variants, stored_site
from bayreach.job import load_job
from bayreach.mesh import joined, mesh_of
from bayreach.meshfile import write_mesh
from bayreach.passes import cut_path
from bayreach.poses import TipPath, stations_of
from bayreach.run import Pull, Site, site_of, spray, written_pulls

RADIUS, TURN, AFTER = 0.04, np.radians(60.0), 0.015
HOOK = BOX_JOB.replace(
    'shape = "straight"',
    'shape = "bent"\nclearance = "0 mm"\n'
    'pieces = [{ arc = "60 deg", radius = "40 mm" }, { straight = "15 mm" }]',
).replace('aim = [1, 0, 0]\nfrom = "0.25 m"\nto = "0.05 m"', 'aim = [1, 0, 0]\nfrom = "0.2 m"\nto = "0.02 m"')


@pytest.fixture(scope="module")
def bent(tmp_path_factory: pytest.TempPathFactory) -> tuple[Site, Pull]:
    site = site_of(load_job(write_box_job(tmp_path_factory.mktemp("bent"), HOOK)))
    (pull,), refusals = written_pulls(site)
    assert not refusals
    return site, pull


def by_hand(pull: Pull, depth: float, tilt: np.ndarray, place: np.ndarray, clock: float) -> list[np.ndarray]:
    """Return tip, axis and clock of the hook with its shank in the port, from its drawing.

    Shank, bend and end lie in one plane, that of the clock: the shank `depth` less bend and end along the
    aim, then R sin a along it and R (1 - cos a) across, then the end at the angle a.
    """
    line, up, side = np.array([1.0, 0, 0]), np.array([0, 0, 1.0]), np.array([0, -1.0, 0])
    hand = Rotation.from_rotvec(tilt[0] * up + tilt[1] * side) * Rotation.from_rotvec(clock * line)
    shank = depth - RADIUS * TURN - AFTER
    along = shank + RADIUS * np.sin(TURN) + AFTER * np.cos(TURN)
    across = RADIUS * (1 - np.cos(TURN)) + AFTER * np.sin(TURN)
    axis, tip_clock = (
        np.cos(TURN) * line + np.sin(TURN) * up,
        np.cos(TURN) * up - np.sin(TURN) * line,
    )
    assert pull.entry is not None
    start = pull.entry + place[0] * up + place[1] * side
    return [start + hand.apply(along * line + across * up), hand.apply(axis), hand.apply(tip_clock)]


def test_a_bent_wand_moved_by_an_error_stands_where_a_hand_would_hold_it(bent: tuple[Site, Pull]) -> None:
    # Errors of aim, place, depth and clock, each alone and all at once, small enough to pass the port.
    site, pull = bent
    tolerances = Tolerances(aim=0.02, place=0.002, depth=0.004, clock=0.05)
    stations = stations_of(pull.path, 0.02)
    shank_in = stations.depths > RADIUS * TURN + AFTER + 0.005
    assert shank_in.sum() > 3
    errors = np.vstack([np.zeros(6), np.eye(6), [0.7, -1.0, 0.5, 1.0, -1.0, 0.8]])
    for row, found in zip(
        errors, Passable(site=site, tolerances=tolerances).poses(pull, stations, errors), strict=True
    ):
        scaled = row * [0.02, 0.02, 0.002, 0.002, 0.004, 0.05]
        for k in np.flatnonzero(shank_in):
            wanted = by_hand(pull, stations.depths[k] + scaled[4], scaled[:2], scaled[2:4], scaled[5])
            assert found.points[k] == pytest.approx(wanted[0], abs=1e-6)
            assert found.axes[k] == pytest.approx(wanted[1], abs=1e-6)
            assert found.clocks[k] == pytest.approx(wanted[2], abs=1e-6)


def test_a_bent_wand_without_error_keeps_to_its_path_also_while_its_bend_is_in_the_port(
    bent: tuple[Site, Pull],
) -> None:
    site, pull = bent
    stations = stations_of(cut_path(pull.path, 0.2, 0.025), 0.002)
    assert stations.depths.min() < RADIUS * TURN + AFTER - 0.03
    (same,) = Passable(site=site, tolerances=Tolerances()).poses(pull, stations, np.zeros((1, 6)))
    # The path is known every 2.5 mm and straight between: 2.5² / (8 x 40) = 0.02 mm off a bend of 40 mm.
    assert np.abs(same.points - stations.points).max() < 3e-5
    assert np.abs(same.axes - stations.axes).max() < 1e-3


def test_a_bent_wand_is_drawn_in_to_where_nothing_is_in_its_way(bent: tuple[Site, Pull]) -> None:
    # Tilted up about the port, the tip, 4 cm above the shank already, meets the roof 75 mm above the middle.
    site, pull = bent
    stations = stations_of(pull.path, 0.02)
    tilt = np.array([0.0, 0.3])
    reaches = {
        share: by_hand(pull, stations.depths[0], share * tilt, np.zeros(2), 0.0)[0][2]
        for share in (1.0, 0.75, 0.5, 0.25)
    }
    low = min(reaches, key=lambda share: reaches[share])
    sign = 1.0 if reaches[1.0] > reaches[low] else -1.0
    (held,) = Passable(site=site, tolerances=Tolerances(aim=0.3, place=0.0, depth=0.0, clock=0.0)).poses(
        pull, stations, np.array([[0.0, sign, 0, 0, 0, 0]])
    )
    fits = [
        share
        for share in (1.0, 0.75, 0.5, 0.25)
        if by_hand(pull, stations.depths[0], sign * share * tilt, np.zeros(2), 0.0)[0][2] < 0.147
    ]
    assert 0 < max(fits, default=0.0) < 1.0
    wanted = by_hand(pull, stations.depths[0], sign * max(fits) * tilt, np.zeros(2), 0.0)[0]
    assert held.points[0] == pytest.approx(wanted, abs=1e-6)


def test_a_bent_wand_pushed_against_the_far_wall_waits_as_deep_as_planned(bent: tuple[Site, Pull]) -> None:
    # The tip, planned to 184 mm from the port, cannot go on by 120 mm: the wall stands at 300 mm.
    site, pull = bent
    passable = Passable(site=site, tolerances=Tolerances(aim=0.0, place=0.002, depth=0.12, clock=0.0))
    stations = stations_of(pull.path, 0.02)
    (held,) = passable.poses(pull, stations, np.array([[0, 0, 1.0, 0, 1.0, 0]]))
    assert held.depths == pytest.approx(np.minimum(stations.depths + 0.12, 0.2))
    wanted = by_hand(pull, 0.2, np.zeros(2), np.array([0.002, 0.0]), 0.0)[0]
    assert held.points[0] == pytest.approx(wanted, abs=1e-6)


def test_the_pulls_of_a_stored_bent_wand_are_those_that_were_sprayed(bent: tuple[Site, Pull]) -> None:
    # One clock vector is stored; the tip turns with the bend while it is drawn through the port.
    site, pull = bent
    _, (again,) = stored_site(site.job, spray(site.job).outcome)
    assert again.entry == pytest.approx(pull.entry)
    assert np.abs(again.path.points - pull.path.points).max() < 1e-9
    assert np.abs(again.path.clocks - pull.path.clocks).max() < 1e-6
    assert np.ptp(pull.path.clocks[:, 0]) > 0.3


def test_a_flexible_wand_is_pushed_along_its_path_and_twists_about_its_own_axis(
    bent: tuple[Site, Pull],
) -> None:
    # A quarter of a circle of 0.1 m: pushed by 10 mm, the tip lies 0.1 rad on; beyond the end, straight on.
    turns = np.linspace(0.0, np.pi / 2, 200)[::-1]
    path = TipPath(
        points=0.1 * np.stack([np.sin(turns), np.zeros(200), 1 - np.cos(turns)], axis=1),
        axes=np.stack([np.cos(turns), np.zeros(200), np.sin(turns)], axis=1),
        clocks=np.tile([0.0, 1, 0], (200, 1)),
        depths=0.1 * turns,
    )
    _, pull = bent
    led = replace(
        pull,
        wand=replace(pull.wand, shape="flexible", pieces=(), bend_radius=0.05),
        path=path,
        entry=np.zeros(3),
    )
    passable = Passable(
        site=cast(Site, None), tolerances=Tolerances(aim=0.0, place=0.0, depth=0.01, clock=0.2)
    )
    stations = stations_of(path, 0.03)
    (pushed,) = passable.poses(led, stations, np.array([[0, 0, 0, 0, 1.0, 1.0]]))
    inner = stations.depths + 0.01 < path.depths[0]
    angles = (stations.depths[inner] + 0.01) / 0.1
    assert inner.sum() >= 3
    assert pushed.points[inner, 0] == pytest.approx(0.1 * np.sin(angles), abs=1e-5)
    assert pushed.points[inner, 2] == pytest.approx(0.1 - 0.1 * np.cos(angles), abs=1e-5)
    assert pushed.axes[inner, 2] == pytest.approx(np.sin(angles), abs=1e-4)
    assert np.einsum("ij,ij->i", pushed.clocks, stations.clocks) == pytest.approx(np.cos(0.2), abs=1e-6)
    assert np.einsum("ij,ij->i", pushed.clocks, pushed.axes) == pytest.approx(0.0, abs=1e-6)
    (beyond,) = passable.poses(led, stations, np.array([[0, 0, 0, 0, 5.0, 0.0]]))
    over = stations.depths[0] + 0.05 - path.depths[0]
    assert over > 0
    assert beyond.points[0] == pytest.approx([0.1, 0.0, 0.1 + over], abs=1e-5)


SHADED = (
    BOX_JOB.replace(
        'aim = [1, 0, 0]\nfrom = "0.25 m"\nto = "0.05 m"',
        'aim = [1, 0, 0]\nfrom = "0.1 m"\nto = "0.1 m"\ndwell = "5 s"',
    )
    .replace('pattern = "radial"\nspread = "60 deg"', 'pattern = "forward"\nspread = "150 deg"')
    .replace('throw = "0.4 m"\ndroplet = "60 um"\ndroplet_spread = 1.8\n', "")
)


def test_an_aim_error_across_the_edge_of_a_plate_gives_the_normal_probability_integral(
    tmp_path: Path,
) -> None:
    # A plate half way to the far wall, its upper edge 70 mm up, shades the wall below. The tip, 100 mm in and
    # 75 mm up, goes up by 100 mm x e for a tilt e, and the edge of the shadow down to
    # 0.070 + 3 (0.070 - 0.075 - 0.1 e): a point at z is lit if e > (0.055 - z) / 0.3.
    spread = 0.05
    write_box_job(tmp_path, SHADED)
    levels, across = np.array([30.0, 70.0]), np.array([20.0, 180.0])
    points = np.zeros((2, 2, 3))
    points[..., 1], points[..., 2] = np.meshgrid(across, levels, indexing="ij")
    points[..., 0] = 150.0
    name, corners, faces = grid_sheet("plate", points)
    mesh = joined([box_with_port(25.0), mesh_of(1e-3 * corners.reshape(-1, 3), faces, name)])
    write_mesh(tmp_path / "box.obj", mesh, units="mm")
    site = site_of(load_job(tmp_path / "job.toml"))
    asked, only = asked_of(site), Tolerances(aim=spread).only("aim")
    pulls, _ = written_pulls(site)
    doubt = doubt_of(asked.sides, site_variants(site, asked, pulls, only), only, samples=24 * 256, error=0.0)
    at = site.side_centers[asked.ids[np.unique(asked.group, return_index=True)[1]]]
    on_wall = (at[:, 0] > 0.2999) & (np.abs(at[:, 1] - 0.1) < 0.05) & (at[:, 2] > 0.01) & (at[:, 2] < 0.14)
    exact = ndtr((at[on_wall, 2] - 0.055) / (0.3 * spread))
    assert np.ptp(exact) > 0.9
    assert doubt.chance[on_wall] == pytest.approx(exact, abs=0.06)
    missed = (exact < doubt.chance_low[on_wall]) | (exact > doubt.chance_high[on_wall])
    assert missed.mean() <= 0.05
