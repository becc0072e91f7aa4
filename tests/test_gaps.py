"""Gaps that a grid alone shows: patches of free links, the widest rod through them, and exact rims beside."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import shapely
from specimens import X, Y, Z, polygon_area, rectangle, ring, sheet
from test_bay_parts import cap_of, strip
from thick import mesh_from

from bayreach.arrays import OUTSIDE
from bayreach.bays._gaps import Rims, _Gap, gap_openings, rim_openings
from bayreach.mesh import Mesh
from bayreach.rays import Scene

STEP = 0.004


def plate_with_cone(wide: float, narrow: float, thickness: float = 0.01, n: int = 64) -> Mesh:
    """Return a plate with its top at z = 0 and a hole about (0.1, 0.1), from `wide` to `narrow`."""
    import manifold3d

    low, over, r, top = -thickness, 0.01, wide / 2, narrow / 2
    profile = [(0, low - over), (r, low - over), (r, low), (top, 0), (top, over), (0, over)]
    hole = manifold3d.CrossSection([profile]).revolve(n).translate([0.1, 0.1, 0])
    return mesh_from(manifold3d.Manifold.cube([0.2, 0.2, thickness]).translate([0, 0, low]) - hole)


def gap_of(mesh: Mesh, radius: float, height: float, aside: tuple[float, float] = (0.0, 0.0)) -> _Gap:
    """Return the patch of the links at a height in a disc `aside` of (0.1, 0.1), which all lead up."""
    cells = np.stack(np.meshgrid(np.arange(50), np.arange(50), indexing="ij"), axis=2).reshape(-1, 2)
    spots = np.column_stack([cells, np.full(len(cells), 0.5)]).astype(float)
    grid = SimpleNamespace(origin=np.array([0.002, 0.002, height - STEP / 2]), step=STEP)
    at = grid.origin + spots * STEP
    mine = np.linalg.norm(at[:, :2] - 0.1 - np.array(aside), axis=1) < radius
    return _Gap(grid, Scene(mesh), spots[mine], np.tile(Z, (int(mine.sum()), 1)))


def test_a_patch_of_links_knows_its_plane_area_and_spread() -> None:
    """48 mm across in cells of 4 mm: its area within a cell's width of the rim, twice its half within two."""
    gap = gap_of(plate_with_cone(0.05, 0.05), 0.024, -0.005)
    assert gap.plane.axes[2] == pytest.approx(Z)
    assert gap.plane.origin == pytest.approx([0.1, 0.1, -0.005], abs=1e-9)
    assert gap.area == pytest.approx(np.pi * 0.024**2, rel=0.05)
    assert gap.width == pytest.approx(2 * np.sqrt(gap.area / np.pi))
    assert 0.024 <= gap.half <= 0.024 + STEP


def test_the_widest_place_in_a_plane_is_found_aside_of_the_patch_s_middle_too() -> None:
    """A hole of 50 mm, patches 5 mm off all round: the circle within its 24-gon to a twentieth of a step."""
    mesh = plate_with_cone(0.05, 0.05, n=24)
    within = 0.025 * np.cos(np.pi / 24)
    for turn in np.random.default_rng(0).uniform(0, 2 * np.pi, 12):
        gap = gap_of(mesh, 0.016, -0.005, aside=(0.005 * np.cos(turn), 0.005 * np.sin(turn)))
        radius, place = gap._widest(mesh.corners, 0.0)
        assert within - 0.05 * STEP <= radius <= within + 1e-6
        found = gap.plane.origin + place @ gap.plane.axes[:2]
        assert np.linalg.norm(found[:2] - 0.1) <= 0.05 * STEP + within - radius + 1e-4
        assert found[2] == pytest.approx(-0.005)


def test_a_rod_has_no_more_room_than_the_narrowest_plane_leaves_it() -> None:
    """60 mm below, 40 mm at the top: from below, 20 mm of radius at the top to a tenth of a step."""
    gap = gap_of(plate_with_cone(0.06, 0.04, n=24), 0.026, -0.009)
    opening = gap.opening(np.array([0, 1]), 0.05, 0.039)
    assert opening.center[2] == pytest.approx(0.0, abs=STEP / 8)
    assert opening.diameter == pytest.approx(0.04 * np.cos(np.pi / 24), abs=0.2 * STEP)
    assert opening.diameter_error == pytest.approx(0.2 * STEP)
    assert opening.large


def test_the_wall_of_a_thick_sheet_gives_the_outline_and_a_thin_one_leaves_the_grid_s() -> None:
    """A hole of 50 mm: 64 rays meet its wall; in a thin sheet they meet nothing, so links count."""
    gap = gap_of(plate_with_cone(0.05, 0.05, n=32), 0.0245, -0.005)
    thick = gap.opening(np.array([2, 5]), 0.06, 0.25)
    assert thick.area == pytest.approx(polygon_area(0.05, 32), rel=5e-3)
    assert thick.center[:2] == pytest.approx([0.1, 0.1], abs=1e-4)
    assert np.linalg.norm(thick.rim[:, :2] - 0.1, axis=1) == pytest.approx(np.full(64, 0.025), rel=6e-3)
    assert thick.equivalent_diameter == pytest.approx(2 * np.sqrt(thick.area / np.pi))
    assert (thick.links, thick.large, thick.kind, thick.name) == ((2, 5), False, "found", "")
    assert thick.normal == pytest.approx(Z)
    # Half a step all round what was counted.
    assert thick.area_error == pytest.approx(0.5 * STEP * np.pi * gap.width)
    plate = sheet(rectangle(0.2, 0.2), [ring((0.1, 0.1), 0.05, 32)], (np.zeros(3), X, Y))
    thin = gap_of(plate, 0.0245, 0.0)
    counted = thin.opening(np.array([0, 1]), 0.06, 0.25)
    assert counted.area == thin.area
    assert counted.center == pytest.approx([0.1, 0.1, 0.0], abs=1e-9)
    assert np.linalg.norm(counted.rim - counted.center, axis=1) == pytest.approx(np.full(64, thin.width / 2))
    assert counted.diameter == pytest.approx(0.05 * np.cos(np.pi / 32), abs=0.2 * STEP)


@pytest.mark.parametrize("axis", range(3))
@pytest.mark.parametrize("turned", [False, True])
def test_each_patch_of_links_between_two_airs_is_an_opening_and_one_of_three_links_is_none(
    axis: int, turned: bool
) -> None:
    """Oblong holes of 5 x 4 and 3 x 5 cells in a sheet: centre, area, width and the way from air to air."""
    region = np.zeros((6, 20, 12), dtype=np.int64)
    region[3:] = 1
    free = np.zeros_like(region, dtype=bool)
    holes = [(3, 8, 3, 7), (12, 15, 4, 9), (17, 18, 9, 12)]
    for a, b, c, d in holes:
        free[2, a:b, c:d] = True
    free[4, :, :] = True  # within one air
    origin = np.array([1.0, -2.0, 0.5])
    step = 0.01
    rings = [
        (origin[1:] + step * (np.array([[a, c], [b, c], [b, d], [a, d]]) - 0.5)).tolist()
        for a, b, c, d in holes
    ]
    low, high = origin[1:] - step, origin[1:] + step * np.array([20, 12])
    outline = [(low[0], low[1]), (high[0], low[1]), (high[0], high[1]), (low[0], high[1])]
    plate = sheet(outline, rings, ((origin[0] + 2.5 * step) * X, Y, Z))
    order = np.roll(np.arange(3), axis)  # the sheet's axis goes to `axis`
    links = [np.zeros_like(free)] * 3
    links[axis] = free.transpose(order) if axis else free
    place = np.argsort(order)
    grid = SimpleNamespace(
        origin=origin[order],
        step=step,
        region=(1 - region if turned else region).transpose(order),
        links=[link if link.shape == links[axis].shape else np.zeros_like(links[axis]) for link in links],
    )
    scene = Scene(replace(plate, points=plate.points[:, order]))
    found = gap_openings(grid, scene, 0.08, 0.25)
    assert [one.links for one in found] == [(0, 1)] * 2
    for one, (a, b, c, d) in zip(sorted(found, key=lambda one: -one.area), holes[:2], strict=True):
        assert one.area == pytest.approx((b - a) * (d - c) * step**2)
        centre = origin + step * np.array([2.5, (a + b - 1) / 2, (c + d - 1) / 2])
        assert one.center[place] == pytest.approx(centre, abs=1.2 * step)
        assert one.center[axis] == pytest.approx(origin[0] + 2.5 * step, abs=1e-9)
        assert one.normal[place] == pytest.approx(-X if turned else X)
        assert one.diameter == pytest.approx(min(b - a, d - c) * step, abs=0.2 * step)


def test_exact_rims_are_openings_where_the_airs_differ_whatever_caps_come_before() -> None:
    """A wall, a cap within one air and an opening of 1 m², in either order: the opening alone."""
    faces = [[0, 1, 2], [2, 1, 3]]
    flat = np.array([[0.0, 0], [0, 1], [1, 0], [1, 1]])
    given = {"shape": shapely.box(0, 0, 1, 1), "flat": flat}
    caps = [cap_of(faces, is_wall=True, **given), cap_of(faces, **given), cap_of(faces, **given)]
    looks = [[[OUTSIDE, 0]] * 2, [[0, 0]] * 2, [[1, OUTSIDE]] * 2]
    for order in ([0, 1, 2], [2, 1, 0], [1, 2, 0]):
        rims = Rims(points=strip(1), caps=tuple(caps[k] for k in order))
        look = np.array([looks[k] for k in order]).ravel()
        (only,) = rim_openings(rims, look, 0.9)
        assert (only.links, only.area, only.large) == ((OUTSIDE, 1), pytest.approx(1.0), True)
        # The faces turn to −z; their fronts look on air 1 already.
        assert only.normal == pytest.approx(-Z)
    assert rim_openings(Rims(), np.zeros(0, dtype=np.int64), 0.9) == []
