"""Chances from variants of each pass, recombined many times over: no ray is cast here."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from bayreach.arrays import FloatArray, IntArray
from bayreach.doubt._added import add_fog, add_pull, draw_off
from bayreach.doubt._after import Seeping
from bayreach.doubt._factors import FLOW, PULL_SPEED, seed_of, shuffled_draws
from bayreach.job import Tolerances

Z95 = 1.959964
WHOLE, FIRST, SECOND = slice(0, 2), slice(0, 1), slice(1, 2)
"""Which halves of the poses and tip states are drawn from."""

Singles = NDArray[np.float32]


@dataclass(frozen=True, kw_only=True, eq=False)
class WandState:
    """The states of one wand's tip, shared by all its passes.

    Parameters
    ----------
    settled : (m, b, n) float
        Film in m that a m³ of its fog in each bay leaves on each side; without bays (b = 0) none settles.
    twin : mapping of str to (m,) int
        For each factor of the tip: the state of the other half in which it has the same value.
    """

    settled: Singles
    twin: Mapping[str, IntArray] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, eq=False)
class PassVariants:
    """One pass, as it came out under several errors of the hand and states of the tip.

    Parameters
    ----------
    sides : (k,) int
        Places among the sides asked about, rising: all that any variant wets directly.
    films : (m, j, k) float
        Direct film per volume sprayed, in 1/m²: m states of the tip, j poses.
    wand : str
        Passes of one wand share the state of its tip and its flow.
    volume : float
        Liquid of one nominal pull, in m³.
    pulls : int
        How many times it is pulled, each with errors of its own.
    words : str
        What the pass is, in words: passes with the same words have the same errors in every plan.
    fog : (m, b) float
        Share of the liquid that becomes fog in each bay.
    twin : mapping of str to (j,) int
        For each factor of the pose: the pose of the other half in which it has the same value.
    """

    sides: IntArray
    films: NDArray[np.floating]
    wand: str
    volume: float
    pulls: int = 1
    words: str = ""
    fog: FloatArray = field(default_factory=lambda: np.zeros((0, 0)))
    twin: Mapping[str, IntArray] = field(default_factory=dict)

    def within(self, places: IntArray) -> "PassVariants":
        """Return the variants on the sides at `places`, rising, alone, told by their place among these."""
        found = np.minimum(np.searchsorted(places, self.sides), len(places) - 1)
        known = places[found] == self.sides
        return replace(self, sides=found[known], films=self.films[:, :, known])


@dataclass(frozen=True, kw_only=True, eq=False)
class Variants:
    """All that one replicate of fresh errors gave.

    Parameters
    ----------
    passes : tuple of PassVariants
        The passes.
    wands : mapping of str to WandState
        The wands' states by name.
    needed : (n,) float, optional
        Film in m that must come to lie on each side asked about, where the replicate takes it; None: as asked
        of the sides.
    seeping : Seeping, optional
        What seams draw off. Its places, and those of the films, are the n sides asked about and after them
        others that share a seam with these.
    """

    passes: tuple[PassVariants, ...]
    wands: Mapping[str, WandState] = field(default_factory=dict)
    needed: FloatArray | None = None
    seeping: Seeping | None = None

    def within(self, places: IntArray) -> "Variants":
        """Return the passes and wands on the sides at `places`, rising, alone."""
        return Variants(
            passes=tuple(one.within(places) for one in self.passes),
            wands={name: replace(one, settled=one.settled[:, :, places]) for name, one in self.wands.items()},
        )

    @property
    def counts(self) -> tuple[int, int]:
        """Most states and most poses of any pass."""
        shapes = [one.films.shape[:2] for one in self.passes]
        return max((s for s, _ in shapes), default=1), max((p for _, p in shapes), default=1)


@dataclass(frozen=True, kw_only=True, eq=False)
class Draws:
    """One set of n samples: by pass (n, pulls) and by wand (n,).

    `pose` and `tip` are places among the variants; `speed` and `flow` are standard normal.
    """

    pose: tuple[IntArray, ...]
    speed: tuple[FloatArray, ...]
    tip: Mapping[str, IntArray]
    flow: Mapping[str, FloatArray]


def draws_for(variants: Variants, count: int, *, seed: tuple[int, ...], halves: slice = WHOLE) -> Draws:
    """Return `count` samples of everything but the films.

    Each pull has a Sobol sequence of its own for pose and speed, and each wand one for tip and flow, seeded
    by what the pull or the wand is and put in an order of its own: another plan that holds the same pull
    draws the same for it (common random numbers).
    """
    from scipy.special import ndtri

    def places(uniform: FloatArray, size: int) -> IntArray:
        half = size // 2 if size > 1 else size
        first, last = half * halves.start, half * halves.stop if size > 1 else size
        first = min(first, size - 1)
        found = first + ((last - first) * uniform).astype(np.int64)
        return np.asarray(np.minimum(found, max(last - 1, first)))

    pose, speed = [], []
    met: dict[str, int] = {}
    states = {one.wand: one.films.shape[0] for one in variants.passes}
    for one in variants.passes:
        pulls = []
        for _ in range(one.pulls):
            met[one.words] = met.get(one.words, 0) + 1
            key = seed_of(f"pull {met[one.words]} of {one.words}")
            pulls.append(shuffled_draws(count, 2, seed=(*seed, key)))
        drawn = np.stack(pulls, axis=2)
        pose.append(places(drawn[:, 0], one.films.shape[1]))
        speed.append(np.asarray(ndtri(drawn[:, 1])))
    wands = {name: shuffled_draws(count, 2, seed=(*seed, seed_of(f"wand {name}"))) for name in states}
    return Draws(
        pose=tuple(pose),
        speed=tuple(speed),
        tip={name: places(drawn[:, 0], states[name]) for name, drawn in wands.items()},
        flow={name: np.asarray(ndtri(drawn[:, 1])) for name, drawn in wands.items()},
    )


def sharing(factor: str, base: Draws, fresh: Draws, variants: Variants) -> Draws:
    """Return the `fresh` draws, but with the values of one factor taken from `base`."""
    if factor == PULL_SPEED:
        return replace(fresh, speed=base.speed)
    if factor == FLOW:
        return replace(fresh, flow=base.flow)
    pose = tuple(
        one.twin[factor][drawn] if factor in one.twin else other
        for one, drawn, other in zip(variants.passes, base.pose, fresh.pose, strict=True)
    )
    wands = variants.wands
    tip = {
        name: wands[name].twin[factor][base.tip[name]]
        if name in wands and factor in wands[name].twin
        else other
        for name, other in fresh.tip.items()
    }
    return replace(fresh, pose=pose, tip=tip)


def films(variants: Variants, draws: Draws, n_sides: int, tolerances: Tolerances) -> Singles:
    """Return the film (n, n_sides) in m of each sample on each side."""
    count = len(next(iter(draws.flow.values()), ()))
    total = np.zeros((count, n_sides), dtype=np.float32)
    fog: dict[str, FloatArray] = {}
    for one, poses, speeds in zip(variants.passes, draws.pose, draws.speed, strict=True):
        states, n_poses, width = one.films.shape
        table = np.ascontiguousarray(one.films.reshape(states * n_poses, width), dtype=np.float32)
        state = draws.tip[one.wand]
        flow = one.volume * np.exp(tolerances.flow * draws.flow[one.wand])
        amounts = flow[:, None] * np.exp(-tolerances.pull_speed * speeds)
        for pull in range(one.pulls):
            rows = state * n_poses + poses[:, pull]
            add_pull(total, one.sides, table, rows, amounts[:, pull].astype(np.float32))
        if one.fog.size:
            put = amounts.sum(axis=1)[:, None] * one.fog[state]
            fog[one.wand] = fog[one.wand] + put if one.wand in fog else put
    for name, put in fog.items():
        settled = np.ascontiguousarray(variants.wands[name].settled, dtype=np.float32)
        add_fog(total, settled, draws.tip[name], put.astype(np.float32))
    return total


def films_within(
    variants: Variants, sets: Sequence[Draws], span: tuple[int, int], tolerances: Tolerances
) -> Iterator[Singles]:
    """Yield for each of `sets` the film (s, k) in m that seams leave on the sides from span[0] to span[1]."""
    own, seeping = np.arange(*span), variants.seeping
    places = own if seeping is None else np.union1d(own, seeping.beside(own))
    here, first = variants.within(places), int(np.searchsorted(places, span[0]))
    seams = None if seeping is None else seeping.among(places)
    for draws in sets:
        film = films(here, draws, len(places), tolerances)
        if seams is not None:
            draw_off(film, (seams.seam, seams.place, seams.parts), seams.draws, seams.areas, seams.uptake)
            film = np.ascontiguousarray(film[:, first : first + len(own)])
        yield film


def interval(share: FloatArray, count: int) -> tuple[FloatArray, FloatArray]:
    """Return the 95 % interval of a chance seen as `share` in `count` draws (Wilson 1927, score interval).

    (p + z²/2n ± z sqrt(p (1 - p) / n + z²/4n²)) / (1 + z²/n).

    >>> low, high = interval(np.array([0.0, 0.5]), 64)
    >>> np.round([low, high], 3).tolist()
    [[0.0, 0.381], [0.057, 0.619]]
    """
    square = Z95**2 / count
    middle = (share + square / 2.0) / (1.0 + square)
    half = Z95 * np.sqrt(share * (1.0 - share) / count + square / (4.0 * count)) / (1.0 + square)
    return np.clip(middle - half, 0.0, 1.0), np.clip(middle + half, 0.0, 1.0)
