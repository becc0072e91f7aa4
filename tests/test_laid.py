"""All mechanisms together: the ledger closes, each can be switched off, and nothing appears twice."""

import math

import numpy as np
import pytest
import specimens

from bayreach.bays import find_bays
from bayreach.deposit.direct import air_of, pull_film, stations_for
from bayreach.deposit.laid import (
    Conditions,
    Ground,
    Laid,
    Sprayed,
    ground_of,
    lay_film,
    mean_way,
    settling,
)
from bayreach.deposit.settled import fog_classes
from bayreach.droplets import fall_speed
from bayreach.liquids import liquid_class
from bayreach.poses import straight_path
from bayreach.rays import Scene
from bayreach.repair import subdivided
from bayreach.sight import targets_of
from bayreach.tips import Tip

DOWN = (0, 0, -1)
THIN = liquid_class("wd_thin").liquid
TIP = Tip(pattern="radial", spread=math.radians(60), throw=0.15, droplet=40e-6, droplet_spread=1.8)
ALL = Conditions(settled=True, creep=True, run_off=True, settle_time=20.0)


@pytest.fixture(scope="module")
def ground() -> Ground:
    """Return a box of three bays, round holes in its ribs and an open end, faces of 50 mm or less."""
    size = (0.6, 0.2, 0.15)
    ribs = [specimens.rib(x, size, [specimens.ring((0.1, 0.075), 0.08)]) for x in (0.2, 0.4)]
    mesh = specimens.mended(specimens.box(size, open_end=True, xs=(0.2, 0.4)), *ribs)
    return ground_of(find_bays(subdivided(mesh, 0.05).mesh), DOWN, run_off=True)


@pytest.fixture(scope="module")
def passes(ground: Ground) -> list[Sprayed]:
    mesh = ground.bays.mesh
    scene, air, targets = Scene(mesh), air_of(mesh, ground.bays), targets_of(mesh, samples=1)
    sprayed = []
    for deepest, shallowest in ((0.5, 0.3), (0.25, 0.05)):
        path = straight_path(
            entry=(0.6, 0.1, 0.075),
            aim=(-1, 0, 0),
            deepest=deepest,
            shallowest=shallowest,
            clock=0.0,
            down=DOWN,
        )
        column = pull_film(scene, targets, stations_for(scene, path, TIP), TIP, air=air)
        sprayed.append(Sprayed(column=column, volume=20e-6, duration=4.0, tip=TIP))
    return sprayed


def laid(ground: Ground, passes: list[Sprayed], conditions: Conditions = ALL, **more: object) -> Laid:
    return lay_film(ground, passes, THIN, conditions=conditions, **more)


def test_with_every_mechanism_the_ledger_of_every_pass_and_of_all_closes(ground, passes) -> None:
    result = laid(ground, passes, uptake=1e-6)
    for ledger in (*result.ledgers, result.ledger):
        # Columns are kept in single precision, so a ledger closes to about 1e-8.
        assert abs(ledger.gap) < 1e-7
    whole = result.ledger
    assert whole.sprayed == pytest.approx(40e-6, rel=1e-12)
    assert whole.retained + whole.run_off + whole.creep == pytest.approx(
        whole.direct + whole.settled, rel=1e-9
    )
    assert min(whole.direct, whole.settled, whole.suspended, whole.escaped, whole.run_off, whole.creep) > 0


def test_the_film_on_the_sides_is_what_the_ledger_says(ground, passes) -> None:
    result = laid(ground, passes, uptake=1e-6)
    assert result.film.direct @ ground.areas == pytest.approx(result.ledger.direct, rel=1e-9)
    assert result.film.settled @ ground.areas == pytest.approx(result.ledger.settled, rel=1e-9)
    kept = (result.film.stays + result.soaked) @ ground.areas
    assert kept == pytest.approx(result.ledger.retained, rel=1e-9)
    assert (result.film.stays <= result.film.total + 1e-18).all()


def test_each_mechanism_can_be_switched_off(ground, passes) -> None:
    bare = laid(ground, passes, Conditions(settled=False))
    assert bare.film.retained is None
    assert (bare.film.settled == 0).all()
    assert (bare.ledger.settled, bare.ledger.run_off, bare.ledger.creep) == (0.0, 0.0, 0.0)
    assert bare.ledger.suspended == pytest.approx(
        sum(spray.volume * spray.column.fog for spray in passes), rel=1e-12
    )
    settled = laid(ground, passes, Conditions())
    assert settled.film.direct == pytest.approx(bare.film.direct, rel=1e-12)
    assert settled.ledger.settled > 0
    assert (settled.pools, settled.creep) == (None, None)


def test_film_is_linear_in_the_liquid_sprayed(ground, passes) -> None:
    once = laid(ground, passes, Conditions())
    twice = laid(
        ground,
        [Sprayed(column=s.column, volume=2 * s.volume, duration=s.duration, tip=s.tip) for s in passes],
        Conditions(),
    )
    assert twice.film.total == pytest.approx(2 * once.film.total, rel=1e-12)


def test_the_same_pass_twice_is_one_of_double_volume(ground, passes) -> None:
    spray = passes[0]
    double = Sprayed(column=spray.column, volume=2 * spray.volume, duration=4.0, tip=spray.tip)
    two, one = laid(ground, [spray, spray]), laid(ground, [double])
    assert two.film.stays == pytest.approx(one.film.stays, rel=1e-9, abs=1e-15)
    assert two.pools.volumes == pytest.approx(one.pools.volumes, rel=1e-9)


def test_no_credit_from_fog_on_sides_that_face_down(ground, passes) -> None:
    result = laid(ground, passes, Conditions())
    assert (result.film.settled[ground.rise < -1e-6] == 0.0).all()
    assert result.film.settled[ground.rise > 0.9].max() > 0


def test_waiting_longer_leaves_less_in_the_air_and_more_on_the_sides(ground, passes) -> None:
    short, long = (laid(ground, passes, Conditions(settle_time=time)).ledger for time in (2.0, 200.0))
    assert short.suspended > 10 * long.suspended
    assert short.settled < long.settled


def test_a_pass_of_no_fog_has_no_mist_figures(ground, passes) -> None:
    spray = passes[0]
    clear = Tip(pattern="radial", spread=math.radians(60), throw=np.inf)
    path = straight_path(
        entry=(0.6, 0.1, 0.075), aim=(-1, 0, 0), deepest=0.5, shallowest=0.4, clock=0.0, down=DOWN
    )
    mesh = ground.bays.mesh
    scene = Scene(mesh)
    column = pull_film(
        scene,
        targets_of(mesh, samples=1),
        stations_for(scene, path, clear),
        clear,
        air=air_of(mesh, ground.bays),
    )
    result = laid(ground, [Sprayed(column=column, volume=20e-6, duration=2.0, tip=clear)])
    assert result.mist == ()
    assert (result.time_to_95 == 0).all()
    assert len(laid(ground, [spray]).mist) == 1


def test_mist_of_a_pass_lies_between_nothing_and_all_its_fog(ground, passes) -> None:
    for spray, figures in zip(passes, laid(ground, passes).mist, strict=True):
        fog = spray.volume * spray.column.fog_to_bay[:-1] * THIN.density / ground.volumes
        assert (figures.airborne <= fog * (1 + 1e-9) + figures.airborne.max() * 0.05).all()
        assert figures.airborne.sum() > 0


def test_a_blocked_opening_keeps_its_drips_in(ground, passes) -> None:
    free = laid(ground, passes)
    shut = laid(ground, passes, blocked=np.ones(len(ground.bays.openings), dtype=bool))
    assert free.pools.out > 0  # the end is open down to the floor
    assert shut.pools.out == 0.0
    assert shut.pools.volumes.sum() == pytest.approx(free.pools.volumes.sum() + free.pools.out, rel=1e-9)


def test_fine_fog_of_a_spray_hangs_longer_than_all_of_it(ground) -> None:
    whole = settling(ground, TIP, THIN, Conditions(), lambda distances: 0.0 * distances)
    fine = settling(ground, TIP, THIN, Conditions(), lambda distances: 0.8 + 0.0 * distances)
    assert (fine.time_to_95 > whole.time_to_95).all()


def test_one_rule_tells_the_droplets_of_fog_whatever_the_pass(ground) -> None:
    # What no longer flies at the mean chord 4 V / A of the bays (Cauchy): the finest share of the spray.
    share = 1.0 - float(TIP.share_flying(np.array([mean_way(ground)]))[0])
    expected = fog_classes(TIP.droplet, TIP.droplet_spread, finest_share=round(share, 6))
    fate = settling(ground, TIP, THIN, Conditions())
    assert fate.falls == pytest.approx(fall_speed(expected.diameters, THIN.density), rel=1e-12)
    assert settling(ground, TIP, THIN, Conditions()) is fate  # worked out once


def test_the_mean_way_of_a_cube_is_two_thirds_of_its_edge() -> None:
    # 4 V / A = 4 a³ / 6 a².
    cube = find_bays(specimens.mended(specimens.box((0.3, 0.3, 0.3))))
    assert mean_way(ground_of(cube, DOWN)) == pytest.approx(0.2, rel=1e-9)
