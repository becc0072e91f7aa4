"""Mist and vapour figures: mass over air space, bounded by the course of settling, without a verdict."""

from dataclasses import replace

import numpy as np
import pytest

from bayreach.deposit import mist
from bayreach.deposit.mist import LIMITS, mist_figures
from bayreach.deposit.settled import airways, fog_classes, settled_per_fog
from bayreach.liquids import Liquid

OIL = Liquid(density=900.0, viscosity=0.01, surface_tension=0.028, volume_solids=0.5)
# One bay of 0.6 x 0.4 x 0.25 m.
AREAS = np.array([0.24, 0.24, 0.3, 0.2])
RISE = np.array([1.0, -1.0, 0.0, 0.0])
BAY = np.zeros(4, dtype=np.int64)


def fate(droplet: float = 20e-6):
    air = airways([0.06], [[0, -1]], [2e-3])
    return settled_per_fog(
        side_bay=BAY, side_areas=AREAS, rise=RISE, airways=air,
        classes=fog_classes(droplet, 1.8), density=OIL.density,
    )  # fmt: skip


def test_fog_over_air_space_bounds_the_mist_in_the_air() -> None:
    # 200 mL/min for 20 s is 66.7 mL; 40 % of it in 0.06 m³ at 900 kg/m³ is 400 g/m³ before any settles.
    fog = np.array([0.4 * 200e-6 / 60 * 20])
    figures = mist_figures(fate(), fog, fog, duration=20.0, liquid=OIL)
    assert figures.airborne_unsettled == pytest.approx([0.4], rel=1e-9)
    assert 0 < figures.airborne[0] < figures.airborne_unsettled[0]
    assert figures.airborne[0] > 1000 * LIMITS[0].value


def test_a_short_pull_leaves_all_its_fog_and_a_long_one_a_balance_of_feed_and_settling() -> None:
    fog = np.array([1e-6])
    short = mist_figures(fate(), fog, fog, duration=1e-6, liquid=OIL)
    assert short.airborne == pytest.approx(short.airborne_unsettled, rel=1e-6)
    # Feeding for T much longer than settling takes leaves feed rate x mean life = fog / T x exposure x
    # volume.
    settled = fate()
    life = float((settled.shares * settled.exposures[:, 0, 0]).sum()) * 0.06
    long = mist_figures(settled, fog, fog, duration=1e7, liquid=OIL)
    assert long.airborne == pytest.approx(OIL.density * fog / 1e7 * life / 0.06, rel=1e-3)


def test_airborne_mist_is_the_mean_over_the_moments_it_came_in() -> None:
    settled = fate()
    moments = (np.arange(2000) + 0.5) / 2000 * 30.0
    parts = [
        share * np.mean([dying.airborne(np.array([1e-6]), moment)[0] for moment in moments])
        for share, dying in zip(settled.shares, settled.decays, strict=True)
    ]
    assert settled.airborne_after_feeding([1e-6], 30.0) == pytest.approx([sum(parts)], rel=1e-5)


def test_vapour_counts_the_solvent_of_all_liquid_in_the_bay() -> None:
    # 100 mL at half solids: 50 mL of 900 kg/m³ in 0.06 m³.
    figures = mist_figures(fate(), np.array([0.0]), np.array([100e-6]), duration=1.0, liquid=OIL)
    assert figures.vapour_if_all_dries == pytest.approx([50e-6 * 900 / 0.06], rel=1e-12)


def test_vapour_is_bounded_by_what_air_can_hold() -> None:
    # A mineral spirit of 2 mmHg and 142 g/mol (trade practice, from memory): p M / (R T) = 266.6 x 0.142 /
    # (8.314 x 293.15) = 15.5 g/m³, however much of it dries; a little of it is all in the air.
    spirit = replace(OIL, vapour_pressure=266.645, molar_mass=0.142)
    for left, expected in ((100e-6, 15.53e-3), (1e-6, 0.5e-6 * 900 / 0.06)):
        figures = mist_figures(fate(), np.array([0.0]), np.array([left]), duration=1.0, liquid=spirit)
        assert figures.vapour == pytest.approx([expected], rel=1e-3)
    unknown = mist_figures(fate(), np.array([0.0]), np.array([100e-6]), duration=1.0, liquid=OIL)
    assert unknown.vapour.tolist() == unknown.vapour_if_all_dries.tolist()


def test_saturated_still_air_passes_a_tenth_of_the_flammable_limit_but_not_the_limit() -> None:
    # 0.9 % by volume is 53 g/m³ (from memory): 15.5 g/m³ lies above a tenth of it and below the whole.
    saturation = replace(OIL, vapour_pressure=266.645, molar_mass=0.142).saturation
    (tenth,) = [limit.value for limit in LIMITS if "vapour" in limit.name]
    assert tenth < saturation < 10 * tenth


def test_every_limit_names_its_source_and_nothing_gives_a_verdict() -> None:
    assert all(limit.source for limit in LIMITS)
    words = " ".join([limit.name + limit.source for limit in LIMITS] + list(mist.MistFigures.__annotations__))
    assert "safe" not in words.replace("safety", "")
