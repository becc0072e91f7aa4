"""Cuts faces where other parts touch or cross them, so that sheets that meet share their edges."""

from dataclasses import dataclass

import numpy as np

from bayreach.arrays import BoolArray, FloatArray, IntArray
from bayreach.measure import area_vectors
from bayreach.topology import Edges, edges_of

WHOLE_SEARCH = 20_000
"""Up to this many faces every pair whose boxes overlap is tested, beyond it those on odd edges only."""

CUT_AT_MOST = 40_000
"""More faces than this are not cut: such a mesh is left to the voxel method."""

_PAIRS_AT_ONCE = 1_000_000
_PAIRS_A_FACE = 200
_ASKED_AT_ONCE = 5_000


@dataclass(frozen=True, kw_only=True, eq=False)
class MetLines:
    """Lines on which faces meet others without sharing an edge.

    Parameters
    ----------
    face : (k,) int
        The face to be cut.
    other : (k,) int
        The face that it meets.
    ends : (k, 2, 3) float
        Both ends of the line.
    n_crossing : int
        Pairs of faces that pass through each other.
    """

    face: IntArray
    other: IntArray
    ends: FloatArray
    n_crossing: int

    def without(self, left: BoolArray) -> "MetLines":
        """Return the lines on faces that are not `left` (n,) alone."""
        kept = ~left[self.face]
        return MetLines(
            face=self.face[kept], other=self.other[kept], ends=self.ends[kept], n_crossing=self.n_crossing
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class Imprint:
    """Faces cut along others.

    Parameters
    ----------
    points : (p, 3) float
        Old points first.
    faces : (n, 3) int
    source : (n,) int
        Old face of each.
    n_cut : int
        Old faces that were cut.
    places : (k, 3) float
        Middles of the cut faces.
    """

    points: FloatArray
    faces: IntArray
    source: IntArray
    n_cut: int
    places: FloatArray


def imprinted(points: FloatArray, faces: IntArray, lines: MetLines, slack: float) -> Imprint:
    """Return faces cut along the lines where another face touches or crosses them, to within `slack` (m).

    New corners along a shared edge come out once a face; the caller welds them and splits the neighbours.
    """
    cut = np.unique(lines.face)
    if not len(cut) or len(cut) > CUT_AT_MOST:
        source = np.arange(len(faces))
        return Imprint(points=points, faces=faces, source=source, n_cut=0, places=np.zeros((0, 3)))
    pieces, source = _cut_faces(points[faces], lines, cut, slack)
    whole = np.ones(len(faces), dtype=bool)
    whole[cut] = False
    new = len(points) + np.arange(3 * len(pieces)).reshape(-1, 3)
    return Imprint(
        points=np.concatenate([points, pieces.reshape(-1, 3)]),
        faces=np.concatenate([faces[whole], new]),
        source=np.concatenate([np.flatnonzero(whole), source]),
        n_cut=len(cut),
        places=points[faces[cut]].mean(axis=1),
    )


def met_lines(points: FloatArray, faces: IntArray, slack: float) -> MetLines:
    """Return the lines on which faces meet others, to within `slack` (m), but for those along own edges."""
    corners = points[faces]
    first, second = _close_pairs(points, faces, slack)
    ends, owners, others, n_crossing = [np.zeros((0, 2, 3))], [first[:0]], [first[:0]], 0
    for start in range(0, len(first), _PAIRS_AT_ONCE):
        f, g = first[start : start + _PAIRS_AT_ONCE], second[start : start + _PAIRS_AT_ONCE]
        f, g = _apart_or_folded(points, faces, f, g)
        flat = _is_coplanar(corners[f], corners[g], slack)
        line, met, crossing = _common_lines(corners[f[~flat]], corners[g[~flat]], slack)
        n_crossing += int(crossing.sum())
        ends += [line[met], line[met]]
        owners += [f[~flat][met], g[~flat][met]]
        others += [g[~flat][met], f[~flat][met]]
        # Sheets that lie on each other mark each other's edges.
        for mine, theirs in ((f[flat], g[flat]), (g[flat], f[flat])):
            edge_lines, row = _edges_over(corners[mine], corners[theirs], slack)
            ends.append(edge_lines)
            owners.append(mine[row])
            others.append(theirs[row])
    face, other, places = np.concatenate(owners), np.concatenate(others), np.concatenate(ends)
    inner = ~_runs_along_edge(corners[face], places, slack)
    return MetLines(face=face[inner], other=other[inner], ends=places[inner], n_crossing=n_crossing)


def _apart_or_folded(
    points: FloatArray, faces: IntArray, f: IntArray, g: IntArray
) -> tuple[IntArray, IntArray]:
    """Return the pairs that share no edge, or share one and lie on the same hand of it."""
    same = faces[f][:, :, None] == faces[g][:, None, :]
    n_shared = same.any(axis=2).sum(axis=1)
    rows = np.flatnonzero(n_shared == 2)
    of_f, of_g = same[rows].any(axis=2), same[rows].any(axis=1)
    apex_f = points[faces[f[rows]][~of_f]]
    apex_g = points[faces[g[rows]][~of_g]]
    ends = points[faces[f[rows]][of_f].reshape(-1, 2)]
    along = ends[:, 1] - ends[:, 0]
    hand = np.cross(along, apex_f - ends[:, 0]), np.cross(along, apex_g - ends[:, 0])
    kept = n_shared < 2
    kept[rows] = np.einsum("ij,ij->i", *hand) > 0
    return f[kept], g[kept]


def _close_pairs(points: FloatArray, faces: IntArray, slack: float) -> tuple[IntArray, IntArray]:
    """Return pairs of faces whose boxes overlap and neither of which lies off the plane of the other."""
    nothing = np.zeros(0, dtype=np.int64)
    if not len(faces):
        return nothing, nothing
    whole = np.arange(len(faces))
    if len(faces) <= WHOLE_SEARCH:
        pairs = _pairs_of(points[faces], whole, slack, most=_PAIRS_A_FACE * len(faces))
        if pairs is not None:
            return pairs
    pairs = _pairs_of(points[faces], _suspects(points, faces), slack)
    return pairs if pairs is not None else (nothing, nothing)


def _pairs_of(
    corners: FloatArray, asked: IntArray, slack: float, most: int | None = None
) -> tuple[IntArray, IntArray] | None:
    """Return the close pairs that the faces asked for are in, each once, or None beyond `most` of them."""
    import shapely

    low, high = corners.min(axis=1) - slack, corners.max(axis=1) + slack
    wide = np.argsort(-(high.max(axis=0) - low.min(axis=0)), kind="stable")
    boxes = shapely.box(low[:, wide[0]], low[:, wide[1]], high[:, wide[0]], high[:, wide[1]])
    tree = shapely.STRtree(boxes)
    is_asked = np.zeros(len(corners), dtype=bool)
    is_asked[asked] = True
    first, second, n_seen = [asked[:0]], [asked[:0]], 0
    for start in range(0, len(asked), _ASKED_AT_ONCE):
        rows = asked[start : start + _ASKED_AT_ONCE]
        place, other = tree.query(boxes[rows])
        face = rows[place]
        n_seen += len(face)
        if most is not None and n_seen > most:
            return None
        fits = (low[face, wide[2]] <= high[other, wide[2]]) & (high[face, wide[2]] >= low[other, wide[2]])
        fits &= (face < other) | ((face != other) & ~is_asked[other])
        face, other = face[fits], other[fits]
        near = _reaches(corners[face], corners[other], slack)
        first.append(face[near])
        second.append(other[near])
    return np.concatenate(first), np.concatenate(second)


def _reaches(corners: FloatArray, others: FloatArray, slack: float) -> BoolArray:
    """Return whether each triangle reaches the plane of its other."""
    heights = _heights(corners, others)
    return np.asarray((heights.min(axis=1) <= slack) & (heights.max(axis=1) >= -slack))


def _suspects(points: FloatArray, faces: IntArray) -> IntArray:
    """Return the faces with a free edge or one that passes through another face."""
    from bayreach.mesh import mesh_of
    from bayreach.rays import Scene

    edges: Edges = edges_of(faces)
    scene = Scene(mesh_of(points, faces))
    odd = edges.free.copy()
    ends = points[edges.ends]
    step = 500_000
    for start in range(0, len(ends), step):
        rows = slice(start, start + step)
        odd[rows] |= scene.is_blocked(ends[rows, 0], ends[rows, 1])
    return np.flatnonzero(odd[edges.of_faces].any(axis=1))


def _heights(corners: FloatArray, planes: FloatArray) -> FloatArray:
    """Return the height (k, 3) of the corners of each triangle over the plane of the other."""
    normal = area_vectors(planes)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    return np.asarray(np.einsum("ijk,ik->ij", corners - planes[:, :1], normal))


def _is_coplanar(first: FloatArray, second: FloatArray, slack: float) -> BoolArray:
    flat = (np.abs(_heights(first, second)) <= slack).all(axis=1)
    return np.asarray(flat & (np.abs(_heights(second, first)) <= slack).all(axis=1))


def _common_lines(
    first: FloatArray, second: FloatArray, slack: float
) -> tuple[FloatArray, BoolArray, BoolArray]:
    """Return the line (k, 2, 3) that two triangles share, whether there is one, and whether they cross."""
    if not len(first):
        return np.zeros((0, 2, 3)), np.zeros(0, dtype=bool), np.zeros(0, dtype=bool)
    over, under = _heights(first, second), _heights(second, first)
    one, one_valid = _on_other(first, over, second, slack)
    two, two_valid = _on_other(second, under, first, slack)
    places, valid = np.concatenate([one, two], axis=1), np.concatenate([one_valid, two_valid], axis=1)
    along = np.cross(area_vectors(first), area_vectors(second))
    along /= np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-300)
    share = np.einsum("ijk,ik->ij", places - places[:, :1], along)
    least = np.where(valid, share, np.inf).argmin(axis=1)
    most = np.where(valid, share, -np.inf).argmax(axis=1)
    rows = np.arange(len(first))
    ends = np.stack([places[rows, least], places[rows, most]], axis=1)
    met = valid.any(axis=1) & (np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1) > slack)
    crossing = met & _straddles(over, slack) & _straddles(under, slack)
    return ends, np.asarray(met), np.asarray(crossing)


def _straddles(heights: FloatArray, slack: float) -> BoolArray:
    return np.asarray((heights.min(axis=1) < -slack) & (heights.max(axis=1) > slack))


def _on_other(
    corners: FloatArray, heights: FloatArray, other: FloatArray, slack: float
) -> tuple[FloatArray, BoolArray]:
    """Return points (k, 6, 3) where edges pass the other plane or corners lie in it, and which are on it."""
    ahead, height_ahead = np.roll(corners, -1, axis=1), np.roll(heights, -1, axis=1)
    passes = (heights * height_ahead < 0) & (np.abs(heights) > slack) & (np.abs(height_ahead) > slack)
    rise = np.where(passes, heights - height_ahead, 1.0)
    crossed = corners + (heights / rise)[..., None] * (ahead - corners)
    places = np.concatenate([crossed, corners], axis=1)
    valid = np.concatenate([passes, np.abs(heights) <= slack], axis=1)
    return places, valid & _is_within(places, other, slack)


def _is_within(places: FloatArray, triangles: FloatArray, slack: float) -> BoolArray:
    """Return whether points (k, m, 3) in the plane of triangles (k, 3, 3) lie in them, to within `slack`."""
    normal = area_vectors(triangles)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    inside = np.ones(places.shape[:2], dtype=bool)
    for k in range(3):
        start, end = triangles[:, k], triangles[:, (k + 1) % 3]
        inward = np.cross(normal, end - start)
        inward /= np.linalg.norm(inward, axis=1, keepdims=True)
        inside &= np.einsum("ijk,ik->ij", places - start[:, None], inward) >= -slack
    return inside


def _edges_over(triangles: FloatArray, others: FloatArray, slack: float) -> tuple[FloatArray, IntArray]:
    """Return the parts (m, 2, 3) of the edges of others over coplanar triangles, and the row of each."""
    normal = area_vectors(triangles)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    lines, rows = [], []
    for j in range(3):
        start, along = others[:, j], others[:, (j + 1) % 3] - others[:, j]
        low, high = np.zeros(len(start)), np.ones(len(start))
        for k in range(3):
            inward = np.cross(normal, triangles[:, (k + 1) % 3] - triangles[:, k])
            inward /= np.linalg.norm(inward, axis=1, keepdims=True)
            depth = np.einsum("ij,ij->i", start - triangles[:, k], inward)
            rate = np.einsum("ij,ij->i", along, inward)
            level = np.abs(rate) <= slack
            edge = np.divide(-depth, rate, out=np.zeros_like(rate), where=~level)
            low = np.where(~level & (rate > 0), np.maximum(low, edge), low)
            high = np.where(~level & (rate < 0), np.minimum(high, edge), high)
            high = np.where(level & (depth < -slack), -1.0, high)
        kept = np.flatnonzero((high - low) * np.linalg.norm(along, axis=1) > slack)
        lines.append(
            start[kept, None] + np.stack([low[kept], high[kept]], axis=1)[..., None] * along[kept, None]
        )
        rows.append(kept)
    return np.concatenate(lines), np.concatenate(rows)


def _runs_along_edge(triangles: FloatArray, lines: FloatArray, slack: float) -> BoolArray:
    """Return whether each line (k, 2, 3) runs along an edge of its triangle."""
    along_edge = np.zeros(len(lines), dtype=bool)
    for k in range(3):
        away = _off_line(lines, triangles[:, k], triangles[:, (k + 1) % 3])
        along_edge |= (away <= 2 * slack).all(axis=1)
    return along_edge


def _off_line(places: FloatArray, start: FloatArray, end: FloatArray) -> FloatArray:
    along = end - start
    along = along / np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-300)
    arm = places - start[:, None]
    foot = np.einsum("ijk,ik->ij", arm, along)
    return np.asarray(np.linalg.norm(arm - foot[..., None] * along[:, None], axis=2))


def _cut_faces(
    corners: FloatArray, segments: MetLines, cut: IntArray, slack: float
) -> tuple[FloatArray, IntArray]:
    """Return the pieces (m, 3, 3) of the cut faces and the face of each."""
    order = np.argsort(segments.face, kind="stable")
    starts = np.searchsorted(segments.face[order], np.append(cut, len(corners)))
    pieces, source = [], []
    # A polygon library cuts one face at a time; only faces that others meet come here.
    for number, face in enumerate(cut.tolist()):
        mine = segments.ends[order[starts[number] : starts[number + 1]]]
        new = _pieces_of(corners[face], mine, slack)
        pieces.append(new)
        source.append(np.full(len(new), face, dtype=np.int64))
    return np.concatenate(pieces), np.concatenate(source)


def _pieces_of(triangle: FloatArray, lines: FloatArray, slack: float) -> FloatArray:
    """Return the triangles (m, 3, 3) of one face cut along lines (k, 2, 3)."""
    import shapely

    normal = area_vectors(triangle)
    normal = normal / np.linalg.norm(normal)
    u = triangle[1] - triangle[0]
    u = u / np.linalg.norm(u)
    axes = np.stack([u, np.cross(normal, u)])
    outline = (triangle - triangle[0]) @ axes.T
    inside = _snapped((lines - triangle[0]) @ axes.T, outline, slack)
    ring = np.stack([outline, np.roll(outline, -1, axis=0)], axis=1)
    work = shapely.union_all(shapely.linestrings(np.concatenate([ring, inside])), grid_size=1e-4 * slack)
    polygons = shapely.get_parts(shapely.polygonize(shapely.get_parts(work)))
    shapes = shapely.get_parts(shapely.constrained_delaunay_triangles(polygons))
    flat = shapely.get_coordinates(shapes).reshape(-1, 4, 2)[:, :3]
    span = flat[:, 1:] - flat[:, :1]
    turned = span[:, 0, 0] * span[:, 1, 1] - span[:, 0, 1] * span[:, 1, 0] < 0
    flat[turned] = flat[turned][:, ::-1]
    return np.asarray(triangle[0] + flat @ axes)


def _snapped(lines: FloatArray, outline: FloatArray, slack: float) -> FloatArray:
    """Move line ends that lie within `slack` of an edge or corner of the face onto it."""
    ends = lines.reshape(-1, 2)
    for start, end in zip(outline, np.roll(outline, -1, axis=0), strict=True):
        along = end - start
        share = np.clip(((ends - start) @ along) / (along @ along), 0.0, 1.0)
        foot = start + share[:, None] * along
        near = np.linalg.norm(foot - ends, axis=1) <= slack
        ends = np.where(near[:, None], foot, ends)
    for corner in outline:
        near = np.linalg.norm(corner - ends, axis=1) <= slack
        ends = np.where(near[:, None], corner, ends)
    return ends.reshape(-1, 2, 2)
