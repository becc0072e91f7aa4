"""Candidate sites for new holes: blue noise on the skin that a drill can reach from outside."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from bayreach.arrays import NO_FACE, OUTSIDE, BoolArray, FloatArray, IntArray
from bayreach.holes._drills import Drill, closes_with
from bayreach.holes._rules import (
    EDGE_WORDS,
    Refused,
    Rules,
    Zone,
    edge_gaps,
    feature_edges,
    rays_free,
    zone_refusals,
)
from bayreach.holes._spread import Surface, thinned
from bayreach.holes._stack import Behind, behind_of
from bayreach.measure import area_vectors
from bayreach.mesh import Mesh

if TYPE_CHECKING:
    from bayreach.rays import Scene

SAMPLES_A_SITE = 12
"""Points tried for each site that the spacing leaves room for."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Site:
    """A candidate hole, not approved data: centre (3,) m, unit way in (3,), and what the rules say of it.

    `edge_distance` is in m from the centre to the nearest free edge, joint or bend (`edge_kind`); infinite
    where none is near. `behind` is the free depth in m behind the last sheet, as far as it was looked at.
    `doubler` is the distance in m from the skin to a second sheet that is drilled too; 0: there is none.
    """

    name: str
    center: FloatArray
    inward: FloatArray
    face: int
    bay: int
    drill: Drill
    edge_distance: float
    edge_kind: str
    behind: float
    doubler: float = 0.0

    @property
    def diameter(self) -> float:
        """Diameter of the hole in m."""
        return self.drill.diameter

    @property
    def closes_with(self) -> str:
        """What closes the hole."""
        return closes_with(self.drill.diameter)


@dataclass(frozen=True, kw_only=True, eq=False)
class Skin:
    """Faces that may be drilled: between the outside and a bay, on an allowed part; ready to be asked."""

    mesh: Mesh
    scene: "Scene"
    faces: IntArray
    outer_normals: FloatArray  # (k, 3) of those faces, to the outside
    bays: IntArray  # (k,) bay behind each
    side_bay: IntArray  # (2n,) of every side of the mesh
    edges: FloatArray
    edge_kinds: IntArray

    @property
    def areas(self) -> FloatArray:
        """(k,) float: m² of each face."""
        from bayreach.measure import face_areas

        return np.asarray(face_areas(self.mesh)[self.faces])


def skin_of(mesh: Mesh, side_bay: IntArray, scene: "Scene", *, allowed: BoolArray | None = None) -> Skin:
    """Return the skin of `mesh`: faces with the outside on one side and a bay on the other.

    `allowed` (n_faces,) bool narrows it to parts, boxes or planes that the user allows for drilling.
    """
    from bayreach.measure import face_normals

    bays = np.asarray(side_bay).reshape(-1, 2)
    front_out = (bays[:, 0] == OUTSIDE) & (bays[:, 1] >= 0)
    back_out = (bays[:, 1] == OUTSIDE) & (bays[:, 0] >= 0)
    chosen = front_out | back_out
    if allowed is not None:
        chosen &= allowed
    faces = np.flatnonzero(chosen)
    sign = np.where(front_out[faces], 1.0, -1.0)[:, None]
    edges, kinds = feature_edges(mesh, faces)
    return Skin(
        mesh=mesh,
        scene=scene,
        faces=faces,
        outer_normals=face_normals(mesh)[faces] * sign,
        bays=np.where(front_out[faces], bays[faces, 1], bays[faces, 0]),
        side_bay=np.asarray(side_bay),
        edges=edges,
        edge_kinds=kinds,
    )


def hole_sites(
    skin: Skin,
    drill: Drill,
    *,
    zones: tuple[Zone, ...] = (),
    rules: Rules | None = None,
    spacing: float,
    rng: np.random.Generator,
    among: FloatArray | None = None,
    most: int | None = None,
    first: int = 1,
) -> tuple[tuple[Site, ...], Refused]:
    """Return candidate sites for one drill, none nearer than `spacing` (m), and places refused with reasons.

    Points are drawn evenly by area over the skin (or taken near `among` (k, 3) m, where shadowed patches need
    them), the rules are asked of each, and those that pass are thinned to blue noise: nearness is distance
    along the surface.

    Parameters
    ----------
    drill : Drill
        Size of the hole.
    zones, rules :
        What is kept clear.
    spacing : float
        Least distance in m between two sites.
    rng : numpy.random.Generator
        Draws the points.
    most : int, optional
        Most sites returned.
    first : int
        Number of the first site's name, "hole 1".
    """
    rules = Rules() if rules is None else rules
    if not len(skin.faces):
        return (), Refused()
    points, place = _drawn(skin, spacing, rng, among)
    if not len(points):
        return (), Refused()
    inward = -skin.outer_normals[place]
    found = _judged(skin=skin, points=points, inward=inward, drill=drill, zones=zones, rules=rules)
    surface = Surface(skin.mesh, skin.faces, points, place, within=spacing)
    kept = thinned(surface, inward, np.flatnonzero(found.kinds == ""), spacing, most)
    shown = thinned(surface, inward, np.flatnonzero(found.kinds != ""), spacing)
    sites = tuple(
        _site(
            skin, found, index, drill=drill, name=f"hole {first + count}", center=points[index], place=place
        )
        for count, index in enumerate(kept.tolist())
    )
    refused = Refused(
        points=points[shown],
        kinds=tuple(str(found.kinds[index]) for index in shown),
        reasons=tuple(found.reasons[index] for index in shown),
    )
    return sites, refused


def _site(
    skin: Skin,
    found: "_Judged",
    index: int,
    *,
    drill: Drill,
    name: str,
    center: FloatArray,
    place: IntArray,
) -> Site:
    row = int(place[index])
    inward = -skin.outer_normals[row]
    face = int(found.behind.face[index])
    bay = int(skin.bays[row])
    if face != NO_FACE:
        # The hole leads to the air on the far side of the doubler: the side whose normal points inward.
        normal = area_vectors(skin.mesh.corners[face][None])[0]
        bay = int(skin.side_bay[2 * face + (0 if normal @ inward > 0 else 1)])
    return Site(
        name=name,
        center=center,
        inward=inward,
        face=int(skin.faces[row]),
        bay=bay,
        drill=drill,
        edge_distance=float(found.gaps[index]),
        edge_kind=EDGE_WORDS[int(found.gap_kinds[index])],
        behind=float(found.behind.free[index]),
        doubler=float(found.behind.doubler[index]),
    )


def _drawn(
    skin: Skin, spacing: float, rng: np.random.Generator, among: FloatArray | None
) -> tuple[FloatArray, IntArray]:
    """Return points (m, 3) on the skin and the place (m,) of their face among the skin's faces."""
    areas = skin.areas
    if among is not None and len(among):
        # Only faces near the places asked for: what lies within two spacings of one of them.
        from scipy.spatial import cKDTree

        middles = skin.mesh.corners[skin.faces].mean(axis=1)
        near = cKDTree(among).query(middles)[0] <= 2.0 * spacing
        areas = np.where(near, areas, 0.0)
    total = float(areas.sum())
    if total <= 0.0:
        return np.zeros((0, 3)), np.zeros(0, dtype=np.int64)
    count = int(np.clip(np.ceil(SAMPLES_A_SITE * total / spacing**2), 60, 20_000))
    place = np.sort(rng.choice(len(areas), size=count, p=areas / total))
    u, v = rng.random(count), rng.random(count)
    over = u + v > 1.0
    u[over], v[over] = 1.0 - u[over], 1.0 - v[over]
    corners = skin.mesh.corners[skin.faces[place]]
    points = (
        corners[:, 0]
        + u[:, None] * (corners[:, 1] - corners[:, 0])
        + v[:, None] * (corners[:, 2] - corners[:, 0])
    )
    order = rng.permutation(count)
    return points[order], place[order]


@dataclass(frozen=True, kw_only=True, eq=False)
class _Judged:
    """Of each point: kind of refusal ("" for good) and reason, edge gap and its kind, what lies behind."""

    kinds: "np.ndarray[tuple[int], np.dtype[np.str_]]"
    reasons: list[str]
    gaps: FloatArray
    gap_kinds: IntArray
    behind: Behind


def _judged(
    *,
    skin: Skin,
    points: FloatArray,
    inward: FloatArray,
    drill: Drill,
    zones: tuple[Zone, ...],
    rules: Rules,
) -> _Judged:
    size = drill.diameter
    kinds = np.full(len(points), "", dtype="<U20")
    reasons = [""] * len(points)

    def refuse(mask: BoolArray, kind: str, sentences: list[str]) -> None:
        for index, sentence in zip(np.flatnonzero(mask), sentences, strict=True):
            if not kinds[index]:
                kinds[index], reasons[index] = kind, sentence

    for mask, kind, sentences in zone_refusals(points, inward, size, zones, rules):
        refuse(mask, kind, sentences)
    gaps, gap_kinds = edge_gaps(points, skin.edges, skin.edge_kinds)
    least = rules.edge * size
    close = gaps < least
    words = [
        f"{EDGE_WORDS[int(kind)]} {1e3 * gap:.1f} mm away, {rules.edge:g}D = {1e3 * least:.1f} mm are kept"
        for gap, kind in zip(gaps[close], gap_kinds[close], strict=True)
    ]
    refuse(close, "edge distance", words)
    outside = rays_free(skin.scene, points, -inward, rules.outside)
    shut = outside < rules.outside * (1 - 1e-9)
    asked = f"a drill needs {1e3 * rules.outside:.0f} mm"
    refuse(shut, "outside", [f"{1e3 * room:.0f} mm free outside, {asked}" for room in outside[shut]])
    behind = behind_of(skin, points, inward, size, rules.behind, edge=least)
    thick = behind.free < rules.behind * (1 - 1e-9)
    asked = f"{1e3 * rules.behind:.0f} mm are kept free for the drill's break-through"
    words = [
        f"structure {1e3 * depth:.1f} mm behind the {'doubler' if doubled else 'skin'}, {asked}"
        for depth, doubled in zip(behind.free[thick], behind.has_doubler[thick], strict=True)
    ]
    refuse(thick, "behind", words)
    return _Judged(kinds=kinds, reasons=reasons, gaps=gaps, gap_kinds=gap_kinds, behind=behind)


def pitch_conflicts(sites: tuple[Site, ...], rules: Rules | None = None) -> IntArray:
    """Return pairs (k, 2) of sites that must not both be drilled: nearer than the larger hole's pitch."""
    from scipy.spatial import cKDTree

    rules = Rules() if rules is None else rules
    if len(sites) < 2:
        return np.zeros((0, 2), dtype=np.int64)
    centers = np.array([site.center for site in sites])
    sizes = np.array([site.diameter for site in sites])
    pairs = cKDTree(centers).query_pairs(rules.pitch * sizes.max(), output_type="ndarray")
    gaps = np.linalg.norm(centers[pairs[:, 0]] - centers[pairs[:, 1]], axis=1)
    least = rules.pitch * np.maximum(sizes[pairs[:, 0]], sizes[pairs[:, 1]])
    return np.asarray(pairs[gaps < least], dtype=np.int64)
