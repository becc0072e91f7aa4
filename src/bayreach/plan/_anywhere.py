"""A bound on new holes that holds for any place on the skin, any wand and any film model."""

import numpy as np

from bayreach.arrays import OUTSIDE, BoolArray, FloatArray
from bayreach.bays import Bays
from bayreach.topology import groups


def holes_anywhere(bays: Bays, required: BoolArray, areas: FloatArray, share: float) -> int:
    """Return the fewest new holes that any plan whatever needs.

    Bays linked by openings are one air space. A space with no opening to the outside stays dry until a hole
    is made in
    it, and one hole serves one space. With everything else taken as covered, the spaces drilled must make
    up what is
    missing to the share asked: the largest first are the fewest. Holes that a space with an opening may
    need as well are
    not counted: no bound for any location was had for those.

    Parameters
    ----------
    bays : Bays
        Bays and openings.
    required : (2n,) bool
        Sides that need film.
    areas : (2n,) float
        Their m².
    share : float
        Share of the required area asked.
    """
    n_bays = len(bays.bays)
    links = np.array([opening.links for opening in bays.openings], dtype=np.int64).reshape(-1, 2)
    links = np.where(links == OUTSIDE, n_bays, links)
    _, space = groups(n_bays + 1, links)
    inside = required & (bays.side_bay >= 0)
    area = np.bincount(space[bays.side_bay[inside]], weights=areas[inside], minlength=int(space.max()) + 1)
    shut = np.arange(len(area)) != space[n_bays]
    missing = share * float(area.sum()) * (1.0 - 1e-9) - float(area[~shut].sum())
    gains = np.cumsum(np.sort(area[shut])[::-1])
    return int(np.searchsorted(gains, missing)) + 1 if missing > 0 else 0
