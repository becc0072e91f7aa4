"""Work in pieces on all cores: answers in order, a key press heard at once."""

import os
from collections.abc import Callable, Sequence
from concurrent.futures import FIRST_COMPLETED, ThreadPoolExecutor, wait
from typing import TypeVar

Part = TypeVar("Part")
Answer = TypeVar("Answer")

_LISTEN = 0.2
"""Seconds after which the waiting thread looks for a key press, where the system does not wake it."""


def cores() -> int:
    """Return how many cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return max(1, len(os.sched_getaffinity(0)))
    return os.cpu_count() or 1


def in_parallel(
    work: Callable[[Part], Answer],
    parts: Sequence[Part],
    progress: Callable[[float], None] | None = None,
) -> list[Answer]:
    """Return `work(part)` of each part, in order, computed on all cores by threads.

    `progress` is called from this thread with the share done. An exception that it raises, or a key press,
    drops the parts not yet begun and waits only for those at work, so parts should take well under a second.
    """
    if len(parts) <= 1:
        answers = [work(part) for part in parts]
        if progress is not None:
            progress(1.0)
        return answers
    with ThreadPoolExecutor(max_workers=min(cores(), len(parts))) as pool:
        futures = [pool.submit(work, part) for part in parts]
        try:
            pending = set(futures)
            while pending:
                _, pending = wait(pending, timeout=_LISTEN, return_when=FIRST_COMPLETED)
                if progress is not None:
                    progress(1.0 - len(pending) / len(parts))
            return [future.result() for future in futures]
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise
