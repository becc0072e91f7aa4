"""The whole wand at every step of its way in, as capsules: for a picture, a file or an outside check."""

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from bayreach.arrays import BoolArray, FloatArray
from bayreach.insertion._bent import Body, Threading, body_of, threading_of
from bayreach.insertion._records import Path
from bayreach.insertion._space import Space, rods_blocked
from bayreach.insertion._turning import FINE
from bayreach.insertion._ways import FINEST, marks_along, poses_at_marks

if TYPE_CHECKING:
    from bayreach.bays import Opening

HALVINGS = 12
"""Times a step of a replay may be halved."""
CURVED = 1.02
"""How much longer than its chord half a step's motion is taken to be at most."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Replay:
    """Capsules of a wand on its way in.

    Parameters
    ----------
    depths : (k,) float
        Depth in m at each step, from outside to the greatest.
    starts, ends : (k, c, 3) float
        Ends of each capsule's middle line in m.
    radii : (c,) float
        In m.
    margins : (k, c) float
        How much in m each capsule is to be grown so that those of all steps together hold the wand at every
        moment between them; 0 for a flexible wand, which stays within its diameter about its line.
    line : (p, 3) float
        The line in m that a flexible wand keeps to all the way; empty for others.
    is_clear : bool or None
        True where the grown capsules (or the tube about the line) were found clear of the structure, to
        `FINEST`; None where they were not held against it.
    """

    depths: FloatArray
    starts: FloatArray
    ends: FloatArray
    radii: FloatArray
    margins: FloatArray
    line: FloatArray = field(default_factory=lambda: np.zeros((0, 3)))
    is_clear: bool | None = None

    def table(self) -> dict[str, Any]:
        """Return the replay as plain lists in m, a row of capsules a step, as `reach --replay` names them."""
        capsules = np.concatenate([self.starts, self.ends], axis=2).round(9)
        return {
            "depths_m": self.depths.round(9).tolist(),
            "radii_m": self.radii.tolist(),
            "capsules_m": capsules.tolist(),
            "margins_m": (np.ceil(self.margins * 1e9) / 1e9).tolist(),
            "line_m": self.line.round(9).tolist(),
            "clear_between_steps": self.is_clear,
            "clear_to_m": FINEST,
        }


def replay(path: Path, opening: "Opening", *, step: float = 0.002, space: Space | None = None) -> Replay:
    """Return the whole wand at steps of at most `step` (m) of its tip's travel along the way of `path`.

    `opening` is the one the path enters through. What needs no room outside (coupled afterwards, or the
    slack of a flexible wand) is drawn in to the end of what does. With a `space` the steps are halved until
    every capsule, grown by its margin, is clear of it: then so is the wand between the steps.
    """
    if path.wand.shape == "flexible":
        return _flexible_replay(path, step, space)
    return _rigid_replay(path, opening, step, space)


def _rigid_replay(path: Path, opening: "Opening", step: float, space: Space | None) -> Replay:
    threading, body = threading_of(path.wand, opening.thickness, FINE), body_of(path.wand)
    marks = marks_along(threading, path.way, step)
    film = _film(path, threading, body, marks)
    if space is None:
        return film
    for _ in range(HALVINGS):
        cut = _blocked(space, film) & (film.margins > FINEST)
        tight: BoolArray = np.asarray(cut.any(axis=1))
        if not tight.any():
            break
        gaps = np.flatnonzero(tight[1:] | tight[:-1])
        marks = np.sort(np.concatenate([marks, (marks[gaps] + marks[gaps + 1]) / 2.0]))
        film = _film(path, threading, body, marks)
    return replace(film, is_clear=not _blocked(space, film).any())


def _blocked(space: Space, film: Replay) -> BoolArray:
    """Tell (k, c) which capsules, grown by their margins less `FINEST`, the structure cuts into."""
    widths = np.maximum(film.radii + film.margins - FINEST, 0.0)
    faces = rods_blocked(space, film.starts.reshape(-1, 3), film.ends.reshape(-1, 3), widths.ravel())
    return np.asarray(faces.reshape(widths.shape) >= 0)


def _film(path: Path, threading: Threading, body: Body, marks: FloatArray) -> Replay:
    """Return the wand at marks (k,) along its way, each capsule with its motion half-way to the next mark."""
    wand = path.wand
    both = np.sort(np.concatenate([marks, (marks[1:] + marks[:-1]) / 2.0]))
    depths, rotations, origins = poses_at_marks(threading, path.way, both)

    def carried(points: FloatArray) -> FloatArray:
        moved: FloatArray = np.einsum("kij,cj->kci", rotations, points) + origins[:, None]
        return moved

    starts, ends = carried(body.starts), carried(body.ends)
    here, half = slice(0, None, 2), slice(1, None, 2)
    margins = np.zeros((len(marks), len(body.radii)))
    for one in (slice(0, -1), slice(1, None)):  # the half step after, and the one before
        moved = _across(starts[here][one], ends[here][one], starts[half], ends[half])
        margins[one] = np.maximum(margins[one], CURVED * moved)
    starts, ends, deepest = starts[here], ends[here], depths[here]
    if wand.couple_after:
        furthest = np.append(depths[half], deepest[-1])  # what is out at the end of its half step is out
        out = (body.far + body.near)[None, :] / 2.0 - furthest[:, None] > wand.room_outside
        starts, ends = _drawn_in(out, starts, ends)
        margins = np.where(out, 0.0, margins)
    return Replay(depths=deepest, starts=starts, ends=ends, radii=body.radii, margins=margins)


def _across(starts: FloatArray, ends: FloatArray, to_starts: FloatArray, to_ends: FloatArray) -> FloatArray:
    """Return how far (k, c) m capsules move across themselves; all, where by half themselves on."""
    spans = ends - starts
    length2 = np.einsum("kci,kci->kc", spans, spans)
    most = np.zeros(length2.shape)
    for shift in (to_starts - starts, to_ends - ends):
        whole = np.einsum("kci,kci->kc", shift, shift)
        along = np.einsum("kci,kci->kc", shift, spans) ** 2
        along2 = np.divide(along, length2, out=np.zeros_like(along), where=length2 > 0.0)
        most = np.maximum(most, np.where(along2 < 0.25 * length2, whole - along2, whole))
    return np.sqrt(np.maximum(most, 0.0))


def _drawn_in(out: BoolArray, starts: FloatArray, ends: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Shrink the capsules that are `out` (k, c) to the end of the outermost one that is not."""
    first = np.argmin(out, axis=1)
    stand_in = starts[np.arange(len(out)), first][:, None, :]
    return np.where(out[..., None], stand_in, starts), np.where(out[..., None], stand_in, ends)


def _flexible_replay(path: Path, step: float, space: Space | None) -> Replay:
    wand, line = path.wand, path.line
    run = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    spacing = min(0.005, float(wand.bend_radius or 1.0) / 12.0)
    outside = min(wand.room_outside, wand.length)
    marks = np.arange(wand.tip_diameter / 2.0, path.deepest + outside + spacing, spacing)
    depths = np.linspace(0.0, path.deepest, max(2, math.ceil(path.deepest / step) + 1))
    places = np.maximum(depths[:, None] - marks[None, :], -outside)
    inside = np.stack([np.interp(np.maximum(places, 0.0), run, line[:, k]) for k in range(3)], axis=2)
    points = inside + np.minimum(places, 0.0)[..., None] * path.aim
    middles = (marks[1:] + marks[:-1]) / 2.0
    parts = wand.sections
    widths = [next((part for part in parts if at <= part.far), parts[-1]).diameter for at in middles]
    return Replay(
        depths=depths, starts=points[:, :-1], ends=points[:, 1:], radii=np.array(widths) / 2.0,
        margins=np.zeros((len(depths), len(widths))), line=tube_of(path, 0.0),
        is_clear=None if space is None else tube_meets(space, path) is None,
    )  # fmt: skip


def tube_meets(space: Space, path: Path) -> tuple[str, int, float] | None:
    """Return the section of a flexible wand that meets a face somewhere on its way, the face and how far in.

    None where each section is clear all along its part of the line, to `FINEST`; a depth below 0 is outside.
    """
    wand = path.wand
    outside = min(wand.room_outside, wand.length)
    for section in wand.sections:
        reach = path.deepest - section.near
        if reach <= 0.0:
            break
        tube = tube_of(path, reach - (section.diameter / 2.0 if section.near == 0.0 else 0.0))
        tube = np.concatenate([(tube[0] - outside * path.aim)[None], tube])
        faces = rods_blocked(space, tube[:-1], tube[1:], section.diameter / 2.0 - FINEST)
        if (faces >= 0).any():
            first = int(np.argmax(faces >= 0))
            run = np.linalg.norm(np.diff(tube[: first + 1], axis=0), axis=1).sum()
            return section.name, int(faces[first]), float(run) - outside
    return None


def tube_of(path: Path, end: float) -> FloatArray:
    """Return the line (p, 3) m that a flexible wand keeps to, from the opening to `end` (m); 0: all of it."""
    line = path.line
    run = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    stop = end or path.deepest
    cuts = np.concatenate([run[run < stop], [max(stop, 0.0)]])
    return np.stack([np.interp(cuts, run, line[:, k]) for k in range(3)], axis=1)
