"""What becomes of the liquid: drains, pools, drips, creep, added mass and mist."""

from dataclasses import dataclass

from bayreach.outcome._records import Point


@dataclass(frozen=True, kw_only=True)
class PlaceRecord:
    """A named place and the liquid that gathers there: a drain, or a pool."""

    name: str
    center_m: Point
    volume_m3: float = 0.0


@dataclass(frozen=True, kw_only=True)
class PoolRecord:
    """Liquid that stands in a bay: its lowest place, and its greatest depth where that can be estimated."""

    name: str
    bay: str
    center_m: Point
    volume_m3: float
    depth_m: float | None = None


@dataclass(frozen=True, kw_only=True)
class DripRecord:
    """Liquid that leaves through an opening, and how much of it a plug there would keep in."""

    opening: str
    volume_m3: float
    kept_in_if_plugged_m3: float


@dataclass(frozen=True, kw_only=True)
class CreepRecord:
    """Length of seam that a wet side feeds and that none does, and what went in."""

    fed_m: float
    unfed_m: float
    volume_m3: float
    greatest_depth_m: float


@dataclass(frozen=True, kw_only=True)
class LoadRecord:
    """Mass added to a bay: film and pools wet, all of it dried, and its centre, for the balance."""

    bay: str
    film_kg: float
    pool_kg: float
    dry_kg: float
    center_m: Point


@dataclass(frozen=True, kw_only=True)
class BalanceRecord:
    """Moment about a line, right-handed, of the liquid that stays: wet, and once it has dried."""

    name: str
    point_m: Point
    axis: Point
    wet_n_m: float
    dry_n_m: float


@dataclass(frozen=True, kw_only=True)
class MistRecord:
    """Figures of a bay's air, to be judged by a person beside `mist_limits`; none of them is a verdict.

    `airborne_kg_m3` is mist at the end of the pass that leaves most, `airborne_unsettled_kg_m3` the same
    had none settled, `vapour_if_all_dries_kg_m3` the solvent of all passes, were it all in the bay's air
    at once, and `vapour_kg_m3` the same bounded by what air at 20 degC can hold, `saturation_kg_m3` (None
    where the job tells no vapour pressure).
    """

    bay: str
    air_m3: float
    airborne_kg_m3: float
    airborne_unsettled_kg_m3: float
    vapour_if_all_dries_kg_m3: float
    time_to_95_s: float
    vapour_kg_m3: float | None = None
    saturation_kg_m3: float | None = None


@dataclass(frozen=True, kw_only=True)
class FogRecord:
    """How the fog of a bay was reckoned: so many drop classes as well mixed, so many by boxes of air.

    In boxes fog diffuses and falls; they are taken where a class falls faster than the air stirs it: for Biot
    numbers above 0.1. `boxes` is their number, 0 where the bay is too small or none were asked for.
    """

    bay: str
    classes_mixed: int
    classes_boxed: int
    boxes: int
    least_biot: float
    greatest_biot: float


@dataclass(frozen=True, kw_only=True)
class LimitRecord:
    """A limit that mist or vapour may be laid beside, and where it comes from."""

    name: str
    value_kg_m3: float
    source: str
