"""Film from fog: bays that share their air, and droplets that reach sides by their tilt.

Fog of one droplet class enters a bay, trades places with its neighbours through openings, leaks outside, and
reaches every side at a speed that depends on the side's tilt. All of that is linear, so the film of any fog
is a sum over the bays it entered. Where the air stirs a class faster than it falls (a Biot number V L / D of
0.1 or less) each bay is one well-mixed air space, and the whole course of time is one eigenvalue problem of
the size of the number of bays. Otherwise, where `grids` are given, the fog of a bay diffuses and falls
through boxes of air (`_fog_air`), and only what hangs at a time is told as if it were well mixed.

Downward-facing sides get no credit: what the formulas lay there is counted as `uncredited`.
Not modelled: the tip's own air stream that throws fog against walls, droplets that shrink by drying, and
where in a bay the fog was made: it is put evenly into its air.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import OUTSIDE, BoolArray, FloatArray, IntArray
from bayreach.deposit._fog_air import SPOTS, FogGrid
from bayreach.deposit._fog_bays import Doorways, fogged
from bayreach.droplets import STANDARD_AIR, Air, deposition_speed, fall_speed, wall_speed

FRICTION_SPEED = 0.03
"""In m/s: stirring at the walls while a bay is sprayed (common practice, no source)."""
EXCHANGE_SPEED = 0.01
"""In m/s over the whole opening: what (C_d / 3) √(g D ΔT / T) gives for D = 80 mm, 1 K and C_d = 0.6."""
VON_KARMAN = 0.4
MIXED_BIOT = 0.1
"""Biot number V L / D up to which a bay is taken as well mixed (measured: within 3 % at 0.005, 6 to 17 % at
0.05 against diffusion, a factor of two far off at 0.5)."""
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
    spots : (s, k) int
        Boxes of air that each side faces; its bay where bays are well mixed.
    starts : (n + 1,) int
        Where each bay's boxes begin.
    falls, walls, shares : (c,) float
        Fall speed and speed at an upright wall of each droplet class in m/s, and its share of the volume.
    biots : (c,) float
        V L / D of each class.
    boxed : (c, n) bool
        Classes and bays that were reckoned with boxes of air; the others are well mixed.
    exposures : (c, m, n) float
        Exposure of box i (of bay i, where well mixed) per m³ of the class into bay j, in s/m³.
    decays : tuple of Decay
        How each class leaves the air if bays are well mixed.
    credited, uncredited, suspended, escaped : (n,) float
        Shares of fog put into each bay: on sides, on downward-facing sides, still in the air, gone outside.
        They sum to one.
    time_to_95 : (n,) float
        Time in s after which 5 % of fog put into each bay is still in the air.
    """

    side_bay: IntArray
    rise: FloatArray
    spots: IntArray
    starts: IntArray
    falls: FloatArray
    walls: FloatArray
    shares: FloatArray
    biots: FloatArray
    boxed: BoolArray
    exposures: FloatArray
    decays: tuple[Decay, ...]
    credited: FloatArray
    uncredited: FloatArray
    suspended: FloatArray
    escaped: FloatArray
    time_to_95: FloatArray

    def boxes_of(self, bay: int) -> int:
        """Return into how many boxes of air a bay was cut; 0 where it is taken as one."""
        count = int(self.starts[bay + 1] - self.starts[bay])
        return count if count > 1 else 0

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

        It is linear in `fog`, so films of passes may be added; `fog` (n, p) gives the films (s, p) of p.
        """
        load = np.asarray(fog, dtype=np.float64)[: self.exposures.shape[2]]
        film = np.zeros((len(self.side_bay), *load.shape[1:]))
        credited = _credited(self.side_bay, self.rise)
        spots, rise = self.spots[credited], self.rise[credited]
        for fall, wall, share, exposure in zip(
            self.falls, self.walls, self.shares, self.exposures, strict=True
        ):
            air = exposure @ load
            mean = sum(air[spots[:, k]] for k in range(spots.shape[1])) / spots.shape[1]
            film[credited] += ((share * deposition_speed(fall, wall, rise)) * np.asarray(mean).T).T
        return film

    def of_sides(self, sides: IntArray) -> "SettledPerFog":
        """Return the same for some `sides` only; the shares stay those of all."""
        return replace(self, side_bay=self.side_bay[sides], rise=self.rise[sides], spots=self.spots[sides])


@dataclass(frozen=True, kw_only=True, eq=False)
class FogAir:
    """The air of all bays as boxes: `grids` (None: well mixed) and `doors` between and out of them."""

    grids: tuple[FogGrid | None, ...]
    doors: Doorways

    def spots(self, side_bay: IntArray) -> IntArray:
        """Return the boxes (s, 4) of all bays, numbered one after the other, that each side faces."""
        starts = self.starts
        spots = np.repeat(np.where(side_bay == OUTSIDE, 0, starts[side_bay])[:, None], SPOTS, axis=1)
        for start, grid in zip(starts, self.grids, strict=False):
            if grid is not None:
                spots[grid.sides] = start + grid.spots
        return spots

    @property
    def starts(self) -> IntArray:
        """(n + 1,) int: where each bay's boxes begin."""
        sizes = [1 if grid is None else grid.n_boxes for grid in self.grids]
        return np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64)


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
    boxes: FogAir | None = None,
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
    boxes : FogAir, optional
        The air of the bays as boxes, for classes that the air does not stir well; None: all are well mixed.

    Raises
    ------
    ValueError
        When nothing takes up the fog of a bay: it has no sides and no openings.
    """
    falls = fall_speed(classes.diameters, density, air)
    walls = wall_speed(classes.diameters, friction_speed, air)
    n = len(airways.volumes)
    biots = biot_numbers(falls, friction_speed)
    boxed = np.zeros((len(falls), n), dtype=np.bool_)
    if boxes is not None:
        boxed = (biots > MIXED_BIOT)[:, None] & np.array([grid is not None for grid in boxes.grids])
    spots = side_bay[:, None] if boxes is None else boxes.spots(side_bay)
    starts = np.arange(n + 1) if boxes is None else boxes.starts
    diffusivities = eddy_diffusivities(airways.volumes, friction_speed)
    credited, inside = _credited(side_bay, rise), side_bay != OUTSIDE
    exposures, fates, decays = np.zeros((len(falls), starts[-1], n)), np.zeros((len(falls), n, 4)), []
    for k, (fall, wall) in enumerate(zip(falls, walls, strict=True)):
        uptake = deposition_speed(fall, wall, rise) * side_areas
        on = _by_box(spots[credited], uptake[credited], int(starts[-1]))
        off = _by_box(spots[inside & ~credited], uptake[inside & ~credited], int(starts[-1]))
        dying = decay(airways, np.add.reduceat(on + off, starts[:-1]))
        if not (dying.rates > 0).all():
            message = "fog: a bay without sides and openings holds its fog for ever; leave it out."
            raise ValueError(message)
        hanging = dying.airborne(np.eye(n), time).sum(axis=0)
        chosen = boxes if boxed[k].any() else None
        exposures[k], escaped = _ends(
            dying, chosen, starts, uptakes=on + off, motion=(float(fall), diffusivities), time=time
        )
        fates[k] = np.stack([on @ exposures[k], off @ exposures[k], hanging, escaped], axis=1)
        decays.append(dying)
    shares = np.einsum("c,cnf->nf", classes.shares, fates)
    return SettledPerFog(
        side_bay=side_bay,
        rise=rise,
        spots=spots,
        starts=starts,
        falls=falls,
        walls=walls,
        shares=classes.shares,
        biots=biots,
        boxed=boxed,
        exposures=exposures,
        decays=tuple(decays),
        credited=shares[:, 0],
        uncredited=shares[:, 1],
        suspended=shares[:, 2],
        escaped=shares[:, 3],
        time_to_95=_time_until(classes.shares, decays, left=0.05),
    )


def _ends(
    dying: Decay,
    boxes: "FogAir | None",
    starts: IntArray,
    *,
    uptakes: FloatArray,
    motion: tuple[float, FloatArray],
    time: float,
) -> tuple[FloatArray, FloatArray]:
    """Return the exposures (m, n) of one class and the share (n,) of it that escapes, over `time` (s).

    With boxes: of what has left the air by then, told as if bays were mixed, the pattern of all time.
    """
    if boxes is None:
        mixed = dying.exposures(time)
        return np.repeat(mixed, np.diff(starts), axis=0), dying.airways.vents @ mixed
    whole = fogged(
        boxes.grids,
        boxes.doors,
        fall=motion[0],
        diffusivities=motion[1],
        uptakes=np.split(uptakes, starts[1:-1]),
    )
    left = 1.0 - dying.airborne(np.eye(len(starts) - 1), time).sum(axis=0)
    return whole.exposures * left, whole.escaped * left


def eddy_diffusivities(volumes: FloatArray, friction_speed: float) -> FloatArray:
    """Return how fast (n,) in m²/s stirred air of bays with `volumes` (n,) m³ mixes fog.

    D = κ u* L / 6, L the cube root of the volume: the mean over a gap of κ u* z (1 - z / L), the eddy
    viscosity between two walls.

    >>> eddy_diffusivities(np.array([0.027]), 0.03).round(9).tolist()
    [0.0006]
    """
    return np.asarray(VON_KARMAN * friction_speed * np.cbrt(volumes) / 6.0)


def biot_numbers(falls: FloatArray, friction_speed: float) -> FloatArray:
    """Return V L / D (c,) with the diffusivity of `eddy_diffusivities`: 6 V / (κ u*), in bays of any size."""
    return np.asarray(6.0 * falls / (VON_KARMAN * friction_speed))


def _by_box(spots: IntArray, uptake: FloatArray, n_boxes: int) -> FloatArray:
    """Return the uptake (m,) in m³/s of the air of each box by sides (s,), which face `spots` (s, k)."""
    each = np.repeat(uptake / spots.shape[1], spots.shape[1])
    return np.bincount(spots.ravel(), each, minlength=n_boxes).astype(np.float64)


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
