"""The level of a tone through a recording, in short whole cycles, read block by block."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis.harmonic import coarse_frequency
from gainkit.capture.model import Capture
from gainkit.errors import GainkitError

Floats = NDArray[np.float64]

HOP_SECONDS = 0.002
"""Least length over which the level is taken [s]: short beside a fade of 10 ms, yet of little noise."""

LOUDNESS_SECONDS = 0.02
SEARCH_SECONDS = 1.0
"""The tone is looked for in the loudest so many seconds, found in pieces of the first [s]."""

LEAST_PIECES = 8
"""A recording of fewer such pieces holds no track [-]."""

MOST_SEARCH_FRAMES = 1 << 20
"""... and in so many frames at most, which an oscilloscope fills in less [frames]."""

HIGHEST_OF_RATE = 0.45
"""A tone above this part of the rate is the recorder's own filter's business [-]."""


@dataclass(frozen=True)
class ChannelChoice:
    """Which channel is read, and what is taken off it for bridged outputs (counted from 1)."""

    channel: int = 1
    minus: int | None = None


@dataclass(frozen=True)
class Envelope:
    """Peak volts of the fundamental in consecutive hops, (hops,) [V]; hop_seconds : their length [s]."""

    peak_volts: Floats
    hop_seconds: float

    @property
    def seconds(self) -> float:
        """Length of what was followed [s]."""
        return len(self.peak_volts) * self.hop_seconds

    def mean(self, start_seconds: float, stop_seconds: float) -> float:
        """Mean peak volts between two times [V]; NaN when no hop lies between them."""
        first = max(math.ceil(start_seconds / self.hop_seconds), 0)
        part = self.peak_volts[first : max(math.floor(stop_seconds / self.hop_seconds), 0)]
        return float(part.mean()) if len(part) else math.nan


def loudest_tone(capture: Capture, choice: ChannelChoice, band_hz: tuple[float, float]) -> float:
    """Frequency of the strongest line in the loudest second of a recording [Hz].

    Raises GainkitError when the recording is silent or too short.
    """
    rate = capture.sample_rate_hz
    size = max(round(LOUDNESS_SECONDS * rate), 1)
    powers = []
    for block in capture.blocks(channel=choice.channel, minus=choice.minus, block_frames=size * 64):
        table = block[: len(block) // size * size].reshape(-1, size)
        powers.append(np.var(table, axis=1))
    power = np.concatenate(powers) if powers else np.zeros(0)
    if len(power) < LEAST_PIECES:
        raise GainkitError("too_short_for_levels", seconds=capture.seconds).within("file", capture.file)
    width = min(round(SEARCH_SECONDS / LOUDNESS_SECONDS), len(power))
    loudness = np.convolve(power, np.ones(width), "valid")
    first = int(np.argmax(loudness)) * size
    frames = min(width * size, MOST_SEARCH_FRAMES)
    part = capture.volts(first, first + frames, channel=choice.channel, minus=choice.minus)
    frequency_hz = coarse_frequency(part, rate, band_hz[0], min(band_hz[1], HIGHEST_OF_RATE * rate))
    if frequency_hz is None:
        raise GainkitError("recording_silent").within("file", capture.file)
    return frequency_hz


def follow(
    capture: Capture,
    choice: ChannelChoice,
    frequency_hz: float,
    without: Callable[[Floats, int], Floats] | None = None,
) -> Envelope:
    """Demodulate a recording at a tone: the fundamental's peak volts per hop of whole cycles, 2 ms or more.

    without : takes from samples, that begin at a frame, what is no part of the tone.
    """
    rate = capture.sample_rate_hz
    cycles = max(1, math.ceil(HOP_SECONDS * frequency_hz))
    size = max(round(cycles * rate / frequency_hz), 2)
    angle = 2 * np.pi * frequency_hz / rate * np.arange(size)
    # least squares for mean, cosine and sine: exact although a hop is rounded to whole samples
    kernel = np.linalg.pinv(np.stack([np.ones(size), np.cos(angle), np.sin(angle)], axis=1))[1:].T
    peak = np.empty(capture.frames // size)
    done = read = 0
    left = np.zeros(0)
    rows = max(1, (1 << 16) // size)
    for block in capture.blocks(channel=choice.channel, minus=choice.minus, block_frames=size * rows):
        cleaned = block if without is None else without(block, read)
        read += len(block)
        joined = np.concatenate([left, cleaned]) if len(left) else cleaned
        table = joined[: len(joined) // size * size].reshape(-1, size)
        peak[done : done + len(table)] = np.hypot(*(table @ kernel).T)
        done += len(table)
        left = joined[len(table) * size :]
    return Envelope(peak[:done], size / rate)
