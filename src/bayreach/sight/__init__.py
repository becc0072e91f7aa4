"""What a tip may see: sample points of sides in blocks, and the windows into other bays."""

from bayreach.sight._blocks import Blocks
from bayreach.sight._targets import Targets, samples_at, targets_of
from bayreach.sight._windows import UNKNOWN_BAY, Portals, Windows, portals_of, windows_of

__all__ = [
    "UNKNOWN_BAY",
    "Blocks",
    "Portals",
    "Targets",
    "Windows",
    "portals_of",
    "samples_at",
    "targets_of",
    "windows_of",
]
