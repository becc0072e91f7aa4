"""Bays from a grid, where sheets do not meet: an answer with an uncertainty, and a check of the exact one."""

from dataclasses import dataclass, replace

import numpy as np

from bayreach.arrays import OUTSIDE, FloatArray, IntArray
from bayreach.bays._gaps import Rims, gap_openings, rim_openings
from bayreach.bays._grid import Grid, Links, volumes_to_walls
from bayreach.bays._openings import named_by_place, ordered_by_place
from bayreach.bays._records import Bay, Bays, Opening
from bayreach.bays._useful import cap_arrays
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
    rims: Rims,
    material: Material | None = None,
    why: str = "Sheets do not meet, so the air",
    centres: int = CENTRES,
) -> Bays:
    """Return bays from a grid, with the caps of `rims` and openings up to `closed_up_to` (m) closed.

    Volumes are those of the finer of two grids of steps h and 2h; their difference is the uncertainty that
    the findings tell. Areas are those of the faces themselves, each side given to the region that it looks
    on; sides that look into `material` belong to none. `why` begins the finding that tells the method.
    """
    solid = material or Material(sides=np.zeros(0, dtype=np.int64), volume=0.0)
    rims, fine, grid, look = _with_useful_rims(mesh, rims, closed_up_to, centres)
    coarse = Links(fine.scene.mesh, centres=centres // 8, closed_up_to=closed_up_to)
    kept = _air_regions(mesh, grid, look[: mesh.n_sides], solid.sides)
    number = np.full(int(grid.region.max()) + 2, OUTSIDE, dtype=np.int64)
    middles = np.array([grid.centers(np.argwhere(grid.region == k)).mean(axis=0) for k in kept])
    number[kept[ordered_by_place(middles.reshape(-1, 3), mesh.box)]] = np.arange(len(kept))
    look = number[look]
    side_bay = look[: mesh.n_sides].copy()
    side_bay[solid.sides] = OUTSIDE
    grid = replace(grid, region=number[grid.region])
    volumes = volumes_to_walls(grid, fine.scene)[: len(kept)] if len(kept) else np.zeros(0)
    openings = _named(
        mesh,
        [
            *rim_openings(rims, look[mesh.n_sides :], large),
            *gap_openings(grid, Scene(replace(rims, caps=()).shut(mesh)), closed_up_to, large),
        ],
    )
    bays = _records(mesh, side_bay, volumes, grid, openings)
    doubts = _doubts(grid, (coarse.grid(closed_up_to), coarse.scene), bays, openings)
    return Bays(
        mesh=mesh,
        source_faces=np.arange(mesh.n_faces),
        side_bay=side_bay,
        bays=bays,
        openings=openings,
        method="voxel",
        findings=(
            *_voxel_findings(grid, bays, doubts, closed_up_to, why),
            *_gap_findings(openings),
            *rims.findings,
        ),
        outside_volume=-float(volumes.sum()) - solid.volume,
        material_sides=solid.sides,
        material_volume=solid.volume,
        grid=grid,
    )


_MOST_ROUNDS = 4
"""How often the grid is filled anew without the caps that closed a panel."""


def _with_useful_rims(
    mesh: Mesh, rims: Rims, closed_up_to: float, centres: int
) -> tuple[Rims, Links, Grid, IntArray]:
    """Return the rims, the grid's links and regions with them shut, and the region of each side and cap side.

    Caps on spaces that are more open than closed are left out: panels and trays are no bays.
    """
    n_caps = 2 * len(cap_arrays(rims.caps)[0])
    for last in (*[False] * _MOST_ROUNDS, True):
        links = Links(rims.shut(mesh), centres=centres, closed_up_to=closed_up_to)
        grid = links.grid(closed_up_to)
        look = _side_regions(links.scene, grid)[: mesh.n_sides + n_caps]
        side = look[: mesh.n_sides]
        areas, n = side_areas(mesh)[side >= 0], int(grid.region.max()) + 2
        wall = np.bincount(side[side >= 0], areas, n).astype(np.float64)
        panels = rims.on_panels(rims.airs(look[mesh.n_sides :]), wall)
        if last or not panels.any():
            break
        rims = rims.without(panels)
        n_caps = 2 * len(cap_arrays(rims.caps)[0])
    return rims, links, grid, look


def _named(mesh: Mesh, openings: list[Opening]) -> tuple[Opening, ...]:
    ranks = ordered_by_place(np.array([opening.center for opening in openings]).reshape(-1, 3), mesh.box)
    return named_by_place([openings[rank] for rank in ranks.tolist()], mesh.diagonal)


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


def closed_bays_on_grid(
    mesh: Mesh, *, material: Material, closed_up_to: float, large: float, rims: Rims
) -> Bays | None:
    """Return the bays of thick sheets whose holes no rim shows, None where no closing finds any.

    Openings without a rim are closed up to `closed_up_to` (m), or where that is 0 up to the diameter that
    keeps most air.
    """
    sizes = [closed_up_to] if closed_up_to > 0 else [*([0.0] if rims.caps else []), *_closings(mesh)]
    best, most = None, _LEAST_SHARE * float(np.prod(mesh.box[1] - mesh.box[0]))
    links = Links(rims.shut(mesh), centres=_LADDER_CENTRES, closed_up_to=max(sizes, default=0.0))
    for size in sizes:
        grid = links.grid(size)
        look = _side_regions(links.scene, grid)[: mesh.n_sides]
        kept = _air_regions(mesh, grid, look, material.sides)
        held = float(grid.volumes[kept].sum()) if len(kept) else 0.0
        # None, then a larger closing comes first: a smaller one must hold more air to be taken.
        if held > (most if best is None else 1.02 * most):
            best, most = size, held
    if best is None:
        return None
    why = "The sheets are thick and the rings of wall in them close off no air, so the air"
    return voxel_bays(
        mesh,
        closed_up_to=best,
        large=large,
        rims=rims,
        material=material,
        why=why,
        centres=CENTRES // 2,
    )


def _closings(mesh: Mesh) -> list[float]:
    size = mesh.box[1] - mesh.box[0]
    step = float((np.prod(np.maximum(size, 0.02 * mesh.diagonal)) / _LADDER_CENTRES) ** (1 / 3))
    return [share * float(size.min()) for share in _LADDER if share * size.min() > 2 * step]


def _side_regions(scene: Scene, grid: Grid) -> IntArray:
    """Return the region that each side looks on: of the nearest centre in sight of a point just off it."""
    mesh = scene.mesh
    normals = side_normals(mesh)
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
        gaps = sum(one.area for one in openings if bay.index in one.links and one.area_error > 0)
        out[bay.index] = max(abs(other - bay.volume), grid_error(fine.step, bay, gaps))
    return out


_WALL_SHARE = 0.05
"""Share of a step by which a wall's place may be off on average once the way to it is measured."""

_OPENING_SHARE = 0.5
"""The same where a bay ends at an opening, which lies anywhere between two centres."""


def grid_error(step: float, bay: Bay, openings: float = 0.0) -> float:
    """Return by how much a grid of `step` (m) may miss the volume of a bay with open area (m²), in m³."""
    return step * (_WALL_SHARE * bay.area + _OPENING_SHARE * openings)


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


def _gap_findings(openings: tuple[Opening, ...]) -> tuple[Finding, ...]:
    """Return how sure the sizes of openings are that no rim of the mesh gives."""
    return tuple(
        Finding(kind="voxel opening", count=1, detail=_sized(one), places=one.center[None], is_repair=False)
        for one in openings
        if one.area_error > 0
    )


def _sized(opening: Opening) -> str:
    rod, rod_off = significant(opening.diameter * 1e3), significant(opening.diameter_error * 1e3, 2)
    area, area_off = significant(opening.area * 1e4), significant(opening.area_error * 1e4, 2)
    return (
        f"{opening.name[0].upper()}{opening.name[1:]} has no rim in the mesh: by the grid a rod of {rod} mm "
        f"passes, +- {rod_off} mm, and its area is {area} cm2, +- {area_off} cm2."
    )


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
    look = _side_regions(links.scene, grid)[: bays.mesh.n_sides]
    areas = side_areas(bays.mesh)
    out = np.zeros(len(bays.bays))
    for bay in range(len(bays.bays)):
        sides = bays.sides_of(bay)
        seen = look[sides]
        weight = np.bincount(seen[seen >= 0], weights=areas[sides][seen >= 0])
        out[bay] = float(volumes[int(weight.argmax())]) if len(weight) else 0.0
    return out, grid.step
