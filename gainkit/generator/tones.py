"""Kinds made of one sine: steady, stepped, gliding; and silence."""

from __future__ import annotations

import math

import numpy as np

from gainkit.errors import GainkitError
from gainkit.generator import marker as markers
from gainkit.generator.carrier import (
    Carrier,
    fade_frames,
    lengthened,
    nudged,
    ramp,
    shaped_part,
    steady_part,
    whole_cycles,
)
from gainkit.generator.model import LevelStep, Part, Samples, Waveform, silence
from gainkit.generator.spec import ToneSpec, given
from gainkit.levels import ratio_from_db


def sine(spec: ToneSpec, sample_rate_hz: int) -> Waveform:
    """A steady sine of `seconds` between raised-cosine ends that come on top."""
    frequency, level, seconds = given(spec.frequency_hz), given(spec.level_dbfs), given(spec.seconds)
    carrier = whole_cycles(frequency, seconds, sample_rate_hz)
    amplitude, fade = ratio_from_db(level), fade_frames(sample_rate_hz)
    parts = (
        shaped_part(carrier, fade, -fade, ramp(0.0, amplitude, fade)),
        steady_part(carrier, carrier.frames, amplitude),
        shaped_part(carrier, fade, carrier.frames, ramp(amplitude, 0.0, fade)),
    )
    written = carrier.frequency_hz(sample_rate_hz)
    steps = (LevelStep("steady", fade, fade + carrier.frames, written, level),)
    return Waveform(
        sample_rate_hz,
        parts,
        steps,
        level,
        peak=amplitude,
        frequency_hz=written,
        notes=(*nudged(frequency, written), *lengthened(seconds, carrier.frames / sample_rate_hz)),
    )


def staircase(spec: ToneSpec, sample_rate_hz: int) -> Waveform:
    """A sine whose level goes in steps of `step_db` from `from_dbfs` to `to_dbfs`, between two markers.

    Step i begins i x dwell after the first; the way to its level, the fewest whole cycles that last 5 ms, lies
    at its beginning and is left out of the stated [start_frame, stop_frame).
    """
    frequency, levels = given(spec.frequency_hz), step_levels(spec)
    carrier = whole_cycles(frequency, given(spec.dwell_seconds), sample_rate_hz)
    written, dwell = carrier.frequency_hz(sample_rate_hz), carrier.frames
    turn = _turn_frames(written, sample_rate_hz)
    if turn > dwell // 4:
        raise GainkitError(
            "dwell_too_short",
            "dwell_seconds",
            given(spec.dwell_seconds),
            frequency_hz=frequency,
            least_seconds=5 * turn / sample_rate_hz,
        )
    gains = [ratio_from_db(level) for level in levels]
    parts: list[Part] = []
    steps: list[LevelStep] = []
    for index, (level, gain) in enumerate(zip(levels, gains, strict=True)):
        first = index * dwell
        parts.append(shaped_part(carrier, turn, first, ramp(gains[index - 1] if index else 0.0, gain, turn)))
        parts.append(steady_part(carrier, dwell - turn, gain, first + turn))
        steps.append(LevelStep("step", first + turn, first + dwell, written, level))
    return _between_markers(carrier, sample_rate_hz, parts, steps, (min(levels), max(levels)), frequency)


def glide(spec: ToneSpec, sample_rate_hz: int) -> Waveform:
    """A sine whose level moves evenly in dB from `from_dbfs` to `to_dbfs` in `seconds`, between two markers.

    At frame n of the ramp the amplitude is 10^(L/20), L = from + (to - from) n / frames, at every sample.
    """
    frequency, seconds = given(spec.frequency_hz), given(spec.seconds)
    from_dbfs, to_dbfs = given(spec.from_dbfs), given(spec.to_dbfs)
    carrier = whole_cycles(frequency, seconds, sample_rate_hz)
    written, frames = carrier.frequency_hz(sample_rate_hz), carrier.frames
    turn = _turn_frames(written, sample_rate_hz)
    slope_nepers = (to_dbfs - from_dbfs) / frames * math.log(10.0) / 20.0

    def rising(start: int, stop: int) -> Samples:
        level: Samples = ratio_from_db(from_dbfs) * np.exp(slope_nepers * np.arange(start, stop))
        return level

    parts = [
        shaped_part(carrier, turn, -turn, ramp(0.0, ratio_from_db(from_dbfs), turn)),
        shaped_part(carrier, frames, 0, rising),
    ]
    step = LevelStep("ramp", turn, turn + frames, written, from_dbfs, stop_level_dbfs=to_dbfs)
    span = (min(from_dbfs, to_dbfs), max(from_dbfs, to_dbfs))
    return _between_markers(carrier, sample_rate_hz, parts, [step], span, frequency, turn)


def _turn_frames(frequency_hz: float, sample_rate_hz: int) -> int:
    """Length of the way from one level to the next: the fewest whole cycles that last 5 ms [frames]."""
    return round(math.ceil(0.005 * frequency_hz) * sample_rate_hz / frequency_hz)


def _between_markers(
    carrier: Carrier,
    sample_rate_hz: int,
    parts: list[Part],
    steps: list[LevelStep],
    span_dbfs: tuple[float, float],
    asked_hz: float,
    before: int = 0,
) -> Waveform:
    """Put silence and the two markers round levels; `before` frames of the parts precede the carrier's frame
    0."""
    written = carrier.frequency_hz(sample_rate_hz)
    marker = markers.marker_for(written, span_dbfs[0], sample_rate_hz)
    lead, gap, tail = (
        round(seconds * sample_rate_hz)
        for seconds in (markers.LEAD_SECONDS, markers.GAP_SECONDS, markers.TAIL_SECONDS)
    )
    last = steps[-1].stop_level_dbfs if steps[-1].stop_level_dbfs is not None else steps[-1].level_dbfs
    fade, levels_frames = fade_frames(sample_rate_hz), sum(part.frames for part in parts)
    levels_start = lead + marker.frames + gap
    levels_stop = levels_start + levels_frames
    stop_marker = levels_stop + fade + gap
    zero = levels_start + before  # the track's frame at which the carrier's phase is 0
    whole = (
        silence(lead),
        markers.marker_part(marker, carrier, lead - zero, backwards=False),
        silence(gap),
        *parts,
        shaped_part(carrier, fade, levels_stop - zero, ramp(ratio_from_db(given(last)), 0.0, fade)),
        silence(gap),
        markers.marker_part(marker, carrier, stop_marker - zero, backwards=True),
        silence(tail),
    )
    places = (
        markers.marker_step(marker, lead, backwards=False),
        *(step.later(levels_start) for step in steps),
        markers.marker_step(marker, stop_marker, backwards=True),
    )
    return Waveform(
        sample_rate_hz,
        whole,
        places,
        span_dbfs[1],
        peak=ratio_from_db(span_dbfs[1]),
        frequency_hz=written,
        marker=marker,
        notes=nudged(asked_hz, written),
    )


def silent(spec: ToneSpec, sample_rate_hz: int) -> Waveform:
    """Digital silence: exact zeros for `seconds`, so that what is heard is the system's own noise."""
    frames = round(given(spec.seconds) * sample_rate_hz)
    return Waveform(sample_rate_hz, (silence(frames),), (LevelStep("silence", 0, frames),), peak=0.0)


def step_levels(spec: ToneSpec) -> list[float]:
    """Levels of a staircase [dBFS], both ends included. Raises GainkitError when the step does not fit the
    span."""
    from_dbfs, to_dbfs, step_db = given(spec.from_dbfs), given(spec.to_dbfs), given(spec.step_db)
    span = abs(to_dbfs - from_dbfs)
    count = round(span / step_db)
    if count < 1 or abs(count * step_db - span) > 1e-9 * max(span, 1.0):
        fitting_db = span / max(count, 1)
        raise GainkitError(
            "uneven_steps", "step_db", step_db, from_dbfs=from_dbfs, to_dbfs=to_dbfs, fitting_db=fitting_db
        )
    sign = 1.0 if to_dbfs > from_dbfs else -1.0
    return [round(from_dbfs + sign * step_db * index, 9) for index in range(count + 1)]
