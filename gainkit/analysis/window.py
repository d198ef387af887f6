"""Which part of a capture is looked at, brought down to the audio band."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis.decimate import decimate, decimation_factor
from gainkit.analysis.harmonic import coarse_frequency
from gainkit.analysis.model import MeasureOptions
from gainkit.analysis.quantised import MOST_FRAMES, is_pure_quantiser, quantiser_step
from gainkit.analysis.steady import coarse_window
from gainkit.capture.model import Capture
from gainkit.errors import GainkitError
from gainkit.remarks import Remark, remark

Floats = NDArray[np.float64]

WINDOW_FRAMES = 1 << 18
"""Frames in the audio band that are fitted at once: 5 s at 48 kHz; a longer capture is scanned whole and fitted
on its steadiest part."""

MOST_RAW_FRAMES = 1 << 24
"""... and before decimation at most so many: 128 MB."""

LEAST_WHOLE_SHARE = 0.1
"""The longest part of a text without blank cells is measured if it is this share of all [-]."""

LEAST_THIN_RATIO = 2.2
"""Frames may be left out without a filter while their rate stays above this many times the band's edge [-]."""


@dataclass(frozen=True)
class Window:
    """The part of a capture that is looked at: raw frames and, where faster than needed, the audio band.

    raw, audio : (frames,) [V]. rough_hz : where the strongest line lies, None when silent. above_band_volts :
    rms of what the audio band leaves out. step_volts : of a coarse quantiser, if there is one. pure_steps :
    nothing else disturbs the tone. start_seconds : of audio, from the recording's first frame [s]. stretches :
    what stands still in a capture that is too long to hold, (start, stop) [s]; empty in others. span : raw
    frames (start, stop) of the recording that it was chosen from.
    """

    raw: Floats
    audio: Floats
    audio_rate_hz: float
    rough_hz: float | None
    above_band_volts: float = 0.0
    step_volts: float | None = None
    pure_steps: bool = False
    notes: tuple[Remark, ...] = ()
    start_seconds: float = 0.0
    stretches: tuple[tuple[float, float], ...] = ()
    span: tuple[int, int] = (0, 0)

    def raw_of(self, start: int, stop: int) -> Floats:
        """The raw frames (frames,) [V] that frames start..stop of audio were made from."""
        ratio = max(round(len(self.raw) / len(self.audio)), 1)
        before = 0 if self.pure_steps else (len(self.raw) - len(self.audio) * ratio) // 2
        return self.raw[before + start * ratio : before + stop * ratio]


def choose_window(capture: Capture, options: MeasureOptions) -> Window:
    """Load the part that is asked for, or the steadiest stretch of it if it is too long to hold.

    Raises GainkitError for a part that is not in the recording, and as `Capture.volts` does.
    """
    span, notes = _span(capture, options)
    start, stop, notes, stretches = _steadiest(capture, options, span, notes)
    raw = capture.volts(start, stop, channel=options.channel, minus=options.minus)
    # the difference of two channels has no step of its own
    step = quantiser_step(raw) if options.minus is None else None
    if step is not None:
        thinned = _thinned(raw, capture.sample_rate_hz, step, options, notes)
        if thinned is not None:
            begin = start / capture.sample_rate_hz
            return replace(thinned, start_seconds=begin, stretches=stretches, span=span)
    window = _in_band(raw, capture.sample_rate_hz, step, options, notes)
    trimmed_seconds = (len(raw) / capture.sample_rate_hz - len(window.audio) / window.audio_rate_hz) / 2
    begin = start / capture.sample_rate_hz + trimmed_seconds
    return replace(window, start_seconds=begin, stretches=stretches, span=span)


def part_in_band(
    capture: Capture, options: MeasureOptions, start_seconds: float, stop_seconds: float
) -> tuple[Floats, float]:
    """A part of the recording in the audio band: samples (frames,) [V] and their rate [Hz]."""
    rate = capture.sample_rate_hz
    start, stop = max(round(start_seconds * rate), 0), min(round(stop_seconds * rate), capture.frames)
    raw = capture.volts(start, stop, channel=options.channel, minus=options.minus)
    audio, audio_rate_hz, _ = decimate(raw, rate, options.band_hz[1])
    return audio, audio_rate_hz


def _span(capture: Capture, options: MeasureOptions) -> tuple[tuple[int, int], tuple[Remark, ...]]:
    """First and last frame of what is asked for and can be read, and what is to be said about that."""
    rate = capture.sample_rate_hz
    start = 0 if options.start_seconds is None else round(options.start_seconds * rate)
    stop = capture.frames if options.stop_seconds is None else round(options.stop_seconds * rate)
    if not 0 <= start < min(stop, capture.frames):
        fault = GainkitError(
            "part_not_recorded",
            start_seconds=start / rate,
            stop_seconds=stop / rate,
            seconds=capture.seconds,
        )
        raise fault.within("file", capture.file)
    stop = min(stop, capture.frames)
    asked = start, stop
    start, stop = capture.longest_whole(start, stop, channel=options.channel, minus=options.minus)
    if stop - start < LEAST_WHOLE_SHARE * (asked[1] - asked[0]):
        start, stop = asked  # hardly anything is there: the capture itself says what is missing
    gaps: tuple[Remark, ...] = ()
    if (start, stop) != asked:
        gaps = (
            remark(
                "gap_left_out", from_seconds=start / rate, to_seconds=stop / rate, frames=asked[1] - asked[0]
            ),
        )
    return (start, stop), gaps


def _steadiest(
    capture: Capture, options: MeasureOptions, span: tuple[int, int], notes: tuple[Remark, ...]
) -> tuple[int, int, tuple[Remark, ...], tuple[tuple[float, float], ...]]:
    """First and last frame to look at, what is to be said about the choice, and what stands still [s]."""
    rate, (start, stop) = capture.sample_rate_hz, span
    most = min(WINDOW_FRAMES * decimation_factor(rate, options.band_hz[1]), MOST_RAW_FRAMES)
    if stop - start <= most:
        return start, stop, notes, ()
    steadiest = coarse_window(capture, start, stop, most, channel=options.channel, minus=options.minus)
    followed = remark(
        "level_followed",
        seconds=(stop - start) / rate,
        steady=steadiest.steady,
        from_seconds=steadiest.start / rate,
        to_seconds=steadiest.stop / rate,
    )
    stretches = tuple((first / rate, last / rate) for first, last in steadiest.stretches)
    drifts = () if steadiest.drift is None else (steadiest.drift,)
    return steadiest.start, steadiest.stop, (*notes, followed, *drifts), stretches


def _thinned(
    raw: Floats, rate_hz: float, step: float, options: MeasureOptions, notes: tuple[Remark, ...]
) -> Window | None:
    """Every so-manieth frame of a tone that a coarse quantiser alone disturbs; None where more disturbs it.

    There is nothing above the band that could fold, and a filter would blur the quantiser's intervals.
    """
    stride = -(-len(raw) // MOST_FRAMES)
    sparse, sparse_rate_hz = raw[::stride], rate_hz / stride
    if sparse_rate_hz <= LEAST_THIN_RATIO * options.band_hz[1]:
        return None
    rough_hz = coarse_frequency(sparse, sparse_rate_hz, *options.band_hz)
    if rough_hz is None or not is_pure_quantiser(sparse, sparse_rate_hz, step, rough_hz):
        return None
    return Window(raw, sparse, sparse_rate_hz, rough_hz, 0.0, step, True, notes)


def _in_band(
    raw: Floats, rate_hz: float, step: float | None, options: MeasureOptions, notes: tuple[Remark, ...]
) -> Window:
    """The audio band of a capture, and how much lies above it."""
    high_hz = options.band_hz[1]
    audio, audio_rate_hz, trimmed = decimate(raw, rate_hz, high_hz)
    above = 0.0
    if trimmed:
        factor = decimation_factor(rate_hz, high_hz)
        there = raw[trimmed : trimmed + len(audio) * factor : factor]
        above = float(np.std(there[: len(audio)] - audio))
    rough_hz = coarse_frequency(audio, audio_rate_hz, *options.band_hz)
    return Window(raw, audio, audio_rate_hz, rough_hz, above, step, False, notes)
