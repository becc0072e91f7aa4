"""Whole motions: a replay holds between its steps too, and a plan keeps only passes that can be made."""

import math
from dataclasses import replace

import numpy as np
import pytest
from punched import bays_of, opening, plate
from specimens import box

from bayreach import plan
from bayreach.arrays import OUTSIDE
from bayreach.bays import find_bays
from bayreach.deposit.direct import air_of
from bayreach.insertion import max_tilt, obstacle_boxes, paths_through, replay, space_of
from bayreach.insertion._exact import point_segment_distances
from bayreach.mesh import joined
from bayreach.plan._entries import narrowed
from bayreach.plan._moves import barred, drilled_for, stopped
from bayreach.rays import Scene
from bayreach.repair import subdivided
from bayreach.tips import Tip
from bayreach.wands import Wand, arc_piece, straight_piece

TIP = Tip(pattern="radial", spread=0.7, flow=3e-6)
AXIS = (1.0, 0, 0)


@pytest.fixture(scope="module")
def turned_hook():
    """Return a hook's way past a shelf behind a hole, turned on the way; the space and the hole."""
    skin = plate(center=(0, 0, 0), normal=AXIS, holes=[(0, 0, 0.012)])
    shelf = plate(center=(0.0325, 0, 0.02), normal=(0, 0, 1.0), size=(0.2, 0.05), up=AXIS, part="shelf")
    hole = opening("hole", (0, 0, 0), AXIS, 0.012, (OUTSIDE, 0))
    mesh = joined([skin, shelf])
    wand = Wand(
        name="hook", shape="bent", length=0.2, diameter=0.006, tip=TIP, clearance=0.0,
        pieces=(arc_piece(0.02, math.pi / 2), straight_piece(0.01)),
    )  # fmt: skip
    space = space_of(mesh, bays_of(mesh, ["bay"], [hole]))
    (path,), _ = paths_through(space, wand, hole, aims=[AXIS], clocks=[0.0])
    return path, space, hole


def test_the_grown_capsules_of_a_coarse_replay_hold_the_wand_at_every_moment_between(turned_hook):
    path, _, hole = turned_hook
    coarse = replay(path, hole, step=0.02)
    fine = replay(path, hole, step=0.003)
    assert path.way.turns.max() > 0.1
    assert len(fine.depths) > 3 * len(coarse.depths)
    starts, ends = coarse.starts.reshape(-1, 3), coarse.ends.reshape(-1, 3)
    margins = coarse.margins.ravel()
    for points in (fine.starts, fine.ends):
        for point in points.reshape(-1, 3)[::3]:
            gaps = point_segment_distances(np.broadcast_to(point, starts.shape), starts, ends)
            assert (gaps - margins).min() < 1e-9
    # The margins are what does it: without them some moments lie outside.
    middles = fine.ends.reshape(-1, 3)[::3]
    bare = [point_segment_distances(np.broadcast_to(p, starts.shape), starts, ends).min() for p in middles]
    assert max(bare) > 1e-4


def test_a_replay_held_against_the_structure_is_refined_where_it_is_tight_and_told_clear(turned_hook):
    path, space, hole = turned_hook
    film = replay(path, hole, step=0.02, space=space)
    assert film.is_clear
    assert len(film.depths) > len(replay(path, hole, step=0.02).depths)
    # A wire across the way between two steps of the coarse replay, 0.2 mm clear of both: no pose tells.
    at = 0.5 * (film.starts[-1, -1] + film.ends[-1, -1])
    wire = obstacle_boxes({"wire": [at - 2e-4, at + 2e-4]})
    assert not replay(path, hole, step=0.02, space=replace(space_of(space.mesh, space.bays, wire))).is_clear


@pytest.fixture(scope="module")
def board():
    """Return a board for a sealed box in a skin of 6 mm: a wide wand that sprays little and a thin one."""
    bays = find_bays(subdivided(box((0.3, 0.2, 0.2)), 0.1).mesh)
    ball = Tip(pattern="forward", spread=2 * math.pi, flow=2e-6)
    wands = (
        Wand(name="wide", shape="straight", length=0.05, diameter=0.02, tip=replace(ball, flow=1e-12)),
        Wand(name="thin", shape="straight", length=0.3, diameter=0.006, tip=ball),
    )
    asked = plan.Asked(
        required=bays.side_bay >= 0, need=np.full(bays.mesh.n_sides, 1e-7),
        limit=np.full(bays.mesh.n_sides, np.inf), priority=np.ones(bays.mesh.n_sides), share=0.9,
    )  # fmt: skip
    scene = Scene(bays.mesh)
    ground = plan.Ground(
        bays=bays, scene=scene, space=space_of(bays.mesh, bays), air=air_of(bays.mesh, bays),
        down=np.array([0, 0, -1.0]),
    )  # fmt: skip
    return plan.board_of(
        ground, wands, asked, drilling=plan.Drilling(most_sites=3, skin=0.006), progress=lambda *_: None
    )


def pass_of(candidate):
    return plan.PlannedPass(candidate=candidate, count=1, pull_speed=0.05)


def tilted(board, least, most):
    """Return the passes of the thin wand through one wide site that tilt by so many degrees."""
    site = board.entries.sites[0]
    found = [
        pass_of(one)
        for one in board.entries.candidates
        if one.opening == site.name
        and one.wand.name == "thin"
        and least < math.degrees(math.acos(min(1.0, float(one.aim @ site.inward)))) < most
    ]
    return site, found


def test_a_hole_is_not_drilled_smaller_than_the_tilt_of_its_passes_needs(board):
    site, steep = tilted(board, 30.0, 90.0)
    _, upright = tilted(board, -1.0, 5.0)
    assert steep
    assert upright
    small = narrowed(site, [steep[0].candidate.wand], "metric")
    # K1 for 6 mm in the smaller hole through 6 mm: it takes less than 30 degrees.
    assert math.degrees(max_tilt(small.diameter, 0.006, 0.006)) < 30.0
    assert small.diameter < site.diameter
    (met,) = stopped(board, steep[:1], (small,)).values()
    assert "meets the rim" in met
    assert stopped(board, steep[:1], (site,)) == {}
    assert drilled_for(board, steep[:1]) == (site,)
    assert drilled_for(board, upright[:1])[0].diameter == small.diameter


def test_a_chosen_pass_whose_motion_is_not_clear_is_left_out_and_the_plan_made_anew(board):
    first = plan.draft_of(board, seconds=3.0)
    assert first.found.met
    assert stopped(board, first.passes, [hole.site for hole in first.holes]) == {}
    # Something is put where the first pass went in: the candidates found before know nothing of it.
    went = first.passes[0].candidate
    at = went.entry - 0.05 * went.aim
    clamp = obstacle_boxes({"clamp": [at - 0.004, at + 0.004]})
    space = space_of(board.ground.bays.mesh, board.ground.bays, clamp)
    changed = replace(board, ground=replace(board.ground, space=space))
    assert "clamp" in stopped(changed, first.passes, [hole.site for hole in first.holes])[0]
    again = plan.draft_of(changed, seconds=3.0)
    assert stopped(changed, again.passes, [hole.site for hole in again.holes]) == {}
    assert went not in [one.candidate for one in again.passes]
    assert any("was left out, since its whole motion is not clear" in line for line in again.board.said)
    assert barred(board, first.passes, {0: "clamp"}).said[-1].endswith("not clear: clamp.")
