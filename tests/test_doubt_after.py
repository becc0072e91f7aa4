"""Chances after creep and run-off, against all mechanisms run sample by sample."""

from dataclasses import replace

import numpy as np
import pytest
from boxjob import BOX_JOB, write_box_job

from bayreach.deposit.creep import crept
from bayreach.deposit.laid import seams_in
from bayreach.doubt import Tolerances, asked_of, doubt_of, left_out, site_variants
from bayreach.doubt._after import seeping_of
from bayreach.doubt._chance import draws_for, films, films_within
from bayreach.job import load_job
from bayreach.run import Site, conditions_of, site_of, spray, written_pulls

WET = BOX_JOB.replace(
    'edge = "60 mm"\n',
    'edge = "20 mm"\nmechanisms = ["direct", "settled", "creep", "run_off"]\n'
    'drain_time = "2 min"\nseam_gap = "0.1 mm"\nseam_lap = "10 mm"\n'
    '[[surface]]\npart = "side_1_0"\nuptake = "3 um"\n',
)


@pytest.fixture(scope="module")
def wet(tmp_path_factory: pytest.TempPathFactory) -> Site:
    return site_of(load_job(write_box_job(tmp_path_factory.mktemp("wet"), WET)))


def test_what_must_lie_for_a_film_to_stay_is_the_least_of_which_it_stays(wet: Site) -> None:
    slopes, liquid = wet.ground.slopes, wet.job.liquid
    assert slopes is not None
    ids = np.flatnonzero(wet.inside)
    least = np.random.default_rng(3).uniform(1e-6, 60e-6, len(ids))
    needed = slopes.needed(least, ids, liquid, 120.0)
    film = np.zeros(wet.mesh.n_sides)
    film[ids] = np.where(np.isfinite(needed), needed, 1.0)
    stays = slopes.retained(film, liquid, 120.0)[ids]
    finite = np.isfinite(needed)
    assert 0.1 < finite.mean() < 0.9
    assert stays[finite] == pytest.approx(least[finite], rel=1e-12)
    assert (stays[~finite] < least[~finite]).all()
    # A hundredth less of film does not do.
    film[ids] *= 0.99
    assert (slopes.retained(film, liquid, 120.0)[ids][finite] < least[finite]).all()
    capped = finite & (needed > 1.001 * least)
    assert capped.sum() > 10


def test_the_chances_are_those_of_creep_and_run_off_run_for_every_sample(wet: Site) -> None:
    # The slow twin: each sample's film on all sides is put through uptake, creep and run-off as a spray's is.
    pulls, _ = written_pulls(wet)
    asked, tolerances = asked_of(wet), Tolerances()
    made = site_variants(wet, asked, pulls, tolerances, seed=5)(0)
    chosen = asked.ids[asked.chosen(np.random.default_rng((5, 0, 3)))]
    seams, conditions = seeping_of(wet), conditions_of(wet)
    assert seams is not None
    every = np.concatenate([chosen, seams.beside(chosen)])
    assert len(every) > len(chosen)
    draws = draws_for(made, 16, seed=(5, 0, 0))
    lies = films(made, draws, len(every), tolerances)
    assert made.needed is not None
    # Cut into two spans, as large structures are.
    spans = [(0, 50), (50, len(chosen))]
    film = np.concatenate([next(films_within(made, [draws], span, tolerances)) for span in spans], axis=1)
    quick = film >= made.needed
    slopes, liquid = wet.ground.slopes, wet.job.liquid
    assert slopes is not None
    changed = np.zeros(2)
    for sample in range(16):
        full = np.zeros(wet.mesh.n_sides)
        full[every] = lies[sample]
        free = np.maximum(full - wet.uptake, 0.0)
        taken = crept(
            seams_in(wet.ground, conditions),
            free,
            wet.side_areas,
            liquid=liquid,
            gap=conditions.seam_gap,
            lap=conditions.seam_lap,
            time=conditions.seam_time,
        ).taken
        stays = slopes.retained(free - taken, liquid, conditions.drain_time)[chosen]
        least = wet.job.target.film_min / wet.wet_share
        clear = np.abs(stays / least - 1) > 1e-5
        assert clear.mean() > 0.97
        assert np.array_equal(quick[sample][clear], (stays >= least)[clear])
        changed += [(taken[chosen] > 1e-6).sum(), ((free[chosen] >= least) & (stays < least)).sum()]
    assert changed[0] > 100
    assert changed[1] > 100


def test_with_exact_work_the_chance_is_the_map_of_what_stays(wet: Site) -> None:
    pulls, _ = written_pulls(wet)
    asked, exact = asked_of(wet), Tolerances().only()
    doubt = doubt_of(asked.sides, site_variants(wet, asked, pulls, exact), exact, samples=1)
    result = spray(wet.job)
    sure = np.isin(doubt.chance, [0.0, 1.0])
    enough = result.sides.film[asked.ids] >= wet.job.target.film_min
    covered = np.bincount(asked.group, enough * asked.piece_areas)
    share = covered / asked.sides.areas
    plain = np.isin(share, [0.0, 1.0]) & sure
    assert plain.mean() > 0.7
    assert (doubt.chance[plain] == share[plain]).mean() > 0.97
    # And it is not the map of what came to lie.
    dry = replace(wet.job, film=replace(wet.job.film, mechanisms=("direct", "settled")))
    bare = site_of(dry)
    assert bare.needed[asked.ids].max() < wet.needed[asked.ids].max()


@pytest.mark.parametrize(
    ("mechanisms", "words"),
    [
        (("direct", "creep", "run_off"), "Viscosity and times are as the job states them"),
        (("direct", "run_off"), "Creep is switched off in the job"),
        (("direct", "creep"), "the chances hold before liquid runs off"),
        (("direct", "settled"), "Creep and run-off are switched off in the job"),
    ],
    ids=lambda value: "+".join(value) if isinstance(value, tuple) else "",
)
def test_what_is_said_of_creep_and_run_off_follows_the_job(mechanisms: tuple[str, ...], words: str) -> None:
    assert words in left_out(mechanisms)[0]
