"""Bays and openings: the air that a structure closes off, side by side."""

from bayreach.bays._find import LARGE_DIAMETER, find_bays
from bayreach.bays._locate import bay_at
from bayreach.bays._names import names_by_place, place_in_name
from bayreach.bays._records import Bay, Bays, Given, Opening
from bayreach.bays._report import BayReport, bay_report, bay_reports
from bayreach.bays._voxel import check_by_voxels

__all__ = [
    "LARGE_DIAMETER",
    "Bay",
    "BayReport",
    "Bays",
    "Given",
    "Opening",
    "bay_at",
    "bay_report",
    "bay_reports",
    "check_by_voxels",
    "find_bays",
    "names_by_place",
    "place_in_name",
]
