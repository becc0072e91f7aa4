"""The demo's three structures are what their sizes say: shared points, areas in closed form, known bays."""

from pathlib import Path

import numpy as np
import pytest
from scipy.spatial import cKDTree

from bayreach import demo
from bayreach.arrays import FloatArray
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
    assert not [finding for finding in read.findings if finding.is_repair]


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
