"""What several test files of the studio begin with: a small job, the bench of it, the page's first state."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from small_job import small_job

if TYPE_CHECKING:
    from bayreach.studio._bench import Bench


@pytest.fixture(scope="module")
def studio_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder of a small job, job.toml."""
    made = tmp_path_factory.mktemp("studio")
    small_job(made)
    return made


@pytest.fixture(scope="module")
def bench(studio_folder: Path) -> "Bench":
    """Return the studio's bench of that job, without a server."""
    from bayreach.job import load_job
    from bayreach.studio._bench import Bench

    return Bench(load_job(studio_folder / "job.toml"))


@pytest.fixture
def start(bench: "Bench") -> dict[str, Any]:
    """Return the state that the studio's page begins with."""
    from studio_server import first_table

    return first_table(bench)
