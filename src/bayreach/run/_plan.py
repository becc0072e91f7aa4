"""A job's plan: made on columns of candidate passes, then sprayed for real with its holes cut."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from bayreach.arrays import FloatArray, IntArray
from bayreach.bays import Given, bay_at
from bayreach.cautions import cautions
from bayreach.errors import JobError
from bayreach.film import Column
from bayreach.holes import Zone
from bayreach.job import Job, KeepOut
from bayreach.outcome import HoleRecord, NoDrillRecord, PlanRecord, Result, quiet
from bayreach.plan import Asked, Drilling, Plan, make_plan, proof_files
from bayreach.run._answer import answer, coverage_record, point, shares_of
from bayreach.run._pulls import Pull
from bayreach.run._site import Site, site_of
from bayreach.run._wetting import Progress, Wetting, flying_of, settling_of, wetting
from bayreach.tips import Tip
from bayreach.units import is_met, percent_text

ROUNDS = 3
"""Most times a plan is made: again where the full simulation finds it short of the target."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Verified:
    """A plan, the site it was made on, that site with its holes cut, and what is really left there."""

    plan: Plan
    planned_on: Site
    site: Site
    pulls: tuple[Pull, ...]
    wet: Wetting

    def part_of(self, face: int) -> str:
        """Return the part that a face of the mesh planned on belongs to."""
        mesh = self.planned_on.mesh
        return mesh.part_names[int(mesh.face_parts[face])]


def plan(job: Job, progress: Progress = quiet, *, no_drill: bool = False) -> Result:
    """Return the plan for a job, verified by a full simulation with the proposed holes cut into the mesh.

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
    drilling = drilling_of(site) if job.drilling.allowed and not no_drill else None
    asked, include = asked_of(site), np.zeros(0, dtype=np.int64)
    cache: dict[str, Column] = {}
    for _ in range(ROUNDS):
        made = _made(site, asked, drilling, include=include, cache=cache, progress=progress)
        done = verified(site, made, progress)
        short = _shortfall(done)
        if short <= 0.0 or not made.met:
            break
        # The sample planned on was kinder than the whole: ask for more, on the sides that fell short too.
        if done.site is site:
            include = np.union1d(include, np.flatnonzero(site.required & ~shares_of(site, done.wet).covered))
        # What the columns promised beyond what came true is asked for on top, and a little more.
        over = made.coverage - job.target.coverage + short
        asked = replace(asked, share=min(1.0, job.target.coverage + over + 1e-3))
    return _answer_of(done, target=job.target.coverage)


def _made(
    site: Site,
    asked: Asked,
    drilling: Drilling | None,
    *,
    include: IntArray,
    cache: dict[str, Column],
    progress: Progress,
) -> Plan:
    job = site.job
    return make_plan(
        bays=site.bays,
        scene=site.scene,
        space=site.space,
        wands=job.wands,
        asked=asked,
        air=site.air,
        drilling=drilling,
        flying={wand.name: flying_of(site, wand.tip) for wand in job.wands},
        down=job.down,
        include=include,
        cache=cache,
        seed=job.film.seed,
        progress=_share_of(progress),
    )


def _shortfall(done: Verified) -> float:
    """Return by how much the verified share of the required area misses the target."""
    real = coverage_record(done.site, shares_of(done.site, done.wet)).fraction
    return 0.0 if real is None else done.site.job.target.coverage - real


def asked_of(site: Site) -> Asked:
    """Return what the plan is asked for: wet film needed and allowed on every side, weights and the share."""
    target = site.job.target
    settled = None
    if "settled" in site.job.film.mechanisms:
        settled = {wand.name: settled_per_fog(site, wand.tip) for wand in site.job.wands}
    return Asked(
        required=site.required,
        need=target.film_min / site.wet_share + site.uptake,
        limit=target.film_max / site.wet_share + site.uptake,
        priority=site.priority,
        share=target.coverage,
        settled_per_fog=settled,
    )


def settled_per_fog(site: Site, tip: Tip) -> FloatArray:
    """Return the film (2n, n_bays) in m on each side per m³ of a tip's fog put into each bay."""
    settling = settling_of(site, tip)
    return np.stack([settling.film(unit) for unit in np.eye(len(site.bays.bays))], axis=1)


def drilling_of(site: Site) -> Drilling:
    """Return where holes may be proposed, by the job's [drilling] table and its keep-outs."""
    asked = site.job.drilling
    allowed = None
    if asked.part is not None:
        allowed = site.mesh.face_parts == site.part_index(asked.part)
    elif asked.box is not None or asked.plane is not None:
        centers = site.mesh.corners.mean(axis=1)
        allowed = np.ones(len(centers), dtype=np.bool_)
        if asked.box is not None:
            allowed &= ((centers >= asked.box[0]) & (centers <= asked.box[1])).all(axis=1)
        if asked.plane is not None:
            place, normal, within = asked.plane
            allowed &= np.abs((centers - place) @ normal) <= within
    return Drilling(
        allowed=allowed,
        system=asked.drills,
        skin=asked.skin,
        zones=tuple(_zone(site, entry) for entry in site.job.keep_outs if entry.no in ("drill", "both")),
        most=asked.most,
    )


def _zone(site: Site, entry: KeepOut) -> Zone:
    if entry.part is None:
        return Zone(name=entry.name, box=entry.box)
    mesh = site.mesh
    return Zone(name=entry.name, corners=mesh.corners[mesh.face_parts == site.part_index(entry.part)])


def verified(site: Site, made: Plan, progress: Progress) -> Verified:
    """Return what the plan's passes really leave once its holes are cut into the mesh."""
    progress("verifying", 0.0)
    holes = tuple(
        Given(
            name=hole.opening.name,
            center=hole.site.center,
            diameter=hole.site.drill.diameter,
            normal=hole.site.inward,
            kind="proposed",
        )
        for hole in made.holes
    )
    cut = site_of(site.job, read=site.read, proposed=holes) if holes else site
    pulls = tuple(
        Pull(
            wand=chosen.candidate.wand,
            opening=chosen.candidate.opening,
            aim=chosen.candidate.aim,
            clock=chosen.candidate.clock,
            path=chosen.candidate.tip_path,
            speed=chosen.pull_speed,
            count=chosen.count,
            through=chosen.candidate.through,
        )
        for chosen in made.passes
    )
    return Verified(plan=made, planned_on=site, site=cut, pulls=pulls, wet=wetting(cut, pulls, progress))


def _answer_of(done: Verified, *, target: float) -> Result:
    made, job = done.plan, done.site.job
    result = answer(done.site, done.pulls, done.wet, warnings=_warnings(done))
    outcome = replace(
        result.outcome,
        cautions=cautions(settled="settled" in job.film.mechanisms, holes=True),
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
                met=is_met(made.no_drill_coverage, target),
            ),
            statement=made.statement,
            certificate="certificate.json",
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
    return replace(result, outcome=outcome, files=proof_files(made))


def _warnings(done: Verified) -> list[str]:
    """Return what the plan could not do, and where the full simulation differs from what it predicted."""
    made = done.plan
    said = [
        f"{area * 1e4:.3g} cm² are left short by the plan: {reason}."
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
    real = coverage_record(done.site, shares_of(done.site, done.wet)).fraction
    if real is not None:
        said.append(
            f"Coverage predicted {percent_text(made.coverage)}, verified in full {percent_text(real)}."
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
