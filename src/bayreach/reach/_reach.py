"""Each wand through each opening: does it fit, how far, where can its tip be, what can it see."""

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from bayreach.arrays import OUTSIDE, BoolArray, FloatArray
from bayreach.insertion import (
    Path,
    Refusal,
    aims_over_cone,
    aims_tried,
    candidate_aims,
    entries_over,
    inward,
    is_ruled_out,
    paths_through,
    straight_reach,
    what_was_searched,
    widest_tilt,
)
from bayreach.reach._ground import SHORTEST, Ground
from bayreach.reach._looking import lookouts_of, seen_sides
from bayreach.reach._records import BayReach, Reach
from bayreach.wands import Wand

if TYPE_CHECKING:
    from bayreach.bays import Opening

CLOCKS = tuple(math.pi / 2.0 * step for step in range(4))


def _silent(stage: str, share: float) -> None:
    """Do nothing."""


def reach(
    ground: Ground,
    wands: Sequence[Wand],
    openings: "Sequence[Opening] | None" = None,
    *,
    progress: Callable[[str, float], None] = _silent,
) -> tuple[Reach, ...]:
    """Return what each wand reaches through each opening that leads outside.

    Parameters
    ----------
    ground : Ground
        The structure made ready.
    wands : sequence of Wand
        Of any shape.
    openings : sequence of Opening
        Those to try, kind "proposed" as if cut; all of the structure's by default. Those between two bays are
        left out.
    progress : callable
        Told the stage and the share done.
    """
    known = ground.space.bays.openings if openings is None else openings
    tried = [opening for opening in known if OUTSIDE in opening.links]
    pairs = [(wand, opening) for wand in wands for opening in tried]
    rows: list[Reach] = []
    for wand, opening in pairs:
        progress(f"{wand.name} through {opening.name}", len(rows) / len(pairs))
        rows.append(reach_through(ground, wand, opening))
    progress("reach", 1.0)
    return tuple(rows)


def reach_through(ground: Ground, wand: Wand, opening: "Opening", *, look: bool = True) -> Reach:
    """Return what one wand reaches through one opening; without `look`, no side is looked at."""
    count = ground.care.aims if wand.shape == "straight" else 9
    clocks = (0.0,) if wand.shape != "bent" else CLOCKS
    paths, refusals = paths_through(
        ground.space, wand, opening, count=count, clocks=clocks, shortest=SHORTEST, down=ground.down,
        moves=True,
    )  # fmt: skip
    sources = np.zeros((len(ground.points), 3))
    if wand.shape == "straight" and paths:
        found, sources = _straight_places(ground, wand, opening)
        paths += _ways_to(ground, wand, opening, found, sources)
    else:
        found = _near_stations(ground, paths)
    lookouts = lookouts_of(ground, wand, paths, found, sources)
    nothing = np.zeros(len(ground.areas), dtype=np.bool_)
    seen, sprayed = seen_sides(ground, wand.tip, lookouts) if look and paths else (nothing, nothing)
    tilt = widest_tilt(wand, opening)
    searched = _searched(ground, wand, opening)
    deepest = max(paths, key=lambda path: path.deepest, default=None)
    return Reach(
        wand=wand.name, opening=opening.name, fits=bool(paths),
        depth=deepest.deepest if deepest else 0.0,
        max_tilt=tilt if tilt >= 0.0 else None,
        solid_angle=_solid_angle(ground, wand, opening, paths),
        bays=tuple(
            row if row.reached or is_ruled_out(ground.space, wand, opening, index)
            else replace(row, searched=searched)
            for index, row in enumerate(_bay_rows(ground, paths, refusals, found, (seen, sprayed)))
        ),
        searched="" if paths or is_ruled_out(ground.space, wand, opening) else searched,
        limit=deepest.limit if deepest else refusals[0].reason, paths=paths, tips=lookouts.places,
    )  # fmt: skip


def _solid_angle(ground: Ground, wand: Wand, opening: "Opening", paths: Sequence[Path]) -> float:
    """Return the solid angle in sr of aims through the centre that let the tip in: a share of the cone."""
    tilt = widest_tilt(wand, opening)
    if tilt <= 0.0 or not paths:
        return 0.0
    cone = 2.0 * math.pi * (1.0 - math.cos(tilt))
    if wand.shape == "straight":
        aims = aims_over_cone(inward(opening), tilt, ground.care.aims)
        depths = straight_reach(ground.space, wand, opening, aims).depths
        return cone * float((depths > SHORTEST).mean())
    tried = aims_tried(ground.space, wand, opening)
    done = {tuple(path.aim.round(9)) for path in paths}
    does = np.array([tuple(aim.round(9)) in done for aim in tried])
    # Each aim of an even spread over the cone counts as the nearest one tried.
    nearest = np.argmax(aims_over_cone(inward(opening), tilt, ground.care.aims) @ tried.T, axis=1)
    return cone * float(does[nearest].mean())


def _searched(ground: Ground, wand: Wand, opening: "Opening") -> str:
    """Return in words how finely a way in is looked for."""
    leans = len(aims_tried(ground.space, wand, opening)) if wand.shape == "bent" else 0
    lines = len(candidate_aims(ground.space, wand, opening, ground.care.aims)[1])
    return what_was_searched(wand, lines=lines, leans=leans)


def _stations(paths: Sequence[Path]) -> FloatArray:
    return np.concatenate([np.zeros((0, 3)), *(path.tip_path.points for path in paths)])


def _near_stations(ground: Ground, paths: Sequence[Path]) -> BoolArray:
    """Tell at which of the ground's points the tip can be: a path's pose is within half their spacing."""
    if not paths:
        return np.zeros(len(ground.points), dtype=np.bool_)
    from scipy.spatial import cKDTree

    gaps, _ = cKDTree(_stations(paths)).query(ground.points)
    volumes = np.array([bay.volume for bay in ground.space.bays.bays])
    counts = np.bincount(ground.homes, minlength=len(volumes))
    return np.asarray(gaps < np.cbrt(volumes / np.maximum(counts, 1))[ground.homes] / 2.0)


def _straight_places(ground: Ground, wand: Wand, opening: "Opening") -> tuple[BoolArray, FloatArray]:
    """Tell at which of the ground's points (k,) a straight tip can be, and by which entry (k, 3) m.

    Each is tried from the opening's centre and, in a wide opening, from places all over it.
    """
    found = np.zeros(len(ground.points), dtype=np.bool_)
    sources = np.zeros((len(ground.points), 3))
    for entry in entries_over(opening, wand.largest_section.diameter):
        open_still = np.flatnonzero(~found)
        span = ground.points[open_still] - entry
        lengths = np.linalg.norm(span, axis=1)
        ahead = (lengths > SHORTEST) & (lengths <= wand.length) & (span @ inward(opening) > 0.0)
        rows = open_still[ahead]
        if len(rows):
            tried = straight_reach(
                ground.space, wand, opening, span[ahead], entries=np.tile(entry, (len(rows), 1))
            )
            hit = rows[tried.depths >= lengths[ahead]]
            found[hit], sources[hit] = True, entry
    return found, sources


def _ways_to(
    ground: Ground, wand: Wand, opening: "Opening", found: BoolArray, sources: FloatArray
) -> tuple[Path, ...]:
    """Return the path to the furthest point found in each bay, so that what is told can be replayed."""
    lengths = np.where(found, np.linalg.norm(ground.points - sources, axis=1), 0.0)
    furthest = []
    for bay in np.unique(ground.homes[found]):
        here = np.flatnonzero(ground.homes == bay)
        furthest.append(int(here[np.argmax(lengths[here])]))
    if not furthest:
        return ()
    paths, _ = paths_through(
        ground.space, wand, opening, aims=ground.points[furthest] - sources[furthest],
        entries=sources[furthest], shortest=SHORTEST, down=ground.down,
    )  # fmt: skip
    return paths


def _bay_rows(
    ground: Ground,
    paths: Sequence[Path],
    refusals: Sequence[Refusal],
    found: BoolArray,
    looked: tuple[BoolArray, BoolArray],
) -> tuple[BayReach, ...]:
    reached = {bay for path in paths for bay in path.bays_reached}
    rows = []
    for bay in ground.space.bays.bays:
        here = found[ground.homes == bay.index]
        share = float(here.mean()) if len(here) else 0.0
        error = math.sqrt(share * (1.0 - share) / len(here)) if len(here) else 0.0
        sides = ground.space.bays.side_bay == bay.index
        area = float(ground.areas[sides].sum())
        visible, sprayed = (float(ground.areas[sides & each].sum()) for each in looked)
        inside = bay.index in reached or share > 0.0
        named = [refusal for refusal in refusals if refusal.bay in (bay.name, "")]
        rows.append(
            BayReach(
                bay=bay.name, reached=inside, tip_volume=bay.volume * share,
                tip_volume_error=bay.volume * error, visible_area=visible,
                visible_share=visible / area if area else 0.0, in_pattern_area=sprayed,
                in_pattern_share=sprayed / area if area else 0.0,
                limit="" if inside or not named else named[0].reason,
                short_by=0.0 if inside or not named else named[0].short_by,
            )
        )  # fmt: skip
    return tuple(rows)
