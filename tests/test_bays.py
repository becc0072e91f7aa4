"""Bays and openings against closed forms."""

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
    ribbed_box,
    ring,
    sheet,
    thick_box,
    tube,
)

from bayreach.bays import Given, bay_at, bay_report, find_bays
from bayreach.mesh import Mesh, joined, mesh_of

SIZE = (1.0, 0.4, 0.2)


def test_a_closed_box_is_one_sealed_bay() -> None:
    bays = find_bays(box(SIZE))
    (only,) = bays.bays
    # 2 (1 x 0.4 + 0.4 x 0.2 + 0.2 x 1) and 1 x 0.4 x 0.2
    assert only.area == pytest.approx(1.36, rel=1e-12)
    assert only.volume == pytest.approx(0.08, rel=1e-12)
    assert only.sealed
    assert not bays.openings
    assert (bays.side_bay >= 0).sum() == bays.mesh.n_faces


@pytest.mark.parametrize("n", [1, 2, 3, 5, 9, 24])
def test_ribs_divide_a_box_into_equal_bays(n: int) -> None:
    bays = find_bays(ribbed_box(n, SIZE))
    assert [bay.volume for bay in bays.bays] == pytest.approx([0.08 / (n + 1)] * (n + 1), rel=1e-12)
    # 2 (a b + a c)/(n + 1) + 2 b c a bay
    assert [bay.area for bay in bays.bays] == pytest.approx([1.2 / (n + 1) + 0.16] * (n + 1), rel=1e-12)
    assert sum(bay.volume for bay in bays.bays) + bays.outside_volume == pytest.approx(0, abs=1e-15)


def test_a_lightening_hole_links_two_bays() -> None:
    bays = find_bays(ribbed_box(1, SIZE, hole=0.1))
    (opening,) = bays.openings
    assert opening.links == (0, 1)
    assert opening.center == pytest.approx([0.5, 0.2, 0.1], abs=1e-12)
    assert opening.normal == pytest.approx([1, 0, 0], abs=1e-12)
    assert opening.area == pytest.approx(polygon_area(0.1), rel=1e-12)
    assert opening.equivalent_diameter == pytest.approx(2 * np.sqrt(polygon_area(0.1) / np.pi), rel=1e-12)
    # The largest circle in a regular 32-gon of radius 0.05 has its apothem, 0.05 cos(pi/32).
    assert opening.diameter == pytest.approx(0.1 * np.cos(np.pi / 32), rel=2e-4)
    assert [bay.area for bay in bays.bays] == pytest.approx([0.76 - polygon_area(0.1)] * 2, rel=1e-12)
    assert [bay.volume for bay in bays.bays] == pytest.approx([0.04] * 2, rel=1e-12)
    assert all(bay.sealed for bay in bays.bays)


def test_an_open_end_is_a_large_opening_to_the_outside() -> None:
    bays = find_bays(box((1.0, 0.4, 0.3), open_end=True))
    (only,) = bays.bays
    (opening,) = bays.openings
    assert opening.large
    assert opening.links == (-1, 0)
    assert opening.normal == pytest.approx([-1, 0, 0], abs=1e-12)
    assert only.volume == pytest.approx(0.12, rel=1e-12)
    assert not only.sealed


def test_a_tube_open_at_both_ends_is_one_bay_with_two_openings() -> None:
    bays = find_bays(tube(0.1, 1.0, 96))
    (only,) = bays.bays
    # 96-gon: wall 2 n r sin(pi/n) L, volume n/2 r^2 sin(2 pi/n) L  [check-values J6: 0.0313935020 m3]
    assert only.area == pytest.approx(2 * 96 * 0.1 * np.sin(np.pi / 96), rel=1e-12)
    assert only.volume == pytest.approx(0.0313935020, rel=1e-9)
    assert len(bays.openings) == 2


def test_an_island_joins_the_bay_round_it() -> None:
    inner = icosphere(0.05, 2)
    bays = find_bays(joined([box(SIZE), moved(inner, [0.5, 0.2, 0.1])]))
    inside = find_bays(inner).bays[0]
    assert sorted(bay.volume for bay in bays.bays) == pytest.approx(
        [inside.volume, 0.08 - inside.volume], rel=1e-12
    )
    assert sorted(bay.area for bay in bays.bays) == pytest.approx(
        [inside.area, 1.36 + inside.area], rel=1e-12
    )


def test_a_floating_plate_wets_both_sides_and_is_no_opening() -> None:
    plate = sheet(rectangle(0.1, 0.1), [], ([0.3, 0.1, 0.1], X, Y))
    bays = find_bays(joined([box(SIZE), plate]))
    (only,) = bays.bays
    assert only.area == pytest.approx(1.36 + 0.02, rel=1e-12)
    assert only.volume == pytest.approx(0.08, rel=1e-12)
    assert not bays.openings


def test_a_blade_stringer_has_a_free_edge_and_no_opening() -> None:
    blade = sheet(rectangle(1.0, 0.03), [], (0.2 * Y, X, Z), "blade")
    bays = find_bays(mended(box(SIZE, ys=[0.2]), blade))
    (only,) = bays.bays
    assert only.area == pytest.approx(1.36 + 0.06, rel=1e-12)
    assert not bays.openings


def test_a_stringer_through_a_rib_cut_out_leaves_two_bays_linked_there() -> None:
    # Cut-out 60 x 40 mm at the bottom of the rib; a blade 30 mm high passes through its middle, and its
    # mesh knows nothing of the rib.
    outline = [(0, 0), (0.17, 0), (0.17, 0.04), (0.23, 0.04), (0.23, 0), (0.4, 0), (0.4, 0.2), (0, 0.2)]
    cut_rib = sheet(outline, [], (0.5 * X, Y, Z), "rib")
    blade = sheet(rectangle(1.0, 0.03), [], (0.2 * Y, X, Z), "blade")
    bays = find_bays(mended(box(SIZE, xs=[0.5], ys=[0.17, 0.2, 0.23]), cut_rib, blade))
    assert len(bays.bays) == 2
    (opening,) = bays.openings
    assert opening.links == (0, 1)
    assert opening.area == pytest.approx(0.06 * 0.04, rel=1e-9)
    # A rod beside the blade has 30 mm between blade and edge, above the blade 10 mm.
    assert opening.diameter == pytest.approx(0.03, rel=1e-3)
    assert [bay.volume for bay in bays.bays] == pytest.approx([0.04] * 2, rel=1e-12)
    assert [bay.area for bay in bays.bays] == pytest.approx([0.76 - 0.0024 + 0.03] * 2, rel=1e-12)


def test_an_open_panel_has_no_bay_and_says_so() -> None:
    bays = find_bays(sheet(rectangle(1, 1), [ring((0.5, 0.5), 0.2)], (np.zeros(3), X, Y)))
    assert not bays.bays
    assert not bays.openings
    assert any("open panel" in finding.detail for finding in bays.findings)


def test_a_name_from_the_user_sticks_to_the_opening_at_its_place() -> None:
    given = Given(name="web hole", center=np.array([0.5, 0.21, 0.1]))
    bays = find_bays(ribbed_box(1, SIZE, hole=0.1), given=[given])
    assert [(opening.name, opening.kind) for opening in bays.openings] == [("web hole", "found")]
    assert bays.bays[0].openings == ("web hole",)


def test_a_given_opening_is_cut_where_the_mesh_has_none() -> None:
    given = Given(name="port", center=np.array([0.25, 0.2, 0.0]), diameter=0.08)
    bays = find_bays(ribbed_box(1, SIZE, hole=0.1), given=[given])
    port = bays.opening("port")
    assert port is not None
    assert port.kind == "given"
    assert port.links == (-1, 0)
    assert port.area == pytest.approx(polygon_area(0.08), rel=1e-9)
    assert bays.bays[0].area == pytest.approx(0.76 - polygon_area(0.1) - polygon_area(0.08), rel=1e-9)
    assert not bays.bays[1].sealed


def test_points_know_their_bay() -> None:
    bays = find_bays(ribbed_box(1, SIZE, hole=0.1))
    points = [[0.49, 0.2, 0.1], [0.51, 0.2, 0.1], [1.1, 0.2, 0.1], [0.01, 0.01, 0.01]]
    assert bay_at(bays, points).tolist() == [0, 1, -1, 0]


def test_a_rib_at_an_open_end_makes_two_openings() -> None:
    web = sheet(rectangle(1.0, 0.3), [], (0.2 * Y, X, Z), "web")
    bays = find_bays(mended(box((1.0, 0.4, 0.3), open_end=True, ys=[0.2]), web))
    assert len(bays.bays) == 2
    assert [opening.links for opening in bays.openings] == [(-1, 0), (-1, 1)]
    assert [bay.volume for bay in bays.bays] == pytest.approx([0.06] * 2, rel=1e-12)


def test_rib_helper_stands_where_it_says() -> None:
    assert rib(0.3, SIZE).points[:, 0] == pytest.approx(0.3)


def test_ribs_and_stringers_that_only_touch_the_skin_divide_it_all_the_same() -> None:
    # Skins are two triangles each and know nothing of what stands on them.
    outline = [(0, 0), (0.17, 0), (0.17, 0.04), (0.23, 0.04), (0.23, 0), (0.4, 0), (0.4, 0.2), (0, 0.2)]
    cut_rib = sheet(outline, [ring((0.2, 0.12), 0.08)], (0.5 * X, Y, Z), "rib")
    blade = sheet(rectangle(1.0, 0.03), [], (0.2 * Y, X, Z), "blade")
    bays = find_bays(mended(box(SIZE), cut_rib, blade))
    assert len(bays.bays) == 2
    assert [bay.volume for bay in bays.bays] == pytest.approx([0.04] * 2, rel=1e-9)
    assert [opening.area for opening in bays.openings] == pytest.approx(
        [0.0024, polygon_area(0.08)], rel=1e-6
    )
    area = 0.76 - 0.0024 - polygon_area(0.08) + 0.03
    assert [bay.area for bay in bays.bays] == pytest.approx([area] * 2, rel=1e-6)


def test_a_rib_that_passes_through_the_skin_still_divides_the_box() -> None:
    proud = sheet(rectangle(0.5, 0.3), [], (0.5 * X - 0.05 * Y - 0.05 * Z, Y, Z), "rib")
    bays = find_bays(mended(box(SIZE), proud))
    assert [bay.volume for bay in bays.bays] == pytest.approx([0.04] * 2, rel=1e-9)
    assert [bay.area for bay in bays.bays] == pytest.approx([0.76] * 2, rel=1e-6)
    assert not bays.openings


@pytest.mark.parametrize("segments", [32, 720])
def test_a_thick_wing_box_with_six_holes_has_the_published_wetted_area(segments: int) -> None:
    # J10: 1.0 x 0.4 x 0.2 m inside, six holes of 50 mm through 2 mm plate: hull 1.36, less holes 1.3482190,
    # with their walls 1.3501040 m2, volume 0.08 m3. A cap half-way through leaves half of each wall inside.
    bays = find_bays(thick_box(SIZE, 0.002, 0.05, [0.1, 0.26, 0.42, 0.58, 0.74, 0.9], segments))
    (only,) = bays.bays
    holes, wall = 6 * polygon_area(0.05, segments), 6 * segments * 0.05 * np.sin(np.pi / segments) * 0.002
    assert only.area == pytest.approx(1.36 - holes + wall / 2, rel=1e-9)
    assert only.volume == pytest.approx(0.08 + holes * 0.001, rel=1e-9)
    if segments == 720:
        assert 1.36 - holes == pytest.approx(1.3482190, rel=1e-6)
        assert only.area + wall / 2 == pytest.approx(1.3501040, rel=1e-6)
    assert len(bays.openings) == 6
    assert {opening.links for opening in bays.openings} == {(-1, 0)}
    assert [opening.thickness for opening in bays.openings] == pytest.approx([0.002] * 6, rel=1e-9)
    assert [opening.center[2] for opening in bays.openings] == pytest.approx([-0.001] * 6, rel=1e-9)
    solid = 1.004 * 0.404 * 0.204 - 0.08 - holes * 0.002
    assert bays.material_volume == pytest.approx(solid, rel=1e-9)
    total = only.volume + bays.outside_volume + bays.material_volume
    assert total == pytest.approx(0, abs=1e-15)
    assert not only.sealed


def test_a_closed_double_shell_has_its_air_inside_and_its_material_between() -> None:
    bays = find_bays(thick_box(SIZE, 0.002, 0.05, []))
    (only,) = bays.bays
    assert only.volume == pytest.approx(0.08, rel=1e-9)
    assert only.area == pytest.approx(1.36, rel=1e-9)
    assert bays.material_volume == pytest.approx(1.004 * 0.404 * 0.204 - 0.08, rel=1e-9)
    assert only.sealed


def test_a_plate_with_holes_is_a_part_and_no_cavity() -> None:
    import manifold3d

    plate = manifold3d.Manifold.cube([0.3, 0.2, 0.01])
    plate -= manifold3d.Manifold.cylinder(0.03, 0.02, 0.02, 48).translate([0.1, 0.1, -0.01])
    solid = plate.to_mesh64()
    bays = find_bays(mended(mesh_of(solid.vert_properties[:, :3], solid.tri_verts.astype(np.int64))))
    assert not bays.bays
    assert not bays.openings
    (said,) = [finding for finding in bays.findings if finding.kind == "part, not a cavity"]
    assert said.detail.startswith("This is a part, not a cavity: the mesh encloses 0.58")


def test_nested_boxes_of_sheet_are_two_bays() -> None:
    bays = find_bays(joined([box(SIZE), moved(box((0.5, 0.2, 0.1)), [0.25, 0.1, 0.05])]))
    assert sorted(bay.volume for bay in bays.bays) == pytest.approx([0.01, 0.07], rel=1e-12)
    assert sum(bay.volume for bay in bays.bays) + bays.outside_volume == pytest.approx(0, abs=1e-15)


def test_a_bay_tells_its_area_by_part_and_orientation_its_low_points_and_its_liquid() -> None:
    bays = find_bays(ribbed_box(1, SIZE))
    told = bay_report(bays, 0, film=10e-6, volume_solids=0.5)
    # Half the box: floor and ceiling 0.5 x 0.4 each, long walls 0.5 x 0.2 twice, root and rib 0.4 x 0.2.
    assert told.area_of_part == pytest.approx(
        {"bottom": 0.2, "top": 0.2, "front": 0.1, "rear": 0.1, "root": 0.08, "rib at 0.5": 0.08}
    )
    assert (told.area_up, told.area_down, told.area_vertical) == pytest.approx((0.2, 0.2, 0.36))
    # 0.76 m2 x 10 um / 0.5 = 15.2 mL
    assert told.liquid == pytest.approx(15.2e-6)
    # The level floor is one low place.
    assert len(told.low_points) == 1
    assert told.low_points[0][2] == pytest.approx(0.0, abs=1e-12)


def test_a_box_on_its_corner_has_one_low_point_there() -> None:
    bays = find_bays(box(SIZE))
    told = bay_report(bays, 0, down=(-1, -1, -1))
    assert told.low_points == pytest.approx(np.zeros((1, 3)), abs=1e-12)


@pytest.mark.parametrize("scale", [1e-3, 1.0, 1e3])
def test_low_points_and_planes_of_wall_go_by_the_size_of_the_structure(scale: float) -> None:
    whole = box(SIZE, open_end=True)
    sized = Mesh(
        points=whole.points * scale,
        faces=whole.faces,
        face_parts=whole.face_parts,
        part_names=whole.part_names,
    )
    aside = find_bays(sized, shut=[((1.01 * scale, 0, 0), X)], method="cells")
    assert any(finding.kind == "cap not placed" for finding in aside.findings)
    shut = find_bays(sized, shut=[((1.0005 * scale, 0, 0), X)], method="cells")
    assert not shut.openings
    told = bay_report(shut, 0, down=(0, 0, -1))
    assert told.name == "bay 1"
    # The floor ends at an open edge of sheet, so liquid runs off it; tipped the other way it stays.
    assert not len(told.low_points)
    tipped = bay_report(shut, 0, down=(-1, 0, -1)).low_points / scale
    assert tipped == pytest.approx(np.array([[0.0, 0.2, 0.0]]), abs=1e-9)


def test_a_half_model_is_closed_on_its_symmetry_plane_when_told_to() -> None:
    # A tray 1 x 1 x 0.1 m is half of a box cut along its middle: more open than closed, by itself no bay.
    walls = box((0.4, 1.0, 0.1), open_end=True)
    tray = Mesh(
        points=walls.points[:, [2, 1, 0]],
        faces=walls.faces,
        face_parts=walls.face_parts,
        part_names=walls.part_names,
    )
    shallow = mended(
        panel(1, 1, (np.zeros(3), X, Y), "floor"),
        *(
            panel(1, 0.1, (origin, along, Z), "rim")
            for origin, along in ((np.zeros(3), X), (np.zeros(3), Y), (X, Y), (Y, X))
        ),
    )
    assert not find_bays(shallow, method="cells").bays
    (half,) = find_bays(shallow, shut=[((0, 0, 0.1), (0, 0, 1))]).bays
    assert half.volume == pytest.approx(0.1, rel=1e-12)
    assert half.area == pytest.approx(1.4, rel=1e-12)
    assert half.sealed
    (deep,) = find_bays(tray, shut=[((0, 0, 0.4), (0, 0, 1))]).bays
    assert deep.volume == pytest.approx(0.04, rel=1e-12)
    assert not deep.openings


@pytest.mark.parametrize(
    ("diameter", "center", "words"),
    [
        (None, [0.25, 0.2, 0.0], 'Opening "port": the mesh has no opening there; state its diameter'),
        (0.05, [0.25, 0.2, 0.1], 'Opening "port": it was cut, but both its sides look on the same air'),
    ],
)
def test_a_given_opening_that_opens_nothing_is_told(
    diameter: float | None, center: list[float], words: str
) -> None:
    plate = sheet(rectangle(0.2, 0.2), [], ([0.15, 0.1, 0.1], X, Y))
    whole = joined([box(SIZE), plate])
    given = Given(name="port", center=np.array(center), diameter=diameter)
    bays = find_bays(whole, given=[given])
    assert bays.opening("port") is None
    assert any(finding.detail.startswith(words) for finding in bays.findings)


def test_a_hole_at_a_seam_of_three_sheets_opens_each_pair_of_its_three_airs() -> None:
    # A disc out of the floor round the foot of the rib, and half a disc out of the rib: bay, bay and outside.
    disc = ring((0.2, 0.0), 0.1, 32)
    half = disc[disc[:, 1] >= -1e-12]
    half = half[np.argsort(half[:, 0])]
    floor = sheet(rectangle(1.0, 0.4), [ring((0.5, 0.2), 0.1, 32)], (np.zeros(3), X, Y), "floor")
    outline = [(0, 0), *half.tolist(), (0.4, 0), (0.4, 0.2), (0, 0.2)]
    web = sheet(outline, [], (0.5 * X, Y, Z), "rib")
    walls = [
        sheet(rectangle(1.0, 0.4), [], (0.2 * Z, X, Y)),
        sheet(rectangle(1.0, 0.2), [], (np.zeros(3), X, Z)),
        sheet(rectangle(1.0, 0.2), [], (0.4 * Y, X, Z)),
        sheet(rectangle(0.4, 0.2), [], (np.zeros(3), Y, Z)),
        sheet(rectangle(0.4, 0.2), [], (X, Y, Z)),
    ]
    bays = find_bays(mended(floor, web, *walls))
    assert [bay.volume for bay in bays.bays] == pytest.approx([0.04] * 2, rel=1e-9)
    assert [opening.links for opening in bays.openings] == [(-1, 0), (0, 1), (-1, 1)]
    # All three are half discs that meet along the seam.
    assert [opening.area for opening in bays.openings] == pytest.approx([polygon_area(0.1) / 2] * 3, rel=1e-9)
    assert [bay.area for bay in bays.bays] == pytest.approx([0.76 - polygon_area(0.1)] * 2, rel=1e-9)
