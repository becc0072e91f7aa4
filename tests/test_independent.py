"""Film against independent programs: view factors by contour integrals, irradiance by another ray tracer.

Both are test-only extras (`pip install bayreach[test]`); a test skips, and says so, where its program is
absent.
"""

from pathlib import Path

import numpy as np
import pytest
from view_factors import rectangle, ring, view_factor

from bayreach.bays import find_bays
from bayreach.demo import wing_box
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


TILES = 8


def lamp(center: np.ndarray, edge: float) -> np.ndarray:
    """Return the corners (t, 4, 3) of a square of tiles that looks down, clockwise from above."""
    steps = edge * (np.arange(TILES + 1) / TILES - 0.5)
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
            numbers = " ".join(f"{value:.9g}" for value in shape.ravel())
            lines.append(f"{kind} polygon {kind}{place} 0 0 {shape.size} {numbers}")
    scene, octree = folder / "box.rad", folder / "box.oct"
    scene.write_text("\n".join(lines) + "\n", encoding="ascii")
    octree.write_bytes(pyradiance.oconv(str(scene), warning=False))
    # Lifted by a tenth of a millimetre so that a sensor does not shade itself.
    sensors = np.concatenate([targets.points + 1e-4 * targets.normals, targets.normals], axis=1)
    rays = "\n".join(" ".join(f"{value:.9g}" for value in row) for row in sensors) + "\n"
    options = ["-ab", "0", "-dt", "0", "-dc", "1", "-dj", "0", "-ds", "0"]
    out = pyradiance.rtrace(rays.encode(), octree, header=False, irradiance=True, params=options)
    return np.array([line.split()[0] for line in out.decode().splitlines() if line.strip()], dtype=float)


def test_film_in_the_demo_wing_box_equals_irradiance_by_another_ray_tracer(tmp_path: Path) -> None:
    bays = find_bays(wing_box(40.0))
    mesh, edge = bays.mesh, 0.02
    center = np.array([0.52, 0.25, 0.03])  # in the second bay, above the lower stringers
    box = mesh.corners.mean(axis=1)
    near = np.abs(box - center).max(axis=1) < 0.4
    sides = np.flatnonzero(np.repeat(near, 2) & (bays.side_bay == 1))
    targets = targets_of(mesh, sides, samples=4)
    tiles = lamp(center, edge)
    other = irradiance(mesh, tiles, targets, tmp_path) / (np.pi * edge**2)
    n = len(tiles)
    stations = Stations(
        points=tiles.mean(axis=1),
        axes=np.tile([0.0, 0.0, -1.0], (n, 1)),
        clocks=np.tile([1.0, 0.0, 0.0], (n, 1)),
        depths=np.zeros(n),
        lengths=np.zeros(n),
    )
    column = pull_film(Scene(mesh), targets, stations, COSINE)
    ours = column.dense(mesh.n_sides)[targets.sides]
    theirs = np.add.reduceat(other * targets.weight, targets.starts[:-1])
    wet = theirs > 0.02 * theirs.max()
    off = np.abs(ours - theirs)[wet] / theirs[wet]
    assert wet.sum() > 300
    assert (theirs[~wet] < ours.max()).all()
    # 2 % but at shadow borders, where a sample more or less is lit; half of the sides are within 0.2 %.
    assert np.median(off) < 0.004
    assert np.quantile(off, 0.95) < 0.02
    assert ours @ targets.areas == pytest.approx(theirs @ targets.areas, rel=0.005)
