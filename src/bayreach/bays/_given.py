"""Openings that a user names: matched to those found, or cut."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from bayreach.arrays import IntArray
from bayreach.bays._records import Bays, Given
from bayreach.measure import face_normals, nearest_faces
from bayreach.mesh import Mesh
from bayreach.repair import with_round_hole


def name_given(bays: Bays, given: Sequence[Given], cut: Sequence[Given] = ()) -> tuple[Bays, list[Given]]:
    """Return the bays with the user's names on openings, and the entries that no opening lies at.

    An entry belongs to the nearest opening whose centre is within half its own equivalent diameter of the
    entry's.
    """
    openings = list(bays.openings)
    was_cut = {entry.name for entry in cut}
    taken: set[int] = set()
    missing = []
    for entry in given:
        away = np.array([np.linalg.norm(opening.center - entry.center) for opening in openings])
        near = np.array([opening.equivalent_diameter / 2 for opening in openings])
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


def cut_given(mesh: Mesh, entries: Sequence[Given]) -> tuple[Mesh, IntArray]:
    """Return the mesh with a round hole for each entry with a diameter, and the old face of each face."""
    source = np.arange(mesh.n_faces)
    for entry in entries:
        if entry.diameter is None:
            continue
        normal = entry.normal
        if normal is None:
            face, _ = nearest_faces(entry.center, mesh)
            normal = face_normals(mesh)[face[0]]
        hole = with_round_hole(mesh, entry.center, normal, entry.diameter)
        mesh, source = hole.mesh, source[hole.source_faces]
    return mesh, source
