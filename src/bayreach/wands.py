"""Wands: a tube with a tip, straight, bent or flexible; its pieces, sections and centre line."""

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from bayreach.arrays import FloatArray, frozen_floats
from bayreach.errors import WandError
from bayreach.poses import turned_about

if TYPE_CHECKING:
    from bayreach.tips import Tip

SHAPES = ("straight", "bent", "flexible")
SIZES = (
    *("tip_diameter", "tip_length", "shank_diameter", "shank_length", "handle_diameter", "handle_length"),
    *("lag", "rise", "fall", "room_outside", "mass_per_length", "droop_limit", "clearance", "stiffness"),
)
GRAVITY = 9.80665
"""Standard acceleration of free fall in m/s² (exact by convention)."""


@dataclass(frozen=True, kw_only=True)
class Piece:
    """One piece of a bent wand.

    Parameters
    ----------
    length : float
        Length of its centre line in m.
    radius : float
        Radius of its centre line in m; infinite for a straight piece.
    roll : float
        Angle in rad by which the bend's plane is turned about the wand's axis, right-handed looking along the
        wand to its tip, against the plane of clock angle zero at the handle; 0 bends towards clock zero.
    """

    length: float
    radius: float = math.inf
    roll: float = 0.0

    def __post_init__(self) -> None:
        if not (0.0 < self.length < math.inf and self.radius > 0.0 and math.isfinite(self.roll)):
            message = f"piece: length {self.length:g} m and radius {self.radius:g} m must be above 0."
            raise WandError(message)

    @property
    def angle(self) -> float:
        """Angle of the bend in rad; 0 for a straight piece."""
        return self.length / self.radius


def straight_piece(length: float) -> Piece:
    """Return a straight piece of `length` (m)."""
    return Piece(length=length)


def arc_piece(radius: float, angle: float, roll: float = 0.0) -> Piece:
    """Return a bend of centre-line `radius` (m) through `angle` (rad), its plane turned by `roll` (rad).

    >>> round(arc_piece(0.06, math.pi / 2).length, 6)
    0.094248
    """
    return Piece(length=radius * angle, radius=radius, roll=roll)


@dataclass(frozen=True, kw_only=True)
class Section:
    """A stretch of equal diameter (m), from `near` to `far` (m, measured along the wand from the tip)."""

    name: str
    near: float
    far: float
    diameter: float


@dataclass(frozen=True, kw_only=True)
class Wand:
    """A wand. Lengths in m, angles in rad, speeds in m/s.

    Parameters
    ----------
    name : str
        Its name.
    shape : str
        "straight", "bent" or "flexible".
    length : float
        Length along the centre line from the very tip to the handle or collar, which cannot enter.
    diameter : float
        Outer diameter of the body.
    tip : Tip
        What it sprays.
    tip_diameter, tip_length : float
        Diameter and length of the tip's body; 0 stands for the diameter, and for twice the tip's diameter.
    shank_diameter, shank_length : float
        Diameter and length of a stretch next to the handle; 0 stands for the diameter, and for none.
    handle_diameter, handle_length : float
        Size of what is fixed behind `length` and stays outside; 0 for none.
    pull_speed : float
        Speed of the pull.
    lag : float
        Seconds by which the tip answers the trigger late.
    rise, fall : float
        Seconds over which the flow grows at the start of a pull and dies at its end.
    couple_after : bool
        The wand may be fed in uncoupled and coupled afterwards: only `room_outside` must be free outside.
    room_outside : float
        Free length in m needed outside the opening, along the wand, where `couple_after` is set or the wand
        is flexible.
    pieces : tuple of Piece
        Pieces of a bent wand from handle to tip; a straight piece makes up what is missing to `length`.
    bend_radius : float or None
        Least radius of the centre line that a flexible wand bears.
    stiffness, mass_per_length : float
        Bending stiffness E I in N m² (infinite: does not droop) and mass in kg/m.
    droop_limit : float
        Greatest droop of the tip in m that the user accepts.
    droop_table : tuple of (free length, droop)
        Measured droop in m of the free end at rising free lengths in m; wins over the stiffness.
    clearance : float
        Free distance in m asked between wand and structure; rims of openings are asked no more than contact.

    Raises
    ------
    WandError
        When such a wand cannot exist.
    """

    name: str
    shape: str
    length: float
    diameter: float
    tip: "Tip"
    pull_speed: float = 0.05
    tip_diameter: float = 0.0
    tip_length: float = 0.0
    shank_diameter: float = 0.0
    shank_length: float = 0.0
    handle_diameter: float = 0.0
    handle_length: float = 0.0
    lag: float = 0.0
    rise: float = 0.0
    fall: float = 0.0
    couple_after: bool = False
    room_outside: float = 0.1
    pieces: tuple[Piece, ...] = ()
    bend_radius: float | None = None
    stiffness: float = math.inf
    mass_per_length: float = 0.0
    droop_limit: float = math.inf
    droop_table: tuple[tuple[float, float], ...] = ()
    clearance: float = 0.0005

    def __post_init__(self) -> None:
        if self.shape not in SHAPES:
            message = f'wand "{self.name}": shape "{self.shape}" is none of {", ".join(SHAPES)}.'
            raise WandError(message)
        self._check_sizes()
        tip_diameter = self.tip_diameter or self.diameter
        defaults = {
            "tip_diameter": tip_diameter,
            "tip_length": self.tip_length or min(2.0 * tip_diameter, self.length),
            "shank_diameter": self.shank_diameter or self.diameter,
        }
        for name, value in defaults.items():
            object.__setattr__(self, name, value)
        if self.tip_length + self.shank_length > self.length * (1.0 + 1e-9):
            message = (
                f'wand "{self.name}": tip_length and shank_length together are '
                f"{1e3 * (self.tip_length + self.shank_length):.1f} mm, length is {1e3 * self.length:.1f} mm."
            )
            raise WandError(message)
        _check_shape(self)

    def _check_sizes(self) -> None:
        for name in ("length", "diameter", "pull_speed"):
            value = getattr(self, name)
            if not 0.0 < value < math.inf:
                message = f'wand "{self.name}": {name} {value:g} must be above 0 and finite.'
                raise WandError(message)
        for name in SIZES:
            value = getattr(self, name)
            if not value >= 0.0:
                message = f'wand "{self.name}": {name} {value:g} must not be below 0.'
                raise WandError(message)

    @property
    def is_prompt(self) -> bool:
        """Say whether the full flow comes and goes with the trigger: no lag, no rise, no fall."""
        return not (self.lag or self.rise or self.fall)

    def sprayed_in(self, seconds: float) -> float:
        """Return the liquid in m³ that leaves the tip while it is wet for `seconds` s.

        The flow grows evenly over `rise` and dies evenly over `fall`; where the two meet before it is full
        they are a triangle as high as seconds / (rise + fall).

        >>> from bayreach.tips import Tip
        >>> wand = Wand(name="a", shape="straight", length=1.0, diameter=0.006, rise=2.0,
        ...             tip=Tip(pattern="radial", spread=1.0, flow=1e-6))
        >>> [round(1e6 * wand.sprayed_in(seconds), 9) for seconds in (10.0, 2.0, 1.0)]
        [9.0, 1.0, 0.25]
        """
        ramps = self.rise + self.fall
        full = seconds - 0.5 * ramps if seconds >= ramps else 0.5 * seconds**2 / ramps
        return self.tip.flow * full

    @property
    def sections(self) -> tuple[Section, ...]:
        """Stretches of equal diameter from tip to handle; the handle itself is not one of them."""
        cuts = (0.0, self.tip_length, self.length - self.shank_length, self.length)
        widths = (self.tip_diameter, self.diameter, self.shank_diameter)
        names = ("tip", "body", "shank")
        return tuple(
            Section(name=names[k], near=cuts[k], far=cuts[k + 1], diameter=widths[k])
            for k in range(3)
            if cuts[k + 1] > cuts[k]
        )

    @property
    def largest_section(self) -> Section:
        """The widest section that can enter: it governs the hole."""
        return max(self.sections, key=lambda section: section.diameter)

    @property
    def chain(self) -> tuple[Piece, ...]:
        """All pieces from handle to tip, the straight one that makes up the length included."""
        missing = self.length - sum(piece.length for piece in self.pieces)
        first = (straight_piece(missing),) if missing > 1e-9 else ()
        return (*first, *self.pieces)

    @property
    def straight_shank(self) -> float:
        """Length in m from the handle to the first bend; the whole length of a straight wand."""
        total = 0.0
        for piece in self.chain:
            if math.isfinite(piece.radius):
                return total
            total += piece.length
        return total

    def droop(self, free_length: float) -> float:
        """Return how far in m the end hangs down when `free_length` (m) of the wand stands out level.

        The measured table where there is one; else w L⁴ / (8 E I), w = weight per length: an evenly loaded
        cantilever (Euler and Bernoulli's beam; any text on strength of materials).

        >>> wand = Wand(name="w", shape="straight", length=1, diameter=0.006, tip=None,
        ...             stiffness=5.0, mass_per_length=0.1)
        >>> round(wand.droop(1.0), 6)   # 0.1 * 9.80665 / 40
        0.024517
        """
        if self.droop_table:
            lengths, droops = zip(*self.droop_table, strict=True)
            return float(np.interp(free_length, (0.0, *lengths), (0.0, *droops)))
        if math.isinf(self.stiffness):
            return 0.0
        return self.mass_per_length * GRAVITY * free_length**4 / (8.0 * self.stiffness)

    def free_length(self) -> float:
        """Return the longest free length in m whose droop keeps within `droop_limit`; at most the length."""
        lengths = np.linspace(0.0, self.length, 1001)
        droops = np.array([self.droop(float(length)) for length in lengths])
        over = np.flatnonzero(droops > self.droop_limit)
        return float(lengths[max(over[0] - 1, 0)]) if len(over) else self.length


def _check_shape(wand: Wand) -> None:
    if wand.shape == "flexible" and not (wand.bend_radius and wand.bend_radius > 0.0):
        message = f'wand "{wand.name}": a flexible wand needs a bend_radius above 0.'
        raise WandError(message)
    if wand.shape != "bent":
        if wand.pieces:
            message = f'wand "{wand.name}": only a bent wand has pieces; its shape is "{wand.shape}".'
            raise WandError(message)
        return
    if not any(math.isfinite(piece.radius) for piece in wand.pieces):
        message = f'wand "{wand.name}": a bent wand needs at least one arc among its pieces.'
        raise WandError(message)
    total = sum(piece.length for piece in wand.pieces)
    if total > wand.length * (1.0 + 1e-9):
        message = (
            f'wand "{wand.name}": {1e3 * total:.1f} mm of pieces in a length of {1e3 * wand.length:.1f} mm.'
        )
        raise WandError(message)
    tightest = min(piece.radius for piece in wand.pieces)
    if tightest < wand.diameter / 2.0:
        message = (
            f'wand "{wand.name}": bend radius {1e3 * tightest:.1f} mm is less than half its diameter, '
            f"{1e3 * wand.diameter:.1f} mm."
        )
        raise WandError(message)


@dataclass(frozen=True, kw_only=True, eq=False)
class CentreLine:
    """A wand's centre line, from handle to tip, in its own frame: handle at 0, heading +x, clock zero at +z.

    Parameters
    ----------
    points : (k, 3) float
        Positions in m.
    frames : (k, 3, 3) float
        Rows: unit tangent to the tip, unit across (y), unit clock zero (z), carried along without twist.
    from_tip : (k,) float
        Length in m along the wand from the tip; falls to 0.
    sagitta : float
        Greatest distance in m of the true line from the polyline.
    """

    points: FloatArray
    frames: FloatArray
    from_tip: FloatArray
    sagitta: float

    def __post_init__(self) -> None:
        count = len(self.points)
        for name, shape in (("points", (count, 3)), ("frames", (count, 3, 3)), ("from_tip", (count,))):
            object.__setattr__(self, name, frozen_floats(getattr(self, name), shape=shape, name=name))


def centre_line(pieces: tuple[Piece, ...], *, sagitta: float = 2e-5, step: float = math.inf) -> CentreLine:
    """Return the centre line of a chain of pieces, its polyline within `sagitta` (m) of the arcs.

    `step` (m) bounds the spacing of its points. An arc of radius R through angle a about the unit vector k:
    p(a) = p + R sin a · t + R (1 - cos a) · b, tangent and clock zero turned by a about k = t × b, where b is
    the direction it bends to.
    """
    position, frame = np.zeros(3), np.eye(3)
    points, frames, lengths = [position], [frame], [0.0]
    worst = 0.0
    for piece in pieces:  # a wand has a handful of pieces
        longest = step
        if math.isfinite(piece.radius):
            longest = min(step, 2.0 * piece.radius * math.acos(max(0.0, 1.0 - sagitta / piece.radius)))
        count = max(1, math.ceil(piece.length / longest - 1e-9)) if math.isfinite(longest) else 1
        if math.isfinite(piece.radius):
            worst = max(worst, piece.radius * (1.0 - math.cos(0.5 * piece.angle / count)))
        start = lengths[-1]
        for share in np.arange(1, count + 1) / count:
            point, turned = _along_piece(piece, position, frame, float(share))
            points.append(point)
            frames.append(turned)
            lengths.append(start + piece.length * float(share))
        position, frame = points[-1], frames[-1]
    total = lengths[-1]
    return CentreLine(
        points=np.array(points), frames=np.array(frames), from_tip=total - np.array(lengths), sagitta=worst
    )


def _along_piece(
    piece: Piece, position: FloatArray, frame: FloatArray, share: float
) -> tuple[FloatArray, FloatArray]:
    tangent, _, clock = frame
    if math.isinf(piece.radius):
        return position + share * piece.length * tangent, frame
    bent_to = turned_about(clock, tangent, piece.roll)
    axis = np.cross(tangent, bent_to)
    angle = share * piece.angle
    point = position + piece.radius * (math.sin(angle) * tangent + (1.0 - math.cos(angle)) * bent_to)
    return point, turned_about(frame, axis, angle)
