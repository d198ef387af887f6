"""Who may look: keys that open once, cookies that last as long as the server, and a limit on wrong ones."""

from __future__ import annotations

import hashlib
import secrets
import time
from collections.abc import Callable
from dataclasses import dataclass, field

KEY_SECONDS = 600.0
"""A key that nobody used dies after so long [s]: time to fetch a phone (our choice)."""

WINDOW_SECONDS = 60.0
"""Wrong keys are counted over so long [s]."""

MOST_WRONG = 10
"""Wrong keys from one address in that time: a person mistypes a few (our choice) [-]."""

MOST_WRONG_OF_ALL = 100
"""Wrong keys from all addresses in that time [-]."""

HERE = "127.0.0.1"
"""The machine itself is not kept out by what others in the network guess."""

MOST_SCREENS = 32
"""Screens open at a time: a workshop has fewer (our choice) [-]."""


@dataclass
class Session:
    """One screen. address : where it was let in from, and the only one that its cookie is good for. who : the
    technician at it, None for the system file's. streams : what ends each of its live streams, oldest first.
    """

    address: str
    who: str | None = None
    streams: list[Callable[[], None]] = field(default_factory=list)

    def end(self) -> None:
        """End its live streams."""
        for each in list(self.streams):
            each()


class TooManyWrong(Exception):
    """So many wrong keys that none is looked at for a while."""


@dataclass
class Keys:
    """The keys and screens of one run of the server; nothing of it is written anywhere.

    Only digests are held: looking one up takes no longer for a key that is nearly right.
    """

    clock: Callable[[], float] = time.monotonic
    _keys: dict[bytes, float | None] = field(default_factory=dict)
    _sessions: dict[bytes, Session] = field(default_factory=dict)
    _wrong: list[tuple[float, str]] = field(default_factory=list)

    def fresh(self, seconds: float | None = KEY_SECONDS) -> str:
        """A new key that opens once. seconds : it lives; None: as long as the server."""
        now = self.clock()
        self._keys = {each: ends for each, ends in self._keys.items() if ends is None or ends >= now}
        key = secrets.token_urlsafe(32)
        self._keys[_digest(key)] = None if seconds is None else now + seconds
        return key

    def exchange(self, key: str, client: str) -> str | None:
        """The cookie of a new screen for a key, which is used up; None for a wrong one.

        Raises TooManyWrong, also for a right key, after too many wrong ones.
        """
        now = self.clock()
        self._wrong = [each for each in self._wrong if now - each[0] < WINDOW_SECONDS]
        mine = sum(address == client for _, address in self._wrong)
        if mine >= MOST_WRONG or (len(self._wrong) >= MOST_WRONG_OF_ALL and client != HERE):
            raise TooManyWrong
        digest = _digest(key)
        if digest not in self._keys:
            self._wrong.append((now, client))
            return None
        ends = self._keys.pop(digest)
        if ends is not None and now > ends:
            return None
        if len(self._sessions) >= MOST_SCREENS:
            self._sessions.pop(next(iter(self._sessions))).end()
        cookie = secrets.token_urlsafe(32)
        self._sessions[_digest(cookie)] = Session(client)
        return cookie

    def session(self, cookie: str, client: str) -> Session | None:
        """The screen of a cookie that comes from the address that it was given to; None for any other."""
        held = self._sessions.get(_digest(cookie))
        return held if held is not None and held.address == client else None


def _digest(text: str) -> bytes:
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).digest()
