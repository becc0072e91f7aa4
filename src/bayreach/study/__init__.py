"""Many jobs at once: on processes of this machine or a Dask cluster, resumable, with one overview."""

from bayreach.study._overview import BayRow, JobRow, MirrorRow, Overview, mirrors_of
from bayreach.study._study import study
from bayreach.study._tasks import Refused, Task, tasks_of
from bayreach.study._workers import StudyError

__all__ = [
    "BayRow",
    "JobRow",
    "MirrorRow",
    "Overview",
    "Refused",
    "StudyError",
    "Task",
    "mirrors_of",
    "study",
    "tasks_of",
]
