"""Bands and A-weighting, and how a power spectrum is summed over them.

Bands after IEC 61260-1:2014: G = 10^0.3, centres 1000 G^(x/b) Hz, edges G^(1/(2b)) apart from the centre; named
by their nominal frequencies (ISO 266). A bin that a band edge cuts counts by its share. A-weighting after IEC
61672-1 (pole frequencies of its annex E, from memory, checked in the tests against a published table).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gainkit.levels import db_from_ratio, ratio_from_db

Floats = NDArray[np.float64]

OCTAVE_RATIO = 10**0.3
NOMINAL_HZ = (
    20.0, 25.0, 31.5, 40.0, 50.0, 63.0, 80.0, 100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0, 500.0, 630.0,
    800.0, 1000.0, 1250.0, 1600.0, 2000.0, 2500.0, 3150.0, 4000.0, 5000.0, 6300.0, 8000.0, 10_000.0, 12_500.0,
    16_000.0, 20_000.0,
)  # fmt: skip
"""ISO 266, one-third-octave steps: the number 10 x log10(f / 1000) of each is -17 to 13."""

HIGHEST_OF_RATE = 0.47
"""Bands above this part of the rate are left out: a recorder's own filter falls there [-]."""

A_POLES_HZ = (20.598997, 107.65265, 737.86223, 12194.217)
A_OFFSET_DB = 1.9997
"""Makes A(1000 Hz) = 0 dB [dB]."""


@dataclass(frozen=True)
class Band:
    """center_hz : nominal [Hz]; low_hz, high_hz : exact edges [Hz]."""

    center_hz: float
    low_hz: float
    high_hz: float


def bands(third_octave: bool) -> tuple[Band, ...]:
    """Octaves 31.5 Hz to 16 kHz, or thirds 20 Hz to 20 kHz, with exact edges."""
    step, width = (1, 6) if third_octave else (3, 2)
    half = OCTAVE_RATIO ** (1 / width)
    places = range(-17, 14) if third_octave else range(-15, 13, step)
    exact = [(NOMINAL_HZ[place + 17], 1000.0 * OCTAVE_RATIO ** (place / 3)) for place in places]
    return tuple(Band(nominal, centre / half, centre * half) for nominal, centre in exact)


def a_weighting_db(frequency_hz: Floats) -> Floats:
    """A-weighting [dB], (n,) for frequencies (n,) above 0 [Hz]; IEC 61672-1 formula."""
    square = np.asarray(frequency_hz, dtype=np.float64) ** 2
    f1, f2, f3, f4 = (pole**2 for pole in A_POLES_HZ)
    response = f4 * square**2 / ((square + f1) * np.sqrt((square + f2) * (square + f3)) * (square + f4))
    return np.asarray(db_from_ratio(response) + A_OFFSET_DB)


def a_gains(step_hz: float, bins: int) -> Floats:
    """A-weighting of the bins of a spectrum as power ratios (bins,) [-]."""
    frequencies = np.maximum(np.arange(bins) * step_hz, 1e-3)
    return np.asarray(ratio_from_db(a_weighting_db(frequencies)) ** 2)


def band_share(step_hz: float, bins: int, low_hz: float, high_hz: float) -> tuple[slice, Floats]:
    """Bins of a spectrum that a band touches and how many Hz of each lie in it; the mean's bin never does."""
    first = max(int(np.floor(low_hz / step_hz + 0.5)), 1)
    last = min(int(np.floor(high_hz / step_hz + 0.5)), bins - 1)
    index = np.arange(first, last + 1)
    inside = np.minimum((index + 0.5) * step_hz, high_hz) - np.maximum((index - 0.5) * step_hz, low_hz)
    return slice(first, last + 1), np.clip(inside, 0.0, None)
