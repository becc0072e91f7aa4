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

ROUNDS = 4
"""Most times a plan is made with a greater margin."""
STEP = 1.2
"""Factor by which a margin that was too small grows."""
FRESH = 1_000_003
"""Added to the seed for the samples that judge a plan: none of them took part in making it."""

Progress = Callable[[str, float], None]


@dataclass(frozen=True, kw_only=True, eq=False)
class SurePlan:
    """A plan made with a margin, judged on fresh samples against what is really needed.

    Parameters
    ----------
    result : Result
        The plan; its least film is the needed one times `margin`.
    margin : float
        Factor on the least film.
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
    fresh
    samples against the film really needed; where the area that is sure misses the target, the margin grows
    by a
    fifth, at most four times. A margin buys film, not another way to a side that a small tilt puts in
    shadow, so it
    may fall short: `met` says so.

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
    margin = first_margin(job, sure)
    best = _judged(job, nominal, margin=margin, sure=sure, kept=store, progress=progress)
    for _ in range(ROUNDS - 1):
        if best.met:
            break
        margin *= STEP
        found = _judged(job, nominal, margin=margin, sure=sure, kept=store, progress=progress)
        best = max(best, found, key=lambda one: one.sure_fraction)
    return best


def _judged(
    job: Job, nominal: Outcome, *, margin: float, sure: float, kept: Kept, progress: Progress
) -> SurePlan:
    target = job.target
    raised = replace(
        target, film_min=margin * target.film_min, film_max=max(target.film_max, margin * target.film_min)
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
        doubt=record,
        sure=sure,
        sure_fraction=share,
        met=share >= target.coverage,
        nominal=nominal,
    )


def _seconds(outcome: Outcome) -> float:
    return sum(one.seconds for one in outcome.passes)
