"""Loops over the film of passes, compiled: what raising each would gain, how far one can come down."""

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from bayreach.arrays import FloatArray, IntArray
from bayreach.rays.compiling import compiled

if TYPE_CHECKING:
    from scipy.sparse import csr_matrix

Indices = np.ndarray[Any, np.dtype[np.signedinteger[Any]]]


class Rows(NamedTuple):
    """A table by rows (sides): where each begins, the columns (passes) of its entries, their strengths."""

    starts: Indices
    columns: Indices
    strengths: FloatArray


class Column(NamedTuple):
    """One pass: the sides that it wets, and the needs of film a unit of its amount brings each."""

    sides: Indices
    strengths: FloatArray


class Asked(NamedTuple):
    """What sides count for, and how much more than what is asked is covered of each."""

    areas: FloatArray
    weights: FloatArray
    spare_area: float
    spare_weight: float


def rows_of(table: "csr_matrix") -> Rows:
    """Return a table for the loops; nothing is copied."""
    return Rows(starts=table.indptr, columns=table.indices, strengths=table.data)


@compiled
def gains_of(
    rows: Rows, dry: IntArray, missing: FloatArray, worth: FloatArray, more: FloatArray
) -> FloatArray:
    """Return (n_steps, n_passes) what it gains to raise a pass by `more` (n_steps, n_passes).

    Each of the `dry` sides (k,) gains its `worth` (k,) times the film that comes, as far as it is `missing`
    (k,), in needs.
    """
    gains = np.zeros(more.shape)
    for place in range(len(dry)):
        lacks, value = missing[place], worth[place]
        for entry in range(rows.starts[dry[place]], rows.starts[dry[place] + 1]):
            column, strength = rows.columns[entry], rows.strengths[entry]
            for step in range(len(more)):
                film = strength * more[step, column]
                if film > 0.0:
                    gains[step, column] += min(film, lacks) * value
    return gains


@compiled
def lowest_of(column: Column, amount: float, levels: FloatArray, asked: Asked, reached: float) -> float:
    """Return the least amount of one pass that keeps what is asked met; 0 where it is not needed.

    The sides that only this pass brings up to `reached` are dropped from the most demanding on, while the
    area and the weight that are more than asked allow. `levels` (n_sides,) are with `amount`, in needs.
    """
    count = 0
    wanted, places = np.zeros(len(column.sides)), np.zeros(len(column.sides), dtype=np.int64)
    for place in range(len(column.sides)):
        level, strength = levels[column.sides[place]], column.strengths[place]
        others = level - strength * amount
        if strength > 0.0 and others < reached and level >= reached:
            wanted[count], places[count] = (reached - others) / strength, place
            count += 1
    area, weight = 0.0, 0.0
    for turn in np.argsort(-wanted[:count], kind="mergesort"):
        side = column.sides[places[turn]]
        area += asked.areas[side]
        weight += asked.weights[side]
        if area > asked.spare_area or weight > asked.spare_weight:
            return float(wanted[turn])
    return 0.0


@compiled
def shift(column: Column, more: float, levels: FloatArray) -> None:
    """Add `more` of a pass to the `levels` (n_sides,)."""
    for place in range(len(column.sides)):
        levels[column.sides[place]] += column.strengths[place] * more
