"""A job's plan: made on columns of candidate passes, then sprayed for real with its holes cut."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from bayreach.arrays import FloatArray
from bayreach.bays import bay_at
from bayreach.cautions import cautions
from bayreach.cover import Limits
from bayreach.errors import JobError
from bayreach.job import Job
from bayreach.outcome import (
    HoleRecord,
    NoDrillRecord,
    PlanRecord,
    Result,
    ShortfallRecord,
    TradeOffRecord,
    quiet,
)
from bayreach.passes import KEPT_FILE, Kept, kept_bytes
from bayreach.plan import (
    Board,
    Ground,
    Plan,
    board_of,
    coverage_by,
    draft_of,
    lay_share,
    learnt,
    plan_on,
    proof_files,
    widened,
)
from bayreach.run._answer import answer, point
from bayreach.run._asked import asked_of, closed_of, drilling_of
from bayreach.run._checkable import checked_at, checks_record
from bayreach.run._site import Site, site_of
from bayreach.run._verify import Verified, real_film, short_sides, verified
from bayreach.run._wetting import Progress, flying_of
from bayreach.units import is_met, percent_text, significant
from bayreach.wands import Wand

ROUNDS = 5
"""Most times a plan is made: again where the full simulation finds it short of the target."""
STEP_ABOVE = 1e-3
"""Share of area asked for in a next round on top of what the columns still promise too much."""
SECONDS = (32.0, 16.0)
"""Work for the solver in the first round, and in each that mends it: counted seconds of one idle core."""
CURVE_SECONDS = 14.0
"""Work for the trade-off curve, counted; three fifths of it more for the plan without holes."""


def plan(job: Job, progress: Progress = quiet, *, no_drill: bool = False, kept: Kept | None = None) -> Result:
    """Return the plan for a job, verified by a full simulation with the proposed holes cut into the mesh.

    Columns known already are taken from `kept`, and those worked out are added to it.

    Raises
    ------
    JobError
        When the job has no wand, or names an opening or a part that the structure lacks.
    MeshError
        When the mesh cannot be read.
    PlanError
        When nothing can be planned: no way in, or nothing that needs film.
    """
    if not job.wands:
        message = f"{job.path.name}: there is no [[wand]] to plan with; describe one."
        raise JobError(message)
    progress("finding bays", 0.0)
    site = site_of(job)
    store = Kept() if kept is None else kept
    done = _best(site, _board(site, store, progress, no_drill=no_drill), progress)
    made = plan_on(done.draft, seconds=CURVE_SECONDS, progress=_share_of(progress))
    return _answer_of(done, made, store)


def plan_share(job: Job, share: tuple[int, int], progress: Progress = quiet) -> Kept:
    """Return one share (k of n) of the columns that `plan` needs for a job, for `plan` to be told as `kept`.

    Raises
    ------
    JobError, MeshError, PlanError
        As `plan`.
    """
    site, store = site_of(job), Kept()
    lay_share(
        _ground(site),
        _wands(job),
        asked_of(site),
        share=share,
        closed=closed_of(site),
        drilling=drilling_of(site) if job.drilling.allowed else None,
        seed=job.film.seed,
        kept=store,
        progress=_share_of(progress),
    )
    return store


def _ground(site: Site) -> Ground:
    return Ground(
        bays=site.bays,
        scene=site.scene,
        space=site.space,
        air=site.air,
        flying={wand.name: flying_of(site, wand.tip) for wand in site.job.wands},
        down=site.job.down,
    )


def _wands(job: Job) -> list[Wand]:
    """Return the wands that the work may be done with."""
    return [wand for wand in job.wands if not job.work.wands or wand.name in job.work.wands]


def _board(site: Site, kept: Kept, progress: Progress, *, no_drill: bool) -> Board:
    job = site.job
    return board_of(
        _ground(site),
        _wands(job),
        asked_of(site),
        closed=closed_of(site),
        limits=Limits(passes_per_entry=job.work.passes_per_opening, passes=job.work.passes),
        drilling=drilling_of(site) if job.drilling.allowed and not no_drill else None,
        seed=job.film.seed,
        kept=kept,
        progress=_share_of(progress),
    )


def _best(site: Site, board: Board, progress: Progress) -> Verified:
    """Return a draft that the full simulation finds to meet the target, or the best of some rounds.

    Where it falls short, the sides that do are planned on each for itself, the film that the columns promise
    beyond what came about is asked for on top side by side, and what is then still promised too much as area.
    """
    told = _share_of(progress)
    best: Verified | None = None
    last: Verified | None = None
    above, short = 0.0, np.zeros(0, dtype=np.int64)
    for number in range(ROUNDS):
        draft = draft_of(board, above=above, seconds=SECONDS[min(number, 1)], progress=told)
        board = draft.board  # without the passes whose motion was found not to be clear
        last = verified(site, draft, last, progress)
        if last.is_better_than(best):
            best = last
        if last.coverage.met or not draft.found.met:
            break
        short = np.union1d(short, short_sides(last))
        board = learnt(widened(board, short, told), draft.found.amounts, real_film(last))
        promised = coverage_by(board, draft.found.amounts) - last.share
        above = max(above + STEP_ABOVE, promised + STEP_ABOVE)
    assert best is not None
    return best


def _answer_of(done: Verified, made: Plan, kept: Kept) -> Result:
    job = done.site.job
    checked = checked_at(done.site, {pull.opening for pull in done.pulls})
    result = answer(
        done.site,
        done.pulls,
        done.wet,
        shares=done.shares,
        can_check=checked.can,
        warnings=_warnings(done, made),
    )
    outcome = replace(
        result.outcome,
        cautions=cautions(settled="settled" in job.film.mechanisms, holes=True),
        checks=checks_record(done.site, checked, done.shares.covered),
        plan=PlanRecord(
            objective=made.objective,
            bound=made.bound,
            gap=made.gap,
            new_holes=made.new_holes,
            new_holes_bound=made.new_holes_bound,
            proven=made.proven,
            no_drill=NoDrillRecord(
                coverage=made.no_drill_coverage,
                covered_m2=made.no_drill_coverage * result.outcome.coverage.required_m2,
                passes=len(made.no_drill_passes),
                liquid_m3=sum(chosen.volume for chosen in made.no_drill_passes),
                met=is_met(made.no_drill_coverage, job.target.coverage),
            ),
            statement=made.statement,
            certificate="certificate.json",
            shortfalls=tuple(
                ShortfallRecord(bay=one.bay, reason=one.reason, area_m2=one.area, helps=one.helps)
                for one in made.shortfalls
            ),
            trade_off=tuple(
                TradeOffRecord(new_holes=one.holes, coverage=one.coverage, bound=one.bound, proven=one.proven)
                for one in made.curve
            ),
            coverage_by_passes=made.pass_curve,
        ),
        holes=tuple(
            HoleRecord(
                center_m=point(hole.site.center),
                normal=point(hole.site.inward),
                drill_mm=hole.site.drill.diameter * 1e3,
                drill_name=hole.site.drill.name,
                edge_distance_m=hole.site.edge_distance,
                closes_with=hole.site.closes_with,
                why=hole.why,
                name=hole.opening.name,
                bay=done.site.bays.bays[hole.site.bay].name,
                part=done.part_of(hole.site.face),
            )
            for hole in made.holes
        ),
    )
    return replace(
        result, outcome=outcome, files={**result.files, **proof_files(made), KEPT_FILE: kept_bytes(kept)}
    )


def _warnings(done: Verified, made: Plan) -> list[str]:
    """Return what the plan could not do, and where the full simulation differs from what it predicted."""
    said = list(made.said)
    said += [
        f"{significant(area * 1e4)} cm² are left short by the plan: {reason}."
        for reason, area in made.missed.area_by_reason().items()
    ]
    entered = {span for chosen in made.passes for span in _bays_of(done, chosen.candidate.tip_path.points)}
    for bay in done.site.bays.bays:
        if bay.index in entered or bay.sealed:
            continue
        near = [refusal for refusal in made.refusals if refusal.bay == bay.name]
        least = min(near, key=lambda refusal: refusal.short_by, default=None)
        why = "" if least is None else f': wand "{least.wand}" through "{least.opening}" {least.reason}'
        said.append(f"No pass of the plan enters {bay.name}{why}.")
    if done.coverage.fraction is not None:
        said.append(
            f"Coverage predicted {percent_text(made.coverage)}, verified in full {percent_text(done.share)}."
        )
    return said


def _bays_of(done: Verified, points: FloatArray) -> set[int]:
    """Return the bays in which a path's ends and quarter points lie."""
    share = np.linspace(0.0, 1.0, 9)[:, None]
    return set(bay_at(done.site.bays, points[0] + share * (points[-1] - points[0])).tolist())


def _share_of(progress: Progress) -> Callable[[str, int, int], None]:
    def told(stage: str, done: int, total: int) -> None:
        progress(stage, done / total if total else 0.0)

    return told
