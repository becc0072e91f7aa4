"""Order of work: lower sections first, far end first, fewest changes of wand."""

from collections.abc import Sequence

import numpy as np

from bayreach.arrays import FloatArray
from bayreach.plan._records import PlannedPass

BAND = 0.05
"""Heights within this many m count as one section."""


def in_order(passes: Sequence[PlannedPass], down: FloatArray) -> tuple[PlannedPass, ...]:
    """Return the passes in the order of work.

    Lower sections before upper ones, since treated bays drip (common practice, no source): openings come by
    the mean
    height of the film they lay, lowest first. At an opening all passes of one wand follow each other, the
    wand that goes
    deepest first; and of one wand the deepest pull comes first.
    """
    heights: dict[str, list[float]] = {}
    deepest: dict[tuple[str, str], float] = {}
    for one in passes:
        candidate = one.candidate
        heights.setdefault(candidate.opening, []).append(-float((candidate.tip_path.points @ down).mean()))
        key = (candidate.opening, candidate.wand.name)
        deepest[key] = max(deepest.get(key, 0.0), candidate.deepest)

    def place(one: PlannedPass) -> tuple[float, str, float, str, float, float]:
        candidate = one.candidate
        height = float(np.mean(heights[candidate.opening]))
        reach = deepest[candidate.opening, candidate.wand.name]
        band = float(np.floor(height / BAND))
        return band, candidate.opening, -reach, candidate.wand.name, -candidate.deepest, candidate.clock

    return tuple(sorted(passes, key=place))
