"""Results of an earlier version: still made the same within a schema version, and still read.

`tests/gold/README.md` says how to accept new ones after a wanted change of the numbers.
"""

import json
import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from boxjob import write_box_job
from gold_pictures import GOLD

from bayreach.cli import main

RESULT = GOLD / "result"

RELATIVE = 1e-5
"""Films are summed in single precision, and processors round a little differently."""

UNLIKE = ("versions", "engine", "inputs")
"""Keys that tell of the machine, the version or the bytes of the inputs."""


def numbers_and_words(value: Any, where: str = "") -> Iterator[tuple[str, Any]]:
    """Yield every leaf of a record with the keys that lead to it."""
    if isinstance(value, dict):
        for key, inner in value.items():
            if key not in UNLIKE:
                yield from numbers_and_words(inner, f"{where}.{key}")
    elif isinstance(value, list):
        yield f"{where}#", len(value)
        for place, inner in enumerate(value):
            yield from numbers_and_words(inner, f"{where}[{place}]")
    else:
        yield where, value


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("gold")
    job = write_box_job(folder)
    assert main(["spray", str(job), "-o", str(folder / "out")]) in (0, 2)
    if os.environ.get("ACCEPT_GOLD"):
        shutil.rmtree(RESULT, ignore_errors=True)
        RESULT.mkdir()
        for name in ("result.json", "film.vtp", "passes.csv", "film_passes.npz"):
            shutil.copy(folder / "out" / name, RESULT / name)
    return folder / "out"


def test_the_accepted_job_gives_the_accepted_result(made: Path) -> None:
    found, wanted = (
        dict(numbers_and_words(json.loads((folder / "result.json").read_text()))) for folder in (made, RESULT)
    )
    # A key may be added within a schema version, none may go.
    assert set(wanted) <= set(found)
    for where, value in wanted.items():
        if where.startswith(".files."):
            # A hash is of bytes, which the last digit of one film moves.
            assert len(found[where]) == len(value), where
        elif isinstance(value, float):
            assert found[where] == pytest.approx(value, rel=RELATIVE, abs=1e-12), where
        else:
            assert found[where] == value, where


def test_a_result_of_an_earlier_version_is_compared_drawn_and_put_into_documents(
    made: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    old = tmp_path / "old"
    shutil.copytree(RESULT, old)
    assert main(["compare", str(old), str(made)]) == 0
    assert main(["show", str(old), "--png", str(tmp_path / "old.png")]) == 0
    assert main(["sheets", str(old)]) in (0, 2)
    assert (old / "sheet.html").stat().st_size > 100_000
    assert "Traceback" not in capsys.readouterr().err
