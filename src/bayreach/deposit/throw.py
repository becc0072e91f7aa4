"""How much of a spray still flies straight at a distance from the tip; the rest has turned to fog there.

Droplet diameters are log-normal by volume. A droplet flies straight over its reach and then drifts, so
the share that still flies at r is the volume of the droplets whose reach is greater. Rays are straight:
a droplet's fall on its way is left out, which matters for what flies farther than a metre or so.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import FloatArray, frozen_floats
from bayreach.droplets import STANDARD_AIR, Air, stopping_distance

JET_SPEED = 20.0
"""In m/s: speed at which droplets leave a tip where nothing better is known (common practice, no source)."""
_DEVIATIONS = np.linspace(-6.0, 6.0, 1201)
"""Droplet sizes at which the reach is tabulated, in standard deviations of log diameter."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Flying:
    """The share that still flies as a table over distance, as the film integral and compiled loops want it.

    Parameters
    ----------
    radii : (k,) float
        Rising distances from the tip in m.
    shares : (k,) float
        Share still flying there, 1 to 0, never rising.
    """

    radii: FloatArray
    shares: FloatArray

    def __post_init__(self) -> None:
        radii = frozen_floats(self.radii, shape=(-1,), name="radii")
        shares = frozen_floats(self.shares, shape=radii.shape, name="shares")
        if (np.diff(radii) <= 0).any() or (np.diff(shares) > 1e-12).any() or not 0 <= shares.min() <= 1:
            message = "radii must rise, and shares fall from 1 at most to 0 at least."
            raise ValueError(message)
        object.__setattr__(self, "radii", radii)
        object.__setattr__(self, "shares", shares)

    def __call__(self, distances: ArrayLike) -> FloatArray:
        """Return the share (...) that still flies at `distances` (...) m, linear between the radii."""
        return np.interp(np.asarray(distances, dtype=np.float64), self.radii, self.shares)


def flying_by_jet(
    distances: ArrayLike,
    *,
    droplet: float,
    droplet_spread: float,
    density: float,
    jet_speed: float = JET_SPEED,
    entrainment: float = 0.0,
    air: Air = STANDARD_AIR,
) -> FloatArray:
    """Return the share (...) still flying at `distances` (...) m, from droplet size and jet speed.

    reach(d) = L_e + S(d, U): over the entrainment length L_e (m, stated by the user) the jet's own air
    carries droplets of every size along; beyond it they are on their own in still air and fly their
    stopping distance S (Mercer, `droplets.stopping_distance`). tau(r) = share of volume with reach(d) >
    r. The split into these two stretches is a model of our own.

    Parameters
    ----------
    droplet, droplet_spread : float
        Median diameter by volume in m, geometric standard deviation (1: all alike).
    density : float
        Of the liquid, in kg/m³.
    jet_speed, entrainment : float
        U in m/s, L_e in m.

    >>> float(flying_by_jet(0.0, droplet=60e-6, droplet_spread=1.8, density=870.0))
    1.0
    """
    own = np.asarray(distances, dtype=np.float64) - entrainment
    stop = float(stopping_distance(jet_speed, droplet, density, air))
    reach = _log_reach(droplet, droplet_spread, density, jet_speed, air)
    return _flying(own / stop, droplet_spread, reach)


def flying_by_throw(
    distances: ArrayLike,
    *,
    throw: float,
    droplet: float,
    droplet_spread: float,
    density: float,
    jet_speed: float = JET_SPEED,
    air: Air = STANDARD_AIR,
) -> FloatArray:
    """Return the share (...) still flying at `distances` (...) m when the throw has been measured.

    The throw (m) is where half of the volume still flies, so it is the reach of the median droplet; the
    other sizes scale with their stopping distances, reach(d) = throw S(d, U) / S(d_50, U). The jet speed
    matters through the shape of S only: S grows like d² for slow and fine droplets, like d^1.3 for fast
    and coarse.

    >>> float(flying_by_throw(0.4, throw=0.4, droplet=60e-6, droplet_spread=1.8, density=870.0))
    0.5
    """
    radii = np.asarray(distances, dtype=np.float64)
    if np.isinf(throw):
        return np.ones_like(radii)
    reach = _log_reach(droplet, droplet_spread, density, jet_speed, air)
    return _flying(radii / throw, droplet_spread, reach)


def _log_reach(
    droplet: float, droplet_spread: float, density: float, jet_speed: float, air: Air
) -> FloatArray:
    """Return log of the stopping distance over that of the median droplet, for every size of the table."""
    reach = np.log(stopping_distance(jet_speed, droplet * droplet_spread**_DEVIATIONS, density, air))
    return np.asarray(reach - reach[len(_DEVIATIONS) // 2])


def _flying(ratio: FloatArray, droplet_spread: float, log_reach: FloatArray) -> FloatArray:
    """Return the share of volume whose stopping distance exceeds `ratio` times that of the median droplet."""
    from scipy.special import ndtr

    if droplet_spread == 1.0:
        return np.where(ratio <= 1.0, 1.0, 0.0)
    wanted = np.log(np.maximum(ratio, 1e-300))
    deviation = np.interp(wanted, log_reach, _DEVIATIONS, left=-np.inf, right=np.inf)
    return np.asarray(ndtr(-deviation))


def flying_table(
    *,
    throw: float | None,
    droplet: float,
    droplet_spread: float,
    density: float,
    farthest: float,
    jet_speed: float = JET_SPEED,
    entrainment: float = 0.0,
    air: Air = STANDARD_AIR,
    n_radii: int = 2048,
) -> Flying:
    """Return the share still flying as a table out to `farthest` (m), by throw, or by jet where it is None.

    Where all droplets are alike, or the curve is steep, it is as sharp as the radii are fine.
    """
    radii = np.linspace(0.0, farthest, n_radii)
    if throw is not None:
        shares = flying_by_throw(
            radii,
            throw=throw,
            droplet=droplet,
            droplet_spread=droplet_spread,
            density=density,
            jet_speed=jet_speed,
            air=air,
        )
    else:
        shares = flying_by_jet(
            radii,
            droplet=droplet,
            droplet_spread=droplet_spread,
            density=density,
            jet_speed=jet_speed,
            entrainment=entrainment,
            air=air,
        )
    return Flying(radii=radii, shares=shares)
