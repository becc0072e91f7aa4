"""What the commands print of liquid after the last pull: where it runs, creeps, weighs and hangs."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from bayreach.outcome import MistRecord, Outcome

SHOWN = 6
"""Pools and drips printed, the largest first; the rest is counted."""


def in_mm(point: Sequence[float]) -> str:
    """Return a place given in m as words in mm.

    >>> in_mm((0.1, 0.0, -0.02))
    '100.0, 0.0, -20.0'
    """
    return ", ".join(f"{1e3 * part:z.1f}" for part in point)


def flow_lines(outcome: "Outcome") -> list[str]:
    """Return pools, drips, creep, added mass and mist: figures for a person to judge, never a verdict.

    Nothing is said of what was not reckoned: of run-off and creep only where those are on, of mist where fog
    settles.
    """
    lines = [*_pool_lines(outcome), *_drip_lines(outcome), *_creep_lines(outcome)]
    if lines or outcome.balances:
        lines += _mass_lines(outcome)
    return [*lines, *_balance_lines(outcome), *_mist_lines(outcome)]


def _pool_lines(outcome: "Outcome") -> list[str]:
    pools = sorted(outcome.pools, key=lambda pool: -pool.volume_m3)
    lines = [
        f"pool {_millilitres(pool.volume_m3)} in {pool.bay} at {in_mm(pool.center_m)} mm"
        + ("" if pool.depth_m is None else f", {1e3 * pool.depth_m:z.1f} mm deep")
        for pool in pools[:SHOWN]
    ]
    return lines + _more(len(pools), "pools", sum(pool.volume_m3 for pool in pools[SHOWN:]))


def _drip_lines(outcome: "Outcome") -> list[str]:
    drips = sorted(outcome.drips, key=lambda drip: -drip.volume_m3)
    lines = [
        f"out of {drip.opening} {_millilitres(drip.volume_m3)};"
        f" a plug there would keep {_millilitres(drip.kept_in_if_plugged_m3)} in"
        for drip in drips[:SHOWN]
    ]
    return lines + _more(len(drips), "openings drip", sum(drip.volume_m3 for drip in drips[SHOWN:]))


def _creep_lines(outcome: "Outcome") -> list[str]:
    creep = outcome.creep
    if creep is None:
        return []
    return [
        f"seams fed {creep.fed_m:z.2f} m, unfed {creep.unfed_m:z.2f} m;"
        f" {_millilitres(creep.volume_m3)} crept in, {1e3 * creep.greatest_depth_m:z.1f} mm at most"
    ]


def _mass_lines(outcome: "Outcome") -> list[str]:
    wet = sum(load.film_kg + load.pool_kg for load in outcome.loads)
    dry = sum(load.dry_kg for load in outcome.loads)
    return [f"added mass {1e3 * wet:z.1f} g wet, {1e3 * dry:z.1f} g dry"]


def _balance_lines(outcome: "Outcome") -> list[str]:
    return [
        f"moment of the liquid left about {balance.name}:"
        f" {balance.wet_n_m:z.4f} N m wet, {balance.dry_n_m:z.4f} N m dry"
        for balance in outcome.balances
    ]


def _mist_lines(outcome: "Outcome") -> list[str]:
    if not outcome.mist:
        return []
    worst = max(outcome.mist, key=lambda mist: mist.airborne_kg_m3)
    longest = max(mist.time_to_95_s for mist in outcome.mist)
    vapour = max(outcome.mist, key=_vapour)
    return [
        f"95 % of the fog has settled after {longest:z.0f} s",
        f"vapour while the film dries up to {1e3 * _vapour(vapour):z.2g} g/m3, in {vapour.bay}",
        f"mist in {worst.bay} up to {1e3 * worst.airborne_kg_m3:z.2g} g/m3; compare:",
        *(f"  {1e3 * limit.value_kg_m3:z.3g} g/m3 {limit.name}" for limit in outcome.mist_limits),
    ]


def _vapour(mist: "MistRecord") -> float:
    """Return the vapour of all passes in kg/m³, no more than air can hold where that is known."""
    return mist.vapour_if_all_dries_kg_m3 if mist.vapour_kg_m3 is None else mist.vapour_kg_m3


def _millilitres(volume: float) -> str:
    return f"{1e6 * volume:z.1f} mL"


def _more(count: int, words: str, volume: float) -> list[str]:
    return [f"{count - SHOWN} more {words}, {_millilitres(volume)} together"] if count > SHOWN else []
