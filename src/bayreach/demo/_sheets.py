"""Sheets of triangles for the demo: grids, filled outlines, round holes; points shared where parts meet."""

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import FloatArray, IntArray
from bayreach.errors import MeshError
from bayreach.mesh import Mesh

if TYPE_CHECKING:
    from shapely import Polygon

Sheet = tuple[str, FloatArray, IntArray]
"""Part name, points (p, 3) in mm, faces (n, 3)."""

_WELD_MM = 1e-6


def spaced(values: ArrayLike, step: float) -> FloatArray:
    """Return the rising `values` with equal steps no longer than `step` put in between.

    >>> spaced([0, 1, 4], 2).tolist()
    [0.0, 1.0, 2.5, 4.0]
    """
    fixed = np.asarray(values, dtype=np.float64)
    counts = np.maximum(1, np.ceil(np.diff(fixed) / step - 1e-9).astype(int))
    pieces = [
        start + (end - start) * np.arange(count) / count
        for start, end, count in zip(fixed[:-1], fixed[1:], counts, strict=True)
    ]
    return np.concatenate([*pieces, fixed[-1:]])


def grid_sheet(
    name: str, points: FloatArray, keep: ArrayLike | None = None, *, turned: bool = False
) -> Sheet:
    """Return a sheet of a grid of points (a, b, 3); `keep` (a-1, b-1) says which cells are there.

    Diagonals alternate, so that no direction is favoured; `turned` swaps front and back.
    """
    rows, columns = points.shape[:2]
    index = np.arange(rows * columns).reshape(rows, columns)
    corners = np.stack([index[:-1, :-1], index[1:, :-1], index[1:, 1:], index[:-1, 1:]], axis=-1)
    even = (np.add.outer(np.arange(rows - 1), np.arange(columns - 1)) % 2 == 0)[..., None]
    first = np.where(even, corners[..., [0, 1, 2]], corners[..., [0, 1, 3]])
    second = np.where(even, corners[..., [0, 2, 3]], corners[..., [1, 2, 3]])
    there = np.ones((rows - 1, columns - 1), dtype=bool) if keep is None else np.asarray(keep, dtype=bool)
    faces = np.concatenate([first[there], second[there]])
    return name, points.reshape(-1, 3), faces[:, ::-1] if turned else faces


def circle(center: ArrayLike, radius: float, segments: int) -> FloatArray:
    """Return (segments, 2) points of a regular polygon inscribed in a circle, anticlockwise."""
    angles = 2.0 * np.pi * (np.arange(segments) + 0.5) / segments
    return np.asarray(center) + radius * np.stack([np.cos(angles), np.sin(angles)], axis=1)


def segments_round(radius: float, step: float) -> int:
    """Return how many chords a circle gets: no chord longer than `step`, 12 or more, a multiple of 4."""
    return 4 * max(3, int(np.ceil(2.0 * np.pi * radius / step / 4.0)))


def rings_round(center: ArrayLike, radius: float, step: float) -> FloatArray:
    """Return (m, 2) points on rings round a small hole, ever wider, until chords reach `step`."""
    segments = segments_round(radius, step)
    rings = [np.zeros((0, 2))]
    wide = radius * (1.0 + 2.0 * np.pi / segments)
    while 2.0 * np.pi * wide / segments < 0.6 * step:
        ring = circle((0.0, 0.0), wide, segments)
        half = np.pi / segments * (len(rings) % 2)
        turn = np.array([[np.cos(half), np.sin(half)], [-np.sin(half), np.cos(half)]])
        rings.append(np.asarray(center) + ring @ turn)
        wide *= 1.0 + 2.0 * np.pi / segments
    return np.concatenate(rings)


def filled(
    outline: FloatArray, holes: Sequence[FloatArray], step: float, seeds: FloatArray | None = None
) -> tuple[FloatArray, IntArray]:
    """Triangulate a flat outline (k, 2) with holes; no point is added on any rim, so that neighbours conform.

    Points inside are the `seeds` (m, 2) given and a triangular lattice of pitch `step`, kept out of the
    circle over
    each rim chord, so that every chord is an edge of the Delaunay triangulation.

    Returns
    -------
    points : (p, 2) float
        The outline's points first, then each hole's, then those inside.
    faces : (n, 3) int
        Anticlockwise.

    Raises
    ------
    MeshError
        When a rim chord is missing from the triangulation: its points are too far apart for so narrow a
        place.
    """
    import shapely
    from scipy.spatial import Delaunay

    rims = [np.asarray(rim, dtype=np.float64) for rim in (outline, *holes)]
    area = shapely.Polygon(rims[0], rims[1:])
    starts = np.concatenate(rims)
    ends = np.concatenate([np.roll(rim, -1, axis=0) for rim in rims])
    inner = _lattice(area, starts, ends, step, np.zeros((0, 2)) if seeds is None else seeds)
    points = np.concatenate([starts, inner])
    faces = Delaunay(points).simplices.astype(np.int64)
    corners = points[faces]
    middle = corners.mean(axis=1)
    arm, other = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    twice = arm[:, 0] * other[:, 1] - arm[:, 1] * other[:, 0]
    inside = shapely.contains_xy(area, middle[:, 0], middle[:, 1]) & (np.abs(twice) > 1e-7 * step**2)
    faces, twice = faces[inside], twice[inside]
    faces[twice < 0] = faces[twice < 0][:, ::-1]
    if abs(np.abs(twice).sum() / 2.0 - area.area) > 1e-9 * area.area:
        message = (
            f"outline of {len(starts)} points: its rims are too coarse to fill without new points on them; "
            "use a smaller edge length."
        )
        raise MeshError(message)
    return points, faces


def _lattice(
    area: "Polygon", starts: FloatArray, ends: FloatArray, step: float, seeds: FloatArray
) -> FloatArray:
    import shapely

    low, high = starts.min(axis=0), starts.max(axis=0)
    rows = np.arange(low[1] + step / 3.0, high[1], step * np.sqrt(0.75))
    columns = np.arange(low[0] + step / 3.0, high[0], step)
    x = columns[None, :] + 0.5 * step * (np.arange(len(rows)) % 2)[:, None]
    points = np.stack([x, np.broadcast_to(rows[:, None], x.shape)], axis=-1).reshape(-1, 2)
    rim = shapely.distance(shapely.points(points), area.boundary)
    crowded = (np.linalg.norm(points[:, None] - seeds[None], axis=2) < 0.6 * step).any(axis=1)
    points = np.concatenate([points[(rim > 0.45 * step) & ~crowded], seeds])
    points = points[shapely.contains_xy(area, points[:, 0], points[:, 1])]
    middles, radii = (starts + ends) / 2.0, np.linalg.norm(ends - starts, axis=1) / 2.0
    distance = np.linalg.norm(points[:, None] - middles[None], axis=2)
    clear: FloatArray = points[(distance > 1.05 * radii).all(axis=1)]
    return clear


def rim_of_cells(rows: tuple[int, int], columns: tuple[int, int]) -> IntArray:
    """Return (k, 2) grid indices of the nodes round a block of cells, anticlockwise in (row, column)."""
    (r0, r1), (c0, c1) = rows, columns
    return np.array(
        [(r, c0) for r in range(r0, r1)]
        + [(r1, c) for c in range(c0, c1)]
        + [(r, c1) for r in range(r1, r0, -1)]
        + [(r0, c) for c in range(c1, c0, -1)],
        dtype=np.int64,
    )


def holed_grid(
    name: str,
    points: FloatArray,
    *,
    plan: FloatArray,
    rings: Sequence[tuple[ArrayLike, float]],
    lift: Callable[[FloatArray], FloatArray],
    step: float,
    lines: Sequence[int] = (),
) -> list[Sheet]:
    """Return the sheets of a grid with round holes.

    Parameters
    ----------
    name : str
        Part name.
    points : (a, b, 3) float
        Grid points in mm.
    plan : (a, b, 2) float
        The same points in the flat plan in which the holes are round.
    rings : sequence of ((2,) float, float)
        Centre in the plan and radius, in mm.
    lift : callable
        Takes plan points (m, 2) to (m, 3) on the sheet.
    step : float
        Edge length in mm.
    lines : sequence of int
        Columns of the grid that another sheet stands on: none of their points is moved.
    """
    keep = np.ones((points.shape[0] - 1, points.shape[1] - 1), dtype=bool)
    sheets: list[Sheet] = []
    middles = (plan[:-1, :-1] + plan[1:, 1:] + plan[1:, :-1] + plan[:-1, 1:]) / 4.0
    for center, radius in rings:
        distance = np.linalg.norm(middles - np.asarray(center), axis=2)
        low, high = _free_columns(int(np.unravel_index(distance.argmin(), distance.shape)[1]), lines)
        near = distance < radius + 1.1 * step
        near[:, :low] = near[:, high:] = False
        row_hits, column_hits = np.nonzero(near.any(axis=1))[0], np.nonzero(near.any(axis=0))[0]
        rows = (int(row_hits[0]), int(row_hits[-1]) + 1)
        columns = (int(column_hits[0]), int(column_hits[-1]) + 1)
        rim = rim_of_cells(rows, columns)
        outline = plan[rim[:, 0], rim[:, 1]]
        hole = circle(center, radius, segments_round(radius, step))
        flat, faces = filled(outline, [hole], step, rings_round(center, radius, step))
        lifted = lift(flat)
        lifted[: len(rim)] = points[rim[:, 0], rim[:, 1]]
        sheets.append((name, lifted, faces))
        keep[rows[0] : rows[1], columns[0] : columns[1]] = False
    return [grid_sheet(name, points, keep), *sheets]


def _free_columns(column: int, lines: Sequence[int]) -> tuple[int, int]:
    """Return the first cell column of the strip between lines round `column`, and that after its last."""
    low = max((line for line in lines if line <= column), default=0)
    high = min((line for line in lines if line > column), default=10**9)
    return low, high


def welded(sheets: Sequence[Sheet]) -> Mesh:
    """Return one mesh in metres of sheets in mm; points that coincide become one, parts keep their names."""
    names = tuple(dict.fromkeys(name for name, _, _ in sheets))
    starts = np.cumsum([0, *(len(points) for _, points, _ in sheets)])
    points = np.concatenate([points for _, points, _ in sheets])
    faces = np.concatenate([faces + start for (_, _, faces), start in zip(sheets, starts, strict=False)])
    _, first, place = np.unique(
        np.round(points / _WELD_MM).astype(np.int64), axis=0, return_index=True, return_inverse=True
    )
    used, faces = np.unique(place.reshape(-1)[faces], return_inverse=True)
    return Mesh(
        points=points[first][used] * 1e-3,
        faces=faces.reshape(-1, 3),
        face_parts=np.concatenate([np.full(len(f), names.index(name)) for name, _, f in sheets]),
        part_names=names,
    )
