"""A wand laid into the plane of the paper: centre line and outline as true lines and arcs."""

import math
from dataclasses import dataclass
from itertools import pairwise

from bayreach.wands import Piece, Wand

Point = tuple[float, float]


@dataclass(frozen=True, kw_only=True)
class Line:
    """A straight stretch between two points (2,) in m."""

    start: Point
    end: Point

    @property
    def middle(self) -> Point:
        """The point (2,) half way, in m."""
        return (0.5 * (self.start[0] + self.end[0]), 0.5 * (self.start[1] + self.end[1]))


@dataclass(frozen=True, kw_only=True)
class Arc:
    """An arc about a centre (2,) m: from the angle `begin` (rad) by `turn` (rad, positive to the left)."""

    center: Point
    radius: float
    begin: float
    turn: float

    def at(self, share: float) -> Point:
        """Return the point (2,) in m at a share of the arc."""
        angle = self.begin + share * self.turn
        return (
            self.center[0] + self.radius * math.cos(angle),
            self.center[1] + self.radius * math.sin(angle),
        )

    @property
    def middle(self) -> Point:
        """The point (2,) half way, in m."""
        return self.at(0.5)


@dataclass(frozen=True, kw_only=True)
class Across:
    """The width of a section, shown where (2,) m it is drawn from edge to edge; m."""

    name: str
    diameter: float
    start: Point
    end: Point


@dataclass(frozen=True, kw_only=True)
class Layout:
    """A wand on paper, handle at the origin, heading along +x.

    Parameters
    ----------
    centre : tuple of Line or Arc
        One a piece of the chain, from the handle to the tip.
    outline : tuple of Line or Arc
        Both edges of every section, the steps between them, and the ends.
    sections : tuple of Across
        The widths, from the tip.
    is_flat : bool
        True where the wand itself lies in one plane; else each bend is laid into the paper, and its roll is
        in the table alone.
    """

    centre: tuple[Line | Arc, ...]
    outline: tuple[Line | Arc, ...]
    sections: tuple[Across, ...]
    is_flat: bool

    def box(self) -> tuple[Point, Point]:
        """Return the least and the greatest coordinates in m."""
        points = [point for item in self.outline for point in points_of(item)]
        xs, ys = [x for x, _ in points], [y for _, y in points]
        return (min(xs), min(ys)), (max(xs), max(ys))


def points_of(item: Line | Arc, step: float = math.radians(2.0)) -> list[Point]:
    """Return the points of a line, or of an arc every `step` (rad) at most."""
    if isinstance(item, Line):
        return [item.start, item.end]
    count = max(2, math.ceil(abs(item.turn) / step))
    return [item.at(k / count) for k in range(count + 1)]


def layout_of(wand: Wand) -> Layout:
    """Return a wand laid out; a flexible one is drawn straight.

    A bend goes to the left where its roll is nearer to 0 than to half a turn, else to the right; the wand is
    flat where every roll is one of these two.
    """
    rolls = [piece.roll for piece in wand.chain if math.isfinite(piece.radius)]
    centre: list[Line | Arc] = []
    outline: list[Line | Arc] = []
    place: Point = (0.0, 0.0)
    heading, along = 0.0, 0.0
    cuts = sorted({wand.length - section.near for section in wand.sections})
    widths = {wand.length - section.near: section.diameter for section in wand.sections}
    before = 0.0
    for piece in wand.chain:
        centre.append(_stretch(piece, piece.length, place, heading))
        inner = [cut - along for cut in cuts if along + 1e-12 < cut < along + piece.length - 1e-12]
        for start, stop in pairwise([0.0, *inner, piece.length]):
            width = next(widths[cut] for cut in cuts if cut >= along + stop - 1e-9)
            part = _stretch(piece, stop - start, place, heading)
            if width != before:
                outline += _steps(place, heading, before, width)
            outline += [_edge(part, heading, width / 2.0, side) for side in (1, -1)]
            place, heading, before = _end_of(part), _heading_after(part, heading), width
        along += piece.length
    outline += _steps(place, heading, 0.0, before)
    if wand.handle_diameter and wand.handle_length:
        outline += _handle(wand)
    flat = all(min(abs(math.sin(roll)), 1.0) < 1e-9 for roll in rolls)
    return Layout(centre=tuple(centre), outline=tuple(outline), sections=_widths(wand), is_flat=flat)


def _stretch(piece: Piece, length: float, place: Point, heading: float) -> Line | Arc:
    if math.isinf(piece.radius):
        end = (place[0] + length * math.cos(heading), place[1] + length * math.sin(heading))
        return Line(start=place, end=end)
    side = 1.0 if math.cos(piece.roll) >= 0.0 else -1.0
    normal = (-math.sin(heading), math.cos(heading))
    center = (place[0] + side * piece.radius * normal[0], place[1] + side * piece.radius * normal[1])
    begin = math.atan2(place[1] - center[1], place[0] - center[0])
    return Arc(center=center, radius=piece.radius, begin=begin, turn=side * length / piece.radius)


def _end_of(item: Line | Arc) -> Point:
    return item.end if isinstance(item, Line) else item.at(1.0)


def _heading_after(item: Line | Arc, heading: float) -> float:
    return heading if isinstance(item, Line) else heading + item.turn


def _edge(item: Line | Arc, heading: float, half: float, side: int) -> Line | Arc:
    """Return one edge of the tube: left of the way to the tip with `side` 1, right with -1."""
    if isinstance(item, Line):
        off = (-side * half * math.sin(heading), side * half * math.cos(heading))
        return Line(
            start=(item.start[0] + off[0], item.start[1] + off[1]),
            end=(item.end[0] + off[0], item.end[1] + off[1]),
        )
    radius = item.radius - side * half * math.copysign(1.0, item.turn)
    return Arc(center=item.center, radius=radius, begin=item.begin, turn=item.turn)


def _steps(place: Point, heading: float, before: float, after: float) -> list[Line | Arc]:
    """Return the lines across where the width changes: one from edge to edge at an end."""
    normal = (-math.sin(heading), math.cos(heading))

    def at(half: float) -> Point:
        return (place[0] + half * normal[0], place[1] + half * normal[1])

    if min(before, after) == 0.0:
        half = max(before, after) / 2.0
        return [Line(start=at(-half), end=at(half))]
    pairs = ((before / 2.0, after / 2.0), (-before / 2.0, -after / 2.0))
    return [Line(start=at(one), end=at(two)) for one, two in pairs]


def _handle(wand: Wand) -> list[Line | Arc]:
    half, back = wand.handle_diameter / 2.0, -wand.handle_length
    corners = [(0.0, half), (back, half), (back, -half), (0.0, -half), (0.0, half)]
    return [Line(start=one, end=two) for one, two in pairwise(corners)]


def _widths(wand: Wand) -> tuple[Across, ...]:
    """Return each section's width at its middle."""
    found = []
    for section in wand.sections:
        wanted = wand.length - 0.5 * (section.near + section.far)
        place: Point = (0.0, 0.0)
        heading, along = 0.0, 0.0
        for piece in wand.chain:
            part = _stretch(piece, min(piece.length, wanted - along), place, heading)
            place, heading = _end_of(part), _heading_after(part, heading)
            along += piece.length
            if along >= wanted - 1e-12:
                break
        off = (-0.5 * section.diameter * math.sin(heading), 0.5 * section.diameter * math.cos(heading))
        found.append(
            Across(
                name=section.name, diameter=section.diameter, start=(place[0] - off[0], place[1] - off[1]),
                end=(place[0] + off[0], place[1] + off[1]),
            )
        )  # fmt: skip
    return tuple(found)
