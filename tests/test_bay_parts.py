"""Parts of finding bays held alone: loops, planes, runs, hands of caps, names and order."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from specimens import X, Y, Z, box, mended, moved, panel, ribbed_box, thick_box

from bayreach.arrays import OUTSIDE
from bayreach.bays import Given, find_bays
from bayreach.bays._flat import Cap, _without_slivers, bisecting, fitted_plane, plane_through, with_apexes
from bayreach.bays._gaps import Rims
from bayreach.bays._hubs import runs_of
from bayreach.bays._loops import (
    corners_of,
    loop_center,
    loop_length,
    loop_plane,
    loop_vector,
    with_points_between,
)
from bayreach.bays._names import names_by_place
from bayreach.bays._openings import is_sliver, links_of, ordered_by_place
from bayreach.bays._regions import outward_corners, regions_of
from bayreach.bays._useful import useful_caps
from bayreach.measure import area_vectors, side_areas
from bayreach.mesh import joined

SIZE = (1.0, 0.4, 0.2)
TURNED = Rotation.from_euler("xyz", [0.3, -0.7, 1.1]).as_matrix().T
AWAY = np.array([3.0, -2.0, 5.0])


def divided(corners: np.ndarray, seed: int, most: int = 4) -> np.ndarray:
    """Return a loop (k, 3) with up to `most` more points on each of its edges."""
    rng = np.random.default_rng(seed)
    points = []
    for here, there in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        shares = np.concatenate([[0.0], np.sort(rng.uniform(0.1, 0.9, rng.integers(0, most + 1)))])
        points += [here + share * (there - here) for share in shares]
    return np.array(points)


OBLONG = np.array([[0.0, 0, 0], [2, 0, 0], [2, 1, 0], [0, 1, 0]])


@pytest.mark.parametrize("seed", range(4))
def test_a_loop_has_its_length_middle_area_and_corners_however_its_edges_are_divided(seed: int) -> None:
    """An oblong of 2 x 1 m anywhere: 6 m round, 2 m² about its middle, four corners."""
    ring = divided(OBLONG, seed) @ TURNED + AWAY
    assert loop_length(ring) == pytest.approx(6.0)
    assert loop_center(ring) == pytest.approx(np.array([1, 0.5, 0]) @ TURNED + AWAY)
    assert loop_vector(ring) == pytest.approx(2 * Z @ TURNED)
    plane = loop_plane(ring)
    assert plane is not None
    assert plane.axes[2] == pytest.approx(Z @ TURNED)
    assert np.abs(plane.heights(ring)).max() < 1e-12
    assert ring[corners_of(ring)] == pytest.approx(OBLONG @ TURNED + AWAY)


def test_a_loop_without_area_has_no_plane_and_a_point_where_it_turns_back_is_a_corner() -> None:
    there_and_back = np.array([[0.0, 0, 0], [1, 0, 0], [2, 0, 0], [1, 0, 0]])
    assert loop_plane(there_and_back) is None
    spike = np.array([[0.0, 0, 0], [1, 0, 0], [2, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]])
    assert corners_of(spike).tolist() == [True, False, True, True, True, True]
    # A point that is there twice is harmless; of a triangle three are left.
    assert corners_of(spike[[0, 1, 1, 2, 3, 4, 5]]).tolist() == [True, True, True, True, True, True, True]
    assert corners_of(divided(OBLONG[:3], 3)).sum() == 3
    # Fewer than three turns: all points stay.
    assert corners_of(there_and_back).all()


def test_where_the_sheets_along_a_loop_differ_there_is_a_corner_too() -> None:
    ring = np.array([[0.0, 0, 0], [1, 0, 0], [2, 0, 0], [2, 1, 0], [0, 1, 0]])
    sheets = np.array([Y, Z, Z, Z, Z])
    assert corners_of(ring).tolist() == [True, False, True, True, True]
    assert corners_of(ring, sheets).tolist() == [True, True, True, True, True]
    assert corners_of(ring, np.tile(Z, (5, 1))).tolist() == [True, False, True, True, True]


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("turned", [1, -1])
def test_a_filled_loop_keeps_its_area_and_turn_when_its_edges_are_divided(seed: int, turned: int) -> None:
    """Two triangles on the corners of an oblong become a fan each, every edge of the loop an edge of one."""
    ring = divided(OBLONG, seed)
    loop = np.random.default_rng(seed).permutation(len(ring) + 5)[: len(ring)]
    points = np.zeros((len(ring) + 5, 3))
    points[loop] = ring
    kept = corners_of(ring)
    a, b, c, d = loop[kept]
    faces = with_points_between(np.array([[a, b, c], [a, c, d]])[:, ::turned], loop, kept)
    assert len(faces) == len(ring) - 2
    assert area_vectors(points[faces])[:, 2] * turned == pytest.approx(
        np.abs(area_vectors(points[faces])[:, 2])
    )
    assert area_vectors(points[faces]).sum(axis=0) == pytest.approx(2 * turned * Z)
    edges = {
        tuple(sorted(pair)) for face in faces.tolist() for pair in zip(face, face[1:] + face[:1], strict=True)
    }
    assert edges >= {
        tuple(sorted(pair)) for pair in zip(loop.tolist(), np.roll(loop, -1).tolist(), strict=True)
    }


def test_axes_of_planes_are_right_handed_units_and_a_fit_tells_the_spread() -> None:
    for normal in (*np.eye(3), *-np.eye(3), *TURNED):
        plane = plane_through(AWAY, normal)
        assert plane.axes @ plane.axes.T == pytest.approx(np.eye(3))
        assert np.cross(plane.axes[0], plane.axes[1]) == pytest.approx(normal)
        assert plane.heights(AWAY + 0.3 * normal + 2 * plane.axes[0]) == pytest.approx(0.3)
    # Corners of 4 x 2 m: root mean squares of 2 and 1 m along the axes, nothing across.
    oblong = (2 * OBLONG) @ TURNED + AWAY
    plane, spread = fitted_plane(oblong)
    assert spread == pytest.approx([2.0, 1.0, 0.0], abs=1e-9)
    assert np.linalg.det(plane.axes) == pytest.approx(1.0)
    assert np.abs(plane.heights(oblong)).max() < 1e-12
    assert fitted_plane(oblong[:1])[1] == pytest.approx(np.zeros(3))


@pytest.mark.parametrize("tilt", [0.0, 0.3, -0.8])
def test_the_plane_half_way_is_as_far_from_one_skin_as_from_the_other(tilt: float) -> None:
    """Skins 4 mm apart, one of them tilted: of each point of the plane both distances are alike."""
    up = np.array([np.sin(tilt), 0.0, np.cos(tilt)])
    here, there = AWAY, AWAY - np.array([0.002, 0.001, 0.004])
    plane = bisecting((here, up), (there, -Z))
    assert plane is not None
    on = plane.origin + np.random.default_rng(0).normal(size=(9, 2)) @ plane.axes[:2]
    assert (on - here) @ up == pytest.approx((on - there) @ -Z, abs=1e-12)
    assert plane.axes[2] @ (up + Z) > 0
    # Skins that turn the same way, or at right angles and less, have nothing between them.
    assert bisecting((here, up), (there, up)) is None
    assert bisecting((here, Z), (there, np.array([np.sin(2.0), 0.0, np.cos(2.0)]))) is not None
    assert bisecting((here, Z), (there, np.array([np.sin(1.0), 0.0, np.cos(1.0)]))) is None


def test_runs_go_from_branch_to_branch_and_loops_end_where_they_began() -> None:
    """A figure of 8 with a bar: two loops at one point, three runs between two points, a loose path."""
    eight = [(0, 1), (1, 2), (2, 0), (0, 3), (3, 4), (4, 0)]
    runs, loops = runs_of(np.array(eight))
    assert not runs
    assert sorted(sorted(loop.tolist()) for loop in loops) == [[0, 1, 2], [0, 3, 4]]
    theta = [(0, 1), (1, 9), (0, 2), (2, 3), (3, 9), (9, 0)]
    runs, loops = runs_of(np.array(theta))
    assert not loops
    assert sorted(run.tolist() for run in runs) == [[0, 1, 9], [0, 2, 3, 9], [0, 9]]
    runs, loops = runs_of(np.array([(5, 6), (7, 6)]))
    assert [run.tolist() for run in runs] == [[5, 6, 7]]
    assert not loops


def cap_of(faces: object, **more: object) -> Cap:
    """Return a cap of triangles with nothing else known."""
    rows = np.array(faces)
    given = {"planar": True, "in_sheet": True, "shape": None, "flat": np.zeros((3, 2))} | more
    return Cap(faces=rows, rim=rows[0], **given)


def strip(n: int) -> np.ndarray:
    """Return points of n + 1 pairs 1 m apart: triangles (2k, 2k + 1, 2k + 2) have half a square metre."""
    return np.array([[k // 2, k % 2, 0.0] for k in range(2 * n + 2)])


def test_a_cap_has_two_airs_where_a_fifth_of_its_sides_looks_on_the_second() -> None:
    """Four faces, eight sides: the air of most area, and a second where it has more than 0.2 of it."""
    faces = [[0, 1, 2], [2, 1, 3], [2, 3, 4], [4, 3, 5]]
    rims = Rims(points=strip(2), caps=(cap_of(faces), cap_of(faces), cap_of(faces[:1])))
    look = [[0, 3], [0, 3], [3, 0], [0, 3], [1, 1], [1, 1], [1, 1], [1, 2], [OUTSIDE, 4]]
    assert rims.airs(np.array(look).ravel()).tolist() == [[0, 3], [1, 1], [-1, 4]]
    kept = rims.without(np.array([True, False, True]))
    assert kept.caps == rims.caps[1:2]
    assert kept.points is rims.points


def test_a_space_more_open_than_a_third_is_a_panel_on_the_grid_too_but_a_wall_stays() -> None:
    """Openings of 2 m² to the outside: more than 0.35 of all with 3.6 m² of wall, less with 3.8 m²."""
    faces = [[0, 1, 2], [2, 1, 3], [2, 3, 4], [4, 3, 5]]
    rims = Rims(points=strip(2), caps=(cap_of(faces), cap_of(faces, is_wall=True), cap_of(faces)))
    airs = np.array([[OUTSIDE, 1], [OUTSIDE, 1], [0, 1]])
    assert rims.on_panels(airs, np.array([9.0, 3.6])).tolist() == [True, False, False]
    assert rims.on_panels(airs, np.array([9.0, 3.8])).tolist() == [False, False, False]
    assert not len(Rims().on_panels(np.zeros((0, 2)), np.ones(2)))


def test_what_a_grid_shuts_is_behind_the_mesh_s_own_faces() -> None:
    mesh = box()
    rims = Rims(points=strip(1) + 7, caps=(cap_of([[0, 1, 2]]),), walls=np.array([[X, Y, Z]]))
    shut = rims.shut(mesh)
    assert shut.corners[: mesh.n_faces] == pytest.approx(mesh.corners)
    assert shut.corners[mesh.n_faces :] == pytest.approx(np.stack([strip(1)[:3] + 7, [X, Y, Z]]))
    assert Rims().shut(mesh) is mesh


def test_points_that_caps_bring_along_get_a_place_each_behind_the_mesh_s_own() -> None:
    mesh = box()
    n = len(mesh.points)
    caps = [cap_of([[0, 1, -1], [1, 2, -1]], apex=X), cap_of([[0, 1, 2]]), cap_of([[3, 4, -1]], apex=Y)]
    whole, placed = with_apexes(mesh, caps)
    assert whole.points[n:] == pytest.approx(np.stack([X, Y]))
    assert [cap.faces.tolist() for cap in placed] == [[[0, 1, n], [1, 2, n]], [[0, 1, 2]], [[3, 4, n + 1]]]
    assert all(cap.apex is None for cap in placed)
    assert with_apexes(mesh, caps[1:2])[0] is mesh


def test_a_cap_s_front_looks_on_the_space_of_higher_number() -> None:
    faces = np.array([[0, 1, 2], [3, 4, 5]])
    turned, links = links_of(faces, np.array([[1, 0], [OUTSIDE, 2]]))
    assert turned.tolist() == [[0, 1, 2], [5, 4, 3]]
    assert links.tolist() == [[0, 1], [OUTSIDE, 2]]


def test_places_are_in_order_along_the_longest_axis_whatever_rounding_does() -> None:
    """1 x 4 x 2 m: y first, then z, then x; a tenth of a thousandth of the diagonal is no difference."""
    size = np.array([[0.0, 0, 0], [1, 4, 2]])
    places = np.array([[0.9, 1, 1], [0.1, 1, 1], [0.5, 0.2, 1.9], [0.5, 1 + 4e-4, 0.5]])
    assert ordered_by_place(places, size).tolist() == [2, 3, 1, 0]
    assert len(ordered_by_place(np.zeros((0, 3)), size)) == 0


def test_a_hair_below_nought_is_nought_in_a_name() -> None:
    assert names_by_place(np.array([[-1e-4, 0.0, -0.0123]]), 1.0) == ("opening x0 y0 z-12",)


def test_a_slit_is_no_opening() -> None:
    """1 m long: mean widths of 5 and 3 mm beside 2 thousandths of about 2 m round."""
    import shapely

    for width, is_slit in ((0.005, False), (0.0039, True)):
        flat = np.array([[0, 0], [1, 0], [1, width], [0, width]])
        cap = cap_of([[0, 1, 2]], flat=flat, shape=shapely.Polygon(flat))
        assert is_sliver(cap, 1.0) == is_slit
        assert is_sliver(cap, 1e5)  # beside what is so large it is none either


def test_boxes_in_boxes_are_spaces_each_and_an_island_belongs_to_the_smallest_round_it() -> None:
    """Boxes of 6, 4 and 2 m, and a plate of two sides afloat in the middle one: 216 − 64, 64 − 8 and 8 m³."""
    nothing = regions_of(np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64))
    assert (len(nothing.side_region), len(nothing.volumes), nothing.outside_volume) == (0, 0, 0.0)
    cubes = [moved(box((a, a, a)), [-a / 2] * 3) for a in (6.0, 4.0, 2.0)]
    plate = panel(0.5, 0.5, (np.array([-0.2, -0.3, 1.4]), X, Y), "plate")
    mesh = moved(joined([*cubes, plate]), AWAY)
    regions = regions_of(mesh.points, mesh.faces)
    assert sorted(regions.volumes) == pytest.approx([8.0, 56.0, 152.0])
    assert regions.outside_volume == pytest.approx(-216.0)
    afloat = regions.side_region[-2 * plate.n_faces :]
    assert regions.volumes[np.unique(afloat)] == pytest.approx([56.0])
    for number, volume in enumerate(regions.volumes):
        sides = np.flatnonzero(regions.side_region == number)
        corners = outward_corners(mesh.corners, sides)
        # Divergence theorem: a third of the flow of place through all its sides, turned out of the air.
        flow = np.einsum("ij,ij->", corners.mean(axis=1), area_vectors(corners)) / 3
        assert flow == pytest.approx(volume)
    areas = np.bincount(regions.side_region + 1, side_areas(mesh))
    assert sorted(areas) == pytest.approx(
        sorted([6 * 36.0, 6 * 36 + 6 * 16.0, 6 * 16 + 6 * 4 + 0.5, 6 * 4.0])
    )


@pytest.mark.parametrize(("height", "bays"), [(0.21, 0), (0.22, 1)])
def test_a_tray_more_open_than_a_third_of_its_boundary_is_no_bay(height: float, bays: int) -> None:
    """1 x 1 m of floor and walls of height h: open 1 m² of 2 + 4 h, more than 0.35 where h < 0.2143 m."""
    tray = mended(
        panel(1, 1, (np.zeros(3), X, Y), "floor"),
        *(
            panel(1, height, (o, u, Z), "rim")
            for o, u in ((np.zeros(3), X), (np.zeros(3), Y), (X, Y), (Y, X))
        ),
    )
    top = np.flatnonzero(tray.points[:, 2] > height / 2)
    order = top[np.argsort(np.arctan2(*(tray.points[top, :2] - 0.5).T[::-1]))]
    lid = cap_of([order[[0, 1, 2]], order[[0, 2, 3]]])
    aside = cap_of([[order[0], order[1], order[0]]])
    for caps in ([lid], [lid, aside]):
        left, regions = useful_caps(tray, caps)
        assert (len(left), len(regions.volumes)) == (bays, bays)
    wall = cap_of(lid.faces, is_wall=True)
    assert len(useful_caps(tray, [wall])[0]) == 1


@pytest.mark.parametrize("seed", range(4))
def test_a_triangle_flat_across_a_straight_run_is_turned_into_its_neighbour(seed: int) -> None:
    """Four points on a line and one aside: no triangle is flat, the area is whole and turned as before."""
    rng = np.random.default_rng(seed)
    turn = Rotation.from_euler("z", rng.uniform(0, 6)).as_matrix()[:2, :2]
    flat = np.array([[0, 0], [1, 0], [2, 0], [3, 0], [1.2, 1]]) @ turn + rng.normal(size=2)
    corners = {10 + k: tuple(place) for k, place in enumerate(flat.tolist())}
    rows = [[0, 3, 4], [0, 1, 3], [1, 2, 3]]
    order = rng.permutation(3)
    given = 10 + np.array([np.roll(rows[k], rng.integers(3)) for k in order])
    made = _without_slivers(given, corners)
    assert sorted(sorted(row) for row in made.tolist()) == [[10, 11, 14], [11, 12, 14], [12, 13, 14]]
    points = np.array([(0, 0)] * 10 + [corners[10 + k] for k in range(5)])[made]
    arms = points[:, 1:] - points[:, :1]
    doubled = arms[:, 0, 0] * arms[:, 1, 1] - arms[:, 0, 1] * arms[:, 1, 0]
    assert doubled == pytest.approx(np.ones(3))
    # Alone it is dropped, and one that is not flat stays.
    assert _without_slivers(np.array([[10, 11, 12]]), corners).tolist() == []
    assert _without_slivers(np.array([[10, 11, 14]]), corners).tolist() == [[10, 11, 14]]


def test_what_is_said_of_bays_is_no_repair_and_says_where() -> None:
    """A cavity or a part, thick sheets, an open panel, an opening not there: the middle or its place."""
    cavity, thick = box(SIZE), thick_box(SIZE, 0.002, 0.05, [0.5])
    nowhere = Given(name="port", center=np.array([0.3, 0.2, 0.0]))
    middle = np.array([0.5, 0.2, 0.1])
    said = {
        "closed surface": (find_bays(cavity), middle),
        "part, not a cavity": (find_bays(cavity, encloses="material"), middle),
        "thick sheets": (find_bays(thick), middle),
        "opening not found": (find_bays(ribbed_box(1, SIZE), given=[nowhere]), nowhere.center),
    }
    for kind, (bays, where) in said.items():
        (only,) = [finding for finding in bays.findings if finding.kind == kind]
        assert only.count == 1
        assert only.places == pytest.approx(where[None], abs=1e-9)
    open_panel = find_bays(panel(1, 1, (np.zeros(3), X, Y), "panel"))
    for bays in (*(bays for bays, _ in said.values()), open_panel):
        assert bays.findings
        assert not any(finding.is_repair for finding in bays.findings)
    assert not find_bays(cavity, encloses="air").findings
    assert not any(finding.kind == "closed surface" for finding in said["thick sheets"][0].findings)
