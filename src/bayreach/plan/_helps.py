"""What would help sides left short: another way in, a change of wand that was tried, a place refused."""

import numpy as np

from bayreach import cover, reach
from bayreach.arrays import NO_FACE, OUTSIDE, FloatArray, IntArray, unit_vectors
from bayreach.measure import side_normals
from bayreach.plan._board import Board
from bayreach.plan._records import CANNOT_HOLD, NO_WAND, SEALED

LOOKED_AT = 60
"""Sides of a group that are looked at from the tip poses nearest to them."""
POSES = 24
"""Poses nearest to a side that it is looked at from."""
MOST_TRIED = 3
"""Wands and openings for which the smallest change is looked for."""
CARE = reach.Care(aims=48, samples=60, tips=10)


def help_for(board: Board, problem: cover.Problem, found: cover.Cover, rows: IntArray, reason: int) -> str:
    """Return what would cover most of the `rows` of one bay: each of it worked out, not guessed."""
    if reason == CANNOT_HOLD:
        return "a thicker liquid, or less film asked"
    more = _more_passes(board, problem, found, rows)
    if more:
        return more
    bay = int(board.ground.bays.side_bay[board.sides[rows[0]]])
    said = _changes(board, bay) if reason in (SEALED, NO_WAND) else _nearest_sight(board, rows)
    return "; ".join(part for part in (said, _refused_place(board, rows)) if part)


def _more_passes(board: Board, problem: cover.Problem, found: cover.Cover, rows: IntArray) -> str:
    reached = problem.strengths[rows]
    gains = np.zeros(problem.n_entries)
    for entry in range(problem.n_entries):  # tens of ways in
        own = problem.enters(np.arange(problem.n_entries) == entry)
        gains[entry] = problem.areas[rows][np.asarray(reached @ (problem.most * own)) >= 1.0].sum()
    best = int(np.argmax(gains)) if len(gains) else -1
    if best < 0 or gains[best] <= 0.0:
        return ""
    way = "more passes through" if found.opened[best] else "passes through"
    return f"{way} {board.entries.names[best]} would cover {gains[best]:.3f} m² of it"


def _changes(board: Board, bay: int) -> str:
    """Return the smallest change of a wand or of an opening that was tried and gets a tip into the bay."""
    ground = board.ground
    name = ground.bays.bays[bay].name
    if ground.bays.bays[bay].sealed:
        return "no opening leads into it: only a hole does"
    openings = {one.name: one for one in ground.bays.openings if OUTSIDE in one.links}
    wands = {wand.name: wand for wand in board.wands}
    tried = sorted(
        (one for one in board.entries.refusals if one.bay == name and one.opening in openings),
        key=lambda one: one.short_by,
    )
    pairs = list(dict.fromkeys((one.wand, one.opening) for one in tried))[:MOST_TRIED]
    if not pairs:
        return ""
    site = reach.ground_of(ground.space, ground.scene, care=CARE, down=ground.down)
    changes = [
        (change.relative, f"{wand} through {opening} gets in with {change.sentence()}")
        for wand, opening in pairs
        for change in reach.smallest_changes(site, wands[wand], openings[opening], name)[:1]
    ]
    if changes:
        return min(changes)[1]
    return f"no single change of a wand or opening that was tried gets a tip in; {tried[0].reason}"


def _nearest_sight(board: Board, rows: IntArray) -> str:
    """Return how near the tip comes to the sides and what it sees of them, or what is in the way."""
    from scipy.spatial import cKDTree

    candidates = board.entries.candidates
    if not candidates:
        return ""
    mesh, scene = board.ground.bays.mesh, board.ground.scene
    sides = board.sides[rows[np.linspace(0, len(rows) - 1, min(LOOKED_AT, len(rows))).astype(np.int64)]]
    centers, normals = mesh.corners[sides // 2].mean(axis=1), side_normals(mesh)[sides]
    points = np.concatenate([one.tip_path.points for one in candidates])
    throws = np.concatenate([np.full(len(one.tip_path.points), one.wand.tip.throw) for one in candidates])
    far_and_which = cKDTree(points).query(centers, k=np.arange(1, min(POSES, len(points)) + 1))
    distance, near = np.asarray(far_and_which[0]), np.asarray(far_and_which[1])
    ways = centers[:, None] - points[near]
    slope = -np.einsum("skx,sx->sk", unit_vectors(ways.reshape(-1, 3)).reshape(ways.shape), normals)
    blocked = scene.is_blocked(
        points[near].reshape(-1, 3), np.repeat(centers + 1e-4 * normals, near.shape[1], axis=0)
    ).reshape(near.shape)
    seen = ~blocked & (slope > 0)
    if not seen.any():
        return _in_the_way(board, points[near[:, 0]], centers, float(np.median(distance[:, 0])))
    far = np.where(seen, distance, np.inf).min(axis=1)
    best = int(np.argmin(np.where(seen, distance, np.inf).ravel()))
    row, column = np.unravel_index(best, seen.shape)
    angle = float(np.degrees(np.arcsin(np.clip(slope[row, column], 0.0, 1.0))))
    share = float(np.isfinite(far).mean())
    throw = float(throws[near[row, column]])
    reach_words = "" if not np.isfinite(throw) else f", its throw is {1e3 * throw:.0f} mm"
    return (
        f"a tip sees {100 * share:.0f} % of it, at best from {1e3 * float(far.min()):.0f} mm at {angle:.0f} "
        f"degrees to the surface{reach_words}"
    )


def _in_the_way(board: Board, points: FloatArray, centers: FloatArray, distance: float) -> str:
    mesh = board.ground.bays.mesh
    faces, _ = board.ground.scene.first_hit(points, unit_vectors(centers - points))
    faces = faces[faces != NO_FACE]
    behind = ""
    if len(faces):
        behind = f", behind {mesh.part_names[int(np.bincount(mesh.face_parts[faces]).argmax())]}"
    return f"no pose of a tip looked from sees it: the nearest stands {1e3 * distance:.0f} mm away{behind}"


def _refused_place(board: Board, rows: IntArray) -> str:
    """Return the nearest place where a hole was refused, and why."""
    refused = board.entries.refused_sites
    if board.drilling is None:
        return "no hole may be drilled by this job"
    if not len(refused.points):
        return ""
    corners = board.ground.bays.mesh.corners[board.sides[rows] // 2]
    middle = np.average(corners.mean(axis=1), axis=0, weights=board.weight[rows])
    gaps = np.linalg.norm(refused.points - middle, axis=1)
    nearest = int(gaps.argmin())
    return (
        f"the nearest place refused for a hole lies {1e3 * gaps[nearest]:.0f} mm off: "
        f"{refused.reasons[nearest]}"
    )
