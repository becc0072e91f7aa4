"""Compiled: films of a pull or of fog added to a run of samples, and what they cover, in a fixed order."""

import numpy as np
from numpy.typing import NDArray

from bayreach.arrays import FloatArray, IntArray
from bayreach.deposit.creep import WET_FROM
from bayreach.rays.compiling import compiled

Singles = NDArray[np.float32]


@compiled
def add_pull(total: Singles, sides: IntArray, table: Singles, rows: IntArray, amounts: Singles) -> None:
    """Add to `total` (s, n), at `sides` (k,), row `rows[i]` of `table` (v, k) times `amounts[i]`."""
    for sample in range(len(rows)):
        row, amount = rows[sample], amounts[sample]
        for place in range(len(sides)):
            total[sample, sides[place]] += amount * table[row, place]


@compiled
def add_fog(total: Singles, settled: Singles, states: IntArray, put: Singles) -> None:
    """Add to `total` (s, n) what `put` (s, b) m³ of fog leave, `settled` (m, b, n), in `states` (s,)."""
    for sample in range(len(states)):
        row = total[sample]
        for bay in range(put.shape[1]):
            amount = put[sample, bay]
            if amount != 0.0:
                film = settled[states[sample], bay]
                for side in range(len(row)):
                    row[side] += amount * film[side]


@compiled
def count_covered(
    film: Singles, needed: Singles, weights: FloatArray, counts: IntArray, shares: FloatArray
) -> None:
    """Count in `counts` (n,) the samples of `film` (s, n) that reach `needed`; add their weights to `shares`.

    Weights are added one after the other, so that a share does not depend on how many threads there are.
    """
    for sample in range(film.shape[0]):
        share, row = 0.0, film[sample]
        for side in range(len(row)):
            is_covered = row[side] >= needed[side]
            counts[side] += is_covered
            share += weights[side] * is_covered
        shares[sample] = share


@compiled
def draw_off(
    film: Singles,
    meetings: tuple[IntArray, IntArray, FloatArray],
    draws: FloatArray,
    areas: FloatArray,
    uptake: FloatArray,
) -> None:
    """Take from each sample of `film` (s, n) what seams draw, up to `draws` (k,) m³ each; see `crept`.

    `meetings` are the seams (m,), places (m,) and parts (m,) of `Seeping`, as `areas` (n,) m² and `uptake`
    (n,) m are. Sums run in their order and in double precision.
    """
    seams, places, parts = meetings
    free, lost, offered = np.zeros(len(areas)), np.zeros(len(areas)), np.zeros(len(draws))
    for sample in range(len(film)):
        row = film[sample]
        lost[:] = 0.0
        offered[:] = 0.0
        for side in places:
            beyond = row[side] - uptake[side]
            free[side] = beyond if beyond >= WET_FROM else 0.0
        for k in range(len(seams)):
            offered[seams[k]] += free[places[k]] * areas[places[k]] * parts[k]
        for k in range(len(seams)):
            if offered[seams[k]] > 0.0:
                share = min(1.0, draws[seams[k]] / offered[seams[k]])
                lost[places[k]] += share * free[places[k]] * parts[k]
        for side in range(len(lost)):
            row[side] -= lost[side]
