"""Holes through thick sheets, part by part: what is half-way through a wall, and which runs are cut-outs."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from specimens import X, Y, Z, polygon_area
from test_bay_parts import AWAY, TURNED
from thick import SEGMENTS, SHEET, hollow, mesh_from, turned

from bayreach.bays import find_bays
from bayreach.bays._flat import plane_through
from bayreach.bays._halfway import heights_half_way
from bayreach.bays._loops import loop_center
from bayreach.bays._notches import _are_opposite, _Run, notches
from bayreach.bays._walls import Wall
from bayreach.mesh import mesh_of


def wall_of(first: np.ndarray, second: np.ndarray, axis: np.ndarray = Z) -> tuple[np.ndarray, Wall]:
    """Return points and the wall between two rims (k, 3), (m, 3)."""
    names = np.arange(len(first) + len(second))
    thickness = float(np.linalg.norm(loop_center(second) - loop_center(first)))
    rims = (names[: len(first)], names[len(first) :])
    wall = Wall(faces=np.zeros(0, dtype=np.int64), rims=rims, thickness=thickness, axis=axis)
    return np.concatenate([first, second]), wall


def rim(height: object, n: int = 24, phase: float = 0.0) -> np.ndarray:
    """Return a rim of 50 mm radius whose height is a function of its angle."""
    angle = 2 * np.pi * np.arange(n) / n + phase
    return np.stack([0.05 * np.cos(angle), 0.05 * np.sin(angle), height(angle)], axis=1)


def test_half_way_between_flat_skins_is_a_plane_and_between_bent_ones_their_middle() -> None:
    """Rims of one shape 4 mm apart: d over the middle is d, on the rims and on the lines between them."""
    shapes = {
        "flat": lambda angle: 0.0 * angle,
        "tilted": lambda angle: 0.02 * np.cos(angle),
        "saddle": lambda angle: 0.02 * np.cos(2 * angle),
    }
    for name, shape in shapes.items():
        low = rim(shape)
        points, wall = wall_of(low, low + 0.004 * Z)
        between = 0.3 * low + 0.7 * np.roll(low, -1, axis=0) + np.linspace(0, 0.004, len(low))[:, None] * Z
        all_points = np.concatenate([points, between])
        away = heights_half_way(all_points, np.arange(len(all_points)), wall)
        upright = (
            all_points[:, 2] - np.concatenate([low, low, 0.3 * low + 0.7 * np.roll(low, -1, axis=0)])[:, 2]
        )
        lean = 1.0 if name != "tilted" else 1 / np.hypot(1.0, 0.4)  # 20 mm of rise on 50 mm
        assert away == pytest.approx((upright - 0.002) * lean, abs=1e-12)
        turned = heights_half_way(
            all_points @ TURNED + AWAY,
            np.arange(len(all_points)),
            Wall(faces=wall.faces, rims=wall.rims, thickness=wall.thickness, axis=Z @ TURNED),
        )
        assert turned == pytest.approx(away, abs=1e-12)
        # Whichever way round a rim is told, and from which of its points on.
        rims = (np.roll(wall.rims[0], 7)[::-1], np.roll(wall.rims[1], 11))
        again = Wall(faces=wall.faces, rims=rims, thickness=wall.thickness, axis=Z)
        assert heights_half_way(all_points, np.arange(len(all_points)), again) == pytest.approx(
            away, abs=1e-12
        )


def test_half_way_between_rims_of_different_corners_lies_between_them() -> None:
    """24 corners below, 17 above, both bent: below on one, above on the other, nought half-way up."""
    low, high = rim(lambda a: 0.02 * np.cos(2 * a)), rim(lambda a: 0.004 + 0.02 * np.cos(2 * a), 17, 0.1)
    points, wall = wall_of(low, high)
    away = heights_half_way(points, np.arange(len(points)), wall)
    assert (away[:24] < 0).all()
    assert (away[24:] > 0).all()
    # Over a corner of one rim the middle is half-way to the other rim's edge there.
    angle = np.arctan2(high[:, 1], high[:, 0])
    for k in range(24):
        corner = low[k]
        turn = np.angle(np.exp(1j * (angle - np.arctan2(corner[1], corner[0]))))
        before, after = np.argmax(np.where(turn <= 0, turn, -9)), np.argmin(np.where(turn > 0, turn, 9))
        p, q = high[before], high[after]
        share = np.linalg.solve(np.array([q[:2] - p[:2], -corner[:2]]).T, -p[:2])[0]
        above = p + share * (q - p)
        middle = 0.5 * (corner + above)
        more = np.concatenate([points, middle[None]])
        assert heights_half_way(more, np.array([len(points)]), wall) == pytest.approx([0.0], abs=1e-9)


def test_rims_that_hide_from_their_axis_are_parted_by_the_distance_to_both() -> None:
    """A bent rim like a kidney: at either rim half the thickness, at equal distances nought."""
    angle = 2 * np.pi * np.arange(40) / 40
    reach = np.where(np.abs(np.angle(np.exp(1j * angle))) < 0.6, -0.02, 0.05)
    kidney = np.stack([reach * np.cos(angle), reach * np.sin(angle), 0.02 * np.cos(2 * angle)], axis=1)
    points, wall = wall_of(kidney, kidney + 0.004 * Z)
    middle = kidney + 0.002 * Z
    away = heights_half_way(np.concatenate([points, middle]), np.arange(120), wall)
    assert away == pytest.approx(np.repeat([-0.002, 0.002, 0.0], 40), abs=1e-12)


def test_a_sector_of_nearly_half_a_turn_is_no_flat_piece_and_flat_skins_have_their_plane() -> None:
    """A long thin rim, bent: from one of its edges no more than the distances to corners tell."""
    thin = np.array([[-1.0, 0, 0], [1.0, 0, 0], [0.1, 0.02, 0.01], [-0.1, 0.02, 0]])
    points, wall = wall_of(thin, thin + 0.004 * Z)
    middle = np.array([[0.0, 0.0, 0.001]])
    low, high = (np.linalg.norm(rim - middle, axis=1).min() for rim in (thin, thin + 0.004 * Z))
    away = heights_half_way(np.concatenate([points, middle]), np.array([8]), wall)
    assert away == pytest.approx([(low / (low + high) - 0.5) * 0.004], abs=1e-12)
    known = replace(wall, middle=plane_through(AWAY, X))
    assert heights_half_way(np.array([AWAY + 0.3 * X]), np.array([0]), known) == pytest.approx([0.3])


def run_of(depth: float, walls: list[int], skins: list[int]) -> _Run:
    """Return the run round a cut-out 1 m wide: up, across, down; faces turned in (1) or out (-1)."""
    points = np.array([[0, 0, 0], [0, 0, depth], [0, 1, depth], [0, 1, 0.0]])
    inward = np.array([Y, -Z, -Y]) * np.array(walls)[:, None]
    normals = np.concatenate([inward, -X * np.array(skins)[:, None]]) * 7.0
    return _Run(points, np.arange(4), np.array([0, 3, 1, 4, 2, 5]), normals)


def test_a_run_of_rim_knows_its_middle_its_depth_its_wall_and_which_way_its_skin_turns() -> None:
    """Half a metre deep: half a square metre, wall on three edges; the skin by the length of edges."""
    run = run_of(0.5, [1, 1, 1], [1, 1, 1])
    assert run.area == pytest.approx(0.5)
    assert run.axis == pytest.approx(-X)
    # Edges of 0.5, 1 and 0.5 m and the line of 1 m that closes them, each at its own middle.
    assert run.center == pytest.approx([0.0, 0.5, 0.25])
    assert (run.is_flat, run.is_hole, run.out, run.wall.tolist()) == (False, True, 1.0, [0, 1, 2])
    assert run_of(0.5, [1, 1, 1], [-1, -1, -1]).out == -1.0
    assert run_of(0.05, [1, 1, 1], [-1, 1, -1]).out == 1.0
    assert not run_of(0.5, [-1, -1, -1], [1, 1, 1]).is_hole
    # A twentieth of the wall may be turned outwards: 50 mm of 1.1 m, but not both edges of 50 mm.
    assert run_of(0.05, [-1, 1, 1], [1, 1, 1]).is_hole
    assert not run_of(0.05, [-1, 1, -1], [1, 1, 1]).is_hole
    # A hundredth of the length squared: 0.0441 m² at a depth of 0.05 m, 0.0433 at one of 0.04 m.
    assert (run_of(0.05, [1, 1, 1], [1, 1, 1]).is_flat, run_of(0.04, [1, 1, 1], [1, 1, 1]).is_flat) == (
        False,
        True,
    )


def tilted(degrees: float) -> np.ndarray:
    return np.cos(np.radians(degrees)) * X + np.sin(np.radians(degrees)) * Y


@pytest.mark.parametrize(
    ("one", "other", "said"),
    [
        ({}, {}, True),
        ({"out": 1.0}, {}, False),
        ({}, {"out": -1.0}, False),
        ({"out": 1.0}, {"out": -1.0}, False),
        ({"out": 1.0, "axis": -X}, {}, True),
        ({}, {"center": 0.039 * X}, True),
        ({}, {"center": 0.041 * X}, False),
        ({}, {"center": 0.0 * X}, False),
        ({}, {"area": 3.9e-4}, True),
        ({}, {"area": 4.1e-4}, False),
        ({}, {"area": 2.6e-5}, True),
        ({}, {"area": 2.4e-5}, False),
        ({"axis": tilted(25)}, {}, True),
        ({"axis": tilted(27)}, {}, False),
        ({}, {"axis": tilted(-25)}, True),
        ({}, {"axis": tilted(-27)}, False),
        ({}, {"center": 0.004 * tilted(27)}, False),
    ],
)
def test_two_runs_are_rims_of_one_cut_out_where_they_lie_opposite_each_other(
    one: dict, other: dict, said: bool
) -> None:
    """1 cm² each, 4 mm apart: up to 4 cm away, up to 4 times as large, within acos 0.9 = 25.8 degrees."""
    first = {"center": 0.0 * X, "area": 1e-4, "axis": X, "out": -1.0} | one
    second = {"center": 0.004 * X, "area": 1e-4, "axis": X, "out": 1.0} | other
    assert _are_opposite(SimpleNamespace(**first), SimpleNamespace(**second)) == said


def test_no_edges_have_no_cut_out() -> None:
    none = np.zeros((0, 2), dtype=np.int64)
    assert notches(np.zeros((0, 3)), none, none, np.zeros((0, 3))) == []


@pytest.mark.parametrize("seed", [0, 1])
def test_two_webs_close_together_have_each_its_own_cut_out(seed: int) -> None:
    """Half-round arches in webs 56 mm apart, points in any order: the nearest rim is that of the same web."""
    import manifold3d

    arch = manifold3d.Manifold.cylinder(0.2, 0.03, 0.03, SEGMENTS).rotate([0, 90, 0]).translate([0.2, 0.2, 0])
    web = manifold3d.Manifold.cube([SHEET, 0.4, 0.2])
    webs = web.translate([0.3, 0, 0]) + web.translate([0.36, 0, 0]) - arch
    mesh = mesh_from(hollow() + webs)
    order = np.random.default_rng(seed).permutation(len(mesh.points))
    bays = find_bays(mesh_of(mesh.points[order], np.argsort(order)[mesh.faces]))
    half = polygon_area(0.06, SEGMENTS) / 2 * SHEET / 2
    assert [bay.volume for bay in bays.bays] == pytest.approx(
        [0.024 + half, 0.056 * 0.08 + 2 * half, 0.636 * 0.08 + half], rel=1e-9
    )
    assert sorted(one.links for one in bays.openings) == [(0, 1), (1, 2)]
    assert [one.thickness for one in bays.openings] == pytest.approx([SHEET] * 2, rel=1e-9)


def test_a_hole_with_rims_rounded_unlike_is_capped_half_way_through_its_own_sheet() -> None:
    """Radii of 3 and 1.5 mm in a floor of 8 mm, walls of 4 mm: 4 mm deep, as wide as between, 8 mm thick."""
    low, r = -0.008, 0.025
    angle = np.pi / 2 * np.arange(9) / 8
    below, above = 0.003, 0.0015
    bend_low = np.stack([r + below * (1 - np.sin(angle)), low + below * (1 - np.cos(angle))], axis=1)
    bend_high = np.stack([r + above * (1 - np.cos(angle)), -above * (1 - np.sin(angle))], axis=1)
    outer = [(0, low - 0.01), (r + below, low - 0.01)]
    profile = [*outer, *bend_low.tolist(), *bend_high.tolist(), (r + above, 0.01), (0, 0.01)]
    bays = find_bays(mesh_from(hollow([turned(profile, (0.4, 0.2))], floor=0.008)))
    (one,) = bays.openings
    assert bays.method == "cells"
    assert one.links == (-1, 0)
    assert one.center == pytest.approx([0.4, 0.2, low / 2], abs=1e-7)
    assert one.thickness == pytest.approx(0.008, rel=0.01)
    assert one.diameter == pytest.approx(0.05 * np.cos(np.pi / SEGMENTS), rel=1e-3)
