"""Film from fog: well-mixed bays that share their air, and droplets that reach sides by their tilt.

Each bay is one well-mixed air space. Fog of one droplet class enters a bay, trades places with its
neighbours through openings, leaks outside, and reaches every side at a speed that depends on the side's
tilt. All of that is linear, so the film of any fog is a sum over the bays it entered, and the whole
course of time is one eigenvalue problem of the size of the number of bays.

Downward-facing sides get no credit: what the formulas lay there is counted as `uncredited`.
Not modelled: the tip's own air stream that throws fog against walls, droplets that shrink by drying, and
unevenness of the fog within a bay.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import OUTSIDE, BoolArray, FloatArray, IntArray
from bayreach.droplets import STANDARD_AIR, Air, deposition_speed, fall_speed, wall_speed

FRICTION_SPEED = 0.03
"""In m/s: stirring at the walls while a bay is sprayed (common practice, no source)."""
EXCHANGE_SPEED = 0.01
"""In m/s over the whole opening: what (C_d / 3) √(g D ΔT / T) gives for D = 80 mm, 1 K and C_d = 0.6."""
VON_KARMAN = 0.4
DOWNWARD = -1e-6
"""A side whose normal has a lesser cosine to up faces down and gets no credit."""


@dataclass(frozen=True, kw_only=True, eq=False)
class FogClasses:
    """Droplet classes of a fog: `diameters` (c,) in m, `shares` (c,) of its volume, which sum to one."""

    diameters: FloatArray
    shares: FloatArray


def fog_classes(
    droplet: float, droplet_spread: float, *, finest_share: float = 1.0, n_classes: int = 12
) -> FogClasses:
    """Return classes of equal volume of a log-normal spray, or of the finest share of it.

    Fog is what stopped flying, and fine droplets stop first: pass the share of the spray that became fog as
    `finest_share`. Each class has the diameter of the middle of its volume.

    Parameters
    ----------
    droplet, droplet_spread : float
        Median diameter by volume in m; geometric standard deviation (1: all alike).

    >>> fog_classes(60e-6, 1.8, n_classes=1).diameters.tolist()
    [6e-05]
    """
    from scipy.special import ndtri

    middles = finest_share * (np.arange(n_classes) + 0.5) / n_classes
    diameters = droplet * droplet_spread ** np.asarray(ndtri(middles))
    return FogClasses(diameters=diameters, shares=np.full(n_classes, 1.0 / n_classes))


@dataclass(frozen=True, kw_only=True, eq=False)
class Airways:
    """Air spaces that share their air.

    Parameters
    ----------
    volumes : (n,) float
        In m³, above zero.
    flows : (n, n) float
        Symmetric; air that trades places between two bays, each way, in m³/s; the diagonal is zero.
    vents : (n,) float
        Air that leaves each bay for the outside (and is replaced by clean air), in m³/s.
    """

    volumes: FloatArray
    flows: FloatArray
    vents: FloatArray

    def __post_init__(self) -> None:
        if not (self.volumes > 0).all():
            place = int(np.argmin(self.volumes))
            message = (
                f"bay {place} has a volume of {self.volumes[place]:g} m³; fog needs an air space above zero."
            )
            raise ValueError(message)


def airways(
    volumes: ArrayLike, links: ArrayLike, areas: ArrayLike, exchange_speed: float = EXCHANGE_SPEED
) -> Airways:
    """Return the air spaces of bays with `volumes` (n,) m³ joined by openings.

    q = u A: exchange speed (m/s) times the opening's area (m²), each way. `links` (k, 2) int are the two
    bays of each opening, -1 the outside; `areas` (k,) in m².
    """
    volumes = np.asarray(volumes, dtype=np.float64)
    pairs = np.asarray(links, dtype=np.int64).reshape(-1, 2)
    rates = exchange_speed * np.asarray(areas, dtype=np.float64).reshape(-1)
    n = len(volumes)
    flows, vents = np.zeros((n, n)), np.zeros(n)
    inner = (pairs != OUTSIDE).all(axis=1)
    np.add.at(flows, (pairs[inner, 0], pairs[inner, 1]), rates[inner])
    np.add.at(flows, (pairs[inner, 1], pairs[inner, 0]), rates[inner])
    np.fill_diagonal(flows, 0.0)
    rims = (pairs != OUTSIDE).sum(axis=1) == 1
    np.add.at(vents, pairs[rims].max(axis=1), rates[rims])
    return Airways(volumes=volumes, flows=flows, vents=vents)


@dataclass(frozen=True, kw_only=True, eq=False)
class Decay:
    """How fog of one class leaves the air, as modes that each die at their own rate.

    With M the fog in each bay (m³), dM/dt = -K V⁻¹ M, K = diag(losses + vents + row sums of flows) - flows.
    V^-½ K V^-½ is symmetric: its eigenvalues are the `rates` (n,) in 1/s and its vectors the columns of
    `modes`.
    """

    airways: Airways
    rates: FloatArray
    modes: FloatArray

    def airborne(self, start: ArrayLike, time: float) -> FloatArray:
        """Return the fog (n, ...) in m³ in each bay `time` s after `start` (n, ...) m³ was put there."""
        root = np.sqrt(self.airways.volumes)
        load = (np.asarray(start, dtype=np.float64).T / root).T
        dying = np.exp(-self.rates * time)
        inner = self.modes.T @ load
        return np.asarray((root * (self.modes @ (dying * inner.T).T).T).T)

    def after_feeding(self, feed: ArrayLike, time: float) -> FloatArray:
        """Return the fog (n,) in m³ in each bay when `feed` (n,) m³ came in evenly over the `time` s past."""
        root = np.sqrt(self.airways.volumes)
        mean = -np.expm1(-self.rates * time) / (self.rates * time) if time > 0 else np.ones_like(root)
        return np.asarray(root * (self.modes @ (mean * (self.modes.T @ (np.asarray(feed) / root)))))

    def exposures(self, time: float = np.inf) -> FloatArray:
        """Return the exposure (n, n) in s/m³ x m³: ∫ concentration dt in bay i over `time` per m³ into bay j.

        A side that droplets reach at v (m/s) gets a film of v times the exposure of its bay per m³ of fog.
        """
        root = np.sqrt(self.airways.volumes)
        done = -np.expm1(-self.rates * time) / self.rates
        return np.asarray((self.modes * done) @ self.modes.T / root[:, None] / root[None, :])


def decay(airways: Airways, losses: ArrayLike) -> Decay:
    """Return how fog leaves the air of `airways` whose sides take it up at `losses` (n,) = Σ v A in m³/s."""
    out = np.asarray(losses, dtype=np.float64) + airways.vents + airways.flows.sum(axis=1)
    root = np.sqrt(airways.volumes)
    rates, modes = np.linalg.eigh((np.diag(out) - airways.flows) / root[:, None] / root[None, :])
    return Decay(airways=airways, rates=rates, modes=modes)


@dataclass(frozen=True, kw_only=True, eq=False)
class SettledPerFog:
    """Film and fate per m³ of fog put into each bay.

    Parameters
    ----------
    side_bay : (s,) int
        Bay of each side, -1 outside.
    rise : (s,) float
        Cosine of each side's normal to up.
    falls, walls, shares : (c,) float
        Fall speed and speed at an upright wall of each droplet class in m/s, and its share of the volume.
    friction_speed : float
        Stirring at the walls in m/s.
    exposures : (c, n, n) float
        Exposure of bay i per m³ of the class into bay j, in s/m³.
    decays : tuple of Decay
        How each class leaves the air.
    credited, uncredited, suspended, escaped : (n,) float
        Shares of fog put into each bay: on sides, on downward-facing sides, still in the air, gone outside.
        They sum to one.
    time_to_95 : (n,) float
        Time in s after which 5 % of fog put into each bay is still in the air.
    """

    side_bay: IntArray
    rise: FloatArray
    falls: FloatArray
    walls: FloatArray
    shares: FloatArray
    friction_speed: float
    exposures: FloatArray
    decays: tuple[Decay, ...]
    credited: FloatArray
    uncredited: FloatArray
    suspended: FloatArray
    escaped: FloatArray
    time_to_95: FloatArray

    @property
    def rouse(self) -> float:
        """Rouse number V / (κ u*), κ = 0.4, averaged over the fog: how far the bays are from well mixed.

        Below about 0.1 droplets are spread evenly through the height; above about 1 they fall to the floor
        before the air can carry them about (Rouse 1937, for grains in a stream), so that the film lies
        below the place where the fog was made, and not evenly over the bay as it is told here.
        """
        return float(self.shares @ self.falls) / (VON_KARMAN * self.friction_speed)

    @property
    def volumes(self) -> FloatArray:
        """(n,) float: air space of each bay in m³."""
        return self.decays[0].airways.volumes

    def airborne_after_feeding(self, fog: ArrayLike, time: float) -> FloatArray:
        """Return the fog (n,) in m³ in each bay's air when `fog` (n,) m³ came in evenly over `time` s."""
        parts = zip(self.shares, self.decays, strict=True)
        return np.asarray(sum(share * dying.after_feeding(fog, time) for share, dying in parts))

    def film(self, fog: ArrayLike) -> FloatArray:
        """Return the wet film (s,) in m of `fog` (n,) m³ put into each bay; an (n + 1)th entry is outside.

        It is linear in `fog`, so films of passes may be added.
        """
        load = np.asarray(fog, dtype=np.float64)[: self.exposures.shape[1]]
        film = np.zeros(len(self.side_bay))
        credited = _credited(self.side_bay, self.rise)
        bay, rise = self.side_bay[credited], self.rise[credited]
        for fall, wall, share, exposure in zip(
            self.falls, self.walls, self.shares, self.exposures, strict=True
        ):
            film[credited] += share * deposition_speed(fall, wall, rise) * (exposure @ load)[bay]
        return film


def settled_per_fog(
    *,
    side_bay: IntArray,
    side_areas: FloatArray,
    rise: FloatArray,
    airways: Airways,
    classes: FogClasses,
    density: float,
    friction_speed: float = FRICTION_SPEED,
    time: float = np.inf,
    air: Air = STANDARD_AIR,
) -> SettledPerFog:
    """Return what becomes of fog put into each bay: film by side, and the shares of its fate.

    Parameters
    ----------
    side_bay, side_areas, rise : (s,)
        Bay, area in m² and cosine of the normal to up of each side; -1 is outside and gets nothing.
    airways : Airways
        The n bays' volumes and exchange.
    classes : FogClasses
        Droplet sizes.
    density : float
        Of the liquid in kg/m³.
    friction_speed : float
        Stirring at the walls in m/s.
    time : float
        In s: what has not settled by then still hangs. Infinite: wait for all of it.

    Raises
    ------
    ValueError
        When nothing takes up the fog of a bay: it has no sides and no openings.
    """
    falls = fall_speed(classes.diameters, density, air)
    walls = wall_speed(classes.diameters, friction_speed, air)
    n = len(airways.volumes)
    inside = side_bay != OUTSIDE
    credited = _credited(side_bay, rise)
    weights = np.zeros((n, 4))  # columns: credited, uncredited, suspended, escaped share of fog into each bay
    exposures = np.zeros((len(falls), n, n))
    decays = []
    for k, (fall, wall, share) in enumerate(zip(falls, walls, classes.shares, strict=True)):
        uptake = deposition_speed(fall, wall, rise) * side_areas
        on = np.bincount(side_bay[credited], uptake[credited], minlength=n)
        off = np.bincount(side_bay[inside & ~credited], uptake[inside & ~credited], minlength=n)
        dying = decay(airways, on + off)
        if not (dying.rates > 0).all():
            message = "fog: a bay without sides and openings holds its fog for ever; leave it out."
            raise ValueError(message)
        exposures[k] = dying.exposures(time)
        hanging = dying.airborne(np.eye(n), time).sum(axis=0)
        fates = [on @ exposures[k], off @ exposures[k], hanging, airways.vents @ exposures[k]]
        weights += share * np.stack(fates, axis=1)
        decays.append(dying)
    return SettledPerFog(
        side_bay=side_bay,
        rise=rise,
        falls=falls,
        walls=walls,
        shares=classes.shares,
        friction_speed=friction_speed,
        exposures=exposures,
        decays=tuple(decays),
        credited=weights[:, 0],
        uncredited=weights[:, 1],
        suspended=weights[:, 2],
        escaped=weights[:, 3],
        time_to_95=_time_until(classes.shares, decays, left=0.05),
    )


def _credited(side_bay: IntArray, rise: FloatArray) -> BoolArray:
    return np.asarray((side_bay != OUTSIDE) & (rise >= DOWNWARD))


def _time_until(shares: FloatArray, decays: list[Decay], left: float) -> FloatArray:
    """Return the time (n,) in s until the share `left` of fog put into each bay is in the air."""
    n = len(decays[0].rates)
    # Fog that starts in bay j is, summed over bays, a sum of dying exponentials with these weights (c n,
    # n).
    weights = np.concatenate(
        [
            share
            * (dying.modes.T @ np.sqrt(dying.airways.volumes))[:, None]
            * dying.modes.T
            / np.sqrt(dying.airways.volumes)
            for share, dying in zip(shares, decays, strict=True)
        ]
    )
    rates = np.concatenate([dying.rates for dying in decays])
    low, high = np.zeros(n), np.full(n, 50.0 / rates.min())
    for _ in range(80):
        middle = 0.5 * (low + high)
        more = (weights * np.exp(-rates[:, None] * middle)).sum(axis=0) > left
        low, high = np.where(more, middle, low), np.where(more, high, middle)
    return high
