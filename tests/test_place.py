"""Where a reading belongs: what commands note, what they find in the job's folder, and what they refuse."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from gainkit.job.log import log_reading
from gainkit.job.places import RECORD_FILE, job_here
from gainkit.job.readings import read_readings
from tests.conftest import Answer
from tests.records import SYSTEM, VOLTS, measured, new_job
from tests.waves import RATE, held, shaped, sine, with_noise

Gainkit = Callable[..., Answer]
FULL_SCALE = 40.0
PEAK = VOLTS["Front/left"] * 2**0.5 / FULL_SCALE
CALIBRATION = f"full_scale_volts = {FULL_SCALE}\nchannel = 1\nsample_rate_hz = {RATE}\n"


@pytest.fixture
def job(tmp_path: Path) -> Path:
    """A job with a calibration, and recordings of its front outputs on target beside it."""
    folder = new_job(tmp_path / "car")
    (folder / "recorder.toml").write_text(CALIBRATION)
    (folder / "captures").mkdir()
    soundfile.write(folder / "captures" / "left.wav", sine(997, peak=PEAK), RATE, subtype="PCM_24")
    return folder


def noise_file(path: Path, gain: float) -> Path:
    """Three seconds of band-limited noise."""
    draw = np.random.default_rng(3)
    soundfile.write(path, gain * 0.1 * draw.standard_normal(3 * RATE), RATE, subtype="PCM_24")
    return path


# -- found from where one stands -----------------------------------------------------------------------------


def test_inside_a_job_folder_the_capture_and_its_output_are_enough(
    job: Path, monkeypatch: pytest.MonkeyPatch, gainkit: Gainkit
) -> None:
    monkeypatch.chdir(job)
    told = gainkit("measure", "captures/left.wav", "--for", "front/left", "--by", "M. Adeyemi")
    assert told.code == 0, told.err
    assert "On target: 14.14 V" in told.out
    assert "Used: system.toml, recorder.toml." in told.err
    assert "Noted as 1: measure of Front/left." in told.err
    monkeypatch.chdir(job / "captures")
    answer = gainkit("measure", "left.wav", "--for", "Front/right", "--json").json
    assert answer["noted"] == {"number": 2, "kind": "measure"}
    assert answer["used"] == ["../system.toml", "../recorder.toml"]
    readings, _ = read_readings(job)
    assert [each.who for each in readings] == ["M. Adeyemi", "R. Okafor"]
    assert [len(each.captures[0].sha256 or "") for each in readings] == [64, 64]
    assert gainkit("job", "status", "--json").json["outputs"][0]["met"] is True
    assert gainkit("note", "--for", "Rear", "--volts", "10", "--json").json["number"] == 3
    assert gainkit("job", "status").out.startswith("ALL 3 OUTPUTS ON TARGET")
    assert gainkit("sheet", "--json").json["file"] == "../sheet.html"
    assert gainkit("job", "undo").code == 0
    assert len(gainkit("job", "readings", "--json").json["readings"]) == 4


def test_nothing_is_noted_unasked(
    job: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, gainkit: Gainkit
) -> None:
    monkeypatch.chdir(job)
    capture = "captures/left.wav"
    assert gainkit("measure", capture, "--for", "Front/left", "--no-log").code == 0
    told = gainkit("measure", capture)  # nobody said which output: volts by the job's recorder, and no more
    assert "14.14 V rms" in told.out
    assert "On target" not in told.out
    other = new_job(tmp_path / "other car")
    words = ("measure", capture, "--for", "Rear", "--full-scale-volts", 40)
    assert gainkit(*words, "--system", other / "system.toml").code == 0
    assert not (job / RECORD_FILE).exists()
    assert not (other / RECORD_FILE).exists()
    monkeypatch.chdir(tmp_path)
    assert job_here() is None
    assert gainkit("job", "status", "--json").fault["code"] == "no_job_here"


# -- each command notes its own ------------------------------------------------------------------------------


def test_commands_note_their_readings(job: Path, tmp_path: Path, gainkit: Gainkit, demo: object) -> None:
    captures = demo[0] / "captures"  # type: ignore[index]
    index = demo[0] / "stick" / "index.json"  # type: ignore[index]
    left, right = (captures / f"polarity_front_{side}.wav" for side in ("left", "right"))
    both = ("--for", "Front/left", "--for", "Front/right")
    log = ("--log", job, "--json")
    pair = gainkit("polarity", left, right, *both, *log).json
    assert pair["noted"] == {"number": 1, "kind": "polarity-pair"}
    assert gainkit("polarity", right, "--for", "Front/right", *log).json["noted"]["kind"] == "polarity"
    noises = (captures / "match_front_left.wav", captures / "match_front_right.wav")
    assert gainkit("match", *noises, *both, *log).json["noted"]["kind"] == "match"
    staircase = captures / "front_staircase.wav"
    told = gainkit("onset", staircase, "--index", index, "--for", "Front/left", *log).json
    assert told["noted"] == {"number": 4, "kind": "onset"}
    volumes = [f"{at}={captures / f'volume_{at}.wav'}" for at in (29, 31)]
    assert gainkit("volume", *volumes, *log).json["noted"]["kind"] == "volume"
    status = gainkit("job", "status", job, "--json").json
    assert {"pair_opposite", "polarity_wrong", "not_matched"} <= {
        each["code"] for each in status["outputs"][1]["remarks"]
    }
    assert "opposite to Front/left" in status["headline"]


def test_onset_tells_first_whether_the_overlap_is_met_and_finds_the_track(
    demo: tuple[Path, Answer], monkeypatch: pytest.MonkeyPatch, gainkit: Gainkit
) -> None:
    monkeypatch.chdir(demo[0])
    told = gainkit("onset", "captures/front_staircase.wav", "--for", "Front/left", "--no-log")
    assert "OVERLAP AS PLANNED (planned is an overlap of 5 dB). ONSET AT -4.52 dBFS." in " ".join(
        told.out.split()
    )
    assert "Levels of the track by stick/index.json." in told.err
    table = [line for line in told.out.splitlines() if line.endswith(("clean", "clipped"))]
    assert len(table) <= 8
    assert "(15 more are in --json)" in told.out


def test_each_output_of_a_match_is_named(job: Path, tmp_path: Path, gainkit: Gainkit) -> None:
    pair = [noise_file(tmp_path / f"{gain}.wav", gain) for gain in (1.0, 1.2)]
    one = gainkit("match", *pair, "--log", job, "--for", "Front/left", "--json")
    assert one.fault["code"] == "one_output_a_capture"
    assert gainkit("match", *pair, "--log", job, "--json").fault["code"] == "one_output_a_capture"
    twice = gainkit("match", *pair, "--log", job, "--for", "Rear", "--for", "rear", "--json")
    assert twice.fault["code"] == "output_twice"
    assert gainkit("polarity", *pair, "--log", job, "--for", "Rear", "--json").fault["code"] == "pair_of_two"
    assert not (job / RECORD_FILE).exists()


# -- refused -------------------------------------------------------------------------------------------------


def test_another_cars_system_file_is_refused(job: Path, tmp_path: Path, gainkit: Gainkit) -> None:
    other = tmp_path / "other.toml"
    other.write_text(SYSTEM)
    words = ("measure", job / "captures" / "left.wav", "--log", job, "--for", "Rear", "--json")
    assert gainkit(*words, "--system", other).fault["code"] == "other_system_file"
    assert gainkit(*words, "--system", job / "system.toml").json["noted"]["number"] == 1
    assert gainkit(*words, "--no-log").fault["code"] == "not_both"


def test_a_level_without_volts_is_shown_and_not_noted(job: Path, gainkit: Gainkit) -> None:
    (job / "recorder.toml").unlink()
    told = gainkit("measure", job / "captures" / "left.wav", "--log", job, "--for", "Front/left")
    assert told.code == 2
    assert "of full scale rms" in told.out
    assert "beyond what these rails can give" not in told.out
    assert "Not noted: without calibration" in told.err
    assert not (job / RECORD_FILE).exists()


def test_a_match_against_silence_is_refused(job: Path, tmp_path: Path, gainkit: Gainkit) -> None:
    pair = [noise_file(tmp_path / f"{gain}.wav", gain) for gain in (1.0, 0.01)]
    fault = gainkit("match", *pair, "--json").fault
    assert fault["code"] == "hardly_played"
    assert "40 dB below" in fault["text"]


def test_outputs_on_target_are_matched_by_cuts_alone(job: Path, tmp_path: Path, gainkit: Gainkit) -> None:
    pair = [noise_file(tmp_path / f"{gain}.wav", gain) for gain in (1.0, 0.5)]
    words = ("match", *pair, "--log", job, "--for", "Front/left", "--for", "Front/right", "--json")
    trims = [each["trim_db"] for each in gainkit(*words).json["captures"]]
    assert trims == pytest.approx([0.0, 6.02], abs=0.01)
    log_reading(job, "measure", "Front/right", measured(VOLTS["Front/right"]))
    answer = gainkit(*words).json
    assert [each["trim_db"] for each in answer["captures"]] == pytest.approx([-6.02, 0.0], abs=0.01)
    assert answer["notes"][0]["code"] == "cuts_only"
    asked = gainkit("match", *pair, "--cuts-only", "--json").json
    assert max(each["trim_db"] for each in asked["captures"]) == 0.0


# -- many files ----------------------------------------------------------------------------------------------


def test_one_bad_file_costs_its_own_answer_and_the_count_closes(tmp_path: Path, gainkit: Gainkit) -> None:
    soundfile.write(tmp_path / "a.wav", sine(997, peak=0.5), RATE, subtype="PCM_24")
    soundfile.write(tmp_path / "b.wav", 0.5 * with_noise(shaped(held(2.0), 997), 70), RATE, subtype="PCM_24")
    (tmp_path / "c.wav").write_bytes(b"")
    told = gainkit("measure", tmp_path, "--full-scale-volts", 40, "--target-volts", 14.142)
    assert told.code == 2
    assert told.out.splitlines()[-1] == (
        "3 captures: 1 clean, 1 clipped (b.wav), 1 not measured (c.wav). On target: 1 of 2."
    )
    assert "c.wav: NOT MEASURED." in told.out
    assert "1 of 3" in told.err
    answer = json.loads(gainkit("measure", tmp_path, "--json").out)
    assert [set(each) == {"file", "error"} for each in answer["measurements"]] == [False, False, True]


def test_a_recorder_is_calibrated_across_two_leads(tmp_path: Path, gainkit: Gainkit) -> None:
    wave = sine(997, peak=0.25)
    soundfile.write(tmp_path / "leads.wav", np.column_stack([wave, -wave]), RATE, subtype="PCM_24")
    words = ("calibrate", tmp_path / "leads.wav", "--reading-volts", 10, "--out", tmp_path / "r.toml", "--json")
    found = gainkit(*words, "--minus", 2).json
    assert found["full_scale_volts"] == pytest.approx(10 * 2**0.5 / 0.5, rel=1e-4)


def test_inside_a_job_folder_a_typed_level_is_judged_at_once_and_voided_by_its_number(
    job: Path, monkeypatch: pytest.MonkeyPatch, gainkit: Gainkit
) -> None:
    monkeypatch.chdir(job)
    told = gainkit("note", "--for", "Front/right", "--volts", VOLTS["Front/right"] / 2).out
    assert "6.02 dB too low" in " ".join(told.split())  # 20 log10 2
    assert "Noted as 1" in told
    assert "Reading 1 does not count" in gainkit("job", "void", 1, "--reason", "lead off").out
    assert "'re-check'" in gainkit("job", "visit", "re-check").out
    for words in (("void", "one", "--reason", "x"), ("void", "--reason", "x")):
        assert gainkit("job", *words, "--json").fault["parameter"] == "number"
    assert gainkit("note", "--for", "Rear", "--accept", "dc").refused().endswith("Give it too.\n")
