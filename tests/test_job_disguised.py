"""What could pass for a job well done and is not: accepted, outdated, torn or undecided readings."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from gainkit.errors import GainkitError
from gainkit.job.log import log_reading, note_typed
from gainkit.job.places import RECORD_FILE
from gainkit.job.standing import job_status
from gainkit.job.typed import Acceptance, TypedLevel
from gainkit.remarks import codes, fault
from tests.records import (
    OUTPUTS,
    SYSTEM,
    VOLTS,
    all_on_target,
    match,
    measured,
    new_job,
    noise,
    onset,
    pair,
    polarity,
    status_of,
    volume,
)


@pytest.fixture
def job(tmp_path: Path) -> Path:
    return new_job(tmp_path / "car")


def test_a_miss_that_was_accepted_is_not_told_as_on_target(job: Path) -> None:
    all_on_target(job)
    log_reading(job, "measure", "Rear", measured(VOLTS["Rear"] * 0.7))
    note_typed(job, "Rear", Acceptance("level_off_target", "the customer wants it quiet"))
    status = job_status(job)
    rear = status_of(status, "Rear")
    assert (status.ok, rear.met) == (True, False)
    assert str(rear.verdict).startswith("NOT on target, as accepted")
    assert str(status.headline) == ("2 OF 3 OUTPUTS ON TARGET (within 0.5 dB). ACCEPTED: Rear: 3.1 dB too low.")
    log_reading(job, "measure", "Rear", measured(VOLTS["Rear"] * 0.5))
    assert not job_status(job).ok


def test_a_changed_plan_that_was_accepted_is_not_the_next_change(job: Path) -> None:
    all_on_target(job)
    path = job / "system.toml"
    path.write_text(SYSTEM.replace("rated_watts = 25", "rated_watts = 50"))
    note_typed(job, "Rear", Acceptance("plan_changed", "the amplifier was changed for one of more power"))
    assert job_status(job).ok
    path.write_text(SYSTEM.replace("rated_watts = 25", "rated_watts = 100"))
    assert "plan_changed" in codes(status_of(job_status(job), "Rear").faults)


@pytest.mark.parametrize(
    "change",
    [
        ('"right"]', '"right"]\nexpected_polarity = { right = "negative" }'),
        ("[supply]", "[check]\ntolerance_db = 0.05\n[supply]"),
        ("[supply]", "[check]\nlimit_thd_percent = 0.01\n[supply]"),
        ("overlap_db = 5", "overlap_db = 2"),
    ],
    ids=["polarity", "tolerance", "distortion", "overlap"],
)
def test_any_figure_of_the_plan_that_turns_a_judgement_is_told(job: Path, change: tuple[str, str]) -> None:
    for name in OUTPUTS:
        log_reading(job, "measure", name, measured(VOLTS[name] * 1.01))
        log_reading(job, "polarity", name, polarity("positive"))
        log_reading(job, "onset", name, onset(-5.0))
    assert job_status(job).ok
    (job / "system.toml").write_text(SYSTEM.replace(*change))
    status = job_status(job)
    assert not status.ok
    assert "plan_changed" in codes(status_of(status, "Front/right").faults)


def test_a_recorder_that_passes_no_dc_does_not_clear_what_a_meter_read(job: Path) -> None:
    all_on_target(job)
    note_typed(job, "Rear", TypedLevel(dc_volts=1.5))
    log_reading(job, "measure", "Rear", measured(VOLTS["Rear"], dc_volts=0.0))
    assert str(job_status(job).headline).startswith("STOP.")
    note_typed(job, "Rear", TypedLevel(dc_volts=0.002))
    assert job_status(job).ok


def test_a_probable_pair_clears_nothing_and_a_design_may_ask_for_opposites(tmp_path: Path) -> None:
    both = ["Front/left", "Front/right"]
    job = new_job(tmp_path / "plain")
    all_on_target(job)
    log_reading(job, "polarity-pair", both, pair("opposite"))
    log_reading(job, "polarity-pair", both, replace(pair("same"), confidence=0.8))
    assert not job_status(job).ok
    text = SYSTEM.replace('"right"]', '"right"]\nexpected_polarity = { right = "negative" }')
    turned = new_job(tmp_path / "turned", text)
    all_on_target(turned)
    log_reading(turned, "polarity-pair", both, pair("opposite"))
    assert job_status(turned).ok
    log_reading(turned, "polarity-pair", both, pair("same"))
    assert "pair_same" in codes(status_of(job_status(turned), "Front/left").faults)


def test_a_source_that_is_clean_nowhere_or_read_in_disorder_is_a_fault(job: Path) -> None:
    all_on_target(job)
    log_reading(
        job,
        "volume",
        None,
        replace(volume(29, 4.0), notes=(fault("output_falls", lower=1, higher=2, fall_db=3.0),)),
    )
    assert "output_falls" in codes(job_status(job).problems)
    log_reading(job, "volume", None, replace(volume(29, 4.0), highest_clean_position=None, source_volts=None))
    status = job_status(job)
    assert "volume_not_clean" in codes(status.problems)
    assert not status.ok


def test_an_onset_read_at_another_volume_is_no_answer_any_more(job: Path) -> None:
    log_reading(job, "volume", None, volume(29, 3.0))
    all_on_target(job)
    log_reading(job, "onset", "Rear", onset(-5.0))
    assert "onset" not in status_of(job_status(job), "Rear").lacks
    log_reading(job, "volume", None, volume(31, 4.0))
    all_on_target(job)
    rear = status_of(job_status(job), "Rear")
    assert rear.onset_dbfs is None
    assert "onset" in rear.lacks
    assert "onset_at_other_volume" in codes(rear.remarks)


def test_an_accepted_torn_line_does_not_cover_the_next(job: Path) -> None:
    all_on_target(job)
    with open(job / RECORD_FILE, "a") as record:
        record.write('{"torn')
    note_typed(job, None, Acceptance("line_not_whole", "power was lost"))
    assert job_status(job).ok
    with open(job / RECORD_FILE, "a") as record:
        record.write('{"torn again')
    assert not job_status(job).ok


def test_lines_that_no_reading_can_be_are_told(job: Path) -> None:
    all_on_target(job)
    whole = (job / RECORD_FILE).read_text()
    for wrong in (
        whole.splitlines()[2].replace('"dc_volts": 0.0', '"dc_volts": NaN'),
        whole.splitlines()[2].replace('"outputs": ["Rear"]', '"outputs": []'),
        whole.splitlines()[2].replace('"kind": "measure"', '"kind": "guess"'),
    ):
        (job / RECORD_FILE).write_text(whole + wrong + "\n")
        status = job_status(job)
        assert not status.ok, wrong
        assert len(status.problems) == 1


@pytest.mark.parametrize(
    ("kind", "outputs", "result", "code"),
    [
        ("measure", None, measured(10.0), "output_missing"),
        ("measure", ["Front/left", "Rear"], measured(10.0), "one_output_only"),
        ("measure", "Rear", measured(10.0, calibrated=False), "uncalibrated_reading"),
        ("measure", "Rear", polarity("positive"), "not_that_kind"),
        ("guess", "Rear", measured(10.0), "not_that_kind"),
        ("polarity-pair", ["Rear"], pair("same"), "pair_of_two"),
        ("polarity-pair", ["Rear", "rear"], pair("same"), "output_twice"),
        ("match", ["Front/left", "Front/right"], match(0.0, 1.0, 2.0), "one_output_a_capture"),
    ],
)
def test_what_the_record_could_not_judge_is_refused(
    job: Path, kind: str, outputs: Any, result: Any, code: str
) -> None:
    with pytest.raises(GainkitError) as refused:
        log_reading(job, kind, outputs, result)
    assert refused.value.code == code
    assert str(refused.value)
    assert not (job / RECORD_FILE).exists()


@pytest.mark.parametrize("verdict", ["hum", "whine", "hiss"])
def test_noise_that_is_heard_stands_until_it_is_quiet(job: Path, verdict: str) -> None:
    all_on_target(job)
    log_reading(job, "noise", "Rear", noise(verdict))
    status = job_status(job)
    assert f"Rear: {verdict} heard" in str(status.headline)
    log_reading(job, "noise", "Rear", noise("not known"))
    assert not job_status(job).ok
    log_reading(job, "noise", "Rear", noise("quiet"))
    assert job_status(job).ok
    log_reading(job, "noise", "Rear", noise("quiet", dc_volts=2.0))
    assert str(job_status(job).headline).startswith("STOP.")
