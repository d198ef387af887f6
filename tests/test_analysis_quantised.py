"""What an 8-bit oscilloscope can tell of distortion: its stated uncertainty and its floor hold.

Truth in closed form or by a fine transform of one period; records as oscilloscopes make them, 20 to 120 steps
high, 1000 to 100,000 points, the noise from nothing to a third of a step.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from gainkit.analysis import Measurement, measure
from gainkit.capture import Capture, read_capture

FINE = 1 << 16

SCREENS = 19, 24, 98, 118, 122, 139, 146, 148


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


# ---- steps that grow with the value --------------------------------------------------------------------------


def companded(
    tmp_path: Path, subtype: str, overdrive_db: float, peak: float, seed: int, top: float = 9.0
) -> Measurement:
    """A tone of 50 to 300 Hz at 8 kHz behind rails at peak, as a telephone's recorder stores it."""
    rng = np.random.default_rng(seed)
    time = np.arange(16_000) / 8000
    wave = peak * np.clip(10 ** (overdrive_db / 20) * np.sin(2 * np.pi * rng.uniform(50, 300) * time), -1, 1)
    path = tmp_path / "voice.wav"
    soundfile.write(path, np.clip(wave + 0.002 * peak * rng.standard_normal(16_000), -top, top), 8000, subtype)
    return measure(read_capture(path))


@pytest.mark.long
@pytest.mark.parametrize("subtype", ["ULAW", "ALAW"])
def test_companded_steps_are_neither_rails_nor_the_recorders_limit(tmp_path: Path, subtype: str) -> None:
    for seed in range(6):
        clean = companded(tmp_path, subtype, -3.0, 0.4, seed)
        assert not clean.recorder_overload
        assert clean.clipping.state == "clean"
        clip = companded(tmp_path, subtype, 2.5, 0.45, seed).clipping
        assert clip.state == "clipped"
        assert clip.overdrive_db is not None
        assert clip.overdrive_uncertainty_db is not None
        assert abs(clip.overdrive_db - 2.5) < 3 * clip.overdrive_uncertainty_db < 1.0


@pytest.mark.parametrize("subtype", ["ULAW", "ALAW"])
def test_a_companded_recording_that_stands_at_its_top_is_overloaded(tmp_path: Path, subtype: str) -> None:
    assert companded(tmp_path, subtype, 0.0, 1.6, 1, top=1.0).recorder_overload


@pytest.mark.parametrize("subtype", ["ULAW", "ALAW"])
def test_a_companded_tone_that_just_reaches_the_top_is_not_overloaded(tmp_path: Path, subtype: str) -> None:
    for seed in range(3):
        assert not companded(tmp_path, subtype, -0.1, 0.98, seed).recorder_overload


def test_rails_on_coarse_steps_are_not_the_recorders_own_limit() -> None:
    """Flats between two steps stand at one value whoever cut them: records of 7 to 9 bits, a rail with a noise
    of at most a third of a step before them. Of seeds 0 to 159 nine were once called the screen's; these are
    eight of them."""
    told = []
    for seed in SCREENS:
        rng = np.random.default_rng([31_337, seed])
        frequency_hz = np.exp(rng.uniform(*np.log([25, 4000])))
        rate_hz, frames = rng.choice([48e3, 96e3, 100e3, 250e3, 500e3]), int(rng.choice([5000, 20_000, 50_000]))
        bits, overdrive_db = rng.choice([7, 8, 8, 9]), rng.uniform(0.3, 5)
        wave = clipped(np.arange(frames) * frequency_hz / rate_hz + rng.uniform(), overdrive_db)
        step = np.ptp(wave) * rng.uniform(1.05, 2.5) / 2.0**bits
        noise = rng.uniform(0, 0.28) * rng.standard_normal(frames) + rng.uniform(-0.5, 0.5)
        found = measure(Capture.from_array(np.round(wave / step + noise) * step, float(rate_hz)))
        if found.clipping.state is None:
            told.append(seed)
    assert told == []
