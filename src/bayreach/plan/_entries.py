"""Openings that exist and holes that could be, as ways in for wands."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import OUTSIDE, BoolArray, FloatArray, IntArray, unit_vectors
from bayreach.bays import Bays, Opening
from bayreach.holes import Drill, Refused, Rules, Site, Zone, drill_for, hole_sites, pitch_conflicts, skin_of
from bayreach.insertion import Refusal, Space
from bayreach.passes import Candidate, candidate_passes
from bayreach.wands import Wand

if TYPE_CHECKING:
    from bayreach.rays import Scene

Progress = Callable[[str, int, int], None]
ALLOWANCE = 1.5e-3
"""How much wider (m) than the wand's widest part a new hole is, before rounding up: room to tilt."""
RIM_POINTS = 32


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
    """Ways in: openings first, then candidate sites; and the passes through them."""

    openings: tuple[Opening, ...]
    sites: tuple[Site, ...]
    candidates: tuple[Candidate, ...]
    refusals: tuple[Refusal, ...]
    refused_sites: Refused
    conflicts: IntArray

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
    """Return the round opening that a site would become, from the outside to the bay behind."""
    radius = 0.5 * site.diameter
    helper = np.eye(3)[np.argmin(np.abs(site.inward))]
    first = unit_vectors(np.cross(site.inward, helper))
    second = np.cross(site.inward, first)
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
        thickness=thickness,
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
    candidates: list[Candidate] = []
    refusals: list[Refusal] = []
    sites, refused = _sites(bays, scene, wands, drilling, seed)
    total = len(found) + len(sites)
    for count, opening in enumerate(found):
        made, not_made = candidate_passes(space, wands, [opening], most_paths=most_paths, down=down)
        candidates.extend(made)
        refusals.extend(not_made)
        progress("paths", count + 1, total)
    skin = drilling.skin if drilling is not None else 0.0
    proposed = [opening_of(site, skin) for site in sites]
    for count, opening in enumerate(proposed):
        fitting = [wand for wand in wands if wand.largest_section.diameter < opening.diameter]
        made, _ = candidate_passes(
            space, fitting, [opening], most_paths=most_hole_paths, aims=24, proposed=True, down=down
        )
        candidates.extend(made)
        progress("paths", len(found) + count + 1, total)
    rules = drilling.rules if drilling is not None else None
    return Entries(
        openings=(*found, *proposed),
        sites=sites,
        candidates=tuple(candidates),
        refusals=tuple(refusals),
        refused_sites=refused,
        conflicts=pitch_conflicts(sites, rules) + len(found),
    )


def _sites(
    bays: Bays, scene: "Scene", wands: Sequence[Wand], drilling: Drilling | None, seed: int
) -> tuple[tuple[Site, ...], Refused]:
    """Return sites for every size of hole that the wands need, the widest first, and the refused places."""
    if drilling is None or not wands:
        return (), Refused()
    skin = skin_of(bays.mesh, bays.side_bay, scene, allowed=drilling.allowed)
    sizes = {hole_drill(wand, drilling.system).diameter: hole_drill(wand, drilling.system) for wand in wands}
    area = float(skin.areas.sum())
    spacing = drilling.spacing or max(math.sqrt(area / drilling.most_sites), 0.02)
    sites: list[Site] = []
    refused = Refused()
    for size in sorted(sizes, reverse=True):
        rng = np.random.default_rng(seed)
        more, not_here = hole_sites(
            skin,
            sizes[size],
            zones=drilling.zones,
            rules=drilling.rules,
            spacing=spacing,
            rng=rng,
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
    from dataclasses import replace

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
