"""What a document says, as plain dataclasses without markup."""

from bayreach.report._air import air_limits, air_of, balance_lines, mass_line
from bayreach.report._case import Case, Sides, case_of, read_case
from bayreach.report._numbers import area_text, length_text, percent, place_text, volume_text
from bayreach.report._records import (
    Bay,
    Hole,
    Holiday,
    KeepOut,
    Mask,
    Opening,
    Place,
    SprayPass,
    Target,
    Wand,
)
from bayreach.report._sentences import coverage_line, doubt_line, doubt_lines, main_openings
from bayreach.report._words import all_words, short, words
from bayreach.report._work import check_line, clock_text, look_rows, work_line, work_steps

__all__ = [
    "Bay",
    "Case",
    "Hole",
    "Holiday",
    "KeepOut",
    "Mask",
    "Opening",
    "Place",
    "Sides",
    "SprayPass",
    "Target",
    "Wand",
    "air_limits",
    "air_of",
    "all_words",
    "area_text",
    "balance_lines",
    "case_of",
    "check_line",
    "clock_text",
    "coverage_line",
    "doubt_line",
    "doubt_lines",
    "length_text",
    "look_rows",
    "main_openings",
    "mass_line",
    "percent",
    "place_text",
    "read_case",
    "short",
    "volume_text",
    "words",
    "work_line",
    "work_steps",
]
