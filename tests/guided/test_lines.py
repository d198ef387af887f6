"""What a stranger in the network can do to the server itself, byte by byte over real connections."""

from __future__ import annotations

import contextlib
import functools
import socket
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from gainkit.bench import lines
from gainkit.bench.app import MOST_STREAMS
from gainkit.bench.lines import MOST_STRANGERS
from gainkit.bench.serve import Running, ServeOptions
from tests.guided.browser import served
from tests.guided.program import Program


@pytest.fixture
def running(car: Path) -> Iterator[Running]:
    with served(ServeOptions(car)) as bench:
        yield bench


def connected(running: Running) -> socket.socket:
    return socket.create_connection(("127.0.0.1", running.addresses.port), timeout=20)


def said(running: Running, request: bytes) -> bytes:
    """Everything that comes back until the server closes or falls silent."""
    with connected(running) as line:
        with contextlib.suppress(ConnectionError):  # refused before it was all sent
            line.sendall(request)
        return heard(line)


def heard(line: socket.socket, until: bytes | None = None) -> bytes:
    told = b""
    try:
        while part := line.recv(65_536):
            told += part
            if until is not None and until in told:
                break
    except (TimeoutError, ConnectionResetError):
        pass
    return told


def head(running: Running, first: str, *more: str) -> bytes:
    host = f"Host: 127.0.0.1:{running.addresses.port}"
    return "\r\n".join([first, host, *more, "", ""]).encode()


def let_in(running: Running) -> str:
    """The cookie of a screen, as a header."""
    key = running.bench.keys.fresh()
    told = said(running, head(running, f"GET /open?key={key} HTTP/1.1", "Connection: close")).decode()
    return "Cookie: " + told.split("set-cookie: ")[1].split(";")[0]


def status(told: bytes) -> int:
    return int(told.split(b" ")[1]) if told else 0


def page(running: Running, cookie: str) -> int:
    return status(said(running, head(running, "GET / HTTP/1.1", cookie, "Connection: close")))


def test_a_crowd_of_silent_strangers_keeps_nobody_out(running: Running) -> None:
    cookie = let_in(running)
    with ExitStack() as crowd:
        held = [crowd.enter_context(connected(running)) for _ in range(4 * MOST_STRANGERS)]
        for number, each in enumerate(held):
            try:
                each.sendall(b"" if number % 2 else b"GET / HTTP/1.1\r\nX-Slow: ")
            except OSError:
                continue  # closed already
        for _ in range(3):
            assert page(running, cookie) == 200
        assert len(running.bench.app.lines._strangers) <= MOST_STRANGERS


@pytest.mark.long
def test_a_stranger_s_slow_request_is_cut_off(car: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(lines, "Lines", functools.partial(lines.Lines, seconds=0.3))
    with served(ServeOptions(car)) as running, connected(running) as slow:
        slow.sendall(b"GET / HTTP/1.1\r\n")
        assert heard(slow) == b""
    with served(ServeOptions(car)) as running:
        cookie = let_in(running)
        with connected(running) as mine:
            mine.sendall(head(running, "GET /events HTTP/1.1", cookie))
            heard(mine, b"event: changed")
            time.sleep(0.5)
            running.bench.desk.changed()
            assert b"event: changed" in heard(mine, b"event: changed")


def test_one_screen_cannot_take_all_streams(running: Running) -> None:
    cookie, other = let_in(running), let_in(running)
    with ExitStack() as open_ones:
        streams = [open_ones.enter_context(connected(running)) for _ in range(MOST_STREAMS + 4)]
        for each in streams:
            each.sendall(head(running, "GET /events HTTP/1.1", cookie, "Connection: close"))
            assert b"event: changed" in heard(each, b"event: changed")
        for each in streams[:4]:
            heard(each)  # ended by the server: else this waits for its time to run out
            assert each.recv(1) == b""
        assert len(running.bench.desk.listeners) == MOST_STREAMS
        mine = open_ones.enter_context(connected(running))
        mine.sendall(head(running, "GET /events HTTP/1.1", other))
        assert b"event: changed" in heard(mine, b"event: changed")
        assert page(running, other) == 200


@pytest.mark.parametrize(
    "request_lines",
    [
        ("GET / HTTP/1.1", "X: " + "a" * 2_000_000),
        ("GET /" + "a" * 2_000_000 + " HTTP/1.1",),
        ("GET / HTTP/1.1", *(f"X-{n}: {n}" for n in range(100_000))),
        ("POST /do/seen HTTP/1.1", "Content-Length: 9", "Transfer-Encoding: chunked"),
        ("POST /do/seen HTTP/1.1", "Content-Length: 9", "Content-Length: 10"),
        ("POST /do/seen HTTP/1.1", "Content-Length: -1"),
        ("POST /do/seen HTTP/1.1", "Transfer-Encoding: chunked, identity"),
        ("GET /\x00 HTTP/1.1",),
        ("GET / HTTP/1.1", "Host: evil.example"),
        ("GET http://evil.example/ HTTP/1.1", "Host : evil.example"),
        ("\x16\x03\x01\x02",),
        ("PRI * HTTP/2.0",),
    ],
)
def test_requests_out_of_order_are_refused(running: Running, request_lines: tuple[str, ...], car: Path) -> None:
    cookie = let_in(running)
    told = said(running, head(running, *request_lines, cookie, "Connection: close") + b"step=plan")
    assert status(told) in (0, 400, 403, 404, 405, 421, 431, 501)
    assert not (car / "readings.jsonl").exists()
    assert page(running, cookie) == 200


def test_another_protocol_is_not_spoken(running: Running) -> None:
    cookie = let_in(running)
    for upgrade in ("websocket", "h2c"):
        more = (
            f"Upgrade: {upgrade}", "Connection: Upgrade, close", "Sec-WebSocket-Version: 13",
            "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==", "HTTP2-Settings: AAMAAABkAAQAAP__",
        )  # fmt: skip
        for asked in (cookie, "X: no cookie"):
            told = said(running, head(running, "GET / HTTP/1.1", asked, *more))
            assert status(told) == (200 if asked == cookie else 401)


def test_asking_for_the_head_alone_does_nothing(running: Running) -> None:
    cookie = let_in(running)
    key = running.bench.keys.fresh()
    for path in ("/", "/now", "/events", "/screen", "/bench.js", "/do/seen", "/capture"):
        told = said(running, head(running, f"HEAD {path} HTTP/1.1", cookie, "Connection: close"))
        assert status(told) in (200, 404, 405, 409)
        assert told.endswith(b"\r\n\r\n")
    said(running, head(running, f"HEAD /open?key={key} HTTP/1.1", "Connection: close"))
    opened = said(running, head(running, f"GET /open?key={key} HTTP/1.1", "Connection: close"))
    assert status(opened) == 200  # a program that only looked has not used it up
    assert b"no-referrer" in opened
    assert running.bench.desk.listeners == []


@pytest.mark.long
def test_a_key_is_written_nowhere_but_in_the_terminal_of_who_started(
    car: Path, program: Callable[..., Program], tmp_path: Path
) -> None:
    running = program(car)
    key = running.address.partition("key=")[2]
    with urllib.request.urlopen(running.address) as opened:
        assert key not in str(opened.headers) + opened.read().decode()
    for wrong in (key, "x"):
        with pytest.raises(urllib.error.HTTPError):
            urllib.request.urlopen(running.address.replace(key, wrong))
    running.kill()
    assert running.process.stdout is not None
    assert key not in running.process.stdout.read()
    written = [each for each in tmp_path.rglob("*") if each.is_file()]
    assert written
    assert not [each for each in written if key.encode() in each.read_bytes()]
