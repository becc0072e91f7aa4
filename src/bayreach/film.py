"""The ledger: how much liquid lies on each side, and where every drop went."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import FloatArray, IntArray, ShortIntArray, SingleArray, frozen_floats, frozen_singles
from bayreach.errors import BayreachError
from bayreach.measure import area_vectors
from bayreach.mesh import Mesh
from bayreach.topology import groups, side_links

STATUSES = ("covered", "low", "dry", "heavy", "keep-out")
"""Names of the statuses of a side; a status is a place in this tuple."""

COVERED, LOW, DRY, HEAVY, KEEP_OUT = range(len(STATUSES))

LEDGER_TOLERANCE = 1e-6
"""Share of the sprayed volume by which a ledger may fail to close."""


class LedgerError(BayreachError):
    """A ledger that does not close: liquid has appeared or is missing."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Column:
    """What one cubic metre of liquid, sprayed in one pass, does.

    direct + elsewhere + fog + escaped = 1, to single precision: the shares of fog and of what escaped come
    from rays along the tip's pattern, `elsewhere` is the rest. Where every side is a target there is no
    elsewhere: the film is then corrected to sum to what the rays say has landed, most on the sides whose
    error is estimated to be largest, and `closure` tells by how much the raw sum was off.

    Parameters
    ----------
    sides : (k,) int32
        Side ids with film, rising.
    direct : (k,) float32
        Film per volume sprayed on each, in m/m³ = 1/m². Columns are kept by the thousand, so they are small.
    areas : (k,) float
        Their areas in m².
    fog_to_bay : (n_bays + 1,) float
        Share of the spray that left the jet as fog in each bay; the last place is the outside (always 0: such
        fog counts as escaped).
    escaped : float
        Share that left through openings, or met nothing.
    elsewhere : float
        Share that landed on sides that are not among the targets (and, there, the error of the quadrature).
    closure : float
        Raw sum of film times area over the share that the rays say has landed, minus one: the achieved error
        of the total. NaN when not every side is a target or nothing landed.
    error : float
        Relative error of the film to be expected per side, weighted by film (NaN: not estimated).
    errors : (k,) float, optional
        What the error of the film on each side keeps within on 19 sides of 20, in m/m³ = 1/m², borders of
        shadow or none (None: not estimated).
    length : float
        Length of the pull in m over which liquid flowed.
    """

    sides: ShortIntArray
    direct: SingleArray
    areas: FloatArray
    fog_to_bay: FloatArray = field(default_factory=lambda: np.zeros(1))
    escaped: float = 0.0
    elsewhere: float = 0.0
    closure: float = float("nan")
    error: float = float("nan")
    errors: FloatArray | None = None
    length: float = 0.0

    def __post_init__(self) -> None:
        sides = np.array(self.sides, dtype=np.int32).reshape(-1)
        sides.setflags(write=False)
        object.__setattr__(self, "sides", sides)
        direct = frozen_singles(self.direct, shape=(len(sides),), name="direct")
        object.__setattr__(self, "direct", direct)
        for name, length in (("areas", len(sides)), ("fog_to_bay", -1)):
            object.__setattr__(self, name, frozen_floats(getattr(self, name), shape=(length,), name=name))
        if self.errors is not None:
            object.__setattr__(self, "errors", frozen_floats(self.errors, shape=(len(sides),), name="errors"))

    @property
    def landed(self) -> float:
        """Share of the spray that lies on the target sides as direct film."""
        return float(self.direct.astype(np.float64) @ self.areas)

    @property
    def corrected(self) -> float:
        """Share of the spray that was added to the raw sum of film times area, of either sign."""
        return -self.closure * self.landed if np.isfinite(self.closure) else 0.0

    @property
    def fog(self) -> float:
        """Share of the spray that turned to fog inside the structure."""
        return float(self.fog_to_bay.sum())

    def dense(self, n_sides: int) -> FloatArray:
        """Return the film per volume (n_sides,) in 1/m², zero where nothing landed."""
        full = np.zeros(n_sides)
        full[self.sides] = self.direct
        return full


@dataclass(frozen=True, kw_only=True)
class Ledger:
    """Where the sprayed liquid went, in m³.

    sprayed = direct + settled + suspended + escaped + elsewhere. Then, of what came to lie on sides, direct +
    settled = retained + run_off where run-off was reckoned; without it both are zero.

    >>> Ledger(sprayed=1.0, direct=0.7, settled=0.2, escaped=0.1).check().sprayed
    1.0
    """

    sprayed: float = 0.0
    direct: float = 0.0
    settled: float = 0.0
    uncredited: float = 0.0
    suspended: float = 0.0
    escaped: float = 0.0
    elsewhere: float = 0.0
    retained: float = 0.0
    run_off: float = 0.0
    creep: float = 0.0

    @property
    def gap(self) -> float:
        """Share of the sprayed volume that is missing (positive) or too much (negative)."""
        told = self.direct + self.settled + self.uncredited + self.suspended
        told += self.escaped + self.elsewhere
        return (self.sprayed - told) / self.sprayed if self.sprayed else -told

    def check(self) -> "Ledger":
        """Return the ledger itself when it closes.

        Raises
        ------
        LedgerError
            When more than a millionth of the liquid is missing or too much.
        """
        if not abs(self.gap) <= LEDGER_TOLERANCE:
            message = (
                f"ledger: {self.gap:.3g} of the {self.sprayed:.6g} m³ sprayed is unaccounted for, "
                f"{LEDGER_TOLERANCE:g} allowed; a film mechanism loses or makes liquid."
            )
            raise LedgerError(message)
        on_sides = self.direct + self.settled
        kept = self.retained + self.run_off + self.creep
        if kept and abs(on_sides - kept) > LEDGER_TOLERANCE * max(self.sprayed, on_sides):
            message = (
                f"ledger: {on_sides:.6g} m³ came to lie on sides, {kept:.6g} m³ was kept, crept or ran off."
            )
            raise LedgerError(message)
        return self

    def plus(self, other: "Ledger") -> "Ledger":
        """Return the sum of two ledgers, entry by entry."""
        names = self.__dataclass_fields__
        return Ledger(**{name: getattr(self, name) + getattr(other, name) for name in names})


@dataclass(frozen=True, kw_only=True, eq=False)
class Film:
    """Wet film in m on every side, each mechanism apart: all (2n,).

    `retained` is what stays after run-off; None where run-off was not reckoned.
    """

    direct: FloatArray
    settled: FloatArray
    creep: FloatArray
    retained: FloatArray | None = None

    def __post_init__(self) -> None:
        length = len(self.direct)
        for name in ("direct", "settled", "creep"):
            object.__setattr__(self, name, frozen_floats(getattr(self, name), shape=(length,), name=name))
        if self.retained is not None:
            object.__setattr__(
                self, "retained", frozen_floats(self.retained, shape=(length,), name="retained")
            )

    @property
    def total(self) -> FloatArray:
        """(2n,) float: all that came, in m."""
        return self.direct + self.settled + self.creep

    @property
    def stays(self) -> FloatArray:
        """(2n,) float: what stays, in m: after run-off where that was reckoned, else all that came."""
        return self.total if self.retained is None else self.retained


def statuses(
    film: ArrayLike,
    minimum: ArrayLike,
    maximum: ArrayLike = np.inf,
    keep_out: ArrayLike | None = None,
) -> IntArray:
    """Return the status (2n,) of each side: a place in `STATUSES`.

    Parameters
    ----------
    film : (2n,) float
        Film in m.
    minimum, maximum : float or (2n,) float
        Least film that covers and most that is not heavy, in m, in the same terms (wet or dry) as `film`.
    keep_out : (2n,) bool, optional
        True where nothing may be wet; that status wins over all others.

    >>> [STATUSES[k] for k in statuses([0.0, 4e-6, 8e-6, 30e-6], 8e-6, 25e-6)]
    ['dry', 'low', 'covered', 'heavy']
    """
    thickness = np.asarray(film, dtype=np.float64)
    status = np.full(thickness.shape, COVERED, dtype=np.int64)
    status[thickness > np.asarray(maximum)] = HEAVY
    status[thickness < np.asarray(minimum)] = LOW
    status[thickness <= 0.0] = DRY
    if keep_out is not None:
        status[np.asarray(keep_out, dtype=np.bool_)] = KEEP_OUT
    return status


@dataclass(frozen=True, kw_only=True, eq=False)
class Holiday:
    """A connected patch of uncovered sides: ids (k,), area in m² and area-weighted centre (3,) in m."""

    sides: IntArray
    area: float
    center: FloatArray


def holidays(mesh: Mesh, uncovered: ArrayLike, side_bay: ArrayLike | None = None) -> tuple[Holiday, ...]:
    """Return the connected patches of uncovered sides, largest area first.

    Sides are neighbours when their faces share an edge and they lie on the same hand of the surface; with
    `side_bay` (2n,) only sides of the same bay are joined, which keeps patches apart where three faces or
    more meet.

    Parameters
    ----------
    mesh : Mesh
        Triangles in m.
    uncovered : (2n,) bool
        True where film is wanted and missing.
    side_bay : (2n,) int, optional
        Bay of each side.
    """
    open_sides = np.asarray(uncovered, dtype=np.bool_)
    chosen = np.flatnonzero(open_sides)
    if not len(chosen):
        return ()
    pairs = side_links(mesh.points, mesh.faces).pairs
    joined = open_sides[pairs].all(axis=1)
    if side_bay is not None:
        bay = np.asarray(side_bay)
        joined &= bay[pairs[:, 0]] == bay[pairs[:, 1]]
    _, label = groups(mesh.n_sides, pairs[joined])
    _, patch = np.unique(label[chosen], return_inverse=True)
    corners = mesh.corners[chosen // 2]
    areas = np.linalg.norm(area_vectors(corners), axis=1)
    patch_areas = np.bincount(patch, weights=areas)
    moments = [np.bincount(patch, weights=areas * corners.mean(axis=1)[:, k]) for k in range(3)]
    centers = np.stack(moments, axis=1) / np.where(patch_areas > 0, patch_areas, 1.0)[:, None]
    order = np.argsort(patch, kind="stable")
    members = np.split(chosen[order], np.cumsum(np.bincount(patch))[:-1])
    ranked = sorted(range(len(members)), key=lambda place: (-patch_areas[place], place))
    return tuple(
        Holiday(sides=members[place], area=float(patch_areas[place]), center=centers[place])
        for place in ranked
    )
