"""`gainkit onset` as a technician calls it: tones written, simulated recording, answer and faults."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from gainkit import simulator
from gainkit.simulator import Amplifier, Recorder
from tests.records import SYSTEM

pytestmark = pytest.mark.long

STAGE = Amplifier(gain_db=24.0, positive_rail_volts=28.0, noise_volts=0.006)
SOURCE_VOLTS = 2.0

KEYS = {
    "onset_uncertainty_db",
    "found", "limit_thd_percent", "onset_dbfs", "onset_volts", "small_signal_gain_db", "rail_volts", "steps",
    "notes",
}  # fmt: skip
STEP_KEYS = {"level_dbfs", "rms_volts", "thd_percent", "gain_db", "state"}

TONE_SET = """
title = "Levels"

[[track]]
kind = "staircase"
title = "Levels"
from_dbfs = -12
dwell_seconds = 0.4
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("onset")


def write_recording(track: Path, path: Path, full_scale_volts: float = 40.0, stage: Amplifier = STAGE) -> None:
    """The track played through the stage and recorded at 48 kHz with a clock 80 ppm fast."""
    samples, rate = soundfile.read(track, dtype="float64")
    recorder = Recorder(
        full_scale_volts=full_scale_volts, clock_ppm=80, lead_in_seconds=0.8, lead_out_seconds=0.3
    )
    units = simulator.capture_track(samples[:, 0], rate, SOURCE_VOLTS, (stage, recorder))
    soundfile.write(path, units, 48_000, subtype="PCM_24")


@pytest.fixture
def recording(folder: Path, gainkit: Callable[..., Any]) -> Path:
    """A recording of a staircase that `gainkit tones one` wrote; made once."""
    track, path = folder / "levels.wav", folder / "recording.wav"
    if not path.exists():
        made = gainkit(
            "tones", "one", "staircase", "--from-dbfs", -12, "--dwell-seconds", 0.4, "--out", track
        )  # fmt: skip
        assert made.code == 0, made.err
        write_recording(track, path)
    return path


LEVELS = ("--from-dbfs", -12, "--dwell-seconds", 0.4)


def test_answer_in_json(recording: Path, gainkit: Callable[..., Any]) -> None:
    answer = gainkit("onset", recording, *LEVELS, "--full-scale-volts", 40, "--json")
    assert answer.code == 0, answer.err
    told = answer.json
    assert set(told) == KEYS
    assert set(told["steps"][0]) >= STEP_KEYS
    truth = simulator.true_onset(STAGE, SOURCE_VOLTS)
    assert truth is not None
    # 0.05 dB is the goal; the track itself is scaled by 0.0005 dB to make room for dither
    assert told["onset_dbfs"] == pytest.approx(truth.level_dbfs, abs=0.01)
    assert abs(told["onset_dbfs"] - truth.level_dbfs) <= told["onset_uncertainty_db"] < 0.05
    assert told["onset_volts"] == pytest.approx(truth.output_volts, rel=1e-3)
    assert told["rail_volts"] == pytest.approx(28.0, rel=1e-3)
    assert told["small_signal_gain_db"] == pytest.approx(24.0 + 20 * math.log10(SOURCE_VOLTS), abs=0.01)
    assert len(told["steps"]) == 13
    assert [step["level_dbfs"] for step in told["steps"]] == list(range(-12, 1))


def test_answer_in_words(recording: Path, gainkit: Callable[..., Any]) -> None:
    answer = gainkit("onset", recording, *LEVELS, "--full-scale-volts", 40, "--source-volts", 2)
    assert answer.code == 0
    first = answer.out.splitlines()[0] + " " + answer.out.splitlines()[1]
    truth = simulator.true_onset(STAGE, SOURCE_VOLTS)
    assert truth is not None
    assert float(first.split("ONSET AT ")[1].split(" dBFS")[0]) == pytest.approx(truth.level_dbfs, abs=0.015)
    assert 0.01 <= float(answer.out.split(" dBFS +- ")[1].split(" dB (95 %)")[0]) < 0.05
    assert "24.00 dB" in answer.out
    assert "unplugged" in answer.out
    assert max(len(line) for line in answer.out.splitlines()) <= 79 + len(str(recording))


def test_without_calibration_no_volts(recording: Path, gainkit: Callable[..., Any]) -> None:
    told = gainkit("onset", recording, *LEVELS, "--json").json
    assert told["found"] is True
    assert told["small_signal_gain_db"] is None
    assert all(step["gain_db"] is None for step in told["steps"])


def test_track_from_the_index(folder: Path, gainkit: Callable[..., Any]) -> None:
    tones = folder / "levels.toml"
    tones.write_text(TONE_SET)
    made = gainkit("tones", "write", tones, folder / "stick")
    assert made.code == 0, made.err
    track = next((folder / "stick").glob("01_*"))
    write_recording(track, folder / "by_index.wav")
    index = folder / "stick" / "index.json"
    for chosen in ((), ("--track", track.name)):
        told = gainkit(
            "onset", folder / "by_index.wav", "--index", index, *chosen, "--full-scale-volts", 40, "--json"
        ).json
        truth = simulator.true_onset(STAGE, SOURCE_VOLTS)
        assert truth is not None
        assert told["onset_dbfs"] == pytest.approx(truth.level_dbfs, abs=0.01)
        clock = next(note for note in told["notes"] if note["code"] == "recorder_clock")
        assert clock["clock_ppm"] == pytest.approx(80, abs=1)
        assert "80 ppm fast" in clock["text"]
    refused = gainkit("onset", folder / "by_index.wav", "--index", index, "--track", "09_x.wav").refused()
    assert track.name in refused


def test_overload_and_no_onset_in_words(folder: Path, recording: Path, gainkit: Callable[..., Any]) -> None:
    write_recording(folder / "levels.wav", folder / "overload.wav", full_scale_volts=15.0)
    answer = gainkit("onset", folder / "overload.wav", *LEVELS, "--full-scale-volts", 15)
    assert answer.code == 0
    assert "ONSET NOT KNOWN" in answer.out
    assert "not judged" in answer.out
    write_recording(
        folder / "levels.wav", folder / "never.wav", stage=Amplifier(gain_db=10.0, positive_rail_volts=28.0)
    )
    assert "NO ONSET FOUND" in gainkit("onset", folder / "never.wav", *LEVELS).out
    told = gainkit("onset", folder / "never.wav", *LEVELS, "--json").json
    assert told["found"] is False
    assert told["onset_dbfs"] is None


def test_faults_of_the_call(folder: Path, recording: Path, gainkit: Callable[..., Any]) -> None:
    assert "none.wav" in gainkit("onset", folder / "none.wav").refused()
    assert "--index" in gainkit("onset", recording, "--track", "01.wav").refused()
    assert "--index" in gainkit("onset", recording, "--index", folder / "x.json", "--step-db", 1).refused()
    assert "glide" in gainkit("onset", recording, "--glide-seconds", 20, "--step-db", 1).refused()
    assert "--step-db" in gainkit("onset", recording, "--step-db", "nan").refused()
    assert "--source-volts" in gainkit("onset", recording, *LEVELS, "--source-volts", 0).refused()
    assert "--limit-thd-percent" in gainkit("onset", recording, *LEVELS, "--limit-thd-percent", -1).refused()
    assert "channel 2" in gainkit("onset", recording, *LEVELS, "--channel", 2).refused()
    gainkit("onset", recording, "--from-dbfs", -12, "--dwell-seconds", 0.9).refused()


def test_recordings_that_hold_no_staircase(folder: Path, gainkit: Callable[..., Any]) -> None:
    rng = np.random.default_rng(5)
    time = np.arange(48_000 * 3) / 48_000
    for name, samples in {
        "steady": 0.5 * np.sin(2 * np.pi * 997 * time),
        "noise": rng.normal(0, 0.1, len(time)),
        "silence": np.zeros(len(time)),
        "short": 0.5 * np.sin(2 * np.pi * 997 * time[:2000]),
        "nan": np.where(np.arange(len(time)) == 70_000, np.nan, 0.1 * np.sin(2 * np.pi * 997 * time)),
    }.items():
        path = folder / f"{name}.wav"
        soundfile.write(path, samples, 48_000, subtype="FLOAT")
        assert name in gainkit("onset", path, *LEVELS).refused()


def test_a_steady_tone_is_no_staircase(folder: Path, gainkit: Callable[..., Any], tmp_path: Path) -> None:
    """Clipped all along, it would pass for a staircase that lies beyond the rail with every step."""
    time = np.arange(25 * 48_000) / 48_000
    wave = np.clip(0.7 * np.sin(2 * np.pi * 997 * time), -0.5, 0.5)
    wave += 1e-4 * np.random.default_rng(1).standard_normal(len(wave))
    soundfile.write(tmp_path / "steady.wav", wave, 48_000, subtype="PCM_24")
    told = gainkit("onset", tmp_path / "steady.wav", "--from-dbfs", -20, "--to-dbfs", 0)
    assert told.code == 2
    assert "does not move" in told.err


def test_a_glide_is_not_read_as_a_staircase(folder: Path, gainkit: Callable[..., Any], tmp_path: Path) -> None:
    """It clips 3 dB down; read in steps of the default staircase it would pass for clean to the end."""
    track = tmp_path / "glide.wav"
    assert gainkit("tones", "one", "glide", "--seconds", 20, "--out", track).code == 0
    samples, rate = soundfile.read(track)
    clipped = np.clip(samples[:, 0], -0.7, 0.7) * 0.9
    clipped += 1e-4 * np.random.default_rng(1).standard_normal(len(clipped))
    soundfile.write(tmp_path / "played.wav", clipped, rate, subtype="PCM_24")
    told = gainkit("onset", tmp_path / "played.wav")
    assert told.code == 2
    assert "--glide-seconds" in told.err
    found = gainkit("onset", tmp_path / "played.wav", "--glide-seconds", 20, "--json").json
    rail_dbfs = 20 * math.log10(0.7)
    assert rail_dbfs < found["onset_dbfs"] < rail_dbfs + 0.4  # 1 % THD comes a little beyond the rail


def test_the_limit_of_a_system_file_counts(
    recording: Path, gainkit: Callable[..., Any], tmp_path: Path
) -> None:
    system = tmp_path / "system.toml"
    system.write_text(SYSTEM + "\n[check]\nlimit_thd_percent = 5.0\n")
    asked = ("onset", recording, *LEVELS, "--system", system, "--json")
    assert gainkit(*asked).json["limit_thd_percent"] == 5.0
    assert gainkit(*asked, "--limit-thd-percent", 2).json["limit_thd_percent"] == 2.0
