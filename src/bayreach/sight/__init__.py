"""What a tip sees: sample points of sides, grouped so that whole groups can be passed over."""

from bayreach.sight._blocks import Blocks
from bayreach.sight._targets import Targets, targets_of

__all__ = ["Blocks", "Targets", "targets_of"]
