"""The noise of a chain against IEC 61672-1's weighting, closed forms and the Cramer-Rao bound."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate

from gainkit.analysis.bands import a_weighting_db
from gainkit.capture import Capture
from gainkit.noise import find_noise

pytestmark = pytest.mark.long

RATE = 48_000

A_WEIGHTING_DB = {
    20: -50.45, 31.5: -39.44, 50: -30.23, 63: -26.19, 100: -19.14, 125: -16.10, 200: -10.87, 250: -8.63,
    500: -3.23, 1000: 0.00, 2000: 1.20, 2500: 1.27, 4000: 0.97, 5000: 0.55, 8000: -1.11, 10000: -2.49,
    12500: -4.32, 16000: -6.60, 20000: -9.32,
}  # fmt: skip
"""A-weighting by nominal frequency, at the exact one 1000 x 10^(n/10) Hz: IEC 61672-1
(lichtbeeldgeluid.nl/geluid/tabellen, agrees to 0.05 dB)."""


@pytest.mark.parametrize(
    ("nominal", "weight_db"),
    [
        pytest.param(*each, marks=() if each[0] in (50, 200, 1000, 4000, 16000) else pytest.mark.long)
        for each in A_WEIGHTING_DB.items()
    ],
)
def test_lines_are_weighted_as_iec_61672_1_says(nominal: float, weight_db: float) -> None:
    frequency = 1000 * 10 ** (round(10 * math.log10(nominal / 1000)) / 10)
    time = np.arange(2 * RATE) / RATE
    samples = 0.01 * np.sin(2 * np.pi * frequency * time + 0.4)
    result = find_noise(Capture.from_array(samples, RATE), band_hz=(10.0, 22_000.0))
    assert result.rms_volts == pytest.approx(0.01 / math.sqrt(2), rel=1e-3)
    # at 20 Hz the window spreads a line over bins whose weights bend: 0.2 dB
    within = 0.25 if frequency < 40 else 0.02
    assert 20 * math.log10(result.a_weighted_volts / result.rms_volts) == pytest.approx(weight_db, abs=within)


def test_white_noise_loses_what_the_weighting_integrates_to() -> None:
    samples = 1e-3 * np.random.default_rng(11).standard_normal(20 * RATE)
    result = find_noise(Capture.from_array(samples, RATE))
    power, _ = integrate.quad(
        lambda f: 10 ** (float(a_weighting_db(np.array([f]))[0]) / 10), 20, 20_000, limit=200
    )
    expected = 10 * math.log10(power / 19_980)
    assert expected == pytest.approx(-2.048, abs=0.001)
    assert 20 * math.log10(result.a_weighted_volts / result.rms_volts) == pytest.approx(expected, abs=0.02)


@pytest.mark.parametrize(("frequency", "line_db"), [(50.013, -20.0), (3777.7, 10.0)])
def test_lines_reach_the_cramer_rao_bound(frequency: float, line_db: float) -> None:
    """Whole readings of 2 s; var A >= 2 s^2 / N, var f >= 12 fs^2 / ((2 pi)^2 eta N (N^2 - 1)), eta = A^2 / (2
    s^2).

    Kay, Fundamentals of Statistical Signal Processing (1993), ch. 3. line_db : the line over all the white
    noise. 60 readings tell a spread to 9 %: a ratio of 0.73 to 1.27 is within three of that.
    """
    runs, frames, spread = 60, 2 * RATE, 1e-3
    peak = spread * math.sqrt(2) * 10 ** (line_db / 20)
    chance = np.random.default_rng(7)
    time = np.arange(frames) / RATE
    hertz, volts = [], []
    for _ in range(runs):
        line = peak * np.cos(2 * np.pi * frequency * time + chance.uniform(0, 2 * np.pi))
        result = find_noise(Capture.from_array(line + spread * chance.standard_normal(frames), RATE))
        (family,) = result.families
        hertz.append(family.fundamental_hz * family.orders[0])
        volts.append(family.rms_volts * math.sqrt(2))
    eta = peak**2 / (2 * spread**2)
    bound_hz = math.sqrt(12 * RATE**2 / ((2 * math.pi) ** 2 * eta * frames * (frames**2 - 1.0)))
    bound_volts = math.sqrt(2 * spread**2 / frames)
    assert 0.73 < np.std(hertz) / bound_hz < 1.27
    assert 0.73 < np.std(volts) / bound_volts < 1.27
    assert abs(np.mean(hertz) - frequency) < 4 * bound_hz / math.sqrt(runs)
    assert abs(np.mean(volts) - peak) < 4 * bound_volts / math.sqrt(runs)
