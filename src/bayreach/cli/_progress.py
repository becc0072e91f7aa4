"""Progress on a terminal, on the error stream; silence everywhere else."""

import contextlib
import sys
from collections.abc import Callable, Iterator

Progress = Callable[[str, float], None]


def _quiet(stage: str, share: float) -> None:
    """Say nothing."""


@contextlib.contextmanager
def watched(*, hidden: bool = False) -> Iterator[Progress]:
    """Yield a function that shows a stage and its share (0 to 1) as a bar where a person watches."""
    if hidden or not sys.stderr.isatty():
        yield _quiet
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.description}", markup=False), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("starting", total=1.0)

        def show(stage: str, share: float) -> None:
            bar.update(task, description=stage, completed=min(max(share, 0.0), 1.0))

        yield show
