"""Connections of the server: strangers hold few of them, and not for long.

Without this, whoever is in the network could open connections, send nothing, and keep all others out.
"""

from __future__ import annotations

import asyncio
from typing import Any

from uvicorn.protocols.http.h11_impl import H11Protocol

MOST_STRANGERS = 32
"""Connections that no cookie has come through yet; one more closes the oldest (our choice) [-]."""

STRANGER_SECONDS = 10.0
"""A stranger's connection is closed after so long, whatever it sends [s]: a request takes milliseconds."""

Client = tuple[str, int]


class Lines:
    """Which open connections belong to screens that were let in, by the address and port at their other end."""

    def __init__(self, most: int = MOST_STRANGERS, seconds: float = STRANGER_SECONDS) -> None:
        self.most, self.seconds = most, seconds
        self._strangers: dict[Client, asyncio.Transport] = {}

    def came(self, client: Client, transport: asyncio.Transport) -> None:
        """A connection was opened."""
        while len(self._strangers) >= self.most:
            self._strangers.pop(next(iter(self._strangers))).abort()
        self._strangers[client] = transport
        asyncio.get_running_loop().call_later(self.seconds, self._late, client, transport)

    def known(self, client: Client | None) -> None:
        """A screen that was let in spoke through it: it may stay."""
        if client is not None:
            self._strangers.pop(client, None)

    def went(self, client: Client) -> None:
        """It was closed."""
        self._strangers.pop(client, None)

    def _late(self, client: Client, transport: asyncio.Transport) -> None:
        if self._strangers.get(client) is transport:
            self._strangers.pop(client).abort()

    def protocol(self) -> type[asyncio.Protocol]:
        """Uvicorn's protocol that tells these lines of every connection."""
        lines = self

        class Protocol(H11Protocol):
            def connection_made(self, transport: Any) -> None:
                super().connection_made(transport)
                if self.client is not None:
                    lines.came(self.client, transport)

            def connection_lost(self, exc: Exception | None) -> None:
                if self.client is not None:
                    lines.went(self.client)
                super().connection_lost(exc)

        return Protocol
