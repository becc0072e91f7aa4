"""Bays from a grid, where sheets do not meet: an answer with an uncertainty, and a check of the exact one."""

from dataclasses import replace

import numpy as np

from bayreach.arrays import OUTSIDE, FloatArray, IntArray, unit_vectors
from bayreach.bays._grid import Grid, air_grid
from bayreach.bays._openings import named_by_place, ordered_by_place
from bayreach.bays._records import Bay, Bays, Opening
from bayreach.measure import centroids, side_areas, side_normals
from bayreach.mesh import Mesh, mesh_of
from bayreach.rays import Scene
from bayreach.repair import Finding
from bayreach.topology import groups

CENTRES = 300_000
"""Centres of the finer grid; the coarser one has an eighth of them."""

_LEAST_CENTRES = 50
"""A region of fewer centres is not told from rounding."""


def voxel_bays(mesh: Mesh, *, closed_up_to: float, large: float, centres: int = CENTRES) -> Bays:
    """Return bays from a grid, with openings up to `closed_up_to` (m) closed.

    Volumes are extrapolated from two grids of steps h and 2h; their difference is the uncertainty that the
    findings tell. Areas
    are those of the faces themselves, each side given to the region that it looks on.
    """
    fine = air_grid(mesh, centres=centres, closed_up_to=closed_up_to)
    coarse = air_grid(mesh, centres=centres // 8, closed_up_to=closed_up_to)
    kept = np.flatnonzero(np.bincount(fine.region[fine.region >= 0], minlength=0) >= _LEAST_CENTRES)
    side = _side_regions(mesh, fine)
    kept = kept[np.isin(kept, side)]
    number = np.full(int(fine.region.max()) + 2, OUTSIDE, dtype=np.int64)
    middles = np.array([fine.centers(np.argwhere(fine.region == k)).mean(axis=0) for k in kept]).reshape(
        -1, 3
    )
    order = ordered_by_place(middles, mesh.box)
    number[kept[order]] = np.arange(len(kept))
    side_bay = number[side]
    grid = replace(fine, region=number[fine.region])
    volumes = grid.volumes[: len(kept)] if len(kept) else np.zeros(0)
    doubt = _differences(grid, coarse, volumes)
    openings = _openings(grid, mesh, large)
    return Bays(
        mesh=mesh,
        source_faces=np.arange(mesh.n_faces),
        side_bay=side_bay,
        bays=_records(mesh, side_bay, volumes, grid, openings),
        openings=openings,
        method="voxel",
        findings=_voxel_findings(grid, volumes, doubt, closed_up_to),
        outside_volume=-float(volumes.sum()),
        grid=grid,
    )


def _side_regions(mesh: Mesh, grid: Grid) -> IntArray:
    """Return the region that each side looks on: of the nearest centre in sight of a point just off it."""
    normals = side_normals(mesh)
    scene = Scene(mesh)
    from_ = np.repeat(centroids(mesh), 2, axis=0) + 4 * scene.stop * normals
    ahead = from_ + 0.6 * grid.step * normals
    first = np.floor((ahead - grid.origin) / grid.step).astype(np.int64)
    found = np.full(len(from_), OUTSIDE, dtype=np.int64)
    best = np.full(len(from_), np.inf)
    shape = np.array(grid.region.shape)
    for corner in np.ndindex(2, 2, 2):
        place = np.clip(first + np.array(corner), 0, shape - 1)
        centre = grid.centers(place)
        away = np.linalg.norm(centre - from_, axis=1)
        better = away < best
        better[better] = ~scene.is_blocked(from_[better], centre[better])
        best[better] = away[better]
        found[better] = grid.region[tuple(place[better].T)]
    return found


def _differences(fine: Grid, coarse: Grid, volumes: FloatArray) -> FloatArray:
    """Return, for each bay, how far the coarser grid's volume of it is off, in m³."""
    places = np.argwhere(coarse.region > OUTSIDE)
    mine = fine.region_at(coarse.centers(places))
    seen = np.bincount(mine[mine >= 0], minlength=len(volumes))[: len(volumes)] * coarse.step**3
    theirs = coarse.region[tuple(places.T)]
    sizes = np.bincount(theirs) * coarse.step**3 if len(theirs) else np.zeros(1)
    out = np.zeros(len(volumes))
    for bay in range(len(volumes)):
        own = np.bincount(theirs[mine == bay]) if (mine == bay).any() else np.zeros(1)
        out[bay] = abs((sizes[own.argmax()] if own.any() else seen[bay]) - volumes[bay])
    return out


def _openings(grid: Grid, mesh: Mesh, large: float) -> tuple[Opening, ...]:
    """Return where free links join two regions, each connected patch of them an opening."""
    places, ways, pairs = [], [], []
    for axis, free in enumerate(grid.links):
        here = np.moveaxis(grid.region, axis, 0)
        meets = np.moveaxis(free, axis, 0)[:-1] & (here[:-1] != here[1:])
        where = np.argwhere(meets)
        both = np.stack([here[:-1][meets], here[1:][meets]], axis=1)
        spots = where[:, [0, 1, 2]].astype(np.float64)
        spots[:, 0] += 0.5
        order = np.argsort([axis, *(k for k in range(3) if k != axis)])
        places.append(spots[:, order])
        way = np.zeros((len(where), 3))
        way[:, axis] = np.where(both[:, 0] < both[:, 1], 1.0, -1.0)
        ways.append(way)
        pairs.append(np.sort(both, axis=1))
    place, way, pair = np.concatenate(places), np.concatenate(ways), np.concatenate(pairs)
    raw = [
        _opening(grid, place[rows], way[rows], pair[rows[0]], large)
        for rows in _patches(place, pair)
        if len(rows) > 3
    ]
    ranks = ordered_by_place(np.array([opening.center for opening in raw]).reshape(-1, 3), mesh.box)
    return named_by_place([raw[rank] for rank in ranks.tolist()], mesh.diagonal)


def _patches(place: FloatArray, pair: IntArray) -> list[IntArray]:
    from scipy.spatial import cKDTree

    if not len(place):
        return []
    near = cKDTree(place).query_pairs(1.5, output_type="ndarray")
    near = near[(pair[near[:, 0]] == pair[near[:, 1]]).all(axis=1)]
    _, label = groups(len(place), near.astype(np.int64))
    order = np.argsort(label, kind="stable")
    return np.split(order, np.flatnonzero(np.diff(label[order])) + 1)


def _opening(grid: Grid, place: FloatArray, way: FloatArray, pair: IntArray, large: float) -> Opening:
    vector = way.sum(axis=0) * grid.step**2
    area = float(np.linalg.norm(vector))
    width = float(2 * np.sqrt(area / np.pi))
    centre = grid.origin + place.mean(axis=0) * grid.step
    normal = unit_vectors(vector) if area > 0 else np.array([0.0, 0.0, 1.0])
    across = np.linalg.svd(normal[None])[2][1:]
    angle = 2 * np.pi * np.arange(32) / 32
    rim = centre + 0.5 * width * (np.cos(angle)[:, None] * across[0] + np.sin(angle)[:, None] * across[1])
    # One step less all round: what a grid cannot tell from the rim is not promised to a rod.
    return Opening(
        name="",
        kind="found",
        center=centre,
        normal=normal,
        diameter=max(0.0, width - grid.step),
        equivalent_diameter=width,
        area=area,
        rim=rim,
        links=(int(pair[0]), int(pair[1])),
        large=width >= large,
    )


def _records(
    mesh: Mesh, side_bay: IntArray, volumes: FloatArray, grid: Grid, openings: tuple[Opening, ...]
) -> tuple[Bay, ...]:
    n = len(volumes)
    inside = side_bay >= 0
    areas = np.bincount(side_bay[inside], weights=side_areas(mesh)[inside], minlength=n)
    pairs = np.array([opening.links for opening in openings], dtype=np.int64).reshape(-1, 2) + 1
    _, joined = groups(n + 1, pairs)
    bays = []
    for bay in range(n):
        mine = [opening for opening in openings if bay in opening.links]
        centres = grid.centers(np.argwhere(grid.region == bay))
        bays.append(
            Bay(
                name=f"bay {bay + 1}",
                index=bay,
                area=float(areas[bay]),
                volume=float(volumes[bay]),
                box=np.stack([centres.min(axis=0) - grid.step / 2, centres.max(axis=0) + grid.step / 2]),
                openings=tuple(opening.name for opening in mine),
                sealed=bool(joined[bay + 1] != joined[0]),
                neighbours=tuple(sorted({link for opening in mine for link in opening.links if link != bay})),
            )
        )
    return tuple(bays)


def _voxel_findings(grid: Grid, volumes: FloatArray, doubt: FloatArray, closed: float) -> tuple[Finding, ...]:
    step = f"{grid.step * 1e3:.3g} mm"
    what = f", openings closed up to {closed * 1e3:.3g} mm" if closed else ""
    out = [
        Finding(
            kind="voxel method",
            count=len(volumes),
            detail=f"Sheets do not meet, so the air was counted on a grid of {step}{what}.",
            is_repair=False,
        )
    ]
    for bay, (volume, off) in enumerate(zip(volumes.tolist(), doubt.tolist(), strict=True)):
        detail = f"bay {bay + 1}: volume {volume * 1e3:.4g} L, uncertain by {off * 1e3:.2g} L (two grids)."
        out.append(Finding(kind="voxel uncertainty", count=1, detail=detail.capitalize(), is_repair=False))
    return tuple(out)


def check_by_voxels(bays: Bays, *, centres: int = CENTRES) -> tuple[Finding, ...]:
    """Return a finding for every bay whose exact volume a grid does not confirm to within its own error.

    The grid's error is taken as a quarter of a step over the bay's whole wall: faces lie anywhere between
    centres, which leaves far
    less than that; a leak or a wrong region shows as much more. Empty for bays that came from a grid.
    """
    if bays.method != "cells" or not bays.bays:
        return ()
    mesh = bays.mesh
    caps = np.asarray(bays.cap_faces)
    shift = len(mesh.points)
    closed = mesh_of(
        np.concatenate([mesh.points, bays.cap_points]) if len(caps) else mesh.points,
        np.concatenate([mesh.faces, caps + shift]),
    )
    grid = air_grid(closed, centres=centres)
    look = _side_regions(closed, grid)[: mesh.n_sides]
    areas = side_areas(mesh)
    out = []
    for bay in bays.bays:
        sides = bays.sides_of(bay.index)
        seen = look[sides]
        weight = np.bincount(seen[seen >= 0], weights=areas[sides][seen >= 0])
        volume = float(grid.volumes[int(weight.argmax())]) if len(weight) else 0.0
        error = 0.25 * grid.step * (bay.area + 2 * bay.volume ** (2 / 3))
        if abs(volume - bay.volume) > error:
            detail = (
                f"{bay.name}: the exact volume {bay.volume * 1e3:.4g} L and a grid's {volume * 1e3:.4g} L "
                f"differ by more than the grid's error, {error * 1e3:.2g} L; look for a gap or a double wall."
            )
            out.append(
                Finding(
                    kind="voxel check",
                    count=1,
                    detail=detail,
                    places=bay.box.mean(axis=0)[None],
                    is_repair=False,
                )
            )
    return tuple(out)
