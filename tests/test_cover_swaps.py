"""Cover: swaps of columns, each step held to its definition on the rows themselves."""

import numpy as np
import pytest
from scipy.sparse import csr_matrix
from test_cover_laws import case_of

from bayreach.cover._effort import Effort
from bayreach.cover._hole_rows import Covering
from bayreach.cover._swaps import (
    ADD_REST,
    BATCH,
    BATCH_ENTRY,
    DROP_REST,
    SWAP_ENTRY,
    WANDERING,
    Counts,
    _counts,
    held_at,
    least,
    most,
    moved,
    summed,
    swapped,
    swaps,
)


def begun(seed: int, share: float = 0.0) -> tuple[Covering, Counts, np.random.Generator]:
    """Return a covering, counts of a random choice of its columns with random rests, and the generator."""
    rng = np.random.default_rng(seed)
    case = case_of(seed, share)
    counts = _counts(case, rng.random(25) < 0.3)
    counts.rests[:] = rng.integers(0, 20, 25)
    summed(counts)
    return case, counts, rng


def dry_of(case: Covering, chosen: np.ndarray) -> float:
    return float(case.areas[case.shares @ chosen == 0].sum())


@pytest.mark.parametrize("seed", range(5))
def test_every_sum_is_what_the_rows_say(seed: int) -> None:
    """Worth of a column held: what is dry without it; of another: what is no longer dry with it."""
    case, counts, rng = begun(seed)
    for column in [*rng.integers(0, 25, 60).tolist(), 0, 1, 4]:
        before = dry_of(case, counts.chosen)
        row_counts = np.asarray((case.shares > 0).sum(axis=1)).ravel()
        rows = np.flatnonzero(case.shares[:, [column]].toarray().ravel())
        was_held = bool(counts.chosen[column])
        only = rows[counts.held[rows] == int(was_held)]
        more, seen = moved(counts, column)
        assert counts.chosen[column] != was_held
        assert more == pytest.approx(dry_of(case, counts.chosen) - before)
        assert seen == len(rows) + row_counts[only].sum()
        assert counts.held == pytest.approx(case.shares @ counts.chosen)
        assert counts.sole == pytest.approx(case.shares @ (counts.chosen * np.arange(25)))
        now = dry_of(case, counts.chosen)
        for other in range(25):
            turned = counts.chosen.copy()
            turned[other] = not turned[other]
            assert counts.value[other] == pytest.approx(abs(dry_of(case, turned) - now))
            clashes = [pair for pair in case.conflicts.tolist() if other in pair]
            assert counts.blocked[other] == sum(counts.chosen[pair[0] + pair[1] - other] for pair in clashes)
    assert summed(counts) == pytest.approx(dry_of(case, counts.chosen))


@pytest.mark.parametrize("seed", range(5))
def test_the_next_to_go_covers_least_and_the_next_to_come_most_of_those_that_do_not_rest(seed: int) -> None:
    _, counts, rng = begun(seed)
    for swap in (-1, 0, 3, 7, 12, 19) * 4:
        held = np.flatnonzero(counts.chosen)
        rested = counts.rests <= swap
        may = held if swap < 0 else held[rested[held]]
        assert least(counts, swap) == (-1 if not len(may) else may[np.argmin(counts.value[may])])
        may = np.flatnonzero(~counts.chosen & (counts.blocked == 0) & rested)
        assert most(counts, swap) == (-1 if not len(may) else may[np.argmax(counts.value[may])])
        assert [held_at(counts, place) for place in range(len(held) + 1)] == [*held.tolist(), -1]
        counts.chosen[:], counts.blocked[:] = rng.random(25) < 0.5, rng.random(25) < 0.2
        counts.value[:], counts.rests[:] = rng.random(25), rng.integers(0, 20, 25)


@pytest.mark.parametrize("order", [[0, 1, 2], [2, 1, 0], [1, 2, 0]])
def test_a_batch_of_swaps_rests_what_it_moves_and_looks_at_what_it_counts(order: list[int]) -> None:
    """One swap of columns of 1, 2 and 3 rows of their own, numbered anyhow, of which 1 m² may stay dry."""
    case = Covering(
        shares=csr_matrix(np.eye(3)[[order[k] for k in (0, 1, 1, 2, 2, 2)]]),
        areas=np.ones(6),
        spare=1.0,
        conflicts=np.zeros((0, 2), dtype=int),
    )
    start = np.ones(3, dtype=bool)
    counts, best = _counts(case, start), start.copy()
    looked = swaps(counts, best, 1.0, (0, 10), np.array([[0.5, 0.5, 0.99]]))
    # The column of 1 m² goes, as that may stay dry, then that of 2, which is too much; in the swap that of 3
    # goes and that of 2, worth more than 1, comes back.
    assert best[order].tolist() == [False, True, True]
    assert counts.chosen[order].tolist() == [False, True, False]
    assert counts.rests[order].tolist() == [0, 10 + 1 + int(0.99 * DROP_REST), 10 + 1 + int(0.5 * ADD_REST)]
    # Moves of 1, 2, 3 and 2 rows with one column each; for the swap, twice the columns and fifty.
    assert looked == 2 * (1 + 2 + 3 + 2) + 2 * 3 + 50
    # By chance one held is dropped, the first or second of two: it goes and that of 1 comes; then the other
    # goes and nothing may come.
    counts, best = _counts(case, start), start.copy()
    held = [order[1], order[2]]
    chance = 0.6 if order[2] == max(held) else 0.4
    looked = swaps(counts, best, 0.0, (0, 10), np.array([[0.0, chance, 0.3], [0.5, 0.0, 0.0]]))
    assert counts.chosen[order].tolist() == [True, False, False]
    assert counts.rests[order].tolist() == [10 + 1 + 1, 11 + 1, 10 + 1 + int(chance * ADD_REST)]
    assert looked == 2 * (1 + 3 + 1 + 2) + 2 * (2 * 3 + 50)
    # At the number asked it stops before a swap.
    counts, best = _counts(case, start), start.copy()
    swaps(counts, best, 1.0, (2, 0), np.full((5, 3), 0.5))
    assert (best.sum(), counts.rests.max()) == (2, 0)


class Twin:
    """The same swaps by definition: every sum made anew from the rows whenever it is asked for."""

    def __init__(self, case: Covering, start: np.ndarray) -> None:
        self.case, self.shares = case, case.shares.toarray() > 0
        self.chosen, self.rests, self.looked = start.copy(), np.zeros(len(start), dtype=int), 0

    def dry(self, chosen: np.ndarray) -> float:
        return float(self.case.areas[~self.shares[:, chosen].any(axis=1)].sum())

    def worth(self, column: int) -> float:
        turned = self.chosen.copy()
        turned[column] = not turned[column]
        return abs(self.dry(turned) - self.dry(self.chosen))

    def move(self, column: int) -> None:
        rows = np.flatnonzero(self.shares[:, column])
        others = self.shares[rows][:, self.chosen].sum(axis=1) - self.chosen[column]
        self.looked += len(rows) + int(self.shares[rows[others == 0]].sum())
        self.chosen[column] = not self.chosen[column]

    def least(self, among: np.ndarray) -> int:
        return -1 if not len(among) else int(among[np.argmin([self.worth(k) for k in among])])

    def may_come(self, column: int) -> bool:
        return not any(
            self.chosen[a + b - column] for a, b in self.case.conflicts.tolist() if column in (a, b)
        )

    def swaps(self, best: np.ndarray, first: int, chance: np.ndarray) -> None:
        for turn, (wander, which, rest) in enumerate(chance):
            while self.dry(self.chosen) <= self.case.spare:
                if self.chosen.sum() < best.sum():
                    best[:] = self.chosen
                self.move(self.least(np.flatnonzero(self.chosen)))
            held = np.flatnonzero(self.chosen)
            out = self.least(held[self.rests[held] <= first + turn])
            if wander < WANDERING:
                out = int(held[int(which * len(held))])
            if out >= 0:
                self.move(out)
                self.rests[out] = first + turn + 1 + int(which * ADD_REST)
            free = np.flatnonzero(~self.chosen & (self.rests <= first + turn))
            free = np.array([k for k in free if self.may_come(k)], dtype=int)
            if len(free):
                into = int(free[np.argmax([self.worth(k) for k in free])])
                self.move(into)
                self.rests[into] = first + turn + 1 + int(rest * DROP_REST)
            self.looked += 2 * len(best) + 50


@pytest.mark.parametrize("share", [0.0, 0.05, 0.2])
def test_a_batch_of_swaps_is_what_its_definition_says_step_by_step(share: float) -> None:
    """Sixty swaps of each of four cases, one in five by chance: choice, rests, best and work alike."""
    for seed in range(4):
        case = case_of(seed, share)
        start = np.ones(25, dtype=bool)
        start[[1, 3, 4]] = False
        chance = np.random.default_rng(seed).random((60, 3))
        chance[::5, 0] = 0.0
        counts, best = _counts(case, start), start.copy()
        looked = swaps(counts, best, case.spare, (0, 7), chance)
        twin, own = Twin(case, start), start.copy()
        twin.swaps(own, 7, chance)
        assert counts.chosen.tolist() == twin.chosen.tolist()
        assert counts.rests.tolist() == twin.rests.tolist()
        assert best.tolist() == own.tolist()
        assert looked == twin.looked


def test_swaps_end_by_their_count_at_the_number_asked_or_at_once() -> None:
    case = case_of(3, 0.0)
    start = np.ones(25, dtype=bool)
    start[[1, 3, 4]] = False
    effort = Effort(allowed=9.0)
    assert (swapped(case, start=start, until=22, effort=effort, seconds=1.0) == start).all()
    assert (swapped(case, start=start, until=0, effort=effort, seconds=0.0) == start).all()
    assert effort.spent == 0.0
    found = swapped(case, start=start, until=0, effort=effort, seconds=1e-6)
    # One batch: at least what every swap looks at, and the shares once.
    assert effort.spent >= BATCH * (2 * 25 + 50) * SWAP_ENTRY + BATCH_ENTRY * case.shares.nnz
    assert effort.spent < 2 * BATCH * 500 * SWAP_ENTRY
    assert found.sum() < 22
    assert dry_of(case, found) == 0.0
    again = swapped(case, start=start, until=0, effort=Effort(allowed=9.0), seconds=1e-6)
    assert (again == found).all()


def test_swaps_are_numbered_on_from_batch_to_batch(monkeypatch: pytest.MonkeyPatch) -> None:
    """Rests are told by numbers of swaps: the second batch begins where the first ended."""
    case, begins = case_of(3, 0.0), []

    def heard(*given: object) -> int:
        begins.append(given[3][1])
        return int(swaps(*given))

    monkeypatch.setattr("bayreach.cover._swaps.swaps", heard)
    one = SWAP_ENTRY * BATCH * (2 * 25 + 50)
    swapped(case, start=np.ones(25, dtype=bool), until=0, effort=Effort(allowed=9.0), seconds=3 * one)
    assert len(begins) > 1
    assert begins == [BATCH * k for k in range(len(begins))]
