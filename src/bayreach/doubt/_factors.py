"""What varies in a hand, and the draws that stand for it."""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from bayreach.arrays import FloatArray, IntArray
from bayreach.errors import BayreachError

POSE_FACTORS = {"aim": 2, "place": 2, "depth": 1, "clock": 1}
"""What makes up the pose of a pull, and how many numbers each takes."""
TIP_FACTORS = {"spread": 1, "throw": 1, "droplet": 1}
"""What makes up the state of a tip, and how many numbers each takes."""
PULL_SPEED, FLOW = "pull speed", "flow"
FACTORS = (*POSE_FACTORS, PULL_SPEED, FLOW, *TIP_FACTORS)
"""All that varies, each told apart in `Doubt.matters`."""


TRIES = 512
"""Sets of random orders among which `twin_draws` chooses."""


class DoubtError(BayreachError):
    """A question about doubt that cannot be answered."""


def seed_of(words: str) -> int:
    """Return a whole number that stands for `words`: the same for the same words, whatever else is drawn."""
    return int.from_bytes(hashlib.sha256(words.encode()).digest()[:8], "big")


def uniform_draws(count: int, width: int, *, seed: tuple[int, ...]) -> FloatArray:
    """Return (count, width) numbers in (0, 1): a scrambled Sobol sequence (Owen 1998; Joe and Kuo 2008).

    The same seed gives the same numbers; `count` is best a power of two.

    >>> points = uniform_draws(8, 2, seed=(1, 2))
    >>> sorted((points[:, 0] * 8).astype(int).tolist())
    [0, 1, 2, 3, 4, 5, 6, 7]
    """
    from scipy.stats import qmc

    if width == 0:
        return np.zeros((count, 0))
    rng = np.random.default_rng(np.random.SeedSequence(seed))
    draws = qmc.Sobol(width, scramble=True, rng=rng).random(count)
    # Open ends: a normal quantile of 0 is infinite.
    return np.clip(np.asarray(draws, dtype=np.float64), 2.0**-40, 1.0 - 2.0**-40)


def shuffled_draws(count: int, width: int, *, seed: tuple[int, ...]) -> FloatArray:
    """Return `uniform_draws` in random order, so that sets of other seeds are independent of it.

    Two scramblings of one sequence are not independent of each other while they stand in its order.
    """
    draws = uniform_draws(count, width, seed=seed)
    order = np.random.default_rng(np.random.SeedSequence((*seed, 1))).permutation(count)
    return np.asarray(draws[order])


def normal_draws(count: int, width: int, *, seed: tuple[int, ...]) -> FloatArray:
    """Return (count, width) standard normal numbers from `uniform_draws` by the quantile function."""
    from scipy.special import ndtri

    return np.asarray(ndtri(uniform_draws(count, width, seed=seed)), dtype=np.float64)


@dataclass(frozen=True, kw_only=True, eq=False)
class Twins:
    """Two halves of draws in which each factor takes the same values, never the same others beside it.

    Parameters
    ----------
    errors : (2h, q) float
        Standard normal numbers, the factors' columns in order.
    twin : mapping of str to (2h,) int
        For each factor: the draw of the other half in which it has the same value.
    """

    errors: FloatArray
    twin: Mapping[str, IntArray]


def twin_draws(half: int, widths: Mapping[str, int], *, seed: tuple[int, ...]) -> Twins:
    """Return twice `half` draws of factors that take `widths` numbers each.

    The first half is a Sobol sequence; the second has the same values of every factor, each factor put in an
    order of its own: of `TRIES` sets of random orders, the one in which twins by one factor are least
    correlated by the others. Two outputs that share the value of one factor and nothing else tell how much
    that factor matters, so the two halves serve all factors (McKay 1995; Tissot and Prieur 2015, replicated
    designs, from memory).

    >>> twins = twin_draws(4, {"aim": 2, "depth": 1}, seed=(1,))
    >>> first, same = twins.errors[:4], twins.errors[twins.twin["aim"][:4]]
    >>> bool((first[:, :2] == same[:, :2]).all()), twins.errors.shape
    (True, (8, 3))
    """
    first = normal_draws(half, sum(widths.values()), seed=(*seed, 0))
    rng = np.random.default_rng(np.random.SeedSequence((*seed, 1)))
    parts = np.split(first, np.cumsum(list(widths.values()))[:-1], axis=1)
    orders = _orders(parts, rng)
    second = np.concatenate([part[order] for part, order in zip(parts, orders, strict=True)], axis=1)
    twin = {
        name: np.concatenate([np.argsort(order) + half, order])
        for name, order in zip(widths, orders, strict=True)
    }
    return Twins(errors=np.concatenate([first, second]), twin=twin)


def _orders(parts: Sequence[FloatArray], rng: np.random.Generator) -> list[IntArray]:
    """Return an order (h,) of each factor's values (h, w): the best of some random ones."""
    half = len(parts[0])
    orders = np.argsort(rng.random((TRIES, len(parts), half)), axis=2)
    back = np.argsort(orders, axis=2)
    alike = np.zeros(TRIES)
    for other, part in enumerate(parts):
        centred = part - part.mean(axis=0)
        for factor in range(len(parts)):
            if factor != other:
                twins = np.take_along_axis(orders[:, other], back[:, factor], axis=1)
                alike += np.square((centred * centred[twins]).sum(axis=1)).sum(axis=1)
    return list(orders[np.argmin(alike)])
