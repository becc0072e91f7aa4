"""Cuts faces where other parts touch or cross them, so that sheets that meet share their edges."""

from dataclasses import dataclass

import numpy as np

from bayreach.arrays import BoolArray, FloatArray, IntArray, unit_vectors
from bayreach.measure import area_vectors
from bayreach.repair._pieces import Drawn, cut_faces
from bayreach.topology import Edges, edges_of, groups

WHOLE_SEARCH = 2_000_000
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
    flat : (k,) bool
        True where both lie in one plane, and so on each other.
    crossing : (c, 3) float
        A place for each pair of faces that pass through each other.
    whole : bool
        True where every pair of faces was looked at, False where those on free or pierced edges alone were.
    """

    face: IntArray
    other: IntArray
    ends: FloatArray
    flat: BoolArray
    crossing: FloatArray
    whole: bool = True

    def without(self, left: BoolArray) -> "MetLines":
        """Return the lines on faces that are not `left` (n,) alone."""
        kept = ~left[self.face]
        kept &= ~(self.flat & left[self.other])
        return MetLines(
            face=self.face[kept],
            other=self.other[kept],
            ends=self.ends[kept],
            flat=self.flat[kept],
            crossing=self.crossing,
            whole=self.whole,
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
    repeated : (r, 3) float
        Middles of pieces that lay on another face's and were left out.
    left : (l,) int
        Faces that should have been cut, where there are more than `CUT_AT_MOST`.
    """

    points: FloatArray
    faces: IntArray
    source: IntArray
    n_cut: int
    places: FloatArray
    repeated: FloatArray
    left: IntArray


def imprinted(points: FloatArray, faces: IntArray, lines: MetLines, slack: float) -> Imprint:
    """Return faces cut along the lines where another face touches or crosses them, to within `slack` (m).

    New corners along a shared edge come out once a face; the caller welds them and splits the neighbours.
    """
    cut = np.unique(np.concatenate([lines.face, lines.other[lines.flat]]))
    if not len(cut) or len(cut) > CUT_AT_MOST:
        nothing = np.zeros((0, 3))
        source = np.arange(len(faces))
        return Imprint(
            points=points, faces=faces, source=source, n_cut=0, places=nothing, repeated=nothing, left=cut
        )
    cuts = cut_faces(points[faces], Drawn(face=lines.face, ends=lines.ends), _clusters(lines, cut), slack)
    whole = np.ones(len(faces), dtype=bool)
    whole[cut] = False
    new = len(points) + np.arange(3 * len(cuts.pieces)).reshape(-1, 3)
    return Imprint(
        points=np.concatenate([points, cuts.pieces.reshape(-1, 3)]),
        faces=np.concatenate([faces[whole], new]),
        source=np.concatenate([np.flatnonzero(whole), cuts.source]),
        n_cut=len(np.unique(lines.face)),
        places=points[faces[np.unique(lines.face)]].mean(axis=1),
        repeated=cuts.repeated,
        left=cut[:0],
    )


def _clusters(lines: MetLines, cut: IntArray) -> list[IntArray]:
    """Return the faces to cut, those that lie on each other together."""
    place = np.searchsorted(cut, np.stack([lines.face, lines.other], axis=1)[lines.flat])
    _, label = groups(len(cut), place)
    order = np.argsort(label, kind="stable")
    return np.split(cut[order], np.flatnonzero(np.diff(label[order])) + 1)


def met_lines(points: FloatArray, faces: IntArray, slack: float) -> MetLines:
    """Return the lines on which faces meet others, to within `slack` (m), but for those along own edges."""
    corners = points[faces]
    first, second, whole = _close_pairs(points, faces, slack)
    found = [_no_lines()]
    for start in range(0, len(first), _PAIRS_AT_ONCE):
        f, g = first[start : start + _PAIRS_AT_ONCE], second[start : start + _PAIRS_AT_ONCE]
        f, g = _apart_or_folded(points, faces, f, g)
        f, g = _beyond_a_corner(points, faces, (f, g), slack)
        flat = _is_coplanar(corners[f], corners[g], slack)
        found.append(_lines_across(corners, f[~flat], g[~flat], slack))
        # Sheets that lie on each other mark each other's edges.
        found += [
            _lines_over(corners, f[flat], g[flat], slack),
            _lines_over(corners, g[flat], f[flat], slack),
        ]
    face, other, ends, is_flat, crossing = (np.concatenate(rows) for rows in zip(*found, strict=True))
    inner = ~_runs_along_edge(corners[face], ends, slack)
    return MetLines(
        face=face[inner],
        other=other[inner],
        ends=ends[inner],
        flat=is_flat[inner],
        crossing=crossing,
        whole=whole,
    )


_Lines = tuple[IntArray, IntArray, FloatArray, BoolArray, FloatArray]


def _no_lines() -> _Lines:
    none = np.zeros(0, dtype=np.int64)
    return none, none, np.zeros((0, 2, 3)), np.zeros(0, dtype=bool), np.zeros((0, 3))


def _lines_across(corners: FloatArray, f: IntArray, g: IntArray, slack: float) -> _Lines:
    """Return the lines that pairs of faces in different planes share, on both of each pair."""
    line, met, crossing = _common_lines(corners[f], corners[g], slack)
    owners, others = np.concatenate([f[met], g[met]]), np.concatenate([g[met], f[met]])
    ends = np.concatenate([line[met], line[met]])
    return owners, others, ends, np.zeros(len(owners), dtype=bool), line[crossing].mean(axis=1)


def _lines_over(corners: FloatArray, mine: IntArray, theirs: IntArray, slack: float) -> _Lines:
    """Return the lines that faces get from the edges of others that lie on them."""
    ends, row = _edges_over(corners[mine], corners[theirs], slack)
    return mine[row], theirs[row], ends, np.ones(len(row), dtype=bool), np.zeros((0, 3))


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


def _beyond_a_corner(
    points: FloatArray, faces: IntArray, pairs: tuple[IntArray, IntArray], slack: float
) -> tuple[IntArray, IntArray]:
    """Return the pairs without those that share one corner and can meet nowhere else: most of all neighbours.

    Such are faces with both other corners on one hand of the plane of their neighbour, and faces in one
    plane with the other wholly on the far hand of one of their edges at the corner.
    """
    f, g = pairs
    same = faces[f][:, :, None] == faces[g][:, None, :]
    rows = np.flatnonzero(same.sum(axis=(1, 2)) == 1)
    arms_f = _arms(points, faces[f[rows]], same[rows].any(axis=2))
    arms_g = _arms(points, faces[g[rows]], same[rows].any(axis=1))
    normals_f, normals_g = (unit_vectors(np.cross(arms[:, 0], arms[:, 1])) for arms in (arms_f, arms_g))
    over_g = np.einsum("ijk,ik->ij", arms_f, normals_g)
    over_f = np.einsum("ijk,ik->ij", arms_g, normals_f)
    apart = np.zeros(len(rows), dtype=bool)
    for heights in (over_g, over_f):
        apart |= (heights.min(axis=1) > slack) | (heights.max(axis=1) < -slack)
    flat = (np.abs(over_g) <= slack).all(axis=1) & (np.abs(over_f) <= slack).all(axis=1)
    for mine, theirs in ((arms_f, arms_g), (arms_g, arms_f)):
        for k in (0, 1):
            across = np.cross(normals_f, unit_vectors(mine[:, k]))
            own = np.einsum("ij,ij->i", across, mine[:, 1 - k])
            other = np.einsum("ijk,ik->ij", theirs, across) * np.sign(own)[:, None]
            apart |= flat & (other.max(axis=1) <= slack)
    kept = np.ones(len(f), dtype=bool)
    kept[rows[apart]] = False
    return f[kept], g[kept]


def _arms(points: FloatArray, faces: IntArray, shared: BoolArray) -> FloatArray:
    """Return the two other corners (k, 2, 3) of faces as seen from the shared one, in order round it."""
    first = shared.argmax(axis=1)
    turned = np.take_along_axis(faces, (first[:, None] + np.arange(3)) % 3, axis=1)
    return np.asarray(points[turned[:, 1:]] - points[turned[:, :1]])


def _close_pairs(points: FloatArray, faces: IntArray, slack: float) -> tuple[IntArray, IntArray, bool]:
    """Return pairs of faces with boxes that overlap, one on the plane of the other, and whether all."""
    nothing = np.zeros(0, dtype=np.int64)
    if not len(faces):
        return nothing, nothing, True
    whole = np.arange(len(faces))
    if len(faces) <= WHOLE_SEARCH:
        pairs = _pairs_of(points[faces], whole, slack, most=_PAIRS_A_FACE * len(faces))
        if pairs is not None:
            return *pairs, True
    pairs = _pairs_of(points[faces], _suspects(points, faces), slack)
    return *(pairs if pairs is not None else (nothing, nothing)), False


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
