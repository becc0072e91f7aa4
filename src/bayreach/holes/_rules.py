"""Where a hole may go: keep-outs, edges, pitch, what lies behind, room outside; with reasons."""

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from bayreach.arrays import BoolArray, FloatArray, IntArray, frozen_floats
from bayreach.errors import PlanError
from bayreach.measure import nearest_on_triangles
from bayreach.mesh import Mesh

if TYPE_CHECKING:
    from bayreach.rays import Scene


@dataclass(frozen=True, kw_only=True, eq=False)
class Zone:
    """Where nothing may be drilled: exactly one of a part's faces, a box, a cylinder, fasteners.

    Parameters
    ----------
    name : str
        What it is called in the reason.
    corners : (k, 3, 3) float, optional
        Faces of a part, their corners in m.
    box : (2, 3) float, optional
        Least and greatest corner in m.
    axis : (2, 3) float, optional
        Ends in m of the axis of a cylinder of `radius`.
    radius : float
        Of the cylinder in m.
    points : (k, 3) float, optional
        Fastener or hole centres in m; a new hole keeps the pitch from them.
    sizes : (k,) float, optional
        Their diameters in m; the pitch is that of the larger of a fastener and the new hole.
    hard : bool
        Lines and equipment: a hole is refused within `reach` of it, in front or behind the skin.
    reach : float
        Distance in m kept from a hard zone.
    """

    name: str
    corners: FloatArray | None = None
    box: FloatArray | None = None
    axis: FloatArray | None = None
    radius: float = 0.0
    points: FloatArray | None = None
    sizes: FloatArray | None = None
    hard: bool = True
    reach: float = 0.025

    def __post_init__(self) -> None:
        shapes = {"corners": (-1, 3, 3), "box": (2, 3), "axis": (2, 3), "points": (-1, 3)}
        for key, shape in shapes.items():
            value = getattr(self, key)
            if value is not None:
                object.__setattr__(self, key, frozen_floats(value, shape=shape, name=f"{self.name}: {key}"))
        if self.points is not None:
            sizes = np.zeros(len(self.points)) if self.sizes is None else self.sizes
            sizes = frozen_floats(sizes, shape=(len(self.points),), name=f"{self.name}: sizes")
            object.__setattr__(self, "sizes", sizes)
        given = [value is not None for value in (self.corners, self.box, self.axis, self.points)]
        if sum(given) != 1:
            message = (
                f'keep-out "{self.name}": {sum(given)} of corners, box, axis and points given, 1 needed.'
            )
            raise PlanError(message)

    def nearest_fastener(
        self, points: FloatArray, diameter: float, pitch: float
    ) -> tuple[FloatArray, FloatArray]:
        """Return how far (n,) m the fastener that is nearest for its size lies, and how far it should.

        Kept are `pitch` diameters of the larger of the fastener and the hole of `diameter` (m).
        """
        from scipy.spatial import cKDTree

        gap, kept = np.full(len(points), np.inf), np.full(len(points), pitch * diameter)
        assert self.points is not None
        assert self.sizes is not None
        for size in np.unique(self.sizes):  # a list holds a few sizes
            away = cKDTree(self.points[self.sizes == size]).query(points)[0]
            least = pitch * max(diameter, float(size))
            worse = away - least < gap - kept
            gap, kept = np.where(worse, away, gap), np.where(worse, least, kept)
        return gap, kept

    def distances(self, points: FloatArray) -> FloatArray:
        """Return the distance (n,) in m from `points` (n, 3) to the zone; 0 inside."""
        if self.box is not None:
            outside = np.maximum(np.maximum(self.box[0] - points, points - self.box[1]), 0.0)
            return np.asarray(np.linalg.norm(outside, axis=1))
        if self.axis is not None:
            off = _segment_distances(points, self.axis[None, 0], self.axis[None, 1])
            return np.asarray(np.maximum(off - self.radius, 0.0))
        if self.corners is not None:
            return _face_distances(points, self.corners)
        if self.points is not None and len(self.points):
            from scipy.spatial import cKDTree

            return np.asarray(cKDTree(self.points).query(points)[0])
        return np.full(len(points), np.inf)


def _face_distances(points: FloatArray, corners: FloatArray) -> FloatArray:
    """Return the distance (n,) in m from each point to the nearest face (k, 3, 3); infinite for none."""
    best = np.full(len(points), np.inf)
    for place, point in enumerate(points):  # a few hundred sites, each against all faces of the part at once
        if len(corners):
            nearest = nearest_on_triangles(np.broadcast_to(point, (len(corners), 3)), corners)
            best[place] = np.linalg.norm(nearest - point, axis=1).min()
    return best


@dataclass(frozen=True, kw_only=True)
class Rules:
    """Distances that a new hole keeps.

    Edge distance and pitch are riveting rules (2D, 4D: AC 43.13-1B as quoted in training manuals):
    necessary, not
    sufficient, for an empty hole. The other figures are common practice, no source.

    Parameters
    ----------
    edge : float
        Least distance from the hole's centre to a free edge, a bend or a line where structure is joined,
        in hole diameters.
    pitch : float
        Least distance between centres of holes, in diameters of the new hole.
    behind : float
        Free depth in m behind the skin for the drill's break-through.
    outside : float
        Free length in m outside, along the hole's axis, for the drill.
    """

    edge: float = 2.0
    pitch: float = 4.0
    behind: float = 0.015
    outside: float = 0.15


@dataclass(frozen=True, kw_only=True, eq=False)
class Refused:
    """Places (k, 3) m where no hole is proposed, and why, one reason each (short kind and sentence)."""

    points: FloatArray = field(default_factory=lambda: np.zeros((0, 3)))
    kinds: tuple[str, ...] = ()
    reasons: tuple[str, ...] = ()

    def joined(self, other: "Refused") -> "Refused":
        """Return the places of both."""
        return Refused(
            points=np.concatenate([self.points, other.points]),
            kinds=self.kinds + other.kinds,
            reasons=self.reasons + other.reasons,
        )

    def counts(self) -> dict[str, int]:
        """Return how many places each kind of reason refused."""
        return {kind: self.kinds.count(kind) for kind in dict.fromkeys(self.kinds)}


def feature_edges(mesh: Mesh, faces: IntArray, bend: float = 0.5) -> tuple[FloatArray, IntArray]:
    """Return edges of `faces` that a hole keeps clear of: ends (k, 2, 3) m and kind (k,).

    Kinds: 0 free edge (one face), 1 joint (three faces or more meet), 2 bend sharper than `bend` rad.
    """
    from bayreach.measure import face_normals
    from bayreach.topology import edges_of

    edges = edges_of(mesh.faces)
    near = np.unique(edges.of_faces[faces])
    count = edges.counts[near]
    kind = np.where(count == 1, 0, np.where(count > 2, 1, 3))
    # Two faces: sharp when their planes differ, whichever way each is wound.
    owner = np.repeat(np.arange(mesh.n_faces), 3)
    flat = edges.of_faces.ravel()
    order = np.argsort(flat, kind="stable")
    starts = np.searchsorted(flat[order], near)
    pair = np.stack([owner[order][starts], owner[order][np.minimum(starts + 1, len(order) - 1)]], axis=1)
    normals = face_normals(mesh)
    cosine = np.abs(np.einsum("ij,ij->i", normals[pair[:, 0]], normals[pair[:, 1]]))
    kind[(kind == 3) & (cosine < np.cos(bend))] = 2
    kept = kind < 3
    return np.asarray(mesh.points[edges.ends[near[kept]]]), kind[kept]


def _segment_distances(points: FloatArray, starts: FloatArray, ends: FloatArray) -> FloatArray:
    """Return the distance (n,) from each point to the nearest of the segments."""
    return _nearest_segments(points, starts, ends)[0]


def _nearest_segments(
    points: FloatArray, starts: FloatArray, ends: FloatArray
) -> tuple[FloatArray, IntArray]:
    best, which = np.full(len(points), np.inf), np.zeros(len(points), dtype=np.int64)
    along = ends - starts
    squared = np.maximum(np.einsum("ij,ij->i", along, along), 1e-300)
    chunk = max(1, 4_000_000 // max(len(starts), 1))
    for begin in range(0, len(points), chunk):  # chunks keep the table of pairs small
        part = points[begin : begin + chunk]
        offset = part[:, None, :] - starts[None]
        share = np.clip(np.einsum("pij,ij->pi", offset, along) / squared, 0.0, 1.0)
        gaps = np.linalg.norm(offset - share[..., None] * along[None], axis=2)
        nearest = gaps.argmin(axis=1)
        which[begin : begin + chunk] = nearest
        best[begin : begin + chunk] = gaps[np.arange(len(part)), nearest]
    return best, which


EDGE_WORDS = ("free edge", "line where structure is joined", "bend")


def edge_gaps(points: FloatArray, edges: FloatArray, kinds: IntArray) -> tuple[FloatArray, IntArray]:
    """Return the distance (n,) m from `points` (n, 3) to the nearest feature edge, and its kind."""
    if not len(edges):
        return np.full(len(points), np.inf), np.zeros(len(points), dtype=np.int64)
    gaps, which = _nearest_segments(points, edges[:, 0], edges[:, 1])
    return gaps, kinds[which]


def zone_refusals(
    points: FloatArray, inward: FloatArray, diameter: float, zones: tuple[Zone, ...], rules: Rules
) -> list[tuple[BoolArray, str, list[str]]]:
    """Return, for each zone, which `points` it refuses, the kind, and a sentence each."""
    found = []
    for zone in zones:  # a job names a handful
        if zone.points is not None:
            gap, least = zone.nearest_fastener(points, diameter, rules.pitch)
            words = f"pitch: {zone.name}"
        else:
            gap = zone.distances(points)
            # The break-through goes inward: the nearest approach along the drill's way counts too.
            ways = np.linspace(0.0, rules.behind, 4)[1:]
            for way in ways:
                gap = np.minimum(gap, zone.distances(points + way * inward))
            least = np.full(len(points), 0.5 * diameter + (zone.reach if zone.hard else 0.0))
            words = f"keep-out {zone.name}"
        refused = gap < least
        sentences = [
            f"{words} is {1e3 * value:.1f} mm away, {1e3 * kept:.1f} mm are kept"
            for value, kept in zip(gap[refused], least[refused], strict=True)
        ]
        found.append((refused, "pitch" if zone.points is not None else "keep-out", sentences))
    return found


def rays_free(scene: "Scene", points: FloatArray, ways: FloatArray, length: float) -> FloatArray:
    """Return the free length (n,) m from `points` along unit `ways`, at most `length`."""
    start = points + 1e-4 * ways
    _, distances = scene.first_hit(start, ways)
    return np.asarray(np.minimum(distances + 1e-4, length))
