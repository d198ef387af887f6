"""The sweep: a sine that rises evenly in octaves, in step with its own harmonics, between two marks.

The law
-------
sin(2 pi f1 L (e^(t/L) - 1)), L = T / ln(f2/f1), with f1 L a whole number (synchronised swept sine: A. Novak,
P. Lotton, L. Simon, J. Audio Eng. Soc. 63, 2015, pp. 786-798; the exponential sweep: A. Farina, AES 108th
Convention, 2000). Then its k-th harmonic is the very same sweep L ln k earlier, phase and all, and what a chain
adds of each order separates exactly. The ends go on at the first and the last frequency under raised cosines.

The marks
---------
A short sweep of the same law, band and level goes before and after: whatever filter lets the sweep through lets
them through. They are alike, so their distance in a recording tells the recorder's clock whatever the filter,
and the first one tells where the track begins. Silence of `GAP_SECONDS` keeps them and the sweep apart.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gainkit.generator.carrier import (
    FADE_SECONDS,
    SHORTEST_STEADY_FRAMES,
    lengthened,
    nudged,
    raised_cosine,
)
from gainkit.generator.model import LevelStep, Part, Samples, Waveform, silence
from gainkit.generator.spec import ToneSpec, given
from gainkit.levels import db_from_ratio, ratio_from_db

LEAD_SECONDS = 0.5
TAIL_SECONDS = 0.5
GAP_SECONDS = 0.5
"""Silence before, behind and between [s]: a car is silent within 0.1 s, a steep filter at 20 Hz within 0.4
s."""

MARK_SECONDS = 1.0
MARK_SHARE = 0.25
"""Length of a mark [s], and how much of the sweep it may be at most [-]: short beside it, long enough for 40 dB
of noise."""

FALL_DB_PER_OCTAVE = 20.0 * math.log10(2.0)
"""How the level falls above `fall_above_hz` [dB]: the amplitude goes with 1 / frequency."""

SWEEP_BANDS_HZ = {
    "bass": (10.0, 1_000.0),
    "midrange": (40.0, 10_000.0),
    "treble": (400.0, 18_000.0),
    "full": (20.0, 18_000.0),
}
"""From where to where the sweep of each band goes [Hz]: wide enough to show the slopes of its crossovers. 18
kHz is below the steep filters of 44.1 kHz converters."""


@dataclass(frozen=True)
class Chirp:
    """One sweep, without what stands around it.

    from_hz, to_hz : first and last frequency [Hz]. seconds : from the one to the other [s]; the faded ends of
    `fade_seconds` come on top. level_dbfs : AES17 scale. fall_above_hz : from here on the amplitude goes with
    1 / frequency [Hz]; None: one level.
    """

    from_hz: float
    to_hz: float
    seconds: float
    level_dbfs: float
    fall_above_hz: float | None = None
    fade_seconds: float = FADE_SECONDS

    @property
    def octave_seconds(self) -> float:
        """L, in which the frequency grows e-fold [s]."""
        return self.seconds / math.log(self.to_hz / self.from_hz)

    def time_at(self, frequency_hz: float) -> float:
        """When a frequency sounds, from the sweep's beginning [s]."""
        return self.octave_seconds * math.log(frequency_hz / self.from_hz)

    def amplitude(self, frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
        """Peak at a frequency [full scale 1.0], any shape."""
        top = ratio_from_db(self.level_dbfs)
        if self.fall_above_hz is None:
            return np.full(np.shape(frequency_hz), top)
        return np.asarray(top * np.minimum(1.0, self.fall_above_hz / frequency_hz))

    def stretched(self, clock: float) -> Chirp:
        """The same sweep on a clock that counts `clock` seconds in a true one."""
        fall = None if self.fall_above_hz is None else self.fall_above_hz / clock
        return Chirp(
            self.from_hz / clock,
            self.to_hz / clock,
            self.seconds * clock,
            self.level_dbfs,
            fall,
            self.fade_seconds * clock,
        )

    def body(self, seconds: NDArray[np.float64]) -> Samples:
        """Samples at times from 0 to `seconds`, counted from the first frequency [s]; full scale 1.0."""
        growth = seconds / self.octave_seconds
        wave = np.expm1(growth)
        wave *= 2.0 * math.pi * self.from_hz * self.octave_seconds
        np.sin(wave, out=wave)
        if self.fall_above_hz is None:
            wave *= ratio_from_db(self.level_dbfs)
        else:
            wave *= self.amplitude(self.from_hz * np.exp(growth))
        return wave

    def beginning(self, seconds: NDArray[np.float64]) -> Samples:
        """The first frequency before time 0 [s], without its fade."""
        first = float(self.amplitude(np.array(self.from_hz)))
        wave: Samples = first * np.sin(2.0 * math.pi * self.from_hz * seconds)
        return wave

    def ending(self, seconds: NDArray[np.float64]) -> Samples:
        """The last frequency after the sweep's end, counted from there [s], without its fade."""
        last = float(self.amplitude(np.array(self.to_hz)))
        turn = math.fmod(self.octave_seconds * (self.to_hz - self.from_hz), 1.0)
        wave: Samples = last * np.sin(2.0 * math.pi * (self.to_hz * seconds + turn))
        return wave


def chirp_near(spec: ToneSpec, seconds: float, sample_rate_hz: int) -> Chirp:
    """The synchronised sweep nearest to `seconds`: whole frames, and f1 L whole.

    The length moves by less than half a cycle's share of f1 L, the upper frequency by what half a frame makes
    of it, under 0.05 %.
    """
    low, high = given(spec.low_hz), given(spec.high_hz)
    octaves = math.log(high / low)
    least = math.ceil(SHORTEST_STEADY_FRAMES * low / sample_rate_hz)
    cycles = max(round(low * seconds / octaves), least, 1)
    rate = cycles / low
    frames = max(round(rate * octaves * sample_rate_hz), 1)
    length = frames / sample_rate_hz
    return Chirp(low, low * math.exp(length / rate), length, given(spec.level_dbfs), spec.fall_above_hz)


def sweep(spec: ToneSpec, sample_rate_hz: int) -> Waveform:
    """The whole track: mark, sweep, mark; with `in_turn` all of it on the left, then all of it on the right."""
    main = chirp_near(spec, given(spec.seconds), sample_rate_hz)
    mark = chirp_near(spec, min(MARK_SECONDS, MARK_SHARE * given(spec.seconds)), sample_rate_hz)
    lead, gap, tail = (round(part * sample_rate_hz) for part in (LEAD_SECONDS, GAP_SECONDS, TAIL_SECONDS))
    parts: list[Part] = []
    steps: list[LevelStep] = []
    at = 0
    for channel in ("left", "right") if spec.in_turn else (None,):
        pieces = (
            (lead, "marker-start", mark),
            (gap, "sweep", main),
            (gap, "marker-stop", mark),
        )
        for quiet, role, chirp in pieces:
            parts += [silence(quiet), *_parts(chirp, sample_rate_hz, channel)]
            fade, frames = (round(part * sample_rate_hz) for part in (chirp.fade_seconds, chirp.seconds))
            steps.append(_step(chirp, role, at + quiet + fade, frames, channel))
            at += quiet + fade + frames + fade
        parts.append(silence(tail))
        at += tail
    high = given(spec.high_hz)
    moved = nudged(high, main.to_hz, "high_hz") if abs(main.to_hz / high - 1.0) > 1e-5 else ()
    return Waveform(
        sample_rate_hz,
        tuple(parts),
        tuple(steps),
        main.level_dbfs,
        peak=ratio_from_db(main.level_dbfs),
        notes=(*moved, *lengthened(given(spec.seconds), main.seconds)),
    )


def _step(chirp: Chirp, role: str, start: int, frames: int, channel: str | None) -> LevelStep:
    last = None
    if chirp.fall_above_hz is not None:
        last = float(db_from_ratio(float(chirp.amplitude(np.array(chirp.to_hz)))))
    return LevelStep(
        role,
        start,
        start + frames,
        chirp.from_hz,
        chirp.level_dbfs,
        stop_frequency_hz=chirp.to_hz,
        stop_level_dbfs=last,
        channel=channel,
    )


def _parts(chirp: Chirp, sample_rate_hz: int, channel: str | None) -> tuple[Part, Part, Part]:
    """Beginning, sweep and ending as parts; on one channel only where one is named."""
    fade, frames = (round(part * sample_rate_hz) for part in (chirp.fade_seconds, chirp.seconds))

    def placed(mono: Samples) -> Samples:
        if channel is None:
            return mono
        both = np.zeros((len(mono), 2))
        both[:, 0 if channel == "left" else 1] = mono
        return both

    def begin(start: int, stop: int) -> Samples:
        times = (np.arange(start, stop) - fade) / sample_rate_hz
        return placed(raised_cosine(start, stop, fade) * chirp.beginning(times))

    def body(start: int, stop: int) -> Samples:
        return placed(chirp.body(np.arange(start, stop) / sample_rate_hz))

    def end(start: int, stop: int) -> Samples:
        times = np.arange(start, stop) / sample_rate_hz
        return placed((1.0 - raised_cosine(start, stop, fade)) * chirp.ending(times))

    return Part(fade, begin), Part(frames, body), Part(fade, end)
