"""Verdicts against an independent collision library and a slow twin of our own."""

import math

import numpy as np
import pytest
from collisions import Collider
from punched import bays_of, opening, ribbed_box

from bayreach.bays import find_bays
from bayreach.demo import wing_box
from bayreach.insertion import aims_over_cone, paths_through, replay, rods_blocked, space_of, straight_reach
from bayreach.insertion._cut import with_holes_cut
from bayreach.insertion._exact import segment_triangle_distances
from bayreach.repair import mend, subdivided
from bayreach.tips import Tip
from bayreach.wands import Wand, arc_piece, straight_piece

TIP = Tip(pattern="radial", spread=0.7, flow=3e-6)


@pytest.fixture(scope="module")
def space():
    mesh, _ = mend(ribbed_box(drop=[0.03, -0.03, 0.03])[0])
    bays = find_bays(subdivided(mesh, 0.04).mesh)
    return space_of(bays.mesh, bays)


@pytest.fixture(scope="module")
def collider(space):
    return Collider(space.mesh)


def wands() -> list[Wand]:
    return [
        Wand(name="rod", shape="straight", length=0.7, diameter=0.006, tip=TIP, tip_diameter=0.009),
        Wand(
            name="hook", shape="bent", length=0.25, diameter=0.006, tip=TIP,
            handle_diameter=0.03, handle_length=0.1,
            pieces=(arc_piece(0.03, math.pi / 2), straight_piece(0.01)),
        ),
        Wand(
            name="S-bend", shape="bent", length=0.3, diameter=0.005, tip=TIP,
            pieces=(
                arc_piece(0.04, 0.8), straight_piece(0.03),
                arc_piece(0.04, 0.8, math.pi), straight_piece(0.02),
            ),
        ),
        Wand(name="hose", shape="flexible", length=1.0, diameter=0.006, bend_radius=0.06, tip=TIP),
    ]  # fmt: skip


@pytest.fixture(scope="module")
def wing():
    mesh = wing_box(20.0)
    bays = bays_of(mesh, ["wing"], [])
    return space_of(mesh, bays), Collider(mesh)


def test_ten_thousand_random_rods_in_the_demo_wing_box_agree_with_an_independent_library(wing):
    space, collider = wing
    rng = np.random.default_rng(11)
    low, high = space.mesh.box
    starts = low + rng.random((10_000, 3)) * (high - low)
    ends = starts + rng.normal(size=(10_000, 3)) * 0.08
    radii = rng.uniform(0.001, 0.008, 10_000)
    ours = rods_blocked(space, starts, ends, radii) >= 0
    theirs = np.array(
        [collider.is_hit(start, end, radius) for start, end, radius in zip(starts, ends, radii, strict=True)]
    )
    assert 0.2 < ours.mean() < 0.8
    # That library's own tolerance leaves doubt within a hundredth of a millimetre: let it try thinner and
    # thicker.
    for k in np.flatnonzero(ours != theirs):
        thinner, thicker = (collider.is_hit(starts[k], ends[k], radii[k] + shift) for shift in (-1e-5, 1e-5))
        assert thinner != thicker or ours[k] == thinner, (k, ours[k], theirs[k])
    # Asked half a millimetre of clearance, every rod refused without being hit is within that of the
    # structure.
    careful = rods_blocked(space, starts, ends, radii, extras=5e-4) >= 0
    assert (careful >= ours).all()
    refused = np.flatnonzero(careful & ~theirs)
    assert len(refused) > 0
    assert all(collider.is_hit(starts[k], ends[k], radii[k] + 5.1e-4) for k in refused)


def test_no_rod_that_fits_is_within_its_radius_of_any_face_by_the_slow_twin(space):
    # Distances in plain numpy from every face: no tree, no early end.
    rng = np.random.default_rng(12)
    low, high = space.mesh.box
    starts = low + rng.random((150, 3)) * (high - low)
    ends = starts + rng.normal(size=(150, 3)) * 0.1
    corners = space.mesh.corners
    least = np.array(
        [
            segment_triangle_distances(
                np.broadcast_to(start, (len(corners), 3)), np.broadcast_to(end, (len(corners), 3)), corners
            ).min()
            for start, end in zip(starts, ends, strict=True)
        ]
    )
    for radius in (0.002, 0.01):
        assert ((rods_blocked(space, starts, ends, radius) >= 0) == (least < radius)).all()


def test_the_greatest_depth_is_where_the_library_finds_first_contact(space, collider):
    rod = Wand(name="rod", shape="straight", length=0.7, diameter=0.006, tip=TIP, clearance=0.0)
    rng = np.random.default_rng(13)
    aims = np.array([1.0, 0, 0]) + 0.4 * rng.normal(size=(200, 3))
    reach = straight_reach(space, rod, space.bays.openings[0], aims)
    for entry, aim, depth in zip(reach.entries, reach.aims, reach.depths, strict=True):
        if depth == 0.0:
            continue
        nose = entry + (depth - 0.003) * aim
        assert not collider.is_hit(entry - 0.7 * aim, nose - 1e-4 * aim, 0.003 - 1e-5)
        if depth < 0.7 - 1e-9:
            assert collider.is_hit(entry, nose + 1e-4 * aim, 0.003)


@pytest.mark.parametrize("wand", wands(), ids=lambda wand: wand.name)
def test_every_way_in_replayed_is_clear_by_the_library(space, collider, wand):
    port = space.bays.openings[0]
    if wand.shape == "bent":
        aims = np.array([[1.0, 0, 0], [0.95, 0.2, 0.2]])
        paths, _ = paths_through(space, wand, port, aims=aims, clocks=[0.0, math.pi / 2])
    else:
        paths, _ = paths_through(space, wand, port)
        rng = np.random.default_rng(5)
        paths = [paths[k] for k in rng.choice(len(paths), 4, replace=False)]
    assert paths
    for path in paths:
        film = replay(path, port, step=0.1 if wand.shape == "flexible" else 0.04, space=space)
        assert film.depths[0] == 0.0
        assert film.depths[-1] == pytest.approx(path.deepest, abs=1e-3)
        assert collider.first_hit(film) == "", (wand.name, path.limit)


def test_a_replay_ends_where_the_path_s_tip_is(space):
    port = space.bays.openings[0]
    for wand in wands():
        paths, _ = paths_through(space, wand, port, aims=None if wand.shape == "flexible" else [[1.0, 0, 0]])
        film = replay(paths[0], port)
        tip = paths[0].tip_path.points[0]
        ball = film.radii[-1] if wand.shape != "flexible" else film.radii[0]
        last = film.ends[-1, -1] if wand.shape != "flexible" else film.starts[-1, 0]
        assert np.linalg.norm(last - tip) == pytest.approx(ball, abs=6e-4)


def test_rods_through_holes_not_drilled_yet_are_clear_of_the_sheet_once_it_is_cut(wing):
    # A rod crosses a sheet once, so leaving out the faces a hole will cut is enough for it, with the rule of
    # the hole itself: held here against the sheet with the hole really cut out.
    space, _ = wing
    skin = np.flatnonzero(space.mesh.face_parts == space.mesh.part_names.index("skin_lower"))
    rod = Wand(name="rod", shape="straight", length=0.6, diameter=0.006, tip=TIP)
    tried = 0
    for face in np.random.default_rng(6).choice(skin, 8):
        corners = space.mesh.corners[face]
        normal = np.cross(corners[1] - corners[0], corners[2] - corners[0])
        normal *= np.sign(normal[2])  # up, into the box
        hole = opening(
            "drilled", corners.mean(axis=0), normal / np.linalg.norm(normal), 0.0127, (-1, 0),
            kind="proposed", thickness=0.0012, up=(0, 1.0, 0),
        )  # fmt: skip
        aims = aims_over_cone(hole.normal, 1.0, 60)
        reach = straight_reach(space, rod, hole, aims)
        deep = np.flatnonzero(reach.depths > 0.01)
        cut = with_holes_cut(space, (hole,))
        ends = reach.entries[deep] + reach.aims[deep] * (reach.depths[deep] - 0.003)[:, None]
        starts = reach.entries[deep] - 0.5 * reach.aims[deep]
        assert (rods_blocked(cut, starts, ends, 0.003 - 1e-6) < 0).all()
        tried += len(deep)
    assert tried > 100
