"""A plan whose covered sides stay covered when a hand varies: planned for more film than is needed."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from bayreach.doubt._factors import DoubtError
from bayreach.doubt._folder import doubt_at, stored_site
from bayreach.job import Job
from bayreach.outcome import DoubtRecord, Outcome, Result, quiet
from bayreach.passes import Kept
from bayreach.run import plan

ROUNDS = 5
"""Most times a plan is made, each with more asked of it than the last."""
STEP = 1.15
"""Factor by which the margin grows where more area could not be had."""
ABOVE = 2e-3
"""Share of area asked for on top of what the last plan lacked."""
MOST_ASKED = 0.995
"""Greatest share of area that is asked of a plan."""
FRESH = 1_000_003
"""Added to the seed for the samples that judge a plan: none of them took part in making it."""

Progress = Callable[[str, float], None]


@dataclass(frozen=True, kw_only=True, eq=False)
class SurePlan:
    """A plan made with a margin, judged on fresh samples against what is really needed.

    Parameters
    ----------
    result : Result
        The plan; its least film is the needed one times `margin`, and its target `asked`.
    margin : float
        Factor on the least film.
    asked : float
        Share of the required area that the plan was asked to cover with that film.
    doubt : DoubtRecord
        Chances to reach the film really needed.
    sure : float
        The chance asked of a covered side.
    sure_fraction : float
        Share of required area with that chance or more.
    met : bool
        Whether that share reaches the job's target.
    nominal : Outcome
        The plan without margin, to compare with.
    """

    result: Result
    margin: float
    asked: float
    doubt: DoubtRecord
    sure: float
    sure_fraction: float
    met: bool
    nominal: Outcome

    @property
    def more_holes(self) -> int:
        """New holes beyond those of the nominal plan."""
        return len(self.result.outcome.holes or ()) - len(self.nominal.holes or ())

    @property
    def more_seconds(self) -> float:
        """Trigger time in s beyond that of the nominal plan."""
        return _seconds(self.result.outcome) - _seconds(self.nominal)

    @property
    def more_pulls(self) -> int:
        """Pulls beyond those of the nominal plan."""
        return _pulls(self.result.outcome) - _pulls(self.nominal)


def first_margin(job: Job, sure: float) -> float:
    """Return the factor on the least film that covers the spread of speed and flow alone.

    exp(z s), s² = s_speed² + s_flow²: the quantile of a log-normal film of one pull at the chance asked; z is
    the normal quantile of `sure`.

    >>> from types import SimpleNamespace as Case
    >>> settings = Case(pull_speed=0.15, flow=0.05)
    >>> round(first_margin(Case(doubt=settings), 0.95), 3)
    1.297
    """
    from scipy.special import ndtri

    return float(np.exp(ndtri(sure) * np.hypot(job.doubt.pull_speed, job.doubt.flow)))


def sure_plan(
    job: Job, *, sure: float = 0.95, kept: Kept | None = None, progress: Progress = quiet
) -> SurePlan:
    """Return a plan whose covered sides are covered with a chance of `sure` or more, as far as margins can.

    Margin method: the least film is raised by `first_margin`, the job planned anew and its passes doubted on
    fresh samples against the film really needed. Where the area that is sure misses the target, what it lacks
    is asked for as more area, as film alone buys no other way to a side that a small tilt puts in shadow;
    where a plan cannot give that area, the margin grows by `STEP`. The last of at most `ROUNDS` plans that
    meets the target is returned, else the surest: `met` says which. The samples that decide took no part in
    making any plan.

    Raises
    ------
    DoubtError
        When `sure` is no chance between one half and one.
    PlanError, JobError, MeshError
        As `run.plan`.
    """
    if not 0.5 <= sure < 1.0:
        message = f"sure: {sure:g} found; a chance from 0.5 to below 1 is needed, as 0.95."
        raise DoubtError(message)
    store = Kept() if kept is None else kept
    nominal = plan(job, progress, kept=store).outcome
    margin, asked = first_margin(job, sure), job.target.coverage
    best = _judged(job, nominal, (margin, asked, sure), kept=store, progress=progress)
    last = best
    for _ in range(ROUNDS - 1):
        if best.met:
            break
        lacks = job.target.coverage - last.sure_fraction + ABOVE
        if last.result.outcome.coverage.met and asked < MOST_ASKED:
            asked = min(MOST_ASKED, asked + lacks)
        else:
            margin *= STEP
        last = _judged(job, nominal, (margin, asked, sure), kept=store, progress=progress)
        best = max(best, last, key=lambda one: one.sure_fraction)
    return best


def _judged(
    job: Job, nominal: Outcome, wanted: tuple[float, float, float], *, kept: Kept, progress: Progress
) -> SurePlan:
    """Return the plan for (margin, share asked, chance), judged on fresh samples."""
    margin, asked, sure = wanted
    target = job.target
    raised = replace(
        target,
        film_min=margin * target.film_min,
        film_max=max(target.film_max, margin * target.film_min),
        coverage=asked,
    )
    result = plan(replace(job, target=raised), progress, kept=kept)
    site, pulls = stored_site(job, result.outcome)
    settings = replace(job.doubt, seed=job.doubt.seed + FRESH)
    record, arrays = doubt_at(site, pulls, settings, progress=progress)
    areas, chance = site.side_areas[site.required], arrays["chance"][site.required]
    share = float(areas[chance >= sure].sum() / areas.sum())
    return SurePlan(
        result=result,
        margin=margin,
        asked=asked,
        doubt=record,
        sure=sure,
        sure_fraction=share,
        met=share >= target.coverage,
        nominal=nominal,
    )


def _seconds(outcome: Outcome) -> float:
    return sum(one.seconds for one in outcome.passes)


def _pulls(outcome: Outcome) -> int:
    return sum(one.count for one in outcome.passes)
