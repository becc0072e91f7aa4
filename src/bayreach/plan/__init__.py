"""Candidates, hole sites and the cover solver joined into a plan with its proven bound."""

from bayreach.plan._anywhere import holes_anywhere
from bayreach.plan._board import (
    Asked,
    Board,
    Ground,
    board_of,
    lay_share,
    learnt,
    problem_on,
    widened,
)
from bayreach.plan._draft import Draft, coverage_by, draft_of
from bayreach.plan._entries import Drilling, Entries, entries_of, hole_drill, opening_of
from bayreach.plan._looks import fewest_looks
from bayreach.plan._make import make_plan, plan_on
from bayreach.plan._order import in_order
from bayreach.plan._proof import CERTIFICATE_FILE, COLUMNS_FILE, CertificateRecord, proof_files
from bayreach.plan._records import (
    REASONS,
    CurvePoint,
    Missed,
    Plan,
    PlannedHole,
    PlannedPass,
    Shortfall,
)
from bayreach.plan._sample import sample_sides, with_short
from bayreach.plan._work import Pulled, Step, steps_of

__all__ = [
    "CERTIFICATE_FILE",
    "COLUMNS_FILE",
    "REASONS",
    "Asked",
    "Board",
    "CertificateRecord",
    "CurvePoint",
    "Draft",
    "Drilling",
    "Entries",
    "Ground",
    "Missed",
    "Plan",
    "PlannedHole",
    "PlannedPass",
    "Pulled",
    "Shortfall",
    "Step",
    "board_of",
    "coverage_by",
    "draft_of",
    "entries_of",
    "fewest_looks",
    "hole_drill",
    "holes_anywhere",
    "in_order",
    "lay_share",
    "learnt",
    "make_plan",
    "opening_of",
    "plan_on",
    "problem_on",
    "proof_files",
    "sample_sides",
    "steps_of",
    "widened",
    "with_short",
]
