"""Caps of rims that bend: folded along the seams of their sheets, fanned to a middle, or filled flat."""

import numpy as np
import pytest
from specimens import X, Y, Z, box, mended, polygon_area, rib, ribbed_box, thick_box
from test_bay_parts import AWAY, SIZE, TURNED, divided
from thick import mesh_from

from bayreach.arrays import OUTSIDE, unit_vectors
from bayreach.bays import Given, bay_at, find_bays
from bayreach.bays._bent import bent_cap, folded_cap
from bayreach.bays._flat import Cap
from bayreach.bays._hubs import hub_caps, hub_of
from bayreach.bays._least import least_cap
from bayreach.bays._loops import corners_of, loop_length
from bayreach.bays._regions import outward_corners
from bayreach.measure import area_vectors
from bayreach.mesh import Mesh, mesh_of

A, B = 0.3, 0.2


def areas_of(points: np.ndarray, faces: np.ndarray) -> np.ndarray:
    return np.linalg.norm(area_vectors(points[faces]), axis=1)


def closes(faces: np.ndarray, loop: np.ndarray) -> bool:
    """Say whether faces have the loop as their only free edges, each once."""
    pairs = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)
    edges, times = np.unique(pairs, axis=0, return_counts=True)
    rim = np.sort(np.stack([loop, np.roll(loop, -1)], axis=1), axis=1)
    free = edges[times == 1]
    return sorted(map(tuple, free.tolist())) == sorted(map(tuple, rim.tolist())) and times.max() <= 2


def with_normals(corners: np.ndarray, normals: np.ndarray, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Return a loop with more points on its edges, and the normal of each edge."""
    ring = divided(corners, seed, 2)
    marks = np.array([np.abs(ring - corner).sum(axis=1).argmin() for corner in corners])
    owner = np.searchsorted(marks, np.arange(len(ring)), side="right") - 1
    return ring, normals[owner]


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("moved", [False, True])
def test_a_hole_over_the_edge_of_two_sheets_is_closed_by_both_of_their_planes(seed: int, moved: bool) -> None:
    """0.3 m of the floor and 0.2 m of the wall by 1 m: 0.3 m² in one plane, 0.2 m² in the other."""
    corners = np.array([[0, 0, 0], [A, 0, 0], [A, 1, 0], [0, 1, 0], [0, 1, B], [0, 0, B]])
    ring, normals = with_normals(corners, np.repeat([-Z, -X], 3, axis=0), seed)
    if moved:
        ring, normals = ring @ TURNED + AWAY, normals @ TURNED
    loop = np.arange(len(ring))[::1]
    cap = folded_cap(ring, loop, normals)
    assert cap is not None
    assert cap.apex is None
    assert closes(cap.faces, loop)
    heading = np.abs(area_vectors(ring[cap.faces]) @ normals[0])
    assert heading.sum() == pytest.approx(A)
    assert areas_of(ring, cap.faces).sum() == pytest.approx(A + B)
    # Where the sheet lies on the other hand there is nothing of it to go on with.
    other = folded_cap(ring, loop, -normals)
    assert other is not None
    assert other.apex is not None


def test_a_hole_over_a_corner_of_three_sheets_goes_on_with_each_as_far_as_the_line_across_its_run() -> None:
    """A cube of 0.3 m off a corner: half a square of each sheet, and the triangle that is left between."""
    corners = A * np.array([[1, 0, 0], [1, 1, 0], [0, 1, 0], [0, 1, 1], [0, 0, 1], [1, 0, 1.0]])
    for seed in range(3):
        ring, normals = with_normals(corners, np.repeat([-Z, -X, -Y], 2, axis=0), seed)
        loop = np.arange(len(ring))
        cap = folded_cap(ring, loop, normals)
        assert cap is not None
        assert closes(cap.faces, loop)
        assert areas_of(ring, cap.faces).sum() == pytest.approx(A**2 * (1.5 + np.sqrt(3) / 2))
        for normal in np.eye(3):
            vectors = area_vectors(ring[cap.faces])
            along = np.abs(vectors @ normal) > 0.99 * np.linalg.norm(vectors, axis=1)
            assert np.linalg.norm(vectors[along], axis=1).sum() == pytest.approx(A**2 / 2)


def test_a_bent_rim_in_one_sheet_is_filled_from_its_middle_or_as_its_shadow_is() -> None:
    """Flat: its own triangles; a saddle: one to its middle for each edge; a kidney: its own corners."""
    angle = 2 * np.pi * np.arange(20) / 20
    circle = np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=1)
    saddle = circle + 0.2 * np.cos(2 * angle)[:, None] * Z
    loop = np.arange(20)
    flat = bent_cap(circle, loop)
    assert flat is not None
    assert flat.apex is None
    assert len(flat.faces) == 18
    assert areas_of(circle, flat.faces).sum() == pytest.approx(10 * np.sin(np.pi / 10))
    fan = bent_cap(saddle, loop)
    assert fan is not None
    assert fan.apex == pytest.approx(np.zeros(3), abs=1e-12)
    assert fan.faces.tolist() == [[k, (k + 1) % 20, -1] for k in range(20)]
    assert (fan.planar, fan.in_sheet) == (False, False)
    assert fan.shape.area == pytest.approx(10 * np.sin(np.pi / 10))
    reach = np.where(np.abs(np.angle(np.exp(1j * angle))) < 0.6, 0.1, 1.0) - np.where(
        np.abs(np.angle(np.exp(1j * angle))) < 0.6, 0.4, 0.0
    )
    kidney = saddle * [1, 1, 1] * np.abs(reach)[:, None] + (reach < 0)[:, None] * (-0.6 * X)
    filled = bent_cap(kidney, loop)
    assert filled is not None
    assert filled.apex is None
    assert closes(filled.faces, loop)
    assert len(filled.faces) == 18
    assert (filled.planar, filled.in_sheet) == (False, False)
    finer = divided(kidney, 1)
    again = bent_cap(finer, np.arange(len(finer)))
    assert again is not None
    assert closes(again.faces, np.arange(len(finer)))
    assert areas_of(finer, again.faces).sum() == pytest.approx(areas_of(kidney, filled.faces).sum())
    # Crossed it has no shadow to fill, nor has a line an area.
    crossed = np.array([[0, 0, 0], [3, 3, 0], [3, 0, 0], [0, 1.0, 0]])
    assert bent_cap(crossed, np.arange(4)) is None
    assert bent_cap(np.outer(np.arange(4.0), X), np.arange(4)) is None
    assert corners_of(saddle).all()


def test_a_seam_s_hub_lies_where_all_sheets_of_its_runs_meet() -> None:
    """Floor and two ribs that meet at (1, 2, 0): the corner itself; floor and one rib: on their seam."""
    corner = np.array([1.0, 2.0, 0.0])
    spots = corner + 0.1 * np.array([X, Y, -X, -Y, Z])
    arcs = {(0, 1): Z, (1, 2): Z, (2, 3): Z, (3, 0): Z, (0, 4): Y, (4, 2): Y, (1, 4): X, (4, 3): X}
    runs = [np.array(pair) for pair in arcs]
    assert hub_of(spots, runs, arcs) == pytest.approx(corner)
    backwards = {pair[::-1]: normal for pair, normal in arcs.items()}
    assert hub_of(spots, runs, backwards) == pytest.approx(corner)
    two = {(0, 1): Z, (1, 2): Z, (2, 3): Z, (3, 0): Z, (0, 4): Y, (4, 2): Y}
    hub = hub_of(spots, [np.array(pair) for pair in two], two)
    assert hub[[1, 2]] == pytest.approx(corner[[1, 2]])
    assert hub[0] == pytest.approx(np.mean([spots[k][0] for k in range(5)]))


def test_a_hub_that_does_not_see_its_rim_has_no_caps() -> None:
    """Runs round a point fill a disc; a face across one sight line leaves none, one between two lines all."""
    angle = 2 * np.pi * np.arange(12) / 12
    points = np.vstack([np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=1), np.zeros((1, 3))])
    runs = [np.arange(0, 5), np.arange(4, 9), np.array([8, 9, 10, 11, 0])]

    def caps_with(face: np.ndarray) -> list[Cap] | None:
        return hub_caps(points + AWAY, runs, 12, face[None] + AWAY)

    def upright(turn: float, reach: float, width: float = 0.03) -> np.ndarray:
        """Return a face that stands across the disc at a turn and a distance from its middle."""
        out = np.array([np.cos(turn), np.sin(turn), 0.0])
        along = np.array([-out[1], out[0], 0.0])
        return reach * out + np.array([-0.2 * Z, 0.2 * Z + width * along, 0.2 * Z - width * along])

    caps = caps_with(upright(0.0, 5.0))
    assert caps is not None
    assert [len(cap.faces) for cap in caps] == [4, 4, 4]
    assert sum(areas_of(points, cap.faces).sum() for cap in caps) == pytest.approx(6 * np.sin(np.pi / 6))
    assert [cap.rim.tolist() for cap in caps] == [[*run.tolist(), 12] for run in runs]
    for k in range(12):
        assert caps_with(upright(angle[k], 0.3)) is None
        assert caps_with(upright(angle[k], 0.9)) is None
        assert caps_with(upright(angle[k] + np.pi / 12, 0.5)) is not None
        assert caps_with(upright(angle[k], 1.02)) is not None
    assert caps_with(upright(0.0, 0.5) + Z) is not None
    # A run that turns back has faces of either hand.
    points[2] *= -0.5
    assert caps_with(upright(0.0, 5.0)) is None


def test_a_loop_without_an_outline_has_a_strip_of_its_area_and_length_to_measure_a_rod_by() -> None:
    """Like an 8 whose crossing is 0.2 m apart: half its length by twice its area over the length."""
    angle = 2 * np.pi * np.arange(40) / 40
    eight = np.stack([np.sin(2 * angle), 2 * np.sin(angle), 0.1 * np.cos(angle)], axis=1)
    cap = least_cap(eight, np.arange(40))
    assert cap is not None
    assert closes(cap.faces, cap.rim)
    area, length = areas_of(eight, cap.faces).sum(), loop_length(eight)
    assert cap.shape.bounds == pytest.approx((0.0, 0.0, length / 2, 2 * area / length))
    assert np.linalg.norm(cap.flat, axis=1) == pytest.approx(np.full(40, length / (2 * np.pi)))
    assert len(np.unique(cap.flat.round(9), axis=0)) == 40
    # A line has none.
    assert least_cap(np.outer(np.arange(5.0), X), np.arange(5)) is None


def test_bays_know_their_neighbours_and_points_beside_an_opening_on_which_hand_they_are() -> None:
    """1 mm before and behind holes that are most of a rib or a whole end: inside, next door, outside."""
    bays = find_bays(ribbed_box(2, SIZE, hole=0.1))
    assert [bay.neighbours for bay in bays.bays] == [(1,), (0, 2), (1,)]
    ribs = [rib(k / 10, SIZE, [[(0.01, 0.01), (0.39, 0.01), (0.39, 0.19), (0.01, 0.19)]]) for k in (4, 7)]
    wide = find_bays(mended(box(SIZE, open_end=True, xs=[0.4, 0.7]), *ribs))
    places = [[x + side * 1e-3, 0.2, 0.1] for x in (0.4, 0.7, 1.0) for side in (-1, 1)]
    assert bay_at(wide, places).tolist() == [0, 1, 1, 2, 2, OUTSIDE]
    assert bay_at(wide, [[0.9, 0.2, 0.1]]).tolist() == [2]
    assert bay_at(wide, [[0.5, 0.2, -1e-3], [0.5, 0.401, 0.1], [9, 9, 9]]).tolist() == [OUTSIDE] * 3
    edges = [[0.2, 0.2, 1e-4], [0.2, 1e-4, 0.1], [0.2, 0.2, 0.2 - 1e-4], [0.2, 0.4 - 1e-4, 0.1]]
    assert bay_at(wide, edges).tolist() == [0] * 4


def test_two_names_at_one_opening_name_it_once_and_the_second_is_told() -> None:
    centre = np.array([0.5, 0.2, 0.1])
    names = [Given(name=name, center=centre) for name in ("port", "again")]
    bays = find_bays(ribbed_box(1, SIZE, hole=0.1), given=names)
    assert [one.name for one in bays.openings] == ["port"]
    (said,) = [finding for finding in bays.findings if finding.kind == "opening not found"]
    assert said.detail.startswith('Opening "again": the mesh has no opening there')


def test_a_hole_through_a_thick_sheet_is_the_same_from_either_skin_and_whichever_way_it_is_drilled() -> None:
    found = []
    for height, way in ((0.0, Z), (0.0, -Z), (-0.002, Z), (-0.002, -Z)):
        port = Given(name="port", center=np.array([0.3, 0.2, height]), normal=way, diameter=0.03)
        bays = find_bays(thick_box(SIZE, 0.002, 0.05, [0.7]), given=[port])
        (only,) = bays.bays
        one = bays.opening("port")
        assert one is not None
        found.append([only.volume, only.area, bays.material_volume, one.area, one.thickness, *one.center])
    assert np.ptp(found, axis=0) == pytest.approx(np.zeros(8), abs=1e-12)
    assert found[0][4:] == pytest.approx([0.002, 0.3, 0.2, -0.001])


def test_a_slit_is_closed_and_told_and_faces_that_lie_on_each_other_too() -> None:
    """0.2 m by 0.3 mm in the end: no opening, but a finding at its middle."""
    slit = [(0.1, 0.1), (0.3, 0.1), (0.3, 0.1003), (0.1, 0.1003)]
    bays = find_bays(mended(box(SIZE, open_end=True), rib(1.0, SIZE, [slit])))
    assert not bays.openings
    assert bays.bays[0].sealed
    (said,) = [finding for finding in bays.findings if finding.kind == "slits"]
    assert (said.count, said.is_repair) == (1, False)
    assert said.places == pytest.approx(np.array([[1.0, 0.2, 0.10015]]))
    whole = box(SIZE)
    twice = mesh_of(whole.points, np.concatenate([whole.faces, whole.faces[:1]]))
    (said,) = [
        finding for finding in find_bays(twice, method="cells").findings if finding.kind == "coincident faces"
    ]
    corners = whole.points[whole.faces[0]]
    middles = 0.5 * (corners + np.roll(corners, -1, axis=0))
    assert said.count == len(said.places) == 3
    assert all(np.linalg.norm(middles - place, axis=1).min() < 1e-12 for place in said.places)


def enclosed(mesh: Mesh, sides: np.ndarray) -> float:
    """Return the volume that sides look into, by the divergence theorem."""
    corners = outward_corners(mesh.corners.copy(), sides)
    return float(np.einsum("ij,ij->", corners.mean(axis=1), area_vectors(corners))) / 3


def test_sides_of_material_enclose_its_volume_in_a_part_in_thick_sheets_and_on_a_grid() -> None:
    import manifold3d

    plate = manifold3d.Manifold.cube([0.3, 0.2, 0.01])
    plate -= manifold3d.Manifold.cylinder(0.03, 0.02, 0.02, 24).translate([0.1, 0.1, -0.01])
    holed = thick_box(SIZE, 0.002, 0.05, [0.5])
    for bays in (
        find_bays(mesh_from(plate)),
        find_bays(box(SIZE), encloses="material"),
        find_bays(holed),
        find_bays(holed, method="voxel", closed_up_to=0.06),
    ):
        assert bays.material_volume > 0
        assert enclosed(bays.mesh, bays.material_sides) == pytest.approx(bays.material_volume, rel=1e-9)


def test_faces_know_the_face_they_were_before_an_opening_was_cut_and_rims_were_split() -> None:
    """A port cut in a box whose stringer is split at a rib: each face lies in the plane of the one it was."""
    port = Given(name="port", center=np.array([0.25, 0.2, 0.0]), diameter=0.08)
    whole = ribbed_box(1, SIZE, hole=0.1)
    nowhere = Given(name="nowhere", center=np.array([0.8, 0.2, 0.0]))
    bays = find_bays(whole, given=[nowhere, port])
    assert bays.opening("port") is not None
    assert bays.mesh.n_faces > whole.n_faces
    before = whole.corners[bays.source_faces]
    normals = unit_vectors(area_vectors(before))
    heights = np.einsum("ijk,ik->ij", bays.mesh.corners - before[:, :1], normals)
    assert np.abs(heights).max() < 1e-9
    areas = np.bincount(bays.source_faces, areas_of(bays.mesh.points, bays.mesh.faces), whole.n_faces)
    lost = areas_of(whole.points, whole.faces) - areas
    assert lost.sum() == pytest.approx(polygon_area(0.08), rel=1e-6)
    assert lost.min() > -1e-12
