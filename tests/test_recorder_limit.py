"""Flats at one value that are no limit of the recorder: converters of few bits, readings joined by lines."""

from __future__ import annotations

import numpy as np
import pytest

from gainkit.analysis import Measurement, measure
from gainkit.capture import Capture
from gainkit.remarks import codes
from tests.waves import RATE, Floats, held, shaped, with_noise


def stored(wave: Floats, bits: int, full: float) -> Floats:
    """On the grid of a converter whose range the wave fills so far."""
    step = 2.0 ** (1 - bits)
    return np.asarray(np.round(wave / np.abs(wave).max() * full / step) * step)


@pytest.mark.parametrize("overdrive_db", [0.7, 2.7])
def test_rails_in_a_file_of_twelve_bits_are_no_limit_of_the_recorder(overdrive_db: float) -> None:
    """Nothing but the values tells the steps: noise of a tenth of one does not move a flat."""
    wave = with_noise(shaped(held(overdrive_db, "positive"), 110.0, oversampling=4), 78)
    found = measure(Capture.from_array(stored(wave, 12, 0.44), RATE))
    assert "recorder_limit" not in codes(found.notes)
    assert found.clipping.overdrive_db == pytest.approx(overdrive_db, abs=0.02)


def joined(overdrive_db: float, scale: float, limit: float, noise: float) -> Measurement:
    """66 readings a period of a tone that is held so many steps high, cut at a limit; between two of them
    four more on lines."""
    readings = 66 * 21
    tone = 10 ** (overdrive_db / 20) * np.sin(2 * np.pi * np.arange(readings) / 66 + 0.4)
    moved = np.clip(tone, -1, 1) + noise * np.random.default_rng(11).standard_normal(readings)
    steps = np.clip(np.round(scale * moved), -limit, limit)
    between = np.interp(np.arange((readings - 1) * 5 + 1) / 5, np.arange(readings), steps)
    return measure(Capture.from_array(0.02 * between, 66 * 5 * 200.0))


@pytest.mark.parametrize(("overdrive_db", "scale"), [(0.5, 80), (0.97, 60), (0.97, 80)])
def test_readings_that_are_joined_by_lines_are_no_limit_of_the_recorder(
    overdrive_db: float, scale: float
) -> None:
    found = joined(overdrive_db, scale, 127, 0.002)
    assert "recorder_limit" not in codes(found.notes)
    assert found.clipping.overdrive_db == pytest.approx(overdrive_db, abs=0.1)


def test_a_limit_is_seen_through_the_lines_between_readings() -> None:
    assert "recorder_limit" in codes(joined(0.97, 110, 100, 0.02).notes)


@pytest.mark.parametrize(("hertz", "overdrive_db"), [(1078.0, 8.1), (1740.0, 7.1), (2457.0, 8.8)])
@pytest.mark.parametrize("by_recorder", [True, False])
def test_a_file_cut_deep_at_a_high_tone_is_told_from_a_rail(
    hertz: float, overdrive_db: float, by_recorder: bool
) -> None:
    """Flanks of a few samples leave no room for differences along time: those of like phase show the noise."""
    level = 10 ** (overdrive_db / 20)
    if by_recorder:
        tone = with_noise(level * np.sin(2 * np.pi * hertz * np.arange(RATE) / RATE), 65)
        wave = 0.6 * np.round(np.clip(tone, -1, 1) * 2**15) / 2**15
    else:
        wave = np.round(with_noise(0.5 * shaped(held(overdrive_db), hertz), 65) * 2**15) / 2**15
    found = measure(Capture.from_array(wave, RATE))
    assert ("recorder_limit" in codes(found.notes)) is by_recorder
    assert by_recorder or found.clipping.overdrive_db == pytest.approx(overdrive_db, abs=0.1)
