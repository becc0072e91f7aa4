"""Laws that every film must keep, whatever the structure: proportion, symmetry, shadow, conservation."""

import math
from dataclasses import replace

import numpy as np
import pytest
import specimens

from bayreach.bays import Bays, find_bays
from bayreach.deposit.direct import air_of, path_film, pull_film, stations_for
from bayreach.deposit.laid import Conditions, Laid, Sprayed, ground_of, lay_film
from bayreach.film import Column
from bayreach.liquids import liquid_class
from bayreach.mesh import Mesh, joined, mesh_of
from bayreach.poses import TipPath, stations_of, straight_path
from bayreach.rays import Scene
from bayreach.repair import subdivided
from bayreach.sight import targets_of
from bayreach.tips import Tip

DOWN = (0, 0, -1)
THIN = liquid_class("wd_thin").liquid
SIZE = (0.6, 0.24, 0.16)
TIPS = {
    "radial": Tip(pattern="radial", spread=math.radians(50), throw=0.2),
    "side": Tip(pattern="side", spread=math.radians(70), throw=0.2),
    "forward": Tip(pattern="forward", spread=math.radians(60), profile="gaussian", throw=0.2),
}
NO_EXCHANGE = Conditions(exchange_speed=0.0)


def ribbed(hole: float = 0.08) -> Bays:
    """Return the bays of a box of three, its ribs with round holes, or none, and one end open."""
    rings = [specimens.ring((0.12, 0.08), hole)] if hole else []
    ribs = [specimens.rib(x, SIZE, rings) for x in (0.2, 0.4)]
    box = specimens.box(SIZE, open_end=True, xs=(0.2, 0.4))
    return find_bays(subdivided(specimens.mended(box, *ribs), 0.06).mesh)


def path(deepest: float, shallowest: float, clock: float = 0.0) -> TipPath:
    return straight_path(
        entry=(0.6, 0.12, 0.08),
        aim=(-1, 0, 0),
        deepest=deepest,
        shallowest=shallowest,
        clock=clock,
        down=DOWN,
    )


def column(mesh: Mesh, bays: Bays | None, way: TipPath, tip: Tip, samples: int = 1) -> Column:
    scene = Scene(mesh)
    air = None if bays is None else air_of(mesh, bays)
    return pull_film(scene, targets_of(mesh, samples=samples), stations_for(scene, way, tip), tip, air=air)


def sprayed(col: Column, tip: Tip, *, flow: float = 3e-6, speed: float = 0.05) -> Sprayed:
    """Return a pass at `flow` (m³/s) pulled at `speed` (m/s): it takes length / speed seconds."""
    seconds = col.length / speed
    return Sprayed(column=col, volume=flow * seconds, duration=seconds, tip=tip)


def film(bays: Bays, passes: list[Sprayed], conditions: Conditions = NO_EXCHANGE) -> Laid:
    return lay_film(ground_of(bays, DOWN), passes, THIN, conditions=conditions)


@pytest.mark.parametrize("name", TIPS)
def test_film_is_linear_in_flow_and_inverse_in_pull_speed(name: str) -> None:
    bays, tip = ribbed(), TIPS[name]
    col = column(bays.mesh, bays, path(0.5, 0.3), tip)
    once = film(bays, [sprayed(col, tip)]).film.total
    assert film(bays, [sprayed(col, tip, flow=7.5e-6)]).film.total == pytest.approx(2.5 * once, rel=1e-12)
    assert film(bays, [sprayed(col, tip, speed=0.1)]).film.total == pytest.approx(0.5 * once, rel=1e-12)


@pytest.mark.parametrize("name", TIPS)
def test_two_half_pulls_are_one_pull(name: str) -> None:
    # Both halves end at a panel of stations, so all three sum the same terms: equal to single precision. What
    # rays say has landed, turned to fog and escaped is equal too, for the rays are those of each station.
    bays, tip = ribbed(), TIPS[name]
    scene, air = Scene(bays.mesh), air_of(bays.mesh, bays)
    # One side is left out, so that no film is made to sum to what the rays say has landed.
    targets = targets_of(bays.mesh, np.flatnonzero(bays.side_bay >= 0)[1:])
    whole, first, second = (
        pull_film(scene, targets, stations_for(scene, path(*ends), tip), tip, air=air)
        for ends in ((0.5, 0.3), (0.5, 0.4), (0.4, 0.3))
    )
    n = bays.mesh.n_sides
    halves = 0.5 * (first.dense(n) + second.dense(n))
    assert halves == pytest.approx(whole.dense(n), rel=1e-6, abs=1e-6 * float(whole.direct.max()))
    assert 0.5 * (first.fog_to_bay + second.fog_to_bay) == pytest.approx(whole.fog_to_bay, abs=1e-12)
    assert 0.5 * (first.escaped + second.escaped) == pytest.approx(whole.escaped, abs=1e-12)
    one = film(bays, [sprayed(whole, tip)])
    two = film(bays, [sprayed(first, tip), sprayed(second, tip)])
    assert two.film.total == pytest.approx(one.film.total, rel=1e-6, abs=1e-6 * one.film.total.max())
    assert two.ledger.settled == pytest.approx(one.ledger.settled, rel=1e-6)


@pytest.mark.parametrize("joint", [0.4, 0.4037])
def test_two_half_pulls_are_one_pull_within_the_errors_that_they_state(joint: float) -> None:
    # Cut anywhere, refined each by itself, and each made to sum to what its rays say has landed: what differs
    # is then the quadrature, so every side keeps to the errors that the three state for it, and all together
    # to a fifth of a per cent.
    bays, tip = ribbed(), TIPS["radial"]
    scene, air, targets = Scene(bays.mesh), air_of(bays.mesh, bays), targets_of(bays.mesh)
    ends = ((0.5, 0.3), (0.5, joint), (joint, 0.3))
    whole, first, second = (path_film(scene, targets, path(*end), tip, air=air) for end in ends)
    n, areas = bays.mesh.n_sides, ground_of(bays, DOWN).areas
    shares = (first.length / whole.length, second.length / whole.length)
    halves = shares[0] * first.dense(n) + shares[1] * second.dense(n)
    stated = _errors(whole, n) + shares[0] * _errors(first, n) + shares[1] * _errors(second, n)
    off = np.abs(halves - whole.dense(n))
    assert (off <= 0.02 * whole.dense(n) + 2.0 * stated + 1e-3 * whole.direct.mean()).all()
    assert off @ areas < 2e-3 * whole.landed
    assert halves @ areas == pytest.approx(whole.landed, rel=5e-4)


def _errors(col: Column, n_sides: int) -> np.ndarray:
    """Return the stated error (2n,) of each side's film in 1/m²."""
    errors = np.zeros(n_sides)
    assert col.errors is not None
    errors[col.sides] = col.errors
    return errors


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_a_mirrored_structure_gets_mirrored_film(axis: int) -> None:
    flip = np.where(np.arange(3) == axis, -1.0, 1.0)
    bays, tip = ribbed(), Tip(pattern="radial", spread=math.radians(60), throw=0.2)
    way = path(0.5, 0.3)
    mirrored = Mesh(
        points=bays.mesh.points * flip,
        faces=bays.mesh.faces[:, ::-1],
        face_parts=bays.mesh.face_parts,
        part_names=bays.mesh.part_names,
    )
    turned = TipPath(
        points=way.points * flip, axes=way.axes * flip, clocks=way.clocks * flip, depths=way.depths
    )
    here, there = column(bays.mesh, None, way, tip), column(mirrored, None, turned, tip)
    assert there.dense(mirrored.n_sides) == pytest.approx(here.dense(mirrored.n_sides), rel=1e-3, abs=1e-6)


@pytest.mark.parametrize("seed", range(4))
def test_more_occluders_never_add_direct_film(seed: int) -> None:
    random = np.random.default_rng(seed)
    box = subdivided(specimens.mended(specimens.box(SIZE)), 0.06).mesh
    corners = random.uniform([0.05, 0.02, 0.02], [0.55, 0.22, 0.14], (6, 1, 3))
    corners = corners + random.normal(0, 0.04, (6, 3, 3))
    plates = mesh_of(corners.reshape(-1, 3), np.arange(18).reshape(6, 3), part="plates")
    tip, pull = TIPS["radial"], stations_of(path(0.5, 0.2), 0.01)
    targets = targets_of(box, np.arange(box.n_sides), samples=4)
    # Asked for by sides, not for the whole, so that no film is scaled to the rays' total.
    bare = pull_film(Scene(box), _part(targets), pull, tip).dense(box.n_sides)
    behind = pull_film(Scene(joined([box, plates])), _part(targets), pull, tip).dense(box.n_sides)
    # Film is summed in single precision.
    assert (behind <= bare * (1 + 1e-6)).all()
    assert behind.sum() < bare.sum()


def _part(targets):
    """Return targets that do not claim to be the whole mesh."""
    return replace(targets, is_whole=False)


@pytest.mark.parametrize("name", TIPS)
def test_no_film_by_any_way_behind_a_sealed_wall(name: str) -> None:
    bays, tip = ribbed(hole=0.0), TIPS[name]
    col = column(bays.mesh, bays, path(0.15, 0.05), tip)
    result = film(bays, [sprayed(col, tip)], Conditions())
    tip_bay = int(np.argmax(col.fog_to_bay))
    others = (bays.side_bay >= 0) & (bays.side_bay != tip_bay)
    assert others.any()
    assert (result.film.total[others] == 0.0).all()


def test_settled_film_without_exchange_is_the_fog_that_entered_each_bay() -> None:
    bays, tip = ribbed(), TIPS["radial"]
    col = column(bays.mesh, bays, path(0.5, 0.1), tip)
    result = film(bays, [sprayed(col, tip)])
    inside = bays.side_bay >= 0
    areas = ground_of(bays, DOWN).areas
    lying = np.bincount(bays.side_bay[inside], (result.film.settled * areas)[inside], minlength=3)
    entered = sprayed(col, tip).volume * col.fog_to_bay[:3]
    # All but what formulas lay on downward-facing sides, next to nothing for such drops.
    assert lying == pytest.approx(entered, rel=1e-6)
    assert result.ledger.uncredited < 1e-9 * result.ledger.sprayed


@pytest.mark.parametrize("name", TIPS)
@pytest.mark.parametrize("hole", [0.0, 0.04, 0.08])
def test_the_ledger_closes_with_every_mechanism_pattern_and_opening(name: str, hole: float) -> None:
    bays, tip = ribbed(hole), TIPS[name]
    passes = [
        sprayed(column(bays.mesh, bays, path(0.15, 0.05, clock), tip), tip) for clock in (0.0, math.pi / 2)
    ]
    conditions = Conditions(settled=True, creep=True, run_off=True, settle_time=30.0)
    result = lay_film(ground_of(bays, DOWN, run_off=True), passes, THIN, conditions=conditions, uptake=0.5e-6)
    for ledger in (*result.ledgers, result.ledger):
        assert abs(ledger.gap) < 1e-6
    whole = result.ledger
    on_sides = whole.direct + whole.settled
    assert whole.retained + whole.run_off + whole.creep == pytest.approx(on_sides, rel=1e-6)
    assert whole.run_off == pytest.approx(result.pools.volumes.sum() + result.pools.out, rel=1e-9)


def test_a_smaller_hole_never_lets_more_film_into_the_next_bay() -> None:
    tip, wet = Tip(pattern="forward", spread=math.radians(90)), []
    for hole in (0.0, 0.03, 0.06, 0.09):
        bays = ribbed(hole)
        col = column(bays.mesh, bays, path(0.1, 0.05), tip, samples=4)
        far = bays.side_bay[col.sides] != bays.side_bay[col.sides[np.argmax(col.direct)]]
        wet.append(float((col.direct * col.areas)[far].sum()))
    assert wet[0] == 0.0
    assert (np.diff(wet) > 0).all()
