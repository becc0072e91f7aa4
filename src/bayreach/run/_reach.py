"""What each wand of a job gets through, reaches and sees."""

import math

from bayreach.errors import JobError
from bayreach.job import Job
from bayreach.outcome import BayReachRecord, ReachRecord, quiet
from bayreach.reach import Reach, ground_of
from bayreach.reach import reach as try_all
from bayreach.run._site import site_of
from bayreach.run._wetting import Progress


def reach(job: Job, progress: Progress = quiet) -> tuple[ReachRecord, ...]:
    """Return one record for each wand through each opening that leads outside.

    Raises
    ------
    JobError
        When the job has no wand, or names an opening or a part that the structure lacks.
    MeshError
        When the mesh cannot be read.
    """
    if not job.wands:
        message = f"{job.path}: there is no [[wand]] to try; describe one."
        raise JobError(message)
    progress("finding bays", 0.0)
    site = site_of(job)
    ground = ground_of(site.space, site.scene, down=job.down)
    return tuple(_record(row) for row in try_all(ground, job.wands, progress=progress))


def _record(row: Reach) -> ReachRecord:
    return ReachRecord(
        wand=row.wand,
        opening=row.opening,
        fits=row.fits,
        depth_m=row.depth,
        max_tilt_deg=None if row.max_tilt is None else math.degrees(row.max_tilt),
        bays_reached=row.bays_reached,
        visible_m2=row.visible_area,
        limit=row.limit,
        aims_sr=row.solid_angle,
        bays=tuple(
            BayReachRecord(
                bay=bay.bay,
                reached=bay.reached,
                tip_volume_m3=bay.tip_volume,
                tip_volume_error_m3=bay.tip_volume_error,
                visible_m2=bay.visible_area,
                visible_share=bay.visible_share,
                limit=bay.limit,
                short_by_m=bay.short_by if math.isfinite(bay.short_by) else None,
            )
            for bay in row.bays
        ),
    )
