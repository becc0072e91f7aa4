"""From film to the frozen records of result.json."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from bayreach import film as films
from bayreach.arrays import OUTSIDE, BoolArray, FloatArray, IntArray
from bayreach.bays import Bay, Bays, Opening
from bayreach.cautions import cautions
from bayreach.meshfile import MeshRead
from bayreach.outcome import (
    FILMS_FILE,
    OUTSIDE_NAME,
    BayRecord,
    Box,
    CoverageRecord,
    FateRecord,
    HolidayRecord,
    InputsRecord,
    KeepOutRecord,
    LiquidRecord,
    MaskRecord,
    MeshRecord,
    OpeningRecord,
    Outcome,
    PassRecord,
    Point,
    RepairRecord,
    Result,
    Sides,
    TargetRecord,
    WandRecord,
    coverage_of,
    films_bytes,
)
from bayreach.repair import Finding
from bayreach.run._checkable import checked_at
from bayreach.run._flow import fates_of, flow_records, fog_warnings
from bayreach.run._pulls import Pull
from bayreach.run._reasons import WORDS, Reasons, reason_text, reasons_of
from bayreach.run._site import Site
from bayreach.run._wetting import Wetting, direct_errors, films_of, wet_by
from bayreach.run._work import work_record
from bayreach.topology import edges_of
from bayreach.units import MICROMETRE, significant
from bayreach.wands import Wand

SMALLEST_HOLIDAY = 1e-4
"""Area in m² below which an uncovered patch is counted in the areas but not listed: 1 cm²."""
MOST_HOLIDAYS = 200
"""Longest list of holidays; the largest come first and the rest is said in a warning."""


def point(values: FloatArray) -> Point:
    """Return three coordinates as plain numbers."""
    x, y, z = (float(value) for value in values)
    return (x, y, z)


def box(values: FloatArray) -> Box:
    """Return a box (2, 3) as plain numbers."""
    return (point(values[0]), point(values[1]))


def mesh_record(read: MeshRead, method: str) -> MeshRecord:
    """Return what the mesh was and what was done to it."""
    edges = edges_of(read.mesh.faces)
    return MeshRecord(
        faces=read.mesh.n_faces,
        box_m=box(read.mesh.box),
        units=read.units,
        repairs=finding_records(read.findings),
        method="voxel" if method == "voxel" else "cells",
        open_edges=int(edges.free.sum()),
        crowded_edges=int(edges.crowded.sum()),
        parts=read.mesh.part_names,
    )


def finding_records(findings: Sequence[Finding]) -> tuple[RepairRecord, ...]:
    """Return findings with a few places to look at."""
    return tuple(
        RepairRecord(
            kind=finding.kind,
            count=finding.count,
            detail=finding.detail,
            places_m=tuple(point(place) for place in finding.places),
        )
        for finding in findings
    )


def opening_records(bays: Bays) -> tuple[OpeningRecord, ...]:
    """Return the openings with the names of what they link."""
    return tuple(_opening_record(bays, opening) for opening in bays.openings)


def _opening_record(bays: Bays, opening: Opening) -> OpeningRecord:
    first, second = (OUTSIDE_NAME if link == OUTSIDE else bays.bays[link].name for link in opening.links)
    kind = opening.kind
    return OpeningRecord(
        name=opening.name,
        kind="given" if kind == "given" else "proposed" if kind == "proposed" else "found",
        center_m=point(opening.center),
        normal=point(opening.normal),
        diameter_m=opening.diameter,
        area_m2=opening.area,
        links=(first, second),
    )


def bay_record(bay: Bay, **areas: Any) -> BayRecord:
    """Return what was measured of a bay, and the `areas` in m² that film reached, by the record's names."""
    return BayRecord(
        name=bay.name,
        area_m2=bay.area,
        volume_m3=bay.volume,
        openings=bay.openings,
        box_m=box(bay.box),
        sealed=bay.sealed,
        **areas,
    )


def bay_warnings(bays: Bays) -> tuple[str, ...]:
    """Return what is odd about the air, and the bays that no opening leads to."""
    said = [f"{finding.kind} ({finding.count}): {finding.detail}" for finding in bays.findings]
    said += [f"{bay.name} is sealed: no wand can enter it." for bay in bays.bays if bay.sealed]
    return tuple(said)


@dataclass(frozen=True, kw_only=True, eq=False)
class Shares:
    """The film in the target's terms and what it means on each side: all (2n,)."""

    total: FloatArray
    direct: FloatArray
    settled: FloatArray
    status: IntArray
    covered: BoolArray
    by_direct: BoolArray

    @property
    def settled_only(self) -> BoolArray:
        """Sides that are covered only because fog is counted."""
        return np.asarray(self.covered & ~self.by_direct)


def shares_of(site: Site, wetting: Wetting) -> Shares:
    """Return films in the target's terms (dry or wet), after what the surface soaks up, and statuses."""
    target = site.job.target
    film = wetting.film
    total = film.stays * site.wet_share
    # Of what stays after run-off, direct film is counted first.
    direct = np.minimum(np.maximum(0.0, film.direct - site.uptake) * site.wet_share, total)
    settled = np.maximum(0.0, total - direct)
    status = films.statuses(total, target.film_min, target.film_max, site.keep_out)
    return Shares(
        total=total,
        direct=direct,
        settled=settled,
        status=status,
        covered=np.asarray(site.required & (total >= target.film_min)),
        by_direct=np.asarray(site.required & (direct >= target.film_min)),
    )


def came_to_lie(site: Site, wetting: Wetting) -> FloatArray:
    """Return the film (2n,) in m, in the target's terms, that came to lie on each side before any ran off."""
    return np.asarray(np.maximum(0.0, wetting.film.total - site.uptake) * site.wet_share)


def _drained_warnings(site: Site, drained: BoolArray) -> list[str]:
    if not drained.any():
        return []
    area = float(site.side_areas[drained].sum())
    return [
        f"On {significant(area * 1e4)} cm² enough liquid came to lie, but what stays after run-off is less "
        f"than asked: ask less film, or take a thicker liquid."
    ]


def answer(
    site: Site,
    pulls: Sequence[Pull],
    wetting: Wetting,
    *,
    shares: Shares | None = None,
    can_check: BoolArray | None = None,
    warnings: Sequence[str] = (),
) -> Result:
    """Return the records and the film of every side for pulls that were sprayed; the rest where known."""
    job, bays = site.job, site.bays
    shares = shares_of(site, wetting) if shares is None else shares
    drained = site.required & ~shares.covered & (came_to_lie(site, wetting) >= job.target.film_min)
    reasons = reasons_of(site, pulls, site.required & ~shares.covered, drained)
    can_check = checked_at(site, {pull.opening for pull in pulls}).can if can_check is None else can_check
    flow = flow_records(site, wetting.laid)
    patches, left_out = _holidays(site, reasons, shares)
    said = [*job.assumed, *bay_warnings(bays), *_film_warnings(site, wetting)]
    said += [*_drained_warnings(site, drained), *left_out, *warnings]
    outcome = Outcome(
        title=job.title,
        inputs=InputsRecord(
            mesh_sha256=site.read.sha256, job_sha256=job.sha256, settings=_settings(site, wetting)
        ),
        warnings=tuple(dict.fromkeys(said)),
        cautions=cautions(settled="settled" in job.film.mechanisms),
        mesh=mesh_record(site.read, bays.method),
        bays=_bay_records(site, shares, can_check),
        openings=opening_records(bays),
        passes=tuple(
            _pass_record(pull, order, fate)
            for order, (pull, fate) in enumerate(zip(pulls, fates_of(wetting), strict=True), start=1)
        ),
        coverage=coverage_record(site, shares),
        liquid=_liquid_record(wetting),
        holidays=patches,
        masks=_masks(site, wetting),
        target=TargetRecord(
            film_min_m=job.target.film_min,
            film_max_m=job.target.film_max if np.isfinite(job.target.film_max) else None,
            film_is=job.target.film_is,
            coverage=job.target.coverage,
        ),
        wands=tuple(_wand_record(wand) for wand in job.wands),
        keep_outs=tuple(
            KeepOutRecord(
                name=entry.name,
                no=entry.no,
                part=entry.part,
                box_m=None if entry.box is None else box(entry.box),
            )
            for entry in job.keep_outs
        ),
        down=point(job.down),
        work=work_record(site, pulls, flow["drains"]),
        **flow,
    )
    sides = Sides(
        mesh=site.mesh,
        source_faces=bays.source_faces,
        side_bay=bays.side_bay,
        film=shares.total,
        direct=shares.direct,
        settled=shares.settled,
        status=shares.status,
        status_names=films.STATUSES,
        film_is=job.target.film_is,
        extra={
            "first_pass": wetting.first_pass,
            "priority": site.priority,
            "reason": reasons.code,
            "hidden_by": reasons.hidden_by,
            "checkable": can_check.astype(np.int64),
            "direct_error_um": direct_errors(site, wetting) / MICROMETRE,
            **wet_by(wetting.columns, site.mesh.n_sides),
        },
        names={"reason_names": WORDS},
    )
    return Result(outcome=outcome, sides=sides, files={FILMS_FILE: films_bytes(films_of(site, wetting))})


def coverage_record(site: Site, shares: Shares) -> CoverageRecord:
    """Return how much of the required area has its least film."""

    def area(mask: BoolArray) -> float:
        return float(site.side_areas[mask & site.required].sum())

    return coverage_of(
        required_m2=area(site.required),
        covered_m2=area(shares.covered),
        direct_m2=area(shares.by_direct),
        settled_only_m2=area(shares.settled_only),
        dry_m2=area(shares.total <= 0.0),
        target=site.job.target.coverage,
    )


def _bay_records(site: Site, shares: Shares, can_check: BoolArray) -> tuple[BayRecord, ...]:
    bays, need = site.bays, site.required
    inside = site.inside

    def by_bay(mask: BoolArray) -> FloatArray:
        chosen = mask & inside
        areas = np.bincount(bays.side_bay[chosen], site.side_areas[chosen], minlength=len(bays.bays))
        return np.asarray(areas, dtype=np.float64)

    low = need & (shares.status == films.LOW)
    columns = {
        "required_m2": by_bay(need),
        "covered_m2": by_bay(shares.covered),
        "direct_m2": by_bay(shares.by_direct),
        "settled_only_m2": by_bay(shares.settled_only),
        "low_m2": by_bay(low),
        "dry_m2": by_bay(need & (shares.total <= 0.0)),
        "heavy_m2": by_bay(need & (shares.status == films.HEAVY)),
        "checkable_m2": by_bay(need & can_check),
    }
    return tuple(
        bay_record(bay, **{name: float(values[bay.index]) for name, values in columns.items()})
        for bay in bays.bays
    )


def _pass_record(pull: Pull, order: int, fate: FateRecord) -> PassRecord:
    path = pull.path
    return PassRecord(
        wand=pull.wand.name,
        opening=pull.opening,
        aim=point(pull.aim),
        clock_deg=float(np.degrees(pull.clock)),
        from_m=float(path.depths[0]),
        to_m=float(path.depths[-1]),
        pull_speed_m_s=pull.speed,
        count=pull.count,
        seconds=pull.count * pull.seconds,
        liquid_m3=pull.count * pull.volume,
        path_m=tuple(point(row) for row in path.points),
        axes=tuple(point(row) for row in path.axes),
        clock_axis=point(path.clocks[0]),
        through=pull.through,
        order=order,
        entry_m=None if pull.entry is None else point(pull.entry),
        fate=fate,
    )


def _liquid_record(wetting: Wetting) -> LiquidRecord:
    ledger = wetting.ledger.check()
    on_sides = ledger.direct + ledger.settled
    reckoned = wetting.film.retained is not None
    return LiquidRecord(
        sprayed_m3=ledger.sprayed,
        direct_m3=ledger.direct,
        settled_m3=ledger.settled,
        escaped_m3=ledger.escaped,
        suspended_m3=ledger.suspended,
        retained_m3=ledger.retained if reckoned else on_sides,
        run_off_m3=ledger.run_off,
        elsewhere_m3=ledger.elsewhere,
        uncredited_m3=ledger.uncredited,
        creep_m3=ledger.creep,
        direct_corrected_m3=sum(fate.direct_corrected_m3 for fate in fates_of(wetting)),
    )


def _wand_record(wand: Wand) -> WandRecord:
    return WandRecord(
        name=wand.name,
        shape=wand.shape,
        length_m=wand.length,
        diameter_m=wand.diameter,
        tip_diameter_m=wand.tip_diameter,
        pattern=wand.tip.pattern,
        spread_deg=float(np.degrees(wand.tip.spread)),
        flow_m3_s=wand.tip.flow,
    )


def _masks(site: Site, wetting: Wetting) -> tuple[MaskRecord, ...]:
    records = []
    for index, entry in enumerate(site.job.keep_outs):
        if entry.no == "drill":
            continue
        sides = np.flatnonzero(site.sides_in(index) & site.inside)
        films = wetting.film.total[sides] * site.wet_share
        film = float(films.max(initial=0.0))
        records.append(
            MaskRecord(
                name=entry.name,
                film_m=film,
                touched=film > 0.0,
                center_m=_mask_place(site.side_centers[sides], films),
            )
        )
    return tuple(records)


def _mask_place(centers: FloatArray, films: FloatArray) -> Point | None:
    """Return where to look for a keep-out: its wettest side, or its middle one where all are dry."""
    if not len(centers):
        return None
    away = np.linalg.norm(centers - centers.mean(axis=0), axis=1)
    return point(centers[int(films.argmax() if films.any() else away.argmin())])


def _holidays(
    site: Site, reasons: Reasons, shares: Shares
) -> tuple[tuple[HolidayRecord, ...], tuple[str, ...]]:
    """Return the uncovered patches worth listing, largest first, and what was left out."""
    patches = films.holidays(site.mesh, site.required & ~shares.covered, site.bays.side_bay)
    listed = [patch for patch in patches if patch.area >= SMALLEST_HOLIDAY][:MOST_HOLIDAYS]
    rest = patches[len(listed) :]
    warnings: tuple[str, ...] = ()
    if rest:
        area = sum(patch.area for patch in rest)
        warnings = (
            f"{len(rest)} more uncovered patches, {significant(area * 1e4)} cm² together, are counted in "
            f"the areas but not listed.",
        )
    records = tuple(
        HolidayRecord(
            bay=site.bays.bays[int(site.bays.side_bay[patch.sides[0]])].name,
            area_m2=patch.area,
            center_m=point(patch.center),
            reason=reason_text(site, reasons, patch.sides, shares.total[patch.sides] / MICROMETRE),
            part=site.mesh.part_names[int(site.mesh.face_parts[patch.sides[0] // 2])],
        )
        for patch in listed
    )
    return records, warnings


def _film_warnings(site: Site, wetting: Wetting) -> list[str]:
    said = []
    for index, entry in enumerate(site.job.keep_outs):
        if entry.no != "drill" and not (site.sides_in(index) & site.inside).any():
            said.append(
                f'Keep-out "{entry.name}" holds no side of the structure: what lies there is not in '
                f"the mesh, so film on it cannot be told; mask it."
            )
    sealed = [bay.name for bay in site.bays.bays if bay.sealed]
    if sealed:
        said.append(f"Nothing can be sprayed into the sealed {', '.join(sealed)}.")
    said += fog_warnings(site, wetting)
    closures = [abs(column.closure) for column in wetting.columns if np.isfinite(column.closure)]
    if closures and max(closures) > site.job.film.error:
        said.append(
            f"The direct film's sum was off by {max(closures):.2%} before it was scaled to what landed; "
            f"{site.job.film.error:.2%} was asked. A shorter film.edge gives a closer answer."
        )
    return said


def _settings(site: Site, wetting: Wetting) -> dict[str, object]:
    closures = [abs(column.closure) for column in wetting.columns if np.isfinite(column.closure)]
    error = wetting.error
    return {
        "mechanisms": list(site.job.film.mechanisms),
        "film_error_asked": site.job.film.error,
        "film_error_estimated": float(error) if np.isfinite(error) else None,
        "film_closure": max(closures) if closures else None,
        "working_edge_um": round(site.edge / MICROMETRE, 3),
        "working_faces": site.mesh.n_faces,
        "ray_engine": site.scene.engine,
        "seed": site.job.film.seed,
        "time_to_95_s": float(max(wetting.laid.time_to_95, default=0.0)),
    }
