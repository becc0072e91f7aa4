"""One open page: its newest state wins, its answers are its own, and nothing it sends ends the server."""

import asyncio
from collections.abc import Awaitable, Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any, TypeVar

from bayreach.errors import BayreachError
from bayreach.studio._bench import LOOKS, Answer, Bench, GaveWayError, LeftError
from bayreach.studio._pack import framed
from bayreach.studio._questions import Steps, question
from bayreach.studio._state import Request, StudioError, number_of, read_request

T = TypeVar("T")
Send = Callable[[bytes], Awaitable[None]]

PAUSE = 0.05
"""Seconds without a newer state before the full answer is begun: a drag gets coarse answers only."""
LARGE = 20_000
"""Faces above which the full answer is long enough for a refined one to come before it."""
SIDES = ("film", "status", "lit")
"""Arrays of one value a side."""


class Session:
    """Takes a page's requests and sends its answers; work is done in `worker`, one short step at a time.

    `send` gets whole frames. Every answer carries the number of the request it answers; an answer to a state
    that is no longer the newest is dropped. Between the steps of a question other pages' work is done.
    """

    def __init__(self, bench: Bench, worker: ThreadPoolExecutor, send: Send) -> None:
        self.bench = bench
        self.worker = worker
        self.send = send
        self.newest: Request | None = None
        self.awake = asyncio.Event()
        self.asked: asyncio.Task[None] | None = None
        self.given_up = False

    async def take(self, text: str) -> None:
        """Take a text frame: a state to try, or a question about one; a refusal is sent back."""
        number = number_of(text)
        try:
            request = read_request(text)
            if request.kind == "try":
                if self.newest is not None and request.number <= self.newest.number:
                    return
                self.newest = request
                self.awake.set()
                return
            if request.kind == "stop":
                self.given_up = True
                return
            if self.asked is not None and not self.asked.done():
                message = "the question before this one is still being worked on"
                raise StudioError(message)
        except BayreachError as error:
            await self._refuse(number, error)
            return
        self.given_up = False
        self.asked = asyncio.create_task(self._answer(request))

    async def run(self) -> None:
        """Answer states until cancelled: coarse at once, refined, then in full, unless a newer one comes."""
        while True:
            await self.awake.wait()
            self.awake.clear()
            request = self.newest
            looks = LOOKS if self.bench.site.mesh.n_faces > LARGE else (LOOKS[0], LOOKS[-1])
            for look in looks:
                if request is None or request is not self.newest or not await self._try(request, look):
                    break
                if look == LOOKS[0]:
                    await asyncio.sleep(PAUSE)

    async def close(self) -> None:
        """Drop what is still to be answered."""
        if self.asked is not None:
            self.asked.cancel()

    async def _try(self, request: Request, look: str) -> bool:
        """Send the answer to a state unless a newer one has come; True where a better one should follow.

        A first answer goes before all others: they are left when it is asked for, and begun anew.
        """
        bench = self.bench
        go_on = bench.going_on(lambda: request is self.newest)
        if look == LOOKS[0]:
            bench.urgent.add(request)

        def work() -> Answer | None:
            bench.urgent.discard(request)
            # The state may have grown stale while this waited for the worker.
            return bench.tried(request.state, look=look, go_on=go_on) if request is self.newest else None

        try:
            answer = await self._worked_through(work)
        except LeftError:
            return False
        except Exception as error:
            if request is self.newest:
                await self._refuse(request.number, error)
            return False
        finally:
            bench.urgent.discard(request)
        if answer is None or request is not self.newest:
            return False
        await self._tell("film", request.number, answer)
        return bool(answer.table["fits"])

    async def _answer(self, request: Request) -> None:
        """Work out a question step by step, telling how far it is, unless the page gives it up."""
        try:
            go_on = self.bench.going_on(lambda: not self.given_up)
            steps = question(self.bench, request, go_on)
            while True:
                done = await self._worked(lambda: self._step(steps))
                if isinstance(done, Answer):
                    break
                table = {"kind": "progress", "number": request.number, "asked": request.kind, "share": done}
                await self.send(framed(table, {}))
        except LeftError:
            await self._refuse(request.number, StudioError("given up"))
            return
        except Exception as error:
            await self._refuse(request.number, error)
            return
        await self._tell(request.kind, request.number, done)

    def _step(self, steps: Steps) -> float | Answer:
        """Return the share done after one more step, or the answer."""
        if self.given_up or self.bench.stopped.is_set():
            steps.close()
            raise LeftError
        try:
            return next(steps)
        except StopIteration as end:
            answer: Answer = end.value
            return answer

    async def _tell(self, kind: str, number: int, answer: Answer) -> None:
        sides = {name: values for name, values in answer.arrays.items() if name in SIDES}
        others = {name: values for name, values in answer.arrays.items() if name not in SIDES}
        arrays = {**self.bench.picture.shown(sides), **others}
        await self.send(framed({"kind": kind, "number": number, **answer.table}, arrays))

    async def _refuse(self, number: int | None, error: Exception) -> None:
        """Send why a request is not met; a fault of the program's own is told too, and ends nothing."""
        known = isinstance(error, BayreachError)
        reason = str(error) if known else f"this cannot be worked out ({type(error).__name__}: {error})"
        table: dict[str, Any] = {"kind": "refused", "reason": reason}
        await self.send(framed(table if number is None else {**table, "number": number}, {}))

    async def _worked_through(self, work: Callable[[], T]) -> T:
        """Return what work returns, begun anew whenever it gave way to a first answer."""
        while True:
            try:
                return await self._worked(work)
            except GaveWayError:
                continue

    async def _worked(self, work: Callable[[], T]) -> T:
        return await asyncio.get_running_loop().run_in_executor(self.worker, work)
