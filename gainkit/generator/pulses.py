"""One-sided pulses for polarity, and counted beeps for routing.

A pulse is one raised-cosine lobe above zero: its sign is that of the drive, it has no tail, and its width sets
the band it fills. The first half-swing of the sound a loudspeaker makes of it has the drive's sign whatever
high-pass follows, because a causal filter cannot answer before its input.
"""

from __future__ import annotations

import math

import numpy as np

from gainkit.generator.carrier import Carrier, nudged, raised_cosine, whole_cycles
from gainkit.generator.model import ROUTING_GAINS, LevelStep, Part, Samples, Waveform, silence
from gainkit.generator.spec import ToneSpec, given
from gainkit.levels import ratio_from_db
from gainkit.results import LazySequence

LOBE_SECONDS = {"bass": 0.008, "midrange": 0.001, "treble": 0.000_125}
"""Length of the lobe for each band [s]: half its first spectral null's period; 250 Hz, 2 kHz and 16 kHz."""

LOBE_BANDS_HZ = {"bass": (20.0, 125.0), "midrange": (200.0, 1000.0), "treble": (2000.0, 8000.0)}
"""Where each train has most of its energy above a loudspeaker's own corner [Hz]."""

SPACING_SECONDS = 0.5
"""From pulse to pulse on average, 0.4 at least [s]: a furnished cabin has decayed by far more than 60 dB."""

FIRST_SECONDS = 0.125
"""Where a train's first pulse would stand if it were not late [s]."""

LATE_SECONDS = tuple(0.019 * (2**number % 11) for number in range(10))
"""By how much each of ten pulses stands behind an even train's [s]: powers of a primitive root of 11. Moved
against itself the pattern meets itself in one pulse of ten at most (Welch's construction of Costas arrays,
cited from memory; tried by test), and an even beat in few: neither music nor machines pass for it."""

BEEP_SECONDS = 0.2
BEEP_GAP_SECONDS = 0.2
BEEP_REST_SECONDS = 1.0
BEEPS = (("left", 1), ("right", 2))
"""How many beeps each channel plays."""


def lobe(band: str, sample_rate_hz: int) -> Samples:
    """One pulse of peak 1.0, (frames,): a raised cosine with an odd number of samples, so its top is one."""
    half = max(round(LOBE_SECONDS[band] * sample_rate_hz / 2), 1)
    return np.asarray(0.5 + 0.5 * np.cos(np.pi * np.arange(-half, half + 1) / (half + 1)))


def pattern_seconds() -> list[float]:
    """Where the pulses of one pattern begin [s]; it repeats after as many spacings as it has pulses."""
    return [FIRST_SECONDS + SPACING_SECONDS * number + late for number, late in enumerate(LATE_SECONDS)]


def pulses(spec: ToneSpec, sample_rate_hz: int) -> Waveform:
    """A train of positive pulses, unevenly spaced; level_dbfs is their peak re full scale."""
    band = given(spec.band)
    pulse = lobe(band, sample_rate_hz) * ratio_from_db(given(spec.level_dbfs))
    return train(spec, sample_rate_hz, pulse, float(pulse.max()), ("pulse", *LOBE_BANDS_HZ[band]))


def train(
    spec: ToneSpec,
    sample_rate_hz: int,
    one: Samples,
    peak: float,
    told: tuple[str, float, float],
    early_seconds: float = 0.0,
) -> Waveform:
    """The same samples again and again, at the places of the pattern.

    one : (frames,), of that peak [full scale]. told : role and band [Hz] of each in the index. early_seconds :
    how long before its place in the pattern each begins [s]; what runs over the pattern's end begins it.
    """
    level_dbfs, (role, low_hz, high_hz) = given(spec.level_dbfs), told
    period = round(SPACING_SECONDS * sample_rate_hz)
    count = max(math.ceil(given(spec.seconds) / SPACING_SECONDS), 1)
    starts = [round((seconds - early_seconds) * sample_rate_hz) for seconds in pattern_seconds()]
    cycle = np.zeros(period * len(starts))
    for start in starts:
        cycle[np.arange(start, start + len(one)) % len(cycle)] += one

    def render(start: int, stop: int) -> Samples:
        return np.asarray(cycle[np.arange(start, stop) % len(cycle)])

    def step(number: int) -> LevelStep:
        again, place = divmod(number, len(starts))
        start = again * len(cycle) + starts[place]
        return LevelStep(role, start, start + len(one), level_dbfs=level_dbfs, low_hz=low_hz, high_hz=high_hz)

    return Waveform(
        sample_rate_hz,
        (Part(count * period, render, len(cycle)),),
        LazySequence(count, step),
        level_dbfs=level_dbfs,
        level_kind="peak",
        peak=peak,
    )


def beeps(spec: ToneSpec, sample_rate_hz: int) -> Waveform:
    """Counted beeps, again and again: one on the left, two on the right.

    On a track of one channel alone only its own beeps are heard, and only they are among the steps.
    """
    level_dbfs = given(spec.level_dbfs)
    carrier = whole_cycles(given(spec.frequency_hz), BEEP_SECONDS, sample_rate_hz)
    frequency_hz = carrier.frequency_hz(sample_rate_hz)
    beep = _beep(carrier) * ratio_from_db(level_dbfs)
    parts, begins = _round_of_beeps(beep, sample_rate_hz)
    length = sum(part.frames for part in parts)
    rounds = math.ceil(round(given(spec.seconds) * sample_rate_hz) / length)
    pattern = [
        LevelStep("beep", begin, begin + len(beep), frequency_hz, level_dbfs, channel=BEEPS[column][0])
        for column, begin in begins
        if ROUTING_GAINS[spec.channels][column]
    ]

    def step(number: int) -> LevelStep:
        again, place = divmod(number, len(pattern))
        return pattern[place].later(again * length)

    return Waveform(
        sample_rate_hz,
        tuple(parts) * rounds,
        LazySequence(rounds * len(pattern), step),
        level_dbfs=level_dbfs,
        peak=float(np.abs(beep).max()),
        frequency_hz=frequency_hz,
        notes=nudged(given(spec.frequency_hz), frequency_hz),
    )


def _beep(carrier: Carrier) -> Samples:
    """One beep of amplitude 1 between raised-cosine edges, (frames,)."""
    edge = carrier.frames // 20
    shape = np.ones(carrier.frames)
    shape[:edge] = raised_cosine(0, edge, edge)
    shape[-edge:] = shape[:edge][::-1]
    return carrier.render(0, carrier.frames) * shape


def _round_of_beeps(beep: Samples, sample_rate_hz: int) -> tuple[list[Part], list[tuple[int, int]]]:
    """The parts of one round, and of each beep its column and the frame it begins at."""
    gap, rest = (silence(round(of * sample_rate_hz)) for of in (BEEP_GAP_SECONDS, BEEP_REST_SECONDS))
    sounding = [_on_one(beep, column) for column in range(2)]  # made once: memory does not grow with the count
    parts: list[Part] = []
    begins: list[tuple[int, int]] = []
    length = 0
    for column, (_, count) in enumerate(BEEPS):
        for _ in range(count):
            begins.append((column, length))
            parts += [sounding[column], gap]
            length += len(beep) + gap.frames
        parts.append(rest)
        length += rest.frames
    return parts, begins


def _on_one(wave: Samples, column: int) -> Part:
    """A part that plays on one channel alone."""
    table = np.zeros((len(wave), 2))
    table[:, column] = wave
    return Part(len(wave), lambda start, stop: table[start:stop])
