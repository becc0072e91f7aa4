"""What each wand can do through each opening: fit, reach, see, and what stops it."""

from bayreach.reach._reach import Care, Ground, ground_of, reach, reach_through
from bayreach.reach._records import BayReach, Reach

__all__ = ["BayReach", "Care", "Ground", "Reach", "ground_of", "reach", "reach_through"]
