"""How many threads a linear algebra library may take: one, said before it is loaded."""

import os

_NAMES = ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")


def hold_linear_algebra_to_one_thread() -> None:
    """Let numpy, where it is not loaded yet in this process and those it starts, add up on one thread.

    A sum that two threads share differs in its last digit from that of one, and a result must not. The loops
    that take time are compiled ones of our own, which share work without sharing sums.
    """
    os.environ.update(dict.fromkeys(_NAMES, "1"))
