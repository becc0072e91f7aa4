"""Coupons: reading, finding the side, and the fitted factor with its confidence."""

from pathlib import Path

import numpy as np
import pytest

from bayreach.deposit.coupons import COLUMNS, coupon_fit, coupon_sides, read_coupons
from bayreach.errors import JobError
from bayreach.mesh import mesh_of

PLATE = mesh_of([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], [[0, 1, 2], [0, 2, 3]])


def written(folder: Path, text: str) -> Path:
    path = folder / "coupons.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_coupon_file_reads_in_the_meshs_unit(tmp_path: Path) -> None:
    path = written(tmp_path, "name,x,y,z,film_um,nx,ny,nz\nA1,500,250,1,12.5,0,0,-2\nA2,100,900,0,8,,,\n")
    coupons = read_coupons(path, 1e-3)
    assert coupons.names == ("A1", "A2")
    assert coupons.places[0] == pytest.approx([0.5, 0.25, 1e-3])
    assert coupons.films == pytest.approx([12.5e-6, 8e-6])
    assert coupons.normals.tolist() == [[0, 0, -1], [0, 0, 0]]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("name,x,y,film_um\n", "the column z is missing"),
        (",".join(COLUMNS) + "\n", "0 rows found below the names of the columns, 1 to 10000 allowed"),
        (",".join(COLUMNS) + "\nA,1,2,3,thick\n", 'line 2: film_um is "thick"; a number is needed'),
        (",".join(COLUMNS) + "\nA,1,2,3,4\nB,1,2,nan,4\n", 'line 3: z is "nan"; a number is needed'),
        (",".join(COLUMNS) + "\nA,1,2,3,-4\n", "line 2: film_um -4 is below zero"),
        (",".join(COLUMNS) + "\n\nA,1,2,3,1_0\n", 'line 3: film_um is "1_0"; a number is needed'),
        (",".join(COLUMNS) + "\nA,1,2,3,4,5\n", "line 2: 6 cells found, 5 columns are named above"),
        (",".join(COLUMNS) + ",X\nA,1,2,3,4,5\n", "the column x is there 2 times; leave one"),
        (";".join(COLUMNS) + "\nA;1;2;3;4\n", "Cells are parted by commas, not by semicolons"),
        (",".join(COLUMNS) + "\n" + "A" * 33_600_000, "coupons.csv: is longer than 32 MB; split it"),
    ],
)
def test_a_bad_coupon_file_names_its_line_and_column(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(JobError, match=words):
        read_coupons(written(tmp_path, text), 1.0)


def test_a_missing_coupon_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(JobError, match=r"none.csv: cannot be read as a coupon file"):
        read_coupons(tmp_path / "none.csv", 1.0)


def test_a_coupon_lies_on_the_side_its_normal_tells_or_the_one_that_claims_less(tmp_path: Path) -> None:
    path = written(
        tmp_path,
        "name,x,y,z,film_um,nx,ny,nz\nup,0.7,0.2,0,5,0,0,1\ndown,0.7,0.2,0,5,0,0,-1\nuntold,0.7,0.2,0,5,,,\n"
        "far,0.7,0.2,0.5,5,,,\n",
    )
    coupons = read_coupons(path, 1.0)
    both, film = np.zeros(4, dtype=np.int64), np.array([3e-6, 1e-6, 0.0, 0.0])
    assert coupon_sides(coupons, PLATE, both, film).tolist() == [0, 1, 1, -1]
    above = np.array([0, -1, 0, -1])
    assert coupon_sides(coupons, PLATE, above, film).tolist() == [0, 0, 0, -1]


def test_the_factor_is_the_mean_ratio_and_its_interval_students() -> None:
    # Ratios 0.6, 0.7, 0.8: mean 0.7, s = 0.1, half width t(0.975, 2) x 0.1 / sqrt(3) = 4.302653 x
    # 0.0577350.
    fit = coupon_fit(np.array([10e-6, 10e-6, 20e-6]), np.array([6e-6, 7e-6, 16e-6]))
    assert fit.factor == pytest.approx(0.7, rel=1e-12)
    assert fit.factor_high - fit.factor == pytest.approx(4.302653 * 0.0577350, rel=1e-5)
    assert fit.bias == pytest.approx(-11e-6 / 3, rel=1e-12)


def test_the_interval_holds_the_true_factor_as_often_as_it_says() -> None:
    rng = np.random.default_rng(11)
    predicted = rng.uniform(5e-6, 50e-6, (2000, 12))
    measured = 0.65 * predicted * (1 + rng.normal(0, 0.2, predicted.shape))
    fits = [coupon_fit(p, m) for p, m in zip(predicted, measured, strict=True)]
    held = np.mean([fit.factor_low <= 0.65 <= fit.factor_high for fit in fits])
    # 4 sigma of a share of 0.95 from 2000 trials is 0.0195.
    assert held == pytest.approx(0.95, abs=0.0195)


def test_film_where_none_was_predicted_is_told_apart() -> None:
    fit = coupon_fit(np.array([10e-6, 0.0, 0.0]), np.array([9e-6, 4e-6, 0.0]))
    assert fit.wet_where_dry.tolist() == [1]
    assert fit.n_used == 1
    assert fit.factor == pytest.approx(0.9, rel=1e-12)
    assert np.isnan(fit.factor_low)


def test_no_coupon_in_the_film_is_refused() -> None:
    with pytest.raises(ValueError, match="none lies where film is predicted"):
        coupon_fit(np.zeros(2), np.ones(2))
