"""Adds replicates until the covered share is known well enough; tells what matters most."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from bayreach.arrays import FloatArray, IntArray
from bayreach.doubt._chance import Draws, PassVariants, draws_for, films, interval
from bayreach.doubt._factors import DoubtError, Tolerances

SAMPLES_A_REPLICATE = 256
"""Recombinations of one replicate's variants; a power of two keeps the Sobol sequence balanced."""
FEWEST_REPLICATES = 4
"""A spread between fewer replicates tells too little."""
CHUNK = 8192
"""Sides held at once: 256 samples of them take 8 MB."""

MakeVariants = Callable[[int], tuple[PassVariants, ...]]
"""Gives the passes' variants of one replicate: fresh errors for each number, the same for the same number."""

GROUPS = {"pose": ("pose",), "pull speed": ("speed",), "tip": ("tip",), "flow": ("flow",)}
"""What is drawn apart, and so told apart exactly: the hand's pose, its speed, the tip's state, the flow."""


@dataclass(frozen=True, kw_only=True, eq=False)
class SidesAsked:
    """The sides asked to be covered: areas (n,) m², least film (n,) m as sprayed (wet), bay (n,) int."""

    areas: FloatArray
    needed: FloatArray
    bays: IntArray


@dataclass(frozen=True, kw_only=True, eq=False)
class Doubt:
    """How sure a set of passes is.

    Parameters
    ----------
    chance : (n,) float
        Chance of each side asked about to reach its least film.
    chance_low, chance_high : (n,) float
        95 % interval of the chance.
    covered : (s,) float
        Share of the area asked for that each sample covers.
    covered_error : float
        Half width of the 95 % interval of the mean of `covered`.
    replicates : int
        Sets of fresh pose and tip errors; each holds `poses` x `states` variants a pass.
    variants : int
        Variants of a pass in all.
    met : bool
        Whether the error asked for was reached.
    matters : mapping of str to float
        First-order Sobol index of each group of factors on the covered share; their sum is 1 less
        interactions.
    """

    chance: FloatArray
    chance_low: FloatArray
    chance_high: FloatArray
    covered: FloatArray
    covered_error: float
    replicates: int
    variants: int
    met: bool
    matters: Mapping[str, float]

    def sure_area(self, sides: SidesAsked, chance: float) -> float:
        """Return the area in m² of the sides whose chance is `chance` or more."""
        return float(sides.areas[self.chance >= chance].sum())


def doubt_of(
    sides: SidesAsked,
    variants: MakeVariants,
    tolerances: Tolerances,
    *,
    samples: int = 2048,
    error: float = 0.01,
    seed: int = 0,
) -> Doubt:
    """Return how sure the passes are that `variants` makes.

    Each replicate has errors of pose and tip of its own, which are recombined over the passes 256 times by a
    Sobol
    sequence; replicates are added until the 95 % interval of the mean covered share is narrower than +-
    `error`, or
    `samples` are spent. The interval comes from the spread between replicates (Student's t), so it holds
    whatever the recombination does.

    Raises
    ------
    DoubtError
        When there is no side to ask about.
    """
    if not len(sides.areas) or not sides.areas.sum() > 0.0:
        message = "doubt: no side is asked to be covered, so there is nothing to be unsure about."
        raise DoubtError(message)
    most = max(FEWEST_REPLICATES, samples // SAMPLES_A_REPLICATE)
    chances: list[FloatArray] = []
    covered: list[FloatArray] = []
    indices: list[dict[str, float]] = []
    count, half = 0, float("inf")
    for replicate in range(most):
        made = variants(replicate)
        count += max(
            (spray_pass.films.shape[0] * spray_pass.films.shape[1] for spray_pass in made), default=0
        )
        (first,) = draws_for(made, SAMPLES_A_REPLICATE, seed=(seed, replicate, 0))
        chance, share = _covered(sides, made, first, tolerances)
        chances.append(chance)
        covered.append(share)
        indices.append(_first_order(sides, made, tolerances, seed=(seed, replicate)))
        if replicate + 1 >= FEWEST_REPLICATES:
            half = _half_width(np.array([values.mean() for values in covered]))
            if half <= error:
                break
    mean = np.mean(chances, axis=0)
    low, high = _side_interval(np.array(chances), max(count, 1))
    return Doubt(
        chance=mean,
        chance_low=np.minimum(low, mean),
        chance_high=np.maximum(high, mean),
        covered=np.concatenate(covered),
        covered_error=half,
        replicates=len(chances),
        variants=count,
        met=bool(half <= error),
        matters={name: float(np.mean([found[name] for found in indices])) for name in GROUPS},
    )


def _half_width(values: FloatArray) -> float:
    from scipy.special import stdtrit

    spread = float(values.std(ddof=1)) / np.sqrt(len(values))
    return float(stdtrit(len(values) - 1, 0.975) * spread)


def _side_interval(chances: FloatArray, count: int) -> tuple[FloatArray, FloatArray]:
    """Return 95 % limits (n,) from replicates (r, n): the wider of Student's t and Wilson's."""
    from scipy.special import stdtrit

    mean, replicates = chances.mean(axis=0), len(chances)
    half = stdtrit(replicates - 1, 0.975) * chances.std(axis=0, ddof=1) / np.sqrt(replicates)
    low, high = interval(mean, count)
    return np.clip(np.minimum(low, mean - half), 0.0, 1.0), np.clip(np.maximum(high, mean + half), 0.0, 1.0)


def _covered(
    sides: SidesAsked, passes: tuple[PassVariants, ...], draws: Draws, tolerances: Tolerances
) -> tuple[FloatArray, FloatArray]:
    """Return the share of samples that cover each side (n,) and the share of area each sample covers (s,)."""
    weights = sides.areas / sides.areas.sum()
    chance, share = np.zeros(len(weights)), np.zeros(len(draws.pose))
    for start in range(0, len(weights), CHUNK):
        part = slice(start, start + CHUNK)
        pieces = [spray_pass.within(start, start + CHUNK) for spray_pass in passes]
        film = films(pieces, draws, len(weights[part]), tolerances)
        # Films are single precision: a film equal to the need counts as enough.
        covered = film >= sides.needed[part] * (1.0 - 1e-6)
        chance[part] = covered.mean(axis=0)
        share += covered @ weights[part]
    return chance, share


def _first_order(
    sides: SidesAsked, passes: tuple[PassVariants, ...], tolerances: Tolerances, *, seed: tuple[int, ...]
) -> dict[str, float]:
    """Return the first-order index of each group of factors on the covered share.

    S = 1 - mean((f(B) - f(A with B's group))²) / (2 var f), with two independent sets A and B of samples
    (Jansen 1999, Computer Physics Communications 117; Saltelli et al. 2010, same journal 181, table 2; both
    from memory). Zero where nothing varies.
    """
    count = SAMPLES_A_REPLICATE
    first, second = draws_for(passes, count, seed=(*seed, 1), sets=2)
    base, other = (_covered(sides, passes, draws, tolerances)[1] for draws in (first, second))
    spread = float(np.concatenate([base, other]).var())
    if spread < 1e-18:  # shares of one and the same area, but for rounding
        return dict.fromkeys(GROUPS, 0.0)
    found = {}
    for group, names in GROUPS.items():
        mixed = _covered(sides, passes, first.with_from(second, *names), tolerances)[1]
        found[group] = 1.0 - float(np.mean((other - mixed) ** 2)) / (2.0 * spread)
    return found
