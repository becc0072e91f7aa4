"""The bays of a mesh: cap what can be capped, divide the air, name what is there."""

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from bayreach.arrays import IntArray
from bayreach.bays._assembled import air_findings, assembled
from bayreach.bays._caps import find_caps
from bayreach.bays._closed import closed_bays
from bayreach.bays._given import cut_given, name_given
from bayreach.bays._records import Bays, Given
from bayreach.bays._rims import split_along_rims
from bayreach.bays._shut import Shut, walled
from bayreach.bays._useful import useful_caps
from bayreach.bays._voxel import Material, closed_bays_on_grid, voxel_bays
from bayreach.measure import area_vectors
from bayreach.mesh import Mesh
from bayreach.rays import Scene
from bayreach.repair import Finding
from bayreach.topology import edges_of

LARGE_DIAMETER = 0.25
"""An opening that a round rod of this many metres passes is an open end, no hole. Our choice, no source."""

_HOLLOW_SHARE = 0.6
"""Material that fills more of its box than this leaves no room for a bay. Our choice, no source."""

_COVER_SHARE = 0.02
"""A sheet nearer to an open end than this share of its width covers it. Our choice, no source."""


METHODS = ("auto", "cells", "voxel")


def find_bays(
    mesh: Mesh,
    *,
    given: Sequence[Given] = (),
    large: float = LARGE_DIAMETER,
    method: str = "auto",
    closed_up_to: float = 0.0,
    shut: Sequence[Shut] = (),
) -> Bays:
    """Return the bays and openings of a mended mesh.

    Free-edge loops are capped with virtual faces, sides are joined round every edge of mesh and caps
    together, and what
    closes off a finite space is a bay. A cap with the same air on both hands is no opening and is taken
    off again.

    Parameters
    ----------
    mesh : Mesh
        Mended, in m.
    given : sequence of Given
        Openings that the user names; cut as round holes where the mesh has none.
    large : float
        Inscribed diameter in m from which an opening is an open end.
    method : {"auto", "cells", "voxel"}
        "cells" sorts sides round edges (exact), "voxel" counts air on a grid. "auto" takes cells, and the
        grid where they close off no air, a hole through thick sheets shows no rim, or a sheet covers an open
        end without meeting it.
    closed_up_to : float
        For the grid: openings up to this diameter in m are closed; where 0, through thick sheets, up to the
        diameter that keeps most air.
    shut : sequence of (point, normal or None)
        Planes that count as wall: the symmetry plane of a half model, the place of a missing end rib. Rims
        that lie in one, to a thousandth of the diagonal, are closed whatever their size and are no openings.
        A point without a normal so closes the one opening it lies in. A grid knows neither.

    Raises
    ------
    ValueError
        For an empty mesh or an unknown method.
    MeshError
        When a given opening lies on no sheet.
    """
    if not mesh.n_faces:
        message = "find_bays: the mesh has no face."
        raise ValueError(message)
    if method not in METHODS:
        message = f'find_bays: method "{method}" is unknown; use one of {", ".join(METHODS)}.'
        raise ValueError(message)
    found = _found_bays(mesh, large, shut)
    if method == "voxel":
        return name_given(_counted_as_asked(mesh, found, closed_up_to, large), given)[0]
    if method == "auto":
        counted = _counted_instead(mesh, found, closed_up_to, large)
        if counted is not None:
            return name_given(counted, given)[0]
    return _with_given(mesh, found, given, lambda cut: _found_bays(cut, large, shut))


def _counted_as_asked(mesh: Mesh, found: Bays, closed_up_to: float, large: float) -> Bays:
    solid = Material(sides=_sides_given(found), volume=found.material_volume)
    return voxel_bays(
        mesh,
        closed_up_to=closed_up_to,
        large=large,
        material=solid if len(solid.sides) else None,
        why="As asked, the air",
    )


def _sides_given(found: Bays) -> IntArray:
    """Return the sides in material as sides of the mesh given."""
    sides = found.material_sides
    return np.unique(2 * found.source_faces[sides // 2] + sides % 2)


def _counted_instead(mesh: Mesh, found: Bays, closed_up_to: float, large: float) -> Bays | None:
    """Return the bays of a grid where sides show none, or none that can be, and a grid does."""
    if len(found.material_sides) and not found.bays:
        hollow = found.material_volume < _HOLLOW_SHARE * float(np.prod(mesh.box[1] - mesh.box[0]))
        if not hollow:
            return None
        material = Material(sides=found.material_sides, volume=found.material_volume)
        return closed_bays_on_grid(mesh, material=material, closed_up_to=closed_up_to, large=large)
    if (found.bays or not _may_leak(mesh)) and not _has_covered_end(found):
        return None
    counted = voxel_bays(mesh, closed_up_to=closed_up_to, large=large)
    return counted if counted.bays else None


def _with_given(mesh: Mesh, found: Bays, given: Sequence[Given], find: Callable[[Mesh], Bays]) -> Bays:
    """Return the bays with the user's openings named, and those that the mesh lacks cut."""
    named, missing = name_given(found, given)
    if not missing:
        return named
    cut, source = cut_given(mesh, missing, thick=len(found.material_sides) > 0)
    again = find(cut) if cut is not mesh else found
    if cut is not mesh:
        again = replace(again, source_faces=source[again.source_faces])
    named, still_missing = name_given(again, given, cut=missing)
    return replace(named, findings=(*named.findings, *(_not_found(entry) for entry in still_missing)))


def _not_found(entry: Given) -> Finding:
    if entry.diameter is None:
        reason = "the mesh has no opening there; state its diameter to have it cut"
    else:
        reason = "it was cut, but both its sides look on the same air"
    return Finding(
        kind="opening not found",
        count=1,
        detail=f'Opening "{entry.name}": {reason}.',
        places=entry.center[None],
        is_repair=False,
    )


def _has_covered_end(bays: Bays) -> bool:
    """Return whether an open end is covered by a sheet close by: then sheets that should meet do not."""
    ends = [number for number, opening in enumerate(bays.openings) if opening.large]
    if not ends:
        return False
    scene = Scene(bays.mesh)
    for number in ends:
        mine = bays.cap_faces[bays.cap_opening == number]
        corners = bays.cap_points[mine]
        vectors = area_vectors(corners)
        areas = np.linalg.norm(vectors, axis=1)
        near = np.zeros(len(mine), dtype=bool)
        for way in (1.0, -1.0):
            _, away = scene.first_hit(corners.mean(axis=1), way * vectors)
            near |= away < _COVER_SHARE * bays.openings[number].equivalent_diameter
        if areas[near].sum() > 0.8 * areas.sum():
            return True
    return False


def _may_leak(mesh: Mesh) -> bool:
    """Return whether a mesh has the depth that air needs: its box is not flat."""
    size = np.sort(mesh.box[1] - mesh.box[0])
    return bool(size[0] > 1e-3 * size[2])


def _found_bays(mesh: Mesh, large: float, shut: Sequence[Shut]) -> Bays:
    if not edges_of(mesh.faces).free.any():
        return closed_bays(mesh, large, shut)
    whole, source = split_along_rims(mesh)
    whole, caps, missed = find_caps(whole)
    caps, unplaced = walled(whole, caps, shut)
    caps, regions = useful_caps(whole, caps)
    findings = (*air_findings(mesh, whole, regions, missed), *unplaced)
    return assembled(mesh=whole, source=source, caps=caps, regions=regions, findings=findings, large=large)
