"""Asking the bench's application as a browser, or an attacker, would: raw requests, no server, no network."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from gainkit.bench.app import Bench

PORT = 8321
HOST = f"127.0.0.1:{PORT}"
ORIGIN = f"http://{HOST}"


@dataclass(frozen=True)
class Answer:
    """What came back. taken_bytes : how much of the body the application asked for."""

    status: int
    headers: dict[str, str]
    text: str
    data: bytes
    taken_bytes: int


def ask(
    bench: Bench,
    method: str,
    path: str,
    *,
    query: str = "",
    headers: Iterable[tuple[str, str]] = (("host", HOST),),
    body: Iterable[bytes] = (b"",),
    client: str = "10.0.0.7",
) -> Answer:
    """One request, byte for byte as given."""
    sent: list[Any] = []
    parts = iter(body)
    taken = 0

    async def receive() -> dict[str, Any]:
        nonlocal taken
        part = next(parts, None)
        if part is None:
            return {"type": "http.request", "body": b"", "more_body": False}
        taken += len(part)
        return {"type": "http.request", "body": part, "more_body": True}

    async def send(message: Any) -> None:
        sent.append(message)

    scope = {
        "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": method, "path": path,
        "raw_path": path.encode(), "query_string": query.encode(), "root_path": "", "scheme": "http",
        "headers": [(name.lower().encode("latin-1"), value.encode("latin-1")) for name, value in headers],
        "client": (client, 50_000), "server": ("127.0.0.1", 8321),
    }  # fmt: skip
    asyncio.run(bench.app(scope, receive, send))
    start = next(each for each in sent if each["type"] == "http.response.start")
    data = b"".join(each.get("body", b"") for each in sent if each["type"] == "http.response.body")
    told = {name.decode().lower(): value.decode() for name, value in start["headers"]}
    return Answer(start["status"], told, data.decode("utf-8", "replace"), data, taken)


@dataclass(frozen=True)
class Screen:
    """A browser that was let in."""

    bench: Bench
    cookie: str

    @classmethod
    def opened(cls, bench: Bench, host: str = HOST) -> Screen:
        """Let in by a fresh key."""
        answer = ask(bench, "GET", "/open", query=f"key={bench.keys.fresh()}", headers=[("host", host)])
        assert answer.status == 200, answer.text
        return cls(bench, answer.headers["set-cookie"].split(";")[0])

    def get(self, path: str, query: str = "") -> Answer:
        return ask(self.bench, "GET", path, query=query, headers=[("host", HOST), ("cookie", self.cookie)])

    def post(self, path: str, body: Iterable[bytes] = (b"",), query: str = "", **more: str) -> Answer:
        headers = {"host": HOST, "cookie": self.cookie, "origin": ORIGIN, "x-part": "now", **more}
        return ask(self.bench, "POST", path, query=query, headers=headers.items(), body=body)

    def do(self, action: str, **form: object) -> Answer:
        return self.post(f"/do/{action}", [urlencode(form).encode()])
