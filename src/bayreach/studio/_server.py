"""The loopback server: one address with a random token, this page alone, and a clean end."""

import asyncio
import contextlib
import secrets
import signal
import threading
import webbrowser
from collections.abc import Awaitable, Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

from aiohttp import WSMsgType, web

from bayreach.errors import BayreachError
from bayreach.job import Job, load_job
from bayreach.studio._bench import Bench
from bayreach.studio._pack import opening_pack
from bayreach.studio._session import Session

LOOPBACK = "127.0.0.1"
MOST_BYTES = 64 * 1024
"""Largest message taken from a page."""
MOST_PAGES = 16
"""Pages that may be open at a time."""
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src data: blob:; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cache-Control": "no-store",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
}
BUNDLED = {"": ("studio.html", "text/html"), "studio.js": ("studio.js", "text/javascript"),
           "studio.css": ("studio.css", "text/css")}  # fmt: skip

Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]


@dataclass(frozen=True)
class Running:
    """A studio that listens: its address, token and all, and what ends it from any thread."""

    address: str
    stop: Callable[[], None]


Ready = Callable[[Running], None]


def serve(job: Path, *, port: int = 0, open_browser: bool = True, ready: Ready | None = None) -> None:
    """Serve the studio of a job file on this machine until Ctrl-C, SIGTERM or `Running.stop`.

    Parameters
    ----------
    job : Path
        The job file.
    port : int
        Where to listen on 127.0.0.1; 0 takes a free one.
    open_browser : bool
        Whether to open the page.
    ready : callable, optional
        Called once the server listens; the structure may still be being made ready.

    Raises
    ------
    JobError, MeshError
        When the job or its mesh cannot be read.
    """
    read = load_job(job)
    asyncio.run(Studio(read).run(port, open_browser=open_browser, ready=ready))


class Studio:
    """One job, served."""

    def __init__(self, job: Job) -> None:
        self.job = job
        self.token = secrets.token_urlsafe(24)
        self.host = ""
        self.worker = ThreadPoolExecutor(max_workers=1, thread_name_prefix="studio")
        self.bench: asyncio.Future[Bench] | None = None
        self.sockets: set[web.WebSocketResponse] = set()

    async def run(self, port: int, *, open_browser: bool, ready: Ready | None) -> None:
        """Listen until told to stop."""
        loop = asyncio.get_running_loop()
        ended = asyncio.Event()
        runner = web.AppRunner(self._app(), access_log=None, shutdown_timeout=2.0, lingering_time=1.0)
        await runner.setup()
        made = loop.run_in_executor(self.worker, _made_ready, self.job)
        self.bench = made
        made.add_done_callback(lambda done: ended.set() if done.exception() else None)
        try:
            site = web.TCPSite(runner, LOOPBACK, port)
            await _started(site, port)
            self.host = f"{LOOPBACK}:{runner.addresses[0][1]}"
            self._told(loop, ended, open_browser=open_browser, ready=ready)
            await ended.wait()
        finally:
            await self._end(runner)
        if made.done() and not made.cancelled() and made.exception() is not None:
            await made

    def _told(
        self,
        loop: asyncio.AbstractEventLoop,
        ended: asyncio.Event,
        *,
        open_browser: bool,
        ready: Ready | None,
    ) -> None:
        """Listen for signals, and tell who asked where the page is."""
        if threading.current_thread() is threading.main_thread():
            for number in (signal.SIGINT, signal.SIGTERM):
                with contextlib.suppress(NotImplementedError):  # Windows: Ctrl-C ends the loop itself
                    loop.add_signal_handler(number, ended.set)
        address = f"http://{self.host}/{self.token}/"

        def stop() -> None:
            with contextlib.suppress(RuntimeError):  # it has ended already
                loop.call_soon_threadsafe(ended.set)

        if ready is not None:
            ready(Running(address=address, stop=stop))
        if open_browser:
            webbrowser.open(address)

    async def _end(self, runner: web.AppRunner) -> None:
        bench = self.bench
        if bench is not None and bench.done() and not bench.exception():
            bench.result().stopped.set()
        for socket in list(self.sockets):
            await socket.close(code=1001, message=b"the studio has ended")
        await runner.cleanup()
        self.worker.shutdown(wait=False, cancel_futures=True)

    def _app(self) -> web.Application:
        app = web.Application(middlewares=[self._guarded], client_max_size=MOST_BYTES)
        app.router.add_get("/{token}/site", self._site)
        app.router.add_get("/{token}/live", self._live)
        app.router.add_get("/{token}/{name}", self._file)
        app.router.add_get("/{token}/", self._file)
        return app

    @web.middleware
    async def _guarded(self, request: web.Request, handler: Handler) -> web.StreamResponse:
        """Refuse what does not come from this page; say nothing about why."""
        reply: web.StreamResponse
        if not self._is_ours(request):
            reply = web.Response(status=403, text="refused\n")
            reply.force_close()
        elif request.body_exists:
            reply = web.Response(status=413, text="refused\n")
            reply.force_close()
        else:
            try:
                reply = await handler(request)
            except web.HTTPException as error:
                reply = web.Response(status=error.status, text="refused\n")
        if not reply.prepared:
            reply.headers.update(HEADERS)
        return reply

    def _is_ours(self, request: web.Request) -> bool:
        token = request.match_info.get("token", "")
        origin = request.headers.get("Origin")
        return (
            secrets.compare_digest(token.encode(), self.token.encode())
            and request.headers.get("Host") == self.host
            and origin in (None, f"http://{self.host}")
            and request.headers.get("Sec-Fetch-Site", "none") in ("none", "same-origin")
        )

    async def _file(self, request: web.Request) -> web.StreamResponse:
        name = request.match_info.get("name", "")
        if name not in BUNDLED:
            raise web.HTTPNotFound
        file, kind = BUNDLED[name]
        text = files("bayreach").joinpath(f"data/page/{file}").read_text(encoding="utf-8")
        return web.Response(text=text, content_type=kind, charset="utf-8")

    async def _site(self, _: web.Request) -> web.StreamResponse:
        assert self.bench is not None
        bench = await asyncio.shield(self.bench)
        body = await asyncio.get_running_loop().run_in_executor(self.worker, opening_pack, bench)
        return web.Response(body=body, content_type="application/octet-stream")

    async def _live(self, request: web.Request) -> web.StreamResponse:
        """Serve one page's socket: what is no request is answered, a broken frame ends that page alone."""
        if len(self.sockets) >= MOST_PAGES or request.headers.get("Origin") is None:
            raise web.HTTPForbidden
        assert self.bench is not None
        bench = await asyncio.shield(self.bench)
        socket = web.WebSocketResponse(max_msg_size=MOST_BYTES, heartbeat=20.0, compress=False)
        await socket.prepare(request)

        async def send(data: bytes) -> None:
            with contextlib.suppress(ConnectionError):  # the page has gone; its session ends with its socket
                await socket.send_bytes(data)

        session = Session(bench, self.worker, send)
        answering = asyncio.create_task(session.run())
        self.sockets.add(socket)
        try:
            async for message in socket:
                if message.type is not WSMsgType.TEXT:
                    break
                await session.take(message.data)
        finally:
            self.sockets.discard(socket)
            answering.cancel()
            await session.close()
        await socket.close(code=1003)
        return socket


def _made_ready(job: Job) -> Bench:
    bench = Bench(job)
    bench.warm()
    return bench


async def _started(site: web.TCPSite, port: int) -> None:
    try:
        await site.start()
    except OverflowError:
        message = f"port {port} is none: give a --port from 0 to 65535."
        raise BayreachError(message) from None
    except OSError as error:
        message = f"port {port} cannot be listened on ({error.strerror or error}); give another --port."
        raise BayreachError(message) from None
