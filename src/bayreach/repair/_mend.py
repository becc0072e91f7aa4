"""Merging, dropping and splitting until equal points are one point and every touching edge is shared."""

from dataclasses import dataclass, replace

import numpy as np

from bayreach.arrays import BoolArray, FloatArray, IntArray
from bayreach.measure import area_vectors, nearest_on_segments
from bayreach.mesh import Mesh
from bayreach.repair._findings import Finding, some_of
from bayreach.repair._imprint import CUT_AT_MOST, Imprint, MetLines, imprinted, met_lines
from bayreach.repair._split import split_at
from bayreach.topology import Edges, edges_of, free_edges, groups

WELD_SHARE = 1e-6
"""Weld tolerance as a share of the box's diagonal, where none is given."""

_MOST_ROUNDS = 40
_TIDY_ROUNDS = 6
_IDLE_ROUNDS = 2
_PIECES_AT_MOST = 4096
_IMPRINT_ATTEMPTS = 4

_TIGHTER = (1.0, 0.1, 0.01)
"""Shares of the weld tolerance at which the pieces of a cut are joined, the first that leaves no crack."""


def mend(mesh: Mesh, weld: float | None = None, *, imprint: bool = True) -> tuple[Mesh, tuple[Finding, ...]]:
    """Return a mended mesh and what was changed or stays odd.

    Points nearer than `weld` become one, faces without area and repeated faces are dropped, an edge with a
    point
    on it is split there together with its faces, and a face that another touches or crosses is cut along
    it. Nothing
    else moves.

    Parameters
    ----------
    mesh : Mesh
        As it came.
    weld : float, optional
        Tolerance in m; 1e-6 of the box's diagonal where None.
    imprint : bool
        False leaves faces that others touch or cross as they are.
    """
    weld = WELD_SHARE * mesh.diagonal if weld is None else weld
    findings: list[Finding] = []
    points, faces = _merged(mesh, weld, findings)
    state = _State(points=points, faces=faces, source=np.arange(mesh.n_faces), weld=weld)
    state = _tidied(state, findings)
    source = state.source
    if imprint and weld > 0:
        state = _with_imprints(replace(state, source=np.arange(len(state.faces))), findings)
        source = source[state.source]
    mended = Mesh(
        points=state.points,
        faces=state.faces,
        face_parts=mesh.face_parts[source],
        part_names=mesh.part_names,
    )
    return mended, (*findings, *_oddities(mended))


@dataclass(frozen=True, kw_only=True, eq=False)
class _State:
    """A mesh half mended: which face of the first mesh each came from goes along."""

    points: FloatArray
    faces: IntArray
    source: IntArray
    weld: float


def _tidied(state: _State, findings: list[Finding]) -> _State:
    """Drop flat faces, split edges at points on them, drop repeats."""
    points, weld = state.points, state.weld
    faces, source = state.faces, state.source
    # Dropping a flat face leaves its far corner on an edge, and splitting there may leave a flat piece.
    for _ in range(_TIDY_ROUNDS):
        faces, keep = _without_flat(points, faces, weld, findings)
        source = source[keep]
        faces, piece, n_split, where = _split_at_points(points, faces, weld)
        source = source[piece]
        if not n_split:
            break
        detail = f"{n_split} edges had a point on them (within {weld:.3g} m) and were split there."
        findings.append(Finding(kind="split edges", count=n_split, detail=detail, places=some_of(where)))
    faces, keep = _without_repeats(points, faces, findings)
    return replace(state, faces=faces, source=source[keep])


def _with_imprints(state: _State, findings: list[Finding]) -> _State:
    """Cut faces along others that touch or cross them, and tidy up after.

    Sheets that graze each other within a few tolerances can come out cracked: a cluster of cut faces that
    leaves a free edge where
    there was none stays uncut and is told.
    """
    lines = met_lines(state.points, state.faces, state.weld)
    n_crossing = len(lines.crossing)
    if n_crossing:
        detail = f"{n_crossing} pairs of faces pass through each other."
        places = some_of(lines.crossing)
        findings.append(
            Finding(kind="crossing faces", count=n_crossing, detail=detail, places=places, is_repair=False)
        )
    if not lines.whole:
        findings.append(_not_searched(state))
    before, left = state, np.zeros(len(state.faces), dtype=bool)
    for _ in range(_IMPRINT_ATTEMPTS):
        mark = imprinted(state.points, state.faces, lines.without(left), state.weld)
        if len(mark.left):
            findings.append(_left_uncut(state, mark.left))
        if not mark.n_cut:
            break
        tidy, unseen, cracks = _tightest(state, mark)
        if not len(cracks):
            detail = f"{mark.n_cut} faces were cut where another part touches or crosses them."
            findings.append(
                Finding(kind="cut faces", count=mark.n_cut, detail=detail, places=some_of(mark.places))
            )
            findings += _repeats(mark, unseen)
            state = tidy
            break
        left |= _clusters_with(lines, state.faces, np.unique(tidy.source[cracks]))
    if left.any():
        places = before.points[before.faces[left]].mean(axis=1)
        detail = f"{int(left.sum())} faces that graze others within a few tolerances were left uncut."
        findings.append(
            Finding(
                kind="grazing faces",
                count=int(left.sum()),
                detail=detail,
                places=some_of(places),
                is_repair=False,
            )
        )
    return state


def _not_searched(state: _State) -> Finding:
    detail = (
        f"{len(state.faces)} faces are too many, or too close together, to try each on each: those on free "
        "edges and on edges that pass through a face were tried; closed parts that only touch elsewhere were "
        "not looked for."
    )
    box = np.stack([state.points.min(axis=0), state.points.max(axis=0)])
    return Finding(kind="not searched", count=1, detail=detail, places=box, is_repair=False)


def _left_uncut(state: _State, faces: IntArray) -> Finding:
    places = state.points[state.faces[faces]].mean(axis=1)
    detail = f"{len(faces)} faces that others touch or cross stay whole: {CUT_AT_MOST} are cut at most."
    return Finding(
        kind="uncut faces", count=len(faces), detail=detail, places=some_of(places), is_repair=False
    )


def _repeats(mark: Imprint, unseen: list[Finding]) -> list[Finding]:
    """Return what is said of pieces of faces that lay on another's."""
    told = [finding for finding in unseen if finding.kind == "dropped repeated faces"]
    count = len(mark.repeated)
    if count:
        detail = f"{count} pieces of faces lie on another face and were dropped; one of each stays."
        places = some_of(mark.repeated)
        told.append(Finding(kind="dropped repeated faces", count=count, detail=detail, places=places))
    return told


def _tightest(state: _State, mark: Imprint) -> tuple[_State, list[Finding], IntArray]:
    """Return the state after a cut, what was seen, and the faces at cracks: at the first tolerance with none.

    Where lines cross at a small angle, pieces come out thinner than the tolerance; to drop those would leave
    a crack, so they are kept at a tighter one.
    """
    for share in _TIGHTER:
        tidy, unseen = _tidied_imprint(state, mark, share * state.weld)
        cracks = _new_free_edges(state, tidy)
        if not len(cracks):
            break
    return tidy, unseen, cracks


def _tidied_imprint(state: _State, mark: Imprint, weld: float) -> tuple[_State, list[Finding]]:
    """Return the state after a cut; sources are faces of the state before it."""
    soup = Mesh(
        points=mark.points,
        faces=mark.faces,
        face_parts=np.zeros(len(mark.faces), dtype=np.int64),
        part_names=("mesh",),
    )
    # The cuts' own corners repeat along shared edges; merging them is part of the cut and not told again.
    points, faces = _merged(soup, weld, [])
    unseen: list[Finding] = []
    return _tidied(_State(points=points, faces=faces, source=mark.source, weld=weld), unseen), unseen


def _new_free_edges(before: _State, after: _State) -> IntArray:
    """Return the faces after a cut with a free edge that lies on none from before."""
    ends, face = free_edges(after.faces)
    old, _ = free_edges(before.faces)
    if not len(ends):
        return np.zeros(0, dtype=np.int64)
    middles = after.points[ends].mean(axis=1)
    on_old = np.zeros(len(middles), dtype=bool)
    near_edge, near_middle = _points_near_edges(np.concatenate([before.points, middles]), old, before.weld)
    mine = near_middle >= len(before.points)
    edge, middle = near_edge[mine], near_middle[mine] - len(before.points)
    foot = nearest_on_segments(middles[middle], before.points[old[edge, 0]], before.points[old[edge, 1]])
    close = np.linalg.norm(foot - middles[middle], axis=1) <= 2 * before.weld
    on_old[middle[close]] = True
    # A crack beside an old free edge shows as more free length there than the edge has.
    length = np.linalg.norm(np.diff(after.points[ends], axis=1)[:, 0], axis=1)
    first = edge[close][np.unique(middle[close], return_index=True)[1]]
    found = np.bincount(first, weights=length[np.unique(middle[close])], minlength=len(old))
    had = np.linalg.norm(np.diff(before.points[old], axis=1)[:, 0], axis=1)
    doubled = np.isin(first, np.flatnonzero(found > had + 4 * before.weld))
    on_old[np.unique(middle[close])[doubled]] = False
    return np.asarray(face[~on_old])


def _clusters_with(lines: MetLines, faces: IntArray, wanted: IntArray) -> BoolArray:
    """Return a mask of the met faces that hang together, by corners or by meeting, with one of `wanted`."""
    met = np.unique(lines.face)
    n = len(faces)
    around = np.unique(np.concatenate([met, wanted]))
    corner_pairs = np.stack([np.repeat(around, 3), n + faces[around].ravel()], axis=1)
    pairs = np.concatenate([corner_pairs, np.stack([lines.face, lines.other], axis=1)])
    _, label = groups(n + int(faces.max()) + 1, pairs)
    out = np.zeros(n, dtype=bool)
    out[met[np.isin(label[met], label[wanted])]] = True
    return out


def _merged(mesh: Mesh, weld: float, findings: list[Finding]) -> tuple[FloatArray, IntArray]:
    """Drop points that no face uses and merge those within the tolerance."""
    used, faces = np.unique(mesh.faces, return_inverse=True)
    points, first, label = np.unique(mesh.points[used], axis=0, return_index=True, return_inverse=True)
    exact = len(used) - len(points)
    if exact:
        detail = f"{exact} points repeated another exactly and were merged."
        places = some_of(np.delete(mesh.points[used], first, axis=0))
        findings.append(Finding(kind="merged points", count=exact, detail=detail, places=places))
    # Points keep the file's order, so that a mesh that needs no mending comes back unchanged.
    order = np.argsort(first, kind="stable")
    back = np.argsort(order, kind="stable")
    return _welded(points[order], back[label.ravel()[faces.reshape(-1, 3)]], weld, findings)


def _welded(
    points: FloatArray, faces: IntArray, weld: float, findings: list[Finding]
) -> tuple[FloatArray, IntArray]:
    """Make one point of those within the tolerance: the first of them."""
    from scipy.spatial import cKDTree

    if not weld > 0 or not len(points):
        return points, faces
    near = cKDTree(points).query_pairs(weld, output_type="ndarray").astype(np.int64)
    if not len(near):
        return points, faces
    _, group = groups(len(points), near)
    _, leader, label = np.unique(group, return_index=True, return_inverse=True)
    by_place = np.argsort(leader, kind="stable")
    rank = np.argsort(by_place, kind="stable")
    welded = len(points) - len(leader)
    detail = f"{welded} points lay within {weld:.3g} m of another and were welded to it."
    findings.append(
        Finding(kind="welded points", count=welded, detail=detail, places=some_of(points[near[:, 0]]))
    )
    return points[leader[by_place]], rank[label][faces]


def _sizes_and_heights(corners: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the edge lengths (n, 3) of triangles and the height (n,) over the longest."""
    sizes = np.linalg.norm(corners - np.roll(corners, -1, axis=1), axis=2)
    longest = sizes.max(axis=1, initial=0.0)
    area = np.linalg.norm(area_vectors(corners), axis=1)
    return sizes, np.divide(2 * area, longest, out=np.zeros(len(corners)), where=longest > 0)


def _without_flat(
    points: FloatArray, faces: IntArray, weld: float, findings: list[Finding]
) -> tuple[IntArray, IntArray]:
    """Drop faces that repeat a corner or are thinner than the tolerance."""
    corners = points[faces]
    _, height = _sizes_and_heights(corners)
    flat = height <= weld
    if flat.any():
        count = int(flat.sum())
        detail = f"{count} faces have no area (a height of at most {weld:.3g} m) and were dropped."
        findings.append(
            Finding(kind="dropped flat faces", count=count, detail=detail, places=some_of(corners[flat, 0]))
        )
    return faces[~flat], np.flatnonzero(~flat)


def _without_repeats(
    points: FloatArray, faces: IntArray, findings: list[Finding]
) -> tuple[IntArray, IntArray]:
    """Keep the first of faces with the same three points."""
    _, first = np.unique(np.sort(faces, axis=1), axis=0, return_index=True)
    first.sort()
    repeats = len(faces) - len(first)
    if repeats:
        gone = np.setdiff1d(np.arange(len(faces)), first)
        findings.append(
            Finding(
                kind="dropped repeated faces",
                count=repeats,
                detail=f"{repeats} faces have the same three corners as another and were dropped.",
                places=some_of(points[faces[gone]].mean(axis=1)),
            )
        )
    return faces[first], first


def _split_at_points(
    points: FloatArray, faces: IntArray, weld: float
) -> tuple[IntArray, IntArray, int, FloatArray]:
    """Split edges at points lying on them, until none is left."""
    source = np.arange(len(faces))
    total, places, least, idle = 0, [], len(faces) * 3 + 1, 0
    for _ in range(_MOST_ROUNDS):
        edges = edges_of(faces)
        points_on = _points_on_edges(points, edges.ends, weld)
        hit = points_on >= 0
        # Slivers bent by about the tolerance can be split in turn without end: no progress, no more rounds.
        idle = 0 if int(hit.sum()) < least else idle + 1
        least = min(least, int(hit.sum()))
        if not least or idle > _IDLE_ROUNDS:
            break
        total += int(hit.sum())
        places.append(points[points_on[hit]])
        faces, piece = split_at(faces, edges, points_on)
        # A face thinner than the tolerance has its own corner on its edge; the split of its neighbours
        # closes the gap that it leaves.
        sound = _sizes_and_heights(points[faces])[1] > weld
        faces, source = faces[sound], source[piece[sound]]
    return faces, source, total, np.concatenate(places) if places else np.zeros((0, 3))


def _points_on_edges(points: FloatArray, ends: IntArray, weld: float) -> IntArray:
    """Return, for each edge, the point nearest to its middle that lies on it within `weld`, or -1."""
    found = np.full(len(ends), -1, dtype=np.int64)
    edge, point = _points_near_edges(points, ends, weld)
    if not len(edge):
        return found
    start, end = points[ends[edge, 0]], points[ends[edge, 1]]
    along = end - start
    length = np.linalg.norm(along, axis=1)
    share = np.einsum("ij,ij->i", points[point] - start, along) / length**2
    away = np.linalg.norm(points[point] - start - share[:, None] * along, axis=1)
    on = (away <= weld) & (share > 0) & (share < 1)
    on &= (point != ends[edge, 0]) & (point != ends[edge, 1])
    edge, point, off_middle = edge[on], point[on], np.abs(share[on] - 0.5)
    order = np.lexsort((point, off_middle, edge))
    first = order[np.unique(edge[order], return_index=True)[1]]
    found[edge[first]] = point[first]
    return found


def _points_near_edges(points: FloatArray, ends: IntArray, weld: float) -> tuple[IntArray, IntArray]:
    """Return pairs of edge and point that may touch: points in balls strung along each edge."""
    from scipy.spatial import cKDTree

    length = np.linalg.norm(points[ends[:, 1]] - points[ends[:, 0]], axis=1)
    long_enough = np.flatnonzero(length > 2 * weld)
    if not len(long_enough):
        return np.zeros(0, int), np.zeros(0, int)
    piece = 2.0 * float(np.median(length[long_enough]))
    n_balls = np.clip(np.ceil(length / piece), 1, _PIECES_AT_MOST).astype(np.int64)
    octave = np.floor(np.log2(length / n_balls / piece + 1e-300)).astype(np.int64)
    tree = cKDTree(points)
    edges, hits = [], []
    for level in np.unique(octave[long_enough]):
        rows = long_enough[octave[long_enough] == level]
        of_ball = np.repeat(rows, n_balls[rows])
        place = np.arange(len(of_ball)) - np.repeat(np.cumsum(n_balls[rows]) - n_balls[rows], n_balls[rows])
        share = (place + 0.5) / n_balls[of_ball]
        middles = points[ends[of_ball, 0]] * (1 - share)[:, None] + points[ends[of_ball, 1]] * share[:, None]
        radius = 0.5 * float((length[of_ball] / n_balls[of_ball]).max()) + weld
        near = cKDTree(middles).sparse_distance_matrix(tree, radius, output_type="ndarray")
        edge, point = of_ball[near["i"]], near["j"].astype(np.int64)
        other = (point != ends[edge, 0]) & (point != ends[edge, 1])
        edges.append(edge[other])
        hits.append(point[other])
    return np.concatenate(edges), np.concatenate(hits)


def _oddities(mesh: Mesh) -> list[Finding]:
    """Report what stays: free edges and edges with more than two faces."""
    edges = edges_of(mesh.faces)
    out = []
    for kind, which, detail in (
        (
            "free edges",
            edges.free,
            "edges have a single face: rims of openings, or free edges of stringers and flanges.",
        ),
        ("crowded edges", edges.crowded, "edges have more than two faces, as where a rib meets a skin."),
    ):
        count = int(which.sum())
        if count:
            places = some_of(mesh.points[edges.ends[which]].mean(axis=1))
            out.append(
                Finding(kind=kind, count=count, detail=f"{count} {detail}", places=places, is_repair=False)
            )
    against = _turned_against(mesh.faces, edges)
    if len(against):
        detail = (
            f"{len(against)} edges join faces turned opposite ways; bays come from the shape and do not mind."
        )
        places = some_of(mesh.points[edges.ends[against]].mean(axis=1))
        out.append(
            Finding(kind="turned faces", count=len(against), detail=detail, places=places, is_repair=False)
        )
    return out


def _turned_against(faces: IntArray, edges: Edges) -> IntArray:
    """Return the edges of two faces that both run along them the same way."""
    forward = (faces < np.roll(faces, -1, axis=1)).ravel()
    runs = np.bincount(edges.of_faces.ravel(), weights=forward, minlength=len(edges.ends))
    return np.flatnonzero((edges.counts == 2) & (runs != 1))
