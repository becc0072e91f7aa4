"""The studio: refuses strangers and nonsense, answers as `spray` does; a designer's story in a browser."""

import asyncio
import json
import math
import os
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Awaitable, Callable, Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import numpy as np
import pytest
from small_job import small_job
from specimens import ribbed_box

from bayreach import run
from bayreach.errors import JobError, MeshError
from bayreach.film import STATUSES
from bayreach.job import ChangedWand, load_job, write_job
from bayreach.measure import face_areas
from bayreach.repair import subdivided
from bayreach.studio import StudioError, serve
from bayreach.studio._bench import Answer, Bench, first_state
from bayreach.studio._pack import framed
from bayreach.studio._picture import picture_of
from bayreach.studio._questions import question
from bayreach.studio._session import Session
from bayreach.studio._state import State, read_request, state_table

aiohttp = pytest.importorskip("aiohttp")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("studio")
    small_job(made)
    return made


@pytest.fixture(scope="module")
def bench(folder: Path) -> Bench:
    return Bench(load_job(folder / "job.toml"))


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


@pytest.fixture
def start(bench: Bench) -> dict[str, Any]:
    """Return the state that the page begins with."""
    state = first_state(bench)
    assert state is not None
    return state_table(state)


@pytest.fixture(scope="module")
def address(folder: Path) -> Iterator[str]:
    running: list[Any] = []
    ready = threading.Event()

    def told(one: Any) -> None:
        running.append(one)
        ready.set()

    thread = threading.Thread(
        target=serve, args=(folder / "job.toml",), kwargs={"open_browser": False, "ready": told}
    )
    thread.start()
    assert ready.wait(30)
    yield running[0].address
    running[0].stop()
    thread.join(30)
    assert not thread.is_alive()


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


def test_the_page_comes_with_a_policy_that_lets_it_ask_nobody_else(address: str) -> None:
    answer = got(address, urlsplit(address).path).decode()
    assert answer.startswith("HTTP/1.1 200")
    assert "default-src 'none'" in answer
    assert "http" not in answer.split("\r\n\r\n", 1)[1].replace("<!doctype html>", "")


def test_strangers_are_refused(address: str) -> None:
    path = urlsplit(address).path
    token = path.strip("/")
    refused = [
        got(address, "/"),
        got(address, "/wrong/"),
        got(address, f"/{token[:-1]}/"),
        got(address, path, Host="example.invalid"),
        got(address, path, Host="localhost:1"),
        got(address, path, Origin="http://example.invalid"),
        got(address, path, Origin="null"),
        got(address, path, **{"Sec-Fetch-Site": "cross-site"}),
        got(address, f"/{token}/../../etc/passwd"),
        got(address, f"/{token}/..%2f..%2fjob.toml"),
        got(address, f"/{token}/job.toml"),
        got(address, f"/{token}/%00"),
        got(address, f"/{token}/live"),
    ]
    for answer in refused:
        assert answer.split(b" ", 2)[1] in (b"403", b"404", b"400"), answer
        assert token.encode() not in answer
        assert b"root:" not in answer
        assert b"Small box" not in answer
    assert got(address, path).startswith(b"HTTP/1.1 200")


def test_a_huge_body_is_refused_unread_and_the_server_lives(address: str) -> None:
    at = urlsplit(address)
    head = f"POST {at.path} HTTP/1.1\r\nHost: {at.netloc}\r\nContent-Length: 1000000000\r\n\r\n"
    began = time.monotonic()
    assert asked(address, head, bytes(1 << 20)).split(b" ", 2)[1] in (b"403", b"405", b"413", b"404")
    assert time.monotonic() - began < 20
    assert asked(address, "\x00\x01 nonsense\r\n\r\n").split(b" ", 2)[1] == b"400"
    assert got(address, at.path).startswith(b"HTTP/1.1 200")


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


@pytest.mark.parametrize(
    "frame",
    [
        b"\x81\xff" + (2**62).to_bytes(8, "big") + b"mask" + b"x" * 100,  # a length of 4.6e18
        b"\x83\x80mask",  # an opcode that does not exist
        b"\xf1\x80mask",  # reserved bits
        b"\x89\xfe\x04\x00mask" + b"x" * 1024,  # a ping of more than 125 bytes
        b"\x01\xfe\xff\xffmask"
        + b"x" * 65535
        + b"\x80\xfe\xff\xffmask"
        + b"x" * 65535,  # pieces of a long one
        b"\x81\x84\x00\x00\x00\x00\xff\xfe\xfd\xfc",  # no UTF-8
        b"GET / HTTP/1.1\r\n\r\n" * 50,  # no frame at all
    ],
)
def test_a_malformed_frame_ends_its_own_line_alone(address: str, frame: bytes) -> None:
    with upgraded(address) as line, upgraded(address) as other:
        line.settimeout(20)
        try:
            line.sendall(frame)
            said = b""
            while piece := line.recv(4096):
                said += piece
        except OSError:
            pass  # cut off before all of it was sent
        assert b"Small box" not in said
        other.sendall(b"\x89\x80mask")  # a ping, which is answered
        other.settimeout(20)
        assert other.recv(2) == b"\x8a\x00"
    assert got(address, urlsplit(address).path).startswith(b"HTTP/1.1 200")


def test_a_body_without_end_is_refused_unread(address: str) -> None:
    at = urlsplit(address)
    head = f"POST {at.path} HTTP/1.1\r\nHost: {at.netloc}\r\nTransfer-Encoding: chunked\r\n\r\n"
    chunk = b"10000\r\n" + bytes(1 << 16) + b"\r\n"
    assert asked(address, head, chunk * 64).split(b" ", 2)[1] in (b"403", b"405", b"413", b"404")
    assert got(address, at.path).startswith(b"HTTP/1.1 200")


def table_of(frame: bytes) -> dict[str, Any]:
    size = int.from_bytes(frame[:4], "little")
    table: dict[str, Any] = json.loads(frame[4 : 4 + size])
    return table


def lived(address: str, story: Callable[[Any], Awaitable[None]]) -> None:
    """Run a story on a socket of the studio."""

    async def told() -> None:
        origin = f"http://{urlsplit(address).netloc}"
        async with aiohttp.ClientSession() as client:
            url = address.replace("http:", "ws:") + "live"
            async with client.ws_connect(url, origin=origin, max_msg_size=0) as line:
                await story(line)

    asyncio.run(told())


def test_a_socket_from_a_foreign_origin_is_refused(address: str) -> None:
    async def told() -> None:
        async with aiohttp.ClientSession() as client:
            with pytest.raises(aiohttp.WSServerHandshakeError):
                await client.ws_connect(
                    address.replace("http:", "ws:") + "live", origin="http://example.invalid"
                )

    asyncio.run(told())


def test_malformed_messages_are_answered_and_the_next_one_works(address: str, bench: Bench) -> None:
    state = first_state(bench)
    assert state is not None
    good = {"kind": "try", "number": 1, "state": state_table(state)}

    async def story(line: Any) -> None:
        for text in (
            "",
            "{",
            "[]",
            "null",
            '{"kind": "x"}',
            "[" * 30000,
            json.dumps({**good, "number": 1.5}),
        ):
            await line.send_str(text)
            assert table_of(await line.receive_bytes())["kind"] == "refused"
        await line.send_str(json.dumps(good))
        answer = table_of(await line.receive_bytes())
        assert (answer["kind"], answer["number"], answer["fits"]) == ("film", 1, True)

    lived(address, story)


def test_a_binary_frame_or_one_too_long_ends_that_page_alone(address: str) -> None:
    async def binary(line: Any) -> None:
        await line.send_bytes(b"\x00" * 10)
        assert (await line.receive()).type in (aiohttp.WSMsgType.CLOSE, aiohttp.WSMsgType.CLOSED)

    async def long(line: Any) -> None:
        await line.send_str("x" * 200_000)
        assert (await line.receive()).type in (aiohttp.WSMsgType.CLOSE, aiohttp.WSMsgType.CLOSED)

    lived(address, binary)
    lived(address, long)
    assert got(address, urlsplit(address).path).startswith(b"HTTP/1.1 200")


@pytest.mark.parametrize(
    "change",
    [
        {"aim": [0, 0, 0]},
        {"aim": [1, 2]},
        {"aim": [1, 0, float("nan")]},
        {"from": float("inf")},
        {"from": 0.01, "to": 0.5},
        {"to": -1},
        {"clock": True},
        {"figures": {"name": 1}},
        {"wand": "x" * 300},
        {"more": 1},
    ],
    ids=",".join,
)
def test_a_state_that_makes_no_sense_is_refused(bench: Bench, change: dict[str, Any]) -> None:
    state = first_state(bench)
    assert state is not None
    with pytest.raises(StudioError):
        read_request(json.dumps({"kind": "try", "number": 1, "state": {**state_table(state), **change}}))


def test_the_full_answer_is_that_of_spray_on_the_saved_job(
    bench: Bench, folder: Path, start: dict[str, Any]
) -> None:
    table = {**start, "clock": 0.3, "from": 0.5, "aim": [1.0, 0.05, -0.04]}
    table["figures"] = {"pull_speed": 0.043, "flow": 2.5e-6, "spread": 0.9, "diameter": 0.0071}
    state = request_of("try", table).state
    answer = bench.tried(state, fine=True)
    assert told(bench, "save", table, word="tried.toml").table["name"] == "tried.toml"
    saved = load_job(folder / "tried.toml")
    assert len(saved.passes) == 1
    result = run.spray(saved)
    np.testing.assert_allclose(answer.arrays["film"], result.sides.film * 1e6, rtol=1e-5, atol=1e-5)
    np.testing.assert_array_equal(answer.arrays["status"], result.sides.status)
    assert answer.table["covered_m2"] == pytest.approx(result.outcome.coverage.covered_m2, rel=1e-9)
    assert answer.table["liquid_m3"] == pytest.approx(result.outcome.liquid.sprayed_m3, rel=1e-9)
    (row,), (bay,) = answer.table["bays"], result.outcome.bays
    assert sum(row[name] for name in STATUSES) == pytest.approx(bay.required_m2)
    assert (row["low"], row["dry"]) == pytest.approx((bay.low_m2, bay.dry_m2))
    rows = run.reach(saved)
    (reached,) = [one for one in rows if (one.wand, one.opening) == (state.wand, state.opening)]
    row = told(bench, "reach", table).table["row"]
    assert row["fits"] == reached.fits
    assert (row["depth_m"], row["visible_m2"]) == pytest.approx(
        (reached.depth_m, reached.visible_m2), rel=1e-9
    )
    assert row["limit"] == reached.limit


def test_all_pulls_together_are_those_of_spray_on_the_saved_job(
    bench: Bench, folder: Path, start: dict[str, Any]
) -> None:
    # The wand as it is, twice; a bent one made of it, and that one again at another speed.
    bent = {**start, "shape": "bent", "pieces": [{"arc": 0.2, "radius": 0.4}], "from": 0.3, "to": 0.1}
    slow = {**bent, "clock": 1.0, "figures": {"pull_speed": 0.02}}
    passes = [{**start, "count": 2}, bent, slow]
    answer = told(bench, "all", start, passes=passes)
    saved = told(bench, "save", start, passes=passes, word="several.toml").table
    assert saved == {"name": "several.toml", "pulls": 3, "wands": [start["wand"], f"{start['wand']} 2"]}
    job = load_job(folder / "several.toml")
    assert [one.name for one in job.wands][-1] == f"{start['wand']} 2"
    assert job.wands[-1].pieces == request_of("try", bent).state.wand_of(bench.job).pieces
    assert [one.pull_speed for one in job.passes] == [None, None, 0.02]
    result = run.spray(job)
    np.testing.assert_allclose(answer.arrays["film"], result.sides.film * 1e6, rtol=1e-5, atol=1e-5)
    assert answer.table["covered_m2"] == pytest.approx(result.outcome.coverage.covered_m2, rel=1e-9)
    assert answer.table["liquid_m3"] == pytest.approx(result.outcome.liquid.sprayed_m3, rel=1e-9)
    assert answer.table["pulls"] == 3


def test_a_saved_job_is_opened_again_with_its_wands_and_pulls(
    bench: Bench, folder: Path, start: dict[str, Any]
) -> None:
    bent = {**start, "shape": "bent", "pieces": [{"arc": 0.2, "radius": 0.4}], "from": 0.3, "to": 0.1}
    told(bench, "save", start, passes=[start, bent], word="reopened.toml")
    assert "reopened.toml" in told(bench, "open", start).table["names"]
    opened_again = told(bench, "open", start, word="reopened.toml").table
    assert [wand["name"] for wand in opened_again["wands"]] == [
        one.name for one in load_job(folder / "reopened.toml").wands
    ]
    before = told(bench, "all", start, passes=[start, bent])
    after = told(bench, "all", start, passes=opened_again["passes"])
    np.testing.assert_allclose(after.arrays["film"], before.arrays["film"], rtol=1e-6, atol=1e-6)
    # and can be saved from again
    told(bench, "save", start, passes=opened_again["passes"], word="third.toml")
    assert len(load_job(folder / "third.toml").passes) == 2


def test_a_job_that_asks_for_something_else_is_not_opened(
    bench: Bench, folder: Path, start: dict[str, Any]
) -> None:
    text = (folder / "job.toml").read_text()
    (folder / "other.toml").write_text(text.replace('film_min = "', 'film_min = "1'))
    with pytest.raises(StudioError, match="differs in target"):
        told(bench, "open", start, word="other.toml")
    for name in ("../x.toml", "x", ".toml"):
        with pytest.raises(StudioError, match="file name"):
            told(bench, "open", start, word=name)
        with pytest.raises(StudioError, match="file name"):
            bench.tried(request_of("try", {**start, "file": name}).state, fine=False)


def test_the_first_answer_is_near_the_full_one(bench: Bench) -> None:
    state = first_state(bench)
    assert state is not None
    coarse, fine = (bench.tried(state, fine=fine) for fine in (False, True))
    wet = fine.arrays["film"] > 0.2 * fine.arrays["film"].max()
    assert np.abs(coarse.arrays["film"][wet] / fine.arrays["film"][wet] - 1).mean() < 0.05


def test_a_wand_too_short_is_refused_with_how_much_it_lacks(bench: Bench) -> None:
    state = first_state(bench)
    assert state is not None
    table = {**state_table(state), "from": 0.55, "figures": {"length": 0.4}}
    short = read_request(json.dumps({"kind": "try", "number": 1, "state": table})).state
    answer = bench.tried(short, fine=False).table
    assert not answer["fits"]
    assert answer["short_m"] == pytest.approx(0.15, abs=0.01)  # 0.55 m asked of 0.4 m of wand


def test_the_best_aim_covers_at_least_what_the_given_one_does(bench: Bench, start: dict[str, Any]) -> None:
    found = told(bench, "best", start).table
    better = request_of(
        "try", {**start, **{name: found[name] for name in ("aim", "clock", "from", "to")}}
    ).state
    covered = [
        bench.tried(one, fine=True).table["covered_m2"] for one in (request_of("try", start).state, better)
    ]
    assert covered[1] >= 0.98 * covered[0]  # the search is coarse


def test_a_job_is_saved_under_a_plain_new_name_only(
    bench: Bench, folder: Path, start: dict[str, Any]
) -> None:
    for name in ("../x.toml", "/x.toml", "x", ".x.toml", "a/b.toml", "x.toml\n"):
        with pytest.raises(StudioError, match="file name"):
            told(bench, "save", start, word=name)
    with pytest.raises(JobError, match="exists already"):
        told(bench, "save", start, word="job.toml")
    wand = ChangedWand(source=bench.job, before=bench.job.wands[0].name, after=bench.job.wands[0])
    with pytest.raises(JobError, match="own folder"):
        write_job(bench.job, folder / "meshes" / "x.toml", wands=[wand], passes=[])


def test_an_old_answer_never_follows_a_newer_state_and_sessions_do_not_mix(bench: Bench) -> None:
    from concurrent.futures import ThreadPoolExecutor

    state = first_state(bench)
    assert state is not None

    def asked_for(number: int, deepest: float) -> str:
        return json.dumps({"kind": "try", "number": number, "state": {**state_table(state), "from": deepest}})

    async def story() -> dict[str, list[dict[str, Any]]]:
        sent: dict[str, list[dict[str, Any]]] = {"one": [], "two": []}
        with ThreadPoolExecutor(max_workers=1) as worker:
            sessions = {}
            for name, into in sent.items():

                async def send(frame: bytes, into: list[dict[str, Any]] = into) -> None:
                    into.append(table_of(frame))

                sessions[name] = Session(bench, worker, send)
            runs = [asyncio.create_task(one.run()) for one in sessions.values()]
            for number in range(1, 6):
                await sessions["one"].take(asked_for(number, 0.3 + 0.02 * number))
                await sessions["two"].take(asked_for(number, 0.5))
                await asyncio.sleep(0.02)
            while not all(into and into[-1]["fine"] for into in sent.values()):
                await asyncio.sleep(0.02)
            for one in runs:
                one.cancel()
        return sent

    sent = asyncio.run(asyncio.wait_for(story(), 60))
    for name, deepest in (("one", 0.4), ("two", 0.5)):
        numbers = [table["number"] for table in sent[name]]
        assert numbers == sorted(numbers)
        assert numbers[-1] == 5
        # 50 mm/s from the depth to 50 mm
        assert sent[name][-1]["pull_seconds"] == pytest.approx((deepest - 0.05) / 0.05, rel=1e-3)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_the_command_ends_cleanly_when_told(folder: Path, number: signal.Signals) -> None:
    words = [sys.executable, "-m", "bayreach", "studio", str(folder / "job.toml"), "--no-browser"]
    # buffered as on a user's machine: the address must come all the same
    own = {key: value for key, value in os.environ.items() if key != "PYTHONUNBUFFERED"}
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=own) as told:
        assert told.stdout is not None
        address = told.stdout.readline().removeprefix("studio: ").strip()
        assert got(address, urlsplit(address).path).startswith(b"HTTP/1.1 200")
        told.send_signal(number)
        _, errors = told.communicate(timeout=60)
    assert (told.returncode, errors) == (0, "")


def test_a_job_that_cannot_be_worked_ends_the_studio_with_its_sentence(tmp_path: Path) -> None:
    path = small_job(tmp_path)
    (tmp_path / "meshes" / "box.stl").write_text("solid box\nendsolid box\n")
    with pytest.raises(MeshError):
        serve(path, open_browser=False)


def test_a_change_that_gets_the_wand_in_is_found_and_does(bench: Bench, start: dict[str, Any]) -> None:
    thick = {**start, "figures": {"diameter": 0.065}}  # the port is 60 mm wide
    changes = told(bench, "changes", thick, word="bay 1").table["changes"]
    (change,) = [one for one in changes if one["text"].startswith("diameter")]
    assert 0.05 < change["state"]["figures"]["diameter"] < 0.06
    assert not bench.tried(request_of("try", thick).state, fine=False).table["fits"]
    assert told(bench, "reach", change["state"]).table["row"]["fits"]
    (hole,) = [one for one in changes if one["text"].startswith("hole")]
    assert hole["state"] is None  # the structure is not the page's to change


def test_a_question_is_given_up_between_two_steps(bench: Bench, start: dict[str, Any]) -> None:
    from concurrent.futures import ThreadPoolExecutor

    sent: list[dict[str, Any]] = []

    async def story() -> None:
        with ThreadPoolExecutor(max_workers=1) as worker:

            async def send(frame: bytes) -> None:
                sent.append(table_of(frame))

            session = Session(bench, worker, send)
            asked = {"state": start, "word": "length=0.2m:1.2m:0.01m"}
            await session.take(json.dumps({"kind": "sweep", "number": 1, **asked}))
            while not sent:
                await asyncio.sleep(0.01)
            await session.take(json.dumps({"kind": "reach", "number": 2, "state": start}))
            await session.take(json.dumps({"kind": "stop", "number": 3, "state": start}))
            while sent[-1].get("reason") != "given up":
                await asyncio.sleep(0.01)
            await session.take(json.dumps({"kind": "reach", "number": 4, "state": start}))
            while sent[-1]["kind"] != "reach":
                await asyncio.sleep(0.01)

    asyncio.run(asyncio.wait_for(story(), 60))
    assert sent[0]["kind"] == "progress"
    (busy,) = [one for one in sent if "still being worked on" in one.get("reason", "")]
    assert busy["number"] == 2
    assert len([one for one in sent if one["kind"] == "progress"]) < 100  # of its 101 steps it did some


def test_another_page_is_answered_while_a_long_question_is_worked_on(
    bench: Bench, start: dict[str, Any]
) -> None:
    from concurrent.futures import ThreadPoolExecutor

    order: list[str] = []

    async def story() -> None:
        with ThreadPoolExecutor(max_workers=1) as worker:

            async def to_one(frame: bytes) -> None:
                order.append(f"one {table_of(frame)['kind']}")

            async def to_two(frame: bytes) -> None:
                order.append(f"two {table_of(frame)['kind']}")

            one, two = Session(bench, worker, to_one), Session(bench, worker, to_two)
            running = asyncio.create_task(two.run())
            asked = {"state": start, "word": "length=0.3m:1.2m:0.1m"}
            await one.take(json.dumps({"kind": "sweep", "number": 1, **asked}))
            await two.take(json.dumps({"kind": "try", "number": 1, "state": start}))
            while "one sweep" not in order:
                await asyncio.sleep(0.01)
            running.cancel()

    asyncio.run(asyncio.wait_for(story(), 60))
    assert order.index("two film") < order.index("one sweep")


def test_a_fault_of_the_program_is_told_and_ends_nothing(bench: Bench, start: dict[str, Any]) -> None:
    from concurrent.futures import ThreadPoolExecutor

    sent: list[dict[str, Any]] = []

    class Broken(Bench):
        def __init__(self) -> None:
            self.stopped = bench.stopped

        def tried(self, state: State, *, fine: bool, share: float = 1.0) -> Answer:
            message = "no such thing"
            raise LookupError(message)

    async def story() -> None:
        with ThreadPoolExecutor(max_workers=1) as worker:

            async def send(frame: bytes) -> None:
                sent.append(table_of(frame))

            session = Session(Broken(), worker, send)
            running = asyncio.create_task(session.run())
            for number in (1, 2):
                await session.take(json.dumps({"kind": "try", "number": number, "state": start}))
                while len(sent) < number:
                    await asyncio.sleep(0.01)
            running.cancel()

    asyncio.run(asyncio.wait_for(story(), 30))
    assert [one["number"] for one in sent] == [1, 2]
    assert "LookupError" in sent[0]["reason"]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"pieces": [{"straight": 0.1, "arc": 1.0}]}, "either straight, or arc"),
        ({"pieces": [{"arc": 1.0}]}, "either straight, or arc"),
        ({"pieces": [{"straight": 0.1}] * 51}, "at most 50"),
        ({"pieces": "x"}, "at most 50"),
        ({"shape": "round"}, "one of straight, bent, flexible"),
        ({"count": 0}, "count"),
        ({"count": 1.5}, "count"),
        ({"dwell": 2.0}, "from must be more"),
    ],
)
def test_a_chain_or_count_that_makes_no_sense_is_refused(
    start: dict[str, Any], change: dict[str, Any], words: str
) -> None:
    with pytest.raises(StudioError, match=words):
        request_of("try", {**start, **change})


def test_a_wand_is_drawn_where_it_stands_in_its_true_sizes(bench: Bench, start: dict[str, Any]) -> None:
    # a quarter turn of 0.1 m radius in front of a straight: the tip lies 0.1 m aside and 0.1 m ahead of it
    pieces = [{"arc": math.pi / 2, "radius": 0.1}]
    for table in (start, {**start, "shape": "bent", "pieces": pieces, "from": 0.35, "aim": [1.0, 0.0, 0.0]}):
        state = request_of("try", table).state
        wand = state.wand_of(bench.job)
        drawn = bench.tried(state, fine=False).table["wand"]
        points = np.array(drawn["points"])
        length = np.linalg.norm(np.diff(points, axis=0), axis=1).sum()
        assert length == pytest.approx(wand.length, abs=2e-3)
        assert set(np.round(drawn["radii"], 6)) == {
            round(section.diameter / 2, 6) for section in wand.sections
        }
    entry = np.array(bench.openings[start["opening"]].center) - bench.middle
    tip = points[-1] - entry
    ahead = 0.35 - 0.1 * math.pi / 2 + 0.1
    assert tip[0] == pytest.approx(ahead, abs=5e-3)
    assert np.linalg.norm(tip[1:]) == pytest.approx(0.1, abs=5e-3)


def test_a_frame_holds_arrays_at_multiples_of_four() -> None:
    frame = framed({"kind": "x"}, {"a": np.arange(3, dtype=np.uint8), "b": np.array([1.5], dtype=np.float32)})
    size = int.from_bytes(frame[:4], "little")
    places = table_of(frame)["arrays"]
    assert size % 4 == 0
    assert places["b"] == {"type": "float32", "start": 4, "length": 1}
    assert np.frombuffer(frame[4 + size + 4 :], dtype="<f4") == [1.5]


def test_a_large_mesh_is_drawn_with_fewer_faces_that_show_the_values_of_its_own() -> None:
    # A box of 0.9 x 0.3 x 0.2 m, every face cut small: 1.02 m² of skin, drawn with at most 2,000 faces.
    mesh = subdivided(ribbed_box(3, (0.9, 0.3, 0.2), hole=0.1), 0.012).mesh
    assert mesh.n_faces > 20_000
    picture = picture_of(mesh, most=2_000)
    assert not picture.is_whole
    assert 500 < len(picture.corners) <= 2_000
    assert len(picture.sides) == 2 * len(picture.corners)
    # The drawn skin is where the mesh is: the same box, and about the same area.
    np.testing.assert_allclose(picture.corners.min(axis=(0, 1)), mesh.box[0], atol=0.02)
    np.testing.assert_allclose(picture.corners.max(axis=(0, 1)), mesh.box[1], atol=0.02)
    drawn = np.cross(
        picture.corners[:, 1] - picture.corners[:, 0], picture.corners[:, 2] - picture.corners[:, 0]
    )
    assert 0.5 * np.linalg.norm(drawn, axis=1).sum() == pytest.approx(float(face_areas(mesh).sum()), rel=0.1)
    # Each drawn side shows the value of a side of the mesh that lies there and looks the same way.
    values = np.arange(mesh.n_sides)
    np.testing.assert_array_equal(picture.shown({"film": values})["film"], picture.sides)
    own = mesh.corners[picture.sides[::2] // 2]
    gaps = np.linalg.norm(own.mean(axis=1) - picture.corners.mean(axis=1), axis=1)
    assert gaps.max() < 0.06
    turned = np.where(picture.sides[::2] % 2, -1.0, 1.0)
    normals = turned[:, None] * np.cross(own[:, 1] - own[:, 0], own[:, 2] - own[:, 0])
    assert (np.einsum("ij,ij->i", normals, drawn) > 0.0).all()
    assert picture.edge_faces.max() < len(picture.corners)


def test_a_mesh_of_usual_size_is_drawn_as_it_is(bench: Bench) -> None:
    assert bench.picture.is_whole
    np.testing.assert_array_equal(bench.picture.corners, bench.site.mesh.corners)


def test_the_script_is_what_its_sources_build() -> None:
    sources = Path(__file__).parents[1] / ".page"
    npm = shutil.which("npm")
    if not npm or not (sources / "node_modules" / "vite").is_dir():
        pytest.skip("npm or its packages are not installed (npm ci --prefix .page)")
    words = [npm, "run", "check-studio"]
    done = subprocess.run(words, cwd=sources, capture_output=True, check=False, timeout=120)
    assert done.returncode == 0, done.stderr.decode()
