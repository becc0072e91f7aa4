"""What a result says of liquid after the last pull: drains, pools, drips, creep, mass, mist."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
from small_job import small_job

from bayreach import run
from bayreach.cli._flow_words import flow_lines
from bayreach.job import load_job
from bayreach.outcome import Outcome, PoolRecord, result_schema, to_json

DRAIN = """
[[opening]]
name = "drain"
center = [500, 200, 0]
diameter = "12 mm"
"""

HINGE = """
[[hinge]]
name = "hinge line"
point = [100, 0, 0]
axis = [0, 1, 0]
"""


def sprayed(folder: Path, film: str, more: str = "") -> Outcome:
    """Return the outcome of the small job with lines in its film table, and tables besides."""
    path = small_job(folder)
    text = path.read_text(encoding="utf-8").replace('mechanisms = ["direct"]', film)
    text = text.replace('flow = "200 mL/min"', 'flow = "200 mL/min", throw = "0.2 m"')
    path.write_text(f"{text}\n{more}", encoding="utf-8")
    return run.spray(load_job(path)).outcome


@pytest.fixture(scope="module")
def drained(tmp_path_factory) -> Outcome:
    film = 'mechanisms = ["direct", "settled", "creep", "run_off"]\ndrain_time = "30 min"'
    return sprayed(tmp_path_factory.mktemp("drained"), film, DRAIN + HINGE)


def test_a_drain_in_the_floor_is_named_and_drips(drained: Outcome) -> None:
    assert [drain.name for drain in drained.drains] == ["drain"]
    (drip,) = (drip for drip in drained.drips if drip.opening == "drain")
    assert drip.volume_m3 == pytest.approx(drained.drains[0].volume_m3, rel=1e-12)
    assert drip.volume_m3 > 0.9 * drained.liquid.run_off_m3


def test_a_plugged_drain_keeps_its_liquid_in(drained: Outcome, tmp_path: Path) -> None:
    shut = sprayed(
        tmp_path,
        'mechanisms = ["direct", "settled", "creep", "run_off"]\ndrain_time = "30 min"\nblocked = ["drain"]',
        DRAIN,
    )
    (drip,) = (drip for drip in drained.drips if drip.opening == "drain")
    assert sum(pool.volume_m3 for pool in shut.pools) >= drip.kept_in_if_plugged_m3 * (1 - 1e-9)
    assert "drain" not in {drip.opening for drip in shut.drips}
    assert drip.kept_in_if_plugged_m3 > 0


def test_what_ran_off_is_what_pooled_and_dripped(drained: Outcome) -> None:
    told = sum(pool.volume_m3 for pool in drained.pools) + sum(drip.volume_m3 for drip in drained.drips)
    assert told == pytest.approx(drained.liquid.run_off_m3, rel=1e-9)


def test_the_mass_told_is_that_of_the_liquid_left(drained: Outcome) -> None:
    # 870 kg/m³ and half solids, as the small job says.
    left = drained.liquid.retained_m3 + sum(pool.volume_m3 for pool in drained.pools)
    assert sum(load.film_kg + load.pool_kg for load in drained.loads) == pytest.approx(870 * left, rel=1e-6)
    assert sum(load.dry_kg for load in drained.loads) == pytest.approx(0.5 * 870 * left, rel=1e-6)
    assert 0.0 < drained.loads[0].center_m[0] < 0.6


def test_the_balance_is_the_weight_of_each_bay_times_its_arm(drained: Outcome) -> None:
    (balance,) = drained.balances
    arms = [load.center_m[0] - 0.1 for load in drained.loads]
    wet = [9.81 * (load.film_kg + load.pool_kg) for load in drained.loads]
    # Weight beyond the line along +x turns right-handed about +y: x times minus z is y.
    assert balance.wet_n_m == pytest.approx(sum(w * arm for w, arm in zip(wet, arms, strict=True)), rel=1e-9)
    assert balance.dry_n_m == pytest.approx(0.5 * balance.wet_n_m, rel=1e-9)


def test_mist_stands_beside_limits_that_name_their_source_and_no_verdict(drained: Outcome) -> None:
    (figures,) = drained.mist
    assert figures.airborne_unsettled_kg_m3 >= figures.airborne_kg_m3 > 0
    assert figures.vapour_if_all_dries_kg_m3 > 0
    assert all(limit.source for limit in drained.mist_limits)
    text = json.dumps(json.loads(to_json(drained))["mist"])
    assert "safe" not in text


def test_what_is_printed_of_pools_drips_mass_and_mist_are_the_figures_of_the_result(drained: Outcome) -> None:
    lines = flow_lines(drained)
    (drip,) = drained.drips
    assert lines[0].startswith("pool ") is bool(drained.pools)
    assert (
        f"out of drain {1e6 * drip.volume_m3:.1f} mL;"
        f" a plug there would keep {1e6 * drip.kept_in_if_plugged_m3:.1f} mL in" in lines
    )
    assert any(line.startswith("seams fed 0.00 m, unfed 0.00 m; 0.0 mL crept in") for line in lines)
    wet = sum(load.film_kg + load.pool_kg for load in drained.loads)
    assert f"added mass {1e3 * wet:.1f} g wet, {0.5e3 * wet:.1f} g dry" in lines
    assert sum(line.startswith("moment of the liquid left about hinge line: ") for line in lines) == 1
    (figures,) = drained.mist
    assert f"mist in {figures.bay} up to {1e3 * figures.airborne_kg_m3:.2g} g/m3; compare:" in lines
    assert f"95 % of the fog has settled after {figures.time_to_95_s:.0f} s" in lines
    assert [line.split()[0] for line in lines[-len(drained.mist_limits) :]] == [
        f"{1e3 * limit.value_kg_m3:.3g}" for limit in drained.mist_limits
    ]
    assert "safe" not in " ".join(lines)


def test_of_more_pools_than_six_the_rest_is_counted_and_summed(drained: Outcome) -> None:
    one = PoolRecord(name="pool", bay="bay 1", center_m=(0.1, 0.2, 0.0), volume_m3=1e-6)
    lines = flow_lines(replace(drained, pools=(one,) * 9, drips=(), creep=None))
    assert lines[:7] == ["pool 1.0 mL in bay 1 at 100.0, 200.0, 0.0 mm"] * 6 + [
        "3 more pools, 3.0 mL together"
    ]


def test_a_box_of_one_part_has_no_seam_to_feed(drained: Outcome) -> None:
    assert drained.creep is not None
    assert (drained.creep.fed_m, drained.creep.volume_m3) == (0.0, 0.0)


def test_without_run_off_there_are_no_pools_and_drains_are_named_all_the_same(tmp_path: Path) -> None:
    plain = sprayed(tmp_path, 'mechanisms = ["direct"]', DRAIN)
    assert [drain.name for drain in plain.drains] == ["drain"]
    assert (plain.pools, plain.drips, plain.creep, plain.mist) == ((), (), None, ())
    assert plain.liquid.suspended_m3 > 0  # fog that no mechanism settles hangs
    assert flow_lines(plain) == []  # nothing is said of what was not reckoned


def test_the_jet_law_turns_more_to_fog_than_an_unlimited_throw(tmp_path_factory) -> None:
    law = 'mechanisms = ["direct", "settled"]\nthrow_law = "jet"\njet_speed = "10 m/s"\nentrainment = "{}"'
    near, far = (
        sprayed(tmp_path_factory.mktemp("jet"), law.format(length)).liquid.direct_m3
        for length in ("0 m", "0.5 m")
    )
    assert near < 0.8 * far


def test_the_schema_knows_every_entry(drained: Outcome) -> None:
    jsonschema = pytest.importorskip("jsonschema", reason="jsonschema is not installed")
    jsonschema.validate(json.loads(to_json(drained)), result_schema())
