"""Adds replicates until the covered share is known well enough; tells what matters most."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from bayreach.arrays import FloatArray, IntArray
from bayreach.doubt._added import count_covered
from bayreach.doubt._chance import FIRST, SECOND, Draws, Variants, draws_for, films_within, interval, sharing
from bayreach.doubt._factors import FACTORS, DoubtError
from bayreach.job import Tolerances
from bayreach.rays import in_parallel

SAMPLES_A_REPLICATE = 256
"""Recombinations of one replicate's variants; a power of two keeps the Sobol sequence balanced."""
FEWEST_REPLICATES = 8
"""A spread between fewer replicates tells too little."""
CHUNK = 2048
"""Sides held at once: 256 samples of them take 2 MB, which stay near the processor."""

MakeVariants = Callable[[int], Variants]
"""Gives the passes' variants of one replicate: fresh errors for each number, the same for the same number."""


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
        Sets of fresh pose and tip errors.
    variants : int
        Variants of a pass in all: poses times states of the tip.
    met : bool
        Whether the error asked for was reached.
    matters : mapping of str to float
        First-order Sobol index of each factor on the covered share, by name of `FACTORS`; their sum is 1
        less interactions.
    matters_error : float
        Half width of the 95 % interval of an index, the widest of all, by the jackknife over replicates.
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
    matters_error: float

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

    Each replicate has errors of pose and tip of its own, which are recombined over the passes 256 times by
    Sobol sequences; replicates are added until the 95 % interval of the mean covered share is narrower than
    +- `error`, or `samples` are spent. The interval comes from the spread between replicates (Student's t),
    so it holds whatever the recombination does.

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
    moments: list[dict[str, FloatArray]] = []
    count, draws, half = 0, 0, float("inf")
    for replicate in range(most):
        made = variants(replicate)
        states, poses = made.counts
        count += states * poses
        draws += poses if poses > 1 else states if states > 1 else SAMPLES_A_REPLICATE
        chance, share, moment = _replicate(sides, made, tolerances, seed=(seed, replicate))
        chances.append(chance)
        covered.append(share)
        moments.append(moment)
        if replicate + 1 >= FEWEST_REPLICATES:
            half = _half_width(np.array([values.mean() for values in covered]))
            if half <= error:
                break
    mean = np.mean(chances, axis=0)
    matters, matters_error = _indices(moments)
    low, high = _side_interval(np.array(chances), max(draws, 1))
    return Doubt(
        chance=mean,
        chance_low=np.minimum(low, mean),
        chance_high=np.maximum(high, mean),
        covered=np.concatenate(covered),
        covered_error=half,
        replicates=len(chances),
        variants=count,
        met=bool(half <= error),
        matters=matters,
        matters_error=matters_error,
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
    sides: SidesAsked, variants: Variants, sets: Sequence[Draws], tolerances: Tolerances
) -> tuple[FloatArray, FloatArray]:
    """Return by set the share (k, n) of samples that cover each side and that of area each covers (k, s).

    Parts of the sides are worked out by the processors side by side and added up in order, so the answer does
    not depend on how many there are.
    """
    weights = sides.areas / sides.areas.sum()
    least = sides.needed if variants.needed is None else variants.needed

    def part(start: int) -> tuple[IntArray, FloatArray]:
        here = slice(start, min(start + CHUNK, len(weights)))
        # Films are single precision: a film equal to the need counts as enough.
        needed = (least[here] * (1.0 - 1e-6)).astype(np.float32)
        counts, shares = np.zeros((len(sets), len(needed)), dtype=np.int64), []
        each = films_within(variants, sets, (here.start, here.stop), tolerances)
        for film, count in zip(each, counts, strict=True):
            shares.append(np.zeros(len(film)))
            count_covered(film, needed, weights[here], count, shares[-1])
        return counts, np.array(shares)

    parts = in_parallel(part, range(0, len(weights), CHUNK))
    shares = np.sum([one[1] for one in parts], axis=0)
    return np.concatenate([one[0] for one in parts], axis=1) / shares.shape[1], shares


def _replicate(
    sides: SidesAsked, variants: Variants, tolerances: Tolerances, *, seed: tuple[int, ...]
) -> tuple[FloatArray, FloatArray, dict[str, FloatArray]]:
    """Return the chance (n,) of each side, covered shares (s,), and the moments of each factor that varies.

    These are a covariance and two variances (3,) of outputs that share the factor alone. What outputs that
    share nothing seem to have in common is taken off the covariance: it is in all of them.
    """
    first = draws_for(variants, SAMPLES_A_REPLICATE, seed=(*seed, 0))
    base = draws_for(variants, SAMPLES_A_REPLICATE, seed=(*seed, 1), halves=FIRST)
    fresh = draws_for(variants, SAMPLES_A_REPLICATE, seed=(*seed, 2), halves=SECOND)
    varying = [name for name in FACTORS if tolerances.deviations[name.replace(" ", "_")] > 0.0]
    others = [sharing(factor, base, fresh, variants) for factor in varying]
    chances, shares = _covered(sides, variants, [first, base, fresh, *others], tolerances)
    none = np.cov(shares[1], shares[2])[0, 1]
    found = {}
    for factor, other in zip(varying, shares[3:], strict=True):
        (own, both), (_, their) = np.cov(shares[1], other)
        found[factor] = np.array([both - none, own, their])
    return chances[0], shares[0], found


def _indices(moments: Sequence[Mapping[str, FloatArray]]) -> tuple[dict[str, float], float]:
    """Return the first-order index of each factor and the widest half width of their 95 % intervals.

    S = (cov(f, f') - cov(f, g)) / sqrt(var f var f'), where f and f' share the values of the factor and
    nothing else, and f and g nothing at all (pick-freeze; Sobol 1993; Janon et al. 2014, ESAIM Probability
    and Statistics 18; the term with g Saltelli et al. 2010, Computer Physics Communications 181; from
    memory). Zero where nothing varies; an index below its error may come out below zero. The error is that of
    the jackknife over replicates.
    """
    from scipy.special import stdtrit

    found, widest, count = dict.fromkeys(FACTORS, 0.0), 0.0, len(moments)
    for factor in moments[0]:
        each = np.array([one[factor] for one in moments])
        sums = each.sum(axis=0)
        both, own, their = np.vstack([sums, sums - each]).T
        if (own * their > 1e-36).all():  # else shares of one and the same area, but for rounding
            whole, *rest = both / np.sqrt(own * their)
            found[factor] = float(whole)
            spread = float(np.sqrt((count - 1) * np.var(rest)))
            widest = max(widest, float(stdtrit(count - 1, 0.975)) * spread)
    return found, widest
