"""Where a new hole may go, how large it must be and what closes it: candidates, never approved data."""

from bayreach.holes._drills import Drill, Rivet, closes_with, drill_for, drills, rivets
from bayreach.holes._fasteners import Fasteners, read_fasteners
from bayreach.holes._rules import Refused, Rules, Zone, edge_gaps, feature_edges
from bayreach.holes._sites import Site, Skin, hole_sites, pitch_conflicts, skin_of

__all__ = [
    "Drill",
    "Fasteners",
    "Refused",
    "Rivet",
    "Rules",
    "Site",
    "Skin",
    "Zone",
    "closes_with",
    "drill_for",
    "drills",
    "edge_gaps",
    "feature_edges",
    "hole_sites",
    "pitch_conflicts",
    "read_fasteners",
    "rivets",
    "skin_of",
]
