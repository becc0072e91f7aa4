"""Whether a path that was found earlier can still be gone, all the way, in a space as it then is."""

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from bayreach.insertion._bent import body_of, threading_of
from bayreach.insertion._records import Path
from bayreach.insertion._replay import tube_meets
from bayreach.insertion._space import Space
from bayreach.insertion._straight import straight_reach
from bayreach.insertion._straight_paths import limit_sentence
from bayreach.insertion._turning import FINE, lets_through
from bayreach.insertion._ways import FINEST, capsule_arrays, line_arrays

if TYPE_CHECKING:
    from bayreach.bays import Opening


def met_on_the_way(space: Space, path: Path, opening: "Opening") -> str:
    """Return what a wand meets on its whole way along a path, in words; empty where all of it is clear.

    `space` has its holes cut (`with_holes_cut`). `opening` is the one that the path enters through, as it is
    to be: one of kind "proposed" is held to the rule of its diameter and thickness besides its cut rim. The
    motion from outside to the greatest depth is checked as a whole: by a moving ball for each section of a
    straight wand, by grown capsules for one that turns, by the tube about its line for a flexible one.
    """
    if path.wand.shape == "flexible":
        return _met_by_tube(space, path, opening)
    if path.carried is None:
        return _met_by_rod(space, path, opening)
    return _met_by_turning(space, path, opening)


def _met_by_rod(space: Space, path: Path, opening: "Opening") -> str:
    cut = replace(opening, kind="found")  # by the rim in the mesh, and by the rule
    for each in (opening, cut) if opening.kind == "proposed" else (opening,):
        reach = straight_reach(space, path.wand, each, path.aim[None], entries=path.entry[None])
        if reach.depths[0] < path.deepest - FINEST:
            return limit_sentence(space, reach, 0)
    return ""


def _met_by_tube(space: Space, path: Path, opening: "Opening") -> str:
    wand = path.wand
    for part in wand.sections:
        if part.near < path.deepest and part.diameter > opening.diameter * (1.0 + 1e-9):
            hole = f"{1e3 * opening.diameter:.1f} mm hole"
            return f"{opening.name}: {1e3 * part.diameter:.1f} mm {part.name} in a {hole}"
    met = tube_meets(space, path)
    if met is None:
        return ""
    section, face, depth = met
    return f"stops {1e3 * max(depth, 0.0):.0f} mm in, its {section} on {space.part_of(face)}"


def _met_by_turning(space: Space, path: Path, opening: "Opening") -> str:
    from bayreach.insertion._motion import motion_hit, placed, pose_hit, way_hit

    wand, way = path.wand, path.way
    threading, body = threading_of(wand, opening.thickness, FINE), body_of(wand, longest=math.inf)
    lets = [
        bool(lets_through(threading, opening, way.depths[k : k + 1], way.places[k], way.aims[k])[0])
        for k in range(len(way.depths))
    ]
    if not all(lets):
        depth = 1e3 * way.depths[lets.index(False)]
        return f"{opening.name}: {depth:.0f} mm behind its tip the wand is too wide for the hole"
    room = wand.room_outside if wand.couple_after else math.inf
    asked = np.array([wand.clearance, room])
    fixed = (space.tree, space.shares(), capsule_arrays(body), line_arrays(threading))
    stands = way.stands
    step = way_hit(*fixed, stands, asked)
    if step < 0:
        return ""
    one, two = stands[step], stands[min(step + 1, len(stands) - 1)]
    tree, shares, capsules, line = fixed
    face, capsule = motion_hit(tree, shares, capsules, line, one, two, asked)
    for stand in (one, two):
        if face < 0:
            face, capsule = pose_hit(tree, shares, capsules, placed(line, stand), stand[0], asked)
    part = f"{body.names[capsule]} on {space.part_of(int(face))}"
    return f"stops {1e3 * one[0]:.0f} mm in, its {part}"
