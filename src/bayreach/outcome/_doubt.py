"""How sure a result is: what `doubt` adds to it."""

from collections.abc import Mapping
from dataclasses import dataclass

from bayreach.outcome._records import Point


@dataclass(frozen=True, kw_only=True)
class BayDoubtRecord:
    """One bay: its required area, and that whose chance is 95 % or more, 50 % or more."""

    name: str
    required_m2: float
    sure_m2: float
    even_m2: float


@dataclass(frozen=True, kw_only=True)
class DoubtfulPlaceRecord:
    """One connected patch that is less than 95 % sure: its area, the mean chance on it, and where it is."""

    bay: str
    part: str
    area_m2: float
    chance: float
    center_m: Point


@dataclass(frozen=True, kw_only=True)
class DoubtRecord:
    """Chances of the required sides to reach their least film when what a hand does varies.

    `tolerances` are standard deviations (m, rad, or relative); `covered_mean` is the mean share of required
    area
    covered, `covered_error` the half width of its 95 % interval; `covered_p5` and `covered_p95` bound nine
    samples of
    ten. `matters` are first-order Sobol indices of the covered share, `matters_error` the half width of their
    95 % interval. `sure_fraction` is the share of
    required area
    whose chance is 95 % or more, `even_fraction` 50 % or more.
    """

    seed: int
    samples: int
    replicates: int
    variants: int
    tolerances: Mapping[str, float]
    covered_mean: float
    covered_error: float
    error_asked: float
    error_met: bool
    covered_p5: float
    covered_p95: float
    sure_fraction: float
    even_fraction: float
    matters: Mapping[str, float]
    matters_error: float = 0.0
    bays: tuple[BayDoubtRecord, ...] = ()
    worst: tuple[DoubtfulPlaceRecord, ...] = ()
    left_out: tuple[str, ...] = ()
