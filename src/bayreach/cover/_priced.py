"""A bound on the fewest columns where part may stay dry: a price a m² takes the place of the limit."""

from dataclasses import dataclass, field

import numpy as np

from bayreach.arrays import BoolArray, FloatArray, IntArray
from bayreach.cover._effort import Effort
from bayreach.cover._highs import solve
from bayreach.cover._hole_rows import ROUND_ENTRY, Covering
from bayreach.cover._model import MARGIN, Model, at_least

STEP = 1.05
"""First factor from one price to the next while all choices found lie on one side of the limit; it grows."""
CLOSE = 2e-4
"""Gap to which each MILP is solved."""
SAME = 1e-6
"""Change of the price, as a share of it, below which the next run would say the same again."""
SHORTEST = 0.1
"""Counted seconds for which no run is begun."""


@dataclass(kw_only=True, eq=False)
class Priced:
    """The best bound so far and the choices met: each a line c + p (dry − spare) above the bound at price p.

    `bound` is proven: no choice that leaves no more than the spare area dry has fewer columns.
    """

    bound: float = 0.0
    choices: list[BoolArray] = field(default_factory=list)
    counts: list[int] = field(default_factory=list)
    over: list[float] = field(default_factory=list)  # m² left dry beyond what may stay

    @property
    def holes(self) -> int:
        """The fewest columns that the bound leaves possible."""
        return at_least(self.bound)

    def met(self, chosen: BoolArray, over: float) -> None:
        """Keep a choice that a solver came back with."""
        self.choices.append(chosen)
        self.counts.append(int(chosen.sum()))
        self.over.append(over)

    def height(self, price: float) -> float:
        """Return the lowest of the lines at a price: what a bound at that price can reach at most."""
        return float(min(np.array(self.counts) + price * np.array(self.over)))

    def is_spent(self, price: float) -> bool:
        """Say whether no price can prove one column more, as `price` is where the lines leave most room."""
        both = min(self.over) <= 0.0 < max(self.over)
        return both and at_least(self.height(price)) <= self.holes

    def next_price(self, price: float) -> float:
        """Return the price at which the lines leave the bound most room."""
        over = np.array(self.over)
        if (over > 0).all():
            return price * STEP ** len(over)
        if (over <= 0).all():
            return price / STEP ** len(over)
        counts = np.array(self.counts, dtype=np.float64)
        short, enough = np.flatnonzero(over > 0), np.flatnonzero(over <= 0)
        crossings = (counts[enough][:, None] - counts[short]) / (over[short] - over[enough][:, None])
        return float(max(np.maximum(crossings.ravel(), 0.0), key=self.height))


def priced(
    case: Covering,
    *,
    price: float,
    known: IntArray,
    start: BoolArray,
    effort: Effort,
    seconds: float,
) -> Priced:
    """Return a bound on the fewest columns that leave no more than the spare area dry, and choices near it.

    For any price p ≥ 0 a m², min over all choices y of Σ y + p (dry(y) − spare) is a bound (Lagrangian
    relaxation; Geoffrion 1974, from memory). Without the limit on what stays dry the rows hang together by
    their columns only, and the MILP closes where the one with the limit does not. Rows not known count as
    covered, so that each run is a relaxation; the rows that its answer leaves dry join. The price goes where
    the lines of the choices found leave most room, beginning at `price`, that of the LP. Ends where the
    bound proves `start` (n_columns,), or the best choice found, to have the fewest columns, or where no price
    can raise the bound to the next whole number.
    """
    end = effort.spent + seconds
    said, chosen, fewest = Priced(), start, int(start.sum())
    dry = case.dry(chosen)
    while effort.left(end) > SHORTEST and price > 0.0:
        # A bound that proves the fewest known is enough; of the solver's own the price of the limit goes off.
        enough = fewest - 1 + 2.0 * MARGIN + price * case.spare
        model, columns = priced_model(case, known, price)
        answer = solve(
            model,
            start=np.concatenate([chosen, dry[known]]).astype(np.float64),
            effort=effort,
            seconds=effort.left(end),
            gap=CLOSE,
            enough=enough,
        )
        effort.spend(case.shares.nnz * ROUND_ENTRY)
        said.bound = max(said.bound, answer.bound - price * case.spare)
        if not answer.found:
            break
        chosen = answer.values[columns] > 0.5
        dry = case.dry(chosen)
        said.met(chosen, case.over(dry))
        if said.over[-1] <= 0.0:
            fewest = min(fewest, said.counts[-1])
        joined = np.union1d(known, np.flatnonzero(dry))
        before, price = price, said.next_price(price)
        settled = len(joined) == len(known) and abs(price - before) <= SAME * before
        if said.holes >= fewest or settled or said.is_spent(price):
            break
        known = joined
    return said


def priced_model(
    case: Covering, known: IntArray, price: float, *, cost: FloatArray | float = 1.0
) -> tuple[Model, IntArray]:
    """Return min cost · y + price · areas d with D y + d ≥ 1 on the known rows, and the columns of y."""
    from scipy.sparse import identity

    model = Model()
    columns = model.add_columns(case.shares.shape[1], cost=cost, integer=True)
    dry = model.add_columns(len(known), cost=price * case.areas[known])
    model.add_rows([(case.shares[known], columns), (identity(len(known)), dry)], lower=1.0)
    model.add_exclusions(case.conflicts, columns)
    return model, columns
