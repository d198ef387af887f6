"""Glides whose rail lies far below their top, and tracks with hum: the truth is a sine cut at a known rail.

THD of a sine cut hard on both sides reaches 1 % at 0.252 dB over the rail (its Fourier series, summed).
"""

from __future__ import annotations

import numpy as np
import pytest

from gainkit.capture import Capture
from gainkit.errors import GainkitError
from gainkit.onset import find_onset, glide, staircase

RATE, LIMIT_OVER_RAIL_DB = 24_000, 0.252


def capture_of(
    levels: np.ndarray, frequency_hz: float, rail_dbfs: float, hum: tuple[float, float] | None = None
) -> Capture:
    """A tone at these levels [dBFS] through a rail, noise 70 dB below; hum : its frequency [Hz] and level under
    the rail [dB]."""
    time = np.arange(len(levels)) / RATE
    rail = 10 ** (rail_dbfs / 20)
    wave = np.clip(10 ** (levels / 20) * np.sin(2 * np.pi * frequency_hz * time), -rail, rail)
    quiet = np.zeros(RATE // 2)
    played = np.concatenate([quiet, wave, quiet])
    played += 2e-4 * rail * np.random.default_rng(1).standard_normal(len(played))
    if hum is not None:
        beat = np.sin(2 * np.pi * hum[0] * np.arange(len(played)) / RATE + 1)
        played += rail * 10 ** (-hum[1] / 20) * beat
    return Capture.from_array(20 * played, RATE)


def ramp(low: float, high: float, seconds: float) -> np.ndarray:
    return np.linspace(low, high, round(seconds * RATE))


@pytest.mark.parametrize(
    ("rail_dbfs", "frequency_hz", "hum", "top_dbfs"),
    [
        pytest.param(-17.0, 997.0, None, 0.0, marks=pytest.mark.long),
        (-27.0, 997.0, None, -21.0),
        pytest.param(-25.0, 997.0, None, 0.0, marks=pytest.mark.long),
        pytest.param(-21.0, 50.0, None, 0.0, marks=pytest.mark.long),
        pytest.param(-9.0, 50.0, (50.003, 32.0), 0.0, marks=pytest.mark.long),
    ],
)
def test_a_rail_far_below_the_top_is_found(
    rail_dbfs: float, frequency_hz: float, hum: tuple[float, float] | None, top_dbfs: float
) -> None:
    result = find_onset(
        capture_of(ramp(-30, top_dbfs, 3), frequency_hz, rail_dbfs, hum), glide(-30, top_dbfs, glide_seconds=3)
    )
    assert result.onset_dbfs == pytest.approx(rail_dbfs + LIMIT_OVER_RAIL_DB, abs=0.15)


def refused(capture: Capture, seconds: float) -> str:
    with pytest.raises(GainkitError) as caught:
        find_onset(capture, glide(-20, 0, glide_seconds=seconds))
    return caught.value.code


def test_a_glide_at_its_rail_from_the_start_is_told_so() -> None:
    assert refused(capture_of(ramp(-20, 0, 4), 997.0, -19.9), 4) == "glide_held"


@pytest.mark.parametrize("factor", [0.8, 1.3])
def test_another_pace_is_still_refused(factor: float) -> None:
    assert refused(capture_of(ramp(-20, 0, 4 * factor), 997.0, -8.0), 4) in ("glide_pace", "no_glide")


def test_a_staircase_with_hum_is_one() -> None:
    levels = np.repeat(np.arange(-20.0, 0.1, 2.0), round(0.4 * RATE))
    result = find_onset(capture_of(levels, 100.0, -5.0, (50.0, 26.0)), staircase(-20, 0, 2, 0.4))
    assert result.onset_dbfs == pytest.approx(-5.0 + LIMIT_OVER_RAIL_DB, abs=0.2)
