"""Chances from variants of each pass, recombined many times over: no ray is cast here."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from bayreach.arrays import FloatArray, IntArray
from bayreach.doubt._added import add_pull
from bayreach.doubt._factors import Tolerances, uniform_draws

Z95 = 1.959964


@dataclass(frozen=True, kw_only=True, eq=False)
class PassVariants:
    """One pass, as it came out under several errors of the hand and states of the tip.

    Parameters
    ----------
    sides : (k,) int
        Places among the sides asked about, rising: all that any variant wets.
    films : (m, j, k) float
        Film per volume sprayed, in 1/m²: m states of the tip, j poses.
    wand : int
        Passes of one wand share the state of its tip and its flow.
    volume : float
        Liquid of one nominal pull, in m³.
    pulls : int
        How many times it is pulled, each with errors of its own.
    """

    sides: IntArray
    films: FloatArray
    wand: int
    volume: float
    pulls: int = 1

    def within(self, start: int, end: int) -> "PassVariants":
        """Return the variants on the sides from place `start` to `end`, places counted from `start`."""
        first, last = np.searchsorted(self.sides, [start, end])
        return replace(self, sides=self.sides[first:last] - start, films=self.films[:, :, first:last])


@dataclass(frozen=True, kw_only=True, eq=False)
class Draws:
    """One set of samples: (n, q) per pull, of q pulls in the order of the passes, and (n, w) per wand.

    `pose` and `tip` lie in (0, 1), `speed` and `flow` are standard normal.
    """

    pose: FloatArray
    speed: FloatArray
    tip: FloatArray
    flow: FloatArray

    def with_from(self, other: "Draws", *names: str) -> "Draws":
        """Return these draws with the named ones taken from `other`."""
        return Draws(
            **{
                name: getattr(other if name in names else self, name)
                for name in ("pose", "speed", "tip", "flow")
            }
        )


def draws_for(
    passes: Sequence[PassVariants], count: int, *, seed: tuple[int, ...], sets: int = 1
) -> tuple[Draws, ...]:
    """Return `sets` independent sets of `count` samples of everything but the films.

    All sets are columns of one Sobol sequence: two scramblings of one sequence are not
    independent of each other.
    """
    from scipy.special import ndtri

    pulls = sum(spray_pass.pulls for spray_pass in passes)
    wands = 1 + max((spray_pass.wand for spray_pass in passes), default=-1)
    width = 2 * pulls + 2 * wands
    numbers = uniform_draws(count, sets * width, seed=seed)
    found = []
    for part in np.split(numbers, sets, axis=1):
        pose, speed, tip, flow = np.split(part, np.cumsum([pulls, pulls, wands]), axis=1)
        found.append(Draws(pose=pose, speed=ndtri(speed), tip=tip, flow=ndtri(flow)))
    return tuple(found)


def films(
    passes: Sequence[PassVariants], draws: Draws, n_sides: int, tolerances: Tolerances
) -> NDArray[np.float32]:
    """Return the film (n, n_sides) in m of each sample on each side."""
    total = np.zeros((len(draws.pose), n_sides), dtype=np.float32)
    pull = 0
    for spray_pass in passes:
        states, poses, width = spray_pass.films.shape
        table = np.ascontiguousarray(spray_pass.films.reshape(states * poses, width), dtype=np.float32)
        state = np.minimum((draws.tip[:, spray_pass.wand] * states).astype(np.int64), states - 1)
        flow = spray_pass.volume * np.exp(tolerances.flow * draws.flow[:, spray_pass.wand])
        for _ in range(spray_pass.pulls):
            pose = np.minimum((draws.pose[:, pull] * poses).astype(np.int64), poses - 1)
            amount = (flow * np.exp(-tolerances.pull_speed * draws.speed[:, pull])).astype(np.float32)
            add_pull(total, spray_pass.sides, table, state * poses + pose, amount)
            pull += 1
    return total


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
