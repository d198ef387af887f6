"""`gainkit noise`: the verdict first, its codes for scripts, its reading in the record."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.conftest import Answer
from tests.records import new_job

RATE = 48_000
FULL_SCALE_VOLTS = 60.0


@pytest.fixture
def humming(tmp_path: Path) -> Path:
    """Ten volts' worth of channel with 20 mV of mains hum and a little hiss; three seconds."""
    time = np.arange(3 * RATE) / RATE
    hiss = np.random.default_rng(1).normal(0.0, 2e-4, len(time))
    hum = sum(0.02 * 2**0.5 / order * np.sin(2 * np.pi * 50 * order * time) for order in (1, 3, 5))
    path = tmp_path / "hum.wav"
    soundfile.write(path, (hum + hiss) / FULL_SCALE_VOLTS, RATE, subtype="PCM_24")
    return path


def test_hum_is_told_with_where_to_look(humming: Path, gainkit: Callable[..., Answer]) -> None:
    words = ("noise", humming, "--full-scale-volts", FULL_SCALE_VOLTS, "--target-volts", 10)
    told = gainkit(*words)
    assert told.code == 0
    assert f"{humming}: HUM." in told.out
    assert "Unplug them one by one" in " ".join(told.out.split())
    found = gainkit(*words, "--json").json
    assert found["verdict"] == "hum"
    assert found["notes"][0]["code"] == "hum_mains"
    assert found["families"][0]["kind"] == "mains"
    assert found["families"][0]["fundamental_hz"] == pytest.approx(50, abs=0.01)
    # 20 mV with a third and a fifth of it: sqrt(1 + 1/9 + 1/25) of 20 mV
    assert found["families"][0]["rms_volts"] == pytest.approx(0.02 * (1 + 1 / 9 + 1 / 25) ** 0.5, rel=0.002)
    assert found["below_target_db"] > 60


def test_the_record_keeps_it_for_its_output(
    humming: Path, tmp_path: Path, gainkit: Callable[..., Answer]
) -> None:
    job = new_job(tmp_path / "car")
    words = ("noise", humming, "--full-scale-volts", FULL_SCALE_VOLTS, "--log", job)
    assert gainkit(*words, "--for", "Front", "--json").fault["code"] == "output_needed"
    assert gainkit(*words, "--for", "Front/left", "--json").json["below_target_db"] > 60
    assert (job / "readings.jsonl").read_text().count("\n") == 1


def test_what_is_no_silence_is_refused_or_told(tmp_path: Path, gainkit: Callable[..., Answer]) -> None:
    short = tmp_path / "short.wav"
    soundfile.write(short, np.zeros(1000), RATE)
    assert gainkit("noise", short, "--json").fault["code"] == "noise_too_short"
    still = tmp_path / "still.wav"
    soundfile.write(still, np.zeros(3 * RATE), RATE)
    assert gainkit("noise", still, "--json").json["notes"][0]["code"] == "noise_digital_zero"
    assert gainkit("noise", still, "--band-hz", "100:50", "--json").fault["parameter"] == "band_hz"
