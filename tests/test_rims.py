"""Rims that branch, bend, nest or cross themselves from every side, on shapes whose volumes are exact."""

import numpy as np
import pytest
from specimens import (
    X,
    Y,
    Z,
    box,
    icosphere,
    mended,
    moved,
    panel,
    polygon_area,
    rectangle,
    rib,
    ring,
    sheet,
    tube,
)

from bayreach.bays import Bays, find_bays
from bayreach.bays._least import least_cap
from bayreach.bays._rims import find_rims
from bayreach.measure import area_vectors
from bayreach.mesh import Mesh, joined, mesh_of
from bayreach.repair import subdivided, with_round_hole

SIZE = (1.0, 0.4, 0.2)
ACROSS = 0.1


def half_ring(center: float, segments: int = 32) -> list[tuple[float, float]]:
    """Return the upper half of a round hole about (center, 0), from left to right."""
    disc = ring((center, 0.0), ACROSS, segments)
    half = disc[disc[:, 1] >= -1e-12]
    return half[np.argsort(half[:, 0])].tolist()


def quarter(center: float, segments: int = 32) -> list[tuple[float, float]]:
    """Return the quarter of a round hole about (center, 0) that lies at lesser first coordinates."""
    return [(u, v) for u, v in half_ring(center, segments) if u <= center + 1e-12]


def sums_to_nought(bays: Bays) -> bool:
    return abs(sum(bay.volume for bay in bays.bays) + bays.outside_volume) < 1e-15


def walls() -> list[Mesh]:
    """Return the top and the four sides of a box of 1 x 0.4 x 0.2 m, its floor left out."""
    return [
        panel(1.0, 0.4, (0.2 * Z, X, Y), "top"),
        panel(1.0, 0.2, (np.zeros(3), X, Z), "front"),
        panel(1.0, 0.2, (0.4 * Y, X, Z), "rear"),
        panel(0.4, 0.2, (np.zeros(3), Y, Z), "root"),
        panel(0.4, 0.2, (X, Y, Z), "end"),
    ]


def crossing_ribs() -> Mesh:
    """Build a box of four bays with a hole where both ribs and the floor meet: four arcs up, four along."""
    floor = sheet(rectangle(1.0, 0.4), [ring((0.5, 0.2), ACROSS)], (np.zeros(3), X, Y), "floor")
    across = sheet([(0, 0), *half_ring(0.2), (0.4, 0), (0.4, 0.2), (0, 0.2)], [], (0.5 * X, Y, Z), "rib")
    along = sheet([(0, 0), *half_ring(0.5), (1.0, 0), (1.0, 0.2), (0, 0.2)], [], (0.2 * Y, X, Z), "web")
    return mended(floor, across, along, *walls())


def test_a_hole_where_two_ribs_and_the_floor_meet_opens_each_of_its_spaces_to_its_neighbours() -> None:
    bays = find_bays(crossing_ribs())
    assert [bay.volume for bay in bays.bays] == pytest.approx([0.02] * 4, rel=1e-9)
    # Four quarter discs in the floor, two in each rib, all meeting in the corner that the hole took away.
    assert [opening.area for opening in bays.openings] == pytest.approx(
        [polygon_area(ACROSS) / 4] * 8, rel=1e-9
    )
    assert sorted(opening.links for opening in bays.openings) == [
        (-1, 0), (-1, 1), (-1, 2), (-1, 3), (0, 1), (0, 2), (1, 3), (2, 3),
    ]  # fmt: skip
    # A bay has a quarter of each of floor and top, half of each of its four walls, less three quarter discs.
    wall = 2 * 0.1 + 2 * 0.5 * 0.2 + 2 * 0.2 * 0.2 - 3 * polygon_area(ACROSS) / 4
    assert [bay.area for bay in bays.bays] == pytest.approx([wall] * 4, rel=1e-9)
    assert sums_to_nought(bays)


def gabled(rise: float) -> Mesh:
    """Build a box whose floor is folded along its middle, a rib across, and a hole round where they meet."""
    slope = np.array([0.0, 0.2, rise])
    length = float(np.linalg.norm(slope))
    up, down = slope / length, slope * [1, 1, -1] / length
    # Half a round hole at the ridge in each half of the floor, and a hole with the same ends in the rib.
    notch = half_ring(0.5)
    rising = [(0, 0), (1, 0), (1, length), *[(u, length - v) for u, v in reversed(notch)], (0, length)]
    falling = [(0, 0), *notch, (1, 0), (1, length), (0, length)]
    reach = 0.5 * ACROSS * 0.2 / length
    low = rise - 0.5 * ACROSS * rise / length
    rib = [(0, 0), (0.2 - reach, low), (0.2, rise + 0.05), (0.2 + reach, low), (0.4, 0), (0.4, 0.2), (0, 0.2)]
    gable = [(0, 0), (0.2, rise), (0.4, 0), (0.4, 0.2), (0, 0.2)]
    return mended(
        sheet(rising, [], (np.zeros(3), X, up), "floor"),
        sheet(falling, [], (0.2 * Y + rise * Z, X, down), "floor"),
        sheet(rib, [], (0.5 * X, Y, Z), "rib"),
        sheet(gable, [], (np.zeros(3), Y, Z), "root"),
        sheet(gable, [], (X, Y, Z), "end"),
        panel(1.0, 0.4, (0.2 * Z, X, Y), "top"),
        panel(1.0, 0.2, (np.zeros(3), X, Z), "front"),
        panel(1.0, 0.2, (0.4 * Y, X, Z), "rear"),
    )


@pytest.mark.parametrize("rise", [0.02, 0.06])
def test_a_branching_rim_that_lies_in_no_plane_is_closed_along_the_sheets_it_interrupts(rise: float) -> None:
    bays = find_bays(gabled(rise))
    # Half of 0.4 x 0.2 less a triangle of base 0.4 and height `rise`, half a metre long each.
    assert [bay.volume for bay in bays.bays] == pytest.approx([(0.08 - 0.2 * rise) / 2] * 2, rel=1e-9)
    assert sorted(opening.links for opening in bays.openings) == [(-1, 0), (-1, 1), (0, 1)]
    through_floor = [opening.area for opening in bays.openings if -1 in opening.links]
    assert through_floor == pytest.approx([polygon_area(ACROSS) / 2] * 2, rel=1e-9)
    assert sums_to_nought(bays)


def slotted_tube(left: int) -> Mesh:
    """Build a square tube with a slot of 0.1 m all round it but for `left` of the 8 strips of its girth."""
    from bayreach.mesh import joined

    n = 2
    corners = [np.zeros(3), 0.2 * Y, 0.2 * Y + 0.2 * Z, 0.2 * Z]
    ways = [Y, Z, -Y, -Z]
    strips = []
    for number, (corner, way) in enumerate(zip(corners, ways, strict=True)):
        for k in range(n):
            start = corner + 0.2 * k / n * way
            strips.append(panel(0.45, 0.2 / n, (start, X, way), "skin"))
            strips.append(panel(0.45, 0.2 / n, (start + 0.55 * X, X, way), "skin"))
            if n * number + k < left:
                strips.append(panel(0.1, 0.2 / n, (start + 0.45 * X, X, way), "bridge"))
    ends = [panel(0.2, 0.2, (at * X, Y, Z), "end", us=[0.1], vs=[0.1]) for at in (0, 1)]
    return mended(joined([*strips, *ends]))


@pytest.mark.parametrize("left", [1, 3])
def test_a_slot_nearly_all_round_a_tube_is_closed_as_the_tube_was(left: int) -> None:
    # Seen from anywhere its rim crosses itself; the least area across it is the strip cut out.
    bays = find_bays(slotted_tube(left))
    (only,) = bays.bays
    (opening,) = bays.openings
    assert only.volume == pytest.approx(0.2 * 0.2 * 1.0, rel=1e-9)
    assert opening.area == pytest.approx((8 - left) * 0.1 * 0.1, rel=1e-9)
    assert only.area == pytest.approx(4 * 0.2 + 2 * 0.04 - opening.area, rel=1e-9)
    # A rod as wide as the slot passes, no wider one: the measure errs to the small side.
    assert 0.8 * 0.1 < opening.diameter <= 0.1
    assert not any(finding.kind == "rims not capped" for finding in bays.findings)
    assert sums_to_nought(bays)


def test_a_plate_that_floats_in_a_hole_leaves_a_ring_open_between_two_nested_rims() -> None:
    floor = sheet(rectangle(1.0, 0.4), [ring((0.5, 0.2), 0.2)], (np.zeros(3), X, Y), "floor")
    plug = sheet(ring((0.5, 0.2), 0.1).tolist(), [], (np.zeros(3), X, Y), "plug")
    walls = box(SIZE)
    kept = walls.face_parts != walls.part_names.index("bottom")
    shell = Mesh(
        points=walls.points,
        faces=walls.faces[kept],
        face_parts=walls.face_parts[kept],
        part_names=walls.part_names,
    )
    bays = find_bays(mended(shell, floor, plug))
    (only,) = bays.bays
    (opening,) = bays.openings
    gap = polygon_area(0.2) - polygon_area(0.1)
    assert opening.area == pytest.approx(gap, rel=1e-9)
    assert only.area == pytest.approx(1.36 - gap, rel=1e-9)
    assert only.volume == pytest.approx(0.08, rel=1e-9)
    # Between two rings 0.05 m apart a rod of a little less passes.
    assert opening.diameter == pytest.approx(0.05, rel=0.02)


@pytest.mark.parametrize("segments", [16, 96, 400])
def test_the_least_cap_of_a_flat_loop_is_its_polygon(segments: int) -> None:
    angle = 2 * np.pi * np.arange(segments) / segments
    points = np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=1)
    cap = least_cap(points, np.arange(segments))
    assert cap is not None
    assert len(cap.faces) == segments - 2
    area = np.linalg.norm(area_vectors(points[cap.faces]), axis=1).sum()
    assert area == pytest.approx(polygon_area(2.0, segments), rel=1e-12)


def test_the_least_cap_of_a_saddle_is_the_lesser_of_its_two_folds() -> None:
    # A square whose corners rise and fall by h folds along either diagonal, with the same area.
    h = 0.3
    points = np.array([[1, 0, h], [0, 1, -h], [-1, 0, h], [0, -1, -h]])
    cap = least_cap(points, np.arange(4))
    assert cap is not None
    # Two triangles on a diagonal of length 2, each of height sqrt(1 + 4 h2).
    assert np.linalg.norm(area_vectors(points[cap.faces]), axis=1).sum() == pytest.approx(
        2 * np.sqrt(1 + 4 * h**2), rel=1e-12
    )


def test_a_tube_cut_on_the_skew_is_closed_at_both_ends() -> None:
    whole = tube(0.1, 1.0, 48)
    points = np.array(whole.points)
    points[:, 2] += 0.5 * points[:, 0]
    skew = Mesh(points=points, faces=whole.faces, face_parts=whole.face_parts, part_names=whole.part_names)
    (only,) = find_bays(skew).bays
    # Shearing keeps volume.
    assert only.volume == pytest.approx(48 / 2 * 0.01 * np.sin(2 * np.pi / 48), rel=1e-12)


def pierced_drum() -> Mesh:
    """Build a drum of 48 strips with a hole in its side, and one over the seam with its end."""
    whole = tube(0.3, 1.0, 48)
    lids = [sheet(ring((0, 0), 0.6, 48).tolist(), [], (at * Z, X, Y), "lid") for at in (0.0, 1.0)]
    side = with_round_hole(mended(whole, *lids), [0.3, 0, 0.4], X, 0.1).mesh
    return with_round_hole(side, [0, 0.3, 1.0], Y + Z, 0.08).mesh


BENT = {
    "drum": pierced_drum,
    "ball": lambda: with_round_hole(icosphere(0.5, 2), [0.5, 0, 0], X, 0.3).mesh,
    "corner": lambda: with_round_hole(box(SIZE), np.zeros(3), X + Y + Z, 0.08).mesh,
    "crossing ribs": crossing_ribs,
    "gabled": lambda: gabled(0.06),
    "slotted": lambda: slotted_tube(1),
}


@pytest.mark.parametrize("shape", BENT)
def test_no_motion_order_or_division_changes_what_a_bent_cap_closes(shape: str) -> None:
    from scipy.spatial.transform import Rotation

    # Caps used to be filled between whatever points their rims had; they hang on the corners now.
    whole = BENT[shape]()
    rng = np.random.default_rng(5)
    fine = subdivided(whole, 0.15).mesh
    points = fine.points @ Rotation.random(rng=rng).as_matrix().T + rng.normal(size=3)
    moved_bays = find_bays(mesh_of(points, fine.faces[rng.permutation(fine.n_faces)]))
    assert figures(moved_bays) == pytest.approx(figures(find_bays(whole)), rel=1e-9)
    assert sums_to_nought(moved_bays)


def figures(bays: Bays) -> np.ndarray:
    """Volume and area of each bay and area of each opening, smallest first."""
    return np.array(
        [
            *sorted(bay.volume for bay in bays.bays),
            *sorted(bay.area for bay in bays.bays),
            *sorted(opening.area for opening in bays.openings),
        ]
    )


@pytest.mark.parametrize("rise", [0.02, 0.06])
def test_a_bent_rim_has_a_run_for_each_sheet_that_it_interrupts_in_the_plane_of_that_sheet(
    rise: float,
) -> None:
    """Half a disc out of each half of a floor, a notch out of the rib that stands on both."""
    mesh = gabled(rise)
    slack = 1e-5 * mesh.diagonal
    rims, (bent,) = find_rims(mesh.points, mesh.faces, slack)
    assert len(bent) == sum(len(rim.edges) for rim in rims)
    left, right, notch = sorted(rims, key=lambda rim: -len(rim.edges))
    slope = np.array([0.0, rise, 0.2]) / np.hypot(0.2, rise)
    for given, normal, size in ((left, slope, 16), (right, slope, 16), (notch, X, 2)):
        assert np.abs(given.plane.axes[2]) == pytest.approx(normal, abs=1e-9)
        assert np.abs(given.plane.heights(mesh.points[given.edges.ravel()])).max() < slack
        assert len(given.edges) == size
        assert np.unique(given.edges, return_counts=True)[1].max() == 2
    ends = [np.flatnonzero(np.bincount(given.edges.ravel()) == 1).tolist() for given in (left, right, notch)]
    assert ends[0] == ends[1]
    assert mesh.points[ends[0]][:, 1:] == pytest.approx(np.array([[0.2, rise]] * 2), abs=1e-9)
    assert notch.nodes.tolist() == ends[2] == sorted([*left.nodes.tolist(), *right.nodes.tolist()])
    assert mesh.points[notch.nodes][:, 0] == pytest.approx(0.5)


@pytest.mark.parametrize("plain_first", [False, True])
def test_a_stringer_is_cut_at_the_rib_it_passes_whichever_rib_has_a_plain_hole(plain_first: bool) -> None:
    """One rib with a round hole, one with a cut-out that a blade passes: three bays and both openings."""
    cut_out = [(0.17, 0), (0.17, 0.04), (0.23, 0.04), (0.23, 0)]
    outline = [(0, 0), *cut_out, (0.4, 0), (0.4, 0.2), (0, 0.2)]
    parts = [
        sheet(rectangle(0.4, 0.2), [ring((0.2, 0.12), 0.08)], (0.3 * X, Y, Z), "rib"),
        box(SIZE, xs=[0.3, 0.7], ys=[0.17, 0.2, 0.23]),
        sheet(outline, [], (0.7 * X, Y, Z), "rib"),
        sheet(rectangle(0.2, 0.03), [], (0.6 * X + 0.2 * Y, X, Z), "blade"),
    ]
    bays = find_bays(mended(*(parts if plain_first else parts[::-1])))
    assert [bay.volume for bay in bays.bays] == pytest.approx([0.024, 0.032, 0.024], rel=1e-9)
    areas = [opening.area for opening in bays.openings]
    assert sorted(areas) == pytest.approx([0.0024, polygon_area(0.08)], rel=1e-9)
    assert sums_to_nought(bays)


@pytest.mark.parametrize("blade_first", [False, True])
def test_the_free_edge_of_a_blade_hides_no_opening(blade_first: bool) -> None:
    """A blade afloat and one from end to end, whose edge is straight, told before or after the port's rim."""
    blade = sheet(rectangle(0.5, 0.03), [], (0.2 * Y + 0.1 * Z + 0.2 * X, X, Z), "blade")
    stringer = sheet(rectangle(1.0, 0.03), [], (0.1 * Y, X, Z), "stringer")
    end = sheet(rectangle(0.4, 0.2), [ring((0.2, 0.1), 0.08)], (X, Y, Z), "end")
    parts = [blade, stringer, box(SIZE, open_end=True), end]
    bays = find_bays(mended(*(parts if blade_first else parts[::-1])))
    assert [opening.area for opening in bays.openings] == pytest.approx([polygon_area(0.08)], rel=1e-9)
    assert [bay.volume for bay in bays.bays] == pytest.approx([0.08], rel=1e-9)


def test_bays_that_are_open_to_their_neighbours_stay_bays() -> None:
    """Twenty bays of 50 mm, ribs with holes of 0.38 m: 0.113 of 0.286 m² open to one neighbour."""
    size, hole = (1.0, 0.4, 0.4), ring((0.2, 0.2), 0.38)
    xs = [k / 20 for k in range(1, 20)]
    ribs = [rib(x, size, [hole]) for x in xs]
    end = rib(1.0, size, [ring((0.2, 0.2), 0.05)])
    bays = find_bays(mended(box(size, open_end=True, xs=xs), *ribs, end))
    assert [bay.volume for bay in bays.bays] == pytest.approx([0.008] * 20, rel=1e-9)
    assert len(bays.openings) == 20
    assert sum(one.links[0] == -1 for one in bays.openings) == 1


def test_a_hole_at_a_seam_that_no_point_sees_whole_is_closed_along_the_seam() -> None:
    """An L in the floor and an oblong in the rib on it: the seam between its feet parts all three."""
    hole = [(0.45, 0.15), (0.55, 0.15), (0.55, 0.35), (0.52, 0.35), (0.52, 0.25), (0.45, 0.25)]
    foot = [(0, 0), (0.15, 0), (0.15, 0.05), (0.25, 0.05), (0.25, 0), (0.4, 0), (0.4, 0.2), (0, 0.2)]
    bays = find_bays(
        mended(
            sheet(rectangle(1.0, 0.4), [hole], (np.zeros(3), X, Y), "floor"),
            sheet(foot, [], (0.5 * X, Y, Z), "rib"),
            panel(1.0, 0.4, (0.2 * Z, X, Y), "top"),
            panel(1.0, 0.2, (np.zeros(3), X, Z), "front"),
            panel(1.0, 0.2, (0.4 * Y, X, Z), "rear"),
            panel(0.4, 0.2, (np.zeros(3), Y, Z), "root"),
            panel(0.4, 0.2, (X, Y, Z), "end"),
        )
    )
    assert [bay.volume for bay in bays.bays] == pytest.approx([0.04] * 2, rel=1e-9)
    assert {one.links: one.area for one in bays.openings} == pytest.approx(
        {(-1, 0): 0.05 * 0.1, (0, 1): 0.1 * 0.05, (-1, 1): 0.05 * 0.1 + 0.03 * 0.1}, rel=1e-9
    )
    assert sums_to_nought(bays)


def test_a_round_hole_over_the_edge_of_a_wall_in_a_drum_opens_both_its_halves_to_the_outside() -> None:
    """Halves of a 48-sided drum of 0.3 m: each has half of the hole of 0.1 m, and the same volume."""
    lids = [sheet(ring((0, 0), 0.6, 48).tolist(), [], (at * Z, X, Y), "lid") for at in (0.0, 0.5, 1.0)]
    bays = find_bays(with_round_hole(mended(tube(0.3, 1.0, 48), *lids), [0.3, 0, 0.5], X, 0.1).mesh)
    first, second = (bay.volume for bay in bays.bays)
    assert first == pytest.approx(second, rel=1e-8)
    # The cap is a plane, which leaves the drum by no more than the rise of its side over 50 mm.
    rise = 0.3 - np.sqrt(0.3**2 - 0.05**2)
    assert 0 <= 0.5 * polygon_area(0.6, 48) - first <= 0.5 * np.pi * 0.05**2 * rise
    assert [one.links for one in bays.openings] == [(-1, 0), (-1, 1)]
    assert [one.area for one in bays.openings] == pytest.approx([0.5 * np.pi * 0.05**2] * 2, rel=5e-3)
    assert sums_to_nought(bays)


@pytest.mark.parametrize("first", [0, 1])
def test_a_bent_rim_and_a_branching_one_are_both_closed_whichever_comes_first(first: int) -> None:
    ball = with_round_hole(icosphere(0.5, 1), [0.5, 0, 0], X, 0.3).mesh
    parts = [moved(ball, [3.0, 0, 0]), crossing_ribs()]
    bays = find_bays(joined([parts[first], parts[1 - first]]))
    assert len(bays.bays) == 5
    assert len(bays.openings) == 9


def test_a_blade_that_begins_at_a_hole_s_rim_leaves_the_hole_an_opening() -> None:
    """Its free edge starts on the rim and ends on the floor: a tail, which no cap has."""
    floor = sheet(rectangle(1.0, 0.4), [ring((0.5, 0.2), ACROSS)], (np.zeros(3), X, Y), "floor")
    blade = sheet(rectangle(0.25, 0.03), [], (0.55 * X + 0.2 * Y, X, Z), "blade")
    bays = find_bays(mended(floor, blade, *walls()))
    (only,) = bays.bays
    assert only.volume == pytest.approx(0.08, rel=1e-9)
    assert only.area == pytest.approx(1.36 - polygon_area(ACROSS) + 2 * 0.25 * 0.03, rel=1e-9)
    assert [one.area for one in bays.openings] == pytest.approx([polygon_area(ACROSS)], rel=1e-9)
