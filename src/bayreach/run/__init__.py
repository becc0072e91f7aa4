"""Job in, answer out: the only room that knows the order of the whole."""

from bayreach.run._answer import shares_of
from bayreach.run._measure import measure
from bayreach.run._plan import plan, plan_share
from bayreach.run._pulls import Pull, written_path, written_pulls
from bayreach.run._reach import reach, reach_in
from bayreach.run._site import Site, site_of
from bayreach.run._spray import spray
from bayreach.run._tries import changes_into, replays, vary_reach
from bayreach.run._wetting import column_of, conditions_of, flying_of, settling_of, summed

__all__ = [
    "Pull",
    "Site",
    "changes_into",
    "column_of",
    "conditions_of",
    "flying_of",
    "measure",
    "plan",
    "plan_share",
    "reach",
    "reach_in",
    "replays",
    "settling_of",
    "shares_of",
    "site_of",
    "spray",
    "summed",
    "vary_reach",
    "written_path",
    "written_pulls",
]
