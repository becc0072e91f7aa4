"""Film of one pull by samples, with an estimate of its error."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from bayreach.arrays import FloatArray
from bayreach.deposit._air import Air
from bayreach.deposit._fates import Flying
from bayreach.poses import Stations
from bayreach.rays import Scene
from bayreach.sight import Targets
from bayreach.tips import Tip

EDGE_ERROR = 0.12
"""Error of the mean of four samples across a straight edge of shadow, as a share of the step: its standard
deviation over random edges."""


EDGE_BOUND = 0.2
"""Error that 19 of 20 means over a row of pieces that an edge runs along keep within, as a share of the step.
Of two pieces turned against each other the samples stand at 1/6, 1/3, 2/3 and 5/6 of the row's width, so they
err by 1/6 at most; those of one piece alone by 0.31."""
SMOOTH_BOUND = 1.3
"""By how much the error of smooth film may exceed its estimate, which leaves out higher orders."""
KINK_BOUND = 0.02
"""Error of a piece with no edge in it, as a share of how far its film varies: the border of a half-shadow may
cross it all the same (measured: 99 of 100 such sides keep to it)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Spray:
    """What the kernel is asked about one pull.

    Stations, the share (k,) of the liquid at each, the tip, and what still flies (None: the tip's own law).
    `tell` is called, from the asking thread, with the share done of each question.
    """

    stations: Stations
    shares: FloatArray
    tip: Tip
    flying: Flying | None = None
    tell: Callable[[float], None] | None = None

    @property
    def flies(self) -> Flying:
        """The law in force of what still flies at a distance in m."""
        return self.tip.share_flying if self.flying is None else self.flying


@dataclass(frozen=True, kw_only=True, eq=False)
class Sampled:
    """Film (k,) of target sides in 1/m², and its estimated errors (k,): `along` the pull, `across` the side.

    Those are what is to be expected; `within` (k,) is what the error across the side keeps within on 19 sides
    of 20, those that a border crosses among themselves too. `values` (m,): what each sample got.
    """

    film: FloatArray
    along: FloatArray
    across: FloatArray
    within: FloatArray
    values: FloatArray

    @property
    def errors(self) -> FloatArray:
        """(k,) float: both errors to be expected together, in 1/m²."""
        return self.along + self.across

    @property
    def bounds(self) -> FloatArray:
        """(k,) float: what both errors together keep within on 19 sides of 20, in 1/m²."""
        return self.along + self.within


def sampled_film(scene: Scene, targets: Targets, spray: Spray, air: Air | None) -> Sampled:
    """Return the film of each target side as its samples give it.

    The error along the pull is an eighth of the difference to the rule of three times the step (Richardson:
    the midpoint rule errs with the square of the step). Across the side: see `side_errors`.
    """
    if not targets.n_sides:
        nothing = np.zeros(0)
        return Sampled(film=nothing, along=nothing, across=nothing, within=nothing, values=nothing)
    sprays = [spray, coarser(spray)] if len(spray.shares) > 1 else [spray]
    values = sample_values(scene, targets, sprays, air)
    films = np.add.reduceat(values * targets.weight, targets.starts[:-1], axis=1)
    across, within = side_errors(values[0], targets)
    return Sampled(
        film=films[0],
        along=np.abs(films[0] - films[-1]) / 8.0,
        across=across,
        within=within,
        values=values[0],
    )


def sample_values(scene: Scene, targets: Targets, sprays: list[Spray], air: Air | None) -> FloatArray:
    """Return what each sample gets from each spray (p, m) in 1/m²."""
    from bayreach.deposit._spraying import sparse_film

    sparse = sparse_film(scene, targets, sprays, air, by_sample=True, progress=sprays[0].tell)
    return np.stack([sparse.dense(place, len(targets.points)) for place in range(len(sprays))])


def coarser(spray: Spray) -> Spray:
    """Return the spray with a third of the stations: each stands for three, the last for what is left."""
    stations, count = spray.stations, len(spray.shares)
    firsts = np.arange(0, count, 3)
    middles = np.minimum(firsts + 1, (firsts + np.minimum(firsts + 3, count) - 1) // 2)
    return replace(
        spray,
        stations=Stations(
            points=stations.points[middles],
            axes=stations.axes[middles],
            clocks=stations.clocks[middles],
            depths=stations.depths[middles],
            lengths=np.add.reduceat(stations.lengths, firsts),
        ),
        shares=np.add.reduceat(spray.shares, firsts),
    )


def side_errors(values: FloatArray, targets: Targets) -> tuple[FloatArray, FloatArray]:
    """Return the error (k,) of the mean over each side's samples to be expected, and what it keeps within.

    Both are zero below four samples. See `piece_errors`, of which an edge's falls with the number of samples
    to the power of 3/4, and with its square root where it runs along the rows of samples.
    """
    count = len(values) // max(1, targets.n_sides)
    if count < 4 or (np.diff(targets.starts) != count).any():
        return np.zeros(targets.n_sides), np.zeros(targets.n_sides)
    table = values.reshape(-1, count)
    edge, smooth = piece_errors(table)
    expected = np.asarray(np.maximum(edge * (4.0 / count) ** 0.75, smooth))
    return expected, piece_bounds(table) * (4.0 / count) ** 0.5


def piece_bounds(table: FloatArray) -> FloatArray:
    """Return what the error (k,) of the mean over the samples (k, n) of pieces keeps within.

    Errors of pieces along one border may be alike, so that those of a side add as they are.
    """
    edge, smooth = piece_errors(table)
    calm = SMOOTH_BOUND * smooth + KINK_BOUND * np.ptp(table, axis=1)
    return np.asarray(np.maximum(edge * (EDGE_BOUND / EDGE_ERROR), calm))


def piece_errors(table: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return two estimates (k,) of the error of the mean over the samples (k, n) of pieces of sides.

    For an edge of shadow or pattern, taken to cross where samples differ by more than half of the largest:
    0.12 of their difference, else zero. For smooth film: a third of the difference to the rule of a quarter
    of the samples.
    """
    # The fourth of each four stands in the middle of the piece that the four share.
    smooth = np.abs(table.mean(axis=1) - table[:, 3::4].mean(axis=1)) / 3.0
    least, most = table.min(axis=1), table.max(axis=1)
    return np.where(least < 0.5 * most, EDGE_ERROR * (most - least), 0.0), smooth
