"""What an 8-bit oscilloscope can tell of distortion: its stated uncertainty and its floor hold.

Truth in closed form or by a fine transform of one period; records as oscilloscopes make them, 20 to 120 steps
high, 1000 to 100,000 points, the noise from nothing to a third of a step.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from gainkit.analysis import Measurement, measure
from gainkit.capture import Capture

FINE = 1 << 16


def clipped(turns: NDArray[np.float64], overdrive_db: float | None) -> NDArray[np.float64]:
    """A sine of peak 1 by its phase [turns], held between rails where an overdrive is given."""
    rail = np.inf if overdrive_db is None else 10 ** (-overdrive_db / 20)
    return np.clip(np.sin(2 * np.pi * turns), -rail, rail)


def record(rng: np.random.Generator, overdrive_db: float | None) -> tuple[Measurement, float]:
    """A measured record, and the THD of its wave in the band [%]."""
    frequency_hz, frames = (
        rng.choice([50.0, 100.0, 400.0, 997.0]),
        int(rng.choice([1000, 2500, 10_000, 100_000])),
    )
    rate_hz = frequency_hz * frames / rng.uniform(4, 30)
    wave = clipped(np.arange(frames) * frequency_hz / rate_hz + rng.uniform(), overdrive_db)
    step = np.abs(wave).max() / rng.uniform(20, 120)
    noise = rng.choice([0.0, 0.1, 0.3]) * step * rng.standard_normal(frames)
    measured = measure(Capture.from_array(np.round((wave + noise) / step) * step, rate_hz, calibrated=True))
    orders = int(min(20_000.0, 0.5 * rate_hz) / frequency_hz)
    lines = np.abs(np.fft.rfft(clipped(np.arange(FINE) / FINE, overdrive_db)))
    return measured, float(100 * np.linalg.norm(lines[2 : orders + 1]) / lines[1])


@pytest.mark.long
@pytest.mark.parametrize("overdrive_db", [0.1, 0.5, 2.0])
def test_distortion_lies_within_its_stated_uncertainty(overdrive_db: float) -> None:
    """Of 40 records at least 36 within two standard uncertainties (of a normal law 38), none beyond four."""
    rng = np.random.default_rng(round(10 * overdrive_db))
    errors = []
    for _ in range(40):
        measured, thd_percent = record(rng, overdrive_db)
        assert measured.thd_percent is not None
        assert measured.thd_uncertainty_percent is not None
        errors.append(abs(measured.thd_percent - thd_percent) / measured.thd_uncertainty_percent)
    assert np.count_nonzero(np.array(errors) < 2.0) >= 36
    assert max(errors) < 4.0


@pytest.mark.long
def test_steps_alone_are_not_told_as_distortion() -> None:
    rng = np.random.default_rng(8)
    for _ in range(60):
        measured, _ = record(rng, None)
        assert not measured.distortion_seen
        assert measured.clipping.state == "clean"
