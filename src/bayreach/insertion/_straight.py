"""Straight wands: one moving ball a section decides how deep a rod goes, exactly."""

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import BoolArray, FloatArray, IntArray, frozen_floats, plane_across, unit_vectors
from bayreach.insertion._rules import ellipse_reach
from bayreach.insertion._space import Space, inward
from bayreach.wands import Section, Wand

if TYPE_CHECKING:
    from bayreach.bays import Opening

LIMITS = ("length", "structure", "hole", "outside", "direction", "droop", "size")
"""What ends a depth: the wand itself, a face inside, the hole's rim, room outside, an aim that points out,
the accepted droop, a part too wide for the hole. Codes are places in this tuple."""

LENGTH, STRUCTURE, HOLE, OUTSIDE_ROOM, DIRECTION, DROOP, SIZE = range(len(LIMITS))
STEEPEST = math.radians(89.0)


@dataclass(frozen=True, kw_only=True, eq=False)
class StraightReach:
    """How deep a straight wand goes along each of m aims, and what stops it.

    Parameters
    ----------
    wand : Wand
        The wand.
    opening : Opening
        Where it enters.
    entries : (m, 3) float
        Points in m that the wand's axis passes in the opening; depth is counted from there.
    aims : (m, 3) float
        Unit vectors along the wand to its tip.
    depths : (m,) float
        Greatest depth of the tip in m; 0 where the wand does not enter.
    tilts : (m,) float
        Angle in rad between aim and the opening's axis.
    limits : (m,) int
        What ends the depth: place in `LIMITS`.
    faces : (m,) int
        Face of the space's solid that stops it, -1 where no face does.
    places : (m, 3) float
        Point in m of the wand's axis nearest to what stops it.
    sections : tuple of (m,) str
        Name of the section that is stopped.
    """

    wand: Wand
    opening: "Opening"
    entries: FloatArray
    aims: FloatArray
    depths: FloatArray
    tilts: FloatArray
    limits: IntArray
    faces: IntArray
    places: FloatArray
    sections: tuple[str, ...]

    def __post_init__(self) -> None:
        count = len(self.aims)
        for name, shape in (
            ("entries", (count, 3)),
            ("aims", (count, 3)),
            ("depths", (count,)),
            ("places", (count, 3)),
        ):
            object.__setattr__(self, name, frozen_floats(getattr(self, name), shape=shape, name=name))

    @property
    def fits(self) -> BoolArray:
        """True (m,) where the tip gets through the opening."""
        enters: BoolArray = self.depths > 0.0
        return enters


def straight_reach(
    space: Space,
    wand: Wand,
    opening: "Opening",
    aims: ArrayLike,
    *,
    entries: ArrayLike | None = None,
    holes: "tuple[Opening, ...]" = (),
) -> StraightReach:
    """Return the greatest depth in m to which a straight wand is clear all the way in, per aim (m, 3).

    A round rod that slides along its axis sweeps no more than a ball at its front does, so the first contact
    of one moving ball for each section is exact. `entries` (m, 3) are points in the opening, its centre by
    default. An opening of kind "proposed" is as if cut, its round rim counted at both faces of a sheet of its
    thickness: `holes` names more of them. Any other has its rim in the mesh.

    Raises
    ------
    WandError
        When the opening does not lead outside.
    """
    aims = unit_vectors(np.atleast_2d(np.asarray(aims, dtype=np.float64)))
    starts = np.broadcast_to(
        opening.center if entries is None else np.asarray(entries, dtype=np.float64), aims.shape
    )
    axis = inward(opening)
    tilts = np.arccos(np.clip(aims @ axis, -1.0, 1.0))
    missing = tuple(hole for hole in (opening, *holes) if hole.kind == "proposed")
    record = _Record(wand, starts, aims)
    record.lower(np.where(tilts < STEEPEST, math.inf, 0.0), DIRECTION, "tip")
    for section in wand.sections:
        _limit_by_hole(record, section, opening, axis, tilts)
    if math.isfinite(wand.droop_limit):
        record.lower(np.full(len(aims), wand.free_length()), DROOP, "body")
    _limit_by_contact(record, space, opening, space.shares(missing))
    return StraightReach(
        wand=wand, opening=opening, entries=starts, aims=aims, tilts=tilts,
        depths=record.depths,
        limits=record.limits, faces=record.faces, places=record.places,
        sections=tuple(record.names[k] for k in record.sections),
    )  # fmt: skip


class _Record:
    """The least depth found so far for each aim, and what set it."""

    def __init__(self, wand: Wand, entries: FloatArray, aims: FloatArray) -> None:
        count = len(aims)
        self.wand, self.entries, self.aims = wand, entries, aims
        self.depths = np.full(count, wand.length)
        self.limits = np.full(count, LENGTH)
        self.faces = np.full(count, -1)
        self.places = entries + wand.length * aims
        self.names = ("tip", "body", "shank", "handle")
        self.sections = np.zeros(count, dtype=np.int64)

    def lower(self, depths: FloatArray, limits: ArrayLike, section: str, *, faces: ArrayLike = -1,
              along: FloatArray | None = None) -> None:  # fmt: skip
        """Keep the lesser depth; `along` (m,) m is where on the axis the contact lies."""
        depths = np.maximum(depths, 0.0)  # the first thing that keeps it out is the one to name
        deeper = depths < self.depths
        where = np.clip(depths if along is None else along, -1e3, 1e3)
        self.depths = np.where(deeper, depths, self.depths)
        self.limits = np.where(deeper, limits, self.limits)
        self.faces = np.where(deeper, faces, self.faces)
        self.places = np.where(deeper[:, None], self.entries + where[:, None] * self.aims, self.places)
        self.sections = np.where(deeper, self.names.index(section), self.sections)


def _limit_by_hole(
    record: _Record, section: Section, opening: "Opening", axis: FloatArray, tilts: FloatArray
) -> None:
    """Stop a section at the sheet where it is too wide, or tilted or placed so that it would cut the rim."""
    half = opening.thickness / 2.0
    front = section.near - half
    if section.diameter > opening.diameter * (1.0 + 1e-9):
        record.lower(np.full(len(tilts), max(front, 0.0) if section.near else 0.0), SIZE, section.name)
        return
    if opening.kind != "proposed":
        return  # the mesh has the rim, of whatever shape, at both faces of a thick sheet
    shallow = tilts < STEEPEST
    offsets, across = _in_plane(record.entries - opening.center, record.aims, axis)
    cut = np.zeros(len(tilts))
    for side in (-half, half):
        run = side * np.tan(np.where(shallow, tilts, 0.0))
        reach = ellipse_reach(
            offsets + run[:, None] * across, np.where(shallow, tilts, 0.0), across, section.diameter / 2.0
        )
        cut = np.maximum(cut, reach)
    stopped = shallow & (cut > opening.diameter / 2.0 * (1.0 + 1e-9) + 1e-12)
    record.lower(np.where(stopped, max(front, 0.0) if section.near else 0.0, math.inf), HOLE, section.name)


def _in_plane(offsets: FloatArray, aims: FloatArray, axis: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return entry offsets and the unit directions of tilt in two coordinates of the opening's plane."""
    plane = plane_across(axis).T
    across = unit_vectors(aims @ plane)
    across[np.linalg.norm(across, axis=1) == 0.0] = (1.0, 0.0)
    return offsets @ plane, across


def _limit_by_contact(record: _Record, space: Space, opening: "Opening", shares: FloatArray) -> None:
    """Move a ball of each section's radius from where the section starts to the depth known so far."""
    from bayreach.insertion._queries import first_touches

    for section in moving_sections(record.wand):
        radius = section.diameter / 2.0
        front = radius if section.near == 0.0 else section.near
        back = -section.far + min(radius, (section.far - section.near) / 2.0)
        if record.wand.couple_after:
            back = max(back, -record.wand.room_outside)
        starts = np.full(len(record.aims), min(back, -front))
        along, faces = first_touches(
            space.tree, origins=record.entries, directions=record.aims, starts=starts,
            stops=np.maximum(record.depths - front, starts), radii=np.full(len(starts), radius),
            extras=np.full(len(starts), record.wand.clearance), shares=shares,
        )  # fmt: skip
        limits = _kinds_of_contact(space, opening, along, faces, radius)
        stuck = (limits == HOLE) & (section.near == 0.0)
        depths = np.where(faces >= 0, np.where(stuck, 0.0, along + front), math.inf)
        record.lower(depths, limits, section.name, faces=faces, along=along)


def moving_sections(wand: Wand) -> tuple[Section, ...]:
    if wand.handle_diameter == 0.0 or wand.handle_length == 0.0 or wand.couple_after:
        return wand.sections
    end = wand.length + wand.handle_length
    return (*wand.sections, Section(name="handle", near=wand.length, far=end, diameter=wand.handle_diameter))


def _kinds_of_contact(
    space: Space, opening: "Opening", along: FloatArray, faces: IntArray, radius: float
) -> IntArray:
    """Tell the hole's own rim (a face that touches it, met in the opening) from the outside and inside."""
    at_hole = np.abs(along) <= opening.diameter + radius + opening.thickness
    rim = space.rim[np.maximum(faces, 0)] & (faces >= 0)
    inside = np.where(along < 0.0, OUTSIDE_ROOM, STRUCTURE)
    return np.where(at_hole & rim, HOLE, inside)
