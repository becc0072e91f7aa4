"""A result beside another one, or beside measured coupons: what differs, in figures and in area."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from bayreach.deposit.coupons import coupon_fit, coupon_sides, read_coupons
from bayreach.errors import JobError
from bayreach.measure import side_areas
from bayreach.outcome import BayRecord, KeepOutRecord, Outcome, PassRecord, Result, Sides, WandRecord
from bayreach.units import MESH_UNITS


@dataclass(frozen=True, kw_only=True)
class Change:
    """One figure of both results, in its own unit; None where a result has no such figure."""

    name: str
    before: float | None
    after: float | None


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """What changed from one result to the next.

    Parameters
    ----------
    same_mesh, same_job : bool
        Whether both came from files of equal hash.
    figures : tuple of Change
        Coverage, liquid, time, passes and holes of the whole.
    bays : tuple of Change
        Covered share of each bay, by name.
    passes_gone, passes_new : tuple of str
        Passes that only one of them has.
    holes_gone, holes_new : tuple of str
        Candidate holes that only one of them has, by drill and place.
    keep_outs_changed, wands_changed : tuple of str
        Keep-outs and wands that only one of them has, or that differ, by name.
    status_m2 : mapping
        Area in m² that went from one status to another, as "dry to covered"; empty where the meshes that the
        film was worked out on differ.
    """

    same_mesh: bool
    same_job: bool
    figures: tuple[Change, ...]
    bays: tuple[Change, ...]
    passes_gone: tuple[str, ...]
    passes_new: tuple[str, ...]
    status_m2: Mapping[str, float]
    holes_gone: tuple[str, ...] = ()
    holes_new: tuple[str, ...] = ()
    keep_outs_changed: tuple[str, ...] = ()
    wands_changed: tuple[str, ...] = ()

    @property
    def is_equal(self) -> bool:
        """Whether nothing changed."""
        same = all(change.before == change.after for change in (*self.figures, *self.bays))
        lists = (self.passes_gone, self.passes_new, self.holes_gone, self.holes_new)
        changed = (*lists, self.keep_outs_changed, self.wands_changed, self.status_m2)
        return same and not any(changed)


def compare(before: Result, after: Result) -> Comparison:
    """Return what changed from `before` to `after`."""
    old, new = before.outcome, after.outcome
    old_passes, new_passes = _pass_words(old.passes), _pass_words(new.passes)
    return Comparison(
        same_mesh=old.inputs.mesh_sha256 == new.inputs.mesh_sha256,
        same_job=old.inputs.job_sha256 == new.inputs.job_sha256,
        figures=tuple(
            Change(name=name, before=value, after=_figures(new)[name])
            for name, value in _figures(old).items()
        ),
        bays=_bay_changes(old, new),
        passes_gone=tuple(word for word in old_passes if word not in new_passes),
        passes_new=tuple(word for word in new_passes if word not in old_passes),
        status_m2=_status_areas(before.sides, after.sides),
        holes_gone=tuple(word for word in _hole_words(old) if word not in _hole_words(new)),
        holes_new=tuple(word for word in _hole_words(new) if word not in _hole_words(old)),
        keep_outs_changed=_changed_names(old.keep_outs, new.keep_outs),
        wands_changed=_changed_names(old.wands, new.wands),
    )


def _hole_words(outcome: Outcome) -> list[str]:
    return [
        f"{hole.drill_name} in {hole.bay or 'the skin'} at "
        + ", ".join(f"{1e3 * value:z.0f}" for value in hole.center_m)
        + " mm"
        for hole in outcome.holes or ()
    ]


def _changed_names(
    old: Sequence[KeepOutRecord] | Sequence[WandRecord], new: Sequence[KeepOutRecord] | Sequence[WandRecord]
) -> tuple[str, ...]:
    """Return the names of what only one has, or what is not the same in both."""
    before, after = {one.name: one for one in old}, {one.name: one for one in new}
    names = dict.fromkeys([*before, *after])
    return tuple(name for name in names if before.get(name) != after.get(name))


def _figures(outcome: Outcome) -> dict[str, float | None]:
    return {
        "required m2": outcome.coverage.required_m2,
        "covered share": outcome.coverage.fraction,
        "direct share": outcome.coverage.direct_fraction,
        "dry share": outcome.coverage.dry_fraction,
        "liquid m3": outcome.liquid.sprayed_m3,
        "seconds": sum(spray_pass.seconds for spray_pass in outcome.passes),
        "passes": float(sum(spray_pass.count for spray_pass in outcome.passes)),
        "new holes": None if outcome.plan is None else float(outcome.plan.new_holes),
        "new holes proven needed": None if outcome.plan is None else float(outcome.plan.new_holes_bound),
        "minutes of work": None if outcome.work is None else outcome.work.seconds / 60.0,
    }


def _bay_changes(old: Outcome, new: Outcome) -> tuple[Change, ...]:
    def shares(bays: Sequence[BayRecord]) -> dict[str, float | None]:
        return {bay.name: bay.covered_m2 / bay.required_m2 if bay.required_m2 > 0 else None for bay in bays}

    before, after = shares(old.bays), shares(new.bays)
    names = dict.fromkeys([*before, *after])
    return tuple(Change(name=name, before=before.get(name), after=after.get(name)) for name in names)


def _pass_words(passes: Sequence[PassRecord]) -> list[str]:
    return [
        f"{each.count} x {each.wand} through {each.opening}, {each.from_m:.3f} to {each.to_m:.3f} m,"
        f" clock {each.clock_deg:.0f} deg, {1e3 * each.pull_speed_m_s:.0f} mm/s"
        for each in passes
    ]


def _status_areas(before: Sides, after: Sides) -> dict[str, float]:
    same = before.mesh.faces.shape == after.mesh.faces.shape and np.array_equal(
        before.mesh.corners, after.mesh.corners
    )
    if not same or before.status_names != after.status_names:
        return {}
    areas = side_areas(before.mesh)
    # Sides that look outside have no film to speak of.
    changed = (before.status != after.status) & ((before.side_bay >= 0) | (after.side_bay >= 0))
    pairs, row = np.unique(
        np.stack([before.status[changed], after.status[changed]], axis=1), axis=0, return_inverse=True
    )
    sums = np.bincount(row.ravel(), weights=areas[changed], minlength=len(pairs))
    names = before.status_names
    return {
        f"{names[one]} to {names[other]}": float(area)
        for (one, other), area in zip(pairs.tolist(), sums.tolist(), strict=True)
    }


@dataclass(frozen=True, kw_only=True)
class CouponRow:
    """One measured coupon beside what was predicted there; None where it lies on no side of a bay."""

    name: str
    measured_um: float
    predicted_um: float | None


@dataclass(frozen=True, kw_only=True)
class CouponCheck:
    """Measured coupons beside a result, in the terms (`film_is`) of its target.

    Parameters
    ----------
    factor, factor_low, factor_high : float or None
        What to multiply the prediction by, and its interval of `confidence`; None where too few coupons tell.
    bias_um, scatter_um : float or None
        Mean and standard deviation of measured minus predicted.
    wet_where_dry : tuple of str
        Coupons with film where none was predicted: a fault of the geometry or of the aim.
    off_structure : tuple of str
        Coupons that lie on no side of a bay.
    """

    film_is: str
    coupons: tuple[CouponRow, ...]
    n_used: int
    factor: float | None
    factor_low: float | None
    factor_high: float | None
    confidence: float
    bias_um: float | None
    scatter_um: float | None
    wet_where_dry: tuple[str, ...]
    off_structure: tuple[str, ...]


def compare_coupons(result: Result, path: Path) -> CouponCheck:
    """Return how the coupons in the CSV file `path` stand beside `result`; places are in the mesh's unit.

    Raises
    ------
    JobError
        When the file cannot be read, or no coupon lies where film was predicted.
    """
    sides = result.sides
    coupons = read_coupons(path, MESH_UNITS[result.outcome.mesh.units])
    chosen = coupon_sides(coupons, sides.mesh, sides.side_bay, sides.film)
    on = np.flatnonzero(chosen >= 0)
    predicted = sides.film[chosen[on]]
    if not (predicted > 0).any():
        message = (
            f"{path.name}: none of its {len(chosen)} coupons lies where film was predicted; check "
            "their places, and that they are in the mesh's unit."
        )
        raise JobError(message)
    fit = coupon_fit(predicted, coupons.films[on])
    films = dict(zip(on.tolist(), (1e6 * predicted).tolist(), strict=True))
    return CouponCheck(
        film_is=sides.film_is,
        coupons=tuple(
            CouponRow(name=name, measured_um=1e6 * float(coupons.films[row]), predicted_um=films.get(row))
            for row, name in enumerate(coupons.names)
        ),
        n_used=fit.n_used,
        factor=_known(fit.factor),
        factor_low=_known(fit.factor_low),
        factor_high=_known(fit.factor_high),
        confidence=fit.confidence,
        bias_um=_known(1e6 * fit.bias),
        scatter_um=_known(1e6 * fit.scatter),
        wet_where_dry=tuple(coupons.names[on[row]] for row in fit.wet_where_dry.tolist()),
        off_structure=tuple(name for row, name in enumerate(coupons.names) if chosen[row] < 0),
    )


def _known(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
