"""Caps on loops that lie in no plane."""

import numpy as np

from bayreach.arrays import FloatArray, IntArray
from bayreach.bays._flat import Cap, caps_in_plane, fitted_plane


def bent_cap(points: FloatArray, loop: IntArray) -> Cap | None:
    """Return a cap on a loop that lies in no plane, filled as its shadow on the plane of least squares is."""
    import shapely

    plane, spread = fitted_plane(points[loop])
    if spread[1] <= 0:
        return None
    flat = plane.flat(points[loop])
    polygon = shapely.Polygon(flat)
    if not polygon.is_valid or polygon.area == 0:
        return None
    ring = np.stack([np.arange(len(loop)), np.roll(np.arange(len(loop)), -1)], axis=1)
    caps = caps_in_plane(
        flat=flat, points=loop, edges=ring, rim_edges=ring, covered=np.zeros((0, 3, 2)), planar=False
    )
    return caps[0] if len(caps) == 1 else None
