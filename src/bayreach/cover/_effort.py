"""Work that is counted, so that a search ends at the same place on any machine and under any load."""

import time
from collections.abc import Callable
from dataclasses import dataclass, field

PATIENCE, GRACE = 4.0, 20.0
"""The processor time that ends a search: so many times what its count of work allows, and so many seconds."""


@dataclass(kw_only=True, eq=False)
class Effort:
    """Work done, counted in what it takes on one idle core of the machine that it was measured on.

    Every part of a search adds what it did by size (iterations, entries, steps), never by the clock, and ends
    by that count: the same input gives the same answer. Only where a count is far off does processor time
    end a search, and then `struck` says so.

    Parameters
    ----------
    allowed : float
        Seconds counted that the search may take.
    spent : float
        Seconds counted so far.
    struck : bool
        Did processor time run out before the count did? Then another run may end elsewhere.
    told : callable or None
        Told the seconds counted, for a progress bar.
    """

    allowed: float
    spent: float = 0.0
    struck: bool = False
    told: Callable[[float], None] | None = None
    _begin: float = field(default_factory=time.thread_time)

    def spend(self, seconds: float) -> None:
        """Count work done."""
        self.spent += seconds
        self.tell(0.0)

    def tell(self, more: float) -> None:
        """Tell how much work is done: what is counted, and `more` seconds that will be."""
        if self.told is not None:
            self.told(self.spent + more)

    def is_out_of_patience(self) -> bool:
        """Say whether processor time has run out; from then on nothing is left."""
        if time.thread_time() - self._begin > PATIENCE * self.allowed + GRACE:
            self.struck = True
        return self.struck

    def clock_left(self) -> float:
        """Return the seconds of any clock after which a part that looks at no other must end.

        Ten times the processor time left: where a machine is shared, clocks run on while work waits.
        """
        spent = time.thread_time() - self._begin
        return 10.0 * max(0.1, PATIENCE * self.allowed + GRACE - spent)

    def left(self, end: float | None = None) -> float:
        """Return the seconds counted up to `end` (by default all allowed); nothing once the clock struck."""
        return 0.0 if self.is_out_of_patience() else (self.allowed if end is None else end) - self.spent
