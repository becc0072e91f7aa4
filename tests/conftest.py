"""What several test files begin with: a short search for plans; the studio's small job, bench and state."""

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from small_job import small_job

if TYPE_CHECKING:
    from bayreach.studio._bench import Bench


@pytest.fixture(scope="module")
def brief_search() -> Iterator[None]:
    """Cut the counted search for a plan's least work to an eighth: holes and coverage are found before it."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("bayreach.run._plan.SECONDS", (4.0, 2.0))
        patch.setattr("bayreach.run._plan.CURVE_SECONDS", 3.0)
        yield


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
