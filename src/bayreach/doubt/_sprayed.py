"""Passes of a site, sprayed as an unsteady hand sprays them."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from bayreach.arrays import FloatArray, IntArray
from bayreach.deposit.direct import pull_film, stations_for
from bayreach.doubt._chance import PassVariants
from bayreach.doubt._doubt import MakeVariants, SidesAsked
from bayreach.doubt._factors import Tolerances, normal_draws
from bayreach.doubt._moved import moved
from bayreach.run import Pull, Site, flying_of, settling_of
from bayreach.sight import Targets, targets_of
from bayreach.tips import Tip

STATES = 4
"""States of a tip in one replicate: spread, throw and droplet together, shared by a wand's passes."""
POSES = 4
"""Poses of a pass in one replicate, for each state of the tip."""
SAMPLES_A_SIDE = 4
"""Sample points a side, as in the nominal film."""


@dataclass(frozen=True, kw_only=True, eq=False)
class _TipState:
    """A tip as it happens to be, and the film (n_bays, n) in m that a m³ of its fog in each bay leaves."""

    tip: Tip
    settled: FloatArray


def sides_asked(site: Site) -> tuple[IntArray, SidesAsked]:
    """Return the ids (n,) of the sides that must be covered, and what is asked of them."""
    ids = np.flatnonzero(site.required)
    needed = site.job.target.film_min / site.wet_share + site.uptake[ids]
    return ids, SidesAsked(areas=site.side_areas[ids], needed=needed, bays=site.bays.side_bay[ids])


def site_variants(
    site: Site, pulls: Sequence[Pull], tolerances: Tolerances, *, seed: int = 0, samples: int = SAMPLES_A_SIDE
) -> MakeVariants:
    """Return what sprays `pulls` with fresh errors for every replicate.

    Direct film and settled fog are sprayed anew for every variant; creep and run-off are left out. A moved
    wand is not tested against the rim of its opening or against what stands inside.
    """
    ids, _ = sides_asked(site)
    targets = targets_of(site.mesh, ids, samples)
    wands = list(dict.fromkeys(pull.wand.name for pull in pulls))

    def spray(replicate: int) -> tuple[PassVariants, ...]:
        states = {
            name: _states(site, next(p.wand.tip for p in pulls if p.wand.name == name), tolerances, ids, key)
            for number, name in enumerate(wands)
            for key in [(seed, replicate, 1, number)]
        }
        made = []
        for number, pull in enumerate(pulls):
            errors = normal_draws(STATES * POSES, 6, seed=(seed, replicate, 2, number))
            films = _films(
                site,
                pull,
                targets,
                tolerances=tolerances,
                errors=errors,
                states=states[pull.wand.name],
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
    site: Site, tip: Tip, tolerances: Tolerances, ids: IntArray, seed: tuple[int, ...]
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
    return np.stack([settling.film(row)[ids] for row in np.eye(n_bays)])


def _films(
    site: Site,
    pull: Pull,
    targets: Targets,
    *,
    tolerances: Tolerances,
    errors: FloatArray,
    states: Sequence[_TipState],
) -> FloatArray:
    """Return the film (v, n) in 1/m² of each variant: poses of the first state, then of the next."""
    n_sides = len(targets.sides)
    place_of = np.zeros(site.mesh.n_sides, dtype=np.int64)
    place_of[targets.sides] = np.arange(n_sides)
    films = np.zeros((len(errors), n_sides))
    entry = pull.path.points[0] - pull.path.depths[0] * pull.path.axes[0]
    for row, error in enumerate(errors):
        state = states[row // POSES]
        path = moved(
            pull.wet_path,
            entry=entry,
            aim=pull.aim,
            tilt=tolerances.aim * error[:2],
            place=tolerances.place * error[2:4],
            depth=tolerances.depth * error[4],
            clock=tolerances.clock * error[5],
        )
        column = pull_film(
            site.scene,
            targets,
            stations_for(site.scene, path, state.tip),
            state.tip,
            air=site.air,
            flying=flying_of(site, state.tip),
        )
        films[row, place_of[column.sides]] = column.direct
        films[row] += column.fog_to_bay[:-1] @ state.settled
    return films
