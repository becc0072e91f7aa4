"""Paths that a wand's tip can take, the bays they pass, and refusals that name their limit."""

from dataclasses import dataclass, field

import numpy as np

from bayreach.arrays import FloatArray
from bayreach.insertion._ways import Way, way_of
from bayreach.poses import TipPath
from bayreach.wands import Wand


@dataclass(frozen=True, kw_only=True)
class BayRange:
    """The part of a path whose tip is in one bay: from `deepest` to `shallowest` (m of depth)."""

    bay: int
    deepest: float
    shallowest: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Path:
    """One way in for a wand: where its tip travels when pulled from its greatest depth back to the opening.

    Parameters
    ----------
    wand : Wand
        The wand.
    opening : str
        Name of the opening it enters through.
    aim : (3,) float
        Unit vector along the wand where it passes the opening.
    entry : (3,) float
        Point in m where its axis passes the opening.
    clock : float
        Clock angle in rad at the handle.
    deepest, shallowest : float
        Greatest and least depth in m of the tip along the path.
    tip_path : TipPath
        Poses of the tip, deepest first.
    ranges : tuple of BayRange
        The bays that the tip is in, deepest first.
    through : tuple of str
        Names of the openings that the tip passes, in order, the entry first.
    limit : str
        What ends it there.
    carried : Way or None
        How a rigid wand stands in the opening at each step from outside to the greatest depth; None for one
        that slides in along one line, and for a flexible one.
    line : (p, 3) float
        The line that a flexible wand lies along, from the opening in, in m; empty for others.
    stop : (3,) float or None
        Where in m it meets what ends it; None where nothing but its own length does, or none is known.
    """

    wand: Wand
    opening: str
    aim: FloatArray
    entry: FloatArray
    clock: float
    deepest: float
    shallowest: float
    tip_path: TipPath
    ranges: tuple[BayRange, ...]
    through: tuple[str, ...]
    limit: str
    carried: Way | None = None
    line: FloatArray = field(default_factory=lambda: np.zeros((0, 3)))
    stop: FloatArray | None = None

    @property
    def way(self) -> Way:
        """How a rigid wand stands in the opening at each step on its way in; empty for a flexible wand."""
        if self.carried is not None:
            return self.carried
        if self.wand.shape == "flexible":
            return way_of(np.zeros((0, 13)))
        ends = np.array([0.0, self.deepest])
        aims, ups, places = (
            np.tile(each, (2, 1)) for each in (self.aim, self.tip_path.clocks[0], self.entry)
        )
        return Way(depths=ends, aims=aims, ups=ups, places=places)

    @property
    def bays_reached(self) -> tuple[int, ...]:
        """Bays that the tip enters, in the order of the way in, each once."""
        return tuple(dict.fromkeys(span.bay for span in reversed(self.ranges)))


@dataclass(frozen=True, kw_only=True, eq=False)
class Refusal:
    """Why a wand does not do what was asked: the sentence, how much is missing in m, and where (3,) m."""

    wand: str
    opening: str
    reason: str
    short_by: float
    place: FloatArray
    bay: str = ""
