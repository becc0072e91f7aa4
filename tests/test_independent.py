"""Film against independent programs: view factors by contour integrals, irradiance by another ray tracer.

Both are test-only extras (`pip install bayreach[test]`); a test skips, and says so, where its program is
absent.
"""

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from view_factors import rectangle, ring, view_factor

from bayreach.bays import find_bays
from bayreach.demo import wing_box
from bayreach.deposit._sampled import Spray, sample_values
from bayreach.deposit.direct import pull_film
from bayreach.mesh import Mesh
from bayreach.poses import Stations
from bayreach.rays import Scene
from bayreach.sight import Targets, targets_of
from bayreach.tips import Tip

COSINE = Tip(pattern="forward", spread=np.pi, profile="cosine")


def polygon(mesh: Mesh):
    """Return a mesh's outline of one or two triangles as the single flat cell the other program wants."""
    import pyvista

    corners = mesh.points
    return pyvista.PolyData(corners, faces=[len(corners), *range(len(corners))])


@pytest.mark.parametrize(
    ("emitter", "receiver"),
    [
        (rectangle([0, 0, 0], [1, 0, 0], [0, 1, 0]), rectangle([0.3, -0.2, 0.7], [0, 0.8, 0.1], [1.1, 0, 0])),
        (rectangle([0, 0, 0], [0.4, 0, 0], [0, 0.2, 0]), rectangle([0.5, 0, 0.1], [0, 0, 0.3], [0, 0.3, 0])),
        (rectangle([0, 0, 0], [0.6, 0, 0], [0, 0.3, 0]), rectangle([0, 0, 0], [0, 0.3, 0], [0, 0, 0.2])),
    ],
    ids=["askew above", "across a gap", "sharing an edge"],
)
def test_view_factors_by_rays_equal_contour_integrals(emitter: Mesh, receiver: Mesh) -> None:
    pyviewfactor = pytest.importorskip("pyviewfactor", reason="pyviewfactor is not installed")
    # Trap: its arguments are (receiver, emitter).
    expected = float(pyviewfactor.compute_viewfactor(polygon(receiver), polygon(emitter)))
    ours = view_factor(emitter, receiver, seed=3)
    assert ours == pytest.approx(expected, abs=4 * np.sqrt(expected * (1 - expected) / 1e5))


def test_trap_the_first_argument_of_the_other_program_is_the_receiver() -> None:
    pyviewfactor = pytest.importorskip("pyviewfactor", reason="pyviewfactor is not installed")
    small, large = (
        rectangle([0, 0, 0], [0.1, 0, 0], [0, 0.1, 0]),
        rectangle([0, 0, 0.5], [0, 1, 0], [1, 0, 0]),
    )
    to_large = float(pyviewfactor.compute_viewfactor(polygon(large), polygon(small)))
    to_small = float(pyviewfactor.compute_viewfactor(polygon(small), polygon(large)))
    assert to_large == pytest.approx(100 * to_small, rel=1e-6)
    assert view_factor(small, large) == pytest.approx(to_large, abs=4 * np.sqrt(0.25 / 1e5))


def test_film_from_a_dwelling_cosine_source_is_a_view_factor_side_by_side() -> None:
    # Film per volume times area is the view factor from the (small) source; the source is 2 mm square.
    pyviewfactor = pytest.importorskip("pyviewfactor", reason="pyviewfactor is not installed")
    disk = ring(0.0, 0.2, 0.0, n=24)
    source = rectangle([0.05, 0.02, 0.3], [0, 0.002, 0], [0.002, 0, 0])
    stations = Stations(
        points=[[0.051, 0.021, 0.3]], axes=[[0, 0, -1]], clocks=[[1, 0, 0]], depths=[0.0], lengths=[0.0]
    )
    targets = targets_of(disk, np.arange(0, disk.n_sides, 2), samples=64)
    column = pull_film(Scene(disk), targets, stations, COSINE)
    for face in range(24, 48, 5):
        corners = rectangle([0, 0, 0], [1, 0, 0], [0, 1, 0])
        triangle = Mesh(
            points=disk.corners[face], faces=[[0, 1, 2]], face_parts=[0], part_names=corners.part_names
        )
        expected = float(pyviewfactor.compute_viewfactor(polygon(triangle), polygon(source)))
        ours = (
            float(column.dense(disk.n_sides)[2 * face])
            * 0.5
            * np.linalg.norm(np.cross(*(disk.corners[face][1:] - disk.corners[face][0])))
        )
        assert ours == pytest.approx(expected, rel=2e-3)


TILES, SOURCE = 8, 0.02
"""The lamp: a square of 20 mm edge in 8 x 8 tiles."""
LIFT = 2e-6
"""In m: how far above its side the other program's sensor stands, so that it does not shade itself. A tenth
of a millimetre would let rays that graze the side in under an edge and make a sixth of its film."""
SCALE = 1e3
"""The other program is told mm: it takes 1e-6 of its unit for nothing; irradiance knows no unit of length."""


def lamp(center: np.ndarray, edge: float, count: int = TILES) -> np.ndarray:
    """Return the corners (t, 4, 3) of a square of count² tiles that looks down, clockwise from above."""
    steps = edge * (np.arange(count + 1) / count - 0.5)
    low, high = steps[:-1], steps[1:]
    x0, y0 = (grid.ravel() for grid in np.meshgrid(low, low, indexing="ij"))
    x1, y1 = (grid.ravel() for grid in np.meshgrid(high, high, indexing="ij"))
    flat = np.stack([np.stack(pair, axis=1) for pair in ((x0, y0), (x0, y1), (x1, y1), (x1, y0))], axis=1)
    return np.concatenate([flat, np.zeros((*flat.shape[:2], 1))], axis=2) + center


def irradiance(mesh: Mesh, tiles: np.ndarray, targets: Targets, folder: Path) -> np.ndarray:
    """Return the irradiance (m,) at the samples from `tiles` of radiance one, by the other ray tracer."""
    pyradiance = pytest.importorskip("pyradiance", reason="pyradiance is not installed")
    lines = ["void plastic black 0 0 5 0 0 0 0 0", "void light bulb 0 0 3 1 1 1"]
    for kind, shapes in (("black", mesh.corners), ("bulb", tiles)):
        for place, shape in enumerate(shapes):
            numbers = " ".join(f"{SCALE * value:.9g}" for value in shape.ravel())
            lines.append(f"{kind} polygon {kind}{place} 0 0 {shape.size} {numbers}")
    scene, octree = folder / "box.rad", folder / "box.oct"
    scene.write_text("\n".join(lines) + "\n", encoding="ascii")
    octree.write_bytes(pyradiance.oconv(str(scene), warning=False))
    sensors = np.concatenate([SCALE * targets.points, targets.normals], axis=1)
    rays = "\n".join(" ".join(f"{value:.9g}" for value in row) for row in sensors) + "\n"
    options = ["-ab", "0", "-dt", "0", "-dc", "1", "-dj", "0", "-ds", "0"]
    out = pyradiance.rtrace(rays.encode(), octree, header=False, irradiance=True, params=options)
    return np.array([line.split()[0] for line in out.decode().splitlines() if line.strip()], dtype=float)


def test_trap_the_other_ray_tracer_takes_each_source_for_a_point_so_lamps_are_tiled(tmp_path: Path) -> None:
    # A square of edge one, one above the sensor: pi times four corner factors, X = Y = 1/2 (Howell B-4),
    # 4 / (2 pi) 2 X / sqrt(1 + X²) atan(X / sqrt(1 + X²)).
    side = 0.5 / np.sqrt(1.25)
    exact = np.pi * 4 / (2 * np.pi) * 2 * side * np.arctan(side)
    assert exact == pytest.approx(0.752275, rel=1e-6)
    away = rectangle([50, 50, -9], [1, 0, 0], [0, 1, 0])
    sensor = SimpleNamespace(points=np.zeros((1, 3)), normals=np.array([[0.0, 0.0, 1.0]]))
    off = [
        abs(irradiance(away, lamp(np.array([0, 0, 1.0]), 1.0, count), sensor, tmp_path)[0] / exact - 1)
        for count in (1, 4, 16)
    ]
    assert off[0] > 3e-3
    assert off[2] < off[1] < off[0]
    assert off[2] < 2e-3


@pytest.fixture(scope="module")
def lit() -> SimpleNamespace:
    """Return the demo's second bay, lit by the lamp above the lower stringers: sides, ours and its errors."""
    bays = find_bays(wing_box(40.0))
    mesh, center = bays.mesh, np.array([0.52, 0.25, 0.03])
    near = np.abs(mesh.corners.mean(axis=1) - center).max(axis=1) < 0.4
    targets = targets_of(mesh, np.flatnonzero(np.repeat(near, 2) & (bays.side_bay == 1)))
    tiles = lamp(center, SOURCE)
    n = len(tiles)
    stations = Stations(
        points=tiles.mean(axis=1),
        axes=np.tile([0.0, 0.0, -1.0], (n, 1)),
        clocks=np.tile([1.0, 0.0, 0.0], (n, 1)),
        depths=np.zeros(n),
        lengths=np.zeros(n),
    )
    return SimpleNamespace(mesh=mesh, targets=targets, tiles=tiles, stations=stations)


def test_film_at_points_of_the_demo_wing_box_equals_irradiance_by_another_ray_tracer(
    lit: SimpleNamespace, tmp_path: Path
) -> None:
    # Asked about at the same lifted points, four a side: no quadrature over a side is left, only rays. A ray
    # that grazes an edge may still pass for one program and not for the other: one tile of 64.
    raised = replace(lit.targets, points=lit.targets.points + LIFT * lit.targets.normals)
    theirs = irradiance(lit.mesh, lit.tiles, raised, tmp_path) / (np.pi * SOURCE**2)
    spray = Spray(stations=lit.stations, shares=np.full(TILES**2, 1 / TILES**2), tip=COSINE)
    ours = sample_values(Scene(lit.mesh), raised, [spray], None)[0]
    off = np.abs(ours - theirs)
    bright = theirs > 1e-3 * theirs.max()
    assert bright.sum() > 3000
    assert np.quantile(off[bright] / theirs[bright], 0.999) < 1e-4
    # A tile's share of a point in full light, by the inverse square of the distance to the lamp's middle.
    assert (off <= 1e-4 * theirs + unshaded(lit, raised.points, raised.normals) / TILES**2).all()


def unshaded(lit: SimpleNamespace, points: np.ndarray, normals: np.ndarray) -> np.ndarray:
    """Return what points (m, 3) would get per volume from the lamp's middle if nothing stood in the way."""
    way = points - lit.tiles.mean(axis=(0, 1))
    squared = (way**2).sum(axis=1)
    return np.maximum(0, -way[:, 2]) * np.maximum(0, -(way * normals).sum(axis=1)) / (np.pi * squared**2)


def test_film_on_every_side_of_the_demo_wing_box_equals_irradiance_by_another_ray_tracer(
    lit: SimpleNamespace, tmp_path: Path
) -> None:
    # Every side, within 2 % and the error that is stated for it, nothing else. A strip that no sample of ours
    # saw may be told as dry where it holds less than a thousandth of the most.
    sides = lit.targets.sides
    column = pull_film(Scene(lit.mesh), lit.targets, lit.stations, COSINE, error=0.02)
    ours, stated = column.dense(lit.mesh.n_sides)[sides], np.zeros(lit.mesh.n_sides)
    stated[column.sides] = column.errors
    stated = stated[sides]
    told, theirs = ours > 0, np.zeros(len(sides))
    bordered = told & (stated > 0.02 * ours)
    for chosen, samples in ((~told, 16), (told & ~bordered, 64), (bordered, 256)):
        theirs[chosen] = side_irradiance(lit, sides[chosen], samples, tmp_path)
    assert told.sum() > 900
    assert (np.abs(ours - theirs) <= 0.02 * theirs + stated)[told].all()
    assert theirs[~told].max() < 1e-3 * theirs.max()
    # An error that says nothing would hold too: half of the sides are told to a per cent.
    assert np.median(stated[told] / theirs[told]) < 0.01
    assert ours @ lit.targets.areas == pytest.approx(theirs @ lit.targets.areas, rel=0.005)


def side_irradiance(lit: SimpleNamespace, sides: np.ndarray, samples: int, folder: Path) -> np.ndarray:
    """Return the mean irradiance (k,) per volume of `sides` by the other ray tracer, from samples on each."""
    targets = targets_of(lit.mesh, sides, samples=samples)
    raised = replace(targets, points=targets.points + LIFT * targets.normals)
    values = irradiance(lit.mesh, lit.tiles, raised, folder) / (np.pi * SOURCE**2)
    return values.reshape(-1, samples).mean(axis=1)
