"""What a cover can do without: rows that look alike or follow from others, columns outdone by others."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from bayreach.arrays import BoolArray, IntArray

if TYPE_CHECKING:
    from scipy.sparse import csr_matrix

PAIRS = 1 << 18
"""Pairs of sets compared at a time."""
WORDS = 8
"""Words of 64 members compared before the pairs that fail are dropped."""
ROUNDS = 20
"""Most rounds of rows and columns; each is shorter than the one before."""


def alike(matrix: "csr_matrix") -> tuple[IntArray, IntArray]:
    """Return the group of each row and the first row of each group, rows alike to 12 digits."""
    rows = matrix.tocsr()
    rows.sort_indices()
    keys: dict[bytes, int] = {}
    group = np.zeros(rows.shape[0], dtype=np.int64)
    first: list[int] = []
    values = np.round(rows.data, 12)
    # A loop over rows: hashing bytes is the quickest exact grouping of ragged rows, about 1 µs each.
    for row in range(rows.shape[0]):
        piece = slice(rows.indptr[row], rows.indptr[row + 1])
        key = rows.indices[piece].tobytes() + values[piece].tobytes()
        place = keys.setdefault(key, len(first))
        if place == len(first):
            first.append(row)
        group[row] = place
    return group, np.array(first, dtype=np.int64)


def inclusions(small: "csr_matrix", large: "csr_matrix") -> tuple[IntArray, IntArray]:
    """Return all pairs (i, j), i ≠ j, where every member of row i of `small` is one of row j of `large`.

    Rows of `small` without a member are left out. A row can only lie within rows that hold its rarest
    member; those pairs are compared as bits, `WORDS` words at a time.
    """
    small, large = small.tocsr(), large.tocsr()
    holders = large.tocsc()
    filled = np.flatnonzero(np.diff(small.indptr))
    if not len(filled) or not large.nnz:
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    rarest = _rarest(small, np.diff(holders.indptr))
    counts = np.diff(holders.indptr)[rarest[filled]]
    bits, other = _packed(small), _packed(large)
    ones: list[IntArray] = []
    others: list[IntArray] = []
    ends = np.cumsum(counts)
    for chunk in np.split(np.arange(len(filled)), np.searchsorted(ends, np.arange(PAIRS, ends[-1], PAIRS))):
        one = np.repeat(filled[chunk], counts[chunk])
        start = np.repeat(holders.indptr[rarest[filled[chunk]]], counts[chunk])
        step = np.arange(len(one)) - np.repeat(np.cumsum(counts[chunk]) - counts[chunk], counts[chunk])
        two = holders.indices[start + step].astype(np.int64)
        one, two = one[one != two], two[one != two]
        for word in range(0, bits.shape[1], WORDS):
            piece = slice(word, word + WORDS)
            inside = ~(bits[one, piece] & ~other[two, piece]).any(axis=1)
            one, two = one[inside], two[inside]
        ones.append(one)
        others.append(two)
    return np.concatenate(ones), np.concatenate(others)


def _rarest(matrix: "csr_matrix", counts: IntArray) -> IntArray:
    """Return the member of each row with the smallest count; 0 for rows without one."""
    n_rows = matrix.shape[0]
    owner = np.repeat(np.arange(n_rows), np.diff(matrix.indptr))
    order = np.lexsort((counts[matrix.indices], owner))
    rarest = np.zeros(n_rows, dtype=np.int64)
    filled = np.diff(matrix.indptr) > 0
    rarest[filled] = matrix.indices[order[matrix.indptr[:-1][filled]]]
    return rarest


def _packed(matrix: "csr_matrix") -> "np.ndarray[tuple[int, int], np.dtype[np.uint64]]":
    """Return the members of each row as bits, (n_rows, words)."""
    n_rows, n_columns = matrix.shape
    words = max(1, -(-n_columns // 64))
    bits = np.zeros((n_rows, words), dtype=np.uint64)
    owner = np.repeat(np.arange(n_rows), np.diff(matrix.indptr))
    place = matrix.indices.astype(np.int64)
    np.bitwise_or.at(bits, (owner, place >> 6), np.uint64(1) << (place & 63).astype(np.uint64))
    return bits


def _needless(small: "csr_matrix", large: "csr_matrix", *, keep_larger: bool) -> BoolArray:
    """Return (n,) bool: sets that another makes needless; of sets alike the first stays."""
    one, two = inclusions(small, large)
    n = small.shape[0]
    both = np.isin(one * n + two, two * n + one)
    worse, better = (one, two) if keep_larger else (two, one)
    out = np.zeros(n, dtype=bool)
    out[worse[~both | (worse > better)]] = True
    return out


def implied_rows(shares: "csr_matrix") -> BoolArray:
    """Return (n_rows,) bool: rows covered by whatever covers some other row; for a full cover only.

    `shares` (n_rows, n_columns), 0 to 1: row s is covered when the shares of the chosen columns sum to 1. If
    every column with a share in row r has share 1 in row s, then s follows from r: r can only be covered by
    one of those columns, and each covers s alone. "Follows" is transitive, so all such s may go at once; of
    rows that follow from each other the first stays. Where only part of the area must be covered a row that
    follows still carries area, and none may go.
    """
    some, full = _marks(shares)
    return _needless(some, full, keep_larger=False)


def outdone_columns(shares: "csr_matrix", conflicts: IntArray) -> BoolArray:
    """Return (n_columns,) bool: columns that some other of the same cost outdoes, for any target of area.

    Column d outdoes c if d has share 1 in every row where c has a share: in any choice c can be taken out and
    d put in (or simply taken out where d is chosen) and every row that was covered still is, at no more cost;
    so it holds for a full cover, for a share of the area and for the most area of a number of columns alike.
    Columns in `conflicts` (k, 2) stay, and outdo none: an exchange might break a conflict.
    """
    some, full = _marks(shares.T.tocsr())
    free = np.ones(shares.shape[1], dtype=bool)
    free[np.asarray(conflicts, dtype=np.int64).ravel()] = False
    place = np.flatnonzero(free)
    out = np.zeros(shares.shape[1], dtype=bool)
    out[place] = _needless(some[place], full[place], keep_larger=True)
    out |= free & (np.diff(some.indptr) == 0)
    return out


def _marks(shares: "csr_matrix") -> "tuple[csr_matrix, csr_matrix]":
    from scipy.sparse import csr_matrix

    some = csr_matrix(shares, dtype=np.float64, copy=True)
    some.eliminate_zeros()
    some.sort_indices()
    full = some.copy()
    full.data = (some.data >= 1.0).astype(np.float64)
    full.eliminate_zeros()
    return some, full


@dataclass(frozen=True, kw_only=True, eq=False)
class Kept:
    """Rows and columns that a cover cannot do without, as (n_rows,) and (n_columns,) bool."""

    rows: BoolArray
    columns: BoolArray


def kept(shares: "csr_matrix", conflicts: IntArray, *, full_cover: bool) -> Kept:
    """Return the rows and columns left when nothing more can go: columns only, unless all must be covered.

    >>> import numpy as np
    >>> from scipy.sparse import csr_matrix
    >>> left = kept(csr_matrix([[1.0, 0, 1], [1, 1, 1], [0, 1, 1]]), np.zeros((0, 2), int), full_cover=True)
    >>> left.rows.tolist(), left.columns.tolist()
    ([True, False, False], [False, False, True])
    """
    rows = np.ones(shares.shape[0], dtype=bool)
    columns = np.ones(shares.shape[1], dtype=bool)
    names = np.arange(shares.shape[1])
    for _ in range(ROUNDS):
        before = int(rows.sum() + columns.sum())
        left = np.flatnonzero(columns)
        place = np.searchsorted(left, conflicts)
        columns[left[outdone_columns(shares[rows][:, left], place)]] = False
        if full_cover:
            here = np.flatnonzero(rows)
            rows[here[implied_rows(shares[here][:, names[columns]])]] = False
        if not full_cover or int(rows.sum() + columns.sum()) == before:
            break
    return Kept(rows=rows, columns=columns)
