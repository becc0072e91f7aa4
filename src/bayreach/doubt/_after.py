"""What seams draw off the liquid that came to lie."""

from dataclasses import dataclass

import numpy as np

from bayreach.arrays import FloatArray, IntArray
from bayreach.deposit.creep import greatest_draw
from bayreach.deposit.laid import seams_in
from bayreach.run import Site, conditions_of


@dataclass(frozen=True, kw_only=True, eq=False)
class Seeping:
    """Seams that draw liquid from some sides, which are known by their places among them.

    Parameters
    ----------
    seam, place : (m,) int
        Which seam meets which side, seam by seam.
    parts : (m,) float
        Part of its liquid that the side offers this seam: one over the number of its seams.
    draws : (k,) float
        Most that each seam draws, in m³.
    areas, uptake : (n,) float
        Area of each side in m², and the film in m that it soaks up before it gives any.
    """

    seam: IntArray
    place: IntArray
    parts: FloatArray
    draws: FloatArray
    areas: FloatArray
    uptake: FloatArray

    def beside(self, places: IntArray) -> IntArray:
        """Return the places, rising, that share a seam with one of `places` and are none of them."""
        touched = np.isin(self.seam, self.seam[np.isin(self.place, places)])
        return np.setdiff1d(self.place[touched], places)

    def among(self, places: IntArray) -> "Seeping":
        """Return the seams whose sides are all among `places`, which may stand in any order."""
        order = np.argsort(places)
        found = order[np.minimum(np.searchsorted(places, self.place, sorter=order), len(places) - 1)]
        known = places[found] == self.place
        is_whole = np.bincount(self.seam, ~known, minlength=len(self.draws)) == 0
        met = is_whole[self.seam]
        return Seeping(
            seam=(np.cumsum(is_whole) - 1)[self.seam[met]],
            place=found[met],
            parts=self.parts[met],
            draws=self.draws[is_whole],
            areas=self.areas[places],
            uptake=self.uptake[places],
        )


def seeping_of(site: Site) -> Seeping | None:
    """Return what the seams of a site draw, places being its sides; None where the job leaves creep out."""
    conditions = conditions_of(site)
    if not conditions.creep:
        return None
    seams = seams_in(site.ground, conditions)
    seam, side = seams.meetings[np.argsort(seams.meetings[:, 0], kind="stable")].T
    draws = greatest_draw(
        seams,
        site.job.liquid,
        gap=conditions.seam_gap,
        lap=conditions.seam_lap,
        time=conditions.seam_time,
    )
    return Seeping(
        seam=seam,
        place=side,
        parts=1.0 / np.bincount(side, minlength=site.mesh.n_sides)[side],
        draws=draws,
        areas=site.side_areas,
        uptake=site.uptake,
    )
