"""Two settings of a gain control: what clips before it, what behind it, by stages of known limits."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from gainkit import simulator
from gainkit.capture import Capture
from gainkit.generator.kinds import build
from gainkit.generator.spec import ToneSpec
from gainkit.levels import db_from_ratio
from gainkit.onset import OnsetComparison, OnsetResult, compare_onsets, find_onset, staircase
from gainkit.remarks import codes
from gainkit.simulator import Amplifier, Recorder

pytestmark = pytest.mark.long

RATE = 48_000
SOURCE_VOLTS = 2.0
INPUT_PEAK = 2.0
"""Where the stage before the control clips, where it does [V peak]; 0 dBFS is 2 V rms, so at -3.01 dBFS."""

OUTPUT_PEAK = 28.0
PLAN = staircase(-20, 0, 2, 0.3)


def recorded(gain_db: float, *, input_clips: bool, full_scale_volts: float = 60.0) -> Capture:
    """A staircase through an input stage, a gain control and an output stage."""
    samples = build(
        ToneSpec("staircase", from_dbfs=-20, to_dbfs=0, step_db=2, dwell_seconds=0.3), RATE
    ).samples()
    played = samples[:, 0]
    if input_clips:
        most = INPUT_PEAK / (SOURCE_VOLTS * math.sqrt(2.0))
        played = np.clip(played, -most, most)
    amplifier = Amplifier(gain_db=gain_db, positive_rail_volts=OUTPUT_PEAK, noise_volts=0.002)
    recorder = Recorder(full_scale_volts=full_scale_volts, lead_in_seconds=0.5, lead_out_seconds=0.3)
    units = simulator.capture_track(played, RATE, SOURCE_VOLTS, (amplifier, recorder))
    return Capture.from_array(units * full_scale_volts, RATE)


def found(gain_db: float, *, input_clips: bool) -> OnsetResult:
    return find_onset(recorded(gain_db, input_clips=input_clips), PLAN)


@pytest.fixture(scope="module")
def onsets() -> dict[str, OnsetResult]:
    return {
        "plain 20": found(20.0, input_clips=False),
        "plain 26": found(26.0, input_clips=False),
        "plain 32": found(32.0, input_clips=False),
        "input 14": found(14.0, input_clips=True),
        "input 20": found(20.0, input_clips=True),
        "input 32": found(32.0, input_clips=True),
    }


@pytest.mark.parametrize(
    ("one", "other", "where"),
    [
        ("plain 26", "plain 32", "after"),
        ("plain 20", "plain 32", "after"),
        ("input 14", "input 20", "before"),
        ("input 20", "input 32", "both"),
        ("plain 26", "plain 26", "unknown"),
    ],
)
def test_what_clips_by_two_settings(onsets: dict[str, OnsetResult], one: str, other: str, where: str) -> None:
    result = compare_onsets(onsets[one], onsets[other])
    assert result.where == where
    turned = float(other.split()[1]) - float(one.split()[1])
    assert result.gain_change_db == pytest.approx(turned, abs=0.05)
    mirrored = compare_onsets(onsets[other], onsets[one])
    assert (mirrored.where, mirrored.gain_change_db) == (where, result.gain_change_db)
    wanted = {
        "after": {"clips_after_control"},
        "before": {"clips_before_control"},
        "both": {"clips_after_control", "clips_before_control"},
        "unknown": set(),
    }
    assert codes(result.notes) & {"clips_after_control", "clips_before_control"} == wanted[where]


def test_the_figures_of_both_sides(onsets: dict[str, OnsetResult]) -> None:
    """The input meets its rail at 20 log10(2 / (2 sqrt 2)) = -3.01 dBFS, THD reaches 1 % some 0.25 dB later;
    both meet at a gain of 20 log10(28 / 2) = 22.9 dB over 2 V, 6.02 dB more in dBV for 0 dBFS."""
    result = compare_onsets(onsets["input 20"], onsets["input 32"])
    assert result.before_dbfs == pytest.approx(-3.01 + 0.25, abs=0.1)
    assert result.best_gain_db == pytest.approx(
        db_from_ratio(OUTPUT_PEAK / INPUT_PEAK) + db_from_ratio(2.0), abs=0.1
    )
    only = compare_onsets(onsets["plain 26"], onsets["plain 32"])
    assert only.best_gain_db is only.before_dbfs is None
    assert only.after_volts == pytest.approx(onsets["plain 26"].onset_volts, rel=0.01)


def test_a_setting_that_never_clips_tells_what_it_can(onsets: dict[str, OnsetResult]) -> None:
    quiet = found(8.0, input_clips=False)
    assert quiet.onset_dbfs is None
    assert compare_onsets(quiet, onsets["plain 32"]).where == "after"
    nothing = compare_onsets(quiet, found(14.0, input_clips=False))
    assert nothing.where == "nowhere"
    assert "nothing_clipped" in codes(nothing.notes)


def test_onsets_that_fit_neither_are_said_to(onsets: dict[str, OnsetResult]) -> None:
    """An onset that comes earlier at the lower setting: the volume was turned, or the supply fell."""
    moved = dataclasses.replace(onsets["plain 26"], onset_dbfs=-14.0)
    result = compare_onsets(moved, onsets["plain 32"])
    assert result.where == "unknown"
    assert "onsets_fit_neither" in codes(result.notes)
    assert isinstance(result, OnsetComparison)


def test_the_command_compares(tmp_path: Path, gainkit: Callable[..., Any]) -> None:
    paths = []
    for gain_db in (20.0, 32.0):
        capture = recorded(gain_db, input_clips=True)
        paths.append(tmp_path / f"{gain_db:g}.wav")
        soundfile.write(paths[-1], capture.volts() / 60.0, RATE, subtype="PCM_24")
    plan = ("--from-dbfs", -20, "--to-dbfs", 0, "--step-db", 2, "--dwell-seconds", 0.3)
    words = ("onset", "--compare", paths[1], paths[0], *plan, "--full-scale-volts", 60)
    told = gainkit(*words, "--json").json
    assert told["where"] == "both"
    assert told["gain_change_db"] == pytest.approx(12.0, abs=0.05)
    text = gainkit(*words).out
    assert "CLIPS BEFORE THE GAIN CONTROL AT THE LOWER SETTING" in " ".join(text.split())
    assert "Turn down what feeds it" in " ".join(text.split())
    assert gainkit(*words, "--log", tmp_path, "--for", "Front").code != 0
