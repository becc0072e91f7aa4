"""Closed-form shapes by name; each docstring derives area, volume and openings. Lengths in metres."""

from collections.abc import Sequence

import numpy as np
import shapely

from bayreach.mesh import Mesh, joined, mesh_of
from bayreach.repair import mend


def ring(center: tuple[float, float], diameter: float, segments: int = 32) -> np.ndarray:
    """Regular polygon inscribed in a circle: area n/2 r² sin(2 pi/n)."""
    angle = 2 * np.pi * np.arange(segments) / segments
    return np.asarray(center) + 0.5 * diameter * np.stack([np.cos(angle), np.sin(angle)], axis=1)


def polygon_area(diameter: float, segments: int = 32) -> float:
    """Area of `ring`."""
    return 0.5 * segments * (0.5 * diameter) ** 2 * float(np.sin(2 * np.pi / segments))


def sheet(outline: object, holes: Sequence[object], frame: object, part: str = "sheet") -> Mesh:
    """Flat sheet: an outline (k, 2) with holes, placed by frame = (origin, u, v)."""
    origin, u, v = (np.asarray(row, dtype=float) for row in frame)
    polygon = shapely.Polygon(outline, holes)
    pieces = shapely.get_parts(shapely.constrained_delaunay_triangles(polygon))
    flat = shapely.get_coordinates(pieces).reshape(-1, 4, 2)[:, :3].reshape(-1, 2)
    points = origin + flat[:, :1] * u + flat[:, 1:] * v
    return mended(mesh_of(points, np.arange(len(points)).reshape(-1, 3), part))


def mended(*meshes: Mesh, weld: float | None = None) -> Mesh:
    """Meshes joined and mended."""
    return mend(joined(meshes), weld)[0]


def rectangle(width: float, height: float) -> list[tuple[float, float]]:
    """Corners of a rectangle with a corner at the origin."""
    return [(0, 0), (width, 0), (width, height), (0, height)]


X, Y, Z = np.eye(3)


def panel(
    width: float,
    height: float,
    frame: object,
    part: str,
    *,
    us: Sequence[float] = (),
    vs: Sequence[float] = (),
) -> Mesh:
    """Rectangle of strips cut at the given u and v, so that what stands on those lines shares its edges."""
    u_lines = sorted({0.0, width, *us})
    v_lines = sorted({0.0, height, *vs})
    origin, u, v = (np.asarray(row, dtype=float) for row in frame)
    grid = np.array([origin + a * u + b * v for a in u_lines for b in v_lines])
    n, m = len(u_lines), len(v_lines)
    k = np.array([i * m + j for i in range(n - 1) for j in range(m - 1)])
    return mesh_of(grid, np.concatenate([np.c_[k, k + m, k + m + 1], np.c_[k, k + m + 1, k + 1]]), part)


Size = tuple[float, float, float]


def box(
    size: Size = (1.0, 0.4, 0.2),
    *,
    open_end: bool = False,
    xs: Sequence[float] = (),
    ys: Sequence[float] = (),
) -> Mesh:
    """Box a x b x c from the origin: inside 2(ab + bc + ca), volume abc; without its end x = a if wanted."""
    a, b, c = size
    walls = [
        panel(a, b, (np.zeros(3), X, Y), "bottom", us=xs, vs=ys),
        panel(a, b, (c * Z, X, Y), "top", us=xs, vs=ys),
        panel(a, c, (np.zeros(3), X, Z), "front", us=xs),
        panel(a, c, (b * Y, X, Z), "rear", us=xs),
        panel(b, c, (np.zeros(3), Y, Z), "root", us=ys),
    ]
    if not open_end:
        walls.append(panel(b, c, (a * X, Y, Z), "end", us=ys))
    return mended(*walls)


def rib(x: float, size: Size, holes: Sequence[object] = ()) -> Mesh:
    """Plate across the box at x, with holes in (y, z)."""
    return sheet(rectangle(size[1], size[2]), holes, (x * X, Y, Z), f"rib at {x:g}")


def ribbed_box(n: int, size: Size = (1.0, 0.4, 0.2), hole: float = 0.0) -> Mesh:
    """Box with n evenly spaced ribs, a round hole in the middle of each if wanted: n + 1 bays of abc/(n + 1).

    An inner bay has 2(ab + ac)/(n + 1) + 2bc of wall, less a polygon a rib side with a hole.
    """
    rings = [ring((size[1] / 2, size[2] / 2), hole)] if hole else []
    xs = [size[0] * (k + 1) / (n + 1) for k in range(n)]
    return mended(box(size, xs=xs), *(rib(x, size, rings) for x in xs))


def tube(radius: float, length: float, segments: int = 96) -> Mesh:
    """Prism open at both ends: wall 2 n r sin(pi/n) L inside, volume n/2 r² sin(2 pi/n) L."""
    circle = ring((0, 0), 2 * radius, segments)
    points = np.concatenate([np.c_[circle, np.zeros(segments)], np.c_[circle, np.full(segments, length)]])
    k = np.arange(segments)
    ahead = (k + 1) % segments
    faces = np.concatenate([np.c_[k, ahead, ahead + segments], np.c_[k, ahead + segments, k + segments]])
    return mesh_of(points, faces, "tube")


def icosphere(radius: float = 1.0, steps: int = 3) -> Mesh:
    """Sphere of 20 x 4^steps faces, points on the sphere."""
    import trimesh

    ball = trimesh.creation.icosphere(subdivisions=steps, radius=radius)
    return mesh_of(ball.vertices, ball.faces, "sphere")


def moved(mesh: Mesh, shift: Sequence[float]) -> Mesh:
    """Shift the mesh."""
    return Mesh(
        points=mesh.points + np.asarray(shift),
        faces=mesh.faces,
        face_parts=mesh.face_parts,
        part_names=mesh.part_names,
    )


def thick_box(
    size: Size, sheet_thickness: float, hole: float, xs: Sequence[float], segments: int = 32
) -> Mesh:
    """Build a box a x b x c inside thick walls, with round holes through its bottom at (x, b/2)."""
    import manifold3d

    t = sheet_thickness
    a, b, c = size
    inner = manifold3d.Manifold.cube([a, b, c])
    outer = manifold3d.Manifold.cube([a + 2 * t, b + 2 * t, c + 2 * t]).translate([-t, -t, -t])
    drill = manifold3d.Manifold.cylinder(4 * t, hole / 2, hole / 2, segments)
    solid = outer - inner
    for x in xs:
        solid -= drill.translate([x, b / 2, -2.5 * t])
    mesh = solid.to_mesh64()
    return mended(mesh_of(mesh.vert_properties[:, :3], mesh.tri_verts.astype(np.int64), "thick box"))
