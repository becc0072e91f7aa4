"""What the package stands on: every bound has a floor, and nothing required is under GPL alone.

Run as a script it writes the list of licences anew.
"""

import re
import tomllib
from importlib import metadata
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.version import Version

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
REQUIRED = [Requirement(text) for text in PROJECT["dependencies"]]

LICENCES = ROOT / "tests" / "licences.md"

# Megabytes that a bare install of the required set may take; most is the viewer and the compiler of kernels.
BUDGET_MB = 1400

# Read by hand, where a distribution gives the text of its licence and no name.
KNOWN = {"embreex": "BSD-2-Clause"}


def closure() -> dict[str, metadata.Distribution]:
    """Return every distribution that the required ones pull in, by name."""
    found: dict[str, metadata.Distribution] = {}
    left = [requirement.name for requirement in REQUIRED if _is_wanted(requirement)]
    while left:
        name = left.pop().lower().replace("_", "-")
        if name in found:
            continue
        found[name] = metadata.distribution(name)
        needs = [Requirement(text) for text in found[name].requires or ()]
        left += [need.name for need in needs if _is_wanted(need)]
    return found


def _is_wanted(requirement: Requirement) -> bool:
    return requirement.marker is None or requirement.marker.evaluate({"extra": ""})


def licence_of(distribution: metadata.Distribution) -> str:
    """Return what a distribution says of its licence: expression, classifiers, or its first line."""
    told = distribution.metadata
    lines = [text for text in told.get_all("Classifier") or () if "License" in text]
    classifiers = [text.rsplit(" :: ", 1)[-1] for text in lines]
    first = (told.get("License") or "").strip().split("\n")[0][:80]
    named = told.get("License-Expression") or ", ".join(classifiers) or first
    return KNOWN.get(distribution.name.lower(), named)


@pytest.mark.parametrize("requirement", REQUIRED, ids=lambda requirement: requirement.name)
def test_every_required_library_has_a_floor(requirement: Requirement) -> None:
    assert any(bound.operator in (">=", "==") for bound in requirement.specifier)
    assert requirement.specifier.contains(metadata.version(requirement.name), prereleases=True)


def test_no_library_of_the_required_set_is_under_gpl_alone() -> None:
    # LGPL, MPL and a choice between licences leave the user free; GPL or AGPL alone does not.
    strict = re.compile(r"(?<!L)A?GPL|GNU (Affero )?General Public", re.IGNORECASE)
    for name, distribution in closure().items():
        licence = licence_of(distribution)
        assert licence, f"{name} tells no licence"
        offers_choice = " OR " in licence or "," in licence
        assert offers_choice or not strict.search(licence.replace("Lesser General", "")), f"{name}: {licence}"


def licences_page() -> str:
    """Return the list of licences: every library that a bare install brings, and who asks for it."""
    asked: dict[str, set[str]] = {name: set() for name in closure()}
    for name, distribution in closure().items():
        for need in map(Requirement, distribution.requires or ()):
            if _is_wanted(need) and (key := need.name.lower().replace("_", "-")) in asked:
                asked[key].add(name)
    for requirement in REQUIRED:
        asked.get(requirement.name.lower().replace("_", "-"), set()).add("bayreach")
    rows = [
        f"| {name} | {licence_of(distribution)} | {', '.join(sorted(asked[name]))} |\n"
        for name, distribution in sorted(closure().items())
    ]
    return (
        "# Licences\n\n"
        "Every library that a bare install brings, by what it says of its own licence; none is under GPL.\n"
        "Wheels carry libraries of their own: GEOS (LGPL-2.1) in shapely, Embree and TBB (Apache-2.0) in\n"
        "embreex, HiGHS (MIT) in highspy, and in numpy and scipy OpenBLAS (BSD), libquadmath (LGPL-2.1) and\n"
        "libgfortran (GPL with the exception that lets any program use it). The extra `step` adds cascadio\n"
        "(MIT) with OpenCASCADE (LGPL-2.1 with an exception) in it.\n\n"
        "| library | licence | asked for by |\n| --- | --- | --- |\n" + "".join(rows)
    )


def test_every_library_of_the_required_set_is_listed_with_its_licence() -> None:
    # On another Python a few libraries less are needed, or in a release that words its licence otherwise.
    listed = dict(re.findall(r"^\| ([\w.-]+) \| (.+?) \| ", LICENCES.read_text(), flags=re.MULTILINE))
    found = {name: family(licence_of(distribution)) for name, distribution in closure().items()}
    assert {name: family(listed.get(name, "")) for name in found} == found


def family(licence: str) -> set[str]:
    """Return the families of licence that a text names."""
    words = (
        "GPL",
        "General Public",
        "MPL",
        "Mozilla",
        "Apache",
        "BSD",
        "MIT",
        "ISC",
        "Python Software",
        "PSF",
    )
    alike = {"Mozilla": "MPL", "Python Software": "PSF", "General Public": "GPL"}
    return {alike.get(word, word) for word in words if word in licence}


def test_the_required_set_keeps_within_its_budget_on_disk() -> None:
    assert f"at most {BUDGET_MB:,} MB" in (ROOT / "DEVELOPERS.md").read_text()
    total = 0
    for distribution in closure().values():
        for file in distribution.files or ():
            path = Path(str(distribution.locate_file(file)))
            if path.is_file() and path.suffix != ".pyc":
                total += path.stat().st_size
    assert total / 1e6 < BUDGET_MB


@pytest.mark.parametrize("pins", ["newest", "oldest"])
def test_every_required_library_is_pinned_within_its_bounds(pins: str) -> None:
    # `oldest` pins each library at its own floor; `.ci/pin` writes both files again.
    pinned = _pinned(ROOT / ".ci" / f"{pins}.txt")
    for requirement in REQUIRED:
        versions = pinned.get(requirement.name.lower().replace("_", "-"), [])
        assert versions, f"{requirement.name} is not in .ci/{pins}.txt: run .ci/pin"
        assert all(requirement.specifier.contains(version) for version in versions), requirement.name
        floors = [Version(bound.version) for bound in requirement.specifier if bound.operator == ">="]
        if pins == "oldest":
            assert min(map(Version, versions)) == floors[0], f"{requirement.name}: run .ci/pin"


def test_every_tool_of_the_tests_is_pinned() -> None:
    pinned = _pinned(ROOT / ".ci" / "newest.txt")
    for requirement in map(Requirement, PROJECT["optional-dependencies"]["test"]):
        versions = pinned.get(requirement.name.lower().replace("_", "-"), [])
        assert versions, f"{requirement.name} is not in .ci/newest.txt: run .ci/pin"
        assert all(requirement.specifier.contains(version) for version in versions), requirement.name


def _pinned(file: Path) -> dict[str, list[str]]:
    """Return the versions that a file of pins allows for each library, one for each kind of machine."""
    found: dict[str, list[str]] = {}
    for line in file.read_text().splitlines():
        requirement = Requirement(line)
        found.setdefault(requirement.name, []).append(next(iter(requirement.specifier)).version)
    return found


if __name__ == "__main__":
    LICENCES.write_text(licences_page())
