"""Where parts are worked out: processes on this machine, or a Dask cluster; both do the same."""

import os
import re
import sys
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path
from typing import Any

from bayreach.errors import BayreachError
from bayreach.study._answer import answer
from bayreach.study._tasks import Task
from bayreach.threads import hold_linear_algebra_to_one_thread

MOST_TRIES = 3
"""How often a task may take its process down before it counts as failed."""

Answered = tuple[Task, str]
"""A task and the JSON of its part."""
Workers = Callable[[Iterable[Task]], Iterator[Answered]]


class StudyError(BayreachError):
    """A study that cannot go on."""


LEAST_MEMORY = 1.5e9
"""Bytes that a process may hold in any case where none are stated: less would hold a small job up."""


def free_memory() -> float:
    """Return the bytes of memory that are free here; infinite where the system does not say."""
    try:
        told = Path("/proc/meminfo").read_text()
    except OSError:
        return float("inf")
    found = re.search(r"MemAvailable:\s+(\d+) kB", told)
    return 1024.0 * float(found[1]) if found else float("inf")


def _begin(threads: int, memory: float) -> None:
    """Hold a new process to its share of the processors, and of memory where the system can."""
    hold_linear_algebra_to_one_thread()
    for name in ("NUMBA_NUM_THREADS", "OMP_NUM_THREADS"):
        os.environ[name] = str(threads)
    if sys.platform != "win32" and memory < float("inf"):
        import resource

        _, most = resource.getrlimit(resource.RLIMIT_DATA)
        limit = int(memory) if most == resource.RLIM_INFINITY else min(int(memory), most)
        resource.setrlimit(resource.RLIMIT_DATA, (limit, most))


def local_workers(count: int, *, memory: float | None = None) -> Workers:
    """Return workers that are `count` processes here, each with its share of the processors.

    Each may hold `memory` bytes (its share of what is free if None): a task that wants more is told as failed
    for want of memory, and the machine is left alone.

    A process that dies takes down the pool; the tasks it left are handed to a new one, and a task that was in
    flight three times is told as failed.
    """
    threads = max(1, (os.cpu_count() or 1) // count)
    limit = max(LEAST_MEMORY, free_memory() / count) if memory is None else memory

    def work(tasks: Iterable[Task]) -> Iterator[Answered]:
        left, tries = list(tasks), dict[str, int]()
        while left:
            finished: set[str] = set()
            with _pool(count, threads, limit) as pool:
                for task, body in _through(pool, left, count, tries):
                    finished.add(task.key)
                    yield task, body
            left = [task for task in left if task.key not in finished]
            for task in [task for task in left if tries.get(task.key, 0) >= MOST_TRIES]:
                left.remove(task)
                reason = f"its process died {MOST_TRIES} times; perhaps there is too little memory for it."
                yield task, '{"again":true,"failed":"' + reason + '"}'

    return work


def _pool(count: int, threads: int, memory: float) -> ProcessPoolExecutor:
    import multiprocessing

    return ProcessPoolExecutor(
        max_workers=count,
        mp_context=multiprocessing.get_context("spawn"),
        initializer=_begin,
        initargs=(threads, memory),
    )


def _through(
    pool: ProcessPoolExecutor, tasks: list[Task], count: int, tries: dict[str, int]
) -> Iterator[Answered]:
    """Give answers as they come; stop, without an error, when a process of the pool has died.

    Only one task a process is under way, so that few are lost with it and little is held in memory.
    """
    waiting, running = list(reversed(tasks)), dict[Future[str], Task]()
    try:
        while waiting or running:
            while waiting and len(running) < count:
                task = waiting.pop()
                tries[task.key] = tries.get(task.key, 0) + 1
                running[pool.submit(answer, task.command, task.data, task.contents(), task.job_sha256)] = task
            for future in wait(running, return_when=FIRST_COMPLETED).done:
                body = future.result()
                yield running.pop(future), body
    except BrokenProcessPool:
        return


def cluster_workers(address: str) -> Workers:
    """Return workers that are those of the Dask scheduler at `address`, as "tcp://127.0.0.1:8786".

    Raises
    ------
    StudyError
        When the extra is not installed or nobody answers; later, when the scheduler is lost on the way.
    """
    _client(address).close(timeout=2)

    def work(tasks: Iterable[Task]) -> Iterator[Answered]:
        client = _client(address)
        try:
            yield from _over(client, list(tasks), address)
        except OSError as error:  # what Dask raises when a connection closes is one of these
            raise _lost(address) from error
        finally:
            client.close(timeout=2)

    return work


def _over(client: Any, tasks: list[Task], address: str) -> Iterator[Answered]:
    """Give answers as they come; two tasks a thread are under way, so that little lies in memory."""
    from distributed import as_completed

    waiting, running = list(reversed(tasks)), dict[str, Task]()
    stream = as_completed([], loop=client.loop, raise_errors=False)

    def feed() -> None:
        room = 2 * max(1, sum(client.nthreads().values()))
        while waiting and len(running) < room:
            task = waiting.pop()
            running[task.key] = task
            stream.add(_submitted(client, task))

    feed()
    while running:
        future = _next(stream, address)
        yield running.pop(future.key), _body(future, address)
        feed()


def _client(address: str) -> Any:
    try:
        from distributed import Client
    except ImportError:
        message = 'study: a cluster needs Dask; install it with pip install "bayreach[cluster]".'
        raise StudyError(message) from None
    try:
        return Client(address, timeout="5s", set_as_default=False)
    except (OSError, ValueError) as error:
        message = f"study: no Dask scheduler answers at {address}; start one, or leave out --scheduler."
        raise StudyError(message) from error


def _submitted(client: Any, task: Task) -> Any:
    return client.submit(
        answer,
        task.command,
        task.data,
        task.contents(),
        task.job_sha256,
        key=task.key,
        pure=False,
        retries=MOST_TRIES - 1,
    )


def _next(stream: Any, address: str) -> Any:
    try:
        return next(stream)
    except StopIteration:
        raise _lost(address) from None


def _body(future: Any, address: str) -> str:
    if future.status == "finished":
        return str(future.result())
    if future.status in ("cancelled", "lost"):
        raise _lost(address)
    error = future.exception()
    if type(error).__name__ == "KilledWorker":
        reason = "its workers died on it again and again; perhaps there is too little memory for it."
        return '{"again":true,"failed":"' + reason + '"}'
    raise _lost(address) from error


def _lost(address: str) -> StudyError:
    return StudyError(
        f"study: the scheduler at {address} was lost; what is done is kept. "
        "Run the same command again to go on."
    )
