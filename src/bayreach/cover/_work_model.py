"""The MILP of the work that is left: passes, the sides it knows, what they cost and must reach."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from bayreach.arrays import FloatArray, IntArray
from bayreach.cover._field import Field
from bayreach.cover._model import Model
from bayreach.cover._problem import ROUND_OFF

if TYPE_CHECKING:
    from scipy.sparse import csr_matrix


@dataclass(kw_only=True, eq=False)
class WorkModel:
    """min Σ fixed x + unit t + entry u + pair v + price o + θ over the sides known so far.

    With least x ≤ t ≤ most x, x ≤ v, x ≤ Σ u of the entries that let it in, and for each known side
    S t + d ≥ 1, V x + d ≥ 1 where V = min(1, S most), the same for all passes of a wand at an entry with v
    and of an entry with u; Σ areas d and Σ weights d no more than may stay dry. Sides not known count as
    covered, so every model is a relaxation and the rows can be added one by one. Surplus film is o ≥ S t −
    limit on the sides in `heavy` and θ, kept by `add_surplus`, on all others.
    """

    field: Field
    model: Model
    made: IntArray
    amount: IntArray
    pairs: IntArray
    entries: IntArray
    surplus: IntArray
    theta: int
    heavy: IntArray  # sides whose surplus has a row of its own
    sides: IntArray  # sides known, in the order they came
    dry: IntArray  # their columns
    spare: tuple[tuple[int, FloatArray], ...]  # rows of what may stay dry, and what each side takes of it
    whole: bool = True

    def add_sides(self, sides: IntArray, *, cost: FloatArray | float = 0.0) -> None:
        """Make more sides known; each leaves at `cost` when it stays dry."""
        from scipy.sparse import identity

        field, model = self.field, self.model
        upper = 1.0 - _must(field)[sides]
        columns = model.add_columns(len(sides), cost=cost, upper=upper, integer=self.whole)
        for row, share in self.spare:
            model.add_entries(row, columns, share[sides])
        eye = identity(len(sides))
        for table, others in (
            (field.thin, self.amount),
            (field.reach, self.made),
            (field.pair_reach, self.pairs),
            (field.entry_reach, self.entries),
        ):
            model.add_rows([(table[sides], others), (eye, columns)], lower=1.0)
        self.sides = np.concatenate([self.sides, sides])
        self.dry = np.concatenate([self.dry, columns])

    def add_surplus(self, of_amount: FloatArray, of_made: FloatArray, constant: float) -> None:
        """Add θ ≥ of_amount · t + of_made · x − constant."""
        theta = np.array([self.theta])
        blocks = [(of_amount[None, :], self.amount), (of_made[None, :], self.made), (-np.ones((1, 1)), theta)]
        self.model.add_rows(blocks, upper=constant)

    def add_mixed(
        self, places: IntArray, of_amount: "csr_matrix", of_made: "csr_matrix", of_pair: FloatArray
    ) -> None:
        """Add of_amount t + of_made x + of_pair v + d ≥ 1 for the known sides at `places`."""
        from scipy.sparse import identity

        eye = identity(len(places))
        blocks = [(of_amount, self.amount), (of_made, self.made), (of_pair, self.pairs)]
        self.model.add_rows([*blocks, (eye, self.dry[places])], lower=1.0)

    def add_lacking(
        self,
        spare: tuple[int, FloatArray],
        of_amount: FloatArray,
        of_made: FloatArray,
        of_pair: FloatArray,
        *,
        most: float,
    ) -> None:
        """Add what unknown sides lack to what known ones do: Σ share d + most − of · point ≤ what may be dry.

        `spare` is the row of what may stay dry and what each side takes of it (n_sides,).
        """
        row, share = spare
        blocks = [
            (-of_amount[None, :], self.amount),
            (-of_made[None, :], self.made),
            (-of_pair[None, :], self.pairs),
            (share[self.sides][None, :], self.dry),
        ]
        self.model.add_rows(blocks, upper=self.model.row_upper_of(row) - most)

    def point_of(self, amounts: FloatArray) -> FloatArray:
        """Return the model's point for a plan (n_passes,)."""
        field, used = self.field, amounts > 0
        levels = field.levels(amounts)
        over = np.maximum(0.0, levels - field.limit)
        own = np.zeros(len(levels), dtype=bool)
        own[self.heavy] = True
        values = np.zeros(self.model.n_columns)
        values[self.made], values[self.amount] = used, amounts
        values[self.dry] = levels[self.sides] < 1.0 - ROUND_OFF
        values[self.surplus] = over[self.heavy]
        values[self.theta] = float((over * field.surplus_price)[~own].sum())
        values[self.pairs[field.pair[used]]] = 1.0
        values[self.entries[field.entry[used]]] = 1.0
        return values


def work_model(
    field: Field, sides: IntArray, heavy: IntArray, *, reward: FloatArray | None = None
) -> WorkModel:
    """Return the model of `field` that knows `sides`, those in `heavy` with a row for their surplus.

    `reward` (n_sides,) is paid for a side covered: as a cost of what stays dry, less a constant.
    """
    from scipy.sparse import coo_matrix, diags, identity

    model, n = Model(), len(field.passes)
    made = model.add_columns(n, cost=field.fixed, integer=True)
    amount = model.add_columns(n, cost=field.unit, upper=field.most)
    pairs = model.add_columns(len(field.pair_entry), cost=field.pair_price, integer=True)
    entries = model.add_columns(len(field.entry_price), cost=field.entry_price, integer=True)
    over = np.maximum(0.0, field.levels(field.most) - field.limit)
    surplus = model.add_columns(len(heavy), cost=field.surplus_price[heavy], upper=over[heavy])
    rest = (over * field.surplus_price).sum() - (over * field.surplus_price)[heavy].sum()
    theta = model.add_columns(1, cost=1.0, upper=max(0.0, float(rest)) * (1.0 + 1e-9))
    eye = identity(n)
    if n:
        model.add_rows([(eye, amount), (diags(-field.most), made)], upper=0.0)
        model.add_rows([(eye, amount), (diags(-field.least), made)], lower=0.0)
        to_pair = coo_matrix((np.ones(n), (np.arange(n), field.pair)), shape=(n, len(field.pair_entry)))
        model.add_rows([(eye, made), (-to_pair, pairs)], upper=0.0)
        model.add_rows([(eye, made), (-field.lets_in.T, entries)], upper=0.0)
        _add_limits(field, model, made, entries)
    if len(heavy):
        blocks = [(field.rows[heavy], amount), (-identity(len(heavy)), surplus)]
        model.add_rows(blocks, upper=field.limit[heavy])
    made_model = WorkModel(
        field=field,
        model=model,
        made=made,
        amount=amount,
        pairs=pairs,
        entries=entries,
        surplus=surplus,
        theta=int(theta[0]),
        heavy=heavy,
        sides=np.zeros(0, dtype=np.int64),
        dry=np.zeros(0, dtype=np.int64),
        spare=_spare_rows(field, model),
    )
    made_model.add_sides(sides, cost=0.0 if reward is None else reward[sides])
    return made_model


def can_be_heavy(field: Field) -> IntArray:
    """Return the sides that all passes together can make too wet, where that costs anything."""
    return np.flatnonzero((field.levels(field.most) > field.limit) & (field.surplus_price > 0))


def _must(field: Field) -> FloatArray:
    """Return (n_sides,) 1 for sides without which what is asked cannot be had, else 0."""
    must = (field.areas > field.spare_area) | (field.weights > field.spare_weight)
    return must.astype(np.float64)


def _spare_rows(field: Field, model: Model) -> tuple[tuple[int, FloatArray], ...]:
    """Add the rows for the area and the weight that may stay dry, still empty, scaled to 1."""
    made = []
    no_column = np.zeros((1, 0))
    for values, spare in ((field.areas, field.spare_area), (field.weights, field.spare_weight)):
        total = float(values.sum())
        if spare < total:
            row = model.add_rows(
                [(no_column, np.zeros(0, dtype=int))], upper=spare / total + 10.0 * ROUND_OFF
            )
            made.append((int(row[0]), values / total))
    return tuple(made)


def _add_limits(field: Field, model: Model, made: IntArray, entries: IntArray) -> None:
    from scipy.sparse import coo_matrix

    n = len(made)
    if field.most_passes < n:
        model.add_rows([(np.ones((1, n)), made)], upper=float(field.most_passes))
    if field.most_per_entry < n:
        of_entry = coo_matrix((np.ones(n), (field.entry, np.arange(n))), shape=(len(entries), n))
        model.add_rows([(of_entry, made)], upper=float(field.most_per_entry))
    if field.most_new < field.is_new.sum():
        model.add_rows([(field.is_new[None, :].astype(float), entries)], upper=float(field.most_new))
    model.add_exclusions(field.conflicts, entries)
