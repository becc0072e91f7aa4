"""What a result folder says, read back as records, and numbers as documents print them."""

import numpy as np
import pytest
from sample_case import sample_case, sample_mesh, sample_record, sample_sides

from bayreach import report
from bayreach.errors import StoreError
from bayreach.report._case import reasons_with_parts


def test_a_case_holds_what_the_record_says() -> None:
    case = sample_case()
    assert case.title == "Outboard bay, demo"
    assert [bay.name for bay in case.bays] == ["bay 1", "bay 2"]
    assert case.target.film_min_um == pytest.approx(8.0)
    assert case.passes[0].path[0] == pytest.approx((0.45, 0.2, 0.1))
    assert case.holes[0].name == "candidate 1"


def test_only_sides_in_a_bay_have_a_status() -> None:
    sides = sample_case().sides
    for name in sides.status_names:
        assert (sides.bay[sides.is_status(name)] >= 0).all()


def test_a_target_without_an_upper_limit_has_an_endless_scale() -> None:
    target = {"film_min_m": 8e-6, "film_max_m": None, "film_is": "wet", "coverage": 1.0}
    case = sample_case(target=target)
    assert np.isinf(case.target.film_max_um)
    assert case.scale.edges_um[-1] == pytest.approx(32.0)


def test_sides_that_do_not_fit_the_mesh_are_refused() -> None:
    mesh = sample_mesh(0.05)
    with pytest.raises(StoreError, match="run the job again"):
        report.case_of(sample_record(), mesh, sample_sides(sample_mesh(0.04)))


@pytest.mark.parametrize(
    "changes",
    [
        {"openings": [{"name": "no place"}]},
        {"holidays": [{"area_m2": 1.0, "center_m": [0.0, float("nan"), 0.0]}]},
        {"holes": [{"center_m": [0, 0], "normal": [0, 0, 1], "drill_mm": 6}]},
    ],
)
def test_a_table_of_the_wrong_form_ends_in_one_clear_error(changes: dict[str, object]) -> None:
    mesh = sample_mesh(0.05)
    with pytest.raises(StoreError, match=r"result\.json: a table does not have its form"):
        report.case_of(sample_record(**changes), mesh, sample_sides(mesh))


@pytest.mark.parametrize(
    ("fraction", "text"),
    [(0.99999, "99.9 %"), (1.0, "100 %"), (0.29, "29 %"), (0.94996, "94.9 %"), (0.0, "0 %")],
)
def test_a_share_is_never_rounded_up(fraction: float, text: str) -> None:
    assert report.percent(fraction) == text


def test_every_text_has_its_gaps_named_and_none_is_empty() -> None:
    for key, text in report.all_words().items():
        assert text.strip(), key
        assert text.count("{") == text.count("}"), key


def test_no_text_says_safe_or_approved() -> None:
    for key, text in report.all_words().items():
        assert "safe" not in text.lower(), key
        assert "approved" not in text.lower().replace("not approved", "").replace("approved data", ""), key


def test_marks_that_turn_the_reading_direction_are_dropped() -> None:
    assert report.short("port\u202egnp.exe\u2066\x00\n2") == "portgnp.exe 2"
    assert report.short("\u05e9\u05dc\u05d5\u05dd") == "\u05e9\u05dc\u05d5\u05dd"


def test_a_hidden_side_names_the_part_that_hides_it() -> None:
    mesh = sample_mesh(0.2)
    reason = np.full(mesh.n_sides, -1)
    hidden_by = np.full(mesh.n_sides, -1)
    reason[:2] = [1, 0]
    hidden_by[0] = int(np.flatnonzero(mesh.face_parts == mesh.part_names.index("rib 1"))[0])
    found, names = reasons_with_parts(mesh, reason, hidden_by, ("no pass", "hidden from every pass"))
    assert [names[place] for place in found[:2]] == ["hidden by rib 1", "no pass"]
    assert (found[2:] == -1).all()


def test_mist_and_added_mass_are_told_with_their_limits() -> None:
    mist = [{"bay": "bay 1", "airborne_unsettled_kg_m3": 0.0512, "vapour_if_all_dries_kg_m3": 3.93}]
    loads = [
        {"bay": "bay 1", "film_kg": 0.1, "dry_kg": 0.05, "center_m": [0.0, 0.0, 0.0]},
        {"bay": "bay 2", "film_kg": 0.2, "pool_kg": 0.1, "dry_kg": 0.15, "center_m": [1.0, 0.0, 0.0]},
    ]
    mist += [{"bay": "bay 3", "vapour_if_all_dries_kg_m3": 3.93, "vapour_kg_m3": 0.0155}]
    limits = [{"name": "a limit", "value_kg_m3": 5e-6, "source": "a table"}]
    case = sample_case(0.2, mist=mist, loads=loads, mist_limits=limits)
    assert report.air_of(case)[0].texts() == ("bay 1", "51 g/m³", "3900 g/m³", "100 g", "50 g")
    by_bay = {row.bay: row for row in report.air_of(case)}
    assert by_bay["bay 2"].texts()[1] == "not worked out"
    assert by_bay["bay 3"].texts()[2] == "16 g/m³"  # bounded by what air can hold
    assert report.air_limits(case) == ("a limit: 0.005 g/m³ (a table)",)
    # (0.1 x 0 + 0.3 x 1000) / 0.4 = 750 mm.
    assert "400 g wet, 200 g dry, its middle at x 750, y 0, z 0 mm" in report.mass_line(case)
    assert report.mass_line(sample_case(0.2)) == ""


def test_the_balance_about_a_hinge_line_is_told() -> None:
    case = sample_case(0.2, balances=[{"name": "hinge <1>", "wet_n_m": 0.123, "dry_n_m": 0.0615}])
    assert "hinge <1>: 0.12 N m wet, 0.061 N m dry" in report.balance_lines(case)[0]
