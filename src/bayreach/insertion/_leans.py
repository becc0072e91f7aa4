"""Leans: the aims and places in an opening at which a bent wand is tried, and which lie beside which."""

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import FloatArray, IntArray, plane_across, unit_vectors
from bayreach.insertion._aims import aims_over_cone, widest_tilt
from bayreach.insertion._space import Space, inner_bay, inward
from bayreach.poses import clock_zero, turned_about
from bayreach.wands import Wand

if TYPE_CHECKING:
    from bayreach.bays import Opening

RINGS = ((12.0, 6), (26.0, 8), (42.0, 8), (60.0, 8))
"""Tilts in degrees at which a wand is tried to lean, and the ways it leans all round."""
ASIDE = (0.006, 0.015, 0.035)
"""Places in m off the middle of a wide opening at which a wand is tried; the same whatever its width."""
BESIDE = math.radians(24.0)
"""Leans no further apart than this are beside each other."""
NEXT = 6
"""Most leans beside one."""


LONG_BEND = 0.2
"""Radius in m from which a bend is aimed at the openings beyond."""
GATES = 3
"""Most openings that it is aimed at."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Leans:
    """Aims (l, 3) and entries (l, 3) m; `frames` (l, c, 3, 3) of each at each clock angle.

    `beside` (l, n) are the leans next to each (-1: none), `turned` (l, n, c) the clock there.
    """

    aims: FloatArray
    entries: FloatArray
    frames: FloatArray
    beside: IntArray
    turned: IntArray


def fan(wand: Wand, opening: "Opening") -> tuple[FloatArray, FloatArray]:
    """Return entries and aims (m, 3) spread over the opening and the cone that the wand's width leaves."""
    axis = inward(opening)
    tilt = max(widest_tilt(wand, opening), 0.0)
    first, second = plane_across(axis)
    aims = [axis]
    for degrees, count in RINGS:
        lean = math.radians(degrees)
        if lean <= tilt:
            turns = 2.0 * math.pi * np.arange(count) / count
            sideways = np.cos(turns)[:, None] * first + np.sin(turns)[:, None] * second
            aims += list(math.cos(lean) * axis + math.sin(lean) * sideways)
    entries = [np.asarray(opening.center)] * len(aims)
    room = (opening.diameter - wand.largest_section.diameter) / 2.0
    for aside in (aside for aside in ASIDE if aside <= room):
        for turn in np.arange(4) * math.pi / 2.0:
            entries.append(opening.center + aside * (math.cos(turn) * first + math.sin(turn) * second))
            aims.append(axis)
    return np.array(entries), np.array(aims)


def towards_gates(space: Space, wand: Wand, opening: "Opening") -> tuple[FloatArray, FloatArray]:
    """Return the centre and aims (m, 3) along which a long bend leads through openings of the next bay.

    An arc of radius R through two places a chord c apart starts turned from the chord by asin(c / 2R); it is
    turned in four planes. Bends tighter than `LONG_BEND` find their way by turning.
    """
    axis, tilt = inward(opening), widest_tilt(wand, opening)
    radius = max((piece.radius for piece in wand.pieces if math.isfinite(piece.radius)), default=0.0)
    found: list[FloatArray] = []
    gates = [gate for gate in space.bays.openings if inner_bay(opening) in gate.links and gate is not opening]
    near = sorted(gates, key=lambda gate: float(np.linalg.norm(gate.center - opening.center)))
    for gate in [gate for gate in near if gate.diameter > wand.largest_section.diameter][:GATES]:
        chord = gate.center - opening.center
        length = float(np.linalg.norm(chord))
        if radius < LONG_BEND or not 0.0 < length < 2.0 * radius:
            continue
        turn = math.asin(length / (2.0 * radius))
        for roll in np.arange(4) * math.pi / 2.0:
            across = turned_about(clock_zero(chord, axis), unit_vectors(chord), float(roll))
            aim = math.cos(turn) * unit_vectors(chord) + math.sin(turn) * across
            if aim @ axis >= math.cos(max(tilt, 0.0)):
                found.append(aim)
    return np.tile(opening.center, (len(found), 1)), np.array(found).reshape(-1, 3)


def few(wand: Wand, opening: "Opening") -> tuple[FloatArray, FloatArray]:
    """Return the opening's centre and nine aims or fewer (m, 3), for a search that is to be quick."""
    axis = inward(opening)
    tilt = max(widest_tilt(wand, opening), 0.0)
    rings = [aims_over_cone(axis, lean, 5)[1:] for lean in (0.5 * min(tilt, 0.5), 0.9 * min(tilt, 0.9))]
    aims = np.concatenate([axis[None], *rings])
    return np.tile(opening.center, (len(aims), 1)), aims


def spread_over(
    space: Space, wand: Wand, opening: "Opening", *, moves: bool
) -> tuple[FloatArray, FloatArray]:
    """Return the entries and aims (m, 3) at which a bent wand is tried: more if it `moves` among them."""
    entries, aims = fan(wand, opening) if moves else few(wand, opening)
    more, towards = towards_gates(space, wand, opening)
    return np.concatenate([entries, more]), np.concatenate([aims, towards])


def leans_of(
    entries: FloatArray, aims: FloatArray, clocks: FloatArray, down: ArrayLike, *, linked: bool
) -> Leans:
    """Return the leans of aims at entries, at each of `clocks` (c,) rad; `linked`: some lie beside others."""
    zeros = np.array([clock_zero(aim, down) for aim in aims])
    quarters = np.cross(zeros, aims)
    ups = np.cos(clocks)[None, :, None] * zeros[:, None] - np.sin(clocks)[None, :, None] * quarters[:, None]
    ahead = np.broadcast_to(aims[:, None], ups.shape)
    frames = np.stack([ahead, np.cross(ups, ahead), ups], axis=2)
    beside = _beside(entries, aims) if linked else np.full((len(aims), 1), -1)
    turned = np.zeros((*beside.shape, len(clocks)), dtype=np.int64)
    for lean, next_ones in enumerate(beside):
        for place, other in enumerate(next_ones):
            alike = np.einsum("cij,dij->cd", frames[lean], frames[max(other, 0)])
            turned[lean, place] = np.argmax(alike, axis=1)
    return Leans(
        aims=aims, entries=entries, frames=np.ascontiguousarray(frames), beside=beside, turned=turned
    )


def _beside(entries: FloatArray, aims: FloatArray) -> IntArray:
    """Return the nearest leans (l, n) to each, by angle and by place, -1 where there are fewer."""
    angles = np.arccos(np.clip(aims @ aims.T, -1.0, 1.0))
    gaps = np.linalg.norm(entries[:, None] - entries[None], axis=2)
    near = (angles <= BESIDE) & (gaps <= 1.5 * ASIDE[-1]) & ((angles < 1e-9) | (gaps < 1e-9))
    far = np.where(near, angles + 20.0 * gaps, np.inf)
    np.fill_diagonal(far, np.inf)
    count = min(NEXT, max(len(aims) - 1, 1))
    order = np.argsort(far, axis=1, kind="stable")[:, :count]
    return np.where(np.isfinite(np.take_along_axis(far, order, axis=1)), order, -1)
