"""What each wand can do through each opening: fit, reach, see, and what stops it."""

from bayreach.reach._bending import Bend, proposed_bend
from bayreach.reach._change import Change, each_change, smallest_changes, with_figure
from bayreach.reach._drawing import sweep_svg
from bayreach.reach._ground import Care, Ground, ground_of
from bayreach.reach._reach import reach, reach_through
from bayreach.reach._records import BayReach, Reach
from bayreach.reach._sweep import FIGURES, Case, read_vary, sweep, sweep_csv, sweep_rows

__all__ = [
    "FIGURES",
    "BayReach",
    "Bend",
    "Care",
    "Case",
    "Change",
    "Ground",
    "Reach",
    "each_change",
    "ground_of",
    "proposed_bend",
    "reach",
    "reach_through",
    "read_vary",
    "smallest_changes",
    "sweep",
    "sweep_csv",
    "sweep_rows",
    "sweep_svg",
    "with_figure",
]
