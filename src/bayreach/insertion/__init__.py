"""Where a wand's tip can be, how it gets there, and what stops it."""

from bayreach.insertion._aims import aims_over_cone, candidate_aims, entries_over, widest_tilt
from bayreach.insertion._cut import with_holes_cut
from bayreach.insertion._hold import Hold
from bayreach.insertion._pose import standing
from bayreach.insertion._proven import met_on_the_way
from bayreach.insertion._records import BayRange, Path, Refusal
from bayreach.insertion._replay import Replay, replay
from bayreach.insertion._rules import (
    hole_for_tilt,
    hook_hole,
    longest_round_corner,
    max_tilt,
    rod_round_corner_fits,
    shortest_curve,
)
from bayreach.insertion._space import (
    Crossing,
    Space,
    bays_at,
    crossings,
    faces_in_hole,
    hole_to_widen,
    inner_bay,
    inward,
    obstacle_boxes,
    rods_blocked,
    space_of,
)
from bayreach.insertion._straight import LIMITS, StraightReach, straight_reach
from bayreach.insertion._straight_paths import bay_ranges, limit_sentence
from bayreach.insertion._through import aims_to_try, aims_tried, gets_into, paths_through
from bayreach.insertion._verdicts import is_ruled_out, what_was_searched

__all__ = [
    "LIMITS",
    "BayRange",
    "Crossing",
    "Hold",
    "Path",
    "Refusal",
    "Replay",
    "Space",
    "StraightReach",
    "aims_over_cone",
    "aims_to_try",
    "aims_tried",
    "bay_ranges",
    "bays_at",
    "candidate_aims",
    "crossings",
    "entries_over",
    "faces_in_hole",
    "gets_into",
    "hole_for_tilt",
    "hole_to_widen",
    "hook_hole",
    "inner_bay",
    "inward",
    "is_ruled_out",
    "limit_sentence",
    "longest_round_corner",
    "max_tilt",
    "met_on_the_way",
    "obstacle_boxes",
    "paths_through",
    "replay",
    "rod_round_corner_fits",
    "rods_blocked",
    "shortest_curve",
    "space_of",
    "standing",
    "straight_reach",
    "what_was_searched",
    "widest_tilt",
    "with_holes_cut",
]
