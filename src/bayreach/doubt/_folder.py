"""Doubt of a stored result: its passes sprayed again and again, the answer written beside the nominal one."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np

from bayreach.arrays import FloatArray, unit_vectors
from bayreach.bays import Given
from bayreach.doubt._chance import Variants
from bayreach.doubt._doubt import SAMPLES_A_REPLICATE, Doubt, doubt_of
from bayreach.doubt._factors import DoubtError
from bayreach.doubt._sprayed import Asked, asked_of, site_variants
from bayreach.film import holidays
from bayreach.job import DoubtSettings, Job, load_job
from bayreach.outcome import (
    BayDoubtRecord,
    DoubtfulPlaceRecord,
    DoubtRecord,
    Outcome,
    PassRecord,
    quiet,
)
from bayreach.poses import TipPath, turned_about
from bayreach.run import Pull, Site, site_of
from bayreach.store import check_inputs, origin_of, read_result, reserved_result, write_result

SURE, EVEN = 0.95, 0.50
"""Chances at which area is counted: sure, and as likely as not."""
MOST_PLACES = 20
"""Longest list of worst places."""
SMALLEST_PLACE = 1e-4
"""Area in m² below which a doubtful patch is not listed: 1 cm²."""

LEFT_OUT = (
    "A wand is moved no farther than its opening and the structure let it; a flexible one is moved as one "
    "stiff body along its path, without that test.",
    "Fog of a pass is that of its pose as planned, whatever the hand does.",
    "Film on a side is taken at one point of it for each set of samples.",
)
AFTERWARDS = {
    frozenset({"creep", "run_off"}): "Viscosity and times are as the job states them: how much seams draw "
    "off and how much stays on slopes follows the film alone.",
    frozenset(
        {"run_off"}
    ): "Creep is switched off in the job, and so in the chances; the liquid and the time "
    "it runs off in are as the job states them.",
    frozenset({"creep"}): "Run-off is switched off in the job: the chances hold before liquid runs off.",
    frozenset[
        str
    ](): "Creep and run-off are switched off in the job: the chances hold before liquid runs off.",
}
"""What is to be said of creep and run-off, by those of the two that a job asks for."""


def left_out(mechanisms: Iterable[str]) -> tuple[str, ...]:
    """Return what the chances of a job with these mechanisms leave out, a sentence each."""
    return (AFTERWARDS[frozenset(mechanisms) & {"creep", "run_off"}], *LEFT_OUT)


Progress = Callable[[str, float], None]


def doubt_folder(folder: Path, *, job: Path | None = None, progress: Progress = quiet) -> Outcome:
    """Work out how sure the result in `folder` is and write it there; return the outcome with its `doubt`.

    film.vtp gains `chance` (a side, -1 where nothing is asked), `chance_low` and `chance_high`. No other
    command writes there meanwhile: what is doubted is what the answer is written beside.

    Parameters
    ----------
    folder : Path
        A result of spray or plan.
    job : Path, optional
        Its job file, where that has moved.

    Raises
    ------
    DoubtError
        When the job file is not known, or the result has no pass.
    StoreError
        When there is no result, its mesh or job has changed since, or another process is writing there.
    """
    folder = Path(folder)
    with reserved_result(folder):
        return _doubted(folder, job, progress)


def _doubted(folder: Path, job: Path | None, progress: Progress) -> Outcome:
    result = read_result(folder)
    check_inputs(folder, result.outcome)
    origin = origin_of(folder)
    path = job or origin.get("job")
    if job is not None and not job.is_file():
        message = f"{job}: there is no such file; name with --job the job that {folder} was made from."
        raise DoubtError(message)
    if path is None or not path.is_file():
        message = f"{folder}: its job file is not where it was; name it with --job FILE."
        raise DoubtError(message)
    loaded = load_job(path)
    if loaded.sha256 != result.outcome.inputs.job_sha256:
        message = (
            f"{folder}: {path} is not the job file that it was made from; name that one, or run it again."
        )
        raise DoubtError(message)
    site, pulls = stored_site(loaded, result.outcome)
    if site.mesh.n_sides != result.sides.mesh.n_sides:
        message = f"{folder}: {path.name} no longer gives the mesh of this result; run it again first."
        raise DoubtError(message)
    record, arrays = doubt_at(site, pulls, loaded.doubt, progress=progress)
    outcome = replace(result.outcome, doubt=record)
    sides = replace(result.sides, extra={**result.sides.extra, **arrays})
    return write_result(folder, replace(result, outcome=outcome, sides=sides), origin=origin)


def stored_site(job: Job, outcome: Outcome) -> tuple[Site, tuple[Pull, ...]]:
    """Return the site of a stored result, its proposed holes cut, and its pulls.

    Raises
    ------
    DoubtError
        When it has no pass.
    """
    if not outcome.passes:
        message = f'"{outcome.title}": there is no pass in the result, so nothing can vary.'
        raise DoubtError(message)
    holes = tuple(
        Given(
            name=opening.name,
            center=np.array(opening.center_m),
            diameter=opening.diameter_m,
            normal=np.array(opening.normal),
            kind="proposed",
        )
        for opening in outcome.openings
        if opening.kind == "proposed"
    )
    return site_of(job, proposed=holes), tuple(_pull(job, one) for one in outcome.passes)


def _pull(job: Job, record: PassRecord) -> Pull:
    points, axes = np.array(record.path_m), np.array(record.axes)
    return Pull(
        wand=job.wand_named(record.wand),
        opening=record.opening,
        aim=np.array(record.aim),
        clock=float(np.radians(record.clock_deg)),
        path=TipPath(
            points=points,
            axes=axes,
            clocks=_clocks(np.array(record.clock_axis), axes),
            depths=_depths(points, record),
        ),
        speed=record.pull_speed_m_s,
        count=record.count,
        dwell=record.seconds / record.count if record.from_m == record.to_m else 0.0,
        through=record.through,
        entry=None if record.entry_m is None else np.array(record.entry_m),
    )


def _clocks(first: FloatArray, axes: FloatArray) -> FloatArray:
    """Return the clock vectors (k, 3) of a tip with `axes` (k, 3) from the first, which alone is stored.

    From pose to pose the tip is turned by the least turn that carries one axis into the next: that of a bend
    in one plane.
    """
    clocks = [first - (axes[0] @ first) * axes[0]]
    for before, after in pairwise(unit_vectors(axes)):
        turn = np.cross(before, after)
        sine = float(np.linalg.norm(turn))
        angle = float(np.arctan2(sine, before @ after))
        clocks.append(clocks[-1] if sine < 1e-12 else turned_about(clocks[-1], turn / sine, angle))
    return np.array(clocks)


def _depths(points: FloatArray, record: PassRecord) -> FloatArray:
    """Return depths in m of the stored points: shares of the way from the first to the last."""
    way = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    share = way / way[-1] if way[-1] > 0.0 else way
    return np.asarray(record.from_m + share * (record.to_m - record.from_m))


def doubt_at(
    site: Site, pulls: Sequence[Pull], settings: DoubtSettings, *, progress: Progress = quiet
) -> tuple[DoubtRecord, dict[str, FloatArray]]:
    """Return the record of how sure `pulls` are at `site`, and the arrays (2n,) for film.vtp."""
    asked = asked_of(site)
    make = site_variants(site, asked, pulls, settings, seed=settings.seed)
    most = max(1, settings.samples // SAMPLES_A_REPLICATE)

    def told(replicate: int) -> Variants:
        progress("sampling", replicate / most)
        return make(replicate)

    doubt = doubt_of(
        asked.sides, told, settings, samples=settings.samples, error=settings.error, seed=settings.seed
    )
    progress("sampling", 1.0)
    arrays = {
        name: _spread(site, asked, values)
        for name, values in (
            ("chance", doubt.chance),
            ("chance_low", doubt.chance_low),
            ("chance_high", doubt.chance_high),
        )
    }
    return _record(site, asked, doubt, settings, arrays["chance"]), arrays


def _spread(site: Site, asked: Asked, values: FloatArray) -> FloatArray:
    full = np.full(site.mesh.n_sides, -1.0)
    full[asked.ids] = values[asked.group]
    return full


def _record(
    site: Site, asked: Asked, doubt: Doubt, settings: DoubtSettings, chance: FloatArray
) -> DoubtRecord:
    sides = asked.sides
    whole = float(sides.areas.sum())
    low, high = np.quantile(doubt.covered, [0.05, 0.95])
    return DoubtRecord(
        seed=settings.seed,
        samples=len(doubt.covered),
        replicates=doubt.replicates,
        variants=doubt.variants,
        tolerances=settings.deviations,
        covered_mean=float(doubt.covered.mean()),
        covered_error=doubt.covered_error,
        error_asked=settings.error,
        error_met=doubt.met,
        covered_p5=float(low),
        covered_p95=float(high),
        sure_fraction=doubt.sure_area(sides, SURE) / whole,
        even_fraction=doubt.sure_area(sides, EVEN) / whole,
        matters=doubt.matters,
        matters_error=doubt.matters_error,
        bays=tuple(_bay(site, asked, doubt, index) for index in range(len(site.bays.bays))),
        worst=_worst(site, chance),
        left_out=left_out(site.job.film.mechanisms),
    )


def _bay(site: Site, asked: Asked, doubt: Doubt, index: int) -> BayDoubtRecord:
    here = asked.sides.bays == index
    areas, chance = asked.sides.areas[here], doubt.chance[here]
    return BayDoubtRecord(
        name=site.bays.bays[index].name,
        required_m2=float(areas.sum()),
        sure_m2=float(areas[chance >= SURE].sum()),
        even_m2=float(areas[chance >= EVEN].sum()),
    )


def _worst(site: Site, chance: FloatArray) -> tuple[DoubtfulPlaceRecord, ...]:
    """Return the connected patches that are not sure, the most missing area (area x doubt) first."""
    doubtful = (chance >= 0.0) & (chance < SURE)
    places = []
    for patch in holidays(site.mesh, doubtful, site.bays.side_bay):
        if patch.area < SMALLEST_PLACE:
            continue
        areas = site.side_areas[patch.sides]
        side = int(patch.sides[0])
        x, y, z = (float(value) for value in patch.center)
        places.append(
            DoubtfulPlaceRecord(
                bay=site.bays.bays[int(site.bays.side_bay[side])].name,
                part=site.mesh.part_names[int(site.mesh.face_parts[side // 2])],
                area_m2=patch.area,
                chance=float(chance[patch.sides] @ areas / areas.sum()),
                center_m=(x, y, z),
            )
        )
    places.sort(key=lambda place: -place.area_m2 * (1.0 - place.chance))
    return tuple(places[:MOST_PLACES])
