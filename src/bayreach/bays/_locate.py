"""Which bay a point in the air belongs to."""

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import OUTSIDE, IntArray
from bayreach.bays._records import Bays
from bayreach.bays._regions import outward_corners
from bayreach.measure import winding_numbers


def bay_at(bays: Bays, points: ArrayLike) -> IntArray:
    """Return the bay of the air at each point (n, 3), -1 outside; (n,) int.

    A bay's sides and caps together wind once round each of its points and not at all round any other.
    """
    points = np.atleast_2d(np.asarray(points, dtype=np.float64))
    if bays.grid is not None:
        return bays.grid.region_at(points)
    found = np.full(len(points), OUTSIDE, dtype=np.int64)
    caps = bays.cap_points[bays.cap_faces]
    for bay in bays.bays:
        rows = np.flatnonzero(
            ((points >= bay.box[0]) & (points <= bay.box[1])).all(axis=1) & (found == OUTSIDE)
        )
        if not len(rows):
            continue
        # The back of a cap face looks on its first link, so its front points out of that one and into the
        # second.
        first, second = bays.cap_links[:, 0] == bay.index, bays.cap_links[:, 1] == bay.index
        walls = np.concatenate(
            [
                outward_corners(bays.mesh.corners.copy(), bays.sides_of(bay.index)),
                caps[first & ~second],
                caps[second & ~first][:, ::-1],
            ]
        )
        found[rows[winding_numbers(points[rows], walls) > 0.5]] = bay.index
    return found
