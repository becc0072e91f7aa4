"""Measured coupons laid against the prediction, so that a shop can calibrate the model to its own spray."""

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from bayreach.arrays import NO_FACE, OUTSIDE, FloatArray, IntArray, unit_vectors
from bayreach.csvfile import csv_table
from bayreach.errors import JobError
from bayreach.measure import nearest_faces, side_normals
from bayreach.mesh import Mesh

COLUMNS = ("name", "x", "y", "z", "film_um")
"""Columns that a coupon file must have; nx, ny, nz (out of the coupon) are welcome."""
MOST_COUPONS = 10_000


@dataclass(frozen=True, kw_only=True, eq=False)
class Coupons:
    """Measured film.

    Parameters
    ----------
    names : tuple of str
    places : (k, 3) float
        In m.
    normals : (k, 3) float
        Unit vectors out of the coupon; zero where the file does not tell.
    films : (k,) float
        Measured film in m.
    """

    names: tuple[str, ...]
    places: FloatArray
    normals: FloatArray
    films: FloatArray


def read_coupons(path: Path, metres: float) -> Coupons:
    """Read a coupon file: CSV with the columns name, x, y, z, film_um, and nx, ny, nz if wanted.

    `metres` is the length in m of the unit that x, y, z are in (that of the mesh).

    Raises
    ------
    JobError
        Naming the file, the line and the column that is missing, no number, or below zero.
    """
    rows = csv_table(path, what="a coupon file", needed=COLUMNS, most=MOST_COUPONS, refuse=JobError)
    for row in rows:
        if row.number("film_um") < 0.0:
            message = f"{row.place}: film_um {row.number('film_um'):g} is below zero."
            raise JobError(message)
    normals = [[row.number(column, absent="0") for column in ("nx", "ny", "nz")] for row in rows]
    places = [[row.number(column) for column in ("x", "y", "z")] for row in rows]
    return Coupons(
        names=tuple(row.cells["name"].strip() or row.place.split(", ")[-1] for row in rows),
        places=metres * np.array(places),
        normals=unit_vectors(np.array(normals)),
        films=np.array([row.number("film_um") for row in rows]) / 1e6,
    )


def coupon_sides(
    coupons: Coupons, mesh: Mesh, side_bay: IntArray, film: FloatArray, *, reach: float = 0.01
) -> IntArray:
    """Return the side (k,) that each coupon lies on; -1 where no face of a bay is within `reach` (m).

    Of the two sides of the nearest face, the one inside a bay; where both are, the one the coupon's normal
    points out of; where the file tells no normal, the one with the lesser predicted `film` (s,), which
    claims less.
    """
    faces, distances = nearest_faces(coupons.places, mesh)
    sides = 2 * faces[:, None] + np.array([0, 1])
    facing = np.einsum("kij,kj->ki", side_normals(mesh)[sides], coupons.normals)
    told = np.linalg.norm(coupons.normals, axis=1) > 0
    preference = np.where(told[:, None], facing, -film[sides] / max(float(film.max(initial=0.0)), 1e-30))
    preference = np.where(side_bay[sides] != OUTSIDE, preference, -np.inf)
    chosen = np.take_along_axis(sides, preference.argmax(axis=1)[:, None], axis=1)[:, 0]
    good = (distances <= reach) & np.isfinite(preference.max(axis=1))
    return np.where(good, chosen, NO_FACE)


@dataclass(frozen=True, kw_only=True, eq=False)
class CouponFit:
    """How the prediction stands against measured coupons.

    Parameters
    ----------
    n_used : int
        Coupons where film was predicted.
    bias, scatter : float
        Mean and standard deviation of measured minus predicted film, in m.
    factor, factor_low, factor_high : float
        Deposition factor by which to multiply the prediction, and its confidence interval; infinite or NaN
        limits where there are too few coupons.
    confidence : float
        Of that interval.
    ratio_scatter : float
        Standard deviation of measured over predicted.
    wet_where_dry : (m,) int
        Coupons with film where none was predicted: left out of the factor, and a fault of the geometry
        or aim.
    """

    n_used: int
    bias: float
    scatter: float
    factor: float
    factor_low: float
    factor_high: float
    confidence: float
    ratio_scatter: float
    wet_where_dry: IntArray


def coupon_fit(predicted: FloatArray, measured: FloatArray, *, confidence: float = 0.95) -> CouponFit:
    """Return bias, scatter and the deposition factor of `measured` against `predicted` film (k,) m.

    measured = factor x predicted x (1 + e), e of equal spread everywhere: the factor is then the mean of
    the ratios, its standard error s / √n, and its interval by Student's t with n - 1 degrees of freedom.

    Raises
    ------
    ValueError
        When no coupon lies where film was predicted.
    """
    from scipy.stats import t

    used = predicted > 0
    n = int(used.sum())
    if not n:
        message = "coupons: none lies where film is predicted, so that no factor can be fitted."
        raise ValueError(message)
    ratios = measured[used] / predicted[used]
    differences = measured[used] - predicted[used]
    spread = float(ratios.std(ddof=1)) if n > 1 else math.nan
    half = float(t.ppf(0.5 + confidence / 2, n - 1)) * spread / math.sqrt(n) if n > 1 else math.nan
    return CouponFit(
        n_used=n,
        bias=float(differences.mean()),
        scatter=float(differences.std(ddof=1)) if n > 1 else math.nan,
        factor=float(ratios.mean()),
        factor_low=float(ratios.mean()) - half,
        factor_high=float(ratios.mean()) + half,
        confidence=confidence,
        ratio_scatter=spread,
        wet_where_dry=np.flatnonzero(~used & (measured > 0)),
    )
