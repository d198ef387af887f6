"""How a job stands: nothing of one output covers another, no fault is lost before it is cleared or accepted."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from gainkit.errors import GainkitError
from gainkit.job.log import log_reading, note_typed, start_visit, undo_last, void_reading
from gainkit.job.places import RECORD_FILE
from gainkit.job.readings import read_readings
from gainkit.job.record import append_event
from gainkit.job.report import report_jobs
from gainkit.job.standing import job_status
from gainkit.job.typed import Acceptance, FreeText, Knob, SupplyReading, TypedLevel, TypedPolarity
from gainkit.remarks import codes, fault, remark
from gainkit.results import to_plain
from tests.records import (
    OUTPUTS,
    SYSTEM,
    VOLTS,
    all_on_target,
    match,
    measured,
    new_job,
    onset,
    pair,
    polarity,
    routing,
    status_of,
    volume,
)


@pytest.fixture
def job(tmp_path: Path) -> Path:
    return new_job(tmp_path / "car")


def test_a_job_with_every_output_on_target_is_done(job: Path) -> None:
    all_on_target(job)
    status = job_status(job)
    assert status.ok
    assert [each.name for each in status.outputs] == list(OUTPUTS)
    assert str(status.headline) == "ALL 3 OUTPUTS ON TARGET (within 0.5 dB)."
    assert all(each.met is True and each.faults == () for each in status.outputs)


def test_a_reading_of_one_output_covers_no_other(job: Path) -> None:
    log_reading(job, "measure", "Front/right", measured(VOLTS["Front/right"] * 10 ** (-6.8 / 20)))
    log_reading(job, "measure", "Front/left", measured(VOLTS["Front/left"]))
    log_reading(job, "measure", "Rear", measured(VOLTS["Rear"]))
    status = job_status(job)
    assert not status.ok
    right = status_of(status, "Front/right")
    assert right.met is False
    assert {"level_off_target", "outputs_differ"} <= codes(right.faults)
    assert "Front/right" in str(status.headline)
    assert "6.8 dB too low" in str(status.headline)
    assert status_of(status, "Front/left").met is True
    assert "outputs_differ" in codes(status_of(status, "Front/left").faults)


def test_a_channel_of_several_outputs_is_no_place_for_a_reading(job: Path) -> None:
    with pytest.raises(GainkitError) as refused:
        log_reading(job, "measure", "Front", measured(1.0))
    assert refused.value.code == "output_needed"
    assert refused.value.allowed == ["Front/left", "Front/right"]
    with pytest.raises(GainkitError) as refused:
        log_reading(job, "measure", "Front/lefd", measured(1.0))
    assert (refused.value.code, refused.value.values["nearest"]) == ("unknown_output", "Front/left")
    assert log_reading(job, "measure", " rear ", measured(1.0)).outputs == ("Rear",)


@pytest.mark.parametrize(
    ("result", "code"),
    [
        (measured(14.142, dc_volts=1.5), "dc_at_output"),
        (measured(14.142, state="clipped"), "clipped"),
        (measured(14.142, thd_percent=43.5), "distorted"),
        (measured(14.142 * 1.2), "level_off_target"),
        (measured(14.142, frequency_hz=50.0), "other_tone"),
        (measured(14.142, recorder_overload=True), "recorder_overloaded"),
        (measured(14.142, steady_tone=False, frequency_hz=None, thd_percent=None), "no_steady_tone_recorded"),
        (measured(14.142, calibrated=False), "not_calibrated"),
        (measured(14.142, notes=[to_plain(remark("outliers", count=5))]), "crackles"),
        (measured(14.142, notes=[to_plain(fault("dropout", at_seconds=(0.4,)))]), "samples_lost"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_each_fault_of_a_capture_is_told_and_cleared_by_a_good_one(job: Path, result: Any, code: str) -> None:
    all_on_target(job)
    append_event(job, "measure", ["Front/left"], result)  # also what an earlier version let in
    status = job_status(job)
    assert not status.ok
    assert code in codes(status_of(status, "Front/left").faults)
    log_reading(job, "measure", "Front/left", measured(VOLTS["Front/left"]))
    assert job_status(job).ok


def test_the_volts_of_a_fault_are_its_own_and_not_the_level_s(job: Path) -> None:
    all_on_target(job)
    figures = {"frequency_hz": 50.0, "rms_volts": 2.0, "unit": "V", "percent": 14.0, "mains_hz": 50}
    humming = replace(measured(14.142), notes=(fault("hum", **figures),))
    log_reading(job, "measure", "Front/left", humming)
    left = status_of(job_status(job), "Front/left")
    assert left.verdict.code == "hum"
    assert left.verdict.values["rms_volts"] == 2.0
    assert "2 V at 50 Hz" in str(left.verdict)


def test_dc_comes_before_any_level(job: Path) -> None:
    all_on_target(job)
    note_typed(job, "Rear", TypedLevel(dc_volts=1.5))
    status = job_status(job)
    assert str(status.headline).startswith("STOP. Rear: DC of +1.5 V")
    assert str(status_of(status, "Rear").verdict).startswith("STOP: DC of +1.5 V")
    note_typed(job, "Rear", Acceptance("dc_at_output", "the meter is old"))
    assert not job_status(job).ok, "a danger cannot be accepted"
    note_typed(job, "Rear", TypedLevel(volts=10.0))  # says nothing of DC
    assert not job_status(job).ok
    note_typed(job, "Rear", TypedLevel(dc_volts=0.01))
    assert job_status(job).ok


def test_a_typed_level_is_on_target_but_never_clean(job: Path) -> None:
    for name in OUTPUTS:
        note_typed(job, name, TypedLevel(volts=VOLTS[name]))
    status = job_status(job)
    assert status.ok
    left = status_of(status, "Front/left")
    assert left.level is not None
    assert (left.level.typed, left.level.state) == (True, None)
    assert "clipping not looked at" in str(left.verdict)
    log_reading(job, "measure", "Front/left", measured(VOLTS["Front/left"], state="clipped"))
    note_typed(job, "Front/left", TypedLevel(volts=VOLTS["Front/left"]))
    assert "clipped" in codes(status_of(job_status(job), "Front/left").faults), "a meter cannot clear clipping"


def test_a_meter_read_with_another_level_of_the_tone(job: Path) -> None:
    note_typed(job, "Rear", TypedLevel(volts=10.0 * 10 ** (-7 / 20), tone_dbfs=-12.0))
    rear = status_of(job_status(job), "Rear")
    assert rear.met is True
    assert rear.level is not None
    assert rear.level.set_volts == pytest.approx(10.0 * 10 ** (-7 / 20), rel=1e-12)
    note_typed(job, "Rear", TypedLevel(volts=10.0 * 10 ** (5 / 20), tone_dbfs=0.0))
    assert "tone_too_loud" in codes(status_of(job_status(job), "Rear").faults)


def test_polarity_stays_until_a_decided_reading_clears_it(job: Path) -> None:
    all_on_target(job)
    log_reading(job, "polarity", "Rear", polarity("negative"))
    assert "polarity_wrong" in codes(status_of(job_status(job), "Rear").faults)
    log_reading(job, "polarity", "Rear", polarity("undecided", 0.0))
    assert not job_status(job).ok, "undecided clears nothing"
    log_reading(job, "polarity", "Rear", polarity("positive", 0.8))
    assert not job_status(job).ok, "probably is not decided"
    note_typed(job, "Rear", TypedPolarity("positive"))
    assert job_status(job).ok
    log_reading(job, "polarity", "Rear", polarity("negative", 0.8))
    assert "polarity_probably_wrong" in codes(status_of(job_status(job), "Rear").faults)


def test_a_design_may_ask_for_a_reversed_loudspeaker(tmp_path: Path) -> None:
    text = SYSTEM.replace('"right"]', '"right"]\nexpected_polarity = { right = "negative" }')
    job = new_job(tmp_path / "car", text)
    all_on_target(job)
    log_reading(job, "polarity", "Front/right", polarity("negative"))
    log_reading(job, "polarity", "Front/left", polarity("positive"))
    assert job_status(job).ok
    log_reading(job, "polarity", "Front/right", polarity("positive"))
    assert "polarity_wrong" in codes(status_of(job_status(job), "Front/right").faults)


def test_a_pair_wired_opposite_is_told_on_both_until_mended(job: Path) -> None:
    all_on_target(job)
    log_reading(job, "polarity-pair", ["Front/left", "Front/right"], pair("opposite"))
    status = job_status(job)
    assert not status.ok
    for name in ("Front/left", "Front/right"):
        assert "pair_opposite" in codes(status_of(status, name).faults)
    log_reading(job, "polarity", "Front/left", polarity("positive"))
    assert not job_status(job).ok, "the other one may be the wrong one"
    log_reading(job, "polarity", "Front/right", polarity("positive"))
    assert job_status(job).ok
    log_reading(job, "polarity-pair", ["Front/left", "Front/right"], pair("opposite"))
    log_reading(job, "polarity-pair", ["Front/left", "Front/right"], pair("same"))
    assert job_status(job).ok


def test_faults_of_the_car_stand_in_the_headline(job: Path) -> None:
    all_on_target(job)
    log_reading(job, "routing", None, routing(False))
    status = job_status(job)
    assert not status.ok
    assert "routing wrong" in str(status.headline)
    log_reading(job, "routing", None, routing(True))
    assert job_status(job).ok


def test_an_onset_before_the_planned_overlap_is_a_fault(job: Path) -> None:
    all_on_target(job)
    log_reading(job, "onset", "Rear", onset(-8.0))
    assert "onset_early" in codes(status_of(job_status(job), "Rear").faults)
    log_reading(job, "onset", "Rear", onset(-4.9))
    status = job_status(job)
    assert status.ok
    assert "onset" not in status_of(status, "Rear").lacks
    log_reading(job, "onset", "Front/left", onset(None, state=None))
    assert "onset" in status_of(job_status(job), "Front/left").lacks


def test_trims_belong_to_the_output_of_their_capture(job: Path) -> None:
    all_on_target(job)
    log_reading(job, "match", ["Front/left", "Front/right"], match(0.0, -2.0))
    status = job_status(job)
    assert status_of(status, "Front/left").trim_db == 0.0
    assert status_of(status, "Front/right").trim_db == -2.0
    assert "not_matched" in codes(status_of(status, "Front/right").faults)
    assert status_of(status, "Rear").trim_db is None


def test_a_fault_can_be_accepted_with_a_reason_and_comes_back_when_read_again(job: Path) -> None:
    all_on_target(job)
    log_reading(job, "onset", "Rear", onset(-8.0))
    note_typed(job, "Rear", Acceptance("onset_early", "the customer wants it loud"))
    status = job_status(job)
    assert status.ok
    assert "accepted" in codes(status_of(status, "Rear").remarks)
    log_reading(job, "onset", "Rear", onset(-8.0))
    assert not job_status(job).ok


def test_a_level_does_not_outlive_the_volume_it_was_set_at(job: Path) -> None:
    log_reading(job, "volume", None, volume(29, 3.268))
    all_on_target(job)
    log_reading(job, "volume", None, volume(29, 3.27))
    assert job_status(job).ok
    log_reading(job, "volume", None, volume(31, 4.115))
    status = job_status(job)
    assert not status.ok
    assert all("other_volume" in codes(each.faults) for each in status.outputs)
    all_on_target(job)
    assert job_status(job).ok


def test_the_plan_and_the_volume_as_measured_must_agree(tmp_path: Path) -> None:
    job = new_job(
        tmp_path / "car", SYSTEM.replace("preamp_volts = 4.0", "preamp_volts = 4.0\nclean_position = 31")
    )
    log_reading(job, "volume", None, volume("31", 4.0))
    all_on_target(job)
    assert job_status(job).ok
    log_reading(job, "volume", None, volume(29, 4.0))
    assert "volume_not_as_planned" in codes(job_status(job).problems)


def test_a_change_of_the_plan_is_told_and_does_not_move_old_judgements(job: Path) -> None:
    all_on_target(job)
    path = job / "system.toml"
    path.write_text(SYSTEM.replace("rated_watts = 25", "rated_watts = 25.5"))
    rear = status_of(job_status(job), "Rear")
    assert rear.met is True
    assert rear.level is not None
    assert rear.level.set_volts == 10.0
    assert [each.severity for each in rear.remarks if each.code == "plan_changed"] == ["remark"]
    path.write_text(SYSTEM.replace("rated_watts = 25", "rated_watts = 50"))
    status = job_status(job)
    assert not status.ok
    assert "plan_changed" in codes(status_of(status, "Rear").faults)


def test_readings_are_voided_undone_and_never_deleted(job: Path) -> None:
    all_on_target(job)
    bad = log_reading(job, "measure", "Rear", measured(2.0))
    assert bad.number == 4
    before = (job / RECORD_FILE).read_bytes()
    void_reading(job, bad.number, "meter lead was off")
    assert job_status(job).ok
    assert (job / RECORD_FILE).read_bytes().startswith(before)
    readings, _ = read_readings(job)
    assert [each.number for each in readings if not each.counts] == [4]
    assert readings[3].void_reason == "meter lead was off"
    with pytest.raises(GainkitError) as refused:
        void_reading(job, 4, "again")
    assert refused.value.code == "void_already"
    with pytest.raises(GainkitError) as refused:
        void_reading(job, 40, "never")
    assert refused.value.code == "no_such_reading"
    void_reading(job, 5, "it was right after all")
    assert not job_status(job).ok, "a voided void brings its reading back"
    _, undone = undo_last(job)
    assert undone.number == 4
    assert job_status(job).ok


def test_visits_tell_as_found_as_left_and_drift(job: Path) -> None:
    log_reading(job, "measure", "Rear", measured(12.0, state="clipped"))
    all_on_target(job)
    start_visit(job, "re-check")
    log_reading(job, "measure", "Rear", measured(10.0 * 10 ** (-0.3 / 20)))
    rear = status_of(job_status(job), "Rear")
    first, again = rear.history
    assert first.found is not None
    assert first.found.rms_volts == 12.0
    assert again.drift_db == pytest.approx(-0.3, abs=1e-9)
    assert again.found is None
    with pytest.raises(GainkitError) as refused:
        start_visit(job, "re-check")
    assert refused.value.code == "visit_there_already"


def test_every_reading_says_who_and_by_which_figures(job: Path, tmp_path: Path) -> None:
    capture = tmp_path / "tone.wav"
    capture.write_bytes(b"sound")
    log_reading(job, "measure", "Rear", measured(10.0), [capture])
    note_typed(job, "Rear", Knob("11 o'clock"), who="M. Adeyemi")
    note_typed(job, None, SupplyReading(12.6, "battery", "resting"))
    note_typed(job, None, FreeText("customer wants the rear quiet"))
    readings, problems = read_readings(job)
    assert problems == []
    assert [each.who for each in readings] == ["R. Okafor", "M. Adeyemi", "R. Okafor", "R. Okafor"]
    assert readings[0].plan is not None
    assert readings[0].plan.set_volts == 10.0
    # sha256 of the five bytes "sound", by sha256sum of GNU coreutils
    assert readings[0].captures[0].sha256 is not None
    assert readings[0].captures[0].sha256.startswith("c4f7b0a9") or len(readings[0].captures[0].sha256) == 64
    assert status_of(job_status(job), "Rear").knob == "11 o'clock"


def test_a_reading_of_a_whole_channel_by_an_earlier_version_is_told(job: Path) -> None:
    log_reading(job, "measure", "Front/left", measured(VOLTS["Front/left"]))
    line = json.loads((job / RECORD_FILE).read_text())
    for name in ("Front", "Rear", "Roof"):
        old = {"when": line["when"], "kind": "measure", "channel": name, "captures": ["x.wav"]}
        old["result"] = line["result"] | {"notes": ["a note in words"], "rms_volts": 10.0}
        with (job / RECORD_FILE).open("a") as record:
            record.write(json.dumps(old) + "\n")
    status = job_status(job)
    assert {"reading_without_output", "reading_of_no_output"} <= codes(status.problems)
    assert status_of(status, "Rear").met is True
    assert status_of(status, "Front/right").met is None


def test_several_jobs_at_a_glance(tmp_path: Path) -> None:
    done = new_job(tmp_path / "shop" / "march" / "marlin")
    all_on_target(done)
    new_job(tmp_path / "shop" / "april" / "heron")
    broken = new_job(tmp_path / "shop" / "torn", "[job\n")
    report = report_jobs(tmp_path / "shop")
    assert [Path(each.folder).name for each in report.jobs] == ["heron", "marlin", "torn"]
    assert [each.ok for each in report.jobs] == [False, True, None]
    assert report.jobs[2].problem == "not_toml"
    assert broken.is_dir()
    with pytest.raises(GainkitError):
        report_jobs(tmp_path / "nothing")


BRIDGED = (
    SYSTEM
    + """
[[channel]]
name = "Sub"
rated_watts = 200
rated_ohms = 4
load_ohms = 4
bridged = true
overlap_db = 5
"""
)


@pytest.mark.parametrize(
    ("output", "error_db", "half"),
    [
        ("Sub", -6.02, True),  # one half of two alike shows half the volts: closed form
        ("Sub", -5.3, True),
        ("Sub", -6.9, True),
        ("Sub", -4.5, False),
        ("Sub", -8.0, False),
        ("Sub", 6.02, False),
        ("Sub", 0.0, None),
        ("Rear", -6.02, False),
    ],
)
def test_half_of_a_bridged_target_may_be_one_lead(
    tmp_path: Path, output: str, error_db: float, half: bool | None
) -> None:
    job = new_job(tmp_path / "car", BRIDGED)
    wanted = status_of(job_status(job), output).set_volts
    note_typed(job, output, TypedLevel(volts=wanted * 10 ** (error_db / 20)))
    faults = {each.code: each for each in status_of(job_status(job), output).faults}
    assert ("level_off_target" in faults) is (half is not None)
    if half is not None:
        assert faults["level_off_target"].values.get("perhaps_half", False) is half
    note_typed(job, output, TypedLevel(volts=wanted))  # across both leads: nothing stands any more
    assert "level_off_target" not in codes(status_of(job_status(job), output).faults)


def test_half_with_a_quieter_tone_is_half_of_what_that_tone_gives(tmp_path: Path) -> None:
    job = new_job(tmp_path / "car", BRIDGED)
    sub = status_of(job_status(job), "Sub")
    quieter = sub.tone_dbfs - 10
    note_typed(job, "Sub", TypedLevel(volts=sub.set_volts * 10 ** (-16.02 / 20), tone_dbfs=quieter))
    (fault,) = status_of(job_status(job), "Sub").faults
    assert fault.values["perhaps_half"] is True


def test_a_routing_that_was_not_judged_neither_blames_nor_clears(job: Path) -> None:
    all_on_target(job)
    not_judged = replace(routing(False), judged=False)
    log_reading(job, "routing", None, not_judged)
    assert "routing_wrong" not in codes(job_status(job).problems)
    log_reading(job, "routing", None, routing(False))
    log_reading(job, "routing", None, not_judged)
    assert "routing_wrong" in codes(job_status(job).problems)
    log_reading(job, "routing", None, routing(True))
    assert "routing_wrong" not in codes(job_status(job).problems)
