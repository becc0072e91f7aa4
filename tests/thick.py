"""Thick boxes with holes of every sort through their floor, and what is known of them."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from specimens import mended

from bayreach.mesh import Mesh, mesh_of

SIZE = (1.0, 0.4, 0.2)
SHEET = 0.004
SEGMENTS = 32


def turned(profile: Sequence[tuple[float, float]], at: tuple[float, float] = (0.0, 0.0)) -> Any:
    """Turn a profile of (radius, height) about the vertical through `at`."""
    import manifold3d

    return manifold3d.CrossSection([profile]).revolve(SEGMENTS).translate([*at, 0.0])


def plain(diameter: float, top: float = 0.0, bottom: float = -SHEET) -> list[tuple[float, float]]:
    """Return the profile of a plain drill through a sheet from `bottom` to `top`."""
    r, over = diameter / 2, top - bottom
    return [(0, bottom - over), (r, bottom - over), (r, top + over), (0, top + over)]


def countersunk(diameter: float, head: float) -> list[tuple[float, float]]:
    """Return the same with a countersink of 100 degrees to `head` at the underside."""
    r, big = diameter / 2, head / 2
    deep = (big - r) / np.tan(np.radians(50))
    low = -SHEET
    return [(0, low - SHEET), (big, low - SHEET), (big, low), (r, low + deep), (r, SHEET), (0, SHEET)]


def filleted(diameter: float, radius: float, steps: int = 6) -> list[tuple[float, float]]:
    """Return the same with both rims rounded to `radius`."""
    r, low = diameter / 2, -SHEET
    angle = np.pi / 2 * np.arange(steps + 1) / steps
    bend_low = [(r + radius - radius * np.sin(a), low + radius - radius * np.cos(a)) for a in angle]
    bend_high = [(r + radius - radius * np.cos(a), -radius + radius * np.sin(a)) for a in angle]
    wide = r + radius
    return [(0, low - SHEET), (wide, low - SHEET), *bend_low, *bend_high, (wide, SHEET), (0, SHEET)]


def slot(width: float, length: float, at: tuple[float, float]) -> Any:
    """Return a drill for a slot with round ends along x."""
    import manifold3d

    end = manifold3d.CrossSection.circle(width / 2, SEGMENTS)
    ends = [end, end.translate([length - width, 0])]
    outline = manifold3d.CrossSection.batch_hull(ends)
    return outline.extrude(3 * SHEET).translate([at[0] - (length - width) / 2, at[1], -2 * SHEET])


def hollow(
    drills: Sequence[Any] = (), *, size: tuple[float, float, float] = SIZE, floor: float = SHEET
) -> Any:
    """Return a solid box with `size` of air inside walls of SHEET and a floor of its own thickness."""
    import manifold3d

    t = SHEET
    a, b, c = size
    solid = manifold3d.Manifold.cube([a + 2 * t, b + 2 * t, c + t + floor]).translate([-t, -t, -floor])
    solid -= manifold3d.Manifold.cube([a, b, c])
    for drill in drills:
        solid -= drill
    return solid


def mesh_from(*solids: Any) -> Mesh:
    """Return solids of the library as one mended mesh."""
    from bayreach.mesh import joined

    parts = []
    for number, solid in enumerate(solids):
        mesh = solid.to_mesh64()
        parts.append(
            mesh_of(mesh.vert_properties[:, :3], mesh.tri_verts.astype(np.int64), f"solid {number + 1}")
        )
    return mended(joined(parts))
