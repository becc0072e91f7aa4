"""Why a patch stayed uncovered, in words."""

from collections.abc import Sequence

import numpy as np

from bayreach.arrays import FloatArray, IntArray
from bayreach.run._pulls import Pull
from bayreach.run._site import Site


def holiday_reason(
    site: Site, pulls: Sequence[Pull], total: FloatArray, direct: FloatArray, sides: IntArray
) -> str:
    """Return why the connected uncovered `sides` lack film, from what their largest share has in common."""
    areas = site.side_areas[sides]
    bay = site.bays.bays[int(site.bays.side_bay[sides[0]])]
    if bay.sealed:
        return "sealed bay: no opening leads in"
    if not pulls:
        return "no pass"
    thin = float(areas[total[sides] > 0.0].sum() / areas.sum())
    if thin >= 0.5:
        least = float(np.average(total[sides], weights=areas)) * 1e6
        need = site.job.target.film_min * 1e6
        return f"too thin: {least:.2g} um on average where {need:.3g} um is asked"
    return "in shadow of every pass, or outside its pattern"
