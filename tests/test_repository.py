"""The repository keeps its own promises: layout, sizes, documents that match the code.

Run as a script it writes the rooms table of the contributors' page anew.
"""

import ast
import re
import subprocess
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "src", "meshes", "tests", "examples"}


def tracked() -> list[str]:
    """Return the paths that git tracks; skip where the tests run from an unpacked archive."""
    if not (ROOT / ".git").exists():
        pytest.skip("not a git checkout: the list of tracked files is unknown")
    run = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True)
    return run.stdout.split("\n")[:-1]


def contract() -> list[list[str]]:
    """Return the rooms of the import contract, highest line first."""
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text())
    layers = settings["tool"]["importlinter"]["contracts"][0]["layers"]
    return [[room.strip() for room in line.split("|")] for line in layers]


def first_sentence(room: str) -> str:
    """Return the first sentence of a room's docstring on one line."""
    source = ROOT / "src" / "bayreach" / room
    path = source / "__init__.py" if source.is_dir() else source.with_suffix(".py")
    text = ast.get_docstring(ast.parse(path.read_text())) or ""
    return " ".join(text.split("\n\n")[0].split())


def rooms_table() -> str:
    """Return the table of rooms, highest line of the contract first."""
    rows = ["", "| line | room | what happens in it |", "| --- | --- | --- |"]
    lines = contract()
    for height, rooms in zip(range(len(lines), 0, -1), lines, strict=True):
        rows += [f"| {height} | `{room}` | {first_sentence(room)} |" for room in rooms]
    return "\n".join(rows) + "\n"


def test_the_top_level_holds_only_what_the_layout_names():
    """A newcomer sees seven entries and dot-files, nothing else."""
    extra = {path.split("/")[0] for path in tracked()} - TOP_LEVEL
    assert [entry for entry in sorted(extra) if not entry.startswith(".")] == []


def test_no_source_file_is_longer_than_500_lines():
    """The size budget of a module, data tables aside."""
    lengths = {path: len(path.read_text().splitlines()) for path in (ROOT / "src").rglob("*.py")}
    assert {str(path): length for path, length in lengths.items() if length > 500} == {}


def test_the_rooms_table_in_the_contributors_page_is_the_import_contract():
    """Each line of the table names the contract's rooms and says what each room's own first sentence says."""
    page = (ROOT / "DEVELOPERS.md").read_text()
    assert page.split("<!-- rooms -->")[1].split("<!-- /rooms -->")[0] == rooms_table()


def doors() -> dict[str, list[str]]:
    """Return the rooms that may import each heavy library, as the contributors' page lists them."""
    table = (ROOT / "DEVELOPERS.md").read_text().split("## Dependencies and why")[1].split("\n## ")[0]
    rows = re.findall(r"^\| ([\w, ]+) \| ((?:`\w+`(?:, )?)+) \|", table, flags=re.MULTILINE)
    return {
        library.strip(): re.findall(r"`(\w+)`", rooms)
        for libraries, rooms in rows
        for library in libraries.split(",")
    }


def test_each_heavy_library_has_one_door():
    """The rooms that import a library are those the table names: swapping it touches nothing else."""
    found: dict[str, set[str]] = {library: set() for library in doors()}
    for path in (ROOT / "src" / "bayreach").rglob("*.py"):
        room = path.relative_to(ROOT / "src" / "bayreach").parts[0].removesuffix(".py")
        for node in ast.walk(ast.parse(path.read_text())):
            names = [name.name for name in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            for library in {name.split(".")[0] for name in names} & found.keys():
                found[library].add(room)
    assert {library: sorted(rooms) for library, rooms in found.items()} == doors()


def test_the_readme_opens_with_the_job_and_two_one_line_commands():
    """One paragraph, then two fenced commands, each a single line that makes its own environment."""
    page = (ROOT / "README.md").read_text()
    blocks = re.findall(r"```sh\n(.*?)```", page, flags=re.DOTALL)
    assert page.startswith(
        "# bayreach\n\nbayreach estimates and plans the coating of the *inside* of structures."
    )
    assert [block.count("\n") for block in blocks[:2]] == [1, 1]
    assert all(block.startswith("python3 -m venv .venv && ") for block in blocks[:2])
    assert "bayreach plan" in blocks[0]
    assert "pytest" in blocks[1]


if __name__ == "__main__":
    contributors = ROOT / "DEVELOPERS.md"
    before, after = (
        contributors.read_text().split("<!-- rooms -->")[0],
        contributors.read_text().split("<!-- /rooms -->")[1],
    )
    contributors.write_text(f"{before}<!-- rooms -->{rooms_table()}<!-- /rooms -->{after}")
