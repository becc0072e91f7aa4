"""The bays as rays meet them."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from bayreach.arrays import NO_FACE, OUTSIDE, FloatArray, IntArray
from bayreach.measure import area_vectors
from bayreach.mesh import Mesh, mesh_of
from bayreach.rays import Scene
from bayreach.sampling import zone_directions
from bayreach.sight import UNKNOWN_BAY, Portals, portals_of

MOST_CROSSINGS = 24
"""Openings one ray is followed through."""
_STATIONS_AT_ONCE = 1 << 15
"""Stations whose bays are asked about together, so that their rays take some 20 MB however many there are."""
_VOTES = 26
"""Rays all round a station that must agree on the bay it stands in."""


class BaysLike(Protocol):
    """What is needed of `bays.Bays`."""

    @property
    def side_bay(self) -> IntArray: ...
    @property
    def bays(self) -> Sequence[object]: ...
    @property
    def method(self) -> str: ...
    @property
    def cap_points(self) -> FloatArray: ...
    @property
    def cap_faces(self) -> IntArray: ...
    @property
    def cap_opening(self) -> IntArray: ...
    @property
    def cap_links(self) -> IntArray: ...


@dataclass(frozen=True, kw_only=True, eq=False)
class Air:
    """The bays as rays meet them: which bay each side looks into, and the caps of openings.

    Parameters
    ----------
    side_bay : (2n,) int
        Bay of each side, OUTSIDE for the air round the structure.
    n_bays : int
        Number of bays.
    caps : Scene
        The virtual faces that shut the openings.
    cap_links : (c, 2) int
        The two bays that each cap lies between.
    portals : Portals, optional
        Openings as portals; None where bays are not exact, so that nothing may be passed over for their sake.
    n_inside : int
        Number of sides with an area that look into a bay.
    """

    side_bay: IntArray
    n_bays: int
    caps: Scene
    cap_links: IntArray
    portals: Portals | None
    n_inside: int


def air_of(mesh: Mesh, bays: BaysLike) -> Air:
    """Return the bays of `mesh` made ready for rays.

    Raises
    ------
    ValueError
        When the bays are those of another mesh.
    """
    side_bay = np.asarray(bays.side_bay, dtype=np.int64)
    if side_bay.shape != (mesh.n_sides,):
        message = f"bays: {side_bay.shape} side bays found, the mesh has {mesh.n_sides} sides."
        raise ValueError(message)
    points = np.reshape(np.asarray(bays.cap_points, dtype=np.float64), (-1, 3))
    faces = np.reshape(np.asarray(bays.cap_faces, dtype=np.int64), (-1, 3))
    opening = np.asarray(bays.cap_opening, dtype=np.int64)
    links = np.reshape(np.asarray(bays.cap_links, dtype=np.int64), (-1, 2))
    n_bays = len(bays.bays)
    portals = None
    if bays.method == "cells":
        portals = portals_of(points, faces, opening, links, n_bays, diagonal=mesh.diagonal)
    has_area = np.repeat(np.linalg.norm(area_vectors(mesh.corners), axis=1) > 0.0, 2)
    return Air(
        side_bay=side_bay,
        n_bays=n_bays,
        caps=Scene(mesh_of(points, faces)),
        cap_links=links,
        portals=portals,
        n_inside=int((has_area & (side_bay != OUTSIDE)).sum()),
    )


def sides_hit(mesh: Mesh, faces: IntArray, rays: FloatArray) -> IntArray:
    """Return the side (n,) of each face that faces the ray."""
    behind = np.einsum("ij,ij->i", area_vectors(mesh.corners[faces]), rays) > 0.0
    return np.asarray(2 * faces + behind, dtype=np.int64)


def crossings(
    air: Air, starts: FloatArray, rays: FloatArray, distances: FloatArray
) -> list[tuple[IntArray, IntArray, FloatArray]]:
    """Return, in order from the tip, which rays cross a next opening: ray indices, links, distances in m."""
    found = []
    alive = np.arange(len(starts))
    begun = np.zeros(len(starts))
    for _ in range(MOST_CROSSINGS):
        faces, further = air.caps.first_hit(starts[alive] + begun[alive, None] * rays[alive], rays[alive])
        at = begun[alive] + further
        crossed = (faces != NO_FACE) & (at < distances[alive])
        if not crossed.any():
            break
        alive, at = alive[crossed], at[crossed]
        found.append((alive, air.cap_links[faces[crossed]], at))
        begun[alive] = at
    return found


def bays_at(scene: Scene, air: Air, points: FloatArray) -> IntArray:
    """Return the bay (s,) of the air at each point, or UNKNOWN_BAY where rays all round do not agree."""
    if len(points) > _STATIONS_AT_ONCE:
        cuts = range(0, len(points), _STATIONS_AT_ONCE)
        return np.concatenate([bays_at(scene, air, points[cut : cut + _STATIONS_AT_ONCE]) for cut in cuts])
    rays = np.tile(zone_directions(_VOTES, -1.0, 1.0, turn=0.37), (len(points), 1))
    starts = np.repeat(points, _VOTES, axis=0)
    faces, distances = scene.first_hit(starts, rays)
    hit = faces != NO_FACE
    bay = np.full(len(starts), OUTSIDE)
    bay[hit] = air.side_bay[sides_hit(scene.mesh, faces[hit], rays[hit])]
    for where, links, _ in reversed(crossings(air, starts, rays, distances)):
        bay[where] = np.where(links[:, 0] == bay[where], links[:, 1], links[:, 0])
    votes = bay.reshape(len(points), _VOTES)
    agreed = (votes == votes[:, :1]).all(axis=1)
    return np.where(agreed, votes[:, 0], UNKNOWN_BAY)
