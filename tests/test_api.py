"""`import bayreach` gives a small, documented surface and costs next to nothing."""

import importlib
import inspect
import pkgutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from small_job import small_job

import bayreach

BUDGETS = {
    "import bayreach": (50, set()),
    "from bayreach.cli import main; main(['--help'])": (
        400,
        {"cyclopts", "rich", "attr", "attrs", "docstring_parser"},
    ),
}
"""Most modules that each may load beyond a bare Python's, and the libraries they may come from."""


@pytest.mark.parametrize("line", BUDGETS)
def test_a_first_import_keeps_within_its_budget_of_modules(line: str) -> None:
    most, libraries = BUDGETS[line]
    text = (
        f"import sys; before = set(sys.modules); {line}\n"
        "new = set(sys.modules) - before; roots = {name.partition('.')[0] for name in new}\n"
        "print(len(new), *sorted(roots - sys.stdlib_module_names), file=sys.stderr)"
    )
    ended = subprocess.run([sys.executable, "-c", text], capture_output=True, text=True, check=True)
    count, *roots = ended.stderr.split()
    assert int(count) <= most
    assert set(roots) <= libraries | {"bayreach"}


@pytest.mark.parametrize("name", bayreach.__all__)
def test_every_public_name_is_there_and_says_what_it_is(name: str) -> None:
    public = getattr(bayreach, name)
    assert inspect.getdoc(public)
    assert name in dir(bayreach)


def test_no_public_name_is_that_of_a_room() -> None:
    # Importing a room would put the module in the name's place.
    rooms = {module.name for module in pkgutil.iter_modules(bayreach.__path__)}
    assert not rooms & set(bayreach.__all__)


def test_the_list_the_types_and_the_places_agree() -> None:
    source = inspect.getsource(bayreach)
    assert sorted(bayreach.__all__) == bayreach.__all__ == sorted(bayreach._PLACES)
    for name, place in bayreach._PLACES.items():
        room, attribute = place.split(".")
        assert getattr(importlib.import_module(f"bayreach.{room}"), attribute) is getattr(bayreach, name)
        imported = attribute if attribute == name else f"{attribute} as {name}"
        assert f"from bayreach.{room} import" in source
        assert imported in source


def test_an_unknown_name_is_an_attribute_error() -> None:
    misspelt = "plam"
    with pytest.raises(AttributeError, match="module 'bayreach' has no attribute 'plam'"):
        getattr(bayreach, misspelt)


def test_a_job_from_file_to_plotting_mesh(tmp_path: Path) -> None:
    result = bayreach.spray_job(bayreach.load_job(small_job(tmp_path)))
    surface = bayreach.polydata(result)
    assert surface.n_cells == result.sides.mesh.n_sides
    np.testing.assert_allclose(surface.cell_data["film_um"], 1e6 * result.sides.film)
    with bayreach.reserved(tmp_path / "out") as folder:
        bayreach.write_result(folder, result)
    assert bayreach.compare_results(result, bayreach.read_result(tmp_path / "out")).status_m2 == {}
