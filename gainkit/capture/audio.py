"""Audio files through libsndfile: WAV, FLAC, AIFF, CAF and whatever else it reads."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from gainkit.capture.model import Capture
from gainkit.errors import GainkitError

STEP_UNITS = {
    "PCM_S8": 2.0**-7,
    "PCM_U8": 2.0**-7,
    "PCM_16": 2.0**-15,
    "PCM_24": 2.0**-23,
    "PCM_32": 2.0**-31,
}
"""Quantiser step of integer formats, full scale = 1.0 [-]."""


@dataclass(frozen=True)
class AudioFile:
    """Samples left in the file and read when asked for."""

    path: Path

    def read(self, start: int, stop: int) -> NDArray[np.float64]:
        with soundfile.SoundFile(self.path) as audio:
            audio.seek(start)
            table: NDArray[np.float64] = audio.read(max(stop - start, 0), dtype="float64", always_2d=True)
        return table

    def blocks(self, start: int, stop: int, block_frames: int) -> Iterator[NDArray[np.float64]]:
        with soundfile.SoundFile(self.path) as audio:
            audio.seek(start)
            buffer = np.empty((block_frames, audio.channels))
            left = stop - start
            while left > 0:
                table = audio.read(out=buffer[: min(block_frames, left)], always_2d=True)
                if len(table) == 0:
                    return
                left -= len(table)
                yield table


def read_audio(path: Path, *, full_scale_volts: float | None = None) -> Capture:
    """Open an audio file as a capture; samples are read later, in blocks.

    full_scale_volts : peak volts that digital 1.0 stands for [V]; None leaves full-scale units.
    Raises GainkitError when libsndfile cannot read it or it holds no frames.
    """
    try:
        info = soundfile.info(str(path))
    except (soundfile.LibsndfileError, RuntimeError) as fault:
        raise GainkitError(
            f"{path}: not a readable audio file ({fault}).", "Export the recording again as WAV or FLAC."
        ) from fault
    if info.frames == 0:
        raise GainkitError(f"{path}: the recording is empty.", "Record at least three cycles of the tone.")
    step = STEP_UNITS.get(info.subtype)
    return Capture(
        file=str(path),
        sample_rate_hz=float(info.samplerate),
        frames=info.frames,
        channels=info.channels,
        source=AudioFile(path),
        volts_per_unit=1.0 if full_scale_volts is None else full_scale_volts,
        calibrated=full_scale_volts is not None,
        step_units=step,
        has_full_scale=True,
        hard_full_scale=step is not None,
    )
