"""Band-limited test waves for the analysis: made from many times the rate, never by clipping samples."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
RATE = 48_000
EDGE = 200
"""Frames left out at either end, where the brick-wall filter wraps around."""


def shaped(
    shape: Callable[[Floats, Floats], Floats],
    frequency_hz: float,
    frames: int = RATE,
    *,
    rate: float = RATE,
    phase: float = 0.3,
    oversampling: int = 16,
) -> Floats:
    """shape(sine, seconds) at 16 times the rate, brought down by an exact brick wall; (frames - 400,)."""
    seconds = np.arange(frames * oversampling) / (rate * oversampling)
    spectrum = np.fft.rfft(shape(np.sin(2 * np.pi * frequency_hz * seconds + phase), seconds))
    return np.asarray(np.fft.irfft(spectrum[: frames // 2 + 1] / oversampling, frames)[EDGE:-EDGE])


def held(overdrive_db: float, sides: str = "both") -> Callable[[Floats, Floats], Floats]:
    """A hard rail at 1 V with a sine that would reach overdrive_db beyond it."""
    peak = 10 ** (overdrive_db / 20)
    up = 1.0 if sides in ("both", "positive") else np.inf
    down = 1.0 if sides in ("both", "negative") else np.inf
    return lambda sine, _: np.clip(peak * sine, -down, up)


def sine(
    frequency_hz: float, frames: int = RATE, *, peak: float = 1.0, rate: float = RATE, phase: float = 0.3
) -> Floats:
    return peak * np.sin(2 * np.pi * frequency_hz * np.arange(frames) / rate + phase)


def with_noise(samples: Floats, snr_db: float, seed: int = 1) -> Floats:
    """The same with white noise so far below the signal's rms."""
    spread = float(np.std(samples)) * 10 ** (-snr_db / 20)
    return samples + spread * np.random.default_rng(seed).standard_normal(len(samples))
