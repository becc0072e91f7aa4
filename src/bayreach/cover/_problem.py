"""What is to be covered, by what, at what cost: arrays only, no geometry."""

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from bayreach.arrays import BoolArray, FloatArray, IntArray, frozen_floats, frozen_ints
from bayreach.errors import PlanError

if TYPE_CHECKING:
    from scipy.sparse import csc_matrix, csr_matrix

ROUND_OFF = 1e-9
"""Relative slack by which a film may miss the need, or a share the share asked, and still count."""


@dataclass(frozen=True, kw_only=True)
class Limits:
    """What hands and stores allow; None means no limit.

    Parameters
    ----------
    passes_per_entry : int or None
        Most passes (distinct paths) through one opening or hole.
    passes : int or None
        Most passes in all.
    new_holes : int or None
        Most new holes.
    """

    passes_per_entry: int | None = None
    passes: int | None = None
    new_holes: int | None = None

    def __post_init__(self) -> None:
        for name in ("passes_per_entry", "passes", "new_holes"):
            value = getattr(self, name)
            if value is not None and value < 0:
                message = f"limits: {name} is {value}; it must be 0 or more, or left out."
                raise PlanError(message)

    @property
    def has_pass_limit(self) -> bool:
        """Say whether the number of passes is limited at all."""
        return self.passes is not None or self.passes_per_entry is not None


@dataclass(frozen=True, kw_only=True)
class Prices:
    """What work and waste cost, in seconds (a project choice, not a fact of the trade).

    Parameters
    ----------
    litre : float
        Seconds that one litre of liquid is worth.
    surplus_litre : float
        Seconds that one litre above the greatest film is worth, on top of `litre`.
    entry : float
        Seconds to set up at an opening or hole.
    wand_change : float
        Seconds to take up another wand at an opening.
    """

    litre: float = 120.0
    surplus_litre: float = 600.0
    entry: float = 60.0
    wand_change: float = 30.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Problem:
    """Which passes may wet which sides, and what is asked.

    An *amount* is how much of a pass is sprayed, in pulls at its reference speed: 2 means two pulls, or one
    at half the speed.

    Parameters
    ----------
    film : (n_sides, n_passes) sparse
        Wet film in m that amount 1 of a pass leaves on a side.
    areas : (n_sides,) float
        m² of each side that must be covered.
    weights : (n_sides,) float
        Area times priority, m².
    need : (n_sides,) float
        Least wet film in m.
    limit : (n_sides,) float
        Greatest wet film in m; infinite where there is none.
    lets_in : (n_entries, n_passes) sparse bool
        Entry (opening or candidate hole) through which each pass can be made.
    new : (n_entries,) bool
        True for candidate holes, False for openings that exist.
    least, most : (n_passes,) float
        Smallest and greatest amount of a pass, if it is made at all.
    fixed_seconds, unit_seconds : (n_passes,) float
        Seconds for making a pass at all, and for amount 1.
    unit_volume : (n_passes,) float
        m³ of liquid for amount 1.
    wands : (n_passes,) int
        Which wand makes the pass.
    conflicts : (k, 2) int
        Pairs of entries that must not both be opened (too close, or two sizes of one hole).
    share : float
        Share of `areas` that must be covered, 0 to 1.
    """

    film: "csc_matrix"
    areas: FloatArray
    weights: FloatArray
    need: FloatArray
    limit: FloatArray
    lets_in: "csr_matrix"
    new: BoolArray
    least: FloatArray
    most: FloatArray
    fixed_seconds: FloatArray
    unit_seconds: FloatArray
    unit_volume: FloatArray
    wands: IntArray
    conflicts: IntArray
    share: float
    limits: Limits = field(default_factory=Limits)
    prices: Prices = field(default_factory=Prices)

    def __post_init__(self) -> None:
        from scipy.sparse import csc_matrix, csr_matrix

        film = csc_matrix(self.film, dtype=np.float64)
        n_sides, n_passes = film.shape
        lets_in = csr_matrix(self.lets_in, dtype=np.float64)
        lets_in.data[:] = 1.0
        if lets_in.shape[1] != n_passes:
            message = f"lets_in: {lets_in.shape[1]} passes found, the film matrix has {n_passes}."
            raise ValueError(message)
        if film.nnz and (film.data.min() < 0 or not np.isfinite(film.data).all()):
            message = "film: every value must be finite and 0 or more."
            raise ValueError(message)
        if not 0.0 <= self.share <= 1.0:
            message = f"coverage: {self.share:g} asked, 0 to 1 allowed."
            raise PlanError(message)
        object.__setattr__(self, "film", film)
        object.__setattr__(self, "lets_in", lets_in)
        for names, length in (
            (("areas", "weights", "need"), n_sides),
            (("least", "most", "fixed_seconds", "unit_seconds", "unit_volume"), n_passes),
        ):
            for name in names:
                object.__setattr__(self, name, frozen_floats(getattr(self, name), shape=(length,), name=name))
        object.__setattr__(self, "limit", np.broadcast_to(np.asarray(self.limit, dtype=float), (n_sides,)))
        object.__setattr__(self, "new", np.asarray(self.new, dtype=bool))
        object.__setattr__(self, "wands", frozen_ints(self.wands, shape=(n_passes,), name="wands"))
        object.__setattr__(self, "conflicts", frozen_ints(self.conflicts, shape=(-1, 2), name="conflicts"))
        self._check_values(lets_in.shape[0])

    def _check_values(self, n_entries: int) -> None:
        if self.new.shape != (n_entries,):
            message = f"new: shape {self.new.shape} found, {(n_entries,)} needed."
            raise ValueError(message)
        if (self.need <= 0).any():
            message = f"need: every side needs more than no film; {int((self.need <= 0).sum())} do not."
            raise ValueError(message)
        if (self.least > self.most).any() or (self.least < 0).any():
            message = "least: the smallest amount of a pass must be 0 or more and not above the greatest."
            raise ValueError(message)

    @property
    def n_sides(self) -> int:
        """Number of sides that must be covered."""
        return int(self.film.shape[0])

    @property
    def n_passes(self) -> int:
        """Number of candidate passes."""
        return int(self.film.shape[1])

    @property
    def n_entries(self) -> int:
        """Number of openings and candidate holes."""
        return int(self.lets_in.shape[0])

    @cached_property
    def strengths(self) -> "csc_matrix":
        """(n_sides, n_passes) sparse: the film of one amount in units of the need."""
        from scipy.sparse import csc_matrix, diags

        return csc_matrix(diags(1.0 / self.need) @ self.film)

    @property
    def asked_area(self) -> float:
        """The m² that must be covered."""
        return float(self.share * self.areas.sum())

    @cached_property
    def unit_cost(self) -> FloatArray:
        """(n_passes,) seconds that amount 1 costs, its liquid priced in."""
        return self.unit_seconds + self.prices.litre * 1e3 * self.unit_volume

    def enters(self, entries: BoolArray) -> BoolArray:
        """Return (n_passes,) bool: passes that can be made when `entries` (n_entries,) are open."""
        return np.asarray(self.lets_in.T @ entries.astype(np.float64) > 0)

    def film_of(self, amounts: FloatArray) -> FloatArray:
        """Return the wet film (n_sides,) m that `amounts` (n_passes,) leave."""
        return np.asarray(self.film @ amounts)

    def covered_by(self, amounts: FloatArray) -> BoolArray:
        """Return (n_sides,) bool: sides whose film reaches the need."""
        return self.film_of(amounts) >= self.need * (1.0 - ROUND_OFF)


def problem_of(
    film: Any, *, entries: Any = None, new: Any = None, share: float = 1.0, **given: Any
) -> Problem:
    """Return a problem from a film matrix and whatever else is known; the rest gets plain defaults.

    Every pass then has its own entry, that is new; need 1, area 1, amounts of exactly 1, cost 1 s a pass.

    >>> import numpy as np
    >>> problem_of(np.eye(3), share=0.5).asked_area
    1.5
    """
    from scipy.sparse import csc_matrix, csr_matrix

    matrix = csc_matrix(film, dtype=np.float64)
    n_sides, n_passes = matrix.shape
    entry = np.arange(n_passes) if entries is None else np.asarray(entries, dtype=np.int64)
    n_entries = int(entry.max(initial=-1)) + 1
    defaults: dict[str, Any] = {
        "areas": np.ones(n_sides),
        "need": np.ones(n_sides),
        "limit": np.full(n_sides, np.inf),
        "lets_in": csr_matrix((np.ones(n_passes), (entry, np.arange(n_passes))), shape=(n_entries, n_passes)),
        "new": np.ones(n_entries, dtype=bool) if new is None else new,
        "least": np.ones(n_passes),
        "most": np.ones(n_passes),
        "fixed_seconds": np.ones(n_passes),
        "unit_seconds": np.zeros(n_passes),
        "unit_volume": np.zeros(n_passes),
        "wands": np.zeros(n_passes),
        "conflicts": np.zeros((0, 2)),
    }
    defaults["weights"] = given.get("areas", defaults["areas"])
    return Problem(film=matrix, share=share, **(defaults | given))
