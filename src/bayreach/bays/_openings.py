"""Openings measured from their caps."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from bayreach.arrays import FloatArray, IntArray, unit_vectors
from bayreach.bays._flat import Cap
from bayreach.bays._names import names_by_place
from bayreach.bays._records import Opening
from bayreach.measure import area_vectors
from bayreach.mesh import Mesh

_SLIT_SHARE = 2e-3
"""A cap whose mean width is below this share of its rim's length is a slit between sheets."""

_CIRCLE_SHARE = 1e-4


def links_of(cap_faces: IntArray, cap_bays: IntArray) -> tuple[IntArray, IntArray]:
    """Return cap faces turned so that their fronts look on the higher-numbered space last, and links (c, 2).

    The back of a cap face looks on the first link, its front on the second: the outside first where it is
    one of them, else the
    bay of lower number.
    """
    front, back = cap_bays[:, 0], cap_bays[:, 1]
    turned = front < back
    faces = np.where(turned[:, None], cap_faces[:, ::-1], cap_faces)
    return faces, np.sort(cap_bays, axis=1)


def inscribed_diameter(cap: Cap) -> float:
    """Return the diameter of the largest circle in the cap's free cross-section, in m.

    Found to 1e-4 of the square root of its area.
    """
    import shapely

    size = float(np.sqrt(cap.shape.area))
    if not size > 0:
        return 0.0
    return 2.0 * float(shapely.maximum_inscribed_circle(cap.shape, tolerance=_CIRCLE_SHARE * size).length)


def is_sliver(cap: Cap, diagonal: float) -> bool:
    """Return True for a slit that is no opening: hardly any width beside its length."""
    length = float(np.linalg.norm(np.roll(cap.flat, -1, axis=0) - cap.flat, axis=1).sum())
    width = 2.0 * float(cap.shape.area) / length if length else 0.0
    return width < _SLIT_SHARE * length or width < 1e-6 * diagonal


def opening_of(mesh: Mesh, cap: Cap, faces: IntArray, links: IntArray, large: float) -> Opening:
    """Return the unnamed opening that a cap closes."""
    corners = mesh.points[faces]
    vectors = area_vectors(corners)
    areas = np.linalg.norm(vectors, axis=1)
    total = float(areas.sum())
    diameter = inscribed_diameter(cap)
    return Opening(
        name="",
        kind="found",
        center=(corners.mean(axis=1) * areas[:, None]).sum(axis=0) / total,
        normal=unit_vectors(vectors.sum(axis=0)),
        diameter=diameter,
        equivalent_diameter=float(2 * np.sqrt(total / np.pi)),
        area=total,
        rim=mesh.points[cap.rim],
        links=(int(links[0, 0]), int(links[0, 1])),
        thickness=cap.thickness,
        large=diameter >= large,
    )


def ordered_by_place(centers: FloatArray, box: FloatArray) -> IntArray:
    """Return indices that sort places along the box's longest axis, then the next, then the last.

    Places are told apart in steps of a thousandth of the diagonal, so that rounding changes no name.
    """
    if not len(centers):
        return np.zeros(0, dtype=np.int64)
    size = box[1] - box[0]
    axes = np.argsort(-size, kind="stable")
    step = 1e-3 * float(np.linalg.norm(size))
    keys = np.round((centers - box[0]) / step)[:, axes]
    return np.lexsort((keys[:, 2], keys[:, 1], keys[:, 0])).astype(np.int64)


def named_by_place(openings: Sequence[Opening], diagonal: float) -> tuple[Opening, ...]:
    """Return the openings, each named for where its centre is."""
    names = names_by_place(np.array([opening.center for opening in openings]).reshape(-1, 3), diagonal)
    return tuple(replace(opening, name=name) for opening, name in zip(openings, names, strict=True))
