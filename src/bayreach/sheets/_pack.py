"""The mesh and the sides' values as few bytes, for a page that asks nobody for anything.

Positions are whole numbers of 1/65535 of the box, films whole numbers on a logarithmic scale of 0.2 % a step
that never carries a film over an edge of the film scale; both stand as differences in byte planes, so that
they deflate well.
"""

import base64
import zlib
from dataclasses import dataclass
from typing import Any

import numpy as np

from bayreach.arrays import FloatArray, IntArray
from bayreach.heatmap import FilmScale
from bayreach.mesh import Mesh
from bayreach.report import Case
from bayreach.units import MICROMETRE

STEPS = 65535
MOST_FILM_STEPS = 32767
PASSES_A_WORD = 62
FILM_LEAST_UM = 1e-3
FILM_RATIO = 1.002


@dataclass(frozen=True, kw_only=True)
class Packed:
    """Deflated bytes as base64 text, and where each array lies in the inflated bytes."""

    text: str
    arrays: dict[str, dict[str, int]]
    numbers: dict[str, Any]


def packed(case: Case, edges: IntArray) -> Packed:
    """Return the mesh, its feature edges (e, 3) and the values of its sides, packed."""
    mesh, sides = case.mesh, case.sides
    order, faces = _first_use(mesh)
    least, size = mesh.box[0], np.maximum(mesh.box[1] - mesh.box[0], 1e-12)
    whole = np.rint((mesh.points[order] - least) / size * STEPS).astype(np.int64)
    renumbered = np.zeros(len(mesh.points), dtype=np.int64)
    renumbered[order] = np.arange(len(order))
    film = film_steps(sides.film_um, case.scale)
    share = np.divide(
        sides.direct_um, sides.film_um, out=np.zeros_like(sides.film_um), where=sides.film_um > 0
    )
    columns: dict[str, tuple[IntArray, int]] = {
        "x": (_differences(whole[:, 0]), 3),
        "y": (_differences(whole[:, 1]), 3),
        "z": (_differences(whole[:, 2]), 3),
        "a": (_differences(faces[:, 0]), 4),
        "b": (faces[:, 1] - faces[:, 0], 4),
        "c": (faces[:, 2] - faces[:, 0], 4),
        "edge_a": (_differences(renumbered[edges[:, 0]]), 4),
        "edge_b": (renumbered[edges[:, 1]] - renumbered[edges[:, 0]], 4),
        "edge_face": (_differences(edges[:, 2]), 4),
        "part": (_differences(mesh.face_parts), 2),
    }
    for name, values, width in (
        ("film", _differences(film.reshape(-1, 2), axis=0), 2),
        ("direct", np.rint(np.clip(share, 0, 1) * 255).astype(np.int64).reshape(-1, 2), 2),
        ("status", sides.status.reshape(-1, 2), 1),
        ("bay", sides.bay.reshape(-1, 2), 2),
        ("pass", sides.first_pass.reshape(-1, 2), 2),
        ("check", sides.checkable.reshape(-1, 2), 1),
        ("reason", sides.reason.reshape(-1, 2), 2),
        *_chances(case),
        *_wet_by(case),
        *_built(case),
    ):
        columns[f"{name}_front"], columns[f"{name}_back"] = (values[:, 0], width), (values[:, 1], width)
    return _joined(columns, least, size, len(order), len(faces))


def _chances(case: Case) -> list[tuple[str, IntArray, int]]:
    """Return the chances in whole per cent, rounded down; -1 where nothing is asked."""
    if case.sides.chance is None:
        return []
    whole = np.floor(case.sides.chance * 100 + 1e-9).astype(np.int64)
    return [("chance", np.maximum(whole, -1).reshape(-1, 2), 1)]


def _wet_by(case: Case) -> list[tuple[str, IntArray, int]]:
    """Return which passes wet each side, eight passes a column: what the page lists for a touched side."""
    columns = []
    known = min(len(case.passes), PASSES_A_WORD * len(case.sides.wet_by))
    for first in range(0, known, 8):
        bits = np.zeros(len(case.sides.bay), dtype=np.int64)
        for number in range(first, min(first + 8, known)):
            bits |= _bit(case.sides.wet_by, number) << (number - first)
        columns.append((f"wet{first // 8}", bits.reshape(-1, 2), 2))
    return columns


def _built(case: Case) -> list[tuple[str, IntArray, int]]:
    """Return by how many bands of the film scale each pass takes each side on: film building up.

    Film by pass is told before uptake, creep and run-off; the page shows the full film after the last pass.
    """
    columns = []
    film = np.zeros(case.mesh.n_sides)
    before = np.zeros(case.mesh.n_sides, dtype=np.int64)
    for number, one in enumerate(case.pass_films):
        film += one.dense(case.mesh.n_sides) / MICROMETRE
        band = case.scale.band_of(film)
        columns.append((f"built{number}", (band - before).reshape(-1, 2), 1))
        before = band
    return columns


def _bit(words: tuple[IntArray, ...], number: int) -> IntArray:
    bit: IntArray = (words[number // PASSES_A_WORD] >> (number % PASSES_A_WORD)) & 1
    return bit


def film_steps(film_um: FloatArray, scale: FilmScale) -> IntArray:
    """Return the whole numbers (n,) of films (n,) in um; 0 is no film.

    film = FILM_LEAST_UM * FILM_RATIO ** (number - 1); the number moves to the next where rounding would
    carry a film over an edge of the scale.
    """
    film = np.maximum(film_um, 0.0)
    steps = np.zeros(len(film), dtype=np.int64)
    wet = film > 0.0
    exact = np.log(np.maximum(film[wet], FILM_LEAST_UM) / FILM_LEAST_UM) / np.log(FILM_RATIO)
    steps[wet] = np.clip(np.rint(exact).astype(np.int64) + 1, 1, MOST_FILM_STEPS)
    band = scale.band_of(film)
    for _ in range(2):
        steps += (scale.band_of(film_of(steps)) < band).astype(np.int64)
        steps -= ((scale.band_of(film_of(steps)) > band) & (steps > 1)).astype(np.int64)
    return steps


def film_of(steps: IntArray) -> FloatArray:
    """Return the films (n,) in um that the page shows for whole numbers (n,)."""
    film: FloatArray = np.where(steps > 0, FILM_LEAST_UM * FILM_RATIO ** (steps - 1.0), 0.0)
    return film


def _first_use(mesh: Mesh) -> tuple[IntArray, IntArray]:
    """Return the points used, in the order in which faces first use them, and the faces in those numbers."""
    used, first, back = np.unique(mesh.faces.ravel(), return_index=True, return_inverse=True)
    by_use = np.argsort(first, kind="stable")
    rank = np.zeros(len(used), dtype=np.int64)
    rank[by_use] = np.arange(len(used))
    return used[by_use], rank[back].reshape(-1, 3)


def _differences(values: IntArray, axis: int = 0) -> IntArray:
    return np.diff(
        values, axis=axis, prepend=np.zeros_like(np.take(values, [0], axis=axis)) if len(values) else 0
    )


def _joined(
    columns: dict[str, tuple[IntArray, int]], least: FloatArray, size: FloatArray, n_points: int, n_faces: int
) -> Packed:
    arrays, planes, start = {}, [], 0
    for name, (values, width) in columns.items():
        folded = _zigzag(values)
        arrays[name] = {"start": start, "length": len(folded), "width": width}
        for byte in range(width):
            planes.append(((folded >> (8 * byte)) & 255).astype(np.uint8))
            start += len(folded)
    deflater = zlib.compressobj(9, zlib.DEFLATED, -15)
    squeezed = deflater.compress(np.concatenate(planes).tobytes()) + deflater.flush()
    numbers = {
        "least": least.tolist(),
        "size": size.tolist(),
        "points": n_points,
        "faces": n_faces,
        "bytes": start,
        "film_least_um": FILM_LEAST_UM,
        "film_ratio": FILM_RATIO,
    }
    return Packed(text=base64.b64encode(squeezed).decode("ascii"), arrays=arrays, numbers=numbers)


def _zigzag(values: IntArray) -> IntArray:
    """Return whole numbers without sign: 0, -1, 1, -2 become 0, 1, 2, 3."""
    folded: IntArray = np.where(values >= 0, 2 * values, -2 * values - 1)
    return folded
