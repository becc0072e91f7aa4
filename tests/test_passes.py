"""Passes: candidates along lines that a wand can take, columns by pieces, kept by content."""

import math
from dataclasses import replace

import numpy as np
import pytest
from specimens import rib, ring
from test_plan import ported, wand

from bayreach import cover, passes
from bayreach.bays import find_bays
from bayreach.deposit.direct import air_of, path_film
from bayreach.errors import StoreError
from bayreach.insertion import space_of
from bayreach.poses import straight_path
from bayreach.rays import Scene
from bayreach.repair import subdivided
from bayreach.sight import targets_of
from bayreach.tips import Tip, TipTable

SIZE = (0.4, 0.1, 0.1)
SIDE = Tip(pattern="side", spread=1.2, flow=2e-6)


@pytest.fixture(scope="module")
def place():
    """Return a duct of two bays with a port in its end and a hole of 40 mm in the rib at x = 0.2 m."""
    middle = rib(0.2, SIZE, [ring((0.05, 0.05), 0.04)])
    bays = find_bays(subdivided(ported(SIZE, [(0.05, 0.05)], inner=[middle]), 0.06).mesh)
    return bays, Scene(bays.mesh), space_of(bays.mesh, bays)


def candidates(place, **given):
    bays, _, space = place
    return passes.candidate_passes(space, [wand(0.5, **given)], bays.openings, most_paths=6)[0]


def columns(place, made, samples=1, **given):
    bays, scene, _ = place
    targets = targets_of(bays.mesh, np.flatnonzero(bays.side_bay >= 0), samples)
    return passes.pass_columns(scene, targets, made, air=air_of(bays.mesh, bays), **given), targets


@pytest.mark.parametrize(
    ("pattern", "shape", "count"),
    [("radial", "straight", 1), ("forward", "flexible", 1), ("side", "straight", 4), ("forward", "bent", 4)],
)
def test_clock_angles_are_tried_where_turning_changes_what_is_wet(pattern, shape, count):
    angles = passes.clock_angles(Tip(pattern=pattern, spread=0.7, flow=1e-6), shape)
    assert angles == pytest.approx([2 * math.pi * k / count for k in range(count)])


def test_a_path_is_cut_on_its_own_line_at_the_depths_asked():
    """From 0.9 m to 0.1 m along x from x = 1: cut at 0.5 and 0.2 m the tip goes from x = 1.5 to 1.2."""
    path = straight_path(
        entry=[1, 0, 0], aim=[1, 0, 0], deepest=0.9, shallowest=0.1, clock=0.0, down=[0, 0, -1]
    )
    part = passes.cut_path(path, 0.5, 0.2)
    assert part.depths == pytest.approx([0.5, 0.2])
    assert part.points[:, 0] == pytest.approx([1.5, 1.2])


def late_candidate(place, **given):
    """Return a pull of a wand that answers late, whose flow grows and dies if told so."""
    bays, _, space = place
    late = replace(wand(0.5), lag=0.3, pull_speed=0.1, **given)
    made = passes.candidate_passes(space, [late], bays.openings, most_paths=2)[0]
    return next(one for one in made if one.bay == -1)


def pulled_at(place, one, speed, targets):
    """Return the film in m that one pull of a candidate at `speed` lays, as a spray works it out."""
    bays, scene, _ = place
    column = path_film(
        scene, targets, one.triggered_at(speed), one.wand.tip, speed=speed,
        lag=one.wand.lag, rise=one.wand.rise, fall=one.wand.fall, air=air_of(bays.mesh, bays), error=0.05,
    )  # fmt: skip
    assert column.length == pytest.approx(one.wet_length)
    return one.volume_at(speed) * column.dense(bays.mesh.n_sides)[targets.sides]


def test_a_lag_dries_the_same_part_of_a_pull_at_every_speed_that_a_plan_may_ask_for(place):
    """Film is then inverse in speed, late or not, and the plan's column is that of the spray."""
    one = late_candidate(place)
    assert 1.0 / min(cover.SPEED_LEVELS) == passes.FASTEST
    # 0.3 s at twice 0.1 m/s.
    assert one.wet_length == pytest.approx(one.length - 0.06)
    found, targets = columns(place, [one], samples=4, step=0.005)
    planned = one.volume * found.direct.toarray().ravel()
    for ratio in (0.5, 1.0, 2.0):
        film = pulled_at(place, one, 0.1 / ratio, targets)
        assert film @ targets.areas == pytest.approx(ratio * planned @ targets.areas, rel=0.01)
        off = np.abs(film - ratio * planned) @ targets.areas
        assert off < 0.03 * film @ targets.areas


def test_where_the_flow_grows_and_dies_a_plan_counts_on_no_more_than_any_speed_lays(place):
    one = late_candidate(place, rise=0.4, fall=0.2)
    found, targets = columns(place, [one], samples=4, step=0.005)
    planned = one.volume * found.direct.toarray().ravel() @ targets.areas
    laid = {ratio: pulled_at(place, one, 0.1 / ratio, targets) @ targets.areas for ratio in (0.5, 2.0)}
    # At the fastest pull they are the same; at the slowest the ramps are a quarter as long.
    assert laid[0.5] == pytest.approx(0.5 * planned, rel=0.01)
    assert planned * 2.0 < laid[2.0]
    ways = [one.wet_length - 0.5 * 0.6 * speed for speed in (0.2, 0.05)]
    assert laid[2.0] / laid[0.5] == pytest.approx(4.0 * ways[1] / ways[0], rel=0.05)


def test_a_pull_in_one_bay_is_triggered_deeper_where_the_path_goes_on(place):
    bays, _, space = place
    late = replace(wand(0.5), lag=0.3, pull_speed=0.1)
    made, prompt = (
        {
            (one.aim.tobytes(), one.entry.tobytes(), one.bay): one
            for one in passes.candidate_passes(space, [tool], bays.openings, most_paths=6)[0]
        }
        for tool in (late, wand(0.5))
    )
    deeper = 0
    for (*line, bay), one in prompt.items():
        if bay >= 0:
            # 0.06 m stay dry at the fastest, of the bay itself only where the wand goes in no deeper.
            room = prompt.get((*line, -1), one).deepest - one.deepest
            wanted = one.deepest - max(0.0, 0.06 - room)
            if wanted - one.shallowest < 0.02:  # too short to be a candidate
                assert (*line, bay) not in made
                continue
            assert made[(*line, bay)].wet_path.depths[0] == pytest.approx(wanted)
            assert made[(*line, bay)].shallowest == one.shallowest
            deeper += room > 0.0
    assert deeper


def test_a_pull_through_two_bays_is_offered_whole_and_bay_by_bay(place):
    """The parts of one path follow each other without a gap and make up the whole."""
    made = candidates(place)
    whole = [one for one in made if one.bay == -1]
    assert whole
    first = whole[0]
    parts = [
        one
        for one in made
        if one.bay >= 0 and (one.aim == first.aim).all() and (one.entry == first.entry).all()
    ]
    assert sorted(one.bay for one in parts) == [0, 1]
    assert sum(one.length for one in parts) == pytest.approx(first.length)
    assert {one.deepest for one in parts} & {one.shallowest for one in parts}


def test_the_deepest_path_is_kept_first_and_the_rest_lie_apart(place):
    bays, _, space = place
    from bayreach.insertion import paths_through

    port = next(opening for opening in bays.openings if -1 in opening.links)
    paths, _ = paths_through(space, wand(0.5), port)
    kept = passes.spread_paths(paths, 5)
    assert len(kept) == len(set(kept.tolist())) == 5
    assert paths[kept[0]].deepest == max(path.deepest for path in paths)
    assert len(passes.spread_paths((), 5)) == 0


def test_a_side_tip_is_turned_about_the_wand_and_nothing_else_moves(place):
    made = [one for one in candidates(place, tip=SIDE) if one.bay in (-1, 0)]
    groups: dict[bytes, list] = {}
    for one in made:
        groups.setdefault(one.aim.tobytes() + one.entry.tobytes() + bytes([one.bay + 1]), []).append(one)
    turned = next(group for group in groups.values() if len(group) == 4)
    assert all(np.allclose(one.tip_path.points, turned[0].tip_path.points) for one in turned)
    clocks = np.array([one.tip_path.clocks[0] for one in turned])
    assert clocks.sum(axis=0) == pytest.approx([0, 0, 0], abs=1e-12)  # 0, 90, 180 and 270 degrees
    assert clocks @ turned[0].aim == pytest.approx(np.zeros(4), abs=1e-12)


def test_the_column_of_a_whole_pull_is_the_mean_of_its_pieces_by_length(place):
    """Computed by itself or put together from its bays: the same film but for where the stations stand."""
    made = candidates(place)
    whole = next(one for one in made if one.bay == -1)
    together, targets = columns(place, made)
    alone, _ = columns(place, [whole], step=0.002)
    index = [one is whole for one in made].index(True)
    joined, single = together.direct[:, [index]].toarray().ravel(), alone.direct.toarray().ravel()
    assert joined @ targets.areas == pytest.approx(single @ targets.areas, rel=0.01)
    assert np.corrcoef(joined, single)[0, 1] > 0.97


def test_no_column_lays_more_than_is_sprayed_and_shares_add_up(place):
    """Per m³: direct on all inner sides + fog + escaped = 1."""
    found, targets = columns(place, candidates(place), samples=16, step=0.005)
    direct = np.asarray(found.direct.T @ targets.areas)
    assert direct + found.fog.sum(axis=0) + found.escaped == pytest.approx(np.ones(len(direct)), abs=0.05)


def test_columns_are_found_again_by_their_content(place):
    """A second call with the same pulls computes nothing; another tip is another column."""
    made, kept = candidates(place), passes.Kept()
    stages = []
    first, _ = columns(place, made, kept=kept)
    known = len(kept)
    again, _ = columns(place, made, kept=kept, progress=lambda *told: stages.append(told))
    assert stages == []
    assert (first.direct != again.direct).nnz == 0
    columns(place, candidates(place, tip=SIDE), kept=kept)
    assert len(kept) > known


def test_credit_for_fog_is_a_row_of_its_own_and_counts_only_when_asked(place):
    """A throw of 50 mm leaves fog; one bay's fog lays 2 µm a litre on every side, the other's nothing."""
    fine = Tip(
        pattern="forward", spread=2 * math.pi, flow=2e-6, throw=0.05, droplet=50e-6, droplet_spread=1.6
    )
    made = candidates(place, tip=fine)
    plain, targets = columns(place, made)
    assert plain.settled is None
    rates = {"wand": np.stack([np.full(targets.n_sides, 2e-3), np.zeros(targets.n_sides)], axis=1)}
    found, _ = columns(place, made, settled_per_fog=rates)
    assert found.fog[0].max() > 0.1
    assert found.settled.toarray() == pytest.approx(np.tile(2e-3 * found.fog[0], (targets.n_sides, 1)))
    volumes = np.ones(len(made))
    more = found.film(volumes, credit=True) - found.film(volumes)
    assert more.min() >= 0.0
    assert more.max() > 0.0


def test_columns_survive_a_file_and_serve_after_a_changed_wand(place, tmp_path):
    """One wand's columns come back from the file; only the other wand's are computed."""
    first = passes.Kept()
    made = candidates(place)
    before, _ = columns(place, made, kept=first)
    (tmp_path / passes.KEPT_FILE).write_bytes(passes.kept_bytes(first))
    kept = passes.kept_from(tmp_path / passes.KEPT_FILE)
    assert kept.lit.keys() == first.lit.keys()
    told = []
    other = candidates(place, tip=SIDE)
    both, _ = columns(place, [*made, *other], kept=kept, progress=lambda *words: told.append(words))
    assert told[-1][2] < len(made) + len(other)
    assert (before.direct != both.direct[:, : len(made)]).nnz == 0
    assert (before.fog == both.fog[:, : len(made)]).all()
    assert len(passes.kept_from(tmp_path / "none.npz")) == 0
    (tmp_path / "bad.npz").write_bytes(b"no archive")
    (tmp_path / "cut.npz").write_bytes(passes.kept_bytes(first)[:-400])
    for name in ("bad.npz", "cut.npz"):
        with pytest.raises(StoreError, match=r"the columns kept there cannot be read"):
            passes.kept_from(tmp_path / name)


def test_film_on_more_sides_is_worked_out_for_those_sides_alone(place):
    """Half of the sides first, then all: the same film as all at once, each side computed once."""
    bays, scene, _ = place
    made, kept = candidates(place), passes.Kept()
    inside = np.flatnonzero(bays.side_bay >= 0)
    air = air_of(bays.mesh, bays)
    for sides in (inside[::2], inside):
        found = passes.pass_columns(scene, targets_of(bays.mesh, sides), made, air=air, kept=kept)
    assert sorted(len(sides) for sides in kept.sets.values()) == [len(inside[1::2]), len(inside[::2])]
    whole = passes.pass_columns(scene, targets_of(bays.mesh, inside), made, air=air)
    assert found.direct.toarray() == pytest.approx(whole.direct.toarray(), rel=1e-5, abs=1e-5)
    assert (found.escaped == whole.escaped).all()
    part = passes.pass_columns(scene, targets_of(bays.mesh, inside[3:40]), made, air=air, kept=kept)
    assert len(kept.sets) == 2
    assert (part.direct != found.direct[3:40]).nnz == 0


def test_another_power_table_or_throw_is_another_column(place):
    """Two tips that differ in one figure only must not share a column: power and table once did."""
    cosine = [Tip(pattern="forward", spread=1.5, profile="cosine", power=p, flow=2e-6) for p in (1.0, 4.0)]
    rows = [np.linspace(1.0, 2.0, 3000), np.linspace(2.0, 1.0, 3000)]
    edges = np.linspace(0.0, 1.2, 3001)
    turn = np.array([0.0, 2 * math.pi])
    tables = [
        Tip(pattern="table", flow=2e-6, table=TipTable(polar=edges, azimuth=turn, shares=row[:, None]))
        for row in rows
    ]
    for one, other in (cosine, tables):
        kept = passes.Kept()
        columns(place, candidates(place, tip=one)[:1], kept=kept)
        columns(place, candidates(place, tip=other)[:1], kept=kept)
        assert len(kept) == 2
    kept = passes.Kept()
    made = candidates(place)[:1]
    for far in (0.2, 0.4):
        columns(place, made, kept=kept, flying={"wand": lambda d, far=far: np.exp(-d / far)})
    assert len(kept) == 2
