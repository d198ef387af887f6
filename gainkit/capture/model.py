"""What a recording is to the rest of the house: volts, a rate, and what is known of the recorder."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from gainkit.errors import GainkitError

BLOCK_FRAMES = 1 << 16
"""Frames read at a time: long captures never need more memory than this [frames]."""


class SampleSource(Protocol):
    """Where samples come from, in the recorder's own units: an open audio file or an array."""

    def read(self, start: int, stop: int) -> NDArray[np.float64]:
        """Frames start..stop as (frames, channels), digital full scale = 1.0 (text: volts)."""
        ...

    def blocks(self, start: int, stop: int, block_frames: int) -> Iterator[NDArray[np.float64]]:
        """The same, block by block; a block may be overwritten when the next is asked for."""
        ...


@dataclass(frozen=True)
class ArraySource:
    """Samples held in memory, (frames, channels)."""

    samples: NDArray[np.float64]

    def read(self, start: int, stop: int) -> NDArray[np.float64]:
        return self.samples[start:stop]

    def blocks(self, start: int, stop: int, block_frames: int) -> Iterator[NDArray[np.float64]]:
        for first in range(start, stop, block_frames):
            yield self.samples[first : min(first + block_frames, stop)]


@dataclass(frozen=True)
class Capture:
    """A recording or an oscilloscope table, readable as a whole or block by block.

    file : name for messages and results.
    sample_rate_hz : [Hz]; from the time column for text.
    frames, channels : size [-].
    volts_per_unit : volts that a stored sample of 1.0 stands for [V]; 1.0 when not calibrated.
    calibrated : True when ``volts`` are volts; False when they are in full-scale units.
    step_units : quantiser step in stored units [-], None when unknown or floating point.
    has_full_scale : True for digital audio, where 1.0 is full scale; oscilloscope text has none.
    hard_full_scale : True when stored values cannot pass +-1.0 (integer audio files): a flat top there
        is the recorder's own overload.
    first_time_seconds : time of the first frame on the recorder's own axis [s] (oscilloscope: negative
        before the trigger).
    notes : what a person should know about how it was read.
    """

    file: str
    sample_rate_hz: float
    frames: int
    channels: int
    source: SampleSource = field(repr=False, compare=False)
    volts_per_unit: float = 1.0
    calibrated: bool = False
    step_units: float | None = None
    has_full_scale: bool = False
    hard_full_scale: bool = False
    first_time_seconds: float = 0.0
    notes: tuple[str, ...] = ()

    @classmethod
    def from_array(
        cls,
        samples: NDArray[np.float64],
        sample_rate_hz: float,
        *,
        file: str = "array",
        volts_per_unit: float = 1.0,
        calibrated: bool = True,
    ) -> Capture:
        """A capture of samples in memory, (frames,) or (frames, channels), in volts unless told otherwise."""
        table = np.asarray(samples, dtype=np.float64)
        table = table[:, np.newaxis] if table.ndim == 1 else table
        return cls(
            file=file,
            sample_rate_hz=float(sample_rate_hz),
            frames=table.shape[0],
            channels=table.shape[1],
            source=ArraySource(table),
            volts_per_unit=volts_per_unit,
            calibrated=calibrated,
        )

    @property
    def seconds(self) -> float:
        """Length [s]."""
        return self.frames / self.sample_rate_hz

    def volts(
        self, start: int = 0, stop: int | None = None, *, channel: int = 1, minus: int | None = None
    ) -> NDArray[np.float64]:
        """Frames start..stop of one channel (counted from 1), less another for bridged outputs, (frames,) [V].

        Raises GainkitError for a channel that is not there.
        """
        self._check_channels(channel, minus)
        stop = self.frames if stop is None else min(stop, self.frames)
        return self._pick(self.source.read(start, stop), channel, minus)

    def blocks(
        self,
        start: int = 0,
        stop: int | None = None,
        *,
        channel: int = 1,
        minus: int | None = None,
        block_frames: int = BLOCK_FRAMES,
    ) -> Iterator[NDArray[np.float64]]:
        """The same as ``volts``, as consecutive blocks of at most block_frames [V]."""
        self._check_channels(channel, minus)
        stop = self.frames if stop is None else min(stop, self.frames)
        for table in self.source.blocks(start, stop, block_frames):
            yield self._pick(table, channel, minus)

    def _pick(self, table: NDArray[np.float64], channel: int, minus: int | None) -> NDArray[np.float64]:
        if minus is None:
            return np.multiply(table[:, channel - 1], self.volts_per_unit)
        difference = table[:, channel - 1] - table[:, minus - 1]
        difference *= self.volts_per_unit
        return difference

    def _check_channels(self, channel: int, minus: int | None) -> None:
        for number in (channel, minus):
            if number is not None and not 1 <= number <= self.channels:
                raise GainkitError(
                    f"{self.file}: channel {number} is not there; it has {self.channels}.",
                    f"Choose a channel from 1 to {self.channels}.",
                )
        if minus is not None and minus == channel:
            raise GainkitError(
                f"{self.file}: channel {channel} less itself is silence.",
                "Give --minus the other terminal's channel.",
            )
