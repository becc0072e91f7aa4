"""One open page: its newest state wins, its answers are its own, and nothing it sends ends the server."""

import asyncio
from collections.abc import Awaitable, Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any, TypeVar

from bayreach.errors import BayreachError
from bayreach.studio._bench import Answer, Bench
from bayreach.studio._pack import framed
from bayreach.studio._state import Request, StudioError, read_request

T = TypeVar("T")
Send = Callable[[bytes], Awaitable[None]]

PAUSE = 0.1
"""Seconds without a newer state before the full answer is begun: a drag gets coarse answers only."""


class Session:
    """Takes a page's requests and sends its answers; work is done in `worker`, one piece at a time.

    `send` gets whole frames. Every answer carries the number of the request it answers; an answer to a state
    that is no longer the newest is dropped.
    """

    def __init__(self, bench: Bench, worker: ThreadPoolExecutor, send: Send) -> None:
        self.bench = bench
        self.worker = worker
        self.send = send
        self.newest: Request | None = None
        self.awake = asyncio.Event()
        self.asked: asyncio.Task[None] | None = None

    async def take(self, text: str) -> None:
        """Take a text frame: a state to try, or a question about one; a refusal is sent back."""
        try:
            request = read_request(text)
            if request.kind == "try":
                if self.newest is not None and request.number <= self.newest.number:
                    return
                self.newest = request
                self.awake.set()
                return
            if self.asked is not None and not self.asked.done():
                message = "the question before this one is still being worked on"
                raise StudioError(message)
        except BayreachError as error:
            await self._tell({"kind": "refused", "reason": str(error)})
            return
        self.asked = asyncio.create_task(self._answer(request))

    async def run(self) -> None:
        """Answer states until cancelled: coarse at once, then in full when no newer one has come."""
        while True:
            await self.awake.wait()
            self.awake.clear()
            request = self.newest
            if request is None:
                continue
            if not await self._try(request, fine=False):
                continue
            await asyncio.sleep(PAUSE)
            if request is self.newest:
                await self._try(request, fine=True)

    async def close(self) -> None:
        """Drop what is still to be answered."""
        if self.asked is not None:
            self.asked.cancel()

    async def _try(self, request: Request, *, fine: bool) -> bool:
        """Send the answer to a state unless a newer one has come; True where a full answer should follow."""

        def work() -> Answer | None:
            # The state may have grown stale while this waited for the worker.
            return self.bench.tried(request.state, fine=fine) if request is self.newest else None

        try:
            answer = await self._worked(work)
        except BayreachError as error:
            if request is self.newest:
                await self._tell({"kind": "refused", "number": request.number, "reason": str(error)})
            return False
        if answer is None or request is not self.newest:
            return False
        await self.send(framed({"kind": "film", "number": request.number, **answer.table}, answer.arrays))
        return bool(answer.table["fits"])

    async def _answer(self, request: Request) -> None:
        bench, state, word = self.bench, request.state, request.word
        works: dict[str, Callable[[], Answer]] = {
            "best": lambda: bench.best(state),
            "changes": lambda: bench.changes(state, word),
            "sweep": lambda: bench.swept(state, word),
            "save": lambda: bench.saved(state, word),
        }
        try:
            answer = await self._worked(works[request.kind])
        except BayreachError as error:
            await self._tell({"kind": "refused", "number": request.number, "reason": str(error)})
            return
        await self._tell({"kind": request.kind, "number": request.number, **answer.table})

    async def _tell(self, table: dict[str, Any]) -> None:
        await self.send(framed(table, {}))

    async def _worked(self, work: Callable[[], T]) -> T:
        return await asyncio.get_running_loop().run_in_executor(self.worker, work)
