"""Where the samples lie in WAV, RF64, W64, AIFF and CAF files: the chunk walk.

Sources: Microsoft/IBM Multimedia Programming Interface 1.0 (RIFF WAVE); mmreg.h (WAVE_FORMAT_EXTENSIBLE); EBU
Tech 3306 (RF64) and ITU-R BS.2088 (BW64); Sony Wave64; Apple AIFF-C draft 1991; Apple Core Audio Format 1.0.
Layouts are written from memory of these and checked in the tests against files of other programs.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from gainkit.capture.pcm import WIDTHS, Code, Layout
from gainkit.errors import GainkitError
from gainkit.remarks import Remark, fault, remark

MOST_CHUNKS = 4096
"""A damaged file may be chunks all the way: after so many none is sought [-] (our choice)."""

MOST_HEADER_BYTES = 4096
"""Read of a chunk that describes the samples; all of them are far shorter [byte]."""

OPEN_ENDED = 0xFFFFFF00
"""Lengths from here on are what a recorder leaves when it writes to a pipe [byte]."""

W64_TAIL = bytes.fromhex("f3acd3118cd100c04f8edb8a")
"""Common tail of Wave64's chunk names (`riff` has one of its own)."""

GUID_TAIL = bytes.fromhex("000000001000800000aa00389b71")
"""Tail of WAVE_FORMAT_EXTENSIBLE's sub-formats; the first two bytes are the plain format tag."""


@dataclass(frozen=True)
class Chunk:
    """One chunk: where its content starts and how long it claims to be [byte]."""

    name: bytes
    start: int
    size: int


@dataclass(frozen=True)
class Samples:
    """Plain samples, and what to tell about the file.

    layout : None when the file is of a kind that another reader must decode.
    """

    layout: Layout | None
    notes: tuple[Remark, ...] = ()


def find_samples(path: Path, head: bytes) -> Samples:
    """Walk the chunks of a file that begins with ``head``.

    Raises GainkitError for a file that is cut off before its samples, or that contradicts itself.
    """
    with open(path, "rb") as file:
        size = file.seek(0, 2)
        if head[:4] in (b"RIFF", b"RIFX", b"RF64", b"BW64") and head[8:12] == b"WAVE":
            return _wave(path, file, size, _riff_chunks(file, size, head[:4] == b"RIFX"), head)
        if head[:4] == b"riff" and head[24:28] == b"wave":
            return _wave(path, file, size, _w64_chunks(file, size), head)
        if head[:4] == b"FORM" and head[8:12] in (b"AIFF", b"AIFC"):
            return _aiff(path, file, size)
        if head[:4] == b"caff":
            return _caf(path, file, size)
    return Samples(None)


def _riff_chunks(file: BinaryIO, file_bytes: int, big_endian: bool) -> Iterator[Chunk]:
    at = 12
    for _ in range(MOST_CHUNKS):
        file.seek(at)
        head = file.read(8)
        if len(head) < 8:
            return
        name, size = struct.unpack(">4sI" if big_endian else "<4sI", head)
        yield Chunk(name, at + 8, size)
        at += 8 + size + size % 2
        if at > file_bytes:
            return


def _w64_chunks(file: BinaryIO, file_bytes: int) -> Iterator[Chunk]:
    at = 40
    for _ in range(MOST_CHUNKS):
        file.seek(at)
        head = file.read(24)
        if len(head) < 24:
            return
        size = int.from_bytes(head[16:24], "little")
        name = head[:4] if head[4:16] == W64_TAIL else b""
        yield Chunk(name, at + 24, max(size - 24, 0))
        at += max(24, size + -size % 8)
        if at > file_bytes:
            return


def _wave(path: Path, file: BinaryIO, file_bytes: int, chunks: Iterator[Chunk], head: bytes) -> Samples:
    """RIFF and its descendants."""
    order = ">" if head[:4] == b"RIFX" else "<"
    fmt = b""
    long_size: int | None = None
    for chunk in chunks:
        if chunk.name == b"ds64":
            body = _content(file, chunk)
            long_size = int.from_bytes(body[8:16], "little") if len(body) >= 16 else None
        elif chunk.name == b"fmt ":
            fmt = _content(file, chunk)
        elif chunk.name == b"data":
            if len(fmt) < 16:
                raise _cut(path, "format")
            promised = chunk.size
            if head[:4] in (b"RF64", b"BW64") and chunk.size == 0xFFFFFFFF and long_size:
                promised = long_size
            elif chunk.size == 0 and _length_is_meant(head, file_bytes):
                raise _empty(path)
            return _wave_layout(path, fmt, order, chunk.start, promised, file_bytes)
    raise _cut(path, "samples")


def _length_is_meant(head: bytes, file_bytes: int) -> bool:
    """True when the outer length fits the file, so that 'no samples' is what the writer meant."""
    if head[:4] == b"riff":
        return int.from_bytes(head[16:24], "little") == file_bytes
    outer = int.from_bytes(head[4:8], "big" if head[:4] == b"RIFX" else "little")
    return outer + 8 in (file_bytes, file_bytes - 1)


def _wave_layout(path: Path, fmt: bytes, order: str, start: int, promised: int, file_bytes: int) -> Samples:
    tag, channels, rate, _, align, bits = struct.unpack(order + "HHIIHH", fmt[:16])
    if tag == 0xFFFE and len(fmt) >= 40 and fmt[26:40] == GUID_TAIL:
        tag = struct.unpack(order + "H", fmt[24:26])[0]
    _check_shape(path, channels, rate)
    code = _code(tag == 3, align // channels) if align % channels == 0 else None
    if tag not in (1, 3) or code is None or (bits + 7) // 8 * channels != align:
        return Samples(None)
    code = "u1" if code == "i1" else code
    open_end = promised == 0 or OPEN_ENDED <= promised <= 0xFFFFFFFF or promised >= 1 << 62
    return _bounded(
        path, start, None if open_end else promised, file_bytes, channels, float(rate), code, order == ">"
    )


def _aiff(path: Path, file: BinaryIO, file_bytes: int) -> Samples:
    """AIFF and AIFF-C: the common chunk says how, the sound chunk where."""
    common = b""
    sound: Chunk | None = None
    for chunk in _riff_chunks(file, file_bytes, True):
        if chunk.name == b"COMM":
            common = _content(file, chunk)
        elif chunk.name == b"SSND":
            sound = chunk
    if len(common) < 18:
        raise _cut(path, "format")
    if sound is None or sound.start + 8 > file_bytes:
        raise _cut(path, "samples")
    channels, frames, bits = struct.unpack(">HIH", common[:8])
    rate = _extended(common[8:18])
    _check_shape(path, channels, rate)
    kind = common[18:22] if len(common) >= 22 else b"NONE"
    code = _code(kind.lower() in (b"fl32", b"fl64"), (bits + 7) // 8)
    if kind.lower() not in (b"none", b"twos", b"sowt", b"fl32", b"fl64", b"in24", b"in32") or code is None:
        return Samples(None)
    file.seek(sound.start)
    skip = int.from_bytes(file.read(4), "big")
    promised = frames * channels * WIDTHS[code]
    return _bounded(
        path, sound.start + 8 + skip, promised or None, file_bytes, channels, rate, code, kind != b"sowt"
    )


def _extended(ten: bytes) -> float:
    """IEEE 754 80-bit extended: AIFF's sample rate [Hz]."""
    exponent = int.from_bytes(ten[:2], "big")
    if exponent & 0x8000 or not 16383 <= exponent <= 16383 + 40:
        return 0.0
    return float(int.from_bytes(ten[2:], "big") * 2.0 ** (exponent - 16383 - 63))


def _caf(path: Path, file: BinaryIO, file_bytes: int) -> Samples:
    """Core Audio Format: the description comes first, the data chunk may be open-ended."""
    description = b""
    at = 8
    for _ in range(MOST_CHUNKS):
        file.seek(at)
        head = file.read(12)
        if len(head) < 12:
            break
        name, size = struct.unpack(">4sq", head)
        if name == b"desc":
            description = _content(file, Chunk(name, at + 12, max(size, 0)))
        elif name == b"data":
            if len(description) < 32:
                raise _cut(path, "format")
            return _caf_layout(path, description, at + 12, size, file_bytes)
        at += 12 + max(size, 0)
        if at > file_bytes:
            break
    raise _cut(path, "samples")


def _caf_layout(path: Path, description: bytes, start: int, size: int, file_bytes: int) -> Samples:
    rate, kind, flags, packet, per_packet, channels, bits = struct.unpack(">d4sIIIII", description[:32])
    _check_shape(path, channels, rate)
    code = _code(bool(flags & 1), packet // channels)
    if kind != b"lpcm" or per_packet != 1 or code is None or (bits + 7) // 8 * channels != packet:
        return Samples(None)
    promised = size - 4 if size >= 4 else None  # four bytes of edit count come first
    return _bounded(path, start + 4, promised, file_bytes, channels, rate, code, not flags & 2)


def _code(floating: bool, width: int) -> Code | None:
    """Name of a sample of so many bytes; None when there is no such thing."""
    codes: dict[tuple[bool, int], Code] = {
        (False, 1): "i1", (False, 2): "i2", (False, 3): "i3", (False, 4): "i4", (True, 4): "f4", (True, 8): "f8"
    }  # fmt: skip
    return codes.get((floating, width))


def _bounded(
    path: Path,
    start: int,
    promised: int | None,
    file_bytes: int,
    channels: int,
    rate: float,
    code: Code,
    big_endian: bool,
) -> Samples:
    """What is there of what was promised, with a note when that is less or was never said."""
    size = channels * WIDTHS[code]
    there = max(file_bytes - start, 0)
    frames = (there if promised is None else min(promised, there)) // size
    if frames == 0:
        raise _empty(path)
    seconds = frames / rate
    notes: tuple[Remark, ...] = ()
    if promised is None:
        notes = (remark("length_never_written", seconds=seconds),)
    elif promised - there >= size:
        notes = (fault("file_cut_off", promised_seconds=promised // size / rate, seconds=seconds),)
    return Samples(Layout(start, frames, channels, rate, code, big_endian, promised), notes)


def _content(file: BinaryIO, chunk: Chunk) -> bytes:
    file.seek(chunk.start)
    return file.read(min(chunk.size, MOST_HEADER_BYTES))


def _check_shape(path: Path, channels: int, rate: float) -> None:
    if not (1 <= channels <= 1024 and 1 <= rate <= 1e9):
        raise GainkitError("header_damaged", channels=channels, sample_rate_hz=rate).within("file", path)


def _cut(path: Path, lacks: str) -> GainkitError:
    """What a file without its format or its samples is refused with. lacks : "format" or "samples"."""
    return GainkitError("file_damaged", lacks=lacks).within("file", path)


def _empty(path: Path) -> GainkitError:
    return GainkitError("recording_empty").within("file", path)
