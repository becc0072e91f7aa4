"""A result as the mesh of a plotting library, for notebooks."""

from typing import TYPE_CHECKING, Any

import numpy as np

from bayreach.arrays import IntArray
from bayreach.mesh import Mesh
from bayreach.outcome import Result

if TYPE_CHECKING:
    import pyvista


def wound(mesh: Mesh, sides: IntArray) -> IntArray:
    """Return the corners (k, 3) of sides (k,), each wound so that its normal leaves its side."""
    corners = mesh.faces[sides // 2].copy()
    backs = sides % 2 == 1
    corners[backs] = corners[backs][:, [0, 2, 1]]
    return corners


def polydata(result: Result) -> "pyvista.PolyData":
    """Return the sides of `result` as a PyVista mesh: one cell a side, in m, with the arrays of film.vtp.

    Cell arrays: `face`, `side`, `bay`, `film_um`, `direct_um`, `settled_um`, `status`, `source_face`, `part`
    and whatever more the result holds a side; each cell is wound so that its normal leaves its side.
    """
    import pyvista

    sides = result.sides
    mesh = sides.mesh
    corners = wound(mesh, np.arange(mesh.n_sides))
    surface = pyvista.PolyData.from_regular_faces(np.asarray(mesh.points), corners)
    arrays: dict[str, Any] = {
        "face": np.repeat(np.arange(mesh.n_faces), 2),
        "side": np.tile([0, 1], mesh.n_faces),
        "bay": sides.side_bay,
        "film_um": 1e6 * sides.film,
        "direct_um": 1e6 * sides.direct,
        "settled_um": 1e6 * sides.settled,
        "status": sides.status,
        "source_face": np.repeat(sides.source_faces, 2),
        "part": np.repeat(mesh.face_parts, 2),
        **sides.extra,
    }
    for name, values in arrays.items():
        surface.cell_data[name] = np.array(values)
    return surface
