"""One pass over a capture: its level in steps, its mean, its spectrum and a stretch for the lines.

Memory does not grow with the capture: spectra are summed as they come, a few are kept, and one stretch of
samples.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis import overload
from gainkit.capture.model import BLOCK_FRAMES, Capture
from gainkit.errors import GainkitError

Floats = NDArray[np.float64]

LEAST_SECONDS = 1.0
"""Half of it is one segment; bins of 2 Hz are the coarsest in which 50 and 60 Hz families stand apart [s]."""

SEGMENT_SECONDS = 2.0
"""Segments are the largest power of two of frames below this: bins of 0.5 to 1 Hz [s]."""

MOST_SEGMENTS = 96
"""More segments tell no more (the average scatters by 10 % a bin); they are spread over the capture [-]."""

MOST_KEPT = 32
"""Spectra kept one by one, to tell steady noise from programme: 8 MB at 48 kHz [-]."""

STRETCH_FRAMES = 1 << 19
"""Frames of the stretch on which lines are fitted: 11 s at 48 kHz, 4 MB [frames]."""

ROW_SECONDS = 0.085
"""About the time of one step of the level [s]; a power of two of frames."""

CLICK_RATIO = 4.0
"""A segment of so many times the usual power holds a click or a thump [-]."""

CLICK_SHARE = 0.25
"""... unless more than this part of the segments do: then the noise itself is not steady [-]."""

LEAST_TO_COMPARE = 4
"""Fewer segments show no exception [-]."""

EVERY_ROW = 2
"""Every second step is enough to tell steady noise from programme and from a mute [-]."""


def _too_short(capture: Capture, seconds: float) -> GainkitError:
    """The fault of a capture that holds so little noise."""
    return GainkitError("noise_too_short", seconds=seconds, least_seconds=LEAST_SECONDS).within(
        "file", capture.file
    )


@dataclass(frozen=True)
class Survey:
    """power : mean of the segments' one-sided spectra (bins,) [V^2 per bin]. kept : some of them in time order,
    (segments, bins). looks : independent segments that the mean is worth [-]. stretch : (frames,) samples from
    the capture's middle [V]. row_powers : power of the differences between neighbouring samples in each row of
    about 0.1 s, where rumble counts for little [any scale]. still_seconds : rows in which nothing moved [s].
    left_out_seconds : segments that a click or thump fills, left out of the spectra and the stretch [s].
    overloaded : samples stand at the recorder's full scale.
    """

    power: Floats = field(repr=False)
    kept: Floats = field(repr=False)
    step_hz: float
    looks: float
    stretch: Floats = field(repr=False)
    dc_volts: float
    peak_volts: float
    row_powers: Floats = field(repr=False)
    still_seconds: float
    left_out_seconds: float
    overloaded: bool
    seconds: float
    sample_rate_hz: float


def survey_of(capture: Capture, channel: int, minus: int | None) -> Survey:
    """Read a capture once. Raises GainkitError when it holds less than a second."""
    rate = capture.sample_rate_hz
    if capture.seconds < LEAST_SECONDS:
        raise _too_short(capture, capture.seconds)
    size = 1 << int(np.log2(min(SEGMENT_SECONDS * rate, capture.frames / 2)))
    first = _gone_over(capture, size, frozenset(), channel, minus)
    clicks = first.outliers()
    if not clicks:
        return first.done()
    return _gone_over(capture, size, clicks, channel, minus).done()


def _gone_over(capture: Capture, size: int, without: frozenset[int], channel: int, minus: int | None) -> _Pass:
    """The whole capture read, segments of these numbers left out of the spectra and the stretch."""
    pass_over = _Pass(capture, size, without)
    for block in capture.blocks(channel=channel, minus=minus, block_frames=BLOCK_FRAMES):
        pass_over.take(pass_over.frames, block)
        pass_over.frames += len(block)
    return pass_over


class _Pass:
    """What is gathered while the blocks go by."""

    def __init__(self, capture: Capture, size: int, without: frozenset[int]) -> None:
        self.capture, self.size, self.without = capture, size, without
        self.frames = 0
        room = capture.frames - size
        self.count = min(MOST_SEGMENTS, 1 + int(np.ceil(room / (size // 2))))
        self.starts = [int(start) for start in np.linspace(0, room, self.count)]
        kept = min(MOST_KEPT, self.count)
        self.keep = {round(place) for place in np.linspace(0, self.count - 1, kept)}
        self.window = np.hanning(size + 2)[1:-1] ** 2  # falls by 30 dB an octave beside a strong line
        self.scale = 2.0 / (size * float(self.window @ self.window))
        self.audible = int(20 * size / capture.sample_rate_hz)
        self.open: dict[int, Floats] = {}
        self.finished = 0
        self.powers: list[float] = []
        self.total = np.zeros(size // 2 + 1)
        self.kept: list[Floats] = []
        clean = self._longest_clean()
        length = min(STRETCH_FRAMES, clean[1] - clean[0])
        self.first = (clean[0] + clean[1] - length) // 2
        self.stretch = np.empty(length)
        self.row = 1 << max(int(np.log2(ROW_SECONDS * capture.sample_rate_hz)), 3)
        self.rows: list[Floats] = []
        self.still_rows = 0
        self.sum, self.highest, self.over = 0.0, 0.0, 0
        self.top = capture.volts_per_unit * (1 - 1.5 * (capture.step_units or 2.0**-23))

    def take(self, at: int, block: Floats) -> None:
        """The samples that start at frame ``at``."""
        self._levels(block)
        low, high = max(at, self.first), min(at + len(block), self.first + len(self.stretch))
        if low < high:
            self.stretch[low - self.first : high - self.first] = block[low - at : high - at]
        while len(self.open) + self.finished < self.count:
            start = self.starts[len(self.open) + self.finished]
            if start >= at + len(block):
                break
            self.open[start] = np.empty(self.size)
        for start in list(self.open):
            low, high = max(at, start), min(at + len(block), start + self.size)
            self.open[start][low - start : high - start] = block[low - at : high - at]
            if high == start + self.size:
                self._transform(self.open.pop(start))

    def _levels(self, block: Floats) -> None:
        self.sum += float(block.sum())
        highest = max(float(block.max()), -float(block.min()))
        self.highest = max(self.highest, highest)
        if self.capture.has_full_scale and highest >= self.top:
            longest = max(
                overload.longest_stretch(block >= self.top), overload.longest_stretch(block <= -self.top)
            )
            self.over = max(self.over, longest)
        whole = len(block) // self.row * self.row
        if whole:
            table = block[:whole].reshape(-1, self.row)
            steps = table[::EVERY_ROW, 1:] - table[::EVERY_ROW, :-1]
            squares = np.einsum("ij,ij->i", steps, steps)
            self.still_rows += int(np.count_nonzero(squares == 0))
            self.rows.append(squares)

    def _transform(self, part: Floats) -> None:
        part -= part.mean()
        part *= self.window
        spectrum = np.fft.rfft(part)
        power = spectrum.real**2
        power += spectrum.imag**2
        power *= self.scale
        if self.finished not in self.without:
            self.total += power
            if self.finished in self.keep:
                self.kept.append(power)
        self.powers.append(float(power[self.audible :].sum()))
        self.finished += 1

    def outliers(self) -> frozenset[int]:
        """Numbers of the segments that a click or a thump fills; none when they are not the exception."""
        powers = np.array(self.powers)
        if len(powers) < LEAST_TO_COMPARE:
            return frozenset()
        loud = np.flatnonzero(powers > CLICK_RATIO * np.median(powers))
        return frozenset(loud.tolist()) if len(loud) <= CLICK_SHARE * len(powers) else frozenset()

    def _left_out(self) -> int:
        """Frames within segments that are left out."""
        covered = np.zeros(self.capture.frames // self.row + 1, dtype=np.bool_)
        for number in self.without:
            start = self.starts[number]
            covered[start // self.row : (start + self.size) // self.row] = True
        return int(covered.sum()) * self.row

    def _longest_clean(self) -> tuple[int, int]:
        """First and last frame of the longest part without segments that are left out."""
        spans, at = [], 0
        for number in sorted(self.without):
            spans.append((at, self.starts[number]))
            at = self.starts[number] + self.size
        spans.append((at, self.capture.frames))
        return max(spans, key=lambda span: span[1] - span[0])

    def done(self) -> Survey:
        """The survey, after all blocks."""
        rate, frames = self.capture.sample_rate_hz, self.frames
        used = self.finished - len(self.without)
        if not self.finished:
            raise _too_short(self.capture, frames / rate)
        hop = (self.starts[-1] - self.starts[0]) / max(self.count - 1, 1)
        beyond = not self.capture.hard_full_scale and self.highest > self.capture.volts_per_unit * (1 + 1e-6)
        return Survey(
            power=self.total / used,
            kept=np.array(self.kept),
            step_hz=rate / self.size,
            looks=used / (1.015 if hop < 0.9 * self.size else 1.0),  # half overlap (Welch 1967)
            stretch=self.stretch[: max(frames - self.first, 0)],
            dc_volts=self.sum / frames,
            peak_volts=self.highest,
            row_powers=np.concatenate(self.rows) if self.rows else np.empty(0),
            still_seconds=self.still_rows * EVERY_ROW * self.row / rate,
            left_out_seconds=self._left_out() / rate,
            overloaded=self.over >= overload.LEAST_RUN and not beyond,
            seconds=frames / rate,
            sample_rate_hz=rate,
        )
