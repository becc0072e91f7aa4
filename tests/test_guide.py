"""The guide is built from the code: what can drift is made, and a warning is an error."""

import importlib.util
import json
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).parents[1]
SCRIPT = ROOT / ".docs" / "build.py"


@pytest.fixture(scope="module")
def guide() -> ModuleType:
    """Return the module that builds the guide."""
    spec = importlib.util.spec_from_file_location("guide", SCRIPT)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_every_key_of_the_job_file_is_in_the_guide(guide: ModuleType) -> None:
    from bayreach.job import job_schema

    page = guide.pages()["job.md"]
    schema = job_schema()
    for table in [schema, *schema["$defs"].values()]:
        for key in table["properties"]:
            assert f"| `{key}` |" in page


def test_every_key_of_the_result_is_in_the_guide(guide: ModuleType) -> None:
    from bayreach.outcome import result_schema

    page = guide.pages()["result.md"]
    schema = result_schema()
    for table in [schema, *schema["$defs"].values()]:
        for key in table.get("properties", ()):
            assert f"| `{key}` |" in page


def test_every_schema_that_is_published_is_in_the_guide_with_each_of_its_keys(guide: ModuleType) -> None:
    from bayreach.cli._schemas import NAMES, schema_named

    page = guide.pages()["json.md"]
    assert "Parameters\n---" not in page  # told as a list, not as a heading
    for name in {*NAMES} - {"job", "result"}:
        assert f"\n## {name}\n" in page
        schema = schema_named(name)
        for table in [schema, *schema.get("$defs", {}).values()]:
            for key in table.get("properties", ()):
                assert f"| `{key}` |" in page


def test_every_command_is_in_the_guide(guide: ModuleType) -> None:
    from bayreach.cli._commands import app

    page = guide.pages()["commands.md"]
    for name in app:
        assert name.startswith("-") or f"## {name}\n" in page


def test_the_guide_builds_without_a_warning(tmp_path: Path) -> None:
    text = (
        f"import sys; sys.path.insert(0, {str(SCRIPT.parent)!r}); from pathlib import Path; import build;"
        f"sys.exit(build.build(Path({json.dumps(str(tmp_path / 'guide'))})))"
    )
    ended = subprocess.run([sys.executable, "-c", text], capture_output=True, text=True, check=False)
    assert ended.returncode == 0, ended.stderr
    assert (tmp_path / "guide" / "html" / "index.html").is_file()
