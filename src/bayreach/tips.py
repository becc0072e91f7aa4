"""Tip patterns: how much liquid leaves in each direction; every pattern integrates to one over the sphere."""

import math
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import BoolArray, FloatArray, frozen_floats, unit_vectors
from bayreach.csvfile import csv_rows, number_in
from bayreach.errors import WandError, nearest_hint

PATTERNS = ("radial", "side", "forward", "table")
PROFILES = ("uniform", "gaussian", "cosine")


@dataclass(frozen=True, kw_only=True, eq=False)
class TipTable:
    """A measured pattern: the share of the flow in each bin of polar and azimuth angle.

    Parameters
    ----------
    polar : (p + 1,) float
        Rising edges in rad of the angle from the wand's axis (0 straight ahead).
    azimuth : (a + 1,) float
        Rising edges in rad of the angle about the axis, counted from the clock direction towards y = z × x;
        they span exactly one turn.
    shares : (p, a) float
        Non-negative amounts in any unit; made to sum to one.
    """

    polar: FloatArray
    azimuth: FloatArray
    shares: FloatArray

    def __post_init__(self) -> None:
        polar = frozen_floats(self.polar, shape=(-1,), name="polar")
        azimuth = frozen_floats(self.azimuth, shape=(-1,), name="azimuth")
        if len(polar) < 2 or (np.diff(polar) <= 0).any() or polar[0] < 0 or polar[-1] > np.pi + 1e-9:
            message = "polar: rising bin edges between 0 and 180 deg are needed."
            raise WandError(message)
        turn = float(azimuth[-1] - azimuth[0]) if len(azimuth) > 1 else 0.0
        if (np.diff(azimuth) <= 0).any() or abs(turn - 2 * np.pi) > 1e-6:
            message = f"azimuth: rising edges over one whole turn needed, {math.degrees(turn):.3f} deg found"
            raise WandError(message)
        shares = np.array(frozen_floats(self.shares, shape=(len(polar) - 1, len(azimuth) - 1), name="shares"))
        if (shares < 0).any() or not shares.sum() > 0:
            message = (
                f"shares: amounts of zero or more with a sum above zero are needed; least {shares.min():g}."
            )
            raise WandError(message)
        shares /= shares.sum()
        for name, value in (("polar", polar), ("azimuth", azimuth), ("shares", shares)):
            object.__setattr__(self, name, frozen_floats(value, shape=value.shape, name=name))

    @cached_property
    def densities(self) -> FloatArray:
        """(p, a) float: flow per solid angle of each bin, in 1/sr."""
        solid = -np.diff(np.cos(self.polar))[:, None] * np.diff(self.azimuth)[None]
        return frozen_floats(self.shares / solid, shape=self.shares.shape, name="densities")


@dataclass(frozen=True, kw_only=True, eq=False)
class Tip:
    """A tip: where it sprays, how much and how far.

    Tip frame: x is the wand's axis (forward), z the clock vector, y = z × x.

    Parameters
    ----------
    pattern : {"radial", "side", "forward", "table"}
        `radial`: a sheet round the axis, leaving at `angle` to it. `side`: a cone about a centre line at
        `angle` to the axis in the clock direction. `forward`: a cone about the axis. `table`: measured, see
        `TipTable`.
    spread : float
        Full angle in rad of the cone or, for `radial`, of the sheet's section.
    angle : float
        Angle in rad from the axis of the sheet or centre line (default 90 deg); unused by the others.
    profile : {"uniform", "gaussian", "cosine"}
        Flow per solid angle against the angle u off the centre, cut off at spread / 2: constant; exp(-u² / 2
        s²) with s = spread / 4; or cos(u) to the power `power`.
    power : float
        Exponent of the cosine profile.
    flow : float
        Flow in m³/s.
    throw : float
        Distance in m at which half of the sprayed volume still flies; the rest has turned to fog. Infinite:
        all of it flies until it hits.
    droplet : float
        Median droplet diameter by volume, in m.
    droplet_spread : float
        Geometric standard deviation of the droplet size (1: all alike).
    table : TipTable, optional
        The measured pattern of a `table` tip.

    Raises
    ------
    WandError
        When a value cannot be.
    """

    pattern: str
    spread: float = math.radians(40.0)
    angle: float = math.pi / 2
    profile: str = "uniform"
    power: float = 1.0
    flow: float = 200e-6 / 60
    throw: float = math.inf
    droplet: float = 60e-6
    droplet_spread: float = 1.8
    table: TipTable | None = None

    def __post_init__(self) -> None:
        for name, value, known in (("pattern", self.pattern, PATTERNS), ("profile", self.profile, PROFILES)):
            if value not in known:
                hint = nearest_hint(value, known)
                message = f'tip {name}: "{value}" is unknown; use one of {", ".join(known)}.{hint}'
                raise WandError(message)
        widest = math.pi if self.profile == "cosine" or self.pattern == "radial" else 2 * math.pi
        limits = (
            (
                "spread",
                self.spread,
                0.0 < self.spread <= widest + 1e-12,
                f"above 0 to {math.degrees(widest):.0f} deg",
            ),
            ("angle", self.angle, 0.0 <= self.angle <= math.pi, "0 to 180 deg"),
            ("power", self.power, 0.0 <= self.power < 1e4, "0 or more"),
            ("flow", self.flow, 0.0 < self.flow < math.inf, "above zero"),
            ("throw", self.throw, self.throw > 0.0, 'above zero, or "inf"'),
            ("droplet", self.droplet, 0.0 < self.droplet < 0.1, "above zero"),
            ("droplet_spread", self.droplet_spread, 1.0 <= self.droplet_spread < 100.0, "1 or more"),
        )
        for name, number, fits, allowed in limits:
            if not fits:
                shown = f"{math.degrees(number):.4g} deg" if allowed.endswith("deg") else f"{number:g} (SI)"
                message = f"tip {name}: {shown} found, {allowed} allowed."
                raise WandError(message)
        if (self.pattern == "table") != (self.table is not None):
            message = (
                f'tip table: a table belongs to pattern "table" and to no other; pattern is "{self.pattern}".'
            )
            raise WandError(message)

    @property
    def center_line(self) -> FloatArray:
        """(3,) float: unit vector in the tip frame that the profile is counted from."""
        if self.pattern == "side":
            return np.array([math.cos(self.angle), 0.0, math.sin(self.angle)])
        return np.array([1.0, 0.0, 0.0])

    @property
    def cosine_range(self) -> tuple[float, float]:
        """Least and greatest cosine between the `center_line` and a direction that gets any liquid."""
        if self.pattern == "table":
            assert self.table is not None
            return math.cos(self.table.polar[-1]), math.cos(self.table.polar[0])
        half = self.spread / 2
        if self.pattern == "radial":
            return math.cos(min(math.pi, self.angle + half)), math.cos(max(0.0, self.angle - half))
        return math.cos(min(math.pi, half)), 1.0

    def density(self, directions: ArrayLike) -> FloatArray:
        """Return the flow share per solid angle (...), 1/sr, at unit `directions` (..., 3), tip frame."""
        rays = np.asarray(directions, dtype=np.float64)
        if self.pattern == "table":
            return self._table_density(rays)
        cosines = np.clip(rays @ self.center_line, -1.0, 1.0)
        return self.density_at(cosines)

    def density_at(self, cosines: ArrayLike) -> FloatArray:
        """Return the density (...) in 1/sr at `cosines` (...) to the `center_line`; not for a `table` tip."""
        cosines = np.clip(np.asarray(cosines, dtype=np.float64), -1.0, 1.0)
        low, high = self.cosine_range
        inside = (cosines >= low - 1e-12) & (cosines <= high + 1e-12)
        return np.where(inside, self._shape(self._off_centre(cosines)) * self._scale, 0.0)

    def sprays_at(self, polar: ArrayLike) -> BoolArray:
        """Tell (...) whether any liquid leaves at `polar` (...) rad from the axis, at some clock angle.

        >>> Tip(pattern="side", spread=math.radians(40)).sprays_at(np.radians([60.0, 75.0, 90.0])).tolist()
        [False, True, True]
        """
        angles = np.asarray(polar, dtype=np.float64)
        if self.pattern == "table":
            assert self.table is not None
            row = np.searchsorted(self.table.polar, angles, side="right") - 1
            wet = np.append(self.table.shares.sum(axis=1) > 0.0, [False])
            return np.asarray(wet[np.where(row < 0, -1, np.minimum(row, len(wet) - 1))])
        middle = 0.0 if self.pattern == "forward" else self.angle
        within: BoolArray = np.abs(angles - middle) <= self.spread / 2.0 + 1e-9
        return within

    def share_flying(self, distances: ArrayLike) -> FloatArray:
        """Return the share (...) of the volume that still flies at `distances` (...) m from the tip.

        tau(r) = 1/2 erfc( ln(r / L) / (2 sqrt 2 ln s) ): droplets log-normal by volume with geometric
        standard deviation s, each flying a distance that grows with the square of its diameter (Stokes
        stopping distance), L being the throw, that is the distance of the median droplet. A simple law of our
        own, replaced where a jet model is given.

        >>> float(Tip(pattern="forward", throw=0.4).share_flying(0.4))
        0.5
        """
        from scipy.special import erfc

        distances = np.asarray(distances, dtype=np.float64)
        if math.isinf(self.throw):
            return np.ones_like(distances)
        width = 2.0 * math.log(self.droplet_spread)
        if width == 0.0:
            return np.where(distances <= self.throw, 1.0, 0.0)
        ratio = np.log(np.maximum(distances, 1e-300) / self.throw)
        flying: FloatArray = 0.5 * erfc(ratio / (math.sqrt(2.0) * width))
        return flying

    def _off_centre(self, cosines: FloatArray) -> FloatArray:
        angles = np.arccos(cosines)
        return np.abs(angles - self.angle) if self.pattern == "radial" else angles

    def _shape(self, off_centre: FloatArray) -> FloatArray:
        if self.profile == "uniform":
            return np.ones_like(off_centre)
        if self.profile == "gaussian":
            shape: FloatArray = np.exp(-0.5 * (off_centre / (self.spread / 4)) ** 2)
            return shape
        return np.asarray(np.maximum(np.cos(off_centre), 0.0) ** self.power)

    @cached_property
    def _scale(self) -> float:
        """One over the integral of the shape over the sphere (Gauss-Legendre over the polar angle)."""
        low, high = self.cosine_range
        if self.profile == "uniform":
            return 1.0 / (2.0 * math.pi * (high - low))
        nodes, weights = np.polynomial.legendre.leggauss(200)
        first, last = math.acos(high), math.acos(low)
        polar = 0.5 * (last - first) * nodes + 0.5 * (last + first)
        values = self._shape(self._off_centre(np.cos(polar))) * np.sin(polar)
        return float(1.0 / (2.0 * math.pi * 0.5 * (last - first) * (weights @ values)))

    def _table_density(self, rays: FloatArray) -> FloatArray:
        assert self.table is not None
        polar = np.arccos(np.clip(rays[..., 0], -1.0, 1.0))
        azimuth = np.arctan2(rays[..., 1], rays[..., 2])
        first = self.table.azimuth[0]
        azimuth = first + np.mod(azimuth - first, 2 * np.pi)
        row = np.searchsorted(self.table.polar, polar, side="right") - 1
        column = np.searchsorted(self.table.azimuth, azimuth, side="right") - 1
        n_polar, n_azimuth = self.table.shares.shape
        row = np.where(polar == self.table.polar[-1], n_polar - 1, row)
        inside = (row >= 0) & (row < n_polar)
        found = self.table.densities[np.clip(row, 0, n_polar - 1), np.clip(column, 0, n_azimuth - 1)]
        return np.where(inside, found, 0.0)


def orifice_flow(diameter: float, coefficient: float, pressure: float, density: float) -> float:
    """Return the flow in m³/s out of a round orifice: Q = C A sqrt(2 p / rho).

    C is the discharge `coefficient` (1 for an ideal jet, measured for the tip), A the area in m² of the
    orifice's `diameter` (m), p the `pressure` across it in Pa, rho the liquid's `density` in kg/m³: the
    square-root law of any text on flow measurement (Bernoulli and continuity, the approach speed left out).

    >>> round(1e6 * orifice_flow(0.5e-3, 0.61, 6e5, 850.0), 6)   # mL/s
    4.500294
    """
    area = math.pi * diameter**2 / 4.0
    return coefficient * area * math.sqrt(2.0 * pressure / density)


def in_tip_frame(vectors: ArrayLike, axis: ArrayLike, clock: ArrayLike) -> FloatArray:
    """Return `vectors` (..., 3) of the mesh's frame in that of a tip with `axis` (3,) and `clock` (3,)."""
    return np.asarray(vectors, dtype=np.float64) @ tip_frame(axis, clock).T


def tip_frame(axis: ArrayLike, clock: ArrayLike) -> FloatArray:
    """Return the rows (3, 3) x, y, z of the tip frame: x = axis, z = clock, y = z × x."""
    along, up = unit_vectors(axis), unit_vectors(clock)
    return np.stack([along, np.cross(up, along), up])


def read_table(path: Path) -> TipTable:
    """Read a measured pattern from a CSV: first row azimuth bin edges, first column polar bin edges, in deg.

    The top left corner is free text. Row k holds the amounts between polar edge k and the next; the last row
    has only its edge. Likewise the last azimuth edge has no column of amounts below it.

    Raises
    ------
    WandError
        Naming the file and line of what is missing or no number.
    """
    rows = csv_rows(path, what="a tip table", refuse=WandError)
    if len(rows) < 3 or len(rows[0][1]) < 3:
        message = (
            f"{path.name}: a tip table needs a row of azimuth edges, and two polar edges or more below it."
        )
        raise WandError(message)
    numbers = [[_number(text, path, line) for text in _filled(row)[1:]] for line, row in rows]
    polar = [_number(row[0], path, line) for line, row in rows[1:]]
    n_azimuth = len(numbers[0]) - 1
    for (line, _), row_numbers in zip(rows[1:-1], numbers[1:-1], strict=True):
        if len(row_numbers) != n_azimuth:
            message = (
                f"{path.name}, line {line}: {len(row_numbers)} amounts found, {n_azimuth} azimuth bins given."
            )
            raise WandError(message)
    try:
        return TipTable(
            polar=np.radians(polar), azimuth=np.radians(numbers[0]), shares=np.array(numbers[1:-1])
        )
    except WandError as error:
        message = f"{path.name}: {error}"
        raise WandError(message) from error


def _filled(row: list[str]) -> list[str]:
    last = max((place for place, text in enumerate(row) if text.strip()), default=0)
    return row[: last + 1]


def _number(text: str, path: Path, line: int) -> float:
    value = number_in(text)
    if math.isnan(value):
        message = f'{path.name}, line {line}: "{text[:40]}" is no number.'
        raise WandError(message)
    return value
