"""One droplet in still air: slip, drag, fall, stopping distance, and how fast it reaches a wall.

Every function takes arrays that broadcast and returns arrays. Droplets are spheres that keep their size.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import FloatArray

GRAVITY = 9.81
"""In m/s²."""
BOLTZMANN = 1.380649e-23
"""In J/K (exact)."""
LEAST_DIAMETER = 1e-8
"""In m: the closed form of the wall integral is wrong for anything finer (see `wall_integral`)."""


@dataclass(frozen=True, kw_only=True)
class Air:
    """Air properties, by default at 293.15 K and 101 325 Pa.

    Parameters
    ----------
    density : float
        In kg/m³.
    viscosity : float
        Dynamic viscosity in Pa s.
    mean_free_path : float
        In m.
    temperature : float
        In K.
    """

    density: float = 1.205
    viscosity: float = 1.81e-5
    mean_free_path: float = 0.066e-6
    temperature: float = 293.15

    @property
    def kinematic_viscosity(self) -> float:
        """Viscosity over density, in m²/s."""
        return self.viscosity / self.density


STANDARD_AIR = Air()


def slip_factor(diameter: ArrayLike, air: Air = STANDARD_AIR) -> FloatArray:
    """Return the slip factor Cc (array like `diameter`, m) by which a small droplet's drag is divided.

    Cc = 1 + Kn [1.257 + 0.4 exp(-1.1 / Kn)], Kn = 2 λ / d (Seinfeld & Pandis 2006, Eq. 9.34).

    >>> round(float(slip_factor(1e-6, Air(mean_free_path=0.0651e-6))), 3)
    1.164
    """
    knudsen = 2.0 * air.mean_free_path / np.asarray(diameter, dtype=np.float64)
    return np.asarray(1.0 + knudsen * (1.257 + 0.4 * np.exp(-1.1 / knudsen)))


def relaxation_time(diameter: ArrayLike, density: float, air: Air = STANDARD_AIR) -> FloatArray:
    """Return τ = ρ d² Cc / (18 μ) in s, the time in which a slow droplet (m, kg/m³) forgets its speed."""
    size = np.asarray(diameter, dtype=np.float64)
    return np.asarray(density * size**2 * slip_factor(size, air) / (18.0 * air.viscosity))


def stokes_speed(diameter: ArrayLike, density: float, air: Air = STANDARD_AIR) -> FloatArray:
    """Return the fall speed τ g in m/s by Stokes' drag; too fast above about 70 µm (see `fall_speed`)."""
    return relaxation_time(diameter, density, air) * GRAVITY


def fall_speed(diameter: ArrayLike, density: float, air: Air = STANDARD_AIR) -> FloatArray:
    """Return the steady fall speed in m/s of droplets of `diameter` (m) and `density` (kg/m³).

    Drag of a sphere after Schiller & Naumann, C_D = (24/Re)(1 + 0.15 Re^0.687), with slip and buoyancy.
    With the Stokes speed V_s the Reynolds number solves Re (1 + 0.15 Re^0.687) = ρ_air V_s d / μ, here by
    Newton's method on log Re.

    >>> round(float(fall_speed(100e-6, 1000.0)), 3)
    0.249
    """
    size = np.asarray(diameter, dtype=np.float64)
    stokes = stokes_speed(size, density, air) * (1.0 - air.density / density)
    target = air.density * stokes * size / air.viscosity
    reynolds = target / (1.0 + 0.15 * target**0.687)
    for _ in range(30):  # converges in 4 to 6 from above; 30 leaves no doubt
        drag = 1.0 + 0.15 * reynolds**0.687
        slope = 1.0 + 0.15 * 0.687 * reynolds**0.687 / drag
        reynolds = reynolds * np.exp(-np.log(reynolds * drag / target) / slope)
    return np.asarray(stokes / (1.0 + 0.15 * reynolds**0.687))


def stopping_distance(
    speed: ArrayLike, diameter: ArrayLike, density: float, air: Air = STANDARD_AIR
) -> FloatArray:
    """Return how far in m a droplet shot at `speed` (m/s) into still air flies before it has stopped.

    S = (ρ d / ρ_air) Cc [Re^⅓ - √6 atan(Re^⅓ / √6)], Re = ρ_air v d / μ: the drag 1 + Re^⅔/6 integrated
    (Mercer 1973, after Hinds, ch. 5), times the slip factor, which matters below 1 µm only.

    >>> round(float(stopping_distance(10.0, 100e-6, 1000.0)) * 1e3)
    128
    """
    size = np.asarray(diameter, dtype=np.float64)
    root = np.cbrt(air.density * np.asarray(speed, dtype=np.float64) * size / air.viscosity)
    return np.asarray(density * size / air.density * slip_factor(size, air) * _mercer(root))


def _mercer(root: FloatArray) -> FloatArray:
    """Return x - √6 atan(x / √6); for small x by x³/18 - x⁵/180 + x⁷/1512, as the difference would cancel."""
    series = root**3 / 18.0 - root**5 / 180.0 + root**7 / 1512.0
    whole = root - math.sqrt(6.0) * np.arctan(root / math.sqrt(6.0))
    return np.where(root < 0.02, series, whole)


def diffusivity(diameter: ArrayLike, air: Air = STANDARD_AIR) -> FloatArray:
    """Return the Brownian diffusivity D = k T Cc / (3 π μ d) in m²/s (Stokes-Einstein)."""
    size = np.asarray(diameter, dtype=np.float64)
    drag = 3.0 * math.pi * air.viscosity * size
    return np.asarray(BOLTZMANN * air.temperature * slip_factor(size, air) / drag)


def wall_integral(diameter: ArrayLike, friction_speed: float, air: Air = STANDARD_AIR) -> FloatArray:
    """Return I, the resistance of the turbulent layer at a wall, without unit.

    I = 3.64 Sc^⅔ (a - b) + 39, Sc = ν / D, r⁺ = d u* / (2 ν),
    a = ½ ln[(10.92 Sc^-⅓ + 4.3)³ / (Sc⁻¹ + 0.0609)] + √3 atan[(8.6 - 10.92 Sc^-⅓) / (√3 · 10.92 Sc^-⅓)],
    b = ½ ln[(10.92 Sc^-⅓ + r⁺)³ / (Sc⁻¹ + 7.669e-4 r⁺³)] + √3 atan[(2 r⁺ - 10.92 Sc^-⅓) / (√3 · 10.92 Sc^-⅓)]
    (Lai & Nazaroff, J. Aerosol Sci. 31(4), 2000, 463-476).

    Raises
    ------
    ValueError
        Below 10 nm, where the closed form departs from the integral it stands for.
    """
    size = np.asarray(diameter, dtype=np.float64)
    if size.size and size.min() < LEAST_DIAMETER:
        message = (
            f"diameter: {size.min():.3g} m found, {LEAST_DIAMETER:g} m or more needed by the wall integral."
        )
        raise ValueError(message)
    viscosity = air.kinematic_viscosity
    schmidt = viscosity / diffusivity(size, air)
    thin = 10.92 * schmidt ** (-1.0 / 3.0)
    radius = size * friction_speed / (2.0 * viscosity)
    rise = np.sqrt(3.0)
    outer = 0.5 * np.log((thin + 4.3) ** 3 / (1.0 / schmidt + 0.0609))
    outer = outer + rise * np.arctan((8.6 - thin) / (rise * thin))
    inner = 0.5 * np.log((thin + radius) ** 3 / (1.0 / schmidt + 7.669e-4 * radius**3))
    inner = inner + rise * np.arctan((2.0 * radius - thin) / (rise * thin))
    return np.asarray(3.64 * schmidt ** (2.0 / 3.0) * (outer - inner) + 39.0)


def wall_speed(diameter: ArrayLike, friction_speed: float, air: Air = STANDARD_AIR) -> FloatArray:
    """Return u* / I in m/s: how fast droplets reach an upright wall (Lai & Nazaroff 2000)."""
    return np.asarray(friction_speed / wall_integral(diameter, friction_speed, air))


def deposition_speed(fall: ArrayLike, wall: ArrayLike, rise: ArrayLike) -> FloatArray:
    """Return how fast in m/s droplets reach a side whose normal has the cosine `rise` to up.

    v = V c / (1 - exp(-V c / w)), V the fall speed, w the speed at an upright wall, c = `rise`. It returns
    the three cases of Lai & Nazaroff 2000: V / (1 - exp(-V/w)) facing up, w upright, V / (exp(V/w) - 1)
    facing down; and with w = 2 √(k_e D) / π, summed over a vessel, the loss rates of Crump & Seinfeld 1981
    and of Crump, Flagan & Seinfeld 1982. The law for a tilt between those is derived here.

    >>> deposition_speed(3e-3, 1e-7, [1.0, 0.0, -1.0]).tolist()
    [0.003, 1e-07, 0.0]
    """
    wall = np.asarray(wall, dtype=np.float64)
    ratio = np.asarray(fall, dtype=np.float64) * np.asarray(rise, dtype=np.float64) / wall
    # x / (1 - exp(-x)) = x exp(x) / (exp(x) - 1): the second form does not overflow for great -x.
    great = np.abs(np.where(ratio == 0.0, 1.0, ratio))
    upward = great / -np.expm1(-great)
    downward = upward * np.exp(-great)
    factor = np.where(ratio > 0.0, upward, downward)
    return np.asarray(wall * np.where(ratio == 0.0, 1.0, factor))
