"""Pages do not disturb each other: whose answer comes when, what is given up, how the studio ends."""

import asyncio
import json
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Awaitable, Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import jsonschema
import pytest
from small_job import small_job
from studio_server import got, table_of

from bayreach.cli._schemas import schema_named
from bayreach.errors import MeshError
from bayreach.studio import serve
from bayreach.studio._bench import Answer, Bench, GoOn
from bayreach.studio._session import Session
from bayreach.studio._state import State

aiohttp = pytest.importorskip("aiohttp")


def test_an_old_answer_never_follows_a_newer_state_and_sessions_do_not_mix(
    bench: Bench, start: dict[str, Any]
) -> None:
    def asked_for(number: int, deepest: float) -> str:
        return json.dumps({"kind": "try", "number": number, "state": {**start, "from": deepest}})

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
            while not all(into and into[-1]["look"] == "full" for into in sent.values()):
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


@pytest.mark.parametrize(("number", "form"), [(signal.SIGINT, "words"), (signal.SIGTERM, "json")])
def test_the_command_tells_its_address_and_ends_cleanly_when_told(
    studio_folder: Path, number: signal.Signals, form: str
) -> None:
    words = [sys.executable, "-m", "bayreach", "studio", str(studio_folder / "job.toml"), "--no-browser"]
    words += ["--json"] if form == "json" else []
    # buffered as on a user's machine: the address must come all the same
    own = {key: value for key, value in os.environ.items() if key != "PYTHONUNBUFFERED"}
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=own) as told:
        assert told.stdout is not None
        if form == "json":
            table = json.loads("".join(told.stdout.readline() for _ in range(3)))
            jsonschema.validate(table, schema_named("studio"))
            address = table["address"]
        else:
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


def test_a_question_is_given_up_between_two_steps(bench: Bench, start: dict[str, Any]) -> None:
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
    sent: list[dict[str, Any]] = []

    class Broken(Bench):
        def __init__(self) -> None:
            self.stopped, self.urgent, self.site = bench.stopped, bench.urgent, bench.site

        def tried(self, state: State, *, look: str, go_on: GoOn | None = None) -> Answer:
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


class Endless(Bench):
    """Answers in full only when it is let; until then it asks again and again whether to go on."""

    def __init__(self, bench: Bench) -> None:
        self.stopped, self.urgent, self.real = bench.stopped, set(), bench
        self.begun, self.may_end = 0, threading.Event()
        self.site, self.picture = bench.site, bench.picture

    def tried(self, state: State, *, look: str, go_on: GoOn | None = None) -> Answer:
        if look == "full":
            self.begun += 1
            assert go_on is not None
            while not self.may_end.wait(0.002):
                go_on(0.0)
        return self.real.tried(state, look=look)


def test_a_full_answer_makes_way_for_a_first_one_and_is_given_all_the_same(
    bench: Bench, start: dict[str, Any]
) -> None:
    order: list[str] = []
    endless = Endless(bench)

    async def story() -> None:
        with ThreadPoolExecutor(max_workers=1) as worker:

            def to(name: str) -> Callable[[bytes], Awaitable[None]]:
                async def send(frame: bytes) -> None:
                    table = table_of(frame)
                    order.append(f"{name} {table['number']} {table['look']}")

                return send

            one, two = (Session(endless, worker, to(name)) for name in ("one", "two"))
            runs = [asyncio.create_task(each.run()) for each in (one, two)]
            asked = {"kind": "try", "state": start}
            await one.take(json.dumps({**asked, "number": 1}))
            while endless.begun < 1:
                await asyncio.sleep(0.005)
            await two.take(json.dumps({**asked, "number": 1}))  # from another page
            while "two 1 coarse" not in order:
                await asyncio.sleep(0.005)
            await one.take(json.dumps({**asked, "number": 2}))  # from the same page: the first one is stale
            while "one 2 coarse" not in order:
                await asyncio.sleep(0.005)
            endless.may_end.set()
            while len(order) < 5:
                await asyncio.sleep(0.005)
            for each in runs:
                each.cancel()

    asyncio.run(asyncio.wait_for(story(), 60))
    assert order[:3] == ["one 1 coarse", "two 1 coarse", "one 2 coarse"]
    assert sorted(order[3:]) == ["one 2 full", "two 1 full"]


def test_a_refined_answer_comes_between_the_first_and_the_full_one_on_a_large_mesh(
    bench: Bench, start: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    sent: list[dict[str, Any]] = []
    monkeypatch.setattr("bayreach.studio._session.LARGE", bench.site.mesh.n_faces - 1)

    async def story() -> None:
        with ThreadPoolExecutor(max_workers=1) as worker:

            async def send(frame: bytes) -> None:
                sent.append(table_of(frame))

            session = Session(bench, worker, send)
            running = asyncio.create_task(session.run())
            await session.take(json.dumps({"kind": "try", "number": 1, "state": start}))
            while len(sent) < 3:
                await asyncio.sleep(0.01)
            running.cancel()

    asyncio.run(asyncio.wait_for(story(), 60))
    assert [one["look"] for one in sent] == ["coarse", "refined", "full"]
    off = [abs(one["covered_m2"] / sent[-1]["covered_m2"] - 1.0) for one in sent]
    assert off[1] <= off[0] < 0.05
