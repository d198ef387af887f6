"""What onset refuses: plans that cannot be, and recordings of something else."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from gainkit.capture import Capture
from gainkit.errors import GainkitError
from gainkit.onset import LevelPlan, find_onset, from_index, glide, staircase
from gainkit.simulator import Recorder
from tests import ladders
from tests.tracks import RATE, amplifier, index_of, recorded, track


@pytest.mark.parametrize(
    ("plan", "code", "parameter"),
    [
        (lambda: staircase(-20, 0, 0, 1), "outside_range", "step_db"),
        (lambda: staircase(-20, 0, 3, 1), "steps_do_not_fit", "step_db"),
        (lambda: staircase(-20, math.nan, 1, 1), "outside_range", "to_dbfs"),
        (lambda: staircase(-20, 5, 1, 1), "outside_range", "to_dbfs"),
        (lambda: staircase(-121, 0, 1, 1), "outside_range", "from_dbfs"),
        (lambda: staircase(-3, -3, 1, 1), "levels_equal", "to_dbfs"),
        (lambda: staircase(-20, 0, 20, 1), "step_count", "step_db"),
        (lambda: staircase(-20, 0, 1, -1), "outside_range", "dwell_seconds"),
        (lambda: glide(-20, 0, math.inf), "outside_range", "glide_seconds"),
    ],
)
def test_impossible_plans_are_refused(plan: Callable[[], object], code: str, parameter: str) -> None:
    with pytest.raises(GainkitError) as fault:
        plan()
    assert (fault.value.code, fault.value.parameter) == (code, parameter)


def refused(capture: Capture, plan: LevelPlan, **options: Any) -> GainkitError:
    """The fault that a recording meets; it names the recording."""
    with pytest.raises(GainkitError) as fault:
        find_onset(capture, plan, **options)
    assert fault.value.places == (("file", capture.file),)
    return fault.value


def test_other_steps_than_planned_are_refused() -> None:
    capture = recorded(track("staircase", step_db=2.0), amplifier())
    assert refused(capture, staircase(-6, 0, 1, 0.4)).code in {"other_steps", "no_staircase"}
    capture = recorded(track("staircase"), amplifier())
    assert refused(capture, staircase(-12, 0, 1, 0.2)).code in {"other_steps", "no_staircase"}


def test_other_glide_than_planned_is_refused() -> None:
    fault = refused(recorded(track("glide"), amplifier()), glide(-12, 0, 9))
    assert fault.code == "glide_pace"
    assert fault.values["planned_db_per_second"] == pytest.approx(12 / 9)
    assert fault.values["heard_db_per_second"] == pytest.approx(2.0, abs=0.1)


def test_cut_at_both_ends_is_refused_without_markers() -> None:
    capture = recorded(
        track("staircase"),
        amplifier(),
        Recorder(full_scale_volts=40, lead_in_seconds=-2, lead_out_seconds=-1.6),
    )
    assert refused(capture, staircase(-12, 0, 1, 0.4)).code == "ends_not_recorded"


def test_silence_noise_and_another_tone_are_refused(tmp_path: Path) -> None:
    plan = staircase(-12, 0, 1, 0.4)
    assert refused(Capture.from_array(np.zeros(RATE * 6), RATE), plan).code == "recording_silent"
    assert refused(Capture.from_array(np.ones(100), RATE), plan).code == "too_short_for_levels"
    noise = np.random.default_rng(1).normal(0, 1, RATE * 6)
    assert refused(Capture.from_array(noise, RATE), plan).code == "no_staircase"
    wave = track("staircase", frequency_hz=400.0)
    index = index_of(track("staircase"), "staircase", tmp_path)
    fault = refused(recorded(wave, amplifier()), from_index(index, None))
    assert fault.code == "tone_of_other_track"
    assert fault.values["heard_hz"] == pytest.approx(400, rel=1e-3)


def test_source_volts_out_of_range_are_refused() -> None:
    for volts in (0.0, -2.0, math.nan):
        with pytest.raises(GainkitError) as fault:
            find_onset(Capture.from_array(np.zeros(10), RATE), staircase(), source_volts=volts)
        assert (fault.value.code, fault.value.parameter) == ("outside_range", "source_volts")


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("", "index_unreadable"),
        ("[]", "index_without_tracks"),
        ('{"tracks": []}', "track_not_chosen"),
        ('{"tracks": [{"kind": "staircase", "file": "a.wav"}]}', "track_damaged"),
        (
            '{"sample_rate_hz": 44100, "tracks": [{"kind": "glide", "file": "a.wav", "steps": []}]}',
            "track_damaged",
        ),
    ],
)
def test_broken_index(text: str, code: str, tmp_path: Path) -> None:
    path = tmp_path / "index.json"
    path.write_text(text)
    with pytest.raises(GainkitError) as fault:
        from_index(path, None)
    assert fault.value.code == code
    with pytest.raises(GainkitError):
        from_index(path, "02_other.wav")
    with pytest.raises(GainkitError) as fault:
        from_index(tmp_path / "none.json", None)
    assert fault.value.code == "index_not_there"


def test_several_placements_are_listed_and_refused() -> None:
    scene = ladders.ladder("wakes late, falls silent", 1)
    fault = refused(scene.capture, scene.plan)
    assert fault.code == "several_placements"
    assert len(fault.values["placements"]) > 1
    assert "dBFS; " in str(fault)
