"""A mended new mesh with a list of every change, and the cuts that other rooms ask for."""

from bayreach.repair._findings import Finding
from bayreach.repair._holes import HoleCut, with_round_hole
from bayreach.repair._mend import mend
from bayreach.repair._split import Refined, split_at, subdivided

__all__ = ["Finding", "HoleCut", "Refined", "mend", "split_at", "subdivided", "with_round_hole"]
