"""What each of a job's wands reaches through each opening."""

from collections.abc import Sequence

import numpy as np

from bayreach import reach as reaching
from bayreach.errors import JobError
from bayreach.job import Job
from bayreach.outcome import BayReachRecord, ReachRecord, quiet
from bayreach.run._site import Site, site_of
from bayreach.run._wetting import Progress
from bayreach.wands import Wand


def reach(job: Job, progress: Progress = quiet, *, wand: str | None = None) -> tuple[ReachRecord, ...]:
    """Return what each wand (or the one named) reaches through each opening that leads outside.

    Raises
    ------
    JobError
        When the job has no wand, or none of that name.
    MeshError
        When the mesh cannot be read.
    """
    wands = _chosen(job, wand)
    progress("finding bays", 0.0)
    return reach_in(site_of(job), wands, progress)


def reach_in(site: Site, wands: Sequence[Wand], progress: Progress = quiet) -> tuple[ReachRecord, ...]:
    """Return what `wands` reach in a site that is ready."""
    ground = reaching.ground_of(site.space, site.scene, down=site.job.down)
    return tuple(_record(row) for row in reaching.reach(ground, wands, progress=progress))


def _chosen(job: Job, name: str | None) -> tuple[Wand, ...]:
    names = [wand.name for wand in job.wands]
    if not names:
        message = f"{job.path.name}: there is no [[wand]] to try; describe one."
        raise JobError(message)
    if name is None:
        return job.wands
    if name not in names:
        message = f'{job.path.name}: no wand is called "{name}"; it has {", ".join(names)}.'
        raise JobError(message)
    return (job.wand_named(name),)


def _record(row: reaching.Reach) -> ReachRecord:
    return ReachRecord(
        wand=row.wand,
        opening=row.opening,
        fits=row.fits,
        depth_m=row.depth,
        max_tilt_deg=None if row.max_tilt is None else float(np.degrees(row.max_tilt)),
        bays_reached=row.bays_reached,
        visible_m2=row.visible_area,
        in_pattern_m2=row.in_pattern_area,
        limit=row.limit,
        aims_sr=row.solid_angle,
        searched=row.searched,
        bays=tuple(_bay_record(bay) for bay in row.bays),
    )


def _bay_record(bay: reaching.BayReach) -> BayReachRecord:
    return BayReachRecord(
        bay=bay.bay,
        reached=bay.reached,
        tip_volume_m3=bay.tip_volume,
        tip_volume_error_m3=bay.tip_volume_error,
        visible_m2=bay.visible_area,
        visible_share=bay.visible_share,
        in_pattern_m2=bay.in_pattern_area,
        in_pattern_share=bay.in_pattern_share,
        limit=bay.limit,
        short_by_m=bay.short_by if np.isfinite(bay.short_by) else None,
        searched=bay.searched,
    )
