"""The bays of a mesh: cap what can be capped, divide the air, name what is there."""

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import FloatArray, IntArray
from bayreach.bays._assembled import air_findings, assembled
from bayreach.bays._caps import find_caps
from bayreach.bays._closed import closed_bays
from bayreach.bays._flat import Cap, fitted_plane
from bayreach.bays._gaps import Rims
from bayreach.bays._given import cut_given, name_given
from bayreach.bays._loops import loop_length, loop_plane
from bayreach.bays._openings import inscribed_diameter, is_sliver
from bayreach.bays._records import Bays, Given
from bayreach.bays._rims import split_along_rims
from bayreach.bays._shut import Shut, in_plane, not_placed, plane_wall, walled
from bayreach.bays._thick import close_thick
from bayreach.bays._useful import useful_caps
from bayreach.bays._voxel import Material, closed_bays_on_grid, voxel_bays
from bayreach.errors import MeshError
from bayreach.measure import area_vectors
from bayreach.mesh import Mesh
from bayreach.rays import Scene
from bayreach.repair import Finding
from bayreach.topology import edges_of, free_edges

LARGE_DIAMETER = 0.25
"""An opening that a round rod of this many metres passes is an open end, no hole. Our choice, no source."""

_HOLLOW_SHARE = 0.6
"""Material that fills more of its box than this leaves no room for a bay. Our choice, no source."""

_BENT_SHARE = 0.01
"""A rim is bent where it leaves its plane by this share of its length. Our choice, no source."""

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
    encloses: str | None = None,
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
        A point without a normal so closes the one opening it lies in. On a grid a plane without a rim is
        wall as far as the box goes.
    encloses : {None, "air", "material"}
        What a mesh without free edges encloses, where it is known: a cavity drawn as one closed surface and a
        solid part may have the same shape. None lets the shape tell, and a finding says where it cannot.

    Raises
    ------
    ValueError
        For an empty mesh or an unknown method.
    MeshError
        When a given opening lies on no sheet, or when `encloses` is stated of a mesh that is open.
    """
    if not mesh.n_faces:
        message = "find_bays: the mesh has no face."
        raise ValueError(message)
    if method not in METHODS:
        message = f'find_bays: method "{method}" is unknown; use one of {", ".join(METHODS)}.'
        raise ValueError(message)
    _refuse_unmeant(mesh, encloses)
    found = _found_bays(mesh, large, shut, encloses)
    if method == "voxel":
        return name_given(_counted_as_asked(mesh, found, closed_up_to, large, shut), given)[0]
    if method == "auto":
        counted = _counted_instead(mesh, found, closed_up_to, large, shut)
        if counted is not None:
            return name_given(counted, given)[0]
    return _with_given(mesh, found, given, lambda cut: _found_bays(cut, large, shut, encloses))


def _refuse_unmeant(mesh: Mesh, encloses: str | None) -> None:
    """Refuse a statement of what a mesh encloses that is unknown, or of a mesh that encloses nothing."""
    if encloses not in {None, "air", "material"}:
        message = f'find_bays: encloses "{encloses}" is unknown; use "air" or "material".'
        raise ValueError(message)
    n_free = int(edges_of(mesh.faces).free.sum()) if encloses else 0
    if n_free:
        message = (
            f'encloses = "{encloses}" is stated, but the mesh has {n_free:,} free edges and so is no closed '
            "surface; leave it out, or close the mesh."
        )
        raise MeshError(message)


def _counted_as_asked(
    mesh: Mesh, found: Bays, closed_up_to: float, large: float, shut: Sequence[Shut]
) -> Bays:
    solid = Material(sides=_sides_given(found), volume=found.material_volume)
    return voxel_bays(
        mesh,
        closed_up_to=closed_up_to,
        large=large,
        rims=rims_of(mesh, shut, large, is_thick=len(solid.sides) > 0),
        material=solid if len(solid.sides) else None,
        why="As asked, the air",
    )


def rims_of(mesh: Mesh, shut: Sequence[Shut], large: float, *, is_thick: bool) -> Rims:
    """Return what a grid shuts: the openings whose rims the mesh shows, and what the user has count as wall.

    A plane with no rim in it is wall as far as the mesh's box goes. Slits are left to the grid.
    """
    if edges_of(mesh.faces).free.any():
        whole, found, _ = find_caps(mesh)
    elif is_thick:
        closed = close_thick(mesh)
        whole, found = closed.mesh, list(closed.caps)
    else:
        whole, found = mesh, []
    caps, unplaced = walled(whole, found, shut)
    scene = Scene(mesh)
    kept = [cap for cap in caps if cap.is_wall or _is_opening(scene, whole, cap, large)]
    planes = [None if normal is None else plane_wall(mesh, point, normal) for point, normal in unplaced]
    left = [entry for entry, plane in zip(unplaced, planes, strict=True) if plane is None]
    walls = [plane for plane in planes if plane is not None]
    return Rims(
        points=whole.points,
        caps=tuple(kept),
        walls=np.concatenate([np.zeros((0, 3, 3)), *walls]),
        findings=not_placed(left),
    )


def _sides_given(found: Bays) -> IntArray:
    """Return the sides in material as sides of the mesh given."""
    sides = found.material_sides
    return np.unique(2 * found.source_faces[sides // 2] + sides % 2)


def _counted_instead(
    mesh: Mesh, found: Bays, closed_up_to: float, large: float, shut: Sequence[Shut]
) -> Bays | None:
    """Return the bays of a grid where sides show none, or none that can be, and a grid does."""
    if len(found.material_sides) and not found.bays:
        hollow = found.material_volume < _HOLLOW_SHARE * float(np.prod(mesh.box[1] - mesh.box[0]))
        if not hollow:
            return None
        material = Material(sides=found.material_sides, volume=found.material_volume)
        rims = rims_of(mesh, shut, large, is_thick=True)
        return closed_bays_on_grid(mesh, material=material, closed_up_to=closed_up_to, large=large, rims=rims)
    left_open = any(_ends_in(mesh, found, point, normal) for point, normal in shut if normal is not None)
    if (found.bays or not _may_leak(mesh)) and not left_open and not _has_covered_end(found):
        return None
    rims = rims_of(mesh, shut, large, is_thick=False)
    counted = voxel_bays(mesh, closed_up_to=closed_up_to, large=large, rims=rims)
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
    scene = Scene(bays.mesh) if ends else None
    return scene is not None and any(
        _is_covered(scene, bays.cap_points[bays.cap_faces[bays.cap_opening == number]]) for number in ends
    )


def _is_opening(scene: Scene, whole: Mesh, cap: Cap, large: float) -> bool:
    """Return whether a cap closes an opening of sheets that may not meet.

    It does not where a sheet covers it without meeting it, nor where it is large and bent, for the edges of
    several sheets that ought to meet make such a rim.
    """
    if is_sliver(cap, whole.diagonal) or _is_covered(scene, whole.points[cap.faces]):
        return False
    ring = whole.points[cap.rim]
    plane = loop_plane(ring)
    bent = plane is None or np.abs(plane.heights(ring)).max() > _BENT_SHARE * loop_length(ring)
    return not (bent and inscribed_diameter(cap) >= large)


def _ends_in(mesh: Mesh, found: Bays, point: ArrayLike, normal: ArrayLike) -> bool:
    """Return whether sheets end in a plane that counts as wall but make no rim there, as they do not meet."""
    places = [finding.places[0] for finding in found.findings if finding.kind == "cap not placed"]
    if not any(np.array_equal(place, np.asarray(point, dtype=np.float64)) for place in places):
        return False
    ends = mesh.points[free_edges(mesh.faces)[0]]
    here = ends[in_plane(mesh, ends.reshape(-1, 3), point, normal).reshape(-1, 2).all(axis=1)].reshape(-1, 3)
    # One straight edge lies in any plane along it: that is a wall beside an opening.
    return len(here) > 0 and bool(fitted_plane(here)[1][1] > _COVER_SHARE * mesh.diagonal)


def _is_covered(scene: Scene, corners: FloatArray) -> bool:
    """Return whether a sheet lies close by nearly all of a cap (n, 3, 3), on one hand or the other."""
    vectors = area_vectors(corners)
    areas = np.linalg.norm(vectors, axis=1)
    width = 2 * np.sqrt(areas.sum() / np.pi)
    near = np.zeros(len(corners), dtype=bool)
    for way in (1.0, -1.0):
        _, away = scene.first_hit(corners.mean(axis=1), way * vectors)
        near |= away < _COVER_SHARE * width
    return bool(areas[near].sum() > 0.8 * areas.sum())


def _may_leak(mesh: Mesh) -> bool:
    """Return whether a mesh has the depth that air needs: its box is not flat."""
    size = np.sort(mesh.box[1] - mesh.box[0])
    return bool(size[0] > 1e-3 * size[2])


def _found_bays(mesh: Mesh, large: float, shut: Sequence[Shut], encloses: str | None) -> Bays:
    if not edges_of(mesh.faces).free.any():
        return closed_bays(mesh, large, shut, encloses)
    whole, source = split_along_rims(mesh)
    whole, caps, missed = find_caps(whole)
    caps, unplaced = walled(whole, caps, shut)
    caps, regions = useful_caps(whole, caps)
    findings = (*air_findings(mesh, whole, regions, missed), *not_placed(unplaced))
    return assembled(mesh=whole, source=source, caps=caps, regions=regions, findings=findings, large=large)
