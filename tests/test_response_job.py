"""What a response says beside the plan: the setting tone under the filters, crossovers as they were planned."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path

import numpy as np
import pytest

from gainkit.advice import crossover_faults
from gainkit.beside import expected_of, response_beside_plan
from gainkit.calculator.tones import filter_loss_db
from gainkit.capture import Capture
from gainkit.job.listing import list_readings
from gainkit.job.log import log_reading, note_typed
from gainkit.job.standing import job_status
from gainkit.job.typed import Acceptance
from gainkit.remarks import codes, fault, remark
from gainkit.response import Response, find_response, from_figures
from gainkit.response.drive import rendered
from gainkit.response.tone import tone_loss
from tests.chains import RATE, Transfer, boosted, filtered, in_a_row, plain, through
from tests.records import SYSTEM, VOLTS, measured, new_job

TONE_HZ = 997.0
SWEEP = from_figures(20.0, 20_000.0, 4.0, -10.0)


def response(chain: Transfer, reference: Transfer | None = None) -> Response:
    played = rendered(SWEEP.sides[0].sweep.chirp, RATE, 5 * RATE, 0.7 * RATE)
    heard, other = (
        None if each is None else Capture.from_array(through(played, each), RATE, calibrated=False)
        for each in (chain, reference)
    )
    assert heard is not None
    return find_response(heard, SWEEP, reference=other)


@pytest.fixture(scope="module")
def wire() -> Response:
    return response(plain)


@pytest.fixture(scope="module")
def low() -> Response:
    """A low-pass of 12 dB per octave at 1 kHz."""
    return response(filtered("butterworth", 2, 1_000.0, "low"))


@pytest.mark.parametrize("tone_hz", [50.0, 400.0, 997.0, 2_000.0])
def test_the_loss_is_that_of_the_filter(low: Response, tone_hz: float) -> None:
    """Against the closed form 10 log10(1 + (f / corner)^4) that the plan uses."""
    told = tone_loss(low, tone_hz)
    assert told is not None
    assert told.loss_db == pytest.approx(filter_loss_db(tone_hz, None, 1_000.0), abs=0.03)
    assert told.high_hz == pytest.approx(1_000.0 * (10 ** (0.25 / 10) - 1) ** 0.25, rel=0.06)
    assert told.other_hz == (50.0 if tone_hz < 100 else 400.0)


def test_nothing_is_told_of_tones_outside_and_of_differences(low: Response) -> None:
    assert tone_loss(low, 25_000.0) is None
    other = response(filtered("butterworth", 2, 1_000.0, "low"), plain)
    assert other.reference_file is not None
    assert tone_loss(other, TONE_HZ) is None


def test_a_narrow_band_pass_leaves_no_tone_whole() -> None:
    """Both corners at one place: what the tone has to read is told instead."""
    both = in_a_row(filtered("butterworth", 2, 900.0, "high"), filtered("butterworth", 2, 900.0, "low"))
    told = tone_loss(response(both), 300.0)
    assert told is not None
    assert told.loss_db > 10.0


def test_the_job_tells_a_filter_on_the_tone_until_it_is_off(
    tmp_path: Path, low: Response, wire: Response
) -> None:
    job = new_job(tmp_path / "car")
    log_reading(job, "response", "Front/left", low)
    left = job_status(job).outputs[0]
    (taken,) = [each for each in left.remarks if each.code == "filter_takes_tone"]
    assert taken.severity == "fault"
    assert taken.values["loss_db"] == pytest.approx(3.0, abs=0.05)
    assert taken.values["set_volts"] == pytest.approx(VOLTS["Front/left"] / math.sqrt(2), rel=0.01)
    assert taken.values["other_hz"] == 400.0
    assert "Set it again with 400 Hz" in str(taken)
    log_reading(job, "response", "Front/right", wire)
    status = job_status(job)
    assert "filter_takes_tone" in codes(status.outputs[0].remarks)
    assert "filter_takes_tone" not in codes(status.outputs[1].remarks)
    log_reading(job, "response", "Front/left", wire)
    assert "filter_takes_tone" not in codes(job_status(job).outputs[0].remarks)
    assert [each.figures for each in list_readings(job).readings] == ["filtered", "flat", "flat"]


def test_a_filter_on_the_tone_can_be_accepted(tmp_path: Path, low: Response) -> None:
    job = new_job(tmp_path / "car")
    log_reading(job, "response", "Rear", low)
    note_typed(job, "Rear", Acceptance("filter_takes_tone", "Set with the filters off."))
    rear = job_status(job).outputs[2]
    assert "filter_takes_tone" not in {each.code for each in rear.faults}


@pytest.mark.parametrize(
    ("line", "code"),
    [
        ("lowpass_hz = 1050", None),
        ("lowpass_hz = 1300", "crossover_elsewhere"),
        ("highpass_hz = 60", "crossover_missing"),
        ("", None),
    ],
)
def test_crossovers_beside_the_plan(tmp_path: Path, low: Response, line: str, code: str | None) -> None:
    job = new_job(tmp_path / "car", SYSTEM + line + "\ntone_hz = 200\n")
    log_reading(job, "response", "Rear", low)
    told = codes(job_status(job).outputs[2].remarks)
    assert told & {"crossover_elsewhere", "crossover_missing"} == ({code} if code else set())
    assert "filter_takes_tone" not in told
    beside = response_beside_plan(low, expected_of(job / "system.toml", "Rear"))
    assert codes(beside.notes) - codes(low.notes) == ({code} if code else set())


def test_a_curve_that_names_no_filter_is_not_said_to_have_none(low: Response) -> None:
    """Filters were not told from bands: that is no missing crossover, also where no bend stands out."""
    curve = remark("equalised_between", lowest_db=-9.0, highest_db=0.4, highest_hz=300.0, lowest_hz=40.0)
    unsure = dataclasses.replace(low, lowpass=None, low_corner_hz=None, high_corner_hz=None, notes=(curve,))
    assert crossover_faults(unsure, 60.0, 1050.0) is None
    assert crossover_faults(dataclasses.replace(unsure, notes=()), 60.0, 1050.0) != ()


def test_an_equaliser_stands_until_the_response_is_flat(tmp_path: Path, wire: Response) -> None:
    job = new_job(tmp_path / "car")
    for output, volts in VOLTS.items():
        log_reading(job, "measure", output, measured(volts))
    assert job_status(job).ok
    raised = response(boosted("low-shelf", 90.0, 9.0, 0.7))
    log_reading(job, "response", "Front/left", raised)
    status = job_status(job)
    (told,) = [each for each in status.outputs[0].faults if each.code == "response_not_flat"]
    assert told.values["gain_db"] == pytest.approx(9.0, abs=0.2)
    assert told.values["at_hz"] == pytest.approx(90.0, rel=0.05)
    assert not status.ok
    assert ("Front/left", told) in status.headline.values["faults"]
    changed = dataclasses.replace(wire, verdict="level changed", passband_db=None, flat=None)
    log_reading(job, "response", "Front/left", changed)  # it tells nothing, so it clears nothing
    assert "response_not_flat" in codes(job_status(job).outputs[0].faults)
    note_typed(job, "Front/left", Acceptance("response_not_flat", "The owner's."))
    assert job_status(job).ok
    log_reading(job, "response", "Front/left", raised)
    assert not job_status(job).ok
    log_reading(job, "response", "Front/left", wire)
    assert job_status(job).ok


def test_faults_of_the_right_side_stand_too(tmp_path: Path, wire: Response) -> None:
    job = new_job(tmp_path / "car")
    right = response(boosted("peak", 1_000.0, -6.0, 1.0))
    right = dataclasses.replace(right, notes=(*right.notes, fault("sweep_overloaded", file="right.wav")))
    log_reading(job, "response", "Rear", dataclasses.replace(wire, right=right))
    assert {"response_not_flat", "sweep_overloaded"} <= codes(job_status(job).outputs[2].faults)


def test_what_the_command_added_is_not_told_twice(tmp_path: Path, low: Response) -> None:
    job = new_job(tmp_path / "car")
    log_reading(job, "response", "Rear", response_beside_plan(low, expected_of(job / "system.toml", "Rear")))
    told = [each.code for each in job_status(job).outputs[2].remarks]
    assert told.count("filter_takes_tone") == 1
    assert np.isfinite(low.passband_db or math.nan)
