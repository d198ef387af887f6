"""Two loudspeakers of a kind beside each other: their averaged pulses alike, or one the other's opposite."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gainkit.generator.pulses import LOBE_SECONDS
from gainkit.polarity.train import Train, smoothed

Floats = NDArray[np.float64]

LEAST_LIKENESS = 0.95
"""Correlation from which on two averages are of drivers alike in a place alike [-]."""

LEAST_MARGIN = 0.15
"""By so much less the opposite sign must correlate at any other delay [-]: a pulse that rings is like its own
opposite half a period later."""

SMOOTHED_OF_LOBE = 3
"""Averages are smoothed over a lobe's length over this [-]."""

MOST_NOISE = 0.3
"""Noise is taken off an average's energy up to this share of it [-]: beyond, it would flatter what is noise."""

LATEST_SECONDS = 0.01
"""Two averages are moved against each other by no more [s]."""

BEFORE_SECONDS, AFTER_SECONDS, AFTER_LOBES = 0.03, 0.01, 6.0
"""So much around the arrival is compared [s], [lobes]."""


@dataclass(frozen=True)
class Likeness:
    """same, opposite : the greatest correlation with either sign, 0 or more [-]."""

    same: float
    opposite: float

    @property
    def relation(self) -> int:
        """+1 where both are alike for sure, -1 where one is the other's opposite, 0 where neither is sure."""
        best, other = max(self.same, self.opposite), min(self.same, self.opposite)
        if best < LEAST_LIKENESS or best - other < LEAST_MARGIN:
            return 0
        return 1 if self.same > self.opposite else -1


def likeness(one: Train, two: Train, band: str) -> Likeness:
    """How alike the averages of two trains of one rate are, at the best delay."""
    before = min(round((BEFORE_SECONDS + LOBE_SECONDS[band]) * one.rate), one.arrival, two.arrival)
    after = round((AFTER_SECONDS + AFTER_LOBES * LOBE_SECONDS[band]) * one.rate)
    (first, first_power), (second, second_power) = (
        _average(train.rows[:, train.arrival - before : train.arrival + after], one.rate, band)
        for train in (one, two)
    )
    size = 2 * max(len(first), len(second))
    product = np.fft.irfft(np.fft.rfft(first, size) * np.conj(np.fft.rfft(second, size)), size)
    product /= max(float(np.sqrt(first_power * second_power)), 1e-30)
    most_lag = round(LATEST_SECONDS * one.rate)
    near = np.concatenate([product[-most_lag:], product[: most_lag + 1]])
    return Likeness(max(float(near.max()), 0.0), max(float(-near.min()), 0.0))


def _average(rows: Floats, rate: float, band: str) -> tuple[Floats, float]:
    """The average, (frames,), freed from what lies above a pulse's band, and its energy without the noise's."""
    width = round(LOBE_SECONDS[band] * rate / SMOOTHED_OF_LOBE)
    clean = np.apply_along_axis(smoothed, 1, rows, width)
    average = clean.mean(axis=0)
    noise = float(np.sum(np.var(clean, axis=0))) / max(len(clean) - 1, 1)
    energy = float(np.sum(average**2))
    return average, energy - noise if noise < MOST_NOISE * energy else energy
