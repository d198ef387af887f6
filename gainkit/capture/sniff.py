"""What kind of file is this? Told from its first bytes; a suffix proves nothing."""

from __future__ import annotations

import stat
from pathlib import Path

from gainkit.errors import GainkitError

HEAD_BYTES = 1 << 16
"""Enough for any preamble and a few hundred rows after it [byte]."""

AUDIO_STARTS = (
    b"RIFF", b"RIFX", b"RF64", b"BW64", b"riff\x2e\x91\xcf\x11", b"FORM", b"caff", b"fLaC", b"OggS", b".snd",
    b"dns.", b"ID3", b"NIST_1A", b"Creative Voice File", b"wvpk",
)  # fmt: skip
"""First bytes of the containers that recorders write."""

MOST_CONTROL_SHARE = 0.02
"""Text may hold a damaged byte or two; samples without a header hold one in eight [-]."""


def read_head(path: Path) -> bytes:
    """The file's first bytes. Raises GainkitError when there is no such file, or nothing to read in it."""
    try:
        kind = path.stat().st_mode
        if stat.S_ISDIR(kind):
            raise GainkitError("file_is_folder", received=str(path))
        if not stat.S_ISREG(kind):
            raise GainkitError("not_a_file", file=str(path))
        with open(path, "rb") as file:
            head = file.read(HEAD_BYTES)
    except FileNotFoundError as fault:
        raise GainkitError("file_missing", file=str(path)) from fault
    except (OSError, ValueError) as fault:  # ValueError: a name with a zero byte in it
        reason = str(getattr(fault, "strerror", None) or fault)
        raise GainkitError("file_unreadable", file=str(path), reason=reason) from fault
    if not head:
        raise GainkitError("file_empty", file=str(path))
    return head


def is_audio(head: bytes) -> bool:
    """True when the first bytes are those of an audio container."""
    return head.startswith(AUDIO_STARTS)


def text_encoding(head: bytes) -> str | None:
    """The encoding of a text's first bytes; None when they are no text.

    By byte order mark; else UTF-16 by its zero bytes; else UTF-8, and Latin-1 where that does not decode (a
    micro sign written by a program of the Windows world).
    """
    for mark, name in ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16")):
        if head.startswith(mark):
            return name
    plain = head.rstrip(b"\0\x1a")
    zeros = plain.count(0)
    if zeros > 0.3 * len(plain):
        odd, even = head[1::2].count(0), head[0::2].count(0)
        if min(odd, even) > 0.1 * max(odd, even):
            return None
        return "utf-16-le" if odd > even else "utf-16-be"
    controls = zeros + sum(plain.count(code) for code in (*range(1, 9), *range(14, 32)))
    if not plain or controls > MOST_CONTROL_SHARE * len(plain):
        return None
    try:
        head[: max(len(head) - 4, 0) if len(head) == HEAD_BYTES else None].decode("utf-8")
    except UnicodeDecodeError:
        return "latin-1"
    return "utf-8"
