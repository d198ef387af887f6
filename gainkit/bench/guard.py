"""The door of the server: host, origin, cookie, and the headers of every answer."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any

from gainkit.bench.addresses import Addresses
from gainkit.bench.keys import Keys, TooManyWrong
from gainkit.bench.lines import Lines
from gainkit.bench.words import WORDS

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

COOKIE = "gainkit"
"""The cookie's name begins so and ends with the port: a browser sends cookies to every port of a machine, and
two jobs open at once must not take each other's."""

MOST_COOKIES = 4
"""So many of one name are looked at [-]."""

AHEAD = ("sec-purpose", "purpose", "x-purpose", "x-moz")
"""Headers by which a browser says that it only fetches ahead or shows a preview: nobody has opened the address
yet, and its key is not used up. The first is from the Fetch standard (WHATWG), the others are older habits."""

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "media-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
"""What a page may do: nothing inline, nothing from elsewhere."""

SHEET_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'"
)
"""The as-left page is one file with its own styles inside, and no script at all."""

HEADERS = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
}


class Guard:
    """Lets a request through to the page when it comes from a screen that was let in."""

    def __init__(self, app: App, keys: Keys, addresses: Addresses, lines: Lines) -> None:
        self.app, self.keys, self.addresses, self.lines = app, keys, addresses, lines
        self.cookie = f"{COOKIE}-{addresses.port}"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            await send({"type": "websocket.close", "code": 1008})
            return
        headers = _headers(scope)
        if headers is None or headers.get("host", "").lower() not in self.addresses.hosts():
            await _answer(send, 421, "Misdirected request")
            return
        if scope["method"] not in ("GET", "HEAD", "POST"):
            await _answer(send, 405, "Method not allowed")
            return
        if scope["method"] == "POST" and not _same_origin(headers):
            await _answer(send, 403, "Sent from another page")
            return
        if scope["path"] == "/open" and scope["method"] == "GET":
            if any(_ahead(headers.get(name, "")) for name in AHEAD):
                await _answer(send, 503, WORDS["closed"], {"vary": ", ".join(AHEAD)})
                return
            await self._open(scope, send)
            return
        client = scope.get("client") or ("?", 0)
        cookies = _cookies(headers, self.cookie)
        session = next(filter(None, (self.keys.session(each, client[0]) for each in cookies)), None)
        if session is None:
            await _answer(send, 401, WORDS["closed"])
            return
        self.lines.known(client)
        scope.setdefault("state", {})["session"] = session
        await self.app(scope, receive, _with_headers(send))

    async def _open(self, scope: Scope, send: Send) -> None:
        """A key for a cookie, and on to the page: the key is used up and leaves the address bar."""
        query = bytes(scope.get("query_string", b"")).decode("ascii", "replace")
        client = (scope.get("client") or ("?", 0))[0]
        try:
            cookie = self.keys.exchange(query.removeprefix("key="), client)
        except TooManyWrong:
            await _answer(send, 429, WORDS["wait"])
            return
        if cookie is None:
            await _answer(send, 401, WORDS["closed"])
            return
        value = f"{self.cookie}={cookie}; HttpOnly; SameSite=Strict; Path=/"
        # no redirect: a strict cookie would not go along where the address was opened from a message
        page = '<!doctype html><title>gainkit</title><link rel="icon" href="data:,"><p><a href="/">gainkit</a>'
        await _answer(
            send,
            200,
            page,
            {
                "refresh": "0; url=/",
                "referrer-policy": "no-referrer",  # the page is not told the key that it was opened with
                "set-cookie": value,
                "content-type": "text/html; charset=utf-8",
            },
        )


def _headers(scope: Scope) -> dict[str, str] | None:
    """Names and values; None where host, origin or cookie come twice: two readers could take different ones."""
    told: dict[str, str] = {}
    for raw_name, raw_value in scope["headers"]:
        name = raw_name.decode("latin-1").lower()
        if name in told and name in ("host", "origin", "cookie", "content-length"):
            return None
        told[name] = raw_value.decode("latin-1")
    return told


def _same_origin(headers: dict[str, str]) -> bool:
    """Whether a post comes from our own page: the browser says so, and no script elsewhere can."""
    if headers.get("sec-fetch-site", "same-origin") != "same-origin":
        return False
    return headers.get("origin", "").lower() == f"http://{headers['host'].lower()}"


def _ahead(purpose: str) -> bool:
    """Whether such a header says that nobody looks yet."""
    return any(word in purpose.lower() for word in ("prefetch", "prerender", "preview"))


def _cookies(headers: dict[str, str], name: str) -> list[str]:
    """The values under a name. Other programs of this machine have their cookies there too, well formed or not,
    and may have put one of the same name beside ours."""
    pairs = (each.strip().partition("=") for each in headers.get("cookie", "").split(";"))
    return [value for key, _, value in pairs if key == name][:MOST_COOKIES]


def _with_headers(send: Send) -> Send:
    async def sent(message: MutableMapping[str, Any]) -> None:
        if message["type"] == "http.response.start":
            there = {name.lower() for name, _ in message.get("headers", [])}
            more = HEADERS | {"content-security-policy": POLICY}
            message["headers"] = [
                *message.get("headers", []),
                *((n.encode(), v.encode()) for n, v in more.items() if n.encode() not in there),
            ]
        await send(message)

    return sent


async def _answer(send: Send, status: int, text: str, more: dict[str, str] | None = None) -> None:
    body = text.encode()
    headers = {"content-type": "text/plain; charset=utf-8", "content-length": str(len(body)), **(more or {})}
    start = {
        "type": "http.response.start",
        "status": status,
        "headers": [(name.encode(), value.encode()) for name, value in headers.items()],
    }
    guarded = _with_headers(send)
    await guarded(start)
    await guarded({"type": "http.response.body", "body": body})
