"""A bent wand held in an opening: where its tip is, and whether it is clear, however it is held."""

import math
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from bayreach.arrays import BoolArray, FloatArray
from bayreach.insertion._bent import Body, Threading, body_of, threading_of
from bayreach.insertion._space import Space
from bayreach.insertion._turning import FINE
from bayreach.insertion._ways import capsule_arrays, line_arrays, stands_of, tips_at
from bayreach.wands import Wand

if TYPE_CHECKING:
    from bayreach.bays import Opening


@dataclass(frozen=True, kw_only=True, eq=False)
class Hold:
    """A bent wand in an opening that is cut in the mesh, asked for any number of stands.

    A stand is how deep in m the tip is along the wand, the wand's direction in the opening and that of its
    clock there (unit vectors), and the point in m where its line passes the opening.
    """

    space: Space
    wand: Wand
    opening: "Opening"

    @cached_property
    def _threading(self) -> Threading:
        return threading_of(self.wand, self.opening.thickness, FINE)

    @cached_property
    def _body(self) -> Body:
        return body_of(self.wand, longest=math.inf)

    @cached_property
    def _shares(self) -> FloatArray:
        return self.space.shares()

    def tips(
        self, depths: FloatArray, aims: FloatArray, ups: FloatArray, places: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return where the tip is, its axis and its clock direction, (k, 3) each, of k stands."""
        return tips_at(self._threading, stands_of(depths, aims, ups, places))

    def clear(self, depths: FloatArray, aims: FloatArray, ups: FloatArray, places: FloatArray) -> BoolArray:
        """Tell (k,) of which of k stands the whole wand is clear of the structure, by its clearance."""
        from bayreach.insertion._motion import placed, pose_hit

        room = self.wand.room_outside if self.wand.couple_after else math.inf
        asked = np.array([self.wand.clearance, room])
        line, body = line_arrays(self._threading), capsule_arrays(self._body)
        found = [
            pose_hit(self.space.tree, self._shares, body, placed(line, stand), stand[0], asked)[0] < 0
            for stand in stands_of(depths, aims, ups, places)
        ]
        return np.array(found, dtype=np.bool_)
