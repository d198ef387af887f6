"""WAV and FLAC files made block by block: bytes, their hash, their size beforehand."""

from __future__ import annotations

import errno
import hashlib
import os
import struct
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gainkit.errors import GainkitError
from gainkit.generator.encode import encoded_blocks
from gainkit.generator.model import Waveform
from gainkit.toneset.model import AudioFormat

LARGEST_WAV_BYTES = 2**32 - 1
"""The largest file that a FAT file system holds; the size fields of a RIFF header end eight bytes beyond."""

WRITE_BYTES = 1 << 18
"""Bytes given to the device at a time, always from a page's beginning: pages that are written in two halves
cost the system nearly twice the time."""

FramesMade = Callable[[int], None]
"""Told the number of frames made since it was last told."""


def data_bytes(frames: int, audio: AudioFormat) -> int:
    """Bytes of the samples in a WAV file."""
    return frames * 2 * audio.samples.bytes


def file_bytes(frames: int, audio: AudioFormat) -> int:
    """Size of the finished WAV file [bytes]; for FLAC an upper bound: what does not shrink is kept as it is,
    with a header to each block."""
    size = len(wav_header(frames, audio, check=False)) + data_bytes(frames, audio)
    return size if audio.format == "wav" else size + size // 100 + (1 << 14)


def wav_header(frames: int, audio: AudioFormat, *, check: bool = True) -> bytes:
    """RIFF/WAVE header before the samples: integer PCM (format 1) or float (format 3, with its fact chunk).

    Raises GainkitError when the file would pass 4 GiB.
    """
    size, bits, rate = data_bytes(frames, audio), audio.bits, audio.rate
    frame_bytes = 2 * audio.samples.bytes
    code = 3 if audio.samples.is_float else 1
    form = struct.pack("<HHIIHH", code, 2, rate, rate * frame_bytes, frame_bytes, bits)
    chunks = struct.pack("<4sI", b"fmt ", len(form)) + form
    if audio.samples.is_float:
        chunks = struct.pack("<4sI", b"fmt ", len(form) + 2) + form + b"\0\0"
        chunks += struct.pack("<4sII", b"fact", 4, frames)
    whole = 4 + len(chunks) + 8 + size
    if whole + 8 > LARGEST_WAV_BYTES:
        if check:
            raise GainkitError(
                "wav_too_long", seconds=frames / rate, rate_hz=rate, bits=bits, gibibytes=whole / 2**30
            )
        size, whole = 0, 0
    return struct.pack("<4sI4s", b"RIFF", whole, b"WAVE") + chunks + struct.pack("<4sI", b"data", size)


def packed(block: NDArray[Any], bits: int) -> Any:
    """A block of samples as the bytes of a WAV file (little-endian), as something that writes and hashes."""
    if bits == 24:
        words = np.ascontiguousarray(block, dtype="<i4").view(np.uint8).reshape(-1, 4)
        return np.ascontiguousarray(words[:, :3]).data.cast("B")
    stored = np.ascontiguousarray(block, dtype="<f4" if bits == 32 else "<i2")
    return stored.data.cast("B") if stored.size else b""


def wav_pieces(waveform: Waveform, audio: AudioFormat, *, dither: bool, seed: int) -> Iterator[memoryview]:
    """The bytes of a whole WAV file in pieces of WRITE_BYTES, the last one shorter.

    A piece holds until the next one is asked for: they are made in the same place.
    """
    piece = memoryview(bytearray(WRITE_BYTES))
    filled = 0
    for source in _wav_parts(waveform, audio, dither=dither, seed=seed):
        left = memoryview(source)
        while left:
            taken = left[: WRITE_BYTES - filled]
            piece[filled : filled + len(taken)] = taken
            filled += len(taken)
            left = left[len(taken) :]
            if filled == WRITE_BYTES:
                yield piece
                filled = 0
    if filled:
        yield piece[:filled]


def _wav_parts(waveform: Waveform, audio: AudioFormat, *, dither: bool, seed: int) -> Iterator[Any]:
    """The bytes of a whole WAV file as they come about: its header, then block after block."""
    yield wav_header(waveform.frames, audio)
    for block in encoded_blocks(waveform, audio.samples, dither=dither, seed=seed):
        yield packed(block, audio.bits)


def wav_sha256(waveform: Waveform, audio: AudioFormat, *, dither: bool, seed: int) -> str:
    """Hash of the WAV file that `write_wav` would make, without making it."""
    digest = hashlib.sha256()
    for piece in wav_pieces(waveform, audio, dither=dither, seed=seed):
        digest.update(piece)
    return digest.hexdigest()


def write_wav(
    path: Path, waveform: Waveform, audio: AudioFormat, *, dither: bool, seed: int, made: FramesMade
) -> str:
    """Write a WAV file and return its SHA-256. Raises GainkitError over 4 GiB, OSError from the device."""
    digest, frame_bytes = hashlib.sha256(), 2 * audio.samples.bytes
    written, told = -len(wav_header(0, audio)), 0  # the header is no frames
    with open(path, "wb", buffering=0) as file:
        for piece in wav_pieces(waveform, audio, dither=dither, seed=seed):
            digest.update(piece)
            _write_all(file, piece)
            written += len(piece)
            made(written // frame_bytes - told)
            told = written // frame_bytes
    return digest.hexdigest()


def _write_all(file: Any, piece: Any) -> None:
    """Write a piece wholly; a raw file may take a part of it, as on a device that fills up."""
    view = memoryview(piece)
    while view:
        view = view[file.write(view) :]


def write_flac(
    path: Path, waveform: Waveform, audio: AudioFormat, *, dither: bool, seed: int, made: FramesMade
) -> str:
    """Write a FLAC file and return its SHA-256. Raises OSError from the device."""
    import soundfile

    try:
        _encode_flac(path, waveform, audio, dither=dither, seed=seed, made=made)
    except soundfile.LibsndfileError as fault:
        with open(path, "ab", buffering=0) as probe:  # libsndfile does not tell why: ask the device itself
            _write_all(probe, bytes(1 << 16))
            os.fsync(probe.fileno())
        raise OSError(errno.EIO, fault.error_string) from fault
    return file_sha256(path)


def flac_bytes(waveform: Waveform, audio: AudioFormat, *, dither: bool, seed: int) -> int:
    """Exact size of the FLAC file that `write_flac` would make [bytes], found by making it nowhere."""
    scale = _Scale()
    _encode_flac(scale, waveform, audio, dither=dither, seed=seed, made=lambda frames: None)
    return scale.size


class _Scale:
    """A file that keeps nothing but its size."""

    def __init__(self) -> None:
        self.at = self.size = 0

    def write(self, content: bytes) -> int:
        self.at += len(content)
        self.size = max(self.size, self.at)
        return len(content)

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        self.at = offset + {os.SEEK_SET: 0, os.SEEK_CUR: self.at, os.SEEK_END: self.size}[whence]
        return self.at

    def tell(self) -> int:
        return self.at

    def read(self, size: int = -1) -> bytes:
        return b""


def _encode_flac(
    into: Any, waveform: Waveform, audio: AudioFormat, *, dither: bool, seed: int, made: FramesMade
) -> None:
    import soundfile

    bits = audio.bits
    with soundfile.SoundFile(
        into,
        "w",
        audio.rate,
        2,
        f"PCM_{bits}",
        format="FLAC",
        compression_level=FLAC_COMPRESSION,
    ) as file:
        for block in encoded_blocks(waveform, audio.samples, dither=dither, seed=seed):
            file.write(block if bits == 16 else block << 8)
            made(len(block))


def frames_in(path: Path, audio: AudioFormat) -> int:
    """Frames that a file just written holds, read back: a WAV's by its size, a FLAC's by its header."""
    if audio.format == "wav":
        frame_bytes = 2 * audio.samples.bytes
        return (path.stat().st_size - len(wav_header(0, audio))) // frame_bytes
    import soundfile

    try:
        return int(soundfile.info(path).frames)
    except soundfile.LibsndfileError:
        return -1


FLAC_COMPRESSION = 0.0
"""libsndfile's 0 to 1: dither does not shrink, so more effort gains a few per cent at most."""


def file_sha256(path: Path) -> str:
    """SHA-256 of a file, read in pieces."""
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
