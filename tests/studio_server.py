"""A studio of a small job for tests: served, asked by raw bytes, by its socket, or without a server."""

import asyncio
import json
import socket
import threading
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest

from bayreach.studio import Running, serve
from bayreach.studio._bench import Answer, Bench, first_state
from bayreach.studio._questions import question
from bayreach.studio._state import read_request, state_table


@contextmanager
def served(job: Path) -> Iterator[Running]:
    """Serve the studio of a job file from a thread, and end it."""
    running: list[Running] = []
    ready = threading.Event()

    def told(one: Running) -> None:
        running.append(one)
        ready.set()

    thread = threading.Thread(target=serve, args=(job,), kwargs={"open_browser": False, "ready": told})
    thread.start()
    assert ready.wait(30)
    try:
        yield running[0]
    finally:
        running[0].stop()
        thread.join(30)
    assert not thread.is_alive()


def first_table(bench: Bench) -> dict[str, Any]:
    """Return the state that the page begins with."""
    state = first_state(bench)
    assert state is not None
    return state_table(state)


def request_of(kind: str, state: dict[str, Any], **more: Any) -> Any:
    """Return a request as a page would send it."""
    return read_request(json.dumps({"kind": kind, "number": 1, "state": state, **more}))


def told(bench: Bench, kind: str, state: dict[str, Any], **more: Any) -> Answer:
    """Return the answer to a question, all its steps done."""
    steps = question(bench, request_of(kind, state, **more))
    shares = []
    while True:
        try:
            shares.append(next(steps))
        except StopIteration as end:
            assert all(0.0 <= share <= 1.0 for share in shares)
            answer: Answer = end.value
            return answer


def asked(address: str, head: str, body: bytes = b"") -> bytes:
    """Return what the server answers to raw bytes."""
    at = urlsplit(address)
    with socket.create_connection((str(at.hostname), int(at.port or 0)), timeout=20) as line:
        line.sendall(head.encode())
        try:
            for start in range(0, len(body), 1 << 16):
                line.sendall(body[start : start + (1 << 16)])
        except OSError:
            pass  # refused before all of it was sent
        answer = b""
        try:
            while piece := line.recv(65536):
                answer += piece
        except OSError:
            pass
    return answer


def got(address: str, path: str, **headers: str) -> bytes:
    """Return the answer to a GET with these headers; `Host` is the server's own unless given."""
    lines = {"Host": urlsplit(address).netloc, "Connection": "close", **headers}
    return asked(
        address, f"GET {path} HTTP/1.1\r\n" + "".join(f"{k}: {v}\r\n" for k, v in lines.items()) + "\r\n"
    )


def upgraded(address: str) -> socket.socket:
    """Return a line that the server has made a WebSocket, to be written on by hand."""
    at = urlsplit(address)
    line = socket.create_connection((str(at.hostname), int(at.port or 0)), timeout=20)
    head = (
        f"GET {at.path}live HTTP/1.1\r\nHost: {at.netloc}\r\nOrigin: http://{at.netloc}\r\n"
        "Upgrade: websocket\r\nConnection: Upgrade\r\nSec-WebSocket-Version: 13\r\n"
        "Sec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==\r\n\r\n"
    )
    line.sendall(head.encode())
    answer = b""
    while b"\r\n\r\n" not in answer:
        answer += line.recv(4096)
    assert answer.startswith(b"HTTP/1.1 101")
    return line


def table_of(frame: bytes) -> dict[str, Any]:
    """Return the table of a frame."""
    size = int.from_bytes(frame[:4], "little")
    table: dict[str, Any] = json.loads(frame[4 : 4 + size])
    return table


def lived(address: str, story: Callable[[Any], Awaitable[None]]) -> None:
    """Run a story on a socket of the studio."""

    async def told() -> None:
        origin = f"http://{urlsplit(address).netloc}"
        aiohttp = pytest.importorskip("aiohttp")
        async with aiohttp.ClientSession() as client:
            url = address.replace("http:", "ws:") + "live"
            async with client.ws_connect(url, origin=origin, max_msg_size=0) as line:
                await story(line)

    asyncio.run(told())
