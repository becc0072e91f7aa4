"""The studio answers as `spray` and `reach` do on the job it saves."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from small_job import small_job
from studio_server import request_of, told

from bayreach import run
from bayreach.errors import JobError
from bayreach.film import STATUSES
from bayreach.job import ChangedWand, load_job, write_job
from bayreach.studio import StudioError
from bayreach.studio._bench import LOOKS, Bench
from bayreach.studio._questions import question
from bayreach.studio._wands import wand_table

aiohttp = pytest.importorskip("aiohttp")


@pytest.fixture(scope="module")
def studio_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder of a job whose wand makes fog, which settles."""
    made = tmp_path_factory.mktemp("studio")
    job = small_job(made)
    text = job.read_text().replace('["direct"]', '["direct", "settled"]')
    job.write_text(text.replace('flow = "200 mL/min"', 'flow = "200 mL/min", throw = "0.4 m"'))
    return made


def test_the_full_answer_is_that_of_spray_on_the_saved_job(
    bench: Bench, studio_folder: Path, start: dict[str, Any]
) -> None:
    table = {**start, "clock": 0.3, "from": 0.5, "aim": [1.0, 0.05, -0.04]}
    table["figures"] = {"pull_speed": 0.043, "flow": 2.5e-6, "spread": 0.9, "diameter": 0.0071}
    state = request_of("try", table).state
    answer = bench.tried(state, look="full")
    assert told(bench, "save", table, word="tried.toml").table["name"] == "tried.toml"
    saved = load_job(studio_folder / "tried.toml")
    assert len(saved.passes) == 1
    result = run.spray(saved)
    np.testing.assert_allclose(answer.arrays["film"], result.sides.film * 1e6, rtol=1e-5, atol=1e-5)
    np.testing.assert_array_equal(answer.arrays["status"], result.sides.status)
    assert answer.table["covered_m2"] == pytest.approx(result.outcome.coverage.covered_m2, rel=1e-9)
    liquid = result.outcome.liquid
    told_of = [answer.table[f"{name}_m3"] for name in ("liquid", "direct", "settled")]
    assert told_of == pytest.approx([liquid.sprayed_m3, liquid.direct_m3, liquid.settled_m3], rel=1e-9)
    assert liquid.settled_m3 > 0.05 * liquid.sprayed_m3
    (row,), (bay,) = answer.table["bays"], result.outcome.bays
    assert sum(row[name] for name in STATUSES) == pytest.approx(bay.required_m2)
    assert (row["low"], row["dry"]) == pytest.approx((bay.low_m2, bay.dry_m2))
    rows = run.reach(saved)
    (reached,) = [one for one in rows if (one.wand, one.opening) == (state.wand, state.opening)]
    row = told(bench, "reach", table).table["row"]
    assert row["fits"] == reached.fits
    assert (row["depth_m"], row["visible_m2"]) == pytest.approx(
        (reached.depth_m, reached.visible_m2), rel=1e-9
    )
    assert row["limit"] == reached.limit


def test_all_pulls_together_are_those_of_spray_on_the_saved_job(
    bench: Bench, studio_folder: Path, start: dict[str, Any]
) -> None:
    # The wand as it is, twice; a bent one made of it, and that one again at another speed.
    bent = {**start, "shape": "bent", "pieces": [{"arc": 0.2, "radius": 0.4}], "from": 0.3, "to": 0.1}
    slow = {**bent, "clock": 1.0, "figures": {"pull_speed": 0.02}}
    passes = [{**start, "count": 2}, bent, slow]
    answer = told(bench, "all", start, passes=passes)
    saved = told(bench, "save", start, passes=passes, word="several.toml").table
    assert saved == {"name": "several.toml", "pulls": 3, "wands": [start["wand"], f"{start['wand']} 2"]}
    job = load_job(studio_folder / "several.toml")
    assert [one.name for one in job.wands][-1] == f"{start['wand']} 2"
    assert job.wands[-1].pieces == request_of("try", bent).state.wand_of(bench.job).pieces
    assert [one.pull_speed for one in job.passes] == [None, None, 0.02]
    result = run.spray(job)
    np.testing.assert_allclose(answer.arrays["film"], result.sides.film * 1e6, rtol=1e-5, atol=1e-5)
    assert answer.table["covered_m2"] == pytest.approx(result.outcome.coverage.covered_m2, rel=1e-9)
    assert answer.table["liquid_m3"] == pytest.approx(result.outcome.liquid.sprayed_m3, rel=1e-9)
    assert answer.table["pulls"] == 3


def test_a_saved_job_is_opened_again_with_its_wands_and_pulls(
    bench: Bench, studio_folder: Path, start: dict[str, Any]
) -> None:
    bent = {**start, "shape": "bent", "pieces": [{"arc": 0.2, "radius": 0.4}], "from": 0.3, "to": 0.1}
    told(bench, "save", start, passes=[start, bent], word="reopened.toml")
    assert "reopened.toml" in told(bench, "open", start).table["names"]
    opened_again = told(bench, "open", start, word="reopened.toml").table
    assert [wand["name"] for wand in opened_again["wands"]] == [
        one.name for one in load_job(studio_folder / "reopened.toml").wands
    ]
    before = told(bench, "all", start, passes=[start, bent])
    after = told(bench, "all", start, passes=opened_again["passes"])
    np.testing.assert_allclose(after.arrays["film"], before.arrays["film"], rtol=1e-6, atol=1e-6)
    # and can be saved from again
    told(bench, "save", start, passes=opened_again["passes"], word="third.toml")
    assert len(load_job(studio_folder / "third.toml").passes) == 2


def test_a_job_that_asks_for_something_else_is_not_opened(
    bench: Bench, studio_folder: Path, start: dict[str, Any]
) -> None:
    text = (studio_folder / "job.toml").read_text()
    (studio_folder / "other.toml").write_text(text.replace('film_min = "', 'film_min = "1'))
    with pytest.raises(StudioError, match="differs in target"):
        told(bench, "open", start, word="other.toml")
    for name in ("../x.toml", "x", ".toml"):
        with pytest.raises(StudioError, match="file name"):
            told(bench, "open", start, word=name)
        with pytest.raises(StudioError, match="file name"):
            bench.tried(request_of("try", {**start, "file": name}).state, look="coarse")


def test_the_first_answers_are_near_the_full_one(bench: Bench, start: dict[str, Any]) -> None:
    state = request_of("try", start).state
    coarse, refined, full = (bench.tried(state, look=look).arrays["film"] for look in LOOKS)
    wet = full > 0.2 * full.max()
    off = [np.abs(film[wet] / full[wet] - 1).mean() for film in (coarse, refined)]
    assert off[0] < 0.1
    assert off[1] < 0.05


def test_a_first_answer_for_another_throw_does_not_wait_for_boxes_of_air(
    studio_folder: Path, start: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise InterruptedError

    bench = Bench(load_job(studio_folder / "job.toml"))
    state = request_of("try", {**start, "figures": {"throw": 0.25}}).state
    with monkeypatch.context() as patch:
        patch.setattr("bayreach.deposit.laid.fog_grid", refuse)
        first = bench.tried(state, look="coarse").table
        with pytest.raises(InterruptedError):
            bench.tried(state, look="refined")
    full = bench.tried(state, look="full").table
    # Well mixed bays take nearly as much of the fog; the boxes tell where it falls.
    assert first["settled_m3"] == pytest.approx(full["settled_m3"], rel=0.2)
    assert full["settled_m3"] > 0.05 * full["liquid_m3"]
    # What has been worked out once is used by first answers too.
    again = bench.tried(state, look="coarse").table
    assert again["settled_m3"] == pytest.approx(full["settled_m3"], rel=0.02)


def test_every_figure_of_a_wand_is_saved_as_it_was_tried(
    bench: Bench, studio_folder: Path, start: dict[str, Any]
) -> None:
    sizes = {
        "diameter": 0.008, "tip_diameter": 0.01, "shank_diameter": 0.012, "shank_length": 0.1,
        "handle_diameter": 0.07, "handle_length": 0.15,
    }  # fmt: skip
    for number, figures in enumerate(
        (sizes, {**sizes, "tip_length": 0.03, "shank_length": 0.0, "throw": None})
    ):
        table = {**start, "figures": figures}
        wand = request_of("try", table).state.wand_of(bench.job)
        told(bench, "save", table, word=f"sizes_{number}.toml")
        saved = load_job(studio_folder / f"sizes_{number}.toml").wand_named(wand.name)
        assert wand_table(saved) == wand_table(wand)
        assert (saved.handle_diameter, saved.tip_length) == (0.07, figures.get("tip_length", 0.012))
        # what stays outside is drawn, and is too wide for the port
        drawn = bench.tried(request_of("try", table).state, look="coarse").table["wand"]
        assert drawn["radii"][0] == 0.035


def test_a_collar_wider_than_the_opening_stays_outside(bench: Bench, start: dict[str, Any]) -> None:
    # 0.45 m of wand before a collar: 0.55 m asked for is 0.1 m short, and the collar, whose end counts as a
    # ball of 40 mm, meets the 30 mm rim sooner: sqrt(40² - 30²) = 26.5 mm.
    table = {
        **start,
        "from": 0.55,
        "figures": {"length": 0.45, "handle_diameter": 0.08, "handle_length": 0.1},
    }
    answer = bench.tried(request_of("try", table).state, look="coarse").table
    assert not answer["fits"]
    assert answer["short_m"] == pytest.approx(0.1265, abs=2e-3)


def test_a_wand_too_short_is_refused_with_how_much_it_lacks(bench: Bench, start: dict[str, Any]) -> None:
    table = {**start, "from": 0.55, "figures": {"length": 0.4}}
    answer = bench.tried(request_of("try", table).state, look="coarse").table
    assert not answer["fits"]
    assert answer["short_m"] == pytest.approx(0.15, abs=0.01)  # 0.55 m asked of 0.4 m of wand


def test_the_best_aim_covers_at_least_what_the_given_one_does(bench: Bench, start: dict[str, Any]) -> None:
    found = told(bench, "best", start).table
    better = request_of(
        "try", {**start, **{name: found[name] for name in ("aim", "clock", "from", "to")}}
    ).state
    covered = [
        bench.tried(one, look="full").table["covered_m2"] for one in (request_of("try", start).state, better)
    ]
    assert covered[1] >= 0.98 * covered[0]  # the search is coarse


def test_the_ways_of_a_bent_wand_are_searched_in_steps_that_can_be_told_and_given_up(
    bench: Bench, start: dict[str, Any]
) -> None:
    bent = {**start, "shape": "bent", "pieces": [{"arc": 0.2, "radius": 0.4}], "from": 0.3, "to": 0.1}
    steps = question(bench, request_of("best", bent))
    shares = [next(steps) for _ in range(4)]
    assert shares[0] == shares[1] < shares[2] < shares[3] < 0.5
    steps.close()


def test_a_job_is_saved_under_a_plain_new_name_only(
    bench: Bench, studio_folder: Path, start: dict[str, Any]
) -> None:
    for name in ("../x.toml", "/x.toml", "x", ".x.toml", "a/b.toml", "x.toml\n"):
        with pytest.raises(StudioError, match="file name"):
            told(bench, "save", start, word=name)
    with pytest.raises(JobError, match="exists already"):
        told(bench, "save", start, word="job.toml")
    wand = ChangedWand(source=bench.job, before=bench.job.wands[0].name, after=bench.job.wands[0])
    with pytest.raises(JobError, match="own folder"):
        write_job(bench.job, studio_folder / "meshes" / "x.toml", wands=[wand], passes=[])


def test_a_change_that_gets_the_wand_in_is_found_and_does(bench: Bench, start: dict[str, Any]) -> None:
    thick = {**start, "figures": {"diameter": 0.065}}  # the port is 60 mm wide
    changes = told(bench, "changes", thick, word="bay 1").table["changes"]
    (change,) = [one for one in changes if one["text"].startswith("diameter")]
    assert 0.05 < change["state"]["figures"]["diameter"] < 0.06
    assert not bench.tried(request_of("try", thick).state, look="coarse").table["fits"]
    assert told(bench, "reach", change["state"]).table["row"]["fits"]
    (hole,) = [one for one in changes if one["text"].startswith("hole")]
    assert hole["state"] is None  # the structure is not the page's to change
