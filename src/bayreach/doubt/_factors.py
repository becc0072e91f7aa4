"""What varies in a hand, and the draws that stand for it."""

import math
from dataclasses import dataclass, fields

import numpy as np

from bayreach.arrays import FloatArray
from bayreach.errors import BayreachError


class DoubtError(BayreachError):
    """A question about doubt that cannot be answered."""


@dataclass(frozen=True, kw_only=True)
class Tolerances:
    """Standard deviations of what a hand, a pump and a workshop vary.

    The defaults are common practice, no source: a hand holds a long rod to a degree or two, reads a mark on
    the
    wand to 5 mm, and keeps a pull speed to about one part in seven.

    Parameters
    ----------
    aim : float
        Of the wand's direction in rad, about each of two axes through the opening.
    place : float
        Of the wand's line in m, along each of two axes across it: tolerances of hole and wand.
    depth : float
        Of the insertion depth in m.
    clock : float
        Of the clock angle in rad.
    pull_speed, flow, spread, throw, droplet : float
        Relative: standard deviation of the natural logarithm.
    """

    aim: float = math.radians(1.5)
    place: float = 1e-3
    depth: float = 5e-3
    clock: float = math.radians(10.0)
    pull_speed: float = 0.15
    flow: float = 0.05
    spread: float = 0.05
    throw: float = 0.2
    droplet: float = 0.15

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            if not (math.isfinite(value) and value >= 0.0):
                message = f"doubt, {field.name}: {value:g} found; a standard deviation is 0 or more."
                raise DoubtError(message)

    def only(self, *names: str) -> "Tolerances":
        """Return tolerances in which all but the named factors are exact."""
        return Tolerances(
            **{field.name: getattr(self, field.name) * (field.name in names) for field in fields(self)}
        )


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


def normal_draws(count: int, width: int, *, seed: tuple[int, ...]) -> FloatArray:
    """Return (count, width) standard normal numbers from `uniform_draws` by the quantile function."""
    from scipy.special import ndtri

    return np.asarray(ndtri(uniform_draws(count, width, seed=seed)), dtype=np.float64)
