"""Onset of clipping from recordings made by the simulator, whose truth is a Fourier series."""

from __future__ import annotations

import dataclasses
import json
import math
import warnings
from pathlib import Path

import numpy as np
import pytest

from gainkit import simulator
from gainkit.analysis.model import MeasureOptions
from gainkit.analysis.rails import Knee, RailFit
from gainkit.capture import Capture
from gainkit.onset import OnsetResult, find_onset, from_index, glide, staircase
from gainkit.onset.knee import model_thd
from gainkit.onset.sag import overdrive_between
from gainkit.onset.steps import StepFit
from gainkit.remarks import codes
from gainkit.results import from_plain, to_json
from gainkit.simulator import Amplifier, Recorder
from tests import ladders
from tests.tracks import RAIL, RATE, SOURCE_VOLTS, amplifier, index_of, recorded, track


def truth(stage: Amplifier, limit: float = 1.0) -> simulator.Onset:
    found = simulator.true_onset(stage, SOURCE_VOLTS, limit)
    assert found is not None
    return found


def compare(result: OnsetResult, stage: Amplifier, tolerance_db: float, limit: float = 1.0) -> None:
    """Level and volts within a tolerance of the series."""
    wanted = truth(stage, limit)
    assert result.found
    assert result.onset_dbfs == pytest.approx(wanted.level_dbfs, abs=tolerance_db)
    assert result.onset_volts == pytest.approx(wanted.output_volts, rel=tolerance_db / 8.686)


STAGES = {
    "hard": ({}, 0.01),
    "one side": ({"negative_rail_volts": math.inf}, 0.01),
    "unequal": ({"negative_rail_volts": 27.0}, 0.01),
    "very soft": ({"knee": 1.5}, 0.02),
    "soft": ({"knee": 3.0}, 0.02),
    "firm": ({"knee": 8.0}, 0.02),
    "dead zone": ({"dead_zone_volts": 0.03}, 0.02),
    "sag 0.5 dB": ({"sag_db": 0.5, "sag_seconds": 0.02}, 0.05),
}


QUICK = ("hard", "soft", "unequal")
"""Stages of every run; the others are as dear."""


@pytest.mark.parametrize(
    ("name", "offset_db"),
    [
        *(pytest.param(name, 0.1, marks=() if name in QUICK else pytest.mark.long) for name in STAGES),
        ("hard", 0.9),
        *(pytest.param(name, 0.9, marks=pytest.mark.long) for name in ("unequal", "soft", "sag 0.5 dB")),
    ],
)
def test_staircase_meets_the_series(name: str, offset_db: float) -> None:
    keys, tolerance_db = STAGES[name]
    stage = amplifier(-5.0 + offset_db, **keys)
    result = find_onset(recorded(track("staircase"), stage), staircase(-12, 0, 1, 0.4))
    compare(result, stage, tolerance_db)
    assert result.rail_volts == pytest.approx(
        truth(stage).rail_volts, rel=0.003 if "soft" not in name else 0.02
    )


@pytest.mark.long
@pytest.mark.parametrize("name", ["hard", "soft"])
def test_glide_meets_the_series(name: str, tmp_path: Path) -> None:
    keys, _ = STAGES[name]
    stage = amplifier(**keys)
    wave = track("glide")
    capture = recorded(wave, stage, Recorder(full_scale_volts=40, clock_ppm=-180, lead_in_seconds=0.3))
    indexed = from_index(index_of(wave, "glide", tmp_path), None)
    for plan in (indexed, glide(-12, 0, 6)) if name == "hard" else (indexed,):
        result = find_onset(capture, plan)
        compare(result, stage, 0.02)
        assert len(result.steps) > 40


@pytest.mark.parametrize("limit", [0.1, pytest.param(10.0, marks=pytest.mark.long)])
def test_other_limits(limit: float) -> None:
    stage = amplifier(-7.3, knee=4.0)
    capture = recorded(track("staircase"), stage)
    result = find_onset(capture, staircase(-12, 0, 1, 0.4), MeasureOptions(limit_thd_percent=limit))
    assert result.limit_thd_percent == limit
    compare(result, stage, 0.05, limit)


def test_bass_tone_and_coarse_steps() -> None:
    stage = amplifier(-5.2)
    wave = track("staircase", frequency_hz=50.0, step_db=3.0, dwell_seconds=0.6)
    compare(find_onset(recorded(wave, stage), staircase(-12, 0, 3, 0.6)), stage, 0.05)


@pytest.mark.parametrize(
    ("known", "ppm"),
    [
        ("index", -200),
        ("levels", 200),
        *(
            pytest.param(*each, marks=pytest.mark.long)
            for each in (("index", 0), ("index", 200), ("levels", 0))
        ),
    ],
)
def test_clock_is_estimated_and_told(ppm: int, known: str, tmp_path: Path) -> None:
    stage, wave = amplifier(), track("staircase")
    recorder = Recorder(full_scale_volts=40, clock_ppm=ppm, lead_in_seconds=0.9, lead_out_seconds=0.3)
    plan = staircase(-12, 0, 1, 0.4)
    if known == "index":
        plan = from_index(index_of(wave, "staircase", tmp_path), "01_levels.wav")
    result = find_onset(recorded(wave, stage, recorder), plan)
    compare(result, stage, 0.01)
    told = [note for note in result.notes if note.code == "recorder_clock"]
    if ppm == 0:
        assert not told
    elif known == "index":
        assert told[0].values["clock_ppm"] == pytest.approx(ppm, abs=1)
        assert f"{abs(ppm)} ppm {'fast' if ppm > 0 else 'slow'}" in str(told[0])
    else:  # from the markers' distance, to within what is said
        assert told[0].values["clock_ppm"] == pytest.approx(ppm, abs=told[0].values["within_ppm"])
        assert told[0].values["within_ppm"] < 120


def test_player_and_recorder_at_different_rates() -> None:
    stage = amplifier()
    wave = track("staircase", rate=44_100)
    recorder = Recorder(sample_rate_hz=96_000, full_scale_volts=40, lead_in_seconds=0.2)
    compare(find_onset(recorded(wave, stage, recorder), staircase(-12, 0, 1, 0.4)), stage, 0.01)


@pytest.mark.parametrize(("lead", "tail", "missing"), [(-2.2, 0.5, {-12.0, -11.0}), (0.5, -1.3, {0.0})])
@pytest.mark.parametrize("marked", [True, False])
def test_late_start_and_early_stop(lead: float, tail: float, missing: set[float], marked: bool) -> None:
    stage, wave = amplifier(), track("staircase")
    if not marked:  # the same levels without markers: silence in their place
        kept = [step for step in wave.steps if step.role == "step"]
        samples = wave.samples()[:, 0]
        samples[: kept[0].start_frame - 300] = 0
        samples[kept[-1].stop_frame + 300 :] = 0
        units = simulator.capture_track(
            samples,
            RATE,
            SOURCE_VOLTS,
            (stage, Recorder(full_scale_volts=40, lead_in_seconds=lead, lead_out_seconds=tail)),
        )
        capture = Capture.from_array(units, RATE, volts_per_unit=40)
    else:
        capture = recorded(
            wave, stage, Recorder(full_scale_volts=40, lead_in_seconds=lead, lead_out_seconds=tail)
        )
    result = find_onset(capture, staircase(-12, 0, 1, 0.4))
    compare(result, stage, 0.02)
    assert {s.level_dbfs for s in result.steps if s.thd_percent is None} == missing
    unrecorded = [note.values for note in result.notes if note.code == "steps_not_judged"]
    assert [values["why"] for values in unrecorded] == ["not-recorded"]
    assert unrecorded[0]["steps"] == len(missing)


def test_falling_staircase() -> None:
    stage = amplifier()
    wave = track("staircase", from_dbfs=0.0, to_dbfs=-12.0)
    result = find_onset(recorded(wave, stage), staircase(0, -12, 1, 0.4))
    compare(result, stage, 0.02)
    assert result.steps[0].level_dbfs == 0.0
    assert result.steps[0].state == "clipped"


def test_nothing_clips() -> None:
    stage = amplifier(+3.0)
    result = find_onset(recorded(track("staircase"), stage), staircase(-12, 0, 1, 0.4))
    assert not result.found
    assert result.onset_dbfs is None
    assert result.onset_volts is None
    assert result.rail_volts is None
    assert {step.state for step in result.steps} == {"clean"}
    assert codes(result.notes) >= {"never_clips", "steps_below_floor"}
    assert result.loudest_judged


def test_all_clips_is_followed_down() -> None:
    stage = amplifier(-13.0)
    result = find_onset(recorded(track("staircase"), stage), staircase(-12, 0, 1, 0.4))
    compare(result, stage, 0.02)
    assert "onset_below_track" in codes(result.notes)


def test_recorder_overload_is_no_clipping() -> None:
    stage = amplifier()
    capture = recorded(track("staircase"), stage, Recorder(full_scale_volts=20, lead_in_seconds=0.5))
    result = find_onset(capture, staircase(-12, 0, 1, 0.4))
    assert not result.found
    assert result.onset_dbfs is None
    judged = [step for step in result.steps if step.state is not None]
    assert judged[-1].level_dbfs == -8.0  # 10^(-8/20) x 28 V x 10^(4.4/20) is 18.5 V, -7 dBFS would be 20.8 V
    assert all(step.thd_percent is None and step.gain_db is None for step in result.steps[5:])
    overload = next(note for note in result.notes if note.values.get("why") == "recorder-overloaded")
    assert overload.severity == "fault"
    assert overload.values["lowest_dbfs"] == -7.0
    assert "use a pad" in str(overload)
    assert "onset_not_known" in codes(result.notes)
    assert from_plain(OnsetResult, json.loads(to_json(result))) == result
    assert not result.loudest_judged


def test_dead_zone_alone_is_not_clipping() -> None:
    stage = amplifier(+3.0, dead_zone_volts=1.5)
    result = find_onset(recorded(track("staircase"), stage), staircase(-12, 0, 1, 0.4))
    assert not result.found
    assert "distortion_without_rail" in codes(result.notes)


def test_dead_zone_below_does_not_hide_the_rail() -> None:
    stage = amplifier(-3.0, dead_zone_volts=0.25)  # 1.5 % at the lowest step, under 1 % before the rail
    result = find_onset(recorded(track("staircase"), stage), staircase(-12, 0, 1, 0.4))
    compare(result, stage, 0.1)
    assert result.steps[0].thd_percent is not None
    assert result.steps[0].thd_percent > 1.0
    assert "distortion_below_rail" in codes(result.notes)


def test_gain_needs_a_calibration_and_the_source() -> None:
    stage = amplifier()
    capture = recorded(track("staircase"), stage)
    plan = staircase(-12, 0, 1, 0.4)
    # 1 V rms for 0 dBFS is taken when nothing is said: the output in dBV for 0 dBFS
    output_dbv = stage.gain_db + 20 * math.log10(SOURCE_VOLTS)
    assert find_onset(capture, plan).small_signal_gain_db == pytest.approx(output_dbv, abs=0.003)
    own = find_onset(capture, plan, source_volts=SOURCE_VOLTS)
    assert own.small_signal_gain_db == pytest.approx(stage.gain_db, abs=0.003)
    for step in own.steps:
        assert step.rms_volts is not None
        wanted = 20 * math.log10(step.rms_volts / SOURCE_VOLTS) - step.level_dbfs
        assert step.gain_db == pytest.approx(wanted, abs=1e-9)
    bare = find_onset(dataclasses.replace(capture, calibrated=False, volts_per_unit=1.0), plan)
    assert bare.small_signal_gain_db is None
    assert bare.steps[0].gain_db is None
    assert bare.onset_volts == pytest.approx(truth(stage).output_volts / 40, rel=1e-3)


def test_bridged_output_is_the_difference() -> None:
    stage = amplifier()
    capture = recorded(track("staircase"), stage)
    volts = capture.volts()
    both = Capture.from_array(np.stack([volts / 2 + 6, -volts / 2 + 6], axis=1), RATE)
    result = find_onset(both, staircase(-12, 0, 1, 0.4), MeasureOptions(channel=1, minus=2))
    compare(result, stage, 0.01)


def test_hum_and_low_snr() -> None:
    stage = amplifier(noise_volts=RAIL / math.sqrt(2) * 10 ** (-40 / 20), hum_volts=0.05)
    compare(find_onset(recorded(track("staircase"), stage), staircase(-12, 0, 1, 0.4)), stage, 0.05)


@pytest.mark.long
def test_monte_carlo_within_the_stated_error() -> None:
    rng = np.random.default_rng(20)
    errors: dict[str, list[float]] = {"hard": [], "soft": []}
    for trial in range(10):
        kind = "hard" if trial % 2 else "soft"
        keys = {"knee": float(rng.uniform(1.2, 12))} if kind == "soft" else {}
        stage = amplifier(float(rng.uniform(-6, -2)), **keys)
        recorder = Recorder(
            full_scale_volts=40,
            clock_ppm=float(rng.uniform(-200, 200)),
            lead_in_seconds=float(rng.uniform(0, 1.5)),
            lead_out_seconds=float(rng.uniform(0, 0.5)),
        )
        result = find_onset(
            recorded(track("staircase"), stage, recorder, seed=trial), staircase(-12, 0, 1, 0.4)
        )
        assert result.onset_dbfs is not None
        errors[kind].append(result.onset_dbfs - truth(stage).level_dbfs)
    # goals: 0.05 dB for hard rails and 0.1 dB for soft knees at 70 dB SNR
    assert max(map(abs, errors["hard"])) < 0.01
    assert max(map(abs, errors["soft"])) < 0.02


# What the amplifier does meanwhile; bench_onset.py has the table.


@pytest.mark.parametrize(
    ("family", "seed"),
    [
        ("falls silent", 1),
        ("gain turned", 1),
        ("held by a limiter", 2),
        pytest.param("wakes late", 1, marks=pytest.mark.long),
        pytest.param("silent for a while", 2, marks=pytest.mark.long),
        pytest.param("leaks when silent", 1, marks=pytest.mark.long),
        pytest.param("distorted throughout", 1, marks=pytest.mark.long),
        pytest.param("distorted throughout", 4003, marks=pytest.mark.long),
        # a dead zone, a clipped wave at a hard rail that barely cuts it, and two at a soft knee
        pytest.param("source distorts throughout", 1004, marks=pytest.mark.long),
        pytest.param("source distorts throughout", 1006, marks=pytest.mark.long),
        ("source distorts throughout", 88),
        pytest.param("source distorts throughout", 102, marks=pytest.mark.long),
        pytest.param("lowest steps in the noise", 3001, marks=pytest.mark.long),
        pytest.param("lowest steps in the noise", 3005, marks=pytest.mark.long),
    ],
)
def test_what_happens_on_the_way_is_told(family: str, seed: int) -> None:
    scene = ladders.ladder(family, seed)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        result = find_onset(scene.capture, scene.plan)
    assert ladders.agrees(scene, result)
    assert scene.told is None or scene.told in codes(result.notes)
    assert scene.told == "gain_changed" or "gain_changed" not in codes(result.notes)
    told = {"woke_late": "at_seconds", "fell_silent": "at_seconds", "silent_between": "start_seconds"}
    for note in result.notes:
        if note.code in told:
            assert note.severity == "fault"
            edges = [edge for part in scene.silent_seconds for edge in part]
            assert min(abs(note.values[told[note.code]] - edge) for edge in edges) < 0.05


@pytest.mark.parametrize(
    "seed", [7003, pytest.param(7007, marks=pytest.mark.long), pytest.param(8002, marks=pytest.mark.long)]
)
def test_an_oscilloscope_of_eight_bits_tells_the_onset(seed: int) -> None:
    """Its steps put harmonics on a sine of which none may pass for a touched rail."""
    scene = ladders.ladder("nothing happens", seed)
    volts = scene.capture.volts()
    step = 1.3 * np.abs(volts).max() / 127
    result = find_onset(Capture.from_array(np.round(volts / step) * step, RATE), scene.plan)
    assert result.onset_dbfs == pytest.approx(scene.onset_dbfs, abs=0.12)
    fine = find_onset(scene.capture, scene.plan)
    assert result.onset_uncertainty_db is not None
    assert fine.onset_uncertainty_db is not None
    assert fine.onset_uncertainty_db < result.onset_uncertainty_db < 0.3


@pytest.mark.long
def test_a_source_that_clips_is_no_amplifier_that_does() -> None:
    """Every step is a clipped sine of one shape, far under the rail: no onset, no rail, and where to look."""
    plan = staircase(-12, -6, 1, 0.4)
    seconds = np.arange(round(0.4 * RATE * len(plan.stretches))) / RATE
    levels = np.repeat([10 ** (step.level_dbfs / 20) for step in plan.stretches], round(0.4 * RATE))
    wave = levels * np.clip(1.1 * np.sin(2 * np.pi * 997 * seconds), -1, 1)
    volts = 20 * np.pad(wave, RATE // 2) + 0.001 * np.random.default_rng(1).standard_normal(len(wave) + RATE)
    result = find_onset(Capture.from_array(volts, RATE), plan)
    assert (result.found, result.onset_dbfs, result.rail_volts) == (False, None, None)
    assert "distorted_before" in codes(result.notes)


def test_a_model_without_a_fundamental_has_no_thd() -> None:
    """A dead zone as wide as the wave: nothing is left, and nothing is divided by it."""
    knee = Knee(zone=0.5)
    rails = RailFit(1.0, (0.0, 0.0), knee, (0.0, 0.0), 0.0, 0.0, 0.0, (0.1, 0.1))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert model_thd(rails, -20.0, 20) == 0.0


def test_steps_of_different_rails_tell_no_sag() -> None:
    """A slope at its limit is another shape; a soft knee's foot passes for a rail with a slope or a filter."""

    def step(level: float, overdrive: float, slope: float, behind: str = "") -> StepFit:
        knee, both = Knee(slope=slope), (overdrive, overdrive)
        rails = RailFit(1.0, both, knee, (0.0, 0.0), 0.0, 0.0, 0.0, (0.1, 0.1), behind)
        return StepFit(level, rms_volts=1.0, state="at-onset", rails=rails)

    assert overdrive_between(step(-1, 0.2, 0.0), step(0, 1.0, 0.0)) == pytest.approx(0.8)
    assert overdrive_between(step(-1, 0.2, 0.7), step(0, 1.0, 0.0)) is None
    assert overdrive_between(step(-1, 0.2, 0.0), step(0, 1.0, 0.7)) is None
    assert overdrive_between(step(-1, 0.2, 0.5), step(0, 1.0, 0.52)) == pytest.approx(0.8)
    assert overdrive_between(step(-1, 0.2, 0.5), step(0, 1.0, 0.05)) is None
    assert overdrive_between(step(-1, 0.2, 0.0, "low-pass 2"), step(0, 1.0, 0.0)) is None
