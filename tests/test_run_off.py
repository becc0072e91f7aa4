"""Run-off: what clings, where the surplus goes, and that not a drop is lost on the way."""

import numpy as np
import pytest

from bayreach.deposit.run_off import (
    Outlets,
    added_masses,
    moment_about_axis,
    outlets,
    retained_film,
    slopes_of,
)
from bayreach.liquids import Liquid
from bayreach.mesh import Mesh, mesh_of

OIL = Liquid(density=870.0, viscosity=0.05, surface_tension=0.03, volume_solids=0.5, contact_angle=0.35)
DOWN = np.array([0.0, 0.0, -1.0])
NONE = Outlets(rims=(), centers=np.zeros((0, 3)), normals=np.zeros((0, 3)), links=np.zeros((0, 2), np.int64))


def sheet(
    corner: tuple[float, ...], u: tuple[float, ...], v: tuple[float, ...], nu: int, nv: int
) -> np.ndarray:
    """Return the triangles (k, 3, 3) of a rectangle cut into nu x nv squares of two triangles."""
    grid = np.array(
        [
            [np.add(corner, np.multiply(u, i / nu) + np.multiply(v, j / nv)) for j in range(nv + 1)]
            for i in range(nu + 1)
        ]
    )
    quads = [
        (grid[i, j], grid[i + 1, j], grid[i + 1, j + 1], grid[i, j + 1]) for i in range(nu) for j in range(nv)
    ]
    return np.array([t for a, b, c, d in quads for t in ((a, b, c), (a, c, d))])


def welded(*sheets: np.ndarray) -> Mesh:
    """Return one mesh of triangles whose equal corners are one point."""
    corners = np.concatenate(sheets)
    points, place = np.unique(np.round(corners.reshape(-1, 3), 9), axis=0, return_inverse=True)
    return mesh_of(points, place.reshape(-1, 3))


def box(nx: int = 8, ny: int = 4, nz: int = 6, size: tuple[float, ...] = (0.4, 0.2, 0.3)) -> list[np.ndarray]:
    """Return the six walls of a box from the origin, fronts facing in; floor first, ceiling second."""
    x, y, z = size
    ex, ey, ez = (x, 0, 0), (0, y, 0), (0, 0, z)
    return [
        sheet((0, 0, 0), ex, ey, nx, ny),
        sheet((0, 0, z), ey, ex, ny, nx),
        sheet((0, 0, 0), ey, ez, ny, nz),
        sheet((x, 0, 0), ez, ey, nz, ny),
        sheet((0, 0, 0), ez, ex, nz, nx),
        sheet((0, y, 0), ex, ez, nx, nz),
    ]


def inside(mesh: Mesh) -> np.ndarray:
    """Return bays for a mesh whose fronts face bay 0 and whose backs face outside."""
    return np.tile([0, -1], mesh.n_faces)


def drained(
    mesh: Mesh,
    film_um: float,
    *,
    time: float = 600.0,
    outs: Outlets = NONE,
    down: np.ndarray = DOWN,
    bays: np.ndarray | None = None,
    blocked: np.ndarray | None = None,
):
    slopes = slopes_of(mesh, inside(mesh) if bays is None else bays, down)
    film = np.where(slopes.side_bay >= 0, film_um * 1e-6, 0.0)
    kept = slopes.retained(film, OIL, time)
    surplus = (film - kept) * slopes.areas
    pools = slopes.pooled(surplus, outs, blocked)
    assert pools.volumes.sum() + pools.out == pytest.approx(surplus.sum(), rel=1e-9)
    return slopes, kept, pools


def test_an_upright_wall_keeps_two_thirds_of_the_film_at_its_foot() -> None:
    # Mean of sqrt(z) is 2/3 sqrt(L): published 54.12 um at 0.3 m after 600 s, mean 36.0815 um; the start
    # film is thicker, so nothing caps it. 60 rows of squares leave 0.1 % of the square root's steep start.
    mesh = welded(*box(2, 2, 60))
    slopes, kept, _ = drained(mesh, 500.0)
    wall = (slopes.side_bay == 0) & (slopes.slope > 0.99)
    assert np.average(kept[wall], weights=slopes.areas[wall]) == pytest.approx(36.08150e-6, rel=2e-3)
    assert slopes.fetch[wall].max() == pytest.approx(0.3, rel=1e-12)


@pytest.mark.parametrize("rows", [8, 32])
def test_the_retained_mean_converges_with_the_mesh(rows: int) -> None:
    error = {}
    for n in (rows, 2 * rows):
        slopes, kept, _ = drained(welded(*box(2, 2, n)), 500.0)
        wall = (slopes.side_bay == 0) & (slopes.slope > 0.99)
        error[n] = abs(np.average(kept[wall], weights=slopes.areas[wall]) - 36.08150e-6)
    # The square root starts upright, which costs half an order: h^1.5, a factor of 2.83.
    assert error[2 * rows] < error[rows] / 2.4


@pytest.mark.parametrize("film_um", [5.0, 15.0, 30.0, 60.0])
def test_the_film_needed_is_the_least_of_which_what_is_asked_stays(film_um: float) -> None:
    # On walls, a floor and slopes: what is needed leaves what is asked, a thousandth less leaves less, and
    # where nothing is enough even a metre of film leaves less than is asked.
    mesh = welded(*box())
    slopes = slopes_of(mesh, inside(mesh), np.array([0.1, 0.2, -1.0]))
    film = np.full(mesh.n_sides, film_um * 1e-6)
    needed = slopes.needed(film, np.arange(mesh.n_sides), OIL, 600.0)
    held = np.isfinite(needed) & (slopes.side_bay >= 0)
    kept = slopes.retained(np.where(held, needed, 0.0), OIL, 600.0)
    assert kept[held] == pytest.approx(film[held], rel=1e-9)
    less = slopes.retained(np.where(held, 0.999 * needed, 0.0), OIL, 600.0)
    assert (less[held] < film[held]).all()
    never = ~held & (slopes.side_bay >= 0)
    assert (slopes.retained(np.ones(mesh.n_sides), OIL, 600.0)[never] < film[never]).all()
    # The upper rows of a wall, sqrt(mu z / (rho g t)) = 22 um at z = 0.05 m, do not hold 30 um.
    assert never.any() == (film_um >= 30.0)
    assert held.any()


def test_a_thin_film_does_not_drain() -> None:
    slopes, kept, pools = drained(welded(*box()), 1.0, time=60.0)
    wall = (slopes.side_bay == 0) & (slopes.slope > 0.99) & (slopes.fetch.min(axis=1) > 0)
    assert kept[wall] == pytest.approx(1e-6, rel=1e-12)
    # Only the top row of triangles, where the fetch is nothing, loses some: 1e-8 of 5.2e-7 m³.
    assert pools.volumes.sum() < 0.03 * 0.52e-6


def test_a_level_floor_is_one_pool_of_all_that_ran_off() -> None:
    slopes, kept, pools = drained(welded(*box()), 200.0)
    lost = ((200e-6 - kept) * slopes.areas)[slopes.side_bay == 0].sum()
    assert len(pools.volumes) == 1
    assert pools.volumes[0] == pytest.approx(lost, rel=1e-12)
    # It stands on 0.4 x 0.2 m of floor.
    assert pools.depths[0] == pytest.approx(lost / 0.08, rel=1e-9)


def test_a_tilted_box_pools_in_its_lowest_corner() -> None:
    mesh = welded(*box())
    _, _, pools = drained(mesh, 200.0, down=np.array([0.2, 0.1, -1.0]))
    assert pools.places == pytest.approx(np.array([[0.4, 0.2, 0.0]]), abs=1e-12)
    # A wedge of volume V in a corner of slopes 0.2 and 0.1 fills by V = depth³ / (6 x 0.2 x 0.1) x
    # |down|...; the estimate takes faces as steps, so only its size is asked for.
    assert 1e-4 < pools.depths[0] < 2e-2


def test_a_web_on_the_floor_dams_the_liquid() -> None:
    web = sheet((0.15, 0, 0), (0, 0.2, 0), (0, 0, 0.05), 4, 1)
    mesh = welded(*box(), web)
    bays = inside(mesh)
    bays[-2 * len(web) :] = 0
    slopes, kept, pools = drained(mesh, 200.0, bays=bays)
    assert len(pools.volumes) == 2
    assert pools.depths.max() < 0.05
    # Left of the web 0.15 m of floor, right of it 0.25 m: each pool holds its own walls' surplus.
    center = mesh.corners.mean(axis=1).repeat(2, axis=0)[:, 0]
    lost = (200e-6 - kept) * slopes.areas * (bays == 0)
    left = np.concatenate(
        [lost[: -2 * len(web)][center[: -2 * len(web)] < 0.15], lost[-2 * len(web) :][1::2]]
    )
    # What runs down the line over the web is parted evenly, whichever triangle it left: 4 % here.
    assert min(pools.volumes) == pytest.approx(left.sum(), rel=0.05)


def with_floor_hole(nx: int = 8, ny: int = 4) -> tuple[Mesh, Outlets, float]:
    """Return the box without the two squares round the middle of its floor, and that opening."""
    walls = box(nx, ny)
    middle = walls[0].mean(axis=1)
    out = (abs(middle[:, 0] - 0.2) < 0.05) & (abs(middle[:, 1] - 0.1) < 0.05)
    gone = walls[0][out]
    walls[0] = walls[0][~out]
    area = 0.5 * np.linalg.norm(np.cross(gone[:, 1] - gone[:, 0], gone[:, 2] - gone[:, 0]), axis=1).sum()
    mesh = welded(*walls)
    rim = np.unique(np.round(gone.reshape(-1, 3), 9), axis=0)
    rim = rim[(abs(rim[:, 0] - 0.2) > 0.049) | (abs(rim[:, 1] - 0.1) > 0.049)]
    return mesh, outlets(mesh, [rim], [[0.2, 0.1, 0.0]], [[0.0, 0.0, -1.0]], [[0, -1]]), area


def test_a_drain_in_the_floor_lets_all_surplus_out_and_a_blocked_one_none() -> None:
    mesh, outs, _ = with_floor_hole()
    slopes, kept, pools = drained(mesh, 200.0, outs=outs)
    lost = ((200e-6 - kept) * slopes.areas)[slopes.side_bay == 0].sum()
    assert pools.drips == pytest.approx([lost], rel=1e-9)
    assert len(pools.volumes) == 0
    _, _, shut = drained(mesh, 200.0, outs=outs, blocked=np.array([True]))
    assert shut.drips.tolist() == [0.0]
    assert shut.volumes.sum() == pytest.approx(lost, rel=1e-9)


def test_a_drain_up_the_slope_takes_only_what_passes_it() -> None:
    mesh, outs, _ = with_floor_hole()
    _, _, pools = drained(mesh, 200.0, outs=outs, down=np.array([0.3, 0.0, -1.0]))
    assert 0 < pools.drips[0] < pools.volumes.sum()
    assert (pools.places[:, 0] > 0.399).all()


def two_bays(cut: bool, foot: float = 0.0) -> tuple[Mesh, np.ndarray, Outlets]:
    """Return the box with a rib at x = 0.2; where `cut` its middle half is open from `foot` to 0.1 m."""
    rib = sheet((0.2, 0, 0), (0, 0.2, 0), (0, 0, 0.3), 4, 6)
    middle = rib.mean(axis=1)
    out = (abs(middle[:, 1] - 0.1) < 0.05) & (middle[:, 2] < 0.1) & (middle[:, 2] > foot)
    out &= cut
    walls = box()
    mesh = welded(*walls, rib[~out])
    bays = inside(mesh)
    in_second = (mesh.corners.mean(axis=1)[:, 0] > 0.2).repeat(2)
    bays[in_second & (bays == 0)] = 1
    n_rib = 2 * int((~out).sum())
    bays[-n_rib:] = np.tile([1, 0], n_rib // 2)  # its fronts face +x
    rim = np.unique(np.round(rib[out].reshape(-1, 3), 9), axis=0)
    outs = outlets(mesh, [rim], [[0.2, 0.1, 0.05]], [[1.0, 0, 0]], [[0, 1]]) if cut else NONE
    return mesh, bays, outs


def test_a_rib_keeps_two_bays_apart_and_a_cut_out_down_to_the_floor_joins_their_pools() -> None:
    mesh, bays, outs = two_bays(cut=False)
    _, _, apart = drained(mesh, 200.0, bays=bays)
    assert sorted(apart.bay.tolist()) == [0, 1]
    assert apart.volumes[0] == pytest.approx(apart.volumes[1], rel=1e-9)
    mesh, bays, outs = two_bays(cut=True)
    _, _, level = drained(mesh, 200.0, bays=bays, outs=outs)
    assert len(level.volumes) == 1


def test_on_a_tilt_the_liquid_leaves_the_upper_bay_through_the_cut_out_at_its_floor() -> None:
    mesh, bays, outs = two_bays(cut=True)
    down = np.array([0.1, 0.0, -1.0])
    _, _, pools = drained(mesh, 200.0, bays=bays, outs=outs, down=down)
    # What runs to the rib beside the cut-out lies level along it, touches the rim and goes through.
    assert pools.bay.tolist() == [1]
    _, _, shut = drained(mesh, 200.0, bays=bays, outs=outs, down=down, blocked=np.array([True]))
    assert sorted(shut.bay.tolist()) == [0, 1]


def test_a_trough_carries_its_liquid_to_its_lower_end() -> None:
    # Two 45 deg walls that meet in a line falling by 1 in 10: triangles must not hold it back on the way.
    left = sheet((0, -0.1, 0.1), (1.0, 0, -0.1), (0, 0.1, -0.1), 20, 3)
    right = sheet((0, 0, 0), (1.0, 0, -0.1), (0, 0.1, 0.1), 20, 3)
    mesh = welded(left, right)
    _, _, pools = drained(mesh, 300.0)
    assert pools.places == pytest.approx(np.array([[1.0, 0.0, -0.1]]), abs=1e-9)


def test_mirroring_the_structure_mirrors_the_pools() -> None:
    mesh, outs, _ = with_floor_hole()
    down = np.array([0.2, 0.05, -1.0])
    _, kept, pools = drained(mesh, 200.0, outs=outs, down=down)
    flip = np.array([-1.0, 1.0, 1.0])
    mirrored = mesh_of(mesh.points * flip, mesh.faces[:, ::-1])
    other = Outlets(
        rims=outs.rims, centers=outs.centers * flip, normals=outs.normals * flip, links=outs.links
    )
    _, kept_too, pools_too = drained(mirrored, 200.0, outs=other, down=down * flip)
    assert kept_too == pytest.approx(kept, rel=1e-9)
    assert pools_too.drips == pytest.approx(pools.drips, rel=1e-9)
    assert sorted(pools_too.volumes) == pytest.approx(sorted(pools.volumes), rel=1e-9)


def test_a_level_side_lets_nothing_go_and_a_side_without_fetch_keeps_nothing() -> None:
    assert retained_film(0.3, 0.0, OIL, 600.0) == np.inf
    assert retained_film(0.0, 1.0, OIL, 600.0) == 0.0


def test_added_mass_and_moment_are_sums_over_sides() -> None:
    mesh = welded(*box())
    slopes = slopes_of(mesh, inside(mesh), DOWN)
    film = np.where(slopes.side_bay == 0, 10e-6, 0.0)
    # 0.52 m² of walls, 10 um, 870 kg/m³: 4.524 g. Even film: the middle of the box, 0.2 m aft of the hinge.
    mass = added_masses(film, slopes.areas, slopes.side_bay, 1, OIL.density)
    assert mass == pytest.approx([0.52 * 10e-6 * 870.0], rel=1e-12)
    places = mesh.corners.mean(axis=1).repeat(2, axis=0)
    moment = moment_about_axis(
        places, film * slopes.areas * 870.0, point=[0, 0, 0], axis=[0, 1, 0], down=DOWN
    )
    assert moment == pytest.approx(9.81 * mass[0] * 0.2, rel=1e-9)


def test_the_drain_check_says_what_a_plug_would_hold_back() -> None:
    mesh, outs, _ = with_floor_hole()
    slopes = slopes_of(mesh, inside(mesh), DOWN)
    film = np.where(slopes.side_bay >= 0, 200e-6, 0.0)
    surplus = (film - slopes.retained(film, OIL, 600.0)) * slopes.areas
    assert slopes.held_back(surplus, outs) == pytest.approx([surplus.sum()], rel=1e-9)
    assert slopes.held_back(surplus, outs, blocked=np.array([True])).tolist() == [0.0]


def terrain(seed: int, n: int = 14) -> Mesh:
    """Return a rough field of n x n squares of 50 mm, its heights random within 50 mm; fronts up."""
    random = np.random.default_rng(seed)
    x, y = np.meshgrid(np.arange(n + 1), np.arange(n + 1), indexing="ij")
    points = np.stack([0.05 * x.ravel(), 0.05 * y.ravel(), random.uniform(0, 0.05, (n + 1) ** 2)], axis=1)
    here = (np.arange(n)[:, None] * (n + 1) + np.arange(n)).ravel()
    a, b, c, d = here, here + n + 1, here + n + 2, here + 1
    return mesh_of(points, np.concatenate([np.c_[a, b, c], np.c_[a, c, d]]))


@pytest.mark.parametrize("seed", range(5))
def test_pools_of_a_rough_field_stand_at_its_lowest_points_and_lose_nothing(seed: int) -> None:
    mesh = terrain(seed)
    slopes, kept, pools = drained(mesh, 300.0)
    lost = ((300e-6 - kept) * slopes.areas)[::2].sum()
    assert pools.volumes.sum() == pytest.approx(lost, rel=1e-9)
    # A slow twin: a point is lowest when no edge leads down from it.
    lower = {k: False for k in range(len(mesh.points))}
    for face in mesh.faces:
        for one in face:
            lower[one] |= bool((mesh.points[face, 2] < mesh.points[one, 2] - 1e-5).any())
    lowest = {tuple(mesh.points[k].round(9)) for k, has_lower in lower.items() if not has_lower}
    # A pit so shallow that the pieces of its faces all lie above its lip holds nothing: there are few.
    found = {tuple(place.round(9)) for place in pools.places}
    assert found <= lowest
    assert len(found) >= 0.9 * len(lowest)


@pytest.mark.parametrize("seed", range(5))
def test_fetch_is_the_longest_way_down_whatever_the_order_it_is_found_in(seed: int) -> None:
    mesh = terrain(seed, n=8)
    slopes = slopes_of(mesh, inside(mesh), DOWN)
    # A slow twin: points from the highest down, each side's edges in turn, until nothing changes.
    fetch = np.zeros(len(mesh.points))
    for start in np.argsort(-mesh.points[:, 2]):
        for face, slope in zip(mesh.faces, slopes.slope[::2], strict=True):
            if start in face:
                for end in face:
                    drop = mesh.points[start, 2] - mesh.points[end, 2]
                    if drop > 0:
                        fetch[end] = max(fetch[end], fetch[start] + drop / slope)
    assert slopes.fetch[::2] == pytest.approx(fetch[mesh.faces], rel=1e-9, abs=1e-12)


def hung(flange: bool) -> tuple[Mesh, np.ndarray]:
    """Return the box with a web that hangs from its ceiling at x = 0.15, with a free flange or without."""
    parts = [sheet((0.15, 0, 0.25), (0, 0.2, 0), (0, 0, 0.05), 4, 1)]
    if flange:
        parts.append(sheet((0.15, 0, 0.25), (0.05, 0, 0), (0, 0.2, 0), 1, 4))
    mesh = welded(*box(), *parts)
    bays = inside(mesh)
    bays[-2 * sum(len(part) for part in parts) :] = 0
    return mesh, bays


@pytest.mark.parametrize("flange", [False, True], ids=["web", "web with flange"])
def test_liquid_that_can_only_hang_drops_to_the_floor_below(flange: bool) -> None:
    # Before drops were followed, the flange of a stringer on a ceiling held a pool that nothing kept in.
    mesh, bays = hung(flange)
    slopes, kept, pools = drained(mesh, 200.0, bays=bays)
    lost = ((200e-6 - kept) * slopes.areas)[bays == 0].sum()
    assert len(pools.volumes) == 1
    assert pools.places[0, 2] == pytest.approx(0.0, abs=1e-12)
    assert pools.volumes[0] == pytest.approx(lost, rel=1e-9)


def test_drops_land_below_where_they_hang_and_not_beside_a_dam() -> None:
    # A web hangs clear of the walls over the left of a floor that another web parts at x = 0.25.
    web = sheet((0.15, 0.05, 0.25), (0, 0.1, 0), (0, 0, 0.05), 2, 1)
    dam = sheet((0.25, 0, 0), (0, 0.2, 0), (0, 0, 0.05), 4, 1)
    mesh = welded(*box(), dam, web)
    bays = inside(mesh)
    bays[-2 * (len(dam) + len(web)) :] = 0
    surplus = np.zeros(mesh.n_sides)
    surplus[-2 * len(web) :] = 1e-6
    pools = slopes_of(mesh, bays, DOWN).pooled(surplus, NONE)
    assert pools.volumes == pytest.approx([8e-6], rel=1e-9)
    assert pools.places[0, 0] <= 0.25


def test_a_drop_over_an_opening_in_the_floor_leaves_through_it() -> None:
    mesh, outs, _ = with_floor_hole()
    web = sheet((0.2, 0.05, 0.1), (0, 0.1, 0), (0, 0, 0.05), 2, 1)  # hangs free over the hole
    both = welded(mesh.corners, web)
    bays = np.concatenate([inside(mesh), np.zeros(2 * len(web), dtype=np.int64)])
    rim = np.array([mesh.points[k] for k in outs.rims[0]])
    outs = outlets(both, [rim], [[0.2, 0.1, 0.0]], [[0.0, 0.0, -1.0]], [[0, -1]])
    surplus = np.zeros(both.n_sides)
    surplus[-2 * len(web) :] = 1e-6
    pools = slopes_of(both, bays, DOWN).pooled(surplus, outs)
    assert pools.drips == pytest.approx([8e-6], rel=1e-9)


def poured(mesh: Mesh, bays: np.ndarray, volume: float, *, left_of: float, outs: Outlets = NONE):
    """Return the pools of `volume` m³ poured on the floor left of x."""
    center = mesh.corners.mean(axis=1).repeat(2, axis=0)
    slopes = slopes_of(mesh, bays, DOWN)
    floor = (bays >= 0) & (slopes.rise > 0.99) & (center[:, 2] < 1e-9) & (center[:, 0] < left_of)
    return slopes.pooled(np.where(floor, volume / floor.sum(), 0.0), outs)


def test_what_a_dam_cannot_hold_runs_over_it() -> None:
    # A web 50 mm high, 0.15 m of floor left of it: it holds 0.15 x 0.2 x 0.05 = 1.5 L; of 2 L half a
    # litre runs over.
    web = sheet((0.15, 0, 0), (0, 0.2, 0), (0, 0, 0.05), 4, 1)
    mesh = welded(*box(), web)
    bays = inside(mesh)
    bays[-2 * len(web) :] = 0
    pools = poured(mesh, bays, 2e-3, left_of=0.15)
    assert sorted(pools.volumes) == pytest.approx([0.5e-3, 1.5e-3], rel=1e-9)
    assert sorted(pools.depths) == pytest.approx([0.5e-3 / 0.05, 0.05], rel=1e-9)
    # Of 10 L both sides are full to the brim; nothing is lost, wherever the rest is told.
    assert poured(mesh, bays, 10e-3, left_of=0.15).volumes.sum() == pytest.approx(10e-3, rel=1e-9)


def test_a_pool_that_reaches_the_lip_of_a_cut_out_runs_into_the_next_bay() -> None:
    # The cut-out begins 50 mm over a floor of 0.2 x 0.2 m: 2 L stay, of 3 L one goes over.
    mesh, bays, outs = two_bays(cut=True, foot=0.05)
    pools = poured(mesh, bays, 3e-3, left_of=0.2, outs=outs)
    assert dict(zip(pools.bay.tolist(), pools.volumes, strict=True)) == pytest.approx({0: 2e-3, 1: 1e-3})
