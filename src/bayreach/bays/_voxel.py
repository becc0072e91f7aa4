"""Bays from a grid, where sheets do not meet: an answer with an uncertainty, and a check of the exact one."""

from dataclasses import dataclass, replace

import numpy as np

from bayreach.arrays import OUTSIDE, FloatArray, IntArray, unit_vectors
from bayreach.bays._grid import Grid, Links, air_grid, volumes_to_walls
from bayreach.bays._openings import named_by_place, ordered_by_place
from bayreach.bays._records import Bay, Bays, Opening
from bayreach.measure import area_vectors, centroids, side_areas, side_normals
from bayreach.mesh import Mesh, mesh_of
from bayreach.rays import Scene
from bayreach.repair import Finding
from bayreach.topology import groups
from bayreach.units import significant

CENTRES = 300_000
"""Centres of the finer grid; the coarser one has an eighth of them."""

_LEAST_CENTRES = 50
"""A region of fewer centres is not told from rounding."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Material:
    """What of a closed mesh is material: the sides (k,) that look into it, and its volume in m³."""

    sides: IntArray
    volume: float


def voxel_bays(
    mesh: Mesh,
    *,
    closed_up_to: float,
    large: float,
    material: Material | None = None,
    why: str = "Sheets do not meet, so the air",
    centres: int = CENTRES,
) -> Bays:
    """Return bays from a grid, with openings up to `closed_up_to` (m) closed.

    Volumes are those of the finer of two grids of steps h and 2h; their difference is the uncertainty that
    the findings tell. Areas are those of the faces themselves, each side given to the region that it looks
    on; sides that look into `material` belong to none. `why` begins the finding that tells the method.
    """
    fine = air_grid(mesh, centres=centres, closed_up_to=closed_up_to)
    coarse = air_grid(mesh, centres=centres // 8, closed_up_to=closed_up_to)
    scene = Scene(mesh)
    sides = np.zeros(0, dtype=np.int64) if material is None else material.sides
    side = _side_regions(mesh, fine)
    kept = _air_regions(mesh, fine, side, sides)
    side[sides] = OUTSIDE
    number = np.full(int(fine.region.max()) + 2, OUTSIDE, dtype=np.int64)
    middles = np.array([fine.centers(np.argwhere(fine.region == k)).mean(axis=0) for k in kept])
    number[kept[ordered_by_place(middles.reshape(-1, 3), mesh.box)]] = np.arange(len(kept))
    side_bay = number[side]
    grid = replace(fine, region=number[fine.region])
    volumes = volumes_to_walls(grid, scene)[: len(kept)] if len(kept) else np.zeros(0)
    openings = _openings(grid, mesh, large)
    bays = _records(mesh, side_bay, volumes, grid, openings)
    return Bays(
        mesh=mesh,
        source_faces=np.arange(mesh.n_faces),
        side_bay=side_bay,
        bays=bays,
        openings=openings,
        method="voxel",
        findings=_voxel_findings(
            grid, bays, _doubts(grid, (coarse, scene), bays, openings), closed_up_to, why
        ),
        outside_volume=-float(volumes.sum()) - (0.0 if material is None else material.volume),
        material_sides=sides,
        material_volume=0.0 if material is None else material.volume,
        grid=grid,
    )


def _air_regions(mesh: Mesh, grid: Grid, side: IntArray, material: IntArray) -> IntArray:
    """Return the regions of more than a few centres that more wall bounds from the air than from inside."""
    n = max(0, int(grid.region.max()) + 1)
    sizes = np.bincount(grid.region[grid.region >= 0], minlength=n)
    areas = side_areas(mesh)
    seen = np.flatnonzero(side >= 0)
    looks = np.bincount(side[seen], weights=areas[seen], minlength=n)
    solid = material[side[material] >= 0]
    inside = np.bincount(side[solid], weights=areas[solid], minlength=n)
    return np.flatnonzero((sizes >= _LEAST_CENTRES) & (looks > 2 * inside) & (looks > 0))


_LADDER = (0.6, 0.45, 0.33, 0.24, 0.17, 0.12)
"""Shares of the shortest side of the box up to which openings are closed in turn. Our choice, no source."""

_LADDER_CENTRES = 60_000

_LEAST_SHARE = 0.01
"""Air of less than this share of the box is no bay that a closing was needed for."""


def closed_bays_on_grid(mesh: Mesh, *, material: Material, closed_up_to: float, large: float) -> Bays | None:
    """Return the bays of thick sheets whose holes no rim shows, None where no closing finds any.

    Openings are closed up to `closed_up_to` (m), or where that is 0 up to the diameter that keeps most air.
    """
    sizes = (closed_up_to,) if closed_up_to > 0 else _closings(mesh)
    best, most = 0.0, _LEAST_SHARE * float(np.prod(mesh.box[1] - mesh.box[0]))
    links = Links(mesh, centres=_LADDER_CENTRES, closed_up_to=max(sizes, default=0.0))
    for size in sizes:
        grid = links.grid(size)
        kept = _air_regions(mesh, grid, _side_regions(mesh, grid), material.sides)
        held = float(grid.volumes[kept].sum()) if len(kept) else 0.0
        # A larger closing comes first: a smaller one must hold more air to be taken.
        if held > (1.02 * most if best else most):
            best, most = size, held
    if not best:
        return None
    why = "The sheets are thick and a hole through them shows no ring of wall, so the air"
    return voxel_bays(mesh, closed_up_to=best, large=large, material=material, why=why, centres=CENTRES // 2)


def _closings(mesh: Mesh) -> list[float]:
    size = mesh.box[1] - mesh.box[0]
    step = float((np.prod(np.maximum(size, 0.02 * mesh.diagonal)) / _LADDER_CENTRES) ** (1 / 3))
    return [share * float(size.min()) for share in _LADDER if share * size.min() > 2 * step]


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


def _doubts(
    fine: Grid, coarser: tuple[Grid, Scene], bays: tuple[Bay, ...], openings: tuple[Opening, ...]
) -> FloatArray:
    """Return how far each bay's volume may be off, in m³: what two grids differ by, or what one may hide."""
    coarse, scene = coarser
    places = np.argwhere(coarse.region > OUTSIDE)
    mine = fine.region_at(coarse.centers(places))
    theirs = coarse.region[tuple(places.T)]
    sizes = volumes_to_walls(coarse, scene)
    out = np.zeros(len(bays))
    for bay in bays:
        own = np.bincount(theirs[mine == bay.index]) if (mine == bay.index).any() else np.zeros(1)
        other = float(sizes[own.argmax()]) if own.any() else 0.0
        gaps = sum(opening.area for opening in openings if bay.index in opening.links)
        out[bay.index] = max(abs(other - bay.volume), grid_error(fine.step, bay, gaps))
    return out


_WALL_SHARE = 0.05
"""Share of a step by which a wall's place may be off on average once the way to it is measured."""

_OPENING_SHARE = 0.5
"""The same where a bay ends at an opening, which lies anywhere between two centres."""


def grid_error(step: float, bay: Bay, openings: float = 0.0) -> float:
    """Return by how much a grid of `step` (m) may miss the volume of a bay with open area (m²), in m³."""
    return step * (_WALL_SHARE * bay.area + _OPENING_SHARE * openings)


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


def _voxel_findings(
    grid: Grid, bays: tuple[Bay, ...], doubt: FloatArray, closed: float, why: str
) -> tuple[Finding, ...]:
    step = f"{significant(grid.step * 1e3)} mm"
    what = f", openings closed up to {significant(closed * 1e3)} mm" if closed else ""
    detail = f"{why} was counted on a grid of {step}{what}."
    middles = np.array([bay.box.mean(axis=0) for bay in bays]).reshape(-1, 3)
    out = [Finding(kind="voxel method", count=len(bays), detail=detail, places=middles, is_repair=False)]
    for bay, off, middle in zip(bays, doubt.tolist(), middles, strict=True):
        detail = f"{bay.name}: volume {bay.volume * 1e3:.4g} L, uncertain by {off * 1e3:.2g} L (two grids)."
        out.append(
            Finding(
                kind="voxel uncertainty",
                count=1,
                detail=detail[0].upper() + detail[1:],
                places=middle[None],
                is_repair=False,
            )
        )
    return tuple(out)


def check_by_voxels(bays: Bays, *, centres: int = CENTRES) -> tuple[Finding, ...]:
    """Return a finding for every bay whose exact volume a grid does not confirm to within its own error.

    Two grids of steps h and 2h count the air between walls and caps. The error is what they differ by, or
    what a grid of that step may miss if that is more; a leak or a wrong region shows as much more. Empty
    for bays that came from a grid.
    """
    if bays.method != "cells" or not bays.bays:
        return ()
    caps = np.asarray(bays.cap_faces)
    closed = mesh_of(
        np.concatenate([bays.mesh.points, bays.cap_points]) if len(caps) else bays.mesh.points,
        np.concatenate([bays.mesh.faces, caps + len(bays.mesh.points)]),
    )
    fine, step = _counted_volumes(bays, closed, centres)
    coarse, _ = _counted_volumes(bays, closed, centres // 8)
    caps_of = _cap_areas(bays)
    out = []
    for bay, volume, other in zip(bays.bays, fine.tolist(), coarse.tolist(), strict=True):
        error = max(abs(volume - other), step * _WALL_SHARE * (bay.area + caps_of[bay.index]))
        if abs(volume - bay.volume) > error:
            detail = (
                f"{bay.name}: the exact volume {bay.volume * 1e3:.4g} L and a grid's {volume * 1e3:.4g} L "
                f"differ by more than the grid's error, {error * 1e3:.2g} L; look for a gap or a double wall."
            )
            places = bay.box.mean(axis=0)[None]
            out.append(Finding(kind="voxel check", count=1, detail=detail, places=places, is_repair=False))
    return tuple(out)


def _cap_areas(bays: Bays) -> FloatArray:
    """Return the area of the caps of each bay, (b,) in m²."""
    areas = np.linalg.norm(area_vectors(bays.cap_points[bays.cap_faces]), axis=1)
    links, n = bays.cap_links, len(bays.bays)
    return np.asarray(sum(np.bincount(links[:, k] + 1, areas, n + 1)[1:] for k in (0, 1)))


def _counted_volumes(bays: Bays, closed: Mesh, centres: int) -> tuple[FloatArray, float]:
    """Return the volume (b,) in m³ that a grid counts for each bay of a capped mesh, and its step in m."""
    links = Links(closed, centres=centres)
    grid = links.grid()
    volumes = volumes_to_walls(grid, links.scene)
    look = _side_regions(closed, grid)[: bays.mesh.n_sides]
    areas = side_areas(bays.mesh)
    out = np.zeros(len(bays.bays))
    for bay in range(len(bays.bays)):
        sides = bays.sides_of(bay)
        seen = look[sides]
        weight = np.bincount(seen[seen >= 0], weights=areas[sides][seen >= 0])
        out[bay] = float(volumes[int(weight.argmax())]) if len(weight) else 0.0
    return out, grid.step
