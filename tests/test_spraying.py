"""The fast film kernel: portals, many pulls at once, threads, tables, engines, stopping."""

import json
import math
import os
import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from oracles import closed_box, grid_plate

from bayreach.bays import find_bays
from bayreach.deposit import _spraying
from bayreach.deposit._air import bays_at
from bayreach.deposit._kernel_arrays import world_of
from bayreach.deposit._sampled import Spray
from bayreach.deposit.direct import Pull, air_of, columns, pull_film
from bayreach.errors import MeshError
from bayreach.mesh import joined, mesh_of
from bayreach.poses import Stations, stations_of, straight_path
from bayreach.rays import Scene
from bayreach.sight import UNKNOWN_BAY, targets_of
from bayreach.tips import Tip, TipTable, in_tip_frame

DOWN = (0, 0, -1)
FINE = Tip(pattern="radial", spread=math.radians(150))


def ribbed_box(n_bays=4, cells=12):
    """Return a box of n bays in a row along x, each wall between them with a square hole in its middle."""
    walls = [closed_box((float(n_bays), 1.0, 1.0))]
    for k in range(1, n_bays):
        plate = grid_plate([k, 0.5, 0.5], [0, 1, 0], [0, 0, 1], cells=cells)
        middle = plate.corners.mean(axis=1)
        hole = (np.abs(middle[:, 1:] - 0.5) < 0.17).all(axis=1)
        walls.append(plate.of_faces(~hole))
    return joined(walls)


@pytest.fixture(scope="module")
def box():
    """Return a ribbed box, cut so that walls share their edges, with its bays."""
    from bayreach.repair import mend, subdivided

    mesh = subdivided(mend(ribbed_box())[0], 0.2).mesh
    bays = find_bays(mesh)
    mesh = bays.mesh
    return mesh, bays, Scene(mesh), air_of(mesh, bays)


def pull_along(mesh_x, length=0.8, step=0.05, y=0.5, z=0.5):
    path = straight_path(
        entry=[mesh_x, y, z], aim=[1, 0, 0], deepest=length, shallowest=0.0, clock=0.0, down=DOWN
    )
    return stations_of(path, step)


def test_the_box_has_its_bays_and_openings(box):
    _, bays, _, air = box
    assert len(bays.bays) == 4
    assert len(bays.openings) == 3
    assert air.portals is not None
    assert len(air.portals.radii) == 3
    # Square holes of side 1/3: half their diagonal is 0.2357 m.
    assert air.portals.radii == pytest.approx(np.full(3, math.hypot(1 / 6, 1 / 6)), rel=1e-3)


def test_each_station_knows_its_bay(box):
    mesh, bays, scene, air = box
    points = np.array([[0.31, 0.2, 0.3], [1.4, 0.8, 0.33], [3.7, 0.4, 0.6], [-0.5, 0.5, 0.5]])
    found = bays_at(scene, air, points)
    wanted = []
    for point in points[:3]:
        inside = [
            bay.index for bay in bays.bays if (bay.box[0] <= point).all() and (point <= bay.box[1]).all()
        ]
        wanted.append(inside[0])
    assert found.tolist()[:3] == wanted
    assert found[3] in (-1, UNKNOWN_BAY)
    assert mesh.n_faces > 100


def without_portals(scene, targets, sprays, air):
    """Return the film where no station knows its bay, so that no side is refused for the portals' sake."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(
            "bayreach.deposit._kernel_arrays.bays_at",
            lambda scene, air, points: np.full(len(points), UNKNOWN_BAY),
        )
        return _spraying.sparse_film(scene, targets, sprays, air)


@pytest.mark.parametrize("y", [0.5, 0.23])
def test_openings_as_portals_change_no_film_and_save_rays(box, y):
    mesh, _, scene, air = box
    targets = targets_of(mesh, air.side_bay >= 0, samples=4)
    stations = pull_along(1.1, y=y)
    shares = np.full(len(stations.points), 1 / len(stations.points))
    spray = Spray(stations=stations, shares=shares, tip=FINE)
    seen = _spraying.sparse_film(scene, targets, [spray], air)
    naive = without_portals(scene, targets, [spray], air)
    assert seen.rows.tolist() == naive.rows.tolist()
    assert seen.film == pytest.approx(naive.film, rel=1e-12)
    assert seen.rays < 0.75 * naive.rays
    # Film does reach the neighbours through the holes, so portals were looked through, not shut.
    reached = set(air.side_bay[targets.sides[seen.rows]].tolist())
    assert len(reached) >= 3


@pytest.mark.parametrize("seed", range(6))
def test_no_ray_that_is_free_is_passed_over_for_the_portals_sake(box, seed):
    # From anywhere in any bay, in the planes of the holes and close to their rims too: the same film exactly.
    mesh, _, scene, air = box
    random = np.random.default_rng(seed)
    points = random.uniform([0.02, 0.02, 0.02], [3.98, 0.98, 0.98], (24, 3))
    rim = np.array([1.0, 1 / 3, 0.5]) + random.normal(0, 2e-3, (6, 3))
    points = np.concatenate([points, rim, [[2.0, 0.5, 0.5]]])
    n = len(points)
    along = np.tile([1.0, 0, 0], (n, 1))
    up = np.tile([0, 0, 1.0], (n, 1))
    stations = Stations(points=points, axes=along, clocks=up, depths=np.zeros(n), lengths=np.zeros(n))
    everywhere = Tip(pattern="forward", spread=2 * math.pi)
    spray = Spray(stations=stations, shares=np.full(n, 1 / n), tip=everywhere)
    targets = targets_of(mesh, air.side_bay >= 0, samples=1)
    seen = _spraying.sparse_film(scene, targets, [spray], air)
    naive = without_portals(scene, targets, [spray], air)
    assert seen.rows.tolist() == naive.rows.tolist()
    # Rays that are passed over change the order in which a sample's few amounts are added, no more.
    assert seen.film == pytest.approx(naive.film, rel=1e-6)
    assert seen.rays < 0.7 * naive.rays


def walled_with(rims, cells=24):
    """Return a box of bays in a row along x, walls between them with holes as the masks `rims` (y, z) say."""
    walls = [closed_box((float(len(rims) + 1), 1.0, 1.0))]
    for k, rim in enumerate(rims, start=1):
        plate = grid_plate([k, 0.5, 0.5], [0, 1, 0], [0, 0, 1], cells=cells)
        middle = plate.corners.mean(axis=1)[:, 1:] - 0.5
        walls.append(plate.of_faces(~rim(*middle.T)))
    return joined(walls)


ODD_RIMS = {
    "slot": lambda y, z: (np.abs(y) < 0.41) & (np.abs(z - 0.1) < 0.06),
    "L": lambda y, z: (np.abs(y) < 0.3) & (np.abs(z) < 0.3) & ~((y > -0.18) & (z > -0.18)),
    "ring": lambda y, z: (np.maximum(np.abs(y), np.abs(z)) < 0.3) & (np.maximum(np.abs(y), np.abs(z)) > 0.16),
}


def test_through_a_slot_an_l_and_a_ring_no_ray_is_refused_that_is_free_without_portals():
    from bayreach.repair import mend, subdivided

    built = subdivided(mend(walled_with(list(ODD_RIMS.values())))[0], 0.2).mesh
    # Turned, so that nothing lies along the axes.
    turn, _ = np.linalg.qr(np.random.default_rng(4).normal(size=(3, 3)))
    turn *= np.sign(np.linalg.det(turn))
    turned = mesh_of(built.points @ turn.T, built.faces)
    bays = find_bays(turned)
    assert len(bays.bays) == 4
    mesh, random = bays.mesh, np.random.default_rng(0)
    scene, air = Scene(mesh), air_of(mesh, bays)
    points = random.uniform([0.03, 0.03, 0.03], [3.97, 0.97, 0.97], (60, 3))
    # A few at the rims of the slot and of the L, and in the planes of the holes.
    points[:4] = [[1.0, 0.1, 0.6], [1.001, 0.9, 0.54], [2.0, 0.3, 0.3], [1.9999, 0.5, 0.3]]
    points = points @ turn.T
    n = len(points)
    stations = Stations(
        points=points,
        axes=np.tile(turn[:, 0], (n, 1)),
        clocks=np.tile(turn[:, 2], (n, 1)),
        depths=np.zeros(n),
        lengths=np.zeros(n),
    )
    spray = Spray(stations=stations, shares=np.full(n, 1 / n), tip=Tip(pattern="forward", spread=2 * math.pi))
    targets = targets_of(mesh, samples=4)
    seen = _spraying.sparse_film(scene, targets, [spray], air)
    naive = without_portals(scene, targets, [spray], air)
    assert seen.rows.tolist() == naive.rows.tolist()
    assert seen.film == pytest.approx(naive.film, rel=1e-6)
    assert seen.rays < 0.5 * naive.rays
    # Blocks are refused as a whole, so that not every pair is looked at.
    assert seen.pairs < 0.8 * naive.pairs


def test_portals_are_not_used_where_bays_are_not_exact(box):
    mesh, bays, _, _ = box
    from dataclasses import replace

    assert air_of(mesh, replace(bays, method="voxel")).portals is None


def test_many_pulls_at_once_are_the_pulls_one_by_one(box):
    mesh, _, scene, air = box
    # One side is left out, so that no film is corrected for closure: single pulls know their errors, many do
    # not.
    targets = targets_of(mesh, np.flatnonzero(air.side_bay >= 0)[1:])
    side = Tip(pattern="side", spread=math.radians(80), profile="cosine", throw=1.0)
    pulls = [Pull(stations=pull_along(0.1 + 0.5 * k), tip=FINE if k % 2 else side) for k in range(5)]
    together = columns(scene, targets, pulls, air=air, fate_rays=50_000)
    for pull, column in zip(pulls, together, strict=True):
        alone = pull_film(scene, targets, pull.stations, pull.tip, air=air)
        assert column.sides.tolist() == alone.sides.tolist()
        # The table of what still flies is laid over another span of distances: it differs by about 1e-7.
        assert column.direct == pytest.approx(alone.direct, rel=1e-6)
        # Rays are spread over the stations of many pulls, but asked for by length in a single one.
        assert column.fog_to_bay == pytest.approx(alone.fog_to_bay, abs=2e-3)
        whole = column.landed + column.elsewhere + column.fog + column.escaped
        assert whole == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize("count", [1, 2, 3, 7])
def test_film_is_the_same_to_the_last_bit_for_any_number_of_threads(box, monkeypatch, count):
    mesh, _, scene, air = box
    targets = targets_of(mesh, air.side_bay >= 0)
    pulls = [Pull(stations=pull_along(0.2, step=0.01), tip=FINE), Pull(stations=pull_along(1.7), tip=FINE)]
    usual = columns(scene, targets, pulls, air=air)
    monkeypatch.setattr("bayreach.deposit._spraying.cores", lambda: count)
    monkeypatch.setattr("bayreach.rays._threads.cores", lambda: count)
    other = columns(scene, targets, pulls, air=air)
    for one, two in zip(usual, other, strict=True):
        assert one.direct.tobytes() == two.direct.tobytes()
        assert one.sides.tobytes() == two.sides.tobytes()


@pytest.mark.parametrize("engine", ["auto", "tree"])
def test_film_of_a_side_is_the_same_to_the_last_bit_whichever_sides_are_asked_with_it(box, engine):
    mesh, _, _, air = box
    scene, inside = Scene(mesh, engine=engine), np.flatnonzero(air.side_bay >= 0)
    side = Tip(pattern="side", spread=math.radians(80), profile="cosine", throw=1.0)
    pulls = [Pull(stations=pull_along(0.3 + 0.5 * k), tip=tip) for k, tip in enumerate((FINE, side))]
    # One side is left out, so that no film is corrected for closure.
    whole = columns(scene, targets_of(mesh, inside[1:]), pulls, air=air)
    dense = [column.dense(mesh.n_sides) for column in whole]
    for seed in range(3):
        some = np.sort(np.random.default_rng(seed).choice(inside[1:], 400 * 3**seed, replace=False))
        part = columns(scene, targets_of(mesh, some), pulls, air=air)
        for column, film in zip(part, dense, strict=True):
            assert column.dense(mesh.n_sides)[some].tobytes() == film[some].tobytes()


def test_a_task_is_cut_to_a_few_tenths_of_a_second_and_the_film_stays_the_same(box, monkeypatch):
    mesh, _, scene, air = box
    targets = targets_of(mesh, air.side_bay >= 0)
    pulls = [Pull(stations=pull_along(0.2 + 0.1 * k), tip=FINE) for k in range(8)]
    usual = columns(scene, targets, pulls, air=air)
    monkeypatch.setattr(_spraying, "PAIRS_A_TASK", 1)
    small = columns(scene, targets, pulls, air=air)
    assert all(one.direct.tobytes() == two.direct.tobytes() for one, two in zip(usual, small, strict=True))


def test_embree_and_the_tree_of_our_own_lay_the_same_film(box):
    mesh, _, scene, air = box
    targets = targets_of(mesh, air.side_bay >= 0)
    own = pull_film(Scene(mesh, engine="tree"), targets, pull_along(1.1), FINE, air=air)
    embree = pull_film(scene, targets, pull_along(1.1), FINE, air=air)
    assert own.dense(mesh.n_sides) == pytest.approx(embree.dense(mesh.n_sides), rel=1e-6, abs=1e-9)


def test_a_measured_table_is_looked_up_by_the_kernel_as_by_the_tip(box):
    mesh, _, scene, _ = box
    table = TipTable(
        polar=np.radians([10, 40, 90, 130]),
        azimuth=np.radians([-90, 0, 90, 200, 270]),
        shares=np.array([[1, 2, 0, 4], [2, 1, 1, 3], [0, 5, 1, 1.0]]),
    )
    tip = Tip(pattern="table", table=table)
    targets = targets_of(mesh, samples=1)
    clock = np.array([0.0, 0.6, 0.8])
    at = Stations(points=[[0.4, 0.45, 0.6]], axes=[[1, 0, 0]], clocks=[clock], depths=[0], lengths=[0])
    film = pull_film(scene, targets, at, tip)
    ways = targets.points - at.points[0]
    distance = np.linalg.norm(ways, axis=1)
    ways /= distance[:, None]
    facing = -np.einsum("ij,ij->i", ways, targets.normals)
    expected = tip.density(in_tip_frame(ways, [1, 0, 0], clock)) * facing / distance**2
    lit = film.dense(mesh.n_sides)[targets.sides] > 0
    factor = film.dense(mesh.n_sides)[targets.sides][lit] / expected[lit]
    assert lit.sum() > 50
    # Scaled to close, no more; a sample just on the edge of a bin may fall to either.
    assert np.isclose(factor, np.median(factor), rtol=1e-6).mean() > 0.995


@pytest.mark.parametrize("profile", ["uniform", "gaussian", "cosine"])
@pytest.mark.parametrize("pattern", ["radial", "side", "forward"])
def test_the_kernel_looks_up_each_profile_as_the_tip_does(profile, pattern):
    tip = Tip(pattern=pattern, spread=math.radians(100), profile=profile, power=2.5, throw=0.7)
    plate = grid_plate([0, 0, 0], [4, 0, 0], [0, 4, 0], cells=20)
    axis, clock = np.array([0.6, 0.0, -0.8]), np.array([-0.8, 0.0, -0.6])
    at = Stations(points=[[0.1, 0.2, 0.5]], axes=[axis], clocks=[clock], depths=[0], lengths=[0])
    targets = targets_of(plate, np.arange(0, plate.n_sides, 2), samples=1)
    film = pull_film(Scene(plate), targets, at, tip).dense(plate.n_sides)[::2]
    ways = targets.points - at.points[0]
    distance = np.linalg.norm(ways, axis=1)
    ways /= distance[:, None]
    facing = -np.einsum("ij,ij->i", ways, targets.normals)
    density = tip.density(in_tip_frame(ways, axis, clock))
    expected = density * tip.share_flying(distance) * facing / distance**2
    assert (expected > 0).sum() > 20
    assert film == pytest.approx(expected, rel=1e-5, abs=1e-9 * expected.max())


def test_progress_runs_from_nothing_to_all(box):
    mesh, _, scene, air = box
    told: list[float] = []
    targets = targets_of(mesh, air.side_bay >= 0)
    pulls = [Pull(stations=pull_along(0.2), tip=FINE)] * 3
    columns(scene, targets, pulls, air=air, progress=told.append)
    assert told == sorted(told)
    assert told[-1] == pytest.approx(1.0)
    assert len(told) > 3


def test_a_key_press_stops_the_work_at_once(box):
    mesh, _, scene, air = box
    targets = targets_of(mesh, air.side_bay >= 0)

    def press(_: float) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        columns(scene, targets, [Pull(stations=pull_along(0.2), tip=FINE)], air=air, progress=press)


def test_a_floor_asks_fewer_rays_and_loses_only_what_lies_below_it(box):
    mesh, _, scene, air = box
    targets = targets_of(mesh, air.side_bay >= 0)
    pulls = [Pull(stations=pull_along(1.1), tip=FINE)]
    whole = columns(scene, targets, pulls, air=air)[0]
    stations = len(pulls[0].stations.points)
    floor = 0.002
    cut = columns(scene, targets, pulls, air=air, floor=floor)[0]
    lost = whole.dense(mesh.n_sides) * (1 + whole.closure) - cut.dense(mesh.n_sides)
    assert lost.min() > -1e-7
    assert 0.0 < lost.max() <= 4 * floor * stations
    assert len(cut.sides) <= len(whole.sides)
    # What is left out is not spread over the rest: it is told as landed elsewhere.
    assert cut.elsewhere > 0.0
    assert cut.landed + cut.elsewhere + cut.fog + cut.escaped == pytest.approx(1.0, abs=1e-12)


def test_nothing_to_ask_gives_empty_columns(box):
    mesh, _, scene, air = box
    assert columns(scene, targets_of(mesh), [], air=air) == []
    column = pull_film(scene, targets_of(mesh, []), pull_along(0.2), FINE, air=air)
    assert column.sides.shape == (0,)
    assert column.elsewhere == pytest.approx(1.0 - column.fog - column.escaped)


def test_a_station_that_several_bays_claim_sees_everything(box):
    mesh, _, scene, air = box
    # In the plane of an opening the rays all round do not agree on a bay.
    stations = stations_of(
        straight_path(entry=[2.0, 0.5, 0.5], aim=[1, 0, 0], deepest=0, shallowest=0, clock=0, down=DOWN), 1.0
    )
    targets = targets_of(mesh, air.side_bay >= 0)
    spray = Spray(stations=stations, shares=np.ones(1), tip=FINE)
    seen = _spraying.sparse_film(scene, targets, [spray], air)
    naive = without_portals(scene, targets, [spray], air)
    assert seen.film == pytest.approx(naive.film, rel=1e-12)
    world = world_of(scene, targets, [spray], air, by_sample=False, floor=0.0)
    assert world.panes.home.shape == (1,)


def test_scenes_give_their_memory_back():
    # 40 scenes of 100,000 faces would hold well over 1 GB if they leaked.
    code = (
        "import resource, numpy as np\n"
        "from bayreach.mesh import mesh_of\n"
        "from bayreach.rays import Scene\n"
        "points = np.random.default_rng(0).uniform(size=(30000, 3))\n"
        "mesh = mesh_of(points, np.arange(30000).reshape(-1, 3))\n"
        "def peak(): return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        "for k in range(10): Scene(mesh).is_blocked([[0, 0, 0]], [[1, 1, 1]])\n"
        "before = peak()\n"
        "for k in range(80): Scene(mesh).is_blocked([[0, 0, 0]], [[1, 1, 1]])\n"
        "print((peak() - before) / 1024)\n"
    )
    if sys.platform == "win32":
        pytest.skip("the peak of memory is asked through a POSIX call")
    told = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, env=os.environ
    )
    # One scene of 10,000 faces takes about 2 MB; 80 leaked ones would be 160 MB.
    assert float(told.stdout) < 60.0


# The real command over a real pull of a minute and more: the moment at which a person loses patience.
LONG_PULL = """
import sys
from pathlib import Path
import numpy as np
import bayreach.run
from bayreach.cli import main
from bayreach.deposit.direct import pull_film
from bayreach.poses import Stations, stations_of, straight_path
from bayreach.rays import Scene
from bayreach.sight import targets_of
from bayreach.tips import Tip
from oracles import grid_plate

def spray(job, progress):
    plate = grid_plate([0, 0, 0], [2, 0, 0], [0, 2, 0], cells=120)
    path = straight_path(
        entry=[0, 1, 0.4], aim=[1, 0, 0], deepest=2, shallowest=0, clock=0, down=(0, 0, -1)
    )
    def tell(share):
        if not told:
            print("begun", flush=True)
        told.append(share)
    told = []
    tip = Tip(pattern="radial", spread=2.0)
    pull_film(Scene(plate), targets_of(plate), stations_of(path, 5e-5), tip, progress=tell)
    print("done", flush=True)

bayreach.run.spray = spray
sys.exit(main(["spray", sys.argv[1], "-o", sys.argv[2]]))
"""


@pytest.mark.skipif(sys.platform == "win32", reason="signals are a POSIX notion")
def test_a_real_key_press_ends_a_long_pull_with_one_sentence(tmp_path):
    from small_job import small_job

    out = tmp_path / "out"
    words = [sys.executable, "-c", LONG_PULL, str(small_job(tmp_path)), str(out)]
    place = os.pathsep.join([str(Path(__file__).parent), os.environ.get("PYTHONPATH", "")])
    running = subprocess.Popen(
        words,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": place},
    )
    assert running.stdout is not None
    assert running.stdout.readline() == "begun\n"
    running.send_signal(signal.SIGINT)
    rest, told = running.communicate(timeout=20)
    assert running.returncode == 1
    assert told == "bayreach: stopped; nothing half-done was left.\n"
    assert rest == ""
    assert not out.exists()


def test_progress_of_one_pull_rises_whatever_rounds_it_takes(box):
    mesh, _, scene, air = box
    told: list[float] = []
    targets = targets_of(mesh, air.side_bay >= 0)
    pull_film(scene, targets, pull_along(1.1), FINE, air=air, error=0.01, progress=told.append)
    assert told == sorted(told)
    assert 0.5 <= told[-1] <= 1.0


@pytest.mark.parametrize(
    "tip",
    [
        Tip(pattern="radial", spread=math.radians(90)),
        Tip(pattern="side", spread=math.radians(80), profile="cosine", throw=0.5),
        Tip(
            pattern="table",
            table=TipTable(
                polar=np.radians([10, 40, 90, 130]),
                azimuth=np.radians([-90, 0, 90, 200, 270]),
                shares=np.array([[1, 2, 0, 4], [2, 1, 1, 3], [0, 5, 1, 1.0]]),
            ),
        ),
    ],
    ids=["even", "profile and throw", "table"],
)
def test_the_kernel_lays_what_its_obvious_twin_lays(box, tip):
    mesh, _, scene, air = box
    targets = targets_of(mesh, np.flatnonzero(air.side_bay >= 0)[::7], samples=4)
    stations = pull_along(1.1, step=0.2)
    sprays = [Spray(stations=stations, shares=np.full(len(stations.points), 0.25), tip=tip)] * 2
    fast = _spraying.sparse_film(scene, targets, sprays, air)
    slow = _spraying.sparse_film(Scene(mesh, engine="arrays"), targets, sprays, air)
    assert 0 < fast.rays <= 1.01 * slow.rays
    for pull in range(2):
        one, two = fast.dense(pull, targets.n_sides), slow.dense(pull, targets.n_sides)
        assert (two > 0).sum() > 100
        # A ray along an edge, or a sample on the edge of a bin, may fall to either.
        assert np.isclose(one, two, rtol=1e-5, atol=1e-6 * two.max()).mean() > 0.995


WITHOUT = """
import json, sys
for name in sys.argv[1].split():
    sys.modules[name] = None  # as if it were not installed
import numpy as np
from oracles import closed_box, grid_plate
from bayreach.deposit.direct import pull_film
from bayreach.errors import MeshError
from bayreach.mesh import joined, mesh_of
from bayreach.poses import Stations, stations_of, straight_path
from bayreach.rays import Scene
from bayreach.sight import targets_of
from bayreach.tips import Tip

mesh = joined([closed_box((1.0, 0.4, 0.4)), grid_plate([0.5, 0.1, 0.1], [0, 0.2, 0], [0, 0, 0.2], cells=3)])
ends = dict(deepest=0.6, shallowest=0, clock=0, down=(0, 0, -1))
stations = stations_of(straight_path(entry=[0.2, 0.213, 0.191], aim=[1, 0, 0], **ends), 0.05)
scene = Scene(mesh)
targets = targets_of(mesh, samples=16)
column = pull_film(scene, targets, stations, Tip(pattern="radial", spread=2.0))
print(json.dumps([scene.engine, column.dense(mesh.n_sides).tolist(), column.fog, column.escaped]))
"""


def test_without_embree_or_compiler_another_engine_gives_the_same_film_and_says_which_it_is():
    place = os.pathsep.join([str(Path(__file__).parent), os.environ.get("PYTHONPATH", "")])
    told = {}
    for missing in ("", "embreex", "numba", "numba embreex"):
        run = subprocess.run(
            [sys.executable, "-c", WITHOUT, missing],
            capture_output=True,
            text=True,
            check=True,
            env={**os.environ, "PYTHONPATH": place},
        )
        told[missing] = json.loads(run.stdout)
    assert "own box tree" in told["embreex"][0]
    assert "boxes walked by arrays" in told["numba embreex"][0]
    if "Embree" in told[""][0]:
        assert "embreex binding" in told["numba"][0]
    for _, film, fog, escaped in told.values():
        assert film == pytest.approx(told[""][1], rel=1e-4, abs=1e-4 * max(film))
        assert fog == pytest.approx(told[""][2], abs=1e-9)
        assert escaped == pytest.approx(told[""][3], abs=1e-9)


def test_a_small_budget_cuts_the_work_and_changes_no_byte(box, monkeypatch):
    mesh, _, scene, air = box
    targets = targets_of(mesh, air.side_bay >= 0)
    tip = Tip(pattern="radial", spread=math.radians(150), throw=0.6)
    pulls = [Pull(stations=pull_along(0.2 + 0.1 * k), tip=tip) for k in range(8)]
    asked = []
    whole = _spraying.sparse_film

    def watched(scene, targets, sprays, air, **more):
        asked.append(len(sprays))
        return whole(scene, targets, sprays, air, **more)

    monkeypatch.setattr(_spraying, "sparse_film", watched)
    usual = columns(scene, targets, pulls, air=air)
    # Room for the film of three pulls on every side.
    small = columns(scene, targets, pulls, air=air, budget=12 * targets.n_sides)
    least = columns(scene, targets, pulls, air=air, budget=1)
    assert asked == [8, 3, 3, 2, *[1] * 8]
    for one, two, three in zip(usual, small, least, strict=True):
        for name in ("sides", "direct", "fog_to_bay"):
            assert getattr(one, name).tobytes() == getattr(two, name).tobytes()
            assert getattr(one, name).tobytes() == getattr(three, name).tobytes()


def test_samples_beyond_the_budget_are_refused_with_what_to_do(box):
    mesh, _, _, _ = box
    with pytest.raises(MeshError, match=r"need an array of \d+ bytes, 1000 are allowed; take fewer samples"):
        targets_of(mesh, budget=1000)


def test_a_pull_cut_finer_keeps_its_pieces_within_a_small_budget_and_gives_the_same_film(box, monkeypatch):
    from bayreach.deposit import _refined

    mesh, _, scene, air = box
    targets = targets_of(mesh, np.flatnonzero(air.side_bay >= 0)[::12])
    stations = pull_along(1.3, length=0.4, step=0.2)
    largest: list[int] = []
    leaves_of, samples_at, targets_at = _refined._Leaves, _refined.samples_at, _refined.targets_of

    def watched_leaves(**arrays):
        largest.append(max(array.nbytes for array in arrays.values() if array.base is None))
        return leaves_of(**arrays)

    def watched(make):
        def made(*given, **more):
            samples = make(*given, **more)
            largest.append(max(samples.points.nbytes, samples.blocks.tile_points.nbytes))
            return samples

        return made

    monkeypatch.setattr(_refined, "_Leaves", watched_leaves)
    monkeypatch.setattr(_refined, "samples_at", watched(samples_at))
    monkeypatch.setattr(_refined, "targets_of", watched(targets_at))
    usual = pull_film(scene, targets, stations, FINE, air=air, error=0.01)
    needed = max(largest)
    largest.clear()
    budget = 40_000
    small = pull_film(scene, targets, stations, FINE, air=air, error=0.01, budget=budget)
    assert max(largest) <= budget < needed / 5
    assert small.sides.tolist() == usual.sides.tolist()
    assert small.direct.tobytes() == usual.direct.tobytes()
    assert small.error == usual.error
