"""Bent wands: threaded pose by pose along their own line, turned in the hole, every step checked."""

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from bayreach.arrays import FloatArray, unit_vectors
from bayreach.wands import CentreLine, Piece, Wand, arc_piece, centre_line, straight_piece

CAPSULE = 0.01
"""Greatest length of a capsule, m: how far one may turn inside while its ends move."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Body:
    """A rigid wand as capsules in its own frame: `starts`, `ends` (c, 3), `radii` (c,), in m.

    `far` and `near` (c,) are how far from the tip, along the wand, each begins and ends; the handle's are
    beyond the wand's length.
    """

    starts: FloatArray
    ends: FloatArray
    radii: FloatArray
    far: FloatArray
    near: FloatArray
    names: tuple[str, ...]


def finely(pieces: tuple[Piece, ...], longest: float, marks: tuple[float, ...] = ()) -> tuple[Piece, ...]:
    """Return the same chain cut into pieces no longer than `longest` (m), and at `marks` (m from the handle).

    A bend cut in two keeps its plane: clock zero is carried along with the wand and does not twist.
    """
    cut: list[Piece] = []
    begun = 0.0
    for piece in pieces:
        inner = [mark - begun for mark in sorted(marks) if begun + 1e-9 < mark < begun + piece.length - 1e-9]
        begun += piece.length
        for start, stop in pairwise([0.0, *inner, piece.length]):
            count = max(1, math.ceil((stop - start) / longest - 1e-9))
            short = (stop - start) / count
            straight = math.isinf(piece.radius)
            part = (
                straight_piece(short)
                if straight
                else arc_piece(piece.radius, short / piece.radius, piece.roll)
            )
            cut += [part] * count
    return tuple(cut)


def body_of(wand: Wand, *, longest: float = CAPSULE) -> Body:
    """Return a wand as capsules; the very tip is round, and so is the handle's end."""
    marks = tuple(wand.length - section.far for section in wand.sections)
    line = centre_line(finely(wand.chain, longest, marks))
    middles = (line.from_tip[1:] + line.from_tip[:-1]) / 2.0
    starts, ends = line.points[:-1].copy(), line.points[1:].copy()
    radii, names = np.zeros(len(middles)), []
    for k, middle in enumerate(middles):
        section = next(s for s in wand.sections if middle <= s.far or s is wand.sections[-1])
        radii[k] = section.diameter / 2.0
        names.append(section.name)
    starts, ends = _with_round_tip(line, starts, ends, radii[-1])
    far, near = line.from_tip[:-1], line.from_tip[1:]
    has_handle = wand.handle_diameter and wand.handle_length and not wand.couple_after
    if not has_handle:
        drawn_in = min(radii[0], float(np.linalg.norm(ends[0] - starts[0])))
        starts[0] += drawn_in * unit_vectors(ends[0] - starts[0])
    if has_handle:
        starts = np.vstack([[-wand.handle_length, 0.0, 0.0], starts])
        ends = np.vstack([np.zeros(3), ends])
        radii = np.concatenate([[wand.handle_diameter / 2.0], radii])
        far = np.concatenate([[wand.length + wand.handle_length], far])
        near = np.concatenate([[wand.length], near])
        names.insert(0, "handle")
    return Body(starts=starts, ends=ends, radii=radii, far=far, near=near, names=tuple(names))


def _with_round_tip(
    line: CentreLine, starts: FloatArray, ends: FloatArray, radius: float
) -> tuple[FloatArray, FloatArray]:
    """Draw the last capsules back by the tip's radius, so that its round end is the end of the wand."""
    place = np.array([np.interp(radius, line.from_tip[::-1], line.points[::-1, k]) for k in range(3)])
    beyond = line.from_tip[1:] < radius
    ends = np.where(beyond[:, None], place, ends)
    starts = np.where((line.from_tip[:-1] < radius)[:, None], place, starts)
    return starts, ends


@dataclass(frozen=True, kw_only=True, eq=False)
class Threading:
    """How a bent wand stands in an opening at each depth: its line's frame there is the opening's.

    `frames` (s, 3, 3) and `points` (s, 3) are those of the wand's line at `depths` (s,) m from the tip, in
    its own frame; `shifts` (s, 2) how far the hole's axis lies beside the line (m, along the frame's y and
    z), `needed` (s,) the hole's diameter in m that lets the wand pass there.
    """

    depths: FloatArray
    points: FloatArray
    frames: FloatArray
    shifts: FloatArray
    widths: FloatArray
    needed: FloatArray


def threading_of(wand: Wand, thickness: float, step: float) -> Threading:
    """Return the frames of a wand's line at depths from 0 to its length, no more than `step` (m) apart."""
    count = max(2, math.ceil(wand.length / step) + 1)
    line = centre_line(finely(wand.chain, min(step, wand.length / (count - 1))))
    depths, points, frames = line.from_tip[::-1], line.points[::-1], line.frames[::-1]
    widths = np.zeros(len(depths))
    for section in wand.sections:
        near, far = section.near - thickness / 2.0 - 1e-9, section.far + thickness / 2.0 + 1e-9
        widths[(depths >= near) & (depths <= far)] = np.maximum(
            widths[(depths >= near) & (depths <= far)], section.diameter
        )
    half = thickness / 2.0
    radii, centers = _bends(wand.chain, line)
    fore, aft = (
        _lean(line, radii, centers, widths, face) if half else np.zeros((len(depths), 2))
        for face in (half, -half)
    )
    # Three round cuts must pass: at mid-sheet, and those that lean out at its two faces.
    pairs = np.stack([np.zeros_like(fore), fore, aft])
    spans = [(0, 1), (0, 2), (1, 2)]
    gaps = np.stack([np.linalg.norm(pairs[a] - pairs[b], axis=1) for a, b in spans])
    widest = gaps.argmax(axis=0)
    middles = np.stack([(pairs[a] + pairs[b]) / 2.0 for a, b in spans])
    shifts = middles[widest, np.arange(len(depths))]
    return Threading(
        depths=depths,
        points=points,
        frames=frames,
        shifts=shifts,
        widths=widths,
        needed=widths + gaps.max(axis=0),
    )


def _bends(chain: tuple[Piece, ...], line: CentreLine) -> tuple[FloatArray, FloatArray]:
    """Return each point's bend radius (k,) and bend centre (k, 3), from the tip, in m; inf: straight."""
    from_handle = line.from_tip[0] - line.from_tip[::-1]
    radii, centers = np.full(len(from_handle), np.inf), np.zeros((len(from_handle), 3))
    begun = 0.0
    for piece in chain:
        here = (from_handle >= begun - 1e-9) & (from_handle <= begun + piece.length + 1e-9)
        begun += piece.length
        if math.isfinite(piece.radius):
            frames = line.frames[::-1][here]
            bent_to = math.cos(piece.roll) * frames[:, 2] - math.sin(piece.roll) * frames[:, 1]
            radii[here] = piece.radius
            centers[here] = line.points[::-1][here] + piece.radius * bent_to
    return radii, centers


def _lean(
    line: CentreLine, radii: FloatArray, centers: FloatArray, widths: FloatArray, face: float
) -> FloatArray:
    """Return how far (k, 2) in m the wand leans beyond its own radius where it cuts a face of the sheet.

    `face` (m) is the height of that face over mid-sheet, on the tip's side if positive. In a bend about a
    centre (c_x, c_y) the inner line is at c_y - sqrt((R - d/2)² - (face - c_x)²); a straight piece cuts an
    ellipse.
    """
    depths, points, frames = line.from_tip[::-1], line.points[::-1], line.frames[::-1]
    near = np.clip(np.searchsorted(depths, depths - face), 0, len(depths) - 1)
    seen = np.einsum("kij,kj->ki", frames, points[near] - points)
    heading = np.einsum("kij,kj->ki", frames, frames[near][:, 0])
    cosine = np.maximum(heading[:, 0], 0.1)
    at_face = seen[:, 1:] + ((face - seen[:, 0]) / cosine)[:, None] * heading[:, 1:]
    half = widths / 2.0
    lean = at_face + (half * (1.0 / cosine - 1.0))[:, None] * unit_vectors(at_face)
    bent = np.isfinite(radii[near])
    center = np.einsum("kij,kj->ki", frames, centers[near] - points)
    inner = np.where(bent, radii[near], 1.0) - half
    root = np.sqrt(np.maximum(inner**2 - (face - center[:, 0]) ** 2, 0.0))
    inside = center[:, 1:] - (root + half)[:, None] * unit_vectors(center[:, 1:])
    leaning: FloatArray = np.where(bent[:, None], inside, lean)
    return leaning
