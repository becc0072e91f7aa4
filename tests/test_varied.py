"""One pull in many poses with several tips: what the shared rays give is what each pull gives by itself."""

from dataclasses import replace

import numpy as np
import pytest
from boxjob import write_box_job

from bayreach.deposit.direct import Pull, columns, flow_course
from bayreach.deposit.fog_sizes import FogSizes
from bayreach.deposit.varied import varied_films, varied_fog
from bayreach.doubt import moved
from bayreach.errors import MeshError
from bayreach.job import load_job
from bayreach.poses import Stations, stations_of
from bayreach.rays import Scene
from bayreach.run import Site, conditions_of, flying_of, settling_of, site_of, written_pulls
from bayreach.sight import targets_of
from bayreach.tips import TipTable


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    return site_of(load_job(write_box_job(tmp_path_factory.mktemp("varied"))))


def bins() -> TipTable:
    """Return a lopsided pattern: three times as much to one half of the turn as to the other."""
    return TipTable(
        polar=np.radians([0.0, 30.0, 70.0, 110.0]),
        azimuth=np.radians([0.0, 180.0, 360.0]),
        shares=np.array([[0.15, 0.05], [0.3, 0.1], [0.3, 0.1]]),
    )


def poses_of(site: Site) -> list[Stations]:
    (pull,), _ = written_pulls(site)
    stations = stations_of(pull.path, 0.02)
    tilts = ([0.0, 0.0], [0.05, -0.02], [-0.03, 0.06])
    return [moved(stations, entry=[0, 0.1, 0.075], aim=pull.aim, tilt=tilt) for tilt in tilts]


@pytest.mark.parametrize("kind", ["uniform sheet", "soft cone", "measured"])
def test_shared_rays_give_the_film_of_each_pull_by_itself(site: Site, kind: str) -> None:
    radial = written_pulls(site)[0][0].wand.tip
    tips = {
        "uniform sheet": radial,
        "soft cone": replace(radial, pattern="forward", profile="gaussian"),
        "measured": replace(radial, pattern="table", table=bins()),
    }
    tip = tips[kind]
    states = [tip, replace(tip, spread=1.1 * tip.spread), replace(tip, throw=0.7 * tip.throw)]
    asked = [(state, flying_of(site, state)) for state in states]
    targets = targets_of(site.mesh, np.flatnonzero(site.required), samples=4)
    poses = poses_of(site)
    found = varied_films(site.scene, targets, poses, asked, air=site.air)
    for t, (state, flying) in enumerate(asked):
        pulls = [Pull(stations=stations, tip=state, flying=flying) for stations in poses]
        for p, column in enumerate(columns(site.scene, targets, pulls, air=site.air)):
            film, alone = np.zeros(site.mesh.n_sides), np.zeros(site.mesh.n_sides)
            film[targets.sides[found.rows]], alone[column.sides] = found.film[t, p], column.direct
            # `columns` closes its ledger where all sides are asked; take the course, not the sum.
            alone *= film.sum() / alone.sum()
            # Throw is tabulated at 1,025 distances here, the sums are in single precision.
            assert np.abs(film - alone).max() < 2e-4 * alone.max()


def test_a_flow_that_grows_and_dies_weighs_the_stations_as_in_a_pull_by_itself(site: Site) -> None:
    tip, poses = written_pulls(site)[0][0].wand.tip, poses_of(site)
    targets = targets_of(site.mesh, np.flatnonzero(site.required)[1::2], samples=1)
    flow = flow_course(poses[0], speed=0.05, rise=2.0, fall=1.0)
    assert 0.0 < flow.min() < 1.0
    found = varied_films(site.scene, targets, poses, [(tip, flying_of(site, tip))], air=site.air, flow=flow)
    pulls = [Pull(stations=one, tip=tip, flow=flow, flying=flying_of(site, tip)) for one in poses]
    for p, column in enumerate(columns(site.scene, targets, pulls, air=site.air)):
        film = np.zeros(site.mesh.n_sides)
        film[targets.sides[found.rows]] = found.film[0, p]
        assert film == pytest.approx(column.dense(site.mesh.n_sides), abs=2e-4 * float(column.direct.max()))


def test_fog_of_a_shorter_throw_is_more(site: Site) -> None:
    tip = written_pulls(site)[0][0].wand.tip
    states = [replace(tip, throw=throw) for throw in (0.2, 0.4, 0.8)]
    assert site.air is not None
    fog = varied_fog(
        site.scene, poses_of(site)[0], [(state, flying_of(site, state)) for state in states], air=site.air
    )
    assert fog.shape == (3, len(site.bays.bays))
    assert fog.sum(axis=1)[0] > fog.sum(axis=1)[1] > fog.sum(axis=1)[2] > 0.0


def test_without_a_tracer_each_tip_asks_its_own_rays_and_gets_the_same(site: Site) -> None:
    tip = written_pulls(site)[0][0].wand.tip
    asked = [(state, flying_of(site, state)) for state in (tip, replace(tip, spread=1.1 * tip.spread))]
    targets = targets_of(site.mesh, np.flatnonzero(site.required)[::9], samples=1)
    poses = [stations_of(written_pulls(site)[0][0].path, 0.1)]
    quick = varied_films(site.scene, targets, poses, asked, air=site.air)
    slow = varied_films(Scene(site.mesh, engine="arrays"), targets, poses, asked, air=site.air)
    one, two = np.zeros((2, 2, targets.n_sides))
    one[:, quick.rows], two[:, slow.rows] = quick.film[:, 0], slow.film[:, 0]
    assert (one > 0).sum() > 20
    assert np.isclose(one, two, rtol=1e-3, atol=1e-5 * two.max()).mean() > 0.99


def test_a_small_budget_changes_no_shared_film_and_a_smaller_one_is_told(site: Site) -> None:
    tip = written_pulls(site)[0][0].wand.tip
    asked = [(state, flying_of(site, state)) for state in (tip, replace(tip, spread=1.1 * tip.spread))]
    targets = targets_of(site.mesh, np.flatnonzero(site.required), samples=1)
    poses = poses_of(site)
    usual = varied_films(site.scene, targets, poses, asked, air=site.air)
    small = varied_films(site.scene, targets, poses, asked, air=site.air, budget=usual.film.nbytes)
    assert small.film.tobytes() == usual.film.tobytes()
    assert small.rows.tolist() == usual.rows.tolist()
    with pytest.raises(MeshError, match=r"needs an array of \d+ bytes, 1000 are allowed; ask about fewer"):
        varied_films(site.scene, targets, poses, asked, air=site.air, budget=1000)


def test_fog_between_two_sizes_is_that_of_its_own_size(site: Site) -> None:
    # Each state's film by the fixed sizes, a fifth apart, against that worked out for its own droplets.
    tip = written_pulls(site)[0][0].wand.tip
    drawn = [(1.0, 1.0), (0.8, 1.3), (1.24, 0.7), (1.1, 0.9)]
    states = [replace(tip, droplet=size * tip.droplet, throw=throw * tip.throw) for size, throw in drawn]
    sides = np.flatnonzero(site.inside)
    sizes = FogSizes(ground=site.ground, liquid=site.job.liquid, conditions=conditions_of(site))
    found = sizes.film([(state, flying_of(site, state)) for state in states], sides)
    for film, state in zip(found, states, strict=True):
        fate = settling_of(site, state)
        exact = fate.of_sides(sides).film(np.eye(len(site.bays.bays))).T
        assert fate.boxed.any()
        assert np.abs(film - exact).max() < 0.002 * exact.max()
        assert film.sum(axis=1) == pytest.approx(exact.sum(axis=1), rel=0.0005)
