"""Candidate sites for new holes: blue noise on the skin that a drill can reach from outside."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from bayreach.arrays import OUTSIDE, BoolArray, FloatArray, IntArray
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
from bayreach.mesh import Mesh

if TYPE_CHECKING:
    from bayreach.rays import Scene

SAMPLES_A_SITE = 12
"""Points tried for each site that the spacing leaves room for."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Site:
    """A candidate hole, not approved data: centre (3,) m, unit way in (3,), and what the rules say of it.

    `edge_distance` is in m from the centre to the nearest free edge, joint or bend (`edge_kind`); infinite
    where none
    is near. `behind` is the free depth in m behind the skin, as far as it was looked at.
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
    edges: FloatArray
    edge_kinds: IntArray
    edge_parts: tuple[str, ...] = ()

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
    them), the rules are asked of each, and those that pass are thinned to blue noise. Nearness is the
    straight distance
    between points whose skins face the same way, so the other face of a thin box is no neighbour.

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
    inward = -skin.outer_normals[place]
    kinds, reasons, gaps, gap_kinds, behind = _judged(
        skin=skin, points=points, inward=inward, drill=drill, zones=zones, rules=rules
    )
    good = np.flatnonzero(kinds == "")
    kept = good[_thinned(points[good], inward[good], spacing)]
    if most is not None:
        kept = kept[:most]
    bad = np.flatnonzero(kinds != "")
    shown = bad[_thinned(points[bad], inward[bad], spacing)]
    sites = tuple(
        Site(
            name=f"hole {first + count}",
            center=points[index],
            inward=inward[index],
            face=int(skin.faces[place[index]]),
            bay=int(skin.bays[place[index]]),
            drill=drill,
            edge_distance=float(gaps[index]),
            edge_kind=EDGE_WORDS[int(gap_kinds[index])],
            behind=float(behind[index]),
        )
        for count, index in enumerate(kept)
    )
    refused = Refused(
        points=points[shown],
        kinds=tuple(str(kinds[index]) for index in shown),
        reasons=tuple(reasons[index] for index in shown),
    )
    return sites, refused


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


def _judged(
    *,
    skin: Skin,
    points: FloatArray,
    inward: FloatArray,
    drill: Drill,
    zones: tuple[Zone, ...],
    rules: Rules,
) -> tuple["np.ndarray[tuple[int], np.dtype[np.str_]]", list[str], FloatArray, IntArray, FloatArray]:
    """Return kind ("" for good) and reason of each point, its edge gap and kind, and the depth behind."""
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
    behind = _depth_behind(skin, points, inward, size, rules.behind)
    thick = behind < rules.behind * (1 - 1e-9)
    asked = f"{1e3 * rules.behind:.0f} mm are kept free for the drill's break-through"
    words = [f"structure {1e3 * depth:.1f} mm behind the skin, {asked}" for depth in behind[thick]]
    refuse(thick, "behind", words)
    return kinds, reasons, gaps, gap_kinds, behind


def _depth_behind(
    skin: Skin, points: FloatArray, inward: FloatArray, diameter: float, length: float
) -> FloatArray:
    """Return the least free depth (n,) m behind the skin at the centre and round the hole's edge."""
    from bayreach.arrays import unit_vectors

    free = rays_free(skin.scene, points, inward, length)
    helper = np.where(np.abs(inward[:, :1]) < 0.9, [[1.0, 0.0, 0.0]], [[0.0, 1.0, 0.0]])
    first = unit_vectors(np.cross(inward, helper))
    second = np.cross(inward, first)
    for angle in np.linspace(0.0, 2.0 * np.pi, 8, endpoint=False):
        rim = points + 0.5 * diameter * (np.cos(angle) * first + np.sin(angle) * second)
        # Half a mm inside the skin, so that a curved skin itself does not count.
        lifted = rim + 5e-4 * inward
        free = np.minimum(free, rays_free(skin.scene, lifted, inward, length - 5e-4) + 5e-4)
    return np.asarray(free)


def _thinned(points: FloatArray, normals: FloatArray, spacing: float) -> IntArray:
    """Return indices of points in order, each at least `spacing` from those kept before."""
    from scipy.spatial import cKDTree

    if not len(points):
        return np.zeros(0, dtype=np.int64)
    neighbours = cKDTree(points).query_ball_point(points, spacing)
    gone = np.zeros(len(points), dtype=bool)
    kept = []
    # Greedy thinning is one after another by its nature; there are some thousands of points, not faces.
    for index, near in enumerate(neighbours):
        if gone[index]:
            continue
        kept.append(index)
        close = np.asarray(near, dtype=np.int64)
        gone[close[normals[close] @ normals[index] > 0.3]] = True
    return np.array(kept, dtype=np.int64)


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
