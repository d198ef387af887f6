"""The level of a tone through a recording, in short whole cycles, read block by block."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis.harmonic import coarse_frequency
from gainkit.capture.model import Capture
from gainkit.errors import GainkitError

Floats = NDArray[np.float64]

HOP_SECONDS = 0.002
COARSE_SECONDS = 0.02
SEARCH_SECONDS = 1.0
MOST_SEARCH_FRAMES = 1 << 20


@dataclass(frozen=True)
class Wiring:
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


def loudest_tone(capture: Capture, wiring: Wiring, band_hz: tuple[float, float]) -> float:
    """Frequency of the strongest line in the loudest second of a recording [Hz].

    Raises GainkitError when the recording is silent or too short.
    """
    rate = capture.sample_rate_hz
    size = max(round(COARSE_SECONDS * rate), 1)
    powers = []
    for block in capture.blocks(channel=wiring.channel, minus=wiring.minus, block_frames=size * 64):
        table = block[: len(block) // size * size].reshape(-1, size)
        powers.append(np.var(table, axis=1))
    power = np.concatenate(powers) if powers else np.zeros(0)
    if len(power) < 8:
        raise GainkitError(
            f"{capture.file}: {capture.seconds:.3g} s are too short for a staircase or a glide.",
            "Record the whole track, from before its start to after its end.",
        )
    width = min(round(SEARCH_SECONDS / COARSE_SECONDS), len(power))
    loudness = np.convolve(power, np.ones(width), "valid")
    first = int(np.argmax(loudness)) * size
    frames = min(width * size, MOST_SEARCH_FRAMES)
    part = capture.volts(first, first + frames, channel=wiring.channel, minus=wiring.minus)
    found = coarse_frequency(part, rate, band_hz[0], min(band_hz[1], 0.45 * rate))
    if found is None:
        raise GainkitError(
            f"{capture.file}: the recording is silent.",
            "Check the cable, the channel (--channel) and the level.",
        )
    return found


def follow(capture: Capture, wiring: Wiring, frequency_hz: float) -> Envelope:
    """Demodulate a recording at a tone: the fundamental's peak volts per hop of whole cycles, 2 ms or more."""
    rate = capture.sample_rate_hz
    cycles = max(1, math.ceil(HOP_SECONDS * frequency_hz))
    size = max(round(cycles * rate / frequency_hz), 2)
    angle = 2 * np.pi * frequency_hz / rate * np.arange(size)
    # least squares for mean, cosine and sine: exact although a hop is rounded to whole samples
    kernel = np.linalg.pinv(np.stack([np.ones(size), np.cos(angle), np.sin(angle)], axis=1))[1:].T
    parts: list[Floats] = []
    left = np.zeros(0)
    rows = max(1, (1 << 16) // size)
    for block in capture.blocks(channel=wiring.channel, minus=wiring.minus, block_frames=size * rows):
        joined = np.concatenate([left, block]) if len(left) else block
        whole = len(joined) // size * size
        table = joined[:whole].reshape(-1, size)
        parts.append(np.hypot(*(table @ kernel).T))
        left = joined[whole:]
    peak = np.concatenate(parts) if parts else np.zeros(0)
    return Envelope(peak, size / rate)
