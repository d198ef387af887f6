"""Sines that are exact for any length: phase counted in whole frames, never summed up."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache

import numpy as np

from gainkit.generator.model import MAX_PERIOD_FRAMES, Part, Samples
from gainkit.remarks import Remark, remark

TABLE_FRAMES = 1 << 14
"""Length of the tables that a carrier is turned from [frames]: what the writer asks for at a time."""

_FINE_FRAMES = 1 << 7
"""Neighbouring phases that are computed one by one; a table is made of them and of as many coarse ones."""

SHORTEST_STEADY_FRAMES = 1000
"""Under this a whole number of cycles would move the frequency by more than 0.05 % [frames]."""

FADE_SECONDS = 0.05
"""Length of the raised-cosine ends [s]."""


@dataclass(frozen=True)
class Carrier:
    """A sine with `cycles` whole cycles in `frames` frames: frequency = cycles x sample rate / frames."""

    cycles: int
    frames: int

    def frequency_hz(self, sample_rate_hz: int) -> float:
        """Frequency actually written [Hz]."""
        return self.cycles * sample_rate_hz / self.frames

    @property
    def period_frames(self) -> int:
        """After so many frames the samples repeat exactly."""
        return self.frames // math.gcd(self.cycles, self.frames)

    def render(self, start: int, stop: int, gain: float = 1.0) -> Samples:
        """gain sin(2 pi cycles n / frames) for n = start..stop, which may be negative; shape (stop - start,).

        The phase at each table start is reduced in integers, so the millionth second is as exact as the first;
        inside a table sin(a + b) = sin a cos b + cos a sin b.
        """
        cosines, sines = _tables(self.cycles, self.frames)
        out = np.empty(stop - start)
        for at in range(0, stop - start, TABLE_FRAMES):
            piece = out[at : at + TABLE_FRAMES]
            turn = 2.0 * math.pi * ((self.cycles * (start + at)) % self.frames) / self.frames
            np.multiply(cosines[: len(piece)], gain * math.sin(turn), out=piece)
            piece += gain * math.cos(turn) * sines[: len(piece)]
        return out


@lru_cache(maxsize=4)
def _tables(cycles: int, frames: int) -> tuple[Samples, Samples]:
    """cos and sin of the first TABLE_FRAMES phases of a carrier, by the sum of a coarse and a fine one."""
    fine = np.arange(_FINE_FRAMES, dtype=np.int64)
    coarse = fine[: TABLE_FRAMES // _FINE_FRAMES, np.newaxis] * _FINE_FRAMES
    a, b = (((at * (cycles % frames)) % frames) * (2.0 * math.pi / frames) for at in (coarse, fine))
    cosines = np.cos(a) * np.cos(b) - np.sin(a) * np.sin(b)
    sines = np.sin(a) * np.cos(b) + np.cos(a) * np.sin(b)
    return cosines.ravel(), sines.ravel()


def whole_cycles(frequency_hz: float, seconds: float, sample_rate_hz: int) -> Carrier:
    """The carrier nearest to `frequency_hz` that makes whole cycles in about `seconds`.

    First choice: the exact frequency, where the length asked for holds it (997 Hz in whole seconds). Otherwise
    the length moves by less than half a cycle and the frequency by at most half a frame in the length: under
    0.05 % for 1000 frames, one part in a million for 10 s.
    """
    frames = max(round(seconds * sample_rate_hz), SHORTEST_STEADY_FRAMES)
    exact = Fraction(frequency_hz).limit_denominator(10_000) / sample_rate_hz
    if float(exact * sample_rate_hz) == frequency_hz and frames % exact.denominator == 0:
        return Carrier(exact.numerator * (frames // exact.denominator), frames)
    cycles = max(round(frequency_hz * frames / sample_rate_hz), 1)
    while True:
        nearest = round(cycles * sample_rate_hz / frequency_hz)
        if nearest >= SHORTEST_STEADY_FRAMES:
            return Carrier(cycles, nearest)
        cycles += 1


def steady_part(carrier: Carrier, frames: int, gain: float, first: int = 0) -> Part:
    """A stretch of the carrier at a constant gain, starting at the carrier's frame `first`."""
    period = carrier.period_frames
    return Part(
        frames,
        lambda start, stop: carrier.render(first + start, first + stop, gain),
        period if period <= min(frames // 2, MAX_PERIOD_FRAMES) else 0,
    )


def shaped_part(carrier: Carrier, frames: int, first: int, envelope: Callable[[int, int], Samples]) -> Part:
    """A stretch of the carrier under an envelope: gain [-] of the part's frames start..stop."""
    return Part(frames, lambda start, stop: envelope(start, stop) * carrier.render(first + start, first + stop))


def raised_cosine(start: int, stop: int, frames: int) -> Samples:
    """(1 - cos(pi (n + 1/2) / frames)) / 2 for n = start..stop: from 0 to 1 in `frames`, no corner at the
    ends."""
    return 0.5 - 0.5 * np.cos(math.pi * (np.arange(start, stop) + 0.5) / frames)


def ramp(from_gain: float, to_gain: float, frames: int) -> Callable[[int, int], Samples]:
    """Envelope that leads from one gain to another along a raised cosine."""
    return lambda start, stop: from_gain + (to_gain - from_gain) * raised_cosine(start, stop, frames)


def fade_frames(sample_rate_hz: int) -> int:
    """Length of a track's raised-cosine end [frames]."""
    return round(FADE_SECONDS * sample_rate_hz)


def nudged(asked_hz: float, written_hz: float, parameter: str = "frequency_hz") -> tuple[Remark, ...]:
    """The remark that a frequency was moved, where it was; parameter : which one of the tone's."""
    if abs(written_hz - asked_hz) <= 1e-12 * asked_hz:
        return ()
    percent = 100.0 * (written_hz / asked_hz - 1.0)
    moved = remark(
        "frequency_moved", parameter=parameter, written_hz=written_hz, asked_hz=asked_hz, moved_percent=percent
    )
    return (moved,)


def lengthened(asked_seconds: float, seconds: float) -> tuple[Remark, ...]:
    """The remark that a length was moved, where it was by more than half a percent."""
    if abs(seconds - asked_seconds) <= 0.005 * asked_seconds:
        return ()
    return (remark("length_moved", written_seconds=seconds, asked_seconds=asked_seconds),)
