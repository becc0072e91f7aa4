"""A plan and what is proven of it, as frozen records."""

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from bayreach.arrays import FloatArray, IntArray
from bayreach.cover import Certificate, Cover, Problem
from bayreach.holes import Refused, Site
from bayreach.insertion import Refusal
from bayreach.passes import Candidate

if TYPE_CHECKING:
    from bayreach.bays import Opening

REASONS = (
    "sealed bay",
    "no wand fits",
    "hidden from every reachable pose",
    "seen, but too far or too flat",
    "left out: the target is met without it",
    "cannot hold the film asked: it runs off",
    "left out: little would be gained for the work",
)
"""Why a side that needs film gets none from the plan; a reason is a place in this tuple."""

SEALED, NO_WAND, HIDDEN, TOO_THIN, LEFT_OUT, CANNOT_HOLD, GIVEN_UP = range(len(REASONS))


@dataclass(frozen=True, kw_only=True, eq=False)
class PlannedPass:
    """A pass of the plan: a candidate, how often it is pulled and how fast.

    Parameters
    ----------
    candidate : Candidate
        Wand, opening, aim, clock, depths and tip path.
    count : int
        Number of pulls.
    pull_speed : float
        In m/s.
    """

    candidate: Candidate
    count: int
    pull_speed: float

    @property
    def seconds(self) -> float:
        """Trigger-on time of all pulls in s."""
        return self.count * self.candidate.seconds_at(self.pull_speed)

    @property
    def volume(self) -> float:
        """Liquid of all pulls in m³."""
        return self.count * self.candidate.volume_at(self.pull_speed)


@dataclass(frozen=True, kw_only=True, eq=False)
class PlannedHole:
    """A candidate hole of the plan, not approved data: its site, the opening it makes, and why."""

    site: Site
    opening: "Opening"
    why: str


@dataclass(frozen=True, kw_only=True, eq=False)
class Missed:
    """Sides that need film and do not get enough from the plan, with a reason each (place in `REASONS`)."""

    sides: IntArray = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    reasons: IntArray = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    areas: FloatArray = field(default_factory=lambda: np.zeros(0))

    def area_by_reason(self) -> dict[str, float]:
        """Return the m² of each reason that occurs."""
        sums = np.bincount(self.reasons, weights=self.areas, minlength=len(REASONS))
        return {name: float(area) for name, area in zip(REASONS, sums, strict=True) if area > 0}


@dataclass(frozen=True, kw_only=True)
class CurvePoint:
    """The most that a number of new holes can cover: share of area, and the proven upper bound."""

    holes: int
    coverage: float
    bound: float

    @property
    def proven(self) -> bool:
        """Say whether no other choice of so many candidates covers more (to a millionth)."""
        return self.bound - self.coverage <= 1e-6


@dataclass(frozen=True, kw_only=True)
class Shortfall:
    """Area in m² of one bay left short for one reason, and what would help."""

    bay: str
    reason: str
    area: float
    helps: str


@dataclass(frozen=True, kw_only=True, eq=False)
class Plan:
    """Which passes, how often, how fast, through which openings and holes; and how good it is proven.

    Parameters
    ----------
    passes : tuple of PlannedPass
        In the order of work.
    holes : tuple of PlannedHole
        New holes; candidates, not approved data.
    objective, bound, gap : float
        Seconds of the plan with liquid and set-ups priced in; the proven lower bound with these holes;
        their gap.
    new_holes, new_holes_bound : int
        Holes proposed; the fewest not disproven.
    proven : bool
        Is the number of holes proven to be the fewest, among the candidates?
    certificate : Certificate
        Weights on witness sides (rows of `sides`) that re-prove a bound without a solver.
    coverage, target : float
        Predicted share of the required area with its least film, and the share asked.
    met : bool
        Is the target predicted to be met?
    no_drill : float
        Share that the openings alone can cover.
    attainable : float
        Share that all openings and candidates together can cover.
    sides : (k,) int
        Side ids that the plan was made on.
    n_required : int
        Sides that need film; more than `len(sides)` where a sample was planned on.
    missed : Missed
        Sides of `sides` left short, with reasons.
    refused_sites : Refused
        Places where no hole may go, with reasons.
    refusals : tuple of Refusal
        Wands that do not go where asked, with limits.
    n_candidates, n_sites : int
        How many passes and sites there were to choose from.
    greedy_objective : float
        What plain greedy would have cost with the same holes.
    problem, cover :
        The cover problem that was solved and its answer, in numbers.
    curve : tuple of CurvePoint
        Coverage against the number of new holes, each point with its bound.
    pass_curve : tuple of float
        Share covered by the plan's best 0, 1, 2, ... passes, taken one after another by what they add.
    shortfalls : tuple of Shortfall
        What is left short, by bay and reason, largest first.
    holes_anywhere : int
        New holes that any plan needs, wherever they are and whatever the wand: sealed spaces that the
        target asks for.
    no_drill_passes : tuple of PlannedPass
        The plan without any new hole; that of `passes` where no hole is planned.
    no_drill_coverage : float
        What the plan without new holes covers.
    said : tuple of str
        What was looked at more coarsely than usual, in words.
    """

    passes: tuple[PlannedPass, ...]
    holes: tuple[PlannedHole, ...]
    objective: float
    bound: float
    gap: float
    new_holes: int
    new_holes_bound: int
    proven: bool
    certificate: Certificate
    coverage: float
    target: float
    met: bool
    no_drill: float
    attainable: float
    sides: IntArray
    n_required: int
    missed: Missed
    refused_sites: Refused
    refusals: tuple[Refusal, ...]
    n_candidates: int
    n_sites: int
    greedy_objective: float
    problem: Problem
    cover: Cover
    curve: tuple[CurvePoint, ...]
    pass_curve: tuple[float, ...]
    shortfalls: tuple[Shortfall, ...]
    holes_anywhere: int
    no_drill_passes: tuple[PlannedPass, ...]
    no_drill_coverage: float
    said: tuple[str, ...] = ()

    @property
    def scope(self) -> str:
        """What the proof speaks of."""
        sample = "" if len(self.sides) == self.n_required else f", a sample of {self.n_required}"
        return (
            f"{self.n_candidates} candidate passes of the wands given, through the openings found and "
            f"{self.n_sites} candidate sites, judged on {len(self.sides)} sides{sample}, by the film model "
            "of the plan; other wands, places or amounts are not spoken of."
        )

    @property
    def statement(self) -> str:
        """What is planned and proven, in a sentence or two."""
        said = f"{self._holes_sentence} {self._target_sentence}".strip()
        if self.met and self.new_holes > self.holes_anywhere:
            return f"{said} For places that are no candidates no such bound was had."
        return said

    @property
    def _holes_sentence(self) -> str:
        said = f"{self.new_holes} new hole" + ("" if self.new_holes == 1 else "s")
        scope = "with these wands"
        if self.n_sites:
            scope += f" and {self.n_sites} candidate sites"
        if self.new_holes == 0:
            return "0 new holes: the openings are enough." if self.met else "0 new holes."
        if self.proven:
            fewer = "0 proven" if self.new_holes == 1 else "fewer proven"
            return f"{said}; {fewer} not enough {scope}."
        return f"{said}; at least {self.new_holes_bound} proven to be needed {scope}."

    @property
    def _target_sentence(self) -> str:
        from bayreach.units import percent_text

        if self.met:
            return ""
        return (
            f"The target of {percent_text(self.target)} is not met: "
            f"{percent_text(self.attainable)} is the most "
            "that all openings and candidate sites together can cover."
        )
