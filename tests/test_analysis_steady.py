"""The part of a capture in which a tone stands still, and what is left out."""

from __future__ import annotations

from typing import Any, get_args

import numpy as np
import pytest

from gainkit.analysis import (
    Measurement,
    MeasureOptions,
    NoToneReason,
    analyse_tone,
    measure,
)
from gainkit.capture import Capture
from gainkit.errors import GainkitError
from gainkit.remarks import codes, remark
from tests.waves import RATE, Floats, sine, with_noise


def figures(samples: Floats, rate: float = RATE, **asked: object) -> Measurement:
    return measure(Capture.from_array(samples, rate), MeasureOptions(**asked))  # type: ignore[arg-type]


# -- steady part -------------------------------------------------------------------------------------------


def test_silence_before_and_after_is_left_out() -> None:
    pad = np.zeros(RATE // 3)
    found = figures(with_noise(np.concatenate([pad, sine(997), pad]), 80))
    assert found.rms_volts == pytest.approx(1 / np.sqrt(2), rel=1e-3)
    silence = [note.values["seconds"] for note in found.notes if note.code == "silence_left_out"]
    assert silence == [pytest.approx(2 / 3, abs=0.03)]
    assert "dropout" not in codes(found.notes)


@pytest.mark.parametrize("fault", ["skip", "zeros"])
def test_a_dropout_is_told(fault: str) -> None:
    wave = sine(997, 2 * RATE)
    wave = np.delete(wave, slice(60_000, 60_020)) if fault == "skip" else wave
    if fault == "zeros":
        wave[60_000:60_500] = 0
    found = figures(with_noise(wave, 80))
    dropout = next(note for note in found.notes if note.code == "dropout")
    assert dropout.values["at_seconds"][0] == pytest.approx(60_000 / RATE, abs=0.03)
    assert dropout.severity == "fault"
    assert found.thd_percent is not None
    assert found.thd_percent < 0.001


def test_another_level_is_told_and_the_longest_part_taken() -> None:
    found = figures(with_noise(np.concatenate([sine(997, peak=0.3), sine(997, 2 * RATE)]), 80))
    assert found.rms_volts == pytest.approx(1 / np.sqrt(2), rel=1e-3)
    changes = next(note for note in found.notes if note.code == "level_changes")
    assert changes.values["lowest_db"] == pytest.approx(20 * np.log10(0.3), abs=0.05)


SECONDS = np.arange(2 * RATE) / RATE


@pytest.mark.parametrize(
    ("samples", "reason"),
    [
        (np.zeros(RATE), "silent"),
        (np.random.default_rng(6).standard_normal(RATE), "wanders"),
        (sine(997) + sine(1500, peak=0.5), "second_tone"),
        (sine(997, RATE // 12) + sine(1400, RATE // 12, peak=0.75), "second_tone"),
        (10 ** ((-40 + 20 * SECONDS) / 20) * sine(997, 2 * RATE), "glides"),
        (np.sin(2 * np.pi * 50 * 2 / np.log(100) * np.expm1(SECONDS / 2 * np.log(100))), "wanders"),
        (with_noise(sine(997, RATE // 40), -6), "noise"),
    ],
)
def test_no_steady_tone_says_why(samples: Floats, reason: str) -> None:
    found = figures(samples)
    assert not found.steady_tone
    assert found.thd_percent is None
    assert found.clipping.state is None
    assert not found.distortion_seen
    why = next(note for note in found.notes if note.code == "no_steady_tone")
    assert why.values["reason"] == reason
    analysis = analyse_tone(Capture.from_array(samples, RATE))
    assert (analysis.tone, analysis.verdict, analysis.reason) == (None, None, reason)


def test_why_there_is_no_steady_tone_is_said_with_its_figures() -> None:
    (why,) = figures(sine(997) + sine(1500, peak=0.5)).notes
    assert "997 Hz and 1500 Hz" in str(why)
    assert "silent" in GainkitError("no_steady_tone", reason="silent").problem
    for reason in get_args(NoToneReason):
        assert len(str(remark("no_steady_tone", reason=reason))) > len("No steady tone.")


@pytest.mark.parametrize("rate_hz", [20.0, 1.7e9])
def test_times_in_another_unit_than_seconds_are_told_with_the_way_out(rate_hz: float) -> None:
    """Milliseconds, or days, read as seconds: 40 V that lie nowhere in the audio band are not silence."""
    (why,) = measure(Capture.from_array(40 * sine(50, 2000, rate=20_000), rate_hz)).notes
    assert why.values["reason"] == "out_of_band"
    assert why.values["sample_rate_hz"] == rate_hz
    assert "unit of time" in str(why)


def test_a_long_capture_is_scanned_whole_and_fitted_in_part() -> None:
    quiet = np.zeros(5 * RATE)
    found = figures(with_noise(np.concatenate([quiet, sine(997, 25 * RATE)]), 80))
    assert found.seconds == pytest.approx((1 << 18) / RATE, rel=0.01)
    followed = next(note for note in found.notes if note.code == "level_followed")
    assert followed.values["seconds"] == pytest.approx(30)
    assert followed.values["from_seconds"] > 5
    assert followed.values["steady"] is False
    assert found.frequency_hz == pytest.approx(997, rel=1e-7)


def test_fewer_than_three_cycles_are_refused() -> None:
    with pytest.raises(GainkitError) as refused:
        figures(sine(50, int(1.2 * RATE / 50)))
    assert refused.value.code == "too_few_cycles"
    assert refused.value.values["cycles"] == pytest.approx(1.2, abs=0.15)
    assert refused.value.places == (("file", "array"),)
    assert "at least 3" in refused.value.problem


@pytest.mark.parametrize(
    ("asked", "code", "parameter"),
    [
        ({"load_ohms": -4.0}, "outside_range", "load_ohms"),
        ({"load_ohms": float("nan")}, "outside_range", "load_ohms"),
        ({"target_volts": 0.0}, "outside_range", "target_volts"),
        ({"limit_thd_percent": 0.0}, "outside_range", "limit_thd_percent"),
        ({"start_seconds": -1.0}, "outside_range", "start_seconds"),
        ({"band_hz": (100.0, 50.0)}, "empty_band", "band_hz"),
        ({"band_hz": (10.0, float("inf"))}, "empty_band", "band_hz"),
        ({"start_seconds": 2.0, "stop_seconds": 1.0}, "empty_part", "stop_seconds"),
    ],
)
def test_options_out_of_range_are_refused_when_they_are_made(
    asked: dict[str, Any], code: str, parameter: str
) -> None:
    with pytest.raises(GainkitError) as refused:
        MeasureOptions(**asked)
    assert (refused.value.code, refused.value.parameter) == (code, parameter)
    assert refused.value.problem
    assert refused.value.remedy


def test_a_part_that_was_not_recorded_is_refused() -> None:
    with pytest.raises(GainkitError) as refused:
        figures(sine(997), start_seconds=5.0)
    assert refused.value.code == "part_not_recorded"
    assert refused.value.values == {"start_seconds": 5.0, "stop_seconds": 1.0, "seconds": 1.0}
    with pytest.raises(GainkitError):
        figures(sine(997), channel=2)
