"""The outcome is a table that JSON can hold, comes back equal, and makes no claim it cannot keep."""

import dataclasses
import json
import math

import jsonschema
import numpy as np
import pytest
from results import small_outcome, small_plan

from bayreach.cautions import ALWAYS, FLOW, HOLES, SETTLED
from bayreach.errors import BayreachError, StoreError
from bayreach.outcome import (
    Outcome,
    PassFilm,
    coverage_of,
    films_bytes,
    films_from,
    outcome_from_table,
    result_schema,
    to_json,
    to_table,
)

# The keys that the design promises, table by table.
PROMISED = {
    "": "version title inputs warnings cautions mesh bays openings passes coverage liquid holidays masks",
    "inputs": "mesh_sha256 job_sha256 settings",
    "mesh": "faces box_m units repairs method",
    "bays": "name area_m2 volume_m3 required_m2 covered_m2 direct_m2 settled_only_m2 low_m2 dry_m2 heavy_m2"
    " openings",
    "openings": "name kind center_m normal diameter_m area_m2 links",
    "passes": "wand opening aim clock_deg from_m to_m pull_speed_m_s count seconds liquid_m3",
    "coverage": "required_m2 covered_m2 fraction direct_fraction settled_only_fraction dry_fraction"
    " target met",
    "liquid": "sprayed_m3 direct_m3 settled_m3 escaped_m3 suspended_m3 retained_m3 run_off_m3",
    "holidays": "bay area_m2 center_m reason",
    "plan": "objective bound gap new_holes new_holes_bound proven no_drill",
    "holes": "center_m normal drill_mm drill_name edge_distance_m closes_with why",
    "masks": "name film_m touched",
}


@pytest.mark.parametrize("place", PROMISED)
def test_every_promised_key_is_there(place: str) -> None:
    table = to_table(small_plan())
    if place:
        table = table[place]
        table = table[0] if isinstance(table, list) else table
    assert set(PROMISED[place].split()) <= set(table)


def test_a_spray_has_no_plan_and_no_holes() -> None:
    assert not {"plan", "holes"} & set(to_table(small_outcome()))


@pytest.mark.parametrize("outcome", [small_outcome(), small_plan()], ids=["spray", "plan"])
def test_an_outcome_comes_back_from_json_equal(outcome: Outcome) -> None:
    assert outcome_from_table(json.loads(to_json(outcome))) == outcome


@pytest.mark.parametrize("outcome", [small_outcome(), small_plan()], ids=["spray", "plan"])
def test_an_outcome_fits_its_published_schema(outcome: Outcome) -> None:
    schema = result_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(to_table(outcome), schema)


def test_more_keys_are_passed_over() -> None:
    table = to_table(small_outcome()) | {"colour": "blue"}
    assert outcome_from_table(table) == small_outcome()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"version": 2}, "version 2 found, 1 can be read; run the job again"),
        ({"version": None}, "version none found"),
        ({"bays": 3}, 'key "bays" is not what a result holds'),
        ({"title": None}, 'key "title" is not what a result holds'),
    ],
)
def test_a_table_that_is_no_result_is_refused(change: dict[str, object], words: str) -> None:
    with pytest.raises(StoreError, match=words):
        outcome_from_table(to_table(small_outcome()) | change)


def test_a_number_that_is_not_finite_is_never_written() -> None:
    outcome = small_outcome()
    broken = dataclasses.replace(outcome, liquid=dataclasses.replace(outcome.liquid, direct_m3=math.nan))
    with pytest.raises(StoreError, match=r"result: liquid\.direct_m3 is not a finite number"):
        to_json(broken)


def test_nothing_required_is_no_share_and_meets_no_target() -> None:
    nothing = coverage_of(required_m2=0, covered_m2=0, direct_m2=0, settled_only_m2=0, dry_m2=0, target=0.95)
    assert (nothing.fraction, nothing.direct_fraction, nothing.dry_fraction, nothing.met) == (None,) * 3 + (
        False,
    )


def test_a_target_is_met_unrounded() -> None:
    areas = {"required_m2": 1.0, "direct_m2": 0.0, "settled_only_m2": 0.0, "dry_m2": 0.0}
    assert not coverage_of(covered_m2=0.9999999, target=1.0, **areas).met
    assert coverage_of(covered_m2=1.0, target=1.0, **areas).met


def test_no_caution_says_safe() -> None:
    for sentence in {**ALWAYS, **HOLES, **SETTLED, **FLOW}.values():
        assert "safe" not in sentence.lower()
        assert sentence.endswith(".")


def films() -> list[PassFilm]:
    rng = np.random.default_rng(4)
    sides = np.sort(rng.choice(1000, 300, replace=False))
    thick = PassFilm(
        direct_sides=sides,
        direct=rng.uniform(1e-6, 40e-6, 300),
        settled_sides=sides[:50],
        settled=rng.uniform(0, 2e-6, 50),
    )
    none = np.zeros(0, dtype=np.int64)
    return [
        thick,
        PassFilm(direct_sides=none, direct=np.zeros(0), settled_sides=none, settled=np.zeros(0)),
        thick,
    ]


def test_films_of_passes_come_back_within_half_a_step() -> None:
    data = films_bytes(films())
    back = films_from(data, 1000)
    assert [len(film.direct_sides) for film in back] == [300, 0, 300]
    # 40 um / 65,535 = 0.6 nm a step; direct and settled are rounded each.
    assert back[0].dense(1000) == pytest.approx(films()[0].dense(1000), abs=0.35e-9)
    assert data == films_bytes(films())
    assert len(data) < 3 * 350 * 6  # two passes of 350 entries of six bytes, and the file's own


def test_films_of_another_structure_or_a_broken_file_are_refused() -> None:
    data = films_bytes(films())
    with pytest.raises(BayreachError, match="does not fit a structure of 10 sides"):
        films_from(data, 10)
    with pytest.raises(BayreachError, match=r"film_passes\.npz: cannot be read"):
        films_from(data[: len(data) // 2], 1000)
