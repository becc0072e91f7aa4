"""The MILP of the work that is left: some passes, some sides, what they cost and must reach."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from bayreach.arrays import FloatArray, IntArray
from bayreach.cover._field import REACHED, Field
from bayreach.cover._model import Model
from bayreach.cover._problem import ROUND_OFF

if TYPE_CHECKING:
    from scipy.sparse import csr_matrix


@dataclass(frozen=True, kw_only=True, eq=False)
class Rows:
    """Sides that a restricted problem knows: those to be covered, and those that may be too wet."""

    covered: IntArray
    heavy: IntArray

    def joined(self, covered: IntArray, heavy: IntArray) -> "Rows":
        """Return the rows with more of both."""
        return Rows(covered=np.union1d(self.covered, covered), heavy=np.union1d(self.heavy, heavy))


def every_row(field: Field) -> Rows:
    """Return all sides of a field, and those that all passes together can make too wet."""
    heavy = (field.levels(field.most) > field.limit) & (field.surplus_price > 0)
    return Rows(covered=np.arange(len(field.areas)), heavy=np.flatnonzero(heavy))


@dataclass(frozen=True, kw_only=True, eq=False)
class Parts:
    model: Model
    made: IntArray
    amount: IntArray
    covered: IntArray
    entries: IntArray
    pairs: IntArray
    surplus: IntArray
    passes: IntArray  # field columns in the model
    rows: Rows


def work_model(field: Field, passes: IntArray, rows: Rows, *, reward: FloatArray | None = None) -> Parts:
    """Build the MILP of some passes and sides of `field`; sides left out count as covered.

    min Σ fixed x + unit t + entry u + pair v + surplus o − reward z, with least x ≤ t ≤ most x, S t ≥ z, V
    x ≥ z where
    V = min(1, S most), S t − o ≤ limit, x ≤ v ≤ u, Σ x per entry and in all limited, areas z and weights z
    ≥ what is asked.
    """
    from scipy.sparse import coo_matrix, diags, identity

    model, sides = Model(), rows.covered
    n = len(passes)
    most = field.most[passes]
    made = model.add_columns(n, cost=field.fixed[passes], integer=True)
    amount = model.add_columns(n, cost=field.unit[passes], upper=most)
    pair_names, pair_place = np.unique(field.pair[passes], return_inverse=True)
    entry_names = np.unique(field.lets_in[:, passes].tocoo().row).astype(np.int64)
    pairs = model.add_columns(len(pair_names), cost=field.pair_price[pair_names], integer=True)
    entries = model.add_columns(len(entry_names), cost=field.entry_price[entry_names], integer=True)
    gain = np.zeros(len(sides)) if reward is None else reward[sides]
    covered = model.add_columns(len(sides), cost=-gain, lower=_must(field)[sides], integer=True)
    greatest = np.asarray(field.rows[rows.heavy][:, passes] @ most)
    surplus = model.add_columns(len(rows.heavy), cost=field.surplus_price[rows.heavy], upper=greatest)
    eye = identity(n)
    if n:
        model.add_rows([(eye, amount), (diags(-most), made)], upper=0.0)
        model.add_rows([(eye, amount), (diags(-field.least[passes]), made)], lower=0.0)
        to_pair = coo_matrix((np.ones(n), (np.arange(n), pair_place.ravel())), shape=(n, len(pair_names)))
        model.add_rows([(eye, made), (-to_pair, pairs)], upper=0.0)
        table = field.lets_in[entry_names][:, passes]
        model.add_rows([(eye, made), (-table.T, entries)], upper=0.0)
        if field.most_passes < len(field.passes):
            model.add_rows([(np.ones((1, n)), made)], upper=float(field.most_passes))
        if field.most_per_entry < len(field.passes):
            of_entry = coo_matrix(
                (np.ones(n), (np.searchsorted(entry_names, field.entry[passes]), np.arange(n))),
                shape=(len(entry_names), n),
            )
            model.add_rows([(of_entry, made)], upper=float(field.most_per_entry))
        _add_hole_rules(field, model, entries, entry_names)
    parts = Parts(
        model=model,
        made=made,
        amount=amount,
        covered=covered,
        entries=entries,
        pairs=pairs,
        passes=passes,
        surplus=surplus,
        rows=rows,
    )
    _add_sides(field, parts)
    return parts


def _add_way_in_rows(field: Field, parts: Parts, strengths: "csr_matrix") -> None:
    """Add W u ≥ z for entries and for wands at entries: what all passes of one bring to a side.

    They say nothing new of whole numbers, but keep the relaxation from opening a tenth of every way in.
    """
    from scipy.sparse import csr_matrix, diags, identity

    model, passes = parts.model, parts.passes
    reach = strengths @ diags(field.most[passes])
    names = np.unique(field.pair[passes])
    place = np.searchsorted(names, field.pair[passes])
    of_pair = csr_matrix(
        (np.ones(len(passes)), (np.arange(len(passes)), place)), shape=(len(passes), len(names))
    )
    opened = np.unique(field.lets_in[:, passes].tocoo().row)
    of_entry = field.lets_in[opened][:, passes].T
    for group, columns in ((of_pair, parts.pairs), (of_entry, parts.entries)):
        brought = csr_matrix(reach @ group)
        brought.data = np.minimum(brought.data, 1.0)
        model.add_rows([(brought, columns), (-identity(len(parts.rows.covered)), parts.covered)], lower=0.0)


def _must(field: Field) -> FloatArray:
    """Return (n_sides,) 1 for sides without which what is asked cannot be had, else 0."""
    must = np.zeros(len(field.areas), dtype=bool)
    for values, asked in ((field.areas, field.need_area), (field.weights, field.need_weight)):
        must |= values > float(values.sum()) - asked * REACHED + 1e-15
    return must.astype(np.float64)


def _add_hole_rules(field: Field, model: Model, entries: IntArray, names: IntArray) -> None:
    new = field.is_new[names]
    if field.most_new < new.sum():
        model.add_rows([(new[None, :].astype(float), entries)], upper=float(field.most_new))
    pairs = field.conflicts[np.isin(field.conflicts, names).all(axis=1)]
    if len(pairs):
        rows = np.zeros((len(pairs), len(names)))
        rows[np.arange(len(pairs))[:, None], np.searchsorted(names, pairs)] = 1.0
        model.add_rows([(rows, entries)], upper=1.0)


def _add_sides(field: Field, parts: Parts) -> None:
    from scipy.sparse import diags, identity

    model, sides, passes = parts.model, parts.rows.covered, parts.passes
    left_out = np.ones(len(field.areas), dtype=bool)
    left_out[sides] = False
    if len(sides) and len(passes):
        strengths = field.rows[sides][:, passes]
        eye = identity(len(sides))
        model.add_rows([(strengths, parts.amount), (-eye, parts.covered)], lower=0.0)
        reach = (strengths @ diags(field.most[passes])).tocsr()
        reach.data = np.minimum(reach.data, 1.0)
        model.add_rows([(reach, parts.made), (-eye, parts.covered)], lower=0.0)
        _add_way_in_rows(field, parts, strengths)
    heavy = parts.rows.heavy
    if len(heavy) and len(passes):
        blocks = [(field.rows[heavy][:, passes], parts.amount), (-identity(len(heavy)), parts.surplus)]
        model.add_rows(blocks, upper=field.limit[heavy])
    for values, asked in ((field.areas, field.need_area), (field.weights, field.need_weight)):
        lacking = asked * REACHED - 1e-15 - float(values[left_out].sum())
        scale = max(float(values[sides].sum()), 1e-300)
        if lacking > 0:
            row = values[sides][None, :] / scale
            model.add_rows([(row, parts.covered)], lower=lacking / scale - 10.0 * ROUND_OFF)


def point_of(field: Field, parts: Parts, amounts: FloatArray) -> FloatArray | None:
    """Return the model's point for a plan, or None where the plan uses passes that the model lacks."""
    outside = amounts.copy()
    outside[parts.passes] = 0.0
    if outside.any():
        return None
    values = np.zeros(parts.model.n_columns)
    used = amounts[parts.passes] > 0
    values[parts.made], values[parts.amount] = used, amounts[parts.passes]
    levels = field.levels(amounts)
    values[parts.covered] = levels[parts.rows.covered] >= REACHED
    values[parts.surplus] = np.maximum(0.0, (levels - field.limit)[parts.rows.heavy])
    values[parts.pairs] = np.isin(np.unique(field.pair[parts.passes]), field.pair[parts.passes[used]])
    opened = np.unique(field.lets_in[:, parts.passes].tocoo().row)
    values[parts.entries] = np.isin(opened, field.entry[parts.passes[used]])
    return values
