"""Creep: liquid that a wet side gives to a seam, drawn in between two sheets by its surface tension.

Only where it is asked for. A seam is an edge at which faces of different parts meet, or the edge of a
declared part that lies on another without sharing points with it; the gap between the lapped sheets and how
far they lap are given, since a mesh does not show them. Not modelled: sealant, dirt, a gap that varies,
liquid that dries on its way in.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import OUTSIDE, BoolArray, FloatArray, IntArray
from bayreach.droplets import GRAVITY
from bayreach.liquids import Liquid
from bayreach.measure import area_vectors, nearest_faces
from bayreach.mesh import Mesh
from bayreach.topology import edges_of

WET_FROM = 1e-6
"""Film in m from which a side feeds a seam."""


def slot_depth(gap: ArrayLike, time: float, liquid: Liquid) -> FloatArray:
    """Return how far (...) in m liquid has crept into a slot of width `gap` (...) m after `time` (s).

    L² = σ b t cos θ / (3 μ): plane Poiseuille flow under the slot's pull 2 σ cos θ / b (Lucas 1918,
    Washburn 1921, for a slot). A tube of radius r has r / 2 in the place of b / 3.

    >>> oil = Liquid(density=870, viscosity=0.05, surface_tension=0.03, volume_solids=1, contact_angle=0)
    >>> round(float(slot_depth(50e-6, 60.0, oil)) * 1e3, 2)
    24.49
    """
    width = np.asarray(gap, dtype=np.float64)
    pull = max(0.0, liquid.surface_tension * math.cos(liquid.contact_angle))
    return np.asarray(np.sqrt(pull * width * time / (3.0 * liquid.viscosity)))


def greatest_rise(gap: ArrayLike, liquid: Liquid) -> FloatArray:
    """Return how high (...) in m liquid can rise in an upright slot of width `gap` (...) m.

    H = 2 σ cos θ / (ρ g b) (Jurin, for plates): the rise in a tube of radius b.
    """
    pull = max(0.0, 2.0 * liquid.surface_tension * math.cos(liquid.contact_angle))
    return np.asarray(pull / (liquid.density * GRAVITY * np.asarray(gap, dtype=np.float64)))


@dataclass(frozen=True, kw_only=True, eq=False)
class Seams:
    """Edges at which parts meet.

    Parameters
    ----------
    edges : (k, 2) int
        Mesh points of each.
    lengths : (k,) float
        In m.
    parts : (k, 2) int
        The two parts, lesser first.
    meetings : (m, 2) int
        Which seam edge (first column) which side of a bay (second) touches.
    """

    edges: IntArray
    lengths: FloatArray
    parts: IntArray
    meetings: IntArray


def seams_of(mesh: Mesh, side_bay: IntArray, pairs: ArrayLike | None = None) -> Seams:
    """Return the seams of `mesh` that border on a bay; `pairs` (p, 2) of part indices restricts them.

    An edge where more than two parts meet counts once, for its first and last part.
    """
    edges = edges_of(mesh.faces)
    part = np.repeat(mesh.face_parts, 3)
    edge = edges.of_faces.ravel()
    least = np.full(len(edges.ends), np.iinfo(np.int64).max)
    greatest = np.full(len(edges.ends), -1, dtype=np.int64)
    np.minimum.at(least, edge, part)
    np.maximum.at(greatest, edge, part)
    meets = least < greatest
    if pairs is not None:
        wanted = np.sort(np.asarray(pairs, dtype=np.int64).reshape(-1, 2), axis=1)
        n_parts = len(mesh.part_names)
        meets &= np.isin(least * n_parts + greatest, wanted[:, 0] * n_parts + wanted[:, 1])
    sides = np.repeat(2 * np.repeat(np.arange(mesh.n_faces), 3), 2) + np.tile([0, 1], len(edge))
    side_edge = np.repeat(edge, 2)
    touching = meets[side_edge] & (side_bay[sides] != OUTSIDE)
    kept, seam = np.unique(side_edge[touching], return_inverse=True)
    ends = edges.ends[kept]
    return Seams(
        edges=ends,
        lengths=np.linalg.norm(mesh.points[ends[:, 1]] - mesh.points[ends[:, 0]], axis=1),
        parts=np.stack([least[kept], greatest[kept]], axis=1),
        meetings=np.stack([seam, sides[touching]], axis=1).astype(np.int64),
    )


def laps_of(mesh: Mesh, side_bay: IntArray, pairs: ArrayLike, within: float) -> Seams:
    """Return the seams of declared `pairs` (p, 2) of parts that lap without sharing edges.

    They run where an edge of one part's own outline lies `within` (m) of a face of the other. What feeds such
    a seam are the sides of bays at that edge, and the side of the other part's nearest face that looks at it.
    """
    edges = edges_of(mesh.faces)
    edge = edges.of_faces.ravel()
    part = np.repeat(mesh.face_parts, 3)
    face = np.repeat(np.arange(mesh.n_faces), 3)
    found = [np.zeros((0, 4), dtype=np.int64)]  # edge, part of the edge, other part, face of the other
    for first, second in np.asarray(pairs, dtype=np.int64).reshape(-1, 2):
        for own, other in ((first, second), (second, first)):
            count = np.bincount(edge[part == own], minlength=len(edges.ends))
            touched = np.bincount(edge[part == other], minlength=len(edges.ends)) > 0
            outline = np.flatnonzero((count == 1) & ~touched)
            faces = np.flatnonzero(mesh.face_parts == other)
            if not len(outline) or not len(faces):
                continue
            middles = mesh.points[edges.ends[outline]].mean(axis=1)
            near, distance = nearest_faces(middles, mesh.of_faces(faces))
            close = distance <= within
            rows = np.broadcast_arrays(outline[close], own, other, faces[near[close]])
            found.append(np.stack(rows, axis=1).astype(np.int64))
    laps = np.unique(np.concatenate(found), axis=0)
    seam_of_edge = np.full(len(edges.ends), -1)
    seam_of_edge[laps[:, 0]] = np.arange(len(laps))
    at_edge = seam_of_edge[edge] >= 0
    fed = [
        np.stack(
            [np.repeat(seam_of_edge[edge[at_edge]], 2), (2 * face[at_edge, None] + [0, 1]).ravel()], axis=1
        ),
        np.stack([np.arange(len(laps)), _looking_at(mesh, laps[:, 3], edges.ends[laps[:, 0]])], axis=1),
    ]
    meetings = np.unique(np.concatenate(fed), axis=0)
    ends = edges.ends[laps[:, 0]]
    return Seams(
        edges=ends,
        lengths=np.linalg.norm(mesh.points[ends[:, 1]] - mesh.points[ends[:, 0]], axis=1),
        parts=np.sort(laps[:, 1:3], axis=1),
        meetings=meetings[side_bay[meetings[:, 1]] != OUTSIDE].astype(np.int64),
    )


def _looking_at(mesh: Mesh, faces: IntArray, ends: IntArray) -> IntArray:
    """Return the side (k,) of each of `faces` that looks at the middle of an edge with `ends` (k, 2)."""
    corners = mesh.corners[faces]
    normal = area_vectors(corners)
    above = np.einsum("ij,ij->i", normal, mesh.points[ends].mean(axis=1) - corners[:, 0])
    return np.asarray(2 * faces + (above < 0.0), dtype=np.int64)


def together(first: Seams, second: Seams) -> Seams:
    """Return the seams of both, those of `second` numbered on from `first`."""
    n = len(first.lengths)
    return Seams(
        edges=np.concatenate([first.edges, second.edges]),
        lengths=np.concatenate([first.lengths, second.lengths]),
        parts=np.concatenate([first.parts, second.parts]),
        meetings=np.concatenate([first.meetings, second.meetings + np.array([n, 0])]),
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class Creep:
    """What seams have drawn in.

    Parameters
    ----------
    fed : (k,) bool
        True where a side that touches the seam is wet.
    depths, volumes : (k,) float
        How far the liquid got, in m, and how much went in, in m³.
    taken : (s,) float
        Film that each side gave, in m.
    fed_length, unfed_length : float
        In m.
    """

    fed: BoolArray
    depths: FloatArray
    volumes: FloatArray
    taken: FloatArray
    fed_length: float
    unfed_length: float


def greatest_draw(seams: Seams, liquid: Liquid, *, gap: ArrayLike, lap: ArrayLike, time: float) -> FloatArray:
    """Return how much (k,) in m³ each seam draws in `time` (s) where there is enough.

    Its slot, of width `gap` (m), fills to the least of `slot_depth`, the `lap` (m) and `greatest_rise`: no
    seam is credited with more than it could hold upright.
    """
    n = len(seams.lengths)
    gap, lap = np.broadcast_to(gap, n).astype(np.float64), np.broadcast_to(lap, n).astype(np.float64)
    depth = np.minimum(np.minimum(slot_depth(gap, time, liquid), lap), greatest_rise(gap, liquid))
    return np.asarray(gap * depth * seams.lengths)


def crept(
    seams: Seams,
    film: FloatArray,
    areas: FloatArray,
    *,
    liquid: Liquid,
    gap: ArrayLike,
    lap: ArrayLike,
    time: float,
    wet_from: float = WET_FROM,
) -> Creep:
    """Return what `seams` draw from the wet `film` (s,) m on sides of `areas` (s,) m² in `time` (s).

    As much as `greatest_draw`, and no more than the sides that touch it can give: each shares its film
    evenly among its seams.

    Parameters
    ----------
    gap, lap : float or (k,) float
        Width of the slot and how far the sheets lap, in m.
    wet_from : float
        Film in m from which a side feeds a seam.
    """
    n = len(seams.lengths)
    gap = np.broadcast_to(gap, n).astype(np.float64)
    most = greatest_draw(seams, liquid, gap=gap, lap=lap, time=time)
    seam, side = seams.meetings.T
    n_seams_of_side = np.bincount(side, minlength=len(film))
    supply = np.where(film[side] >= wet_from, film[side] * areas[side], 0.0) / n_seams_of_side[side]
    available = np.bincount(seam, supply, minlength=n)
    volumes = np.minimum(most, available)
    drawn = np.divide(volumes, available, out=np.zeros(n), where=available > 0)
    given = np.bincount(side, supply * drawn[seam], minlength=len(film))
    fed = available > 0
    return Creep(
        fed=fed,
        depths=np.divide(volumes, gap * seams.lengths, out=np.zeros(n), where=seams.lengths > 0),
        volumes=volumes,
        taken=np.divide(given, areas, out=np.zeros(len(film)), where=areas > 0),
        fed_length=float(seams.lengths[fed].sum()),
        unfed_length=float(seams.lengths[~fed].sum()),
    )
