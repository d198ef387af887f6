"""Voice memos and other compressed sound, decoded in memory with a limit.

The container is told from the first bytes and named to the decoder: playlists and other formats that point to
files or addresses are never tried. Codecs change a wave, so what is decoded serves sign and level of sounds,
not small distortion.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gainkit.errors import GainkitError

MOST_CHANNELS = 8
"""Phones record one or two; more than this is no recording of ours (our choice) [-]."""


@dataclass(frozen=True)
class DecodingLimits:
    """What a file may make the decoder do. bytes : of the file. seconds : of the sound decoded; our choice: an
    hour of voice memo takes 30 MB, and ten seconds answer most questions. samples : of all channels together,
    for these are what memory holds."""

    bytes: int = 64_000_000
    seconds: float = 900.0
    samples: int = 64_000_000


def container_of(data: bytes) -> str | None:
    """The decoder's name of a container that recorders write, by its first bytes; None for anything else."""
    starts = {
        b"OggS": "ogg",
        b"\x1aE\xdf\xa3": "matroska",
        b"#!AMR": "amr",
        b"ID3": "mp3",
        b"fLaC": "flac",
        b"\x30\x26\xb2\x75": "asf",
    }
    if data[4:8] == b"ftyp":
        return "mov"
    if data[:4] == b"RIFF" and data[8:12] == b"WAVE":
        return "wav"
    for start, name in starts.items():
        if data.startswith(start):
            return name
    if len(data) > 1 and data[0] == 0xFF:
        if data[1] & 0xF6 == 0xF0:
            return "aac"
        if data[1] & 0xE0 == 0xE0:
            return "mp3"
    return None


def decode_audio(
    data: bytes, name: str, limits: DecodingLimits | None = None
) -> tuple[NDArray[np.float64], float]:
    """Samples of a compressed recording held in memory.

    Parameters
    ----------
    data : the file's content. name : for messages only; nothing is opened by it. limits : of size and length.

    Returns
    -------
    samples, rate : (frames, channels) in full-scale units, and the sample rate [Hz].

    Raises
    ------
    GainkitError
        `needs_extra` without PyAV, `upload_too_large`, `codec_too_long`, `codec_not_read` for what is no sound.
    """
    limits = limits or DecodingLimits()
    if len(data) > limits.bytes:
        raise GainkitError("upload_too_large", "capture", most_mb=limits.bytes / 1e6)
    container = container_of(data)
    if container is None:
        raise GainkitError("codec_not_read", "capture", name, told="no container that recorders write")
    try:
        import av
    except ImportError as fault:
        raise GainkitError("needs_extra", extra="codecs") from fault
    try:
        with av.open(io.BytesIO(data), format=container, options=_OPTIONS.get(container, {})) as file:
            stream = next(iter(file.streams.audio), None)
            if stream is None:
                raise GainkitError("codec_not_read", "capture", name, told="no sound in it")
            return _decoded(file, stream, limits)
    except (av.FFmpegError, ValueError, EOFError) as fault:
        if isinstance(fault, GainkitError):
            raise
        told = getattr(fault, "strerror", None) or str(fault)
        raise GainkitError("codec_not_read", "capture", name, told=told) from fault


_OPTIONS = {"mov": {"enable_drefs": "0", "use_absolute_path": "0"}}
"""A track of such a file can point to another file: not followed."""


def _decoded(file: Any, stream: Any, limits: DecodingLimits) -> tuple[NDArray[np.float64], float]:
    """All frames of one stream, (frames, channels) and rate."""
    from av.audio.resampler import AudioResampler

    rate = int(stream.rate or 0)
    channels = int(stream.codec_context.channels or 0)
    if rate <= 0 or not 1 <= channels <= MOST_CHANNELS:
        raise GainkitError("codec_not_read", "capture", "it", told="no rate or too many channels")
    planar = AudioResampler(format="dblp", layout=stream.layout.name, rate=rate)
    parts: list[NDArray[np.float64]] = []
    most_seconds = min(limits.seconds, limits.samples / (rate * channels))
    frames = 0
    for frame in file.decode(stream):
        for piece in planar.resample(frame):
            table = np.asarray(piece.to_ndarray(), dtype=np.float64)
            parts.append(table)
            frames += table.shape[1]
        if frames > most_seconds * rate:
            raise GainkitError("codec_too_long", "capture", most_seconds=most_seconds)
    if not frames:
        raise GainkitError("codec_not_read", "capture", "it", told="no frame in it")
    return np.ascontiguousarray(np.concatenate(parts, axis=1).T), float(rate)
