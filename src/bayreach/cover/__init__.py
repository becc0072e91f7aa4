"""The fewest holes, the least work and the proof: pure covering on arrays, no geometry."""

from bayreach.cover._choice import HoleChoice, hole_choice
from bayreach.cover._effort import Effort
from bayreach.cover._holes import (
    Certificate,
    HolesFound,
    best_coverage,
    coverage_curve,
    fewest_holes,
    hole_bound,
)
from bayreach.cover._problem import Limits, Prices, Problem, problem_of
from bayreach.cover._solve import SPEED_LEVELS, Cover, solve
from bayreach.cover._work import WorkFound, least_work

__all__ = [
    "SPEED_LEVELS",
    "Certificate",
    "Cover",
    "Effort",
    "HoleChoice",
    "HolesFound",
    "Limits",
    "Prices",
    "Problem",
    "WorkFound",
    "best_coverage",
    "coverage_curve",
    "fewest_holes",
    "hole_bound",
    "hole_choice",
    "least_work",
    "problem_of",
    "solve",
]
