"""The passes a job writes, sprayed."""

from bayreach.errors import JobError
from bayreach.job import Job
from bayreach.outcome import Result, quiet
from bayreach.run._answer import answer
from bayreach.run._pulls import written_pulls
from bayreach.run._site import site_of
from bayreach.run._wetting import Progress, wetting


def spray(job: Job, progress: Progress = quiet) -> Result:
    """Return the film that the job's written passes leave.

    A pass whose wand cannot go there is not sprayed; the outcome's warnings name it and its limit.

    Raises
    ------
    JobError
        When the job has no pass, or names an opening or a part that the structure lacks.
    MeshError
        When the mesh cannot be read.
    """
    if not job.passes:
        message = f"{job.path.name}: there is no [[pass]] to spray; write one, or let `bayreach plan` choose."
        raise JobError(message)
    progress("finding bays", 0.0)
    site = site_of(job)
    pulls, refusals = written_pulls(site)
    wet = wetting(site, pulls, progress)
    refused = [
        f'Not sprayed: wand "{refusal.wand}" through "{refusal.opening}": {refusal.reason}.'
        for refusal in refusals
    ]
    return answer(site, pulls, wet, warnings=refused)
