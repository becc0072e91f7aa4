"""Caps in a plane: the polygons that edges close there, triangulated on those edges' own points."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from bayreach.arrays import FloatArray, IntArray, unit_vectors
from bayreach.mesh import Mesh

_SLIVER = 1e-9
"""A triangle of less height than this share of its longest side is flat."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Cap:
    """A surface that closes one opening.

    Parameters
    ----------
    faces : (t, 3) int
        Point indices; -1 is the `apex`.
    rim : (k,) int
        Point indices round the outside, in order.
    flat : (k, 2) float
        The rim in the cap's own plane, in m.
    shape : shapely polygon
        The free cross-section in that plane, with what stands in it cut out.
    planar : bool
        True where the rim lies in a plane.
    in_sheet : bool
        True where it closes a hole in a sheet, False where it closes an end.
    thickness : float
        Of the sheet, in m; 0 for a shell.
    is_wall : bool
        True where the user has it count as wall, not as an opening.
    apex : (3,) float, optional
        A point of its own that the faces share, in m, until `with_apexes` gives it a place in the mesh.
    """

    faces: IntArray
    rim: IntArray
    flat: FloatArray
    shape: Any
    planar: bool
    in_sheet: bool
    thickness: float = 0.0
    is_wall: bool = False
    apex: FloatArray | None = None


def with_apexes(mesh: Mesh, caps: Sequence[Cap]) -> tuple[Mesh, list[Cap]]:
    """Return the mesh with the points that caps bring along, and the caps on those."""
    new = [cap.apex for cap in caps if cap.apex is not None]
    if not new:
        return mesh, list(caps)
    place, out = len(mesh.points), []
    for cap in caps:
        out.append(replace(cap, faces=np.where(cap.faces < 0, place, cap.faces), apex=None))
        place += cap.apex is not None
    return replace(mesh, points=np.concatenate([mesh.points, np.stack(new)])), out


@dataclass(frozen=True, kw_only=True, eq=False)
class Plane:
    """A plane with axes: rows of `axes` are u, v and the normal."""

    origin: FloatArray
    axes: FloatArray

    def heights(self, points: FloatArray) -> FloatArray:
        """Return the signed distance of points (k, 3) in m."""
        return np.asarray((points - self.origin) @ self.axes[2])

    def flat(self, points: FloatArray) -> FloatArray:
        """Return (k, 2) coordinates in the plane."""
        return (points - self.origin) @ self.axes[:2].T


def fitted_plane(points: FloatArray) -> tuple[Plane, FloatArray]:
    """Return the plane of least squares through points (k, 3) and their spread (3,) along its axes, in m."""
    middle = points.mean(axis=0)
    arms = np.concatenate([points - middle, np.zeros((3, 3))])
    _, spread, axes = np.linalg.svd(arms, full_matrices=False)
    return Plane(origin=middle, axes=_right_handed(axes)), spread / np.sqrt(max(1, len(points)))


def plane_through(origin: FloatArray, normal: FloatArray) -> Plane:
    """Return the plane through a point with the unit normal given."""
    first = np.zeros(3)
    first[np.abs(normal).argmin()] = 1.0
    u = unit_vectors(np.cross(first, normal))
    return Plane(origin=origin, axes=np.stack([u, np.cross(normal, u), normal]))


def bisecting(first: tuple[FloatArray, FloatArray], second: tuple[FloatArray, FloatArray]) -> Plane | None:
    """Return the plane half-way between two planes (point, unit normal) that turn away from each other."""
    (here, up), (there, down) = first, second
    normal = up - down
    size = float(np.linalg.norm(normal))
    if size < 1.0:
        return None
    middle = 0.5 * (here + there)
    shift = (normal @ middle - (up @ here - down @ there)) / size**2
    return plane_through(middle - shift * normal, normal / size)


def _right_handed(axes: FloatArray) -> FloatArray:
    out = axes.copy()
    out[2] = np.cross(out[0], out[1])
    return out


def caps_in_plane(
    *,
    flat: FloatArray,
    points: IntArray,
    edges: IntArray,
    rim_edges: IntArray,
    covered: FloatArray,
    planar: bool,
) -> list[Cap]:
    """Return caps for the polygons that `edges` close and that touch a rim edge.

    Parameters
    ----------
    flat : (p, 2) float
        Coordinates in the plane of the points named next.
    points : (p,) int
        Mesh point of each.
    edges : (e, 2) int
        All edges in the plane, as places in `flat`.
    rim_edges : (k, 2) int
        The free edges among them.
    covered : (c, 3, 2) float
        Triangles of sheet in the plane, which need no cap.
    planar : bool
        Passed on.
    """
    import shapely

    lines = shapely.linestrings(flat[edges])
    polygons = list(shapely.get_parts(shapely.polygonize(lines)))
    if not polygons:
        return []
    place = {tuple(xy): index for index, xy in enumerate(flat.tolist())}
    rims = {tuple(sorted(pair)) for pair in rim_edges.tolist()}
    tree = shapely.STRtree(shapely.polygons(covered)) if len(covered) else None
    loose = _loose(polygons, edges, place)
    caps = []
    # Openings in one plane are few; each polygon is judged by itself.
    for polygon in polygons:
        rings = _rings(polygon, place)
        on_rim = sum(tuple(sorted(pair)) in rims for ring in rings for pair in _ring_edges(ring))
        if not on_rim or _is_covered(polygon, tree):
            continue
        slits = _inside(polygon, flat, loose)
        triangles = points[_filled(polygon, flat, place, slits)]
        shape = polygon if not len(slits) else polygon.difference(_thickened(flat, slits, polygon))
        caps.append(
            Cap(
                faces=triangles,
                rim=points[rings[0]],
                flat=flat[rings[0]],
                shape=shape,
                planar=planar,
                in_sheet=len(covered) > 0,
            )
        )
    return caps


def _loose(polygons: list[Any], edges: IntArray, place: dict[tuple[float, ...], int]) -> IntArray:
    """Return the edges (k, 2) that bound no polygon."""
    used = {
        tuple(sorted(pair))
        for polygon in polygons
        for ring in _rings(polygon, place)
        for pair in _ring_edges(ring)
    }
    rest = [pair for pair in edges.tolist() if tuple(sorted(pair)) not in used]
    return np.array(rest, dtype=np.int64).reshape(-1, 2)


def _thickened(flat: FloatArray, slits: IntArray, polygon: Any) -> Any:
    import shapely

    return shapely.union_all(shapely.linestrings(flat[slits])).buffer(1e-7 * np.sqrt(polygon.area))


def _rings(polygon: Any, place: dict[tuple[float, ...], int]) -> list[IntArray]:
    rings = (polygon.exterior, *polygon.interiors)
    return [
        np.array([place[tuple(xy)] for xy in np.asarray(ring.coords)[:-1].tolist()], dtype=np.int64)
        for ring in rings
    ]


def _ring_edges(ring: IntArray) -> list[list[int]]:
    return list(np.stack([ring, np.roll(ring, -1)], axis=1).tolist())


def _is_covered(polygon: Any, tree: Any) -> bool:
    return tree is not None and len(tree.query(polygon.representative_point(), predicate="intersects")) > 0


def _inside(polygon: Any, flat: FloatArray, loose: IntArray) -> IntArray:
    """Return the loose edges whose middles lie inside a polygon."""
    import shapely

    if not len(loose):
        return loose
    return np.asarray(loose[shapely.contains(polygon, shapely.points(flat[loose].mean(axis=1)))])


def _filled(polygon: Any, flat: FloatArray, place: dict[tuple[float, ...], int], slits: IntArray) -> IntArray:
    """Return triangles (t, 3) that fill a polygon on its own corners, with each slit an edge of them."""
    import shapely

    if not len(slits):
        return _ears(polygon, place)
    ring_edges = [pair for ring in _rings(polygon, place) for pair in _ring_edges(ring)]
    segments = [*ring_edges, *slits.tolist()]
    segments += _bridges(flat, segments, slits)
    pieces = shapely.get_parts(shapely.polygonize(shapely.linestrings(flat[np.array(segments)])))
    inside = [piece for piece in pieces if shapely.contains(polygon, piece.representative_point())]
    # Slits that bound nothing but themselves leave the polygon whole.
    return np.concatenate([_ears(piece, place) for piece in inside or [polygon]])


def _bridges(flat: FloatArray, segments: list[list[int]], slits: IntArray) -> list[list[int]]:
    """Return segments from each loose end of the slits to a point in sight, which make the slits divide."""
    import shapely

    degree: dict[int, int] = {}
    for pair in segments:
        for end in pair:
            degree[end] = degree.get(end, 0) + 1
    tips = [end for end in np.unique(slits).tolist() if degree[end] == 1]
    corners = np.array(sorted(degree), dtype=np.int64)
    bridges: list[list[int]] = []
    # A loose end in a rib's cut-out is a stringer's edge: a handful at most.
    for tip in tips:
        walls = shapely.union_all(shapely.linestrings(flat[np.array([*segments, *bridges])]))
        near = corners[np.argsort(np.linalg.norm(flat[corners] - flat[tip], axis=1), kind="stable")]
        own = {end for pair in slits.tolist() if tip in pair for end in pair}
        for target in near.tolist():
            if target in own:
                continue
            line = shapely.linestrings(flat[[tip, target]])
            meet = shapely.intersection(line, walls)
            ends = shapely.multipoints(flat[[tip, target]])
            others = flat[corners[(corners != tip) & (corners != target)]]
            # A bridge that grazes a point runs along a slit or an edge, however rounding puts it.
            clear = shapely.distance(line, shapely.points(others)).min() > 1e-6 * line.length
            if clear and shapely.difference(meet, ends.buffer(1e-9 * line.length)).is_empty:
                bridges.append([tip, target])
                break
    return bridges


def _ears(polygon: Any, place: dict[tuple[float, ...], int]) -> IntArray:
    """Return triangles (t, 3) that fill a polygon and use all its corners, those on straight runs too."""
    import shapely

    pieces = shapely.get_parts(shapely.constrained_delaunay_triangles(polygon))
    rings = shapely.get_coordinates(pieces).reshape(-1, 4, 2)[:, :3]
    triangles = np.array([[place[tuple(xy)] for xy in ring] for ring in rings.tolist()], dtype=np.int64)
    return _without_slivers(triangles.reshape(-1, 3), dict(zip(place.values(), place, strict=True)))


def _without_slivers(triangles: IntArray, corners: dict[int, tuple[float, ...]]) -> IntArray:
    """Return triangles (t, 3) in which one flat across a straight run is turned into its neighbour.

    Such a triangle has no side to speak of, so the order of faces round its edges would be chance.
    """
    rows = triangles.tolist()
    # Straight runs are seldom and short: at most one turn per point on them.
    for _ in range(len(rows)):
        flat = next((k for k, row in enumerate(rows) if _is_flat([corners[name] for name in row])), None)
        if flat is None:
            break
        apex = _apex([corners[name] for name in rows[flat]])
        middle, left, right = (rows[flat][(apex + k) % 3] for k in range(3))
        beside = [k for k, row in enumerate(rows) if k != flat and left in row and right in row]
        if not beside:
            rows.pop(flat)
            continue
        far = next(name for name in rows[beside[0]] if name not in (left, right))
        turn = rows[beside[0]].index(far)
        a, b = rows[beside[0]][(turn + 1) % 3], rows[beside[0]][(turn + 2) % 3]
        rows[beside[0]], rows[flat] = [far, a, middle], [far, middle, b]
    return np.array(rows, dtype=np.int64).reshape(-1, 3)


def _sides_of(corners: list[tuple[float, ...]]) -> list[float]:
    return [
        float(np.hypot(b[0] - a[0], b[1] - a[1]))
        for a, b in zip(corners, corners[1:] + corners[:1], strict=True)
    ]


def _is_flat(corners: list[tuple[float, ...]]) -> bool:
    (ax, ay), (bx, by), (cx, cy) = ((x, y) for x, y in corners)
    return abs((bx - ax) * (cy - ay) - (by - ay) * (cx - ax)) < _SLIVER * max(_sides_of(corners)) ** 2


def _apex(corners: list[tuple[float, ...]]) -> int:
    """Return the corner across from the longest side."""
    sides = _sides_of(corners)
    return (sides.index(max(sides)) + 2) % 3
