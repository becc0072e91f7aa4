"""What was found or changed in a mesh, with places to look."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import FloatArray, frozen_floats

PLACES_KEPT = 20
"""How many places a finding carries at most."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Finding:
    """One kind of repair or oddity.

    Parameters
    ----------
    kind : str
        Short name, "merged points" or "free edges".
    count : int
        How many.
    detail : str
        One sentence.
    places : (k, 3) float
        Where to look, in m; a few of them where there are many.
    is_repair : bool
        True where the mesh was changed, False where it stays as it came.
    """

    kind: str
    count: int
    detail: str
    places: FloatArray = field(default_factory=lambda: np.zeros((0, 3)))
    is_repair: bool = True

    def __post_init__(self) -> None:
        object.__setattr__(self, "places", frozen_floats(self.places, shape=(-1, 3), name="places"))


def some_of(places: ArrayLike) -> FloatArray:
    """Return at most `PLACES_KEPT` of places (k, 3), spread evenly over them."""
    places = np.asarray(places, dtype=np.float64).reshape(-1, 3)
    if len(places) <= PLACES_KEPT:
        return places
    return places[np.linspace(0, len(places) - 1, PLACES_KEPT).astype(np.int64)]
