"""What a bay tells beyond its volume: area by part and by orientation, low points, liquid for a film."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import FloatArray, IntArray, frozen_floats, unit_vectors
from bayreach.bays._records import Bays
from bayreach.measure import area_vectors, side_areas, side_normals
from bayreach.mesh import Mesh
from bayreach.topology import edges_of, groups

_LEVEL_SHARE = 1e-6
"""Heights nearer than this share of the diagonal are level."""

_FLOOR_RISE = 0.05
"""A side whose normal rises by this much can hold liquid."""


@dataclass(frozen=True, kw_only=True, eq=False)
class BayReport:
    """What one bay tells.

    Parameters
    ----------
    name : str
    area_of_part : dict of str to float
        Area of its sides by part, in m²; parts without any are left out.
    area_up, area_vertical, area_down : float
        Area of sides that face up (within 45 degrees), neither, and down, in m².
    low_points : (k, 3) float
        Places where liquid on an upward side would stay, deepest first, in m; a level floor counts once.
    liquid : float
        Liquid for the film asked for on every side, in m³.
    """

    name: str
    area_of_part: dict[str, float]
    area_up: float
    area_vertical: float
    area_down: float
    low_points: FloatArray
    liquid: float

    def __post_init__(self) -> None:
        object.__setattr__(
            self, "low_points", frozen_floats(self.low_points, shape=(-1, 3), name="low_points")
        )


def bay_report(
    bays: Bays,
    bay: int,
    *,
    down: ArrayLike = (0.0, 0.0, -1.0),
    film: float = 0.0,
    volume_solids: float = 1.0,
) -> BayReport:
    """Return what one bay tells.

    liquid = area x film / volume_solids, with the film dry (m) and volume_solids the share of the liquid
    that stays.

    Parameters
    ----------
    bays : Bays
    bay : int
        Index.
    down : (3,) float
        Direction of gravity in mesh axes.
    film : float
        Dry film in m.
    volume_solids : float
        Share of the wet film that is left when dry, 0 to 1.
    """
    up = -unit_vectors(down)
    return _told(bays, bay, up, film / volume_solids, free_points(bays.mesh))


def bay_reports(
    bays: Bays, *, down: ArrayLike = (0.0, 0.0, -1.0), film: float = 0.0, volume_solids: float = 1.0
) -> tuple[BayReport, ...]:
    """Return what every bay tells; see `bay_report`."""
    up, free = -unit_vectors(down), free_points(bays.mesh)
    return tuple(_told(bays, bay.index, up, film / volume_solids, free) for bay in bays.bays)


def _told(bays: Bays, bay: int, up: FloatArray, wet_film: float, free: IntArray) -> BayReport:
    sides = bays.sides_of(bay)
    areas = side_areas(bays.mesh)[sides]
    rise = side_normals(bays.mesh)[sides] @ up
    parts = np.bincount(bays.mesh.face_parts[sides // 2], areas, len(bays.mesh.part_names))
    faces_up, faces_down = rise > np.sqrt(0.5), rise < -np.sqrt(0.5)
    return BayReport(
        name=bays.bays[bay].name,
        area_of_part={name: float(a) for name, a in zip(bays.mesh.part_names, parts, strict=True) if a > 0},
        area_up=float(areas[faces_up].sum()),
        area_vertical=float(areas[~faces_up & ~faces_down].sum()),
        area_down=float(areas[faces_down].sum()),
        low_points=_low_points(bays.mesh, sides, up, np.union1d(free, _drain_points(bays, bay, up))),
        liquid=float(areas.sum()) * wet_film,
    )


def free_points(mesh: Mesh) -> IntArray:
    """Return the points on free edges, over which liquid runs off."""
    edges = edges_of(mesh.faces)
    return np.unique(edges.ends[edges.free])


def _drain_points(bays: Bays, bay: int, up: FloatArray) -> IntArray:
    """Return the points of openings that lead down and out of a bay, as half-way through a thick floor."""
    links, real = bays.cap_links, bays.cap_opening >= 0
    outward = np.where(links[:, 0] == bay, 1.0, -1.0) * (links == bay).any(axis=1) * real
    falls = outward * (unit_vectors(area_vectors(bays.cap_points[bays.cap_faces])) @ up) < -_FLOOR_RISE
    return np.unique(bays.cap_faces[falls])


def _low_points(mesh: Mesh, sides: IntArray, up: FloatArray, free: IntArray) -> FloatArray:
    """Return the places (k, 3) where liquid on the sides given stays, deepest first, in m.

    Corners that level edges join are one place; a place is low where no edge leads down from it, it
    touches a side that
    faces up, and it has no point of `free` to run out at.
    """
    faces = np.unique(sides // 2)
    edges = edges_of(mesh.faces[faces])
    height = mesh.points @ up
    ends = edges.ends
    step = height[ends[:, 1]] - height[ends[:, 0]]
    level = np.abs(step) <= _LEVEL_SHARE * mesh.diagonal
    _, place = groups(len(mesh.points), ends[level])
    n_places = int(place.max()) + 1
    low = np.ones(n_places, dtype=bool)
    higher = np.where(step > 0, ends[:, 1], ends[:, 0])[~level]
    low[place[higher]] = False
    low[place[free]] = False
    floor = side_normals(mesh)[sides] @ up > _FLOOR_RISE
    touched = np.zeros(n_places, dtype=bool)
    touched[place[mesh.faces[sides[floor] // 2].ravel()]] = True
    chosen = np.flatnonzero(low & touched)
    used = np.unique(mesh.faces[faces])
    count = np.bincount(place[used], minlength=n_places)[chosen]
    sums = np.stack(
        [np.bincount(place[used], mesh.points[used, k], n_places)[chosen] for k in range(3)], axis=1
    )
    places = sums / np.maximum(count, 1)[:, None]
    return places[np.argsort(places @ up, kind="stable")]
