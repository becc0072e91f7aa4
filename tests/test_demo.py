"""The demo's three structures are what their sizes say: shared points, areas in closed form, known bays."""

import runpy
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial import cKDTree

from bayreach import demo
from bayreach.arrays import FloatArray
from bayreach.bays import Bays, find_bays
from bayreach.job import load_job
from bayreach.mesh import Mesh
from bayreach.meshfile import read_mesh

BUILDERS = {
    "wing_box": (demo.wing_box, 20.0, 32.0),
    "tail_boom": (demo.tail_boom, 18.0, 34.0),
    "control_surface": (demo.control_surface, 12.0, 20.0),
}


def face_areas(corners: FloatArray) -> FloatArray:
    return np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1) / 2


def part_area(mesh: Mesh, *names: str) -> float:
    wanted = [mesh.part_names.index(name) for name in names]
    return float(face_areas(mesh.corners[np.isin(mesh.face_parts, wanted)]).sum())


def part_points(mesh: Mesh, name: str) -> FloatArray:
    chosen = mesh.face_parts == mesh.part_names.index(name)
    return mesh.points[np.unique(mesh.faces[chosen])]


def shoelace(points: FloatArray) -> float:
    x, y = points.T
    return 0.5 * abs(float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1))))


def round_area(radius: float, segments: int) -> float:
    """Area of a regular polygon inscribed in a circle: n/2 r² sin(2 pi/n)."""
    return 0.5 * segments * radius**2 * np.sin(2 * np.pi / segments)


def edge_uses(mesh: Mesh) -> np.ndarray:
    edges = np.sort(mesh.faces[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2), axis=1)
    return np.bincount(np.unique(edges, axis=0, return_counts=True)[1])


@pytest.mark.parametrize("name", BUILDERS)
def test_each_structure_has_5k_to_60k_faces_and_a_coarser_copy_has_fewer(name: str) -> None:
    build, fine, coarse = BUILDERS[name]
    assert 5_000 <= build(fine).n_faces <= 60_000
    assert build(coarse).n_faces < build(fine).n_faces / 1.8


@pytest.mark.parametrize("name", BUILDERS)
@pytest.mark.parametrize("which", [1, 2])
def test_parts_share_points_where_they_meet(name: str, which: int) -> None:
    # No two points closer than 0.1 mm, so parts that touch share them; no edge of more than three faces is
    # needed.
    mesh = BUILDERS[name][0](BUILDERS[name][which])
    assert not cKDTree(mesh.points).query_pairs(1e-4)
    uses = edge_uses(mesh)
    assert len(uses) <= 5
    assert uses[3] > 100


@pytest.mark.parametrize("name", BUILDERS)
def test_no_face_is_a_sliver(name: str) -> None:
    # 4 sqrt(3) A / (a² + b² + c²): 1 for an equilateral triangle, 0 for a sliver.
    corners = BUILDERS[name][0](BUILDERS[name][1]).corners
    squares = (np.linalg.norm(corners - np.roll(corners, -1, axis=1), axis=2) ** 2).sum(axis=1)
    assert (4 * np.sqrt(3) * face_areas(corners) / squares).min() > 0.25


def section_at(mesh: Mesh, part: str, x: float) -> FloatArray:
    points = part_points(mesh, part)
    points = points[np.abs(points[:, 0] - x) < 1e-9]
    return points[np.argsort(points[:, 1]), 1:]


def test_the_wing_box_skin_is_a_row_of_flat_trapezia() -> None:
    # Sections are similar, so each strip between two chord nodes is a flat trapezium: half |d1 x d2| of its
    # diagonals.
    mesh, span = demo.wing_box(20.0), demo.WING_BOX.span / 1000
    root, tip = section_at(mesh, "skin_upper", 0.0), section_at(mesh, "skin_upper", span)
    ends = [np.insert(section, 0, x, axis=1) for section, x in ((root, 0.0), (tip, span))]
    first, second = ends[1][1:] - ends[0][:-1], ends[1][:-1] - ends[0][1:]
    area = 0.5 * np.linalg.norm(np.cross(first, second), axis=1).sum()
    assert part_area(mesh, "skin_upper") == pytest.approx(area, rel=1e-12)


def test_the_wing_box_lower_skin_has_one_real_port() -> None:
    # Upper and lower skins differ by the port alone in how they are meshed; the port is a regular polygon in
    # plan,
    # its skin there inclined by less than 3 degrees, so the missing area is within 0.2 % of the flat
    # polygon's.
    mesh, size = demo.wing_box(20.0), demo.WING_BOX
    span = size.span / 1000
    root, tip = section_at(mesh, "skin_lower", 0.0), section_at(mesh, "skin_lower", span)
    ends = [np.insert(section, 0, x, axis=1) for section, x in ((root, 0.0), (tip, span))]
    first, second = ends[1][1:] - ends[0][:-1], ends[1][:-1] - ends[0][1:]
    whole = 0.5 * np.linalg.norm(np.cross(first, second), axis=1).sum()
    assert whole - part_area(mesh, "skin_lower") == pytest.approx(round_area(0.036, 12), rel=0.01)


def test_inner_ribs_are_one_shape_made_smaller() -> None:
    # Area falls with the square of the scale: rib 2 against rib 6.
    mesh, size = demo.wing_box(20.0), demo.WING_BOX
    ratio = (size.scale(5 * size.rib_pitch) / size.scale(size.rib_pitch)) ** 2
    assert part_area(mesh, "rib_6") == pytest.approx(part_area(mesh, "rib_2") * ratio, rel=1e-9)


def test_an_inner_rib_misses_its_holes_and_cut_outs() -> None:
    # Rib 2 has the whole section less two lightening holes (24 chords each) and six cut-outs, each a
    # parallelogram (flange + 2 gaps) x (height + gap) = 34 x 33 mm at the root, and the sliver between its
    # foot and
    # the skin, a parabola's segment |z''| w³ / 12 less those of its own chords of 8, 18 and 8 mm.
    mesh, size = demo.wing_box(20.0), demo.WING_BOX
    scale = float(size.scale(size.rib_pitch))
    x = size.rib_pitch / 1000
    lower, upper = section_at(mesh, "skin_lower", x), section_at(mesh, "skin_upper", x)
    whole = shoelace(np.concatenate([lower, upper[::-1]]))
    bend = 8 * 0.110 / 0.5**2 * (0.28 + 0.34) / 2
    bulge = bend / 12 * (0.034**3 - 0.008**3 - 0.018**3 - 0.008**3)
    holes = (2 * 0.5 * 24 * 0.050**2 * np.sin(2 * np.pi / 24) + 6 * (0.034 * 0.033 + bulge)) * scale**2
    assert part_area(mesh, "rib_2") == pytest.approx(whole - holes, rel=2e-5)


def test_the_closing_ribs_close() -> None:
    mesh, size = demo.wing_box(20.0), demo.WING_BOX
    span = size.span / 1000
    tip = np.concatenate([section_at(mesh, "skin_lower", span), section_at(mesh, "skin_upper", span)[::-1]])
    root = np.concatenate([section_at(mesh, "skin_lower", 0.0), section_at(mesh, "skin_upper", 0.0)[::-1]])
    assert part_area(mesh, "rib_7") == pytest.approx(shoelace(tip), rel=1e-9)
    assert part_area(mesh, "rib_1") == pytest.approx(shoelace(root) - round_area(0.060, 28), rel=1e-9)


def test_the_trailing_edge_is_closed() -> None:
    # Upper and lower skins share every node of the trailing edge, so no free edge lies there.
    mesh = demo.control_surface(12.0)
    lower, upper = part_points(mesh, "skin_lower"), part_points(mesh, "skin_upper")
    chord = 240.0 * demo.CONTROL_SURFACE.scale(lower[:, 0] * 1000) / 1000
    aft = lower[np.abs(lower[:, 1] - 0.05 * lower[:, 0] - chord) < 1e-9]
    assert len(aft) > 100
    assert cKDTree(upper).query(aft)[0].max() == 0.0


def test_the_tail_boom_is_open_where_its_cap_was() -> None:
    # All skin edges at the aft end are free: one closed polygon there.
    mesh = demo.tail_boom(18.0)
    edges = np.sort(mesh.faces[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2), axis=1)
    unique, uses = np.unique(edges, axis=0, return_counts=True)
    free = unique[uses == 1]
    aft = free[(np.abs(mesh.points[free, 0] - 2.4) < 1e-9).all(axis=1)]
    assert len(aft) == len(np.unique(aft)) == 60


@pytest.fixture(scope="module")
def demo_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo")
    assert demo.write_demo(folder) == folder / "wing_box.toml"
    return folder


@pytest.mark.parametrize("name", BUILDERS)
def test_a_mesh_read_back_is_the_one_that_was_built(demo_folder: Path, name: str) -> None:
    read = read_mesh(demo_folder / "meshes" / f"{name}.obj", "mm")
    built = BUILDERS[name][0]()
    assert read.mesh.part_names == built.part_names
    assert read.mesh.n_faces == built.n_faces
    assert np.array_equal(read.mesh.face_parts, built.face_parts)
    assert np.allclose(read.mesh.corners, built.corners, atol=1e-12)
    # The patch round the port once ran over a stringer's foot, which then touched the skin loosely.
    harmless = {"free edges", "crowded edges", "turned faces"}
    assert {finding.kind for finding in read.findings} <= harmless


@pytest.mark.parametrize("name", BUILDERS)
def test_each_job_file_loads_and_assumes_nothing(demo_folder: Path, name: str) -> None:
    job = load_job(demo_folder / f"{name}.toml")
    assert job.assumed == ()
    assert job.mesh_path == demo_folder / "meshes" / f"{name}.obj"


def test_written_openings_lie_on_the_rims_centres(demo_folder: Path) -> None:
    # The root port is centred on rib 1 (x = 0), the inspection port on the lower skin: within 1 mm of a skin
    # face.
    job = load_job(demo_folder / "wing_box.toml")
    mesh = demo.wing_box()
    root, port = (opening.center for opening in job.openings)
    rim = part_points(mesh, "rib_1")
    assert np.linalg.norm(rim - root, axis=1).min() == pytest.approx(0.060, abs=1e-6)
    assert np.linalg.norm(part_points(mesh, "skin_lower") - port, axis=1).min() == pytest.approx(
        0.036, abs=1e-4
    )


def frustum(first: float, second: float, length: float) -> float:
    """Volume between two similar parallel sections: h/3 (A1 + A2 + sqrt(A1 A2))."""
    return length / 3 * (first + second + np.sqrt(first * second))


@pytest.fixture(scope="module")
def wing_bays() -> Bays:
    return find_bays(demo.wing_box())


def test_the_wing_box_has_six_bays_of_the_volume_of_their_frusta(wing_bays: Bays) -> None:
    # Skins between similar sections are flat strips, so a bay is a frustum of its ribs' outlines: exact but
    # for bay 3,
    # where the patch round the inspection port cuts across the strips' bends.
    mesh, size = wing_bays.mesh, demo.WING_BOX
    section = np.concatenate([section_at(mesh, "skin_lower", 0.0), section_at(mesh, "skin_upper", 0.0)[::-1]])
    areas = shoelace(section) * size.scale(size.rib_pitch * np.arange(7)) ** 2
    assert wing_bays.method == "cells"
    for place, bay in enumerate(wing_bays.bays):
        exact = frustum(areas[place], areas[place + 1], 0.350)
        assert bay.volume == pytest.approx(exact, rel=1e-4 if place == 2 else 1e-9)


def test_the_wing_box_bays_share_out_every_inner_side(wing_bays: Bays) -> None:
    # Inside are: both sides of inner ribs and stringers, one side of everything else.
    mesh = wing_bays.mesh
    both = [name for name in mesh.part_names if name.startswith("stringer")] + [
        f"rib_{k}" for k in range(2, 7)
    ]
    once = ["skin_lower", "skin_upper", "spar_front", "spar_rear", "rib_1", "rib_7"]
    inside = 2 * part_area(mesh, *both) + part_area(mesh, *once)
    assert sum(bay.area for bay in wing_bays.bays) == pytest.approx(inside, rel=1e-9)


def test_the_wing_box_openings_are_the_known_42(wing_bays: Bays) -> None:
    # Root port and inspection port lead out; each of 5 inner ribs has 2 lightening holes and 6 stringer
    # cut-outs. The inspection port is round in plan, its skin inclined by 4 degrees: 1 / cos = 1.0025.
    size = demo.WING_BOX
    outward = sorted(o.area for o in wing_bays.openings if -1 in o.links)
    assert outward == pytest.approx([round_area(0.036, 12), round_area(0.060, 28)], rel=4e-3)
    for rib in range(1, 6):
        scale = float(size.scale(rib * size.rib_pitch))
        areas = sorted(o.area for o in wing_bays.openings if set(o.links) == {rib - 1, rib})
        assert areas[6:] == pytest.approx([round_area(0.050 * scale, 24)] * 2, rel=1e-9)
        assert areas[:6] == pytest.approx([0.034 * 0.033 * scale**2] * 6, rel=0.005)
    assert len(wing_bays.openings) == 42


def test_the_tail_boom_has_eight_bays_that_end_at_the_flanges_rims() -> None:
    # A bay ends where the flange's free edge is, so that of the bay before reaches 14 mm aft of the frame
    # inside it.
    bays, size = find_bays(demo.tail_boom()), demo.TAIL_BOOM
    scale = size.scale(size.frame_pitch * np.arange(9))
    points = part_points(bays.mesh, "bulkhead")
    rim = part_points(bays.mesh, "skin")
    front = rim[np.abs(rim[:, 0]) < 1e-9][:, 1:]
    order = np.argsort(np.arctan2(front[:, 1] / 175, front[:, 0] / 150))
    whole = shoelace(front[order])
    assert len(points) > len(front)
    inner = whole * (1 - size.frame_width / size.half_height) ** 2
    tube = inner * scale**2 * size.flange / 1000
    tube[[0, 8]] = 0.0
    for place, bay in enumerate(bays.bays):
        frusta = frustum(whole * scale[place] ** 2, whole * scale[place + 1] ** 2, 0.300)
        assert bay.volume == pytest.approx(frusta - tube[place] + tube[place + 1], rel=1e-4)
    outward = [opening for opening in bays.openings if -1 in opening.links]
    assert len(outward) == 10
    assert max(opening.area for opening in outward) == pytest.approx(whole * scale[8] ** 2, rel=1e-9)


def test_the_control_surface_has_a_nose_bay_and_five_behind_the_spar() -> None:
    bays = find_bays(demo.control_surface())
    assert len(bays.bays) == 6
    links = [opening.links for opening in bays.openings]
    nose = next(bay.index for bay in bays.bays if sum(bay.index in link for link in links) == 6)
    assert sum(set(link) == {-1, nose} for link in links) == 3
    assert sum(nose in link and -1 not in link for link in links) == 3
    assert len(links) == 15


@pytest.mark.parametrize("name", BUILDERS)
def test_the_committed_meshes_are_what_the_script_makes(name: str, tmp_path: Path) -> None:
    here = Path(__file__).parents[1] / "meshes"
    script = runpy.run_path(str(here / "make_meshes.py"))
    script["write_mesh_file"](tmp_path, name)
    made = (tmp_path / f"{name}.obj").read_bytes()
    kept = (here / f"{name}.obj").read_bytes()
    assert len(kept) < 1_000_000
    # Another processor may round a last digit otherwise: the same faces, and points within a nanometre.
    assert made.count(b"\nf ") == kept.count(b"\nf ")
    first, second = (read_mesh(folder / f"{name}.obj", "mm").mesh for folder in (tmp_path, here))
    assert np.array_equal(first.faces, second.faces)
    assert np.allclose(first.points, second.points, atol=1e-9)


def test_the_table_of_meshes_tells_what_they_are() -> None:
    here = Path(__file__).parents[1] / "meshes"
    script = runpy.run_path(str(here / "make_meshes.py"))
    assert (here / "README.md").read_text(encoding="utf-8") == script["table"](here)


def test_the_control_surfaces_job_asks_what_moment_the_film_has_about_its_hinges(
    tmp_path: Path,
) -> None:
    demo.write_demo(tmp_path)
    job = load_job(tmp_path / "control_surface.toml")
    (hinge,) = job.hinges
    # Along the spar, which is swept: outboard and a twentieth aft.
    assert hinge.axis == pytest.approx(np.array([1.0, 0.05, 0.0]) / np.hypot(1.0, 0.05))
