"""A bound on the fewest columns from blocks of rows that share few columns, each solved for itself."""

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from bayreach.arrays import BoolArray, FloatArray, IntArray
from bayreach.cover._effort import Effort
from bayreach.cover._highs import solve
from bayreach.cover._hole_rows import ROUND_ENTRY, Covering, Fractional
from bayreach.cover._model import MARGIN, at_least
from bayreach.cover._priced import CLOSE, SHORTEST, priced_model

LARGEST = 12.0
"""Columns that the LP spends in a block which is not parted further."""
LEAST = 0.25
"""Share of a block's columns in the LP that each of its two parts has at least."""
CUBE = 1e-10
"""Counted seconds of the parting, times the cube of the columns parted."""


@dataclass(kw_only=True, eq=False)
class Block:
    """Columns that hang together, the two blocks they are parted into, and what is known of the block.

    Parameters
    ----------
    columns : (k,) int
        Those of them that the LP chooses.
    size : float
        Their shares in the LP summed.
    parts : tuple of Block
        The two halves; none of a leaf.
    leaf : int
        Number of the leaf.
    own : float
        Proven by the block itself: less than its rows cost the LP, or its MILP, no choice pays.
    chosen : (n_columns,) bool
        The choice of the last MILP that a leaf was in, or the one that all began with.
    is_closed : bool
        Has its MILP been solved?
    """

    columns: IntArray
    size: float
    parts: tuple["Block", ...] = ()
    leaf: int = -1
    own: float = 0.0
    chosen: BoolArray = field(default_factory=lambda: np.zeros(0, dtype=bool))
    is_closed: bool = False

    @cached_property
    def leaves(self) -> list["Block"]:
        """The blocks in it that are not parted, in their order."""
        return [leaf for part in self.parts for leaf in part.leaves] if self.parts else [self]

    @property
    def numbers(self) -> list[int]:
        """Numbers of the leaves in it."""
        return [leaf.leaf for leaf in self.leaves]

    @property
    def below(self) -> list["Block"]:
        """All blocks in it but itself."""
        return [block for part in self.parts for block in (part, *part.below)]

    @property
    def bound(self) -> float:
        """The best that is proven of it: by itself or by its parts."""
        return max(self.own, sum(part.bound for part in self.parts)) if self.parts else self.own


@dataclass(frozen=True, kw_only=True, eq=False)
class Parted:
    """A covering in blocks.

    Parameters
    ----------
    root : Block
        All of it.
    leaf_of_row : (n_rows,) int
        The leaf that each row belongs to.
    costs : (n_columns, n_leaves)
        What each leaf pays of a column: 1 in all, whatever the LP's weights are.
    """

    root: Block
    leaf_of_row: IntArray
    costs: FloatArray

    def rows_of(self, block: Block) -> BoolArray:
        """Return the rows (n_rows,) of a block."""
        return np.isin(self.leaf_of_row, block.numbers)

    def cost_to(self, block: Block) -> FloatArray:
        """Return what a block pays of each column (n_columns,)."""
        return np.asarray(self.costs[:, block.numbers].sum(axis=1))

    def together(self, block: Block) -> BoolArray:
        """Return the columns (n_columns,) chosen in a block, each by the word of the leaf that pays most."""
        leaf_of_column = self.costs.argmax(axis=1)
        chosen = np.zeros(len(leaf_of_column), dtype=bool)
        for leaf in block.leaves:
            chosen |= leaf.chosen & (leaf_of_column == leaf.leaf)
        return chosen


@dataclass(frozen=True, kw_only=True, eq=False)
class Blocked:
    """The bound of the blocks, their choices put together, the rows known, whether each was solved."""

    bound: float
    chosen: BoolArray
    known: IntArray
    is_closed: bool

    @property
    def holes(self) -> int:
        """The fewest columns that the bound leaves possible."""
        return at_least(self.bound)


def blocks_of(case: Covering, chosen: FloatArray, *, largest: float) -> Block:
    """Return blocks of the columns that an LP chooses (n_columns, 0 to 1), halved while they are large.

    Two columns hang together by the area that both wet, times the root of their shares. Each cut is the best
    along the order that the second eigenvector of the normalised table of this gives: least is what is cut,
    over what each part has (Shi and Malik 2000, from memory).
    """
    from scipy.sparse import diags

    among = np.flatnonzero(chosen > 1e-7)
    wet = diags(np.sqrt(case.areas)) @ case.shares[:, among]
    table = (wet.T @ wet).toarray() * np.sqrt(np.outer(chosen[among], chosen[among]))
    np.fill_diagonal(table, 0.0)
    root = _halved(among, table, chosen[among], largest)
    for number, leaf in enumerate(root.leaves):
        leaf.leaf = number
    return root


def _halved(columns: IntArray, table: FloatArray, shares: FloatArray, largest: float) -> Block:
    size = float(shares.sum())
    if size <= largest or len(columns) < 4:
        return Block(columns=columns, size=size)
    first = _cut(table, shares)
    parts = tuple(
        _halved(columns[half], table[np.ix_(half, half)], shares[half], largest) for half in (first, ~first)
    )
    return Block(columns=columns, size=size, parts=parts)


def _cut(table: FloatArray, shares: FloatArray) -> BoolArray:
    """Return which columns (n,) come to the first of two parts."""
    from scipy.linalg import eigh

    n = len(shares)
    degree = table.sum(axis=1) + 1e-12 * (1.0 + table.sum() / n)
    _, vectors = eigh(table / np.sqrt(np.outer(degree, degree)), subset_by_index=[n - 2, n - 1])
    order = np.argsort(vectors[:, 0] / np.sqrt(degree), kind="stable")
    inside = np.diagonal(np.cumsum(np.cumsum(table[np.ix_(order, order)], axis=0), axis=1))[:-1]
    degrees, spent = np.cumsum(degree[order]), np.cumsum(shares[order])
    out = degrees[:-1] - inside
    ratio = out / degrees[:-1] + out / (degrees[-1] - degrees[:-1])
    least = np.minimum(spent[:-1], spent[-1] - spent[:-1])
    ratio[least < min(LEAST * spent[-1], least.max())] = np.inf
    first = np.zeros(n, dtype=bool)
    first[order[: int(np.argmin(ratio)) + 1]] = True
    return first


def parted(case: Covering, lp: Fractional, *, largest: float) -> Parted:
    """Return the covering in blocks: rows go where the LP covers them from, costs where columns earn them.

    Of a column each leaf pays by the LP's weights of the rows that it wets there; of one that wets none
    that has a weight, by their number.
    """
    root = blocks_of(case, lp.chosen, largest=largest)
    shares, leaves = case.shares, np.arange(len(root.leaves))
    spent = np.zeros((shares.shape[1], len(leaves)))
    for leaf in root.leaves:
        spent[leaf.columns, leaf.leaf] = lp.chosen[leaf.columns]
    brought = shares @ spent
    # Rows that the LP leaves dry go with those that their columns wet elsewhere.
    ours = (brought.argmax(axis=1)[:, None] == leaves) & (brought.max(axis=1, keepdims=True) > 0.0)
    beside = shares @ (shares.T @ ours.astype(np.float64))
    leaf_of_row = np.where(ours.any(axis=1), brought.argmax(axis=1), beside.argmax(axis=1))
    of_leaf = (leaf_of_row[:, None] == leaves).astype(np.float64)
    by_weight, by_number = shares.T @ (of_leaf * lp.weights[:, None]), shares.T @ of_leaf
    earned = np.where(by_weight.sum(axis=1, keepdims=True) > 0.0, by_weight, by_number) + 1e-12
    return Parted(root=root, leaf_of_row=leaf_of_row, costs=earned / earned.sum(axis=1, keepdims=True))


def bound_by_blocks(
    case: Covering,
    lp: Fractional,
    *,
    start: BoolArray,
    effort: Effort,
    seconds: float,
    largest: float = LARGEST,
) -> Blocked:
    """Return a bound on the fewest columns that leave no more than the spare area dry, from blocks.

    At the LP's price p a m² of what stays dry, min Σ y + p (dry(y) − spare) is a bound (see `priced`). Where
    each block has columns of its own and pays its part of their cost, the sum of the blocks' minima is no
    more than that minimum (Lagrangian decomposition; Guignard and Kim 1987, from memory). The blocks'
    MILPs are small enough to close where that of all rows is not. Blocks that closed are solved again
    together, small ones first, up to but not with the whole. Ends in `seconds` of counted work, or where
    no choice can have fewer columns than `start` (n_columns,).
    """
    end, fewest = effort.spent + seconds, int(start.sum())
    effort.spend(case.shares.nnz * ROUND_ENTRY + CUBE * float(np.count_nonzero(lp.chosen)) ** 3)
    search = _Bounding(
        case=case, parts=parted(case, lp, largest=largest), price=lp.price, known=lp.known, fewest=fewest
    )
    root = search.parts.root
    search.begin(np.minimum(lp.weights, lp.price * case.areas), start)
    leaves_first = sorted(root.below, key=lambda block: (bool(block.parts), block.size))
    for place, block in enumerate(leaves_first):
        left = effort.left(end)
        if left <= SHORTEST or search.is_enough:
            break
        if all(part.is_closed for part in block.parts):
            share = 0.5 if block.parts else min(1.0, 2.0 / (len(root.leaves) - place))
            search.solve(block, effort=effort, seconds=share * left)
    return Blocked(
        bound=search.bound,
        chosen=search.parts.together(root),
        known=search.known,
        is_closed=all(part.is_closed for part in root.parts),
    )


@dataclass(kw_only=True, eq=False)
class _Bounding:
    """Where the bounding stands: the rows known so far, and what each block of `parts` has come to."""

    case: Covering
    parts: Parted
    price: float
    known: IntArray
    fewest: int

    @property
    def bound(self) -> float:
        """Columns that are needed at least."""
        return self.parts.root.bound - self.price * self.case.spare

    @property
    def is_enough(self) -> bool:
        """Say whether the bound proves that there is no choice of fewer columns."""
        return at_least(self.bound) >= self.fewest

    def begin(self, weights: FloatArray, start: BoolArray) -> None:
        """Give each leaf the bound that the LP's weights (n_rows,) prove, and the columns of `start`."""
        for leaf in self.parts.root.leaves:
            mine = np.where(self.parts.rows_of(leaf), weights, 0.0)
            excess = np.maximum(0.0, self.case.shares.T @ mine - self.parts.cost_to(leaf))
            leaf.own, leaf.chosen = float(mine.sum() - excess.sum()), start

    def solve(self, block: Block, *, effort: Effort, seconds: float) -> None:
        """Solve the MILP of a block on the rows known; those that its answer leaves dry join."""
        inside, n_columns = self.parts.rows_of(block), self.case.shares.shape[1]
        rows = self.known[inside[self.known]]
        among = np.flatnonzero(np.bincount(self.case.shares[rows].indices, minlength=n_columns))
        part = self.case.with_columns(among)
        start = (self.parts.together(block) if block.parts else block.chosen)[among]
        model, columns = priced_model(part, rows, self.price, cost=self.parts.cost_to(block)[among])
        answer = solve(
            model,
            start=np.concatenate([start, part.dry(start)[rows]]).astype(np.float64),
            effort=effort,
            seconds=seconds,
            gap=CLOSE,
            enough=self.fewest - 1 + 2.0 * MARGIN - self.bound + block.bound,
        )
        effort.spend(self.case.shares.nnz * ROUND_ENTRY)
        block.own = max(block.own, answer.bound)
        block.is_closed = answer.status == "optimal"
        if answer.found:
            chosen = np.zeros(n_columns, dtype=bool)
            chosen[among] = answer.values[columns] > 0.5
            for leaf in block.leaves:
                leaf.chosen = chosen
            self.known = np.union1d(self.known, np.flatnonzero(self.case.dry(chosen) & inside))
