"""A recording that is whole at any moment: a WAV file whose header is set right while it grows."""

from __future__ import annotations

import os
import struct
from pathlib import Path
from types import TracebackType
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from gainkit.errors import GainkitError
from gainkit.files import refuse_existing

SAMPLE_BYTES = 3
"""Interfaces deliver 24 bits."""

HEADER_EVERY_SECONDS = 0.5
"""So much of a recording at most is missing from its header when the power or the program goes [s]."""

OPEN_LENGTH = 0xFFFFFFFF
"""Written for a length beyond 32 bits: readers take what is there."""


class Recording:
    """Writes blocks of (frames, channels) in full-scale units to a 24-bit WAV file under its final name.

    A recording cannot be made again: unlike other files it is no draft that a killed program leaves to be
    swept. Raises GainkitError when the file is there and may not be replaced, or its folder is not; OSError of
    the device.
    """

    def __init__(self, path: Path, sample_rate_hz: int, channels: int, *, overwrite: bool = False) -> None:
        refuse_existing(path, overwrite)
        self.sample_rate_hz, self.channels, self.frames = sample_rate_hz, channels, 0
        self._told = 0
        if not path.parent.is_dir():
            raise GainkitError("folder_missing", received=path.parent)
        self._file: BinaryIO = open(path, "wb" if overwrite else "xb", buffering=0)  # noqa: SIM115 - for the whole run
        self._write(self._header())

    def write(self, block: NDArray[np.float32]) -> None:
        """Append a block; what lies beyond full scale is held there."""
        steps = np.rint(block.astype(np.float64) * 2.0**23)
        whole = np.clip(np.nan_to_num(steps), -(2.0**23), 2.0**23 - 1).astype("<i4")
        self._write(np.ascontiguousarray(whole).view(np.uint8).reshape(-1, 4)[:, :SAMPLE_BYTES].tobytes())
        self.frames += len(block)
        if self.frames - self._told >= HEADER_EVERY_SECONDS * self.sample_rate_hz:
            self._tell_length()

    def _write(self, data: bytes) -> None:
        left = memoryview(data)
        while left:
            left = left[self._file.write(left) :]

    def _tell_length(self) -> None:
        end = self._file.tell()
        self._file.seek(0)
        self._write(self._header())
        self._file.seek(end)
        self._told = self.frames

    def _header(self) -> bytes:
        """RIFF/WAVE, plain PCM (Microsoft/IBM Multimedia Programming Interface 1.0)."""
        frame_bytes = self.channels * SAMPLE_BYTES
        size = self.frames * frame_bytes
        rate = self.sample_rate_hz
        form = struct.pack("<HHIIHH", 1, self.channels, rate, rate * frame_bytes, frame_bytes, 8 * SAMPLE_BYTES)
        outer, inner = (min(each, OPEN_LENGTH) for each in (36 + size + size % 2, size))
        return (
            struct.pack("<4sI4s4sI", b"RIFF", outer, b"WAVE", b"fmt ", 16)
            + form
            + struct.pack("<4sI", b"data", inner)
        )

    def close(self) -> None:
        """Set the header right for good and flush to the device."""
        if self._file.closed:
            return
        try:
            if self.frames * self.channels * SAMPLE_BYTES % 2:
                self._write(b"\0")  # chunks end at even bytes
            self._tell_length()
            os.fsync(self._file.fileno())
        finally:
            self._file.close()

    def __enter__(self) -> Recording:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
