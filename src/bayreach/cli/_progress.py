"""Progress on a terminal, on the error stream; silence everywhere else."""

import contextlib
import sys
import time
from collections.abc import Callable, Iterator

Progress = Callable[[str, float], None]

TOLD_AFTER = 2.0
"""Seconds of a stage after which the time it still takes is told."""


def _quiet(stage: str, share: float) -> None:
    """Say nothing."""


class TimeLeft:
    """How long the stage in hand still takes, told once it has taken two seconds."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock, self._stage, self._began = clock, "", clock()

    def told(self, stage: str, share: float) -> str:
        """Return "about 1 min 20 s left" from the share of a stage that is done; nothing before two seconds.

        >>> seconds = iter([0.0, 0.0, 1.0, 10.0])
        >>> left = TimeLeft(lambda: next(seconds))
        >>> left.told("spraying", 0.0), left.told("spraying", 0.1), left.told("spraying", 0.1)
        ('', '', 'about 1 min 30 s left')
        """
        now = self._clock()
        if stage != self._stage:
            self._stage, self._began = stage, now
        spent = now - self._began
        if spent < TOLD_AFTER or not 0.0 < share < 1.0:
            return ""
        left = round(spent * (1.0 - share) / share)
        return f"about {left // 60} min {left % 60} s left" if left >= 60 else f"about {left} s left"


@contextlib.contextmanager
def watched(*, hidden: bool = False) -> Iterator[Progress]:
    """Yield a function that shows a stage and its share (0 to 1) as a bar where a person watches."""
    if hidden or not sys.stderr.isatty():
        yield _quiet
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        TimeElapsedColumn(),
        TextColumn("{task.fields[left]}", markup=False),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("starting", total=1.0, left="")
        eta = TimeLeft()

        def show(stage: str, share: float) -> None:
            done = min(max(share, 0.0), 1.0)
            bar.update(task, description=stage, completed=done, left=eta.told(stage, done))

        yield show
