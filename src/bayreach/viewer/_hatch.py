"""Hatches of the window: stripes, crosses or dots as a texture over the sides that have no other mark."""

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bayreach import heatmap
from bayreach.arrays import FloatArray, IntArray
from bayreach.mesh import Mesh
from bayreach.viewer._polydata import wound

STRIPES = 90
"""Stripes along the diagonal of the structure's box."""

ACROSS = np.array([[0.62, 0.48, 0.62], [-0.48, 0.71, 0.52]])
"""Two oblique directions: no wall of a box lies along either."""

INK = {
    heatmap.HATCH_SLANTED: (255, 255, 255),
    heatmap.HATCH_CROSSED: (60, 60, 60),
    heatmap.HATCH_DOTTED: (255, 255, 255),
}
"""Colour of each hatch: what shows on the colours that it lies on."""


def hatched(pyvista: Any, mesh: Mesh, sides: IntArray, hatches: IntArray) -> Iterator[tuple[Any, Any]]:
    """Yield the surface and the texture of each hatch.

    Parameters
    ----------
    pyvista : module
    mesh : Mesh
    sides : (k,) int
        Sides that are drawn.
    hatches : (k,) int
        Hatch of each, `heatmap.HATCH_NONE` for none.
    """
    for hatch, ink in INK.items():
        chosen = sides[hatches == hatch]
        if not len(chosen):
            continue
        points = mesh.points[wound(mesh, chosen)].reshape(-1, 3)
        surface = pyvista.PolyData.from_regular_faces(points, np.arange(len(points)).reshape(-1, 3))
        surface.active_texture_coordinates = _places(mesh, points)
        texture = pyvista.Texture(_tile(hatch, ink))
        texture.repeat = True
        yield surface, texture


def _places(mesh: Mesh, points: FloatArray) -> FloatArray:
    """Return where each point lies on the endless texture, (n, 2), a stripe to each whole number."""
    least, most = mesh.box
    stripe = float(np.linalg.norm(most - least)) / STRIPES
    return np.asarray((points - least) @ ACROSS.T / stripe, dtype=np.float64)


def _tile(hatch: int, ink: tuple[int, int, int]) -> NDArray[np.uint8]:
    """Return one tile, (32, 32, 4): ink where the hatch marks, clear elsewhere."""
    v, u = np.divmod(np.arange(32 * 32).reshape(32, 32), 32)
    if hatch == heatmap.HATCH_DOTTED:
        marked = (u - 16) ** 2 + (v - 16) ** 2 < 5**2
    else:
        marked = (u < 7) | ((v < 7) & (hatch == heatmap.HATCH_CROSSED))
    tile = np.zeros((32, 32, 4), dtype=np.uint8)
    tile[..., :3] = ink
    tile[..., 3] = np.where(marked, 255, 0)
    return tile
