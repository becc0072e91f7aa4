"""Openings that exist and holes that could be, as ways in for wands."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import OUTSIDE, BoolArray, FloatArray, IntArray, plane_across
from bayreach.bays import Bays, Opening
from bayreach.holes import (
    Drill,
    Refused,
    Rules,
    Site,
    Skin,
    Zone,
    drill_for,
    hole_sites,
    pitch_conflicts,
    skin_of,
)
from bayreach.insertion import Refusal, Space
from bayreach.passes import Candidate, candidate_passes
from bayreach.wands import Wand

if TYPE_CHECKING:
    from bayreach.rays import Scene

Progress = Callable[[str, int, int], None]
ALLOWANCE = 1.5e-3
"""How much wider (m) than the wand's widest part a new hole is, before rounding up: room to tilt."""
RIM_POINTS = 32
MOST_PATHS = 2_400
"""Paths tried in all; where openings, holes and wands ask for more, fewer are tried of each. Columns of so
many take about a minute on two cores."""
COARSE_SPACING = 0.4
"""Distance in m between candidate holes above which it is said that better places may be missed."""
MOST_MORE_SITES = 24
"""Most candidate sites added where the first leave something in shadow."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Drilling:
    """Whether, where and how holes may be proposed.

    Parameters
    ----------
    allowed : (n_faces,) bool or None
        Faces that may be drilled; None: any skin between the outside and a bay.
    system : str
        "metric" or "inch" drills.
    skin : float
        Thickness of the skin in m.
    zones, rules :
        Where a hole may not go.
    spacing : float or None
        Distance in m between candidate sites; None: as fits `most_sites` over the skin.
    most_sites : int
        Most sites looked at.
    most : int or None
        Most new holes.
    """

    allowed: BoolArray | None = None
    system: Literal["metric", "inch"] = "metric"
    skin: float = 0.0
    zones: tuple[Zone, ...] = ()
    rules: Rules | None = None
    spacing: float | None = None
    most_sites: int = 60
    most: int | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class Entries:
    """Ways in: openings first, then candidate sites; and the passes through them.

    `spacing` (m) is how far candidate sites stand apart, `hole_paths` how many paths of a wand are tried
    through one, and `said` what was made coarser to stay within the budget, in words.
    """

    openings: tuple[Opening, ...]
    sites: tuple[Site, ...]
    candidates: tuple[Candidate, ...]
    refusals: tuple[Refusal, ...]
    refused_sites: Refused
    conflicts: IntArray
    spacing: float = 0.0
    hole_paths: int = 8
    said: tuple[str, ...] = ()

    @property
    def names(self) -> tuple[str, ...]:
        """Names of all ways in."""
        return tuple(opening.name for opening in self.openings)

    @property
    def is_new(self) -> BoolArray:
        """(n_entries,) bool: candidate holes."""
        return np.array([opening.kind == "proposed" for opening in self.openings], dtype=bool)


def hole_drill(wand: Wand, system: Literal["metric", "inch"] = "metric") -> Drill:
    """Return the drill for a wand: its widest part, clearance on both hands and room to tilt, rounded up."""
    return drill_for(wand.largest_section.diameter + 2.0 * wand.clearance + ALLOWANCE, system)


def opening_of(site: Site, thickness: float = 0.0) -> Opening:
    """Return the round opening that a site would become, from the outside to the bay behind.

    `thickness` (m) is that of the skin; a doubler that is drilled too adds its distance.
    """
    radius = 0.5 * site.diameter
    first, second = plane_across(site.inward)
    turn = np.linspace(0.0, 2.0 * np.pi, RIM_POINTS, endpoint=False)[:, None]
    return Opening(
        name=site.name,
        kind="proposed",
        center=site.center,
        normal=site.inward,
        diameter=site.diameter,
        equivalent_diameter=site.diameter,
        area=math.pi * radius**2,
        rim=site.center + radius * (np.cos(turn) * first + np.sin(turn) * second),
        links=(OUTSIDE, site.bay),
        thickness=thickness + site.doubler,
    )


def entries_of(
    space: Space,
    bays: Bays,
    scene: "Scene",
    wands: Sequence[Wand],
    *,
    drilling: Drilling | None,
    closed: Sequence[str] = (),
    most_paths: int = 24,
    most_hole_paths: int = 8,
    down: ArrayLike,
    seed: int,
    progress: Progress,
) -> Entries:
    """Return the ways in and the passes through them; `closed` names openings that must not be used."""
    found = [o for o in bays.openings if OUTSIDE in o.links and o.name not in closed]
    spacing = 0.0
    sites: tuple[Site, ...] = ()
    refused = Refused()
    if drilling is not None and wands:
        skin = skin_of(bays.mesh, bays.side_bay, scene, allowed=drilling.allowed)
        spacing = spacing_on(skin, drilling)
        sites, refused = _sites(skin, wands, drilling, spacing=spacing, seed=seed)
    proposed = _openings(sites, drilling)
    paths = _paths_each(found, proposed, wands, (most_paths, most_hole_paths))
    candidates: list[Candidate] = []
    refusals: list[Refusal] = []
    for count, opening in enumerate(found):
        made, not_made = candidate_passes(space, wands, [opening], most_paths=paths[0], down=down)
        candidates.extend(made)
        refusals.extend(not_made)
        progress("paths", count + 1, len(found) + len(sites))
    for count, opening in enumerate(proposed):
        candidates.extend(_through_hole(space, wands, opening, most_paths=paths[1], down=down))
        progress("paths", len(found) + count + 1, len(found) + len(sites))
    return Entries(
        openings=(*found, *proposed),
        sites=sites,
        candidates=tuple(candidates),
        refusals=tuple(refusals),
        refused_sites=refused,
        conflicts=pitch_conflicts(sites, None if drilling is None else drilling.rules) + len(found),
        spacing=spacing,
        hole_paths=paths[1],
        said=_coarsened(paths, (most_paths, most_hole_paths), spacing, drilling),
    )


def _paths_each(
    found: Sequence[Opening], proposed: Sequence[Opening], wands: Sequence[Wand], most: tuple[int, int]
) -> tuple[int, int]:
    """Return how many paths of a wand are tried through an opening, and through a hole, within the budget."""
    wanted = len(wands) * (len(found) * most[0] + len(proposed) * most[1])
    share = min(1.0, MOST_PATHS / max(wanted, 1))
    return max(2, math.floor(most[0] * share)), max(2, math.floor(most[1] * share))


def _coarsened(
    paths: tuple[int, int], most: tuple[int, int], spacing: float, drilling: Drilling | None
) -> tuple[str, ...]:
    """Return what was made coarser to stay within the budget, in words; nothing where nothing was."""
    said = []
    if paths[0] < most[0] or paths[1] < most[1]:
        said.append(
            f"So many ways in: {paths[0]} paths of each wand were tried through an opening and {paths[1]} "
            f"through a candidate hole instead of {most[0]} and {most[1]}; fewer wands or openings give a "
            "closer look."
        )
    if drilling is not None and drilling.spacing is None and spacing > COARSE_SPACING:
        said.append(
            f"The skin that may be drilled is large: candidate holes stand {1e3 * spacing:.0f} mm apart, so "
            "that a better place between two of them may be missed; a smaller [drilling] surface or more "
            "[drilling] sites give a closer look."
        )
    return tuple(said)


def _openings(sites: Sequence[Site], drilling: Drilling | None) -> list[Opening]:
    return [opening_of(site, 0.0 if drilling is None else drilling.skin) for site in sites]


def _through_hole(
    space: Space, wands: Sequence[Wand], opening: Opening, *, most_paths: int, down: ArrayLike
) -> tuple[Candidate, ...]:
    fitting = [wand for wand in wands if wand.largest_section.diameter < opening.diameter]
    return candidate_passes(
        space, fitting, [opening], most_paths=most_paths, aims=24, proposed=True, down=down
    )[0]


def more_entries(
    entries: Entries,
    space: Space,
    bays: Bays,
    scene: "Scene",
    wands: Sequence[Wand],
    *,
    drilling: Drilling,
    among: FloatArray,
    down: ArrayLike,
    seed: int,
    progress: Progress,
) -> Entries:
    """Return the entries with more candidate sites near places (k, 3) m that nothing reaches so far.

    They stand half as far apart as the others, and no nearer than that to one that is there.
    """
    skin = skin_of(bays.mesh, bays.side_bay, scene, allowed=drilling.allowed)
    spacing = 0.5 * entries.spacing
    drill = max((hole_drill(wand, drilling.system) for wand in wands), key=lambda one: one.diameter)
    found, refused = hole_sites(
        skin,
        drill,
        zones=drilling.zones,
        rules=drilling.rules,
        spacing=spacing,
        rng=np.random.default_rng(seed),
        among=among,
        most=MOST_MORE_SITES,
        first=1 + max((int(site.name.rsplit(" ", 1)[-1]) for site in entries.sites), default=0),
    )
    more = tuple(_away_from(found, entries.sites, spacing / 0.7))
    proposed = _openings(more, drilling)
    candidates = list(entries.candidates)
    for count, opening in enumerate(proposed):
        candidates.extend(_through_hole(space, wands, opening, most_paths=entries.hole_paths, down=down))
        progress("paths to shadows", count + 1, len(proposed))
    sites = (*entries.sites, *more)
    n_found = len(entries.openings) - len(entries.sites)
    return replace(
        entries,
        openings=(*entries.openings, *proposed),
        sites=sites,
        candidates=tuple(candidates),
        refused_sites=entries.refused_sites.joined(refused),
        conflicts=pitch_conflicts(sites, drilling.rules) + n_found,
    )


def spacing_on(skin: Skin, drilling: Drilling) -> float:
    """Return the distance in m between candidate sites: that asked, or as fits the most sites on the skin."""
    return drilling.spacing or max(math.sqrt(float(skin.areas.sum()) / drilling.most_sites), 0.02)


def _sites(
    skin: Skin, wands: Sequence[Wand], drilling: Drilling, *, spacing: float, seed: int
) -> tuple[tuple[Site, ...], Refused]:
    """Return sites for every size of hole that the wands need, the widest first, and the refused places."""
    sizes = {hole_drill(wand, drilling.system).diameter: hole_drill(wand, drilling.system) for wand in wands}
    sites: list[Site] = []
    refused = Refused()
    for size in sorted(sizes, reverse=True):
        more, not_here = hole_sites(
            skin,
            sizes[size],
            zones=drilling.zones,
            rules=drilling.rules,
            spacing=spacing,
            rng=np.random.default_rng(seed),
            most=drilling.most_sites,
            first=len(sites) + 1,
        )
        refused = not_here if not sites else refused
        sites.extend(_away_from(more, sites, spacing))
    return tuple(sites), refused


def _away_from(more: Sequence[Site], sites: Sequence[Site], spacing: float) -> list[Site]:
    """Return the sites of `more` that are not near one of `sites`: there a wider hole can go already."""
    if not sites:
        return list(more)
    centers = np.array([site.center for site in sites])
    return [site for site in more if np.linalg.norm(centers - site.center, axis=1).min() >= 0.7 * spacing]


def narrowed(site: Site, wands: Sequence[Wand], system: Literal["metric", "inch"]) -> Site:
    """Return the site with the smallest drill that the wands which use it need."""
    drills = [hole_drill(wand, system) for wand in wands]
    least = max(drills, key=lambda drill: drill.diameter)
    return replace(site, drill=least) if least.diameter < site.diameter else site


def entry_indices(entries: Entries) -> IntArray:
    """Return (n_candidates,) int: which way in each candidate uses."""
    place = {name: index for index, name in enumerate(entries.names)}
    return np.array([place[candidate.opening] for candidate in entries.candidates], dtype=np.int64)


def wand_indices(candidates: Sequence[Candidate], wands: Sequence[Wand]) -> IntArray:
    """Return (n_candidates,) int: which wand each candidate uses."""
    place = {wand.name: index for index, wand in enumerate(wands)}
    return np.array([place[candidate.wand.name] for candidate in candidates], dtype=np.int64)


def per_candidate(candidates: Sequence[Candidate], name: str) -> FloatArray:
    """Return (n_candidates,) float: an attribute of each candidate."""
    return np.array([getattr(candidate, name) for candidate in candidates], dtype=np.float64)
