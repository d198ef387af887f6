"""Plain samples straight from the file, no decoder between: one channel costs hardly more than reading."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from io import RawIOBase
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from gainkit.capture.model import MOST_READ_BYTES, gathered
from gainkit.errors import GainkitError

Floats = NDArray[np.float64]
Code = Literal["u1", "i1", "i2", "i3", "i4", "f4", "f8"]

WIDTHS: dict[Code, int] = {"u1": 1, "i1": 1, "i2": 2, "i3": 3, "i4": 4, "f4": 4, "f8": 8}
"""Bytes of one sample [byte]."""

LIMITS: dict[Code, float] = {"u1": 2.0**-7, "i1": 2.0**-7, "i2": 2.0**-15, "i3": 2.0**-23, "i4": 2.0**-31}
"""Quantiser step of the integer codes, full scale = 1.0 [-]."""


@dataclass(frozen=True)
class Layout:
    """How samples lie in a file: interleaved frames from byte ``offset`` on.

    code : kind and bytes of a sample, as numpy writes them ('i3' is a packed 24-bit integer).
    promised_bytes : what the header says the samples take [byte]; None when it leaves that open.
    """

    offset: int
    frames: int
    channels: int
    sample_rate_hz: float
    code: Code
    big_endian: bool
    promised_bytes: int | None

    @property
    def frame_bytes(self) -> int:
        """Bytes of one frame [byte]."""
        return self.channels * WIDTHS[self.code]


@dataclass(frozen=True)
class PcmFile:
    """Samples left in the file and unpacked when asked for."""

    path: Path
    layout: Layout

    def blocks(
        self, start: int, stop: int, block_frames: int, columns: tuple[int, ...], scale: float
    ) -> Iterator[tuple[Floats, ...]]:
        size = self.layout.frame_bytes
        most = min(block_frames, max(MOST_READ_BYTES // size, 1), max(stop - start, 1))
        store = bytearray(1 + most * size + 1)  # a byte more on either side: see _view
        window = memoryview(store)

        def pieces(file: RawIOBase) -> Iterator[tuple[Floats, ...]]:
            for first in range(start, stop, most):
                wanted = min(most, stop - first)
                got = _fill(file, window[1 : 1 + wanted * size]) // size
                table = _view(store, got, self.layout)
                yield tuple(_unpack(table[:, column], self.layout.code, scale) for column in columns)
                if got < wanted:
                    return

        try:
            with open(self.path, "rb", buffering=0) as file:
                file.seek(self.layout.offset + start * size)

                yield from gathered(pieces(file), block_frames)
        except OSError as fault:
            raise GainkitError("file_unreadable", file=str(self.path), reason=str(fault.strerror)) from fault

    def line(self, frame: int) -> int | None:
        return None


def _fill(file: RawIOBase, window: memoryview) -> int:
    """Read until the window is full or the file ends [byte]."""
    filled = 0
    while filled < len(window):
        got = file.readinto(window[filled:])
        if not got:
            break
        filled += got
    return filled


def _view(store: bytearray, frames: int, layout: Layout) -> NDArray[np.generic]:
    """Samples as (frames, channels) without copying; the first sample lies at byte 1 of the store.

    A packed 24-bit integer is seen as a 32-bit one that shares its lowest byte with a neighbour: with
    little ends the byte before it, with big ends the byte after it. _unpack shifts that byte out.
    """
    order = ">" if layout.big_endian else "<"
    width = WIDTHS[layout.code]
    packed = layout.code == "i3"
    kind = np.dtype(order + "i4" if packed else order + layout.code)
    first = 0 if packed and not layout.big_endian else 1
    return np.ndarray((frames, layout.channels), kind, store, first, (layout.frame_bytes, width))


def _unpack(samples: NDArray[np.generic], code: Code, scale: float) -> Floats:
    """Samples (frames,) as float64, digital full scale = scale."""
    numbers: NDArray[Any] = samples
    if code == "u1":
        return np.asarray(np.multiply(np.subtract(numbers, 128.0, dtype=np.float64), scale * LIMITS[code]))
    if code == "i3":
        numbers = np.right_shift(numbers, 8)
    with np.errstate(invalid="ignore", over="ignore"):  # a float file's NaN is told where it is met
        return np.asarray(np.multiply(numbers, scale * LIMITS.get(code, 1.0), dtype=np.float64))
