"""Noise that stands elsewhere: in another channel of the capture, and outside the audio band."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from gainkit.capture import Capture
from gainkit.job.log import log_reading
from gainkit.job.standing import job_status
from gainkit.noise import OUTSIDE, NoiseResult, find_noise
from gainkit.remarks import Remark, codes
from tests.conftest import Answer
from tests.records import new_job
from tests.waves import Floats

pytestmark = pytest.mark.long

RATE = 48_000
SECONDS = 3
TARGET_VOLTS = 12.0
QUIET_VOLTS = 5e-5


def hiss(volts: float = QUIET_VOLTS, seed: int = 1, rate: int = RATE) -> Floats:
    return volts * np.random.default_rng(seed).standard_normal(SECONDS * rate)


def sine(hz: float, volts: float, rate: int = RATE) -> Floats:
    return np.asarray(volts * math.sqrt(2) * np.sin(2 * np.pi * hz * np.arange(SECONDS * rate) / rate + 0.3))


def hum(volts: float) -> Floats:
    return sine(50, volts) + sine(100, volts / 2)


def read(*channels: Floats, rate: int = RATE, target: float | None = TARGET_VOLTS, **asked: int) -> NoiseResult:
    capture = Capture.from_array(np.stack(channels, axis=1), rate)
    return find_noise(capture, target_volts=target, **asked)


def told(result: NoiseResult, code: str) -> Remark | None:
    return next((each for each in result.notes if each.code == code), None)


@pytest.mark.parametrize("place", [2, 4])
def test_a_silent_channel_beside_a_humming_one_is_not_called_quiet(place: int) -> None:
    rest = [hiss(1e-5, seed) for seed in range(2, place)]
    result = read(hiss(1e-5), *rest, hum(0.02) + hiss())
    assert result.verdict == "not known"
    assert result.notes[0].code == "noise_louder_channel"
    assert result.notes[0].values["other_channel"] == place
    # 20 mV of 50 Hz at -30.2 dB, half of it at 100 Hz at -19.1 dB (IEC 61672-1, table of A-weightings)
    weighted = 0.02 * math.hypot(10 ** (-30.2 / 20), 10 ** (-19.1 / 20) / 2)
    assert result.notes[0].values["other_volts"] == pytest.approx(weighted, rel=0.03)
    assert read(hiss(1e-5), *rest, hum(0.02) + hiss(), channel=place).verdict == "hum"


def test_a_channel_that_was_named_is_judged_with_a_word_of_the_other() -> None:
    result = read(hiss(1e-5), hum(0.02) + hiss(), channel=1)
    note = told(result, "noise_louder_channel")
    assert result.verdict == "quiet"
    assert note is not None
    assert note.severity == "remark"


def test_without_a_target_next_to_nothing_is_no_hiss_beside_hum() -> None:
    assert read(hiss(1e-5), hum(0.02), target=None).verdict == "not known"
    still = read(np.zeros(SECONDS * RATE), hum(0.02))
    assert codes(still.notes) >= {
        "noise_digital_zero",
        "noise_louder_channel",
    }


@pytest.mark.parametrize("other", ["alike", "softer", "zero", "clicking"])
def test_channels_alike_softer_ones_and_clicks_are_not_told(other: str) -> None:
    click = np.zeros(SECONDS * RATE)
    click[RATE : RATE + 100] = 3.0
    others = {
        "alike": hiss(6e-5, 2),
        "softer": hiss(1e-6, 2),
        "zero": 0 * click,
        "clicking": hiss(seed=2) + click,
    }
    result = read(hiss(), others[other])
    assert result.verdict == "quiet"
    assert codes(result.notes) == {"noise_quiet"}


@pytest.mark.parametrize(
    ("hz", "volts", "rate", "code"),
    [
        (2.0, 0.5, RATE, "noise_below_band"),
        (14.0, 1.0, RATE, "noise_below_band"),
        (22_000.0, 0.5, RATE, "noise_above_band"),
        (21_500.0, 0.02, 44_100, "noise_above_band"),
        (40_000.0, 0.1, 96_000, "noise_above_band"),
    ],
)
def test_volts_outside_the_band_are_told_as_a_fault(hz: float, volts: float, rate: int, code: str) -> None:
    for target in (TARGET_VOLTS, None):
        result = read(hiss(rate=rate) + sine(hz, volts, rate), rate=rate, target=target)
        note = told(result, code)
        assert note is not None
        assert note.severity == "fault"
        assert note.values["rms_volts"] == pytest.approx(volts, rel=0.02)
        assert len(codes(result.notes) & OUTSIDE) == 1


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
def test_white_noise_is_no_more_outside_the_band_than_within(rate: int) -> None:
    for volts in (1e-4, 5e-3):
        assert not codes(read(hiss(volts, rate=rate), rate=rate).notes) & {
            "noise_below_band",
            "noise_above_band",
        }


def test_what_the_recorder_moves_itself_is_not_the_chain_s() -> None:
    slow = sine(3.0, 0.3)
    capture, alone = (Capture.from_array(hiss(seed=seed) + slow, RATE) for seed in (1, 2))
    result = find_noise(capture, recorder=alone, target_volts=TARGET_VOLTS)
    assert told(result, "noise_below_band") is None


def test_the_record_holds_volts_outside_the_band_until_they_are_gone(tmp_path: Path) -> None:
    job = new_job(tmp_path / "car")

    def standing() -> set[str]:
        output = next(each for each in job_status(job).outputs if each.name == "Front/left")
        return codes(output.faults)

    log_reading(job, "noise", "Front/left", read(hiss() + sine(22_000, 0.5)))
    assert standing() >= {"noise_above_band"}
    log_reading(job, "noise", "Front/left", read(hiss()))
    assert "noise_above_band" not in standing()


def test_the_headline_says_quiet_of_its_band_alone(tmp_path: Path, gainkit: Callable[..., Answer]) -> None:
    path = tmp_path / "silence.wav"
    soundfile.write(path, (hiss() + sine(7.0, 0.3) + sine(14.0, 0.5)) / 60, RATE, subtype="FLOAT")
    answer = gainkit("noise", path, "--full-scale-volts", 60, "--target-volts", TARGET_VOLTS)
    headline = " ".join(answer.out.split("\n\n")[0].split())
    assert "QUIET." not in headline
    assert "Below 20 Hz there are 0.583 V" in headline  # sqrt(0.3^2 + 0.5^2)
