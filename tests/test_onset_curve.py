"""Staircases on oscilloscopes of 8 bits that use a third of their range: what all steps together tell.

The truth of each is the harmonic series of its own curve, summed here: nothing is shared with what reads.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from gainkit.capture import Capture
from gainkit.onset import OnsetResult, find_onset, staircase

pytestmark = pytest.mark.long

Floats = NDArray[np.float64]
Curve = Callable[[Floats], Floats]
RATE, TONE_HZ, LIMIT_PERCENT, DWELL = 48_000, 997.0, 1.0, 0.25


def onset_of(curve: Curve) -> float:
    """Level at which the series of a curve reaches the limit from below [dBFS]."""
    phase = 2 * np.pi * (np.arange(4096) + 0.5) / 4096
    for level in np.arange(0.0, -20.0, -0.01):
        lines = np.abs(np.fft.rfft(curve(10 ** (level / 20) * np.sin(phase))))[1:21]
        if 100 * np.linalg.norm(lines[1:]) < LIMIT_PERCENT * lines[0]:
            return float(level)
    raise AssertionError("over the limit throughout")


def through(curve: Curve, seed: int, source: Callable[[Floats], Floats] = np.sin) -> OnsetResult:
    """The onset of a staircase in steps of 1 dB that a curve has bent, noise 70 dB under it, 42 steps high."""
    plan = staircase(-20.0, 0.0, 1.0, DWELL)
    rng = np.random.default_rng(seed)
    time = np.arange(round(21 * DWELL * RATE)) / RATE
    level = -20.0 + np.minimum((time / DWELL).astype(int), 20)
    volts = np.pad(curve(10 ** (level / 20) * source(2 * np.pi * TONE_HZ * time)), RATE // 3)
    volts += 2e-4 * rng.standard_normal(len(volts))
    step, shift = 3 * float(np.abs(volts).max()) / 128, rng.uniform(-0.5, 0.5)
    return find_onset(Capture.from_array(20 * step * (np.round(volts / step + shift) - shift), RATE), plan)


def power(exponent: float, rail: float) -> Curve:
    return lambda wave: wave / (1 + np.abs(wave / rail) ** exponent) ** (1 / exponent)


KNEES: dict[str, Curve] = {
    "tanh": lambda wave: 0.9 * np.tanh(wave / 0.9),
    "power 4": power(4, 0.5),
    "power 16": power(16, 0.6),
    "gives way": lambda wave: np.where(np.abs(wave) > 0.5, np.sign(wave) * (0.3 + 0.4 * np.abs(wave)), wave),
}


@pytest.mark.parametrize("name", KNEES)
@pytest.mark.parametrize("seed", [2, 3])
def test_a_soft_knee_is_told_through_coarse_steps(name: str, seed: int) -> None:
    result = through(KNEES[name], seed)
    assert result.onset_uncertainty_db is not None
    assert result.onset_uncertainty_db < 0.3
    assert result.onset_dbfs == pytest.approx(onset_of(KNEES[name]), abs=result.onset_uncertainty_db)


@pytest.mark.parametrize("seed", [1, 2])
def test_a_source_that_distorts_is_no_curve_of_the_amplifier(seed: int) -> None:
    """Its wave has one shape at every level: no curve of the input, and no onset before the rail is met."""
    result = through(
        lambda wave: np.clip(wave, -0.6, 0.6), seed, lambda phase: np.sin(phase) + 0.02 * np.sin(2 * phase)
    )
    met = 20 * np.log10(0.6 / 1.02)
    assert result.onset_dbfs is None or result.onset_dbfs == pytest.approx(met, abs=result.onset_uncertainty_db)
