"""Each example runs and shows what it promises."""

import runpy
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

EXAMPLES = Path(__file__).parents[1] / "examples"


def main_of(number: str) -> Callable[..., Any]:
    (script,) = EXAMPLES.glob(f"{number}_*.py")
    return runpy.run_path(str(script))["main"]


@pytest.mark.parametrize("script", sorted(EXAMPLES.glob("*.py")), ids=lambda script: script.stem)
def test_each_example_is_short_and_says_its_one_idea_first(script: Path) -> None:
    lines = script.read_text(encoding="utf-8").splitlines()
    assert len(lines) < 45
    assert lines[0].startswith('"""')
    assert lines[0].endswith('"""')


def test_measure_finds_three_bays_and_two_ways_in(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    measured = main_of("01")(tmp_path)
    assert len(measured.bays) == 3
    assert "bay 3: " in capsys.readouterr().out
    assert sum("outside" in opening.links for opening in measured.openings) == 2


def test_reach_names_a_limit_for_every_wand_and_opening(tmp_path: Path) -> None:
    rows = main_of("02")(tmp_path)
    assert len(rows) == 6  # three wands, two openings
    assert all(row.limit and row.fits for row in rows)
    # The long wand of 0.6 m cannot come to the third bay, which begins 0.7 m in.
    assert "bay 3" not in rows[0].bays_reached


@pytest.mark.slow
@pytest.mark.usefixtures("brief_search")
def test_plan_needs_one_hole_and_proves_that_none_is_not_enough(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    outcome = main_of("04")(tmp_path)
    assert outcome.coverage.met
    assert (outcome.plan.new_holes, outcome.plan.new_holes_bound, outcome.plan.proven) == (1, 1, True)
    assert outcome.plan.no_drill.coverage < 0.9
    assert "candidate, not approved data" in capsys.readouterr().out
    assert (tmp_path / "plan" / "certificate.json").is_file()


@pytest.mark.slow
@pytest.mark.usefixtures("brief_search")
def test_no_drill_tells_what_stays_short_and_why(tmp_path: Path) -> None:
    outcome = main_of("05")(tmp_path)
    assert not outcome.coverage.met
    assert outcome.plan.new_holes == 0
    assert not outcome.holes
    # The bays that no hinge leads to are the short ones.
    shares = [bay.covered_m2 / bay.required_m2 for bay in outcome.bays]
    assert sorted(range(6), key=shares.__getitem__)[:2] in ([1, 4], [4, 1])


def test_documents_are_written_beside_the_result(tmp_path: Path) -> None:
    names = {path.name for path in main_of("06")(tmp_path)}
    assert {"sheet.html", "cards.pdf", "record.pdf"} <= names


def test_doubt_tells_that_less_is_sure_than_the_nominal_map_shows(tmp_path: Path) -> None:
    outcome = main_of("08")(tmp_path)
    record = outcome.doubt
    assert record.sure_fraction < outcome.coverage.fraction
    assert abs(record.covered_mean - outcome.coverage.fraction) < 0.05
    assert record.matters["pull speed"] > record.matters["aim"]


def test_a_study_shows_that_slower_and_wider_covers_more(tmp_path: Path) -> None:
    overview = main_of("09")(tmp_path)
    slow_narrow, slow_wide, fast_narrow, fast_wide = (row.coverage for row in overview.jobs)
    assert slow_wide > slow_narrow > fast_narrow
    assert fast_wide > fast_narrow
    assert (tmp_path / "study" / "index.html").is_file()


def test_spray_shows_a_ledger_that_closes_and_where_it_stays_dry(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    outcome = main_of("03")(tmp_path).outcome
    liquid = outcome.liquid
    ended = (
        liquid.direct_m3
        + liquid.settled_m3
        + liquid.escaped_m3
        + liquid.suspended_m3
        + liquid.elsewhere_m3
        + liquid.uncredited_m3
    )
    assert ended == pytest.approx(liquid.sprayed_m3, rel=1e-6)
    assert 0.2 < outcome.coverage.fraction < 0.9
    # Bays 2 and 5 lie between the hinges: no written pass enters them.
    assert outcome.bays[1].covered_m2 < 0.3 * outcome.bays[1].required_m2
    assert "uncovered: " in capsys.readouterr().out


def test_an_uneven_tip_covers_less_than_the_ideal_ring(tmp_path: Path) -> None:
    ideal, measured = main_of("07")(tmp_path)
    assert measured.outcome.coverage.fraction < ideal.outcome.coverage.fraction
    assert measured.outcome.coverage.fraction > 0.1


def test_the_ring_spray_in_a_tube_lays_the_film_of_the_formula() -> None:
    # Flat wall faces lie inside the circle by up to 0.05 %, so 1 % holds all.
    simulated, formula = main_of("10")()
    assert simulated == pytest.approx(formula, rel=0.01)


def test_a_stringer_shadows_the_skin_beside_it_from_direct_film_and_not_from_fog(tmp_path: Path) -> None:
    (y, straight, fog), (y_bare, straight_bare, fog_bare) = main_of("11")(tmp_path)
    assert y == pytest.approx(y_bare)
    # Dry strips behind the three stringers; without them direct film lies all the way across.
    assert 0.05 < (straight == 0).mean() < 0.5
    assert straight_bare.min() > 1e-6
    # Fog comes down everywhere, least where a flange stands over the skin, and thinner with stringers, since
    # their own upward sides take some.
    assert fog.min() > 0.4 * fog.max()
    assert fog[straight == 0].mean() < fog[straight > 0].mean()
    assert fog.mean() < 0.95 * fog_bare.mean()
    assert (tmp_path / "stringer_shadow.svg").read_text(encoding="utf-8").startswith("<?xml")
