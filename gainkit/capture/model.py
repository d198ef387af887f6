"""What a recording is to the rest of the house: volts, a rate, and what is known of the recorder."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from gainkit.calculator.ranges import Range, refuse_outside
from gainkit.errors import GainkitError
from gainkit.kinds import fitting
from gainkit.remarks import Remark, remark

Floats = NDArray[np.float64]

BLOCK_FRAMES = 1 << 16
"""Frames read at a time: long captures never need more memory than this [frames]."""

MOST_READ_BYTES = 1 << 23
"""Held of a file at a time, of all its channels together [byte] (our choice): a header can promise a
thousand."""

RATES = Range("Hz", 0, 1e12)
"""Of samples: from a record of a sample a day to the quickest oscilloscope."""

UNITS = Range("V", 0, 1e12)
"""What a stored sample of 1.0 may stand for."""

ABSURD_UNITS = 1e12
"""No recorder stores this; oscilloscopes write 9.9e37 (SCPI's infinity) for 'off the screen' [stored units]."""


class SampleSource(Protocol):
    """Where samples come from, in the recorder's own units: an open audio file or an array."""

    def blocks(
        self, start: int, stop: int, block_frames: int, columns: tuple[int, ...], scale: float
    ) -> Iterator[tuple[Floats, ...]]:
        """Frames start..stop, block by block: one new array (frames,) per column asked for, times scale.

        Stored units: digital full scale = 1.0, text = volts. Columns count from 0. May end early.
        """
        ...

    def line(self, frame: int) -> int | None:
        """The line of a text that a frame stands in, counted from 1; None where there are no lines."""
        ...


def gathered(pieces: Iterable[tuple[Floats, ...]], block_frames: int) -> Iterator[tuple[Floats, ...]]:
    """The same frames in blocks of one size, the last one shorter.

    pieces : consecutive frames, one array a column, as they come: smaller where a file has many channels.
    """
    parts: list[tuple[Floats, ...]] = []
    wanted = block_frames
    for piece in pieces:
        rest = piece
        while len(rest[0]) >= wanted:
            yield _joined([*parts, tuple(column[:wanted] for column in rest)])
            rest = tuple(column[wanted:] for column in rest)
            parts, wanted = [], block_frames
        if len(rest[0]):
            parts.append(rest)
            wanted -= len(rest[0])
    if parts:
        yield _joined(parts)


def _joined(parts: list[tuple[Floats, ...]]) -> tuple[Floats, ...]:
    """Pieces end to end, column by column."""
    return parts[0] if len(parts) == 1 else tuple(np.concatenate(each) for each in zip(*parts, strict=True))


@dataclass(frozen=True)
class ArraySource:
    """Samples held in memory, (frames, channels). blank : True where a text's cell holds nothing; None
    elsewhere."""

    samples: Floats
    blank: NDArray[np.bool_] | None = None

    def blocks(
        self, start: int, stop: int, block_frames: int, columns: tuple[int, ...], scale: float
    ) -> Iterator[tuple[Floats, ...]]:
        for first in range(start, stop, block_frames):
            part = self.samples[first : min(first + block_frames, stop)]
            yield tuple(np.multiply(part[:, column], scale) for column in columns)

    def line(self, frame: int) -> int | None:
        return None


SAME_FRAMES = 4096
"""So many frames of the middle tell one recording from another: noise is not twice the same [-]."""


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
    may_hold_gaps : True when stored values can be no number at all (floating point, text).
    channel_names : as the file names them, empty where it does not.
    calibrated_channel : the channel that a calibration file was made on, None without one.
    volts_uncertainty_share : standard uncertainty of volts_per_unit over itself, None where nobody told it [-].
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
    notes: tuple[Remark, ...] = ()
    may_hold_gaps: bool = True
    channel_names: tuple[str, ...] = ()
    calibrated_channel: int | None = None
    volts_uncertainty_share: float | None = None

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
        """A capture of samples in memory, (frames,) or (frames, channels), in volts unless told otherwise.

        volts_per_unit : what a sample of 1.0 stands for [V]. Raises GainkitError (`wrong_kind`,
        `outside_range`) for what are no samples of that shape, and figures that cannot be.
        """
        refuse_outside("sample_rate_hz", sample_rate_hz, RATES, needed=True)
        refuse_outside("volts_per_unit", volts_per_unit, UNITS, needed=True)
        table = np.asarray(fitting("samples", samples, Floats), dtype=np.float64)
        table = table[:, np.newaxis] if table.ndim == 1 else table
        if table.ndim != 2:
            raise GainkitError("wrong_kind", "samples", samples, "an array of frames, or of frames by channels")
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
    ) -> Floats:
        """Frames start..stop of one channel (counted from 1), less another for bridged outputs, (frames,) [V].

        Raises GainkitError for a channel that is not there and for samples that are no numbers.
        """
        stop = self.frames if stop is None else min(stop, self.frames)
        whole = np.empty(max(stop - start, 0))
        filled = 0
        for block in self.blocks(start, stop, channel=channel, minus=minus):
            whole[filled : filled + len(block)] = block
            filled += len(block)
        return whole[:filled]

    def same_samples(self, other: Capture, *, channel: int = 1) -> bool:
        """Whether another capture holds the same recording in a channel: as long, and alike in its middle."""
        if self is other:
            return True
        if (self.frames, self.sample_rate_hz) != (other.frames, other.sample_rate_hz):
            return False
        start = max((self.frames - SAME_FRAMES) // 2, 0)
        stop = min(start + SAME_FRAMES, self.frames)
        ours, theirs = (
            next(each.source.blocks(start, stop, SAME_FRAMES, (channel - 1,), 1.0)) for each in (self, other)
        )
        return bool(np.array_equal(ours[0], theirs[0]))

    def longest_whole(self, start: int, stop: int, *, channel: int, minus: int | None) -> tuple[int, int]:
        """Within frames start..stop, the longest part without a blank cell in the channels asked for."""
        blank = getattr(self.source, "blank", None)
        if blank is None:
            return start, stop
        self._check_channels(channel, minus)
        columns = [number - 1 for number in (channel, minus) if number is not None]
        gone = np.flatnonzero(blank[start:stop, columns].any(axis=1))
        edges = np.concatenate([[-1], gone, [stop - start]])
        best = int(np.argmax(np.diff(edges)))
        return start + int(edges[best]) + 1, start + int(edges[best + 1])

    def blocks(
        self,
        start: int = 0,
        stop: int | None = None,
        *,
        channel: int = 1,
        minus: int | None = None,
        block_frames: int = BLOCK_FRAMES,
    ) -> Iterator[Floats]:
        """The same as ``volts``, as consecutive blocks of at most block_frames, each a new array [V]."""
        self._check_channels(channel, minus)
        stop = self.frames if stop is None else min(stop, self.frames)
        columns = (channel - 1,) if minus is None else (channel - 1, minus - 1)
        at = start
        for block, *less in self.source.blocks(start, stop, block_frames, columns, self.volts_per_unit):
            if less:
                with np.errstate(invalid="ignore", over="ignore"):
                    block -= less[0]
            if self.may_hold_gaps:
                self._refuse_gaps(block, at, channel)
            at += len(block)
            yield block

    def channel_notes(self, channel: int, minus: int | None = None) -> tuple[Remark, ...]:
        """What to know when this channel is measured with a calibration that was made on another one."""
        others = [n for n in (channel, minus) if n is not None and n != self.calibrated_channel]
        if self.calibrated_channel is None or not others:
            return ()
        return (
            remark("calibrated_on_other_channel", calibrated_channel=self.calibrated_channel, channels=others),
        )

    def _refuse_gaps(self, block: Floats, first_frame: int, channel: int) -> None:
        """Raise GainkitError when a block (frames,) holds what is no number; the power tells in one pass."""
        limit = ABSURD_UNITS * self.volts_per_unit
        with np.errstate(over="ignore", invalid="ignore"):
            if float(np.dot(block, block)) < limit**2:
                return
            wrong = np.flatnonzero(~(np.abs(block) < limit))
        if not len(wrong):
            return
        frame = first_frame + int(wrong[0])
        raise GainkitError(
            "no_usable_number",
            seconds=self.first_time_seconds + frame / self.sample_rate_hz,
            channel=channel, frame=frame, line=self.source.line(frame),
        ).within("file", self.file)  # fmt: skip

    def _check_channels(self, channel: int, minus: int | None) -> None:
        for parameter, number in (("channel", channel), ("minus", minus)):
            there = Range("", 1, self.channels, low_allowed=True, whole=True)
            if not there.holds(number) and (number is not None or parameter == "channel"):
                raise GainkitError(
                    "no_such_channel", parameter, number, there,
                    channels=self.channels, names=", ".join(filter(None, self.channel_names)),
                ).within("file", self.file)  # fmt: skip
        if minus is not None and minus == channel:
            raise GainkitError("channel_less_itself", "minus", minus).within("file", self.file)
