"""Job in, answer out: the only room that knows the order of the whole."""

from bayreach.run._measure import measure
from bayreach.run._spray import spray

__all__ = ["measure", "spray"]
