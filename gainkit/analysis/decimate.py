"""Fast captures down to the audio band: a linear-phase filter and every D-th sample of what it leaves."""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

Floats = NDArray[np.float64]

ATTENUATION_DB = 120.0
"""Residue that folds into the band is down by this: below a 20-bit recorder's noise even at full scale [dB]."""

LEAST_RATE_RATIO = 4.0
"""The new rate stays above this many times the band's upper edge, so the transition is wide and flat below."""


def decimation_factor(sample_rate_hz: float, high_hz: float) -> int:
    """Largest D that keeps sample_rate / D at least 4 times the band's upper edge; 1: leave it alone."""
    return max(1, int(sample_rate_hz / (LEAST_RATE_RATIO * high_hz)))


def lowpass(sample_rate_hz: float, factor: int, high_hz: float) -> Floats:
    """Odd, symmetric Kaiser-windowed sinc: flat to high, down by 120 dB where it would fold into the band.

    Source: Kaiser's design formulas, Oppenheim and Schafer, Discrete-Time Signal Processing, ch. 7 (from
    memory): N = (A - 7.95)/(2.285 dw), beta = 0.1102 (A - 8.7).
    """
    new_rate = sample_rate_hz / factor
    stop = new_rate - high_hz
    width = 2 * np.pi * (stop - high_hz) / sample_rate_hz
    taps = int(np.ceil((ATTENUATION_DB - 7.95) / (2.285 * width))) | 1
    index = np.arange(taps) - (taps - 1) / 2
    cutoff = (high_hz + stop) / sample_rate_hz
    kernel = cutoff * np.sinc(cutoff * index) * np.kaiser(taps, 0.1102 * (ATTENUATION_DB - 8.7))
    return np.asarray(kernel / kernel.sum())


def decimate(samples: Floats, sample_rate_hz: float, high_hz: float) -> tuple[Floats, float, int]:
    """Samples in the audio band, their rate [Hz], and how many input samples each end lost.

    samples : (frames,) [V]. Only outputs for which the filter was filled are kept. A record too short for
    the filter is returned as it was. The filter's own response over the band is 1 within 1e-5.
    """
    factor = decimation_factor(sample_rate_hz, high_hz)
    if factor == 1:
        return samples, sample_rate_hz, 0
    kernel = lowpass(sample_rate_hz, factor, high_hz)
    if len(samples) < 4 * len(kernel):
        return samples, sample_rate_hz, 0
    windows = sliding_window_view(samples, len(kernel))[::factor]
    out = np.empty(len(windows))
    rows = max(1, (1 << 20) // len(kernel))
    for first in range(0, len(windows), rows):
        out[first : first + rows] = np.ascontiguousarray(windows[first : first + rows]) @ kernel
    return out, sample_rate_hz / factor, (len(kernel) - 1) // 2
