"""Passes of a site, sprayed as an unsteady hand sprays them."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from bayreach.arrays import FloatArray, IntArray
from bayreach.deposit import direct
from bayreach.deposit.direct import columns, wet_part
from bayreach.doubt._chance import PassVariants
from bayreach.doubt._doubt import MakeVariants, SidesAsked
from bayreach.doubt._factors import Tolerances, normal_draws
from bayreach.doubt._moved import moved
from bayreach.poses import stations_of
from bayreach.run import Pull, Site, flying_of, settling_of
from bayreach.sight import Targets, targets_of
from bayreach.tips import Tip

STATES = 4
"""States of a tip in one replicate: spread, throw and droplet together, shared by a wand's passes."""
POSES = 4
"""Poses of a pass in one replicate, for each state of the tip."""


STEP = 10e-3
"""Distance in m between stations: coarser than the nominal spray's, as pose errors blur the difference."""


@dataclass(frozen=True, kw_only=True, eq=False)
class _TipState:
    """A tip as it happens to be, and the film (n_bays, n) in m that a m³ of its fog in each bay leaves."""

    tip: Tip
    settled: FloatArray


@dataclass(frozen=True, kw_only=True, eq=False)
class Asked:
    """The sides asked about, gathered by side of the mesh as it was read.

    Parameters
    ----------
    ids : (k,) int
        Required sides of the working mesh, rising.
    group : (k,) int
        The side of the mesh as read that each is a piece of: a place in the arrays of `sides`.
    sides : SidesAsked
        What is asked of each side of the mesh as read; its area is that of its required pieces.
    piece_areas : (k,) float
        Areas of the pieces in m².
    """

    ids: IntArray
    group: IntArray
    sides: SidesAsked
    piece_areas: FloatArray

    def chosen(self, rng: np.random.Generator) -> IntArray:
        """Return one piece (n,) of each side, a place in `ids`, chosen at random by area."""
        order = np.argsort(self.group, kind="stable")
        ends = np.cumsum(self.piece_areas[order])
        last = np.flatnonzero(np.diff(self.group[order], append=-1))
        firsts = np.concatenate([[0.0], ends[last][:-1]])
        wanted = firsts + rng.random(len(last)) * (ends[last] - firsts)
        return np.asarray(order[np.minimum(np.searchsorted(ends, wanted), last)])


def asked_of(site: Site) -> Asked:
    """Return the required sides, gathered by side of the mesh as read."""
    ids = np.flatnonzero(site.required)
    source = 2 * site.bays.source_faces[ids // 2] + ids % 2
    # A side of the mesh as read may have pieces in two bays, or pieces with different needs.
    needed = site.job.target.film_min / site.wet_share + site.uptake[ids]
    keys = np.stack([source, site.bays.side_bay[ids], np.round(needed * 1e9).astype(np.int64)], axis=1)
    _, first, group = np.unique(keys, axis=0, return_index=True, return_inverse=True)
    areas = site.side_areas[ids]
    group = group.reshape(-1)
    sides = SidesAsked(
        areas=np.bincount(group, weights=areas).astype(np.float64),
        needed=needed[first],
        bays=site.bays.side_bay[ids[first]],
    )
    return Asked(ids=ids, group=group, sides=sides, piece_areas=areas)


def site_variants(
    site: Site, asked: Asked, pulls: Sequence[Pull], tolerances: Tolerances, *, seed: int = 0
) -> MakeVariants:
    """Return what sprays `pulls` with fresh errors for every replicate.

    Direct film and settled fog are sprayed anew for every variant, on the middle of one piece of each
    side, chosen anew by area for each replicate; creep and run-off are left out. A moved wand is not tested
    against the rim of its opening or against what stands inside.
    """
    wands = list(dict.fromkeys(pull.wand.name for pull in pulls))
    tips = {pull.wand.name: pull.wand.tip for pull in pulls}

    def spray(replicate: int) -> tuple[PassVariants, ...]:
        pick = asked.chosen(np.random.default_rng((seed, replicate, 3)))
        order = np.argsort(asked.ids[pick])
        ids = asked.ids[pick][order]
        targets = targets_of(site.mesh, ids, samples=1)
        states = {
            name: _states(site, tips[name], tolerances, ids, seed=(seed, replicate, 1, number))
            for number, name in enumerate(wands)
        }
        made = []
        for number, pull in enumerate(pulls):
            errors = normal_draws(STATES * POSES, 6, seed=(seed, replicate, 2, number))
            films = np.zeros((len(errors), len(ids)))
            films[:, order] = _films(
                site, pull, targets, tolerances=tolerances, errors=errors, states=states[pull.wand.name]
            )
            wet = np.flatnonzero((films > 0.0).any(axis=0))
            made.append(
                PassVariants(
                    sides=wet,
                    films=films[:, wet].reshape(STATES, POSES, -1).astype(np.float32),
                    wand=wands.index(pull.wand.name),
                    volume=pull.volume,
                    pulls=pull.count,
                )
            )
        return tuple(made)

    return spray


def _states(
    site: Site, tip: Tip, tolerances: Tolerances, ids: IntArray, *, seed: tuple[int, ...]
) -> list[_TipState]:
    found = []
    for spread, throw, droplet in np.exp(
        normal_draws(STATES, 3, seed=seed) * [tolerances.spread, tolerances.throw, tolerances.droplet]
    ):
        state = replace(
            tip,
            spread=float(min(tip.spread * spread, np.pi)),
            throw=tip.throw * float(throw),
            droplet=tip.droplet * float(droplet),
        )
        found.append(_TipState(tip=state, settled=_settled(site, state, ids)))
    return found


def _settled(site: Site, tip: Tip, ids: IntArray) -> FloatArray:
    """Return the film (n_bays, n) in m on the sides asked about per m³ of fog put into each bay."""
    n_bays = len(site.bays.bays)
    if "settled" not in site.job.film.mechanisms or not np.isfinite(tip.throw):
        return np.zeros((n_bays, len(ids)))
    settling = settling_of(site, tip)
    asked = replace(settling, side_bay=settling.side_bay[ids], rise=settling.rise[ids])
    return np.stack([asked.film(row) for row in np.eye(n_bays)])


def _films(
    site: Site,
    pull: Pull,
    targets: Targets,
    *,
    tolerances: Tolerances,
    errors: FloatArray,
    states: Sequence[_TipState],
) -> FloatArray:
    """Return the film (v, n) in 1/m² of each variant on each target side; poses of a state stand together."""
    films = np.zeros((len(errors), targets.n_sides))
    lag = pull.wand.lag if pull.path.length else 0.0
    wet = wet_part(pull.path, speed=pull.speed, lag=lag)
    if wet is None:
        return films
    stations = stations_of(wet, STEP)
    entry = pull.path.points[0] - pull.path.depths[0] * pull.path.axes[0]
    flying = [flying_of(site, state.tip) for state in states]
    varied = [
        direct.Pull(
            stations=moved(
                stations,
                entry=entry,
                aim=pull.aim,
                tilt=tolerances.aim * error[:2],
                place=tolerances.place * error[2:4],
                depth=tolerances.depth * error[4],
                clock=tolerances.clock * error[5],
            ),
            tip=states[row // POSES].tip,
            flying=flying[row // POSES],
        )
        for row, error in enumerate(errors)
    ]
    place_of = np.zeros(site.mesh.n_sides, dtype=np.int64)
    place_of[targets.sides] = np.arange(targets.n_sides)
    for row, column in enumerate(columns(site.scene, targets, varied, air=site.air)):
        films[row, place_of[column.sides]] = column.direct
        films[row] += column.fog_to_bay[:-1] @ states[row // POSES].settled
    return films
