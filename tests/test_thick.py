"""Thick solids without a free edge: holes of every sort found by their walls, or by a grid that says so."""

from typing import Any

import numpy as np
import pytest
from specimens import polygon_area
from thick import (
    SEGMENTS,
    SHEET,
    countersunk,
    filleted,
    hollow,
    mesh_from,
    plain,
    slot,
    turned,
)

from bayreach.bays import Bays, Given, bay_report, find_bays
from bayreach.mesh import Mesh, mesh_of

PLACES = [(0.2, 0.2), (0.4, 0.2), (0.6, 0.2), (0.8, 0.2)]
INSCRIBED = np.cos(np.pi / SEGMENTS)
"""Inscribed over circumscribed circle of the polygons that stand for circles here."""


def slots(at: tuple[float, float]) -> Any:
    return slot(0.02, 0.08, at)


DRILLS = {
    "plain": (lambda at: turned(plain(0.05), at), 0.05 * INSCRIBED, SHEET),
    "countersunk": (lambda at: turned(countersunk(0.02, 0.026), at), 0.02 * INSCRIBED, SHEET),
    "countersunk all the way": (lambda at: turned(countersunk(0.02, 0.0295), at), 0.02 * INSCRIBED, SHEET),
    "filleted": (lambda at: turned(filleted(0.05, 0.0015), at), 0.05 * INSCRIBED, SHEET),
    "all fillet": (lambda at: turned(filleted(0.05, 0.002), at), 0.05 * INSCRIBED, SHEET),
    "slotted": (slots, 0.02, SHEET),
}


def sums_to_nought(bays: Bays) -> bool:
    total = sum(bay.volume for bay in bays.bays) + bays.outside_volume + bays.material_volume
    return abs(total) < 1e-14


@pytest.mark.parametrize("sort", DRILLS)
def test_each_sort_of_hole_through_a_thick_sheet_is_an_opening_as_wide_as_its_narrowest(sort: str) -> None:
    drill, width, thickness = DRILLS[sort]
    solid = hollow([drill(at) for at in PLACES])
    bays = find_bays(mesh_from(solid))
    (only,) = bays.bays
    assert bays.method == "cells"
    assert {opening.links for opening in bays.openings} == {(-1, 0)}
    assert [opening.diameter for opening in bays.openings] == pytest.approx([width] * 4, rel=1e-3)
    # A rounded rim hides where the skin ends: its thickness is that of the skin beside it.
    assert [opening.thickness for opening in bays.openings] == pytest.approx([thickness] * 4, rel=0.01)
    assert [opening.center[:2].tolist() for opening in bays.openings] == pytest.approx(
        np.array(PLACES), abs=1e-5
    )
    # Air inside and what of the four holes lies on this side of their caps; the solid by another library.
    assert 0.08 < only.volume < 0.08 + 4 * SHEET * bays.openings[0].area
    assert bays.material_volume == pytest.approx(solid.volume(), rel=1e-9)
    assert sums_to_nought(bays)


def test_all_sorts_in_one_floor_are_four_openings_of_their_own_sizes() -> None:
    chosen = ("plain", "countersunk", "filleted", "slotted")
    bays = find_bays(
        mesh_from(hollow([DRILLS[sort][0](at) for sort, at in zip(chosen, PLACES, strict=True)]))
    )
    assert [opening.diameter for opening in bays.openings] == pytest.approx(
        [DRILLS[sort][1] for sort in chosen], rel=1e-3
    )


def test_a_plain_hole_is_capped_half_way_through() -> None:
    # Half of each hole's wall and of its prism of air are inside; exact by hand.
    (only,) = find_bays(mesh_from(hollow([turned(plain(0.05), at) for at in PLACES]))).bays
    hole, girth = polygon_area(0.05, SEGMENTS), SEGMENTS * 0.05 * np.sin(np.pi / SEGMENTS)
    assert only.volume == pytest.approx(0.08 + 4 * hole * SHEET / 2, rel=1e-9)
    assert only.area == pytest.approx(1.36 - 4 * hole + 4 * girth * SHEET / 2, rel=1e-9)


@pytest.mark.parametrize("diameter", [0.04, 0.003])
def test_a_given_hole_is_drilled_through_both_skins_and_gets_its_wall(diameter: float) -> None:
    # Only the skin nearest to it used to be cut, and the material was taken for a bay with two openings.
    given = Given(name="port", center=np.array([0.6, 0.21, 0.0]), diameter=diameter)
    solid = hollow([turned(plain(0.05), PLACES[0])])
    bays = find_bays(mesh_from(solid), given=[given])
    (only,) = bays.bays
    port = bays.opening("port")
    assert port is not None
    assert (port.kind, port.links) == ("given", (-1, 0))
    assert port.thickness == pytest.approx(SHEET, rel=1e-6)
    hole, cut = polygon_area(0.05, SEGMENTS), polygon_area(diameter)
    assert port.area == pytest.approx(cut, rel=1e-6)
    assert only.volume == pytest.approx(0.08 + (hole + cut) * SHEET / 2, rel=1e-8)
    assert bays.material_volume == pytest.approx(solid.volume() - cut * SHEET, rel=1e-8)
    assert sums_to_nought(bays)


def doubler(gap: float) -> Any:
    """Build a plate below the floor with a hole under the floor's first."""
    import manifold3d

    top = -SHEET - gap
    block = manifold3d.Manifold.cube([0.3, 0.2, SHEET]).translate([0.05, 0.1, top - SHEET])
    return block - turned(plain(0.05, top, top - SHEET), PLACES[0])


def test_a_hole_through_two_layers_that_are_one_solid_is_one_opening() -> None:
    drills = [turned(plain(0.05, 0.0, -2 * SHEET), at) for at in PLACES]
    bays = find_bays(mesh_from(hollow(drills, floor=2 * SHEET)))
    assert [opening.thickness for opening in bays.openings] == pytest.approx([2 * SHEET] * 4, rel=1e-9)


def test_a_hole_through_two_solids_that_touch_is_one_opening_through_both() -> None:
    # Their meshes share no triangle where they touch: what lies on each other is cut as one and kept once.
    solids = hollow([turned(plain(0.05), PLACES[0])]), doubler(0.0)
    bays = find_bays(mesh_from(*solids))
    (only,) = bays.bays
    (opening,) = bays.openings
    assert opening.thickness == pytest.approx(2 * SHEET, rel=1e-9)
    # Half-way through both layers is where they touch, so the floor's whole prism of air is inside.
    assert only.volume == pytest.approx(0.08 + polygon_area(0.05, SEGMENTS) * SHEET, rel=1e-9)
    assert bays.material_volume == pytest.approx(sum(solid.volume() for solid in solids), rel=1e-9)
    assert not any(finding.kind == "coincident faces" for finding in bays.findings)
    assert sums_to_nought(bays)


def test_a_layer_with_a_gap_shields_no_hole() -> None:
    solids = hollow([turned(plain(0.05), PLACES[0])]), doubler(0.01)
    bays = find_bays(mesh_from(*solids))
    (only,) = bays.bays
    assert [opening.links for opening in bays.openings] == [(-1, 0)]
    assert bays.material_volume == pytest.approx(sum(solid.volume() for solid in solids), rel=1e-9)
    assert not only.sealed


def test_a_fitting_that_stands_in_the_air_is_material_and_no_bay() -> None:
    import manifold3d

    bolt = manifold3d.Manifold.cube([0.05, 0.05, 0.05]).translate([0.5, 0.1, 0.1])
    bays = find_bays(mesh_from(hollow([turned(plain(0.05), PLACES[0])]), bolt))
    (only,) = bays.bays
    hole = polygon_area(0.05, SEGMENTS)
    assert only.volume == pytest.approx(0.08 + hole * SHEET / 2 - 0.05**3, rel=1e-9)


def barred(*bars: tuple[Any, Any]) -> Mesh:
    """Build a box with one hole and bars across it, each a (size, corner) within the floor."""
    import manifold3d

    solid = hollow([turned(plain(0.05), (0.4, 0.2))])
    for size, corner in bars:
        solid += manifold3d.Manifold.cube(list(size)).translate(list(corner))
    return mesh_from(solid)


INNER_BAR = ((0.2, 0.006, SHEET / 2), (0.3, 0.197, -SHEET / 2))
OUTER_BAR = ((0.006, 0.2, SHEET / 2), (0.397, 0.1, -SHEET))


def test_a_bar_across_the_inner_half_of_a_hole_leaves_a_rod_the_room_on_either_hand() -> None:
    bays = find_bays(barred(INNER_BAR))
    (only,), (opening,) = bays.bays, bays.openings
    assert bays.method == "cells"
    # Between the bar's edge, 3 mm off the middle, and a rim of 25 mm: a circle of 22 mm less the sag.
    assert 0.025 * INSCRIBED - 0.003 <= opening.diameter <= 0.025 - 0.003
    # The cap lies under the bar; above it is the hole's prism less what the bar takes of it.
    deep = -opening.center[2]
    taken = (0.05 * 0.006) * SHEET / 2
    assert SHEET / 2 < deep < SHEET
    assert only.volume == pytest.approx(0.08 + polygon_area(0.05, SEGMENTS) * deep - taken, rel=1e-7)


def test_a_hole_that_is_no_ring_is_closed_on_a_grid_that_says_so_and_up_to_what() -> None:
    # Two bars that cross at half depth leave four ways through and no ring of wall.
    bays = find_bays(barred(INNER_BAR, OUTER_BAR))
    assert bays.method == "voxel"
    (only,) = bays.bays
    assert {opening.links for opening in bays.openings} == {(-1, 0)}
    (said,) = [finding for finding in bays.findings if finding.kind == "voxel method"]
    assert said.detail.startswith("The sheets are thick and the rings of wall in them close off no air, so")
    assert len(said.places)
    (doubt,) = [finding for finding in bays.findings if finding.kind == "voxel uncertainty"]
    off = float(doubt.detail.split("uncertain by ")[1].split(" L")[0]) * 1e-3
    # The air inside, and at most the hole's.
    assert 0.08 - off < only.volume < 0.08 + polygon_area(0.05) * SHEET + off
    assert off < 0.02 * only.volume
    assert only.area == pytest.approx(1.36, rel=0.01)
    assert sums_to_nought(bays)
    # Every face has its other side in the sheets' material.
    assert (bays.side_bay[bays.material_sides] == -1).all()
    assert np.unique(bays.material_sides // 2).tolist() == list(range(bays.mesh.n_faces))


@pytest.mark.parametrize("aside", [0.0, 0.03])
def test_a_shallow_box_with_holes_in_floor_and_ceiling_is_no_hole_through_a_thick_sheet(aside: float) -> None:
    # The space between two holes has one rim of each, as the wall of a hole has.
    through = turned(plain(0.05, 0.03 + SHEET, 0.03), (0.4 + aside, 0.2))
    solid = hollow([turned(plain(0.05), (0.4, 0.2))], size=(1.0, 0.4, 0.03)) - through
    bays = find_bays(mesh_from(solid))
    (only,) = bays.bays
    hole = polygon_area(0.05, SEGMENTS)
    assert only.volume == pytest.approx(0.012 + 2 * hole * SHEET / 2, rel=1e-9)
    # The other library draws its circles in single precision.
    assert [opening.area for opening in bays.openings] == pytest.approx([hole] * 2, rel=1e-6)
    assert bays.material_volume == pytest.approx(solid.volume(), rel=1e-9)


@pytest.mark.parametrize("sort", ["plain", "countersunk inside", "filleted"])
def test_a_drain_through_a_thick_floor_leaves_no_low_point(sort: str) -> None:
    profile = {
        "plain": plain(0.02),
        "countersunk inside": [
            (0, -2 * SHEET),
            (0.01, -2 * SHEET),
            (0.01, -0.003),
            (0.016, 0),
            (0.016, SHEET),
            (0, SHEET),
        ],
        "filleted": filleted(0.02, 0.0015),
    }[sort]
    drained = find_bays(mesh_from(hollow([turned(profile, (0.5, 0.2))])))
    assert not len(bay_report(drained, 0).low_points)
    # Turned over, the same hole is in the ceiling, and the other skin's inside is low.
    assert bay_report(drained, 0, down=(0, 0, 1)).low_points == pytest.approx(
        np.array([[0.5, 0.2, 0.2]]), abs=1e-9
    )


def test_a_drain_through_a_thick_deck_is_one_for_the_bay_above_it_alone() -> None:
    import manifold3d

    deck = manifold3d.Manifold.cube([1.0, 0.4, SHEET]).translate([0, 0, 0.1])
    deck -= turned(plain(0.02, 0.1 + SHEET, 0.1), (0.5, 0.2))
    bays = find_bays(mesh_from(hollow() + deck))
    upper = max(range(2), key=lambda k: bays.bays[k].box[1, 2])
    assert not len(bay_report(bays, upper).low_points)
    assert bay_report(bays, 1 - upper).low_points == pytest.approx(np.array([[0.5, 0.2, 0.0]]), abs=1e-9)
    # Upside down the lower one is above, and drains into the other.
    over = [bay_report(bays, k, down=(0, 0, 1)).low_points for k in (1 - upper, upper)]
    assert not len(over[0])
    assert over[1] == pytest.approx(np.array([[0.5, 0.2, 0.2]]), abs=1e-9)


def webbed(cut_outs: str) -> Any:
    """Build a sealed box with a thick web across it at x = 0.5, with cut-outs: hole, foot, arch, corner."""
    import manifold3d

    drill = (
        manifold3d.Manifold.cylinder(0.1, 0.03, 0.03, SEGMENTS).rotate([0, 90, 0]).translate([0.45, 0.2, 0])
    )
    foot = manifold3d.Manifold.cube([0.1, 0.04, 0.03]).translate([0.45, 0, 0])
    tools = {
        "hole": drill.translate([0, 0, 0.1]),
        "foot": foot.translate([0, 0.3, 0]),
        "arch": drill,
        "corner": foot,
    }
    web = manifold3d.Manifold.cube([SHEET, 0.4, 0.2]).translate([0.5, 0, 0])
    for name in cut_outs.split():
        web -= tools[name]
    return hollow() + web


DISC = polygon_area(0.06, SEGMENTS)
AREAS = {"hole": DISC, "foot": 0.04 * 0.03, "arch": DISC / 2, "corner": 0.04 * 0.03}


@pytest.mark.parametrize("cut_outs", ["hole", "foot", "arch", "corner", "corner arch foot hole"])
def test_a_thick_web_in_a_sealed_box_parts_it_whatever_is_cut_out_of_it(cut_outs: str) -> None:
    # What no hole joins to the outside used to be left unsearched, and cut-outs at a foot run together.
    solid = webbed(cut_outs)
    bays = find_bays(mesh_from(solid))
    open_area = sum(AREAS[name] for name in cut_outs.split())
    through = open_area * SHEET / 2
    assert bays.method == "cells"
    assert [bay.volume for bay in bays.bays] == pytest.approx([0.04 + through, 0.03968 + through], rel=1e-9)
    assert sorted(one.area for one in bays.openings) == pytest.approx(
        sorted(AREAS[name] for name in cut_outs.split()), rel=1e-6
    )
    assert {one.links for one in bays.openings} == {(0, 1)}
    assert [one.thickness for one in bays.openings] == pytest.approx([SHEET] * len(bays.openings), rel=1e-9)
    assert bays.material_volume == pytest.approx(solid.volume(), rel=1e-9)
    assert all(bay.sealed for bay in bays.bays)
    # A cut-out at the foot is level with the floor: neither bay drains through it.
    assert [len(bay_report(bays, bay).low_points) for bay in (0, 1)] == [1, 1]
    assert sums_to_nought(bays)


def test_tabs_and_steps_that_stand_on_a_thick_floor_are_no_cut_outs() -> None:
    import manifold3d

    tab = manifold3d.Manifold.cube([SHEET, 0.05, 0.06]).translate([0.3, 0.1, 0])
    step = manifold3d.Manifold.cube([0.1, 0.4, 0.05]).translate([0.6, 0, 0])
    bays = find_bays(mesh_from(hollow([turned(plain(0.05), PLACES[0])]) + tab + step))
    assert len(bays.bays) == 1
    assert [one.links for one in bays.openings] == [(-1, 0)]


def drum() -> Any:
    """Build a round drum of sheet with two holes in its curved wall, which bends more than it is thick."""
    import manifold3d

    t, holes = SHEET, manifold3d.Manifold.cylinder(0.2, 0.05, 0.05, 32).rotate([0, 90, 0])
    solid = manifold3d.Manifold.cylinder(1 + 2 * t, 0.3 + t, 0.3 + t, 48).translate([0, 0, -t])
    solid -= manifold3d.Manifold.cylinder(1, 0.3, 0.3, 48)
    return solid - holes.translate([0.2, 0, 0.3]) - holes.translate([0.2, 0, 0.6])


def test_a_drum_of_curved_sheet_has_its_air_and_its_two_bent_openings() -> None:
    solid = drum()
    bays = find_bays(mesh_from(solid))
    (only,) = bays.bays
    assert bays.method == "cells"
    assert bays.material_volume == pytest.approx(solid.volume(), rel=1e-9)
    # The inside by its own polygon, and between none and all of each hole's plug of 4 mm.
    inside, plug = polygon_area(0.6, 48), polygon_area(0.1, 32) * SHEET
    assert inside < only.volume < inside + 2 * 1.1 * plug
    assert len(bays.openings) == 2
    # A cap that bends with the wall is a little larger than the hole's flat outline.
    assert [opening.area for opening in bays.openings] == pytest.approx([polygon_area(0.1, 32)] * 2, rel=0.01)
    assert sums_to_nought(bays)


def test_the_grid_agrees_with_the_exact_bay_of_a_box_with_rounded_holes() -> None:
    mesh = mesh_from(hollow([turned(filleted(0.05, 0.0015), at) for at in PLACES]))
    exact, counted = find_bays(mesh), find_bays(mesh, method="voxel", closed_up_to=0.08)
    assert counted.bays[0].volume == pytest.approx(exact.bays[0].volume, rel=0.01)
    assert len(counted.openings) == len(exact.openings)
    assert counted.material_volume == pytest.approx(exact.material_volume, rel=1e-12)


def test_rounded_holes_in_a_plate_leave_it_a_part() -> None:
    import manifold3d

    plate = manifold3d.Manifold.cube([0.9, 0.4, SHEET]).translate([0, 0, -SHEET])
    for at in PLACES:
        plate -= turned(filleted(0.05, 0.0015), at)
    bays = find_bays(mesh_from(plate))
    assert not bays.bays
    assert any(finding.kind == "part, not a cavity" for finding in bays.findings)


def test_a_ring_shaped_cavity_is_no_plate_with_a_hole() -> None:
    # An oval ring, taller than wide, has bands that lean over and are turned to its own axis as well.
    turn = 2 * np.pi * np.arange(48) / 48
    solid = turned(np.stack([0.3 + 0.08 * np.cos(turn), 0.2 * np.sin(turn)], axis=1).tolist())
    raw = solid.to_mesh64()
    ring = mesh_of(raw.vert_properties[:, :3], raw.tri_verts.astype(np.int64))
    (only,) = find_bays(ring).bays
    assert only.volume == pytest.approx(solid.volume(), rel=1e-9)
    assert only.area == pytest.approx(solid.surface_area(), rel=1e-9)


@pytest.fixture(scope="module")
def floor_of_all_sorts() -> Mesh:
    chosen = ("plain", "countersunk", "filleted", "slotted")
    return mesh_from(hollow([DRILLS[sort][0](at) for sort, at in zip(chosen, PLACES, strict=True)]))


def figures(bays: Bays) -> np.ndarray:
    """Volume and area of each bay, the material's volume and the area of each opening, smallest first."""
    return np.array(
        [
            *sorted(bay.volume for bay in bays.bays),
            *sorted(bay.area for bay in bays.bays),
            bays.material_volume,
            *sorted(opening.area for opening in bays.openings),
        ]
    )


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("shape", ["floor", "drum", "web"])
def test_no_motion_order_or_division_of_a_thick_solid_changes_a_volume_or_an_area(
    shape: str, seed: int, floor_of_all_sorts: Mesh
) -> None:
    from scipy.spatial.transform import Rotation

    from bayreach.repair import subdivided

    shapes = {"floor": lambda: floor_of_all_sorts, "drum": lambda: mesh_from(drum())}
    whole = shapes.get(shape, lambda: mesh_from(webbed("corner arch foot hole")))()
    rng = np.random.default_rng(seed)
    known = find_bays(whole)
    fine = subdivided(whole, 0.3 / (1 + seed)).mesh
    points = fine.points @ Rotation.random(rng=rng).as_matrix().T + rng.normal(size=3)
    faces = fine.faces[rng.permutation(fine.n_faces)]
    moved = find_bays(mesh_of(points, faces))
    assert figures(moved) == pytest.approx(figures(known), rel=1e-9)
    assert sorted(opening.diameter for opening in moved.openings) == pytest.approx(
        sorted(opening.diameter for opening in known.openings), rel=1e-3
    )
    assert sums_to_nought(moved)
