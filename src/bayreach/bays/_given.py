"""Openings that a user names: matched to those found, or cut."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from bayreach.arrays import FloatArray, IntArray, unit_vectors
from bayreach.bays._flat import plane_through
from bayreach.bays._records import Bays, Given
from bayreach.errors import MeshError
from bayreach.measure import face_normals, nearest_faces
from bayreach.mesh import Mesh
from bayreach.repair import with_round_hole
from bayreach.topology import closed_loops, free_edges


def name_given(bays: Bays, given: Sequence[Given], cut: Sequence[Given] = ()) -> tuple[Bays, list[Given]]:
    """Return the bays with the user's names on openings, and the entries that no opening lies at.

    An entry belongs to the nearest opening whose centre is within half its own equivalent diameter of the
    entry's; in a thick sheet, and the thickness, since a user names a place on either skin.
    """
    openings = list(bays.openings)
    was_cut = {entry.name for entry in cut}
    taken: set[int] = set()
    missing = []
    for entry in given:
        away = np.array([np.linalg.norm(opening.center - entry.center) for opening in openings])
        near = np.array([opening.equivalent_diameter / 2 + opening.thickness for opening in openings])
        fits = [k for k in np.argsort(away).tolist() if away[k] <= near[k] and k not in taken]
        if not fits:
            missing.append(entry)
            continue
        taken.add(fits[0])
        kind = entry.kind if entry.name in was_cut else "found"
        openings[fits[0]] = replace(openings[fits[0]], name=entry.name, kind=kind)
    old = {before.name: after.name for before, after in zip(bays.openings, openings, strict=True)}
    records = tuple(replace(bay, openings=tuple(old[name] for name in bay.openings)) for bay in bays.bays)
    return replace(bays, openings=tuple(openings), bays=records), missing


def cut_given(mesh: Mesh, entries: Sequence[Given], *, thick: bool) -> tuple[Mesh, IntArray]:
    """Return the mesh with a round hole for each entry with a diameter, and the old face of each face.

    Where the sheets are `thick`, both skins are cut and the hole gets its wall.

    Raises
    ------
    MeshError
        When an entry lies on no sheet; names it.
    """
    source = np.arange(mesh.n_faces)
    for entry in entries:
        if entry.diameter is None:
            continue
        normal = entry.normal
        if normal is None:
            face, _ = nearest_faces(entry.center, mesh)
            normal = face_normals(mesh)[face[0]]
        try:
            if thick:
                mesh, piece = _drilled(mesh, entry.center, normal, entry.diameter)
            else:
                hole = with_round_hole(mesh, entry.center, normal, entry.diameter)
                mesh, piece = hole.mesh, hole.source_faces
        except MeshError as error:
            message = f'opening "{entry.name}": {error}'
            raise MeshError(message) from None
        source = source[piece]
    return mesh, source


_REACHES = (0.5, 1.0, 2.0, 4.0)
"""How many diameters along the drill the other skin is looked for, the nearest first."""


def _drilled(mesh: Mesh, center: FloatArray, normal: FloatArray, diameter: float) -> tuple[Mesh, IntArray]:
    """Return a closed mesh with a hole through both skins of the sheet at `center`, and the old faces.

    Raises
    ------
    MeshError
        When the other skin is not found along the drill.
    """
    for reach in _REACHES:
        hole = with_round_hole(mesh, center, normal, diameter, reach * diameter)
        edges, face = free_edges(hole.mesh.faces)
        rims, _ = closed_loops(edges)
        if len(rims) == 2:
            wall = _wall(hole.mesh.points, edges, rims, (center, normal))
            beside = np.full(len(wall), face[0])
            parts = np.concatenate([hole.mesh.face_parts, hole.mesh.face_parts[beside]])
            whole = replace(hole.mesh, faces=np.concatenate([hole.mesh.faces, wall]), face_parts=parts)
            return whole, np.concatenate([hole.source_faces, hole.source_faces[beside]])
    message = (
        f"A hole of {diameter * 1e3:.4g} mm at {np.round(center, 4).tolist()} m does not come out of the "
        f"sheet within {_REACHES[-1] * diameter * 1e3:.4g} mm along its drill; move it or turn its normal."
    )
    raise MeshError(message)


def _wall(
    points: FloatArray, edges: IntArray, rims: list[IntArray], drill: tuple[FloatArray, FloatArray]
) -> IntArray:
    """Return faces (k, 3) between two rims on the same drill, turned as the skins beside them are."""
    center, normal = drill
    plane = plane_through(np.asarray(center), unit_vectors(normal))
    turns = []
    for rim in rims:
        flat = plane.flat(points[rim])
        turns.append(np.arctan2(flat[:, 1], flat[:, 0]))
    first, second = (rim[np.argsort(turn)] for rim, turn in zip(rims, turns, strict=True))
    one, two = (np.append(np.sort(turn), np.sort(turn)[0] + 2 * np.pi) for turn in turns)
    faces, i, j = [], 0, 0
    # A strip is a walk along both rims: each step takes the nearer of the two next corners.
    while i < len(first) or j < len(second):
        a, b = first[i % len(first)], second[j % len(second)]
        if j == len(second) or (i < len(first) and one[i + 1] <= two[j + 1]):
            faces.append([first[(i + 1) % len(first)], a, b])
            i += 1
        else:
            faces.append([a, b, second[(j + 1) % len(second)]])
            j += 1
    wall = np.array(faces, dtype=np.int64)
    # The skin runs along its rim the other way than the wall does.
    runs = {tuple(edge) for edge in edges.tolist()}
    if (int(first[0]), int(first[1])) not in runs:
        wall = wall[:, ::-1]
    return wall
