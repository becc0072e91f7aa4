"""The studio: refuses strangers and nonsense, answers as `spray` does; a designer's story in a browser."""

import asyncio
import json
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
from browser import opened
from small_job import small_job

from bayreach import run
from bayreach.errors import JobError, MeshError
from bayreach.film import STATUSES
from bayreach.job import load_job, write_job
from bayreach.studio import StudioError, serve
from bayreach.studio._bench import Bench, first_state
from bayreach.studio._pack import framed, state_table
from bayreach.studio._session import Session
from bayreach.studio._state import read_request

aiohttp = pytest.importorskip("aiohttp")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("studio")
    small_job(made)
    return made


@pytest.fixture(scope="module")
def bench(folder: Path) -> Bench:
    return Bench(load_job(folder / "job.toml"))


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


def test_the_full_answer_is_that_of_spray_on_the_saved_job(bench: Bench, folder: Path) -> None:
    state = first_state(bench)
    assert state is not None
    table = {**state_table(state), "clock": 0.3, "from": 0.5, "aim": [1.0, 0.05, -0.04]}
    table["figures"] = {"pull_speed": 0.043, "flow": 2.5e-6, "spread": 0.9, "diameter": 0.0071}
    asked_for = read_request(
        json.dumps({"kind": "save", "number": 1, "state": table, "word": "tried.toml"})
    ).state
    answer = bench.tried(asked_for, fine=True)
    bench.saved(asked_for, "tried.toml")
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
    assert any(one.wand == asked_for.wand and one.fits for one in rows)


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


def test_the_best_aim_covers_at_least_what_the_given_one_does(bench: Bench) -> None:
    state = first_state(bench)
    assert state is not None
    found = bench.best(state).table
    table = {**state_table(state), **{name: found[name] for name in ("aim", "clock", "from", "to")}}
    better = read_request(json.dumps({"kind": "try", "number": 1, "state": table})).state
    covered = [bench.tried(one, fine=True).table["covered_m2"] for one in (state, better)]
    assert covered[1] >= 0.98 * covered[0]  # the search is coarse


def test_a_job_is_saved_under_a_plain_new_name_only(bench: Bench, folder: Path) -> None:
    state = first_state(bench)
    assert state is not None
    for name in ("../x.toml", "/x.toml", "x", ".x.toml", "a/b.toml", "x.toml\n"):
        with pytest.raises(StudioError, match="file name"):
            bench.saved(state, name)
    with pytest.raises(JobError, match="exists already"):
        bench.saved(state, "job.toml")
    with pytest.raises(JobError, match="own folder"):
        write_job(bench.job, folder / "meshes" / "x.toml", wand=bench.job.wands[0], passes=[])


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


def test_a_change_that_gets_the_wand_in_is_found_and_does(bench: Bench) -> None:
    state = first_state(bench)
    assert state is not None
    table = {**state_table(state), "figures": {"diameter": 0.065}}  # the port is 60 mm wide
    thick = read_request(json.dumps({"kind": "changes", "number": 1, "state": table, "word": "bay 1"})).state
    (change,) = [one for one in bench.changes(thick, "bay 1").table["changes"] if one["what"] == "diameter"]
    assert 0.05 < change["needed"] < 0.06
    assert not bench.tried(thick, fine=False).table["fits"]


def test_a_frame_holds_arrays_at_multiples_of_four() -> None:
    frame = framed({"kind": "x"}, {"a": np.arange(3, dtype=np.uint8), "b": np.array([1.5], dtype=np.float32)})
    size = int.from_bytes(frame[:4], "little")
    places = table_of(frame)["arrays"]
    assert size % 4 == 0
    assert places["b"] == {"type": "float32", "start": 4, "length": 1}
    assert np.frombuffer(frame[4 + size + 4 :], dtype="<f4") == [1.5]


def test_the_script_is_what_its_sources_build() -> None:
    sources = Path(__file__).parents[1] / ".page"
    npm = shutil.which("npm")
    if not npm or not (sources / "node_modules" / "vite").is_dir():
        pytest.skip("npm or its packages are not installed (npm ci --prefix .page)")
    words = [npm, "run", "check-studio"]
    done = subprocess.run(words, cwd=sources, capture_output=True, check=False, timeout=120)
    assert done.returncode == 0, done.stderr.decode()


def test_a_designer_tries_a_wand_in_the_browser(address: str, folder: Path) -> None:
    def until(script: str, seconds: float = 40.0) -> None:
        end = time.monotonic() + seconds
        while not browser.ask(script):
            assert time.monotonic() < end, script
            time.sleep(0.05)

    fine = "return document.getElementById('answer').dataset.state === 'fine'"
    enter = (
        "const e = document.getElementById(arguments[0]); e.value = arguments[1];"
        "e.dispatchEvent(new Event('change'))"
    )
    with opened() as browser:
        browser.driver.get("about:blank")
        browser.requests()  # what the browser's own first page asked for
        browser.driver.get(address)
        until(fine)
        assert "Goes in" in browser.text("answer")
        browser.press("#keep")
        browser.ask(enter, "length", "400")
        until("return document.getElementById('answer').textContent.includes('Does not go in')")
        assert "150 mm short" in browser.text("answer")
        browser.press("#undo")
        until("return document.getElementById('answer').textContent.includes('Goes in')")
        browser.press("#redo")
        until("return document.getElementById('answer').textContent.includes('Does not go in')")
        browser.press("#undo")
        until(fine)
        browser.ask(enter, "from", "300")
        until(fine)
        browser.press("input[value=difference]")
        assert "A:" in browser.text("compared")
        browser.press("#best")
        until("return document.getElementById('saved').textContent.includes('aims tried')")
        until(fine)
        browser.ask(enter, "system", "inch")
        assert "fl oz" in browser.text("answer")
        browser.ask("document.getElementById('name').value = 'from_page.toml'")
        browser.press("#save")
        until("return document.getElementById('saved').textContent.includes('saved as from_page.toml')")
        covered = browser.ask("return window.bayreachStudio.answer.covered_m2")
        assert browser.complaints() == []
        browser.ask("window.bayreachStudio.link.socket.close()")
        until("return document.getElementById('link').textContent.includes('lost')")
        until("return document.getElementById('link').textContent === 'connected'")
        until(fine)
        outside = [
            url for url in browser.requests() if not url.startswith((address, "data:", "ws://127.0.0.1"))
        ]
        assert outside == []
    result = run.spray(load_job(folder / "from_page.toml"))
    assert result.outcome.coverage.covered_m2 == pytest.approx(covered, rel=1e-9)
