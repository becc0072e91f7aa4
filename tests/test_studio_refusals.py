"""The studio refuses strangers and nonsense, and lives on."""

import asyncio
import json
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from studio_server import asked, got, lived, request_of, served, table_of, upgraded

from bayreach.studio import StudioError
from bayreach.studio._state import read_request

aiohttp = pytest.importorskip("aiohttp")


@pytest.fixture(scope="module")
def address(studio_folder: Path) -> Iterator[str]:
    with served(studio_folder / "job.toml") as running:
        yield running.address


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


def test_a_socket_from_a_foreign_origin_is_refused(address: str) -> None:
    async def told() -> None:
        async with aiohttp.ClientSession() as client:
            with pytest.raises(aiohttp.WSServerHandshakeError):
                await client.ws_connect(
                    address.replace("http:", "ws:") + "live", origin="http://example.invalid"
                )

    asyncio.run(told())


def test_malformed_messages_are_answered_and_the_next_one_works(address: str, start: dict[str, Any]) -> None:
    good = {"kind": "try", "number": 1, "state": start}

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
def test_a_state_that_makes_no_sense_is_refused(start: dict[str, Any], change: dict[str, Any]) -> None:
    with pytest.raises(StudioError):
        read_request(json.dumps({"kind": "try", "number": 1, "state": {**start, **change}}))


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
