"""What is told at the command line when something is wrong: danger first, and no advice that could burn."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from gainkit.calculator.feed_model import FeedFacts
from gainkit.calculator.feeds import find_feed
from gainkit.errors import GainkitError
from gainkit.job.folder import start_job
from gainkit.job.log import void_reading
from gainkit.job.standing import job_status
from gainkit.remarks import codes
from tests.conftest import Answer
from tests.waves import RATE, sine

FRONT_PEAK = 16.6 * 2**0.5 / 40
"""The example car's front outputs at their target, beside a full scale of 40 V."""


@pytest.fixture
def job(tmp_path: Path) -> Path:
    start_job(tmp_path / "car")
    return tmp_path / "car"


def test_a_fuse_too_large_for_an_unknown_cable_never_calls_for_a_thinner_one() -> None:
    """8.8 A through 4 mm2 are carried for sure; a fuse of 40 A is over what PVC of 70 degrees C allows."""
    found = find_feed(2.0, watts=100, mm2=4, facts=FeedFacts(fuse_amperes=40))
    assert found.verdict == "not known"
    assert "fuse_by_its_table" in codes(found.notes)
    assert "wire_by_its_table" not in codes(found.notes)
    told = " ".join(map(str, found.notes))
    assert "0.75 mm2" not in told


def test_dc_is_told_before_the_tone_is_called_clean(
    job: Path, tmp_path: Path, gainkit: Callable[..., Answer]
) -> None:
    path = tmp_path / "dc.wav"
    soundfile.write(path, sine(997, peak=FRONT_PEAK) + 1.5 / 40, RATE, subtype="PCM_24")
    told = gainkit("measure", path, "--full-scale-volts", 40, "--log", job, "--for", "Front/left").out
    assert told.index("STOP") < told.index("CLEAN") < told.index("16.6 V")


def test_dc_typed_is_answered_with_stop(job: Path, gainkit: Callable[..., Answer]) -> None:
    told = gainkit("note", job, "--for", "Rear", "--dc-volts", 1.5).out
    assert told.startswith("Rear: STOP")
    assert "Noted as 1" in told
    assert gainkit("note", job, "--for", "Rear", "--dc-volts", 0.01).out.startswith("Noted as 2")


def test_only_what_stands_is_accepted_and_no_danger(job: Path, gainkit: Callable[..., Answer]) -> None:
    gainkit("note", job, "--for", "Rear", "--dc-volts", 1.5, "--polarity", "negative")
    accept = ("note", job, "--for", "Rear", "--reason", "as wished", "--json", "--accept")
    assert gainkit(*accept, "dc_at_output").fault["code"] == "danger_not_accepted"
    refused = gainkit(*accept, "hum").fault
    assert (refused["code"], refused["allowed"]) == ("nothing_to_accept", ["polarity_wrong"])
    assert "[polarity_wrong]" in gainkit("job", "status", job).out, "the code to accept it by is told"
    assert gainkit(*accept, "polarity_wrong").json["number"] == 3


def test_volts_of_the_supply_are_refused_by_their_own_name(job: Path, gainkit: Callable[..., Answer]) -> None:
    words = ("--supply-volts", 124, "--at", "battery", "--state", "resting", "--json")
    assert gainkit("note", job, *words).fault["parameter"] == "supply_volts"


@pytest.mark.parametrize("number", [True, 1.0, "1"])
def test_only_a_whole_number_voids_a_line(job: Path, gainkit: Callable[..., Answer], number: object) -> None:
    gainkit("note", job, "--for", "Rear", "--volts", 8)
    with pytest.raises(GainkitError) as fault:
        void_reading(job, number, "a slip")  # type: ignore[arg-type]
    assert fault.value.code == "no_such_reading"
    assert job_status(job).problems == ()


def test_an_uncertainty_that_moves_no_digit_is_not_told(tmp_path: Path, gainkit: Callable[..., Answer]) -> None:
    path = tmp_path / "tone.wav"
    soundfile.write(path, sine(997, peak=0.5), RATE, subtype="PCM_24")
    assert ", uncertain by" not in gainkit("measure", path).out


def test_a_trim_that_never_clips_names_no_level_above_full_scale(gainkit: Callable[..., Answer]) -> None:
    words = ("--supply-volts", 14.4, "--load-ohms", 4, "--speaker-watts", 5, "--margin-db", 3)
    told = gainkit("trim", "--source-clip-dbfs", -3, "--overlap-db", 2, *words).out
    assert "at no recording level then" in told
    assert told.startswith("Dangers")


def test_a_system_file_is_told_by_its_keys_with_the_way_out(
    tmp_path: Path, gainkit: Callable[..., Answer]
) -> None:
    path = tmp_path / "car.toml"
    path.write_text(
        '[source]\npreamp_volts = 4\n[meter]\nlow_hz = 40\n[[channel]]\nname = "Sub"\nrated_watts = 500\n'
        "rated_ohms = 2\nload_ohms = 2\nlowpass_hz = 50\n"
    )
    told = gainkit("plan", path).refused()
    assert "No tone suits" in told
    assert "Give tone_hz and read it by a capture" in told
    assert "--" not in told.partition("Remedy:")[0], "a file has keys, no options"


@pytest.mark.parametrize("seconds", [4, 6, 10])
def test_a_level_that_sinks_evenly_is_told(
    tmp_path: Path, gainkit: Callable[..., Answer], seconds: int
) -> None:
    """15 % less from beginning to end: 1.4 dB, by the definition of the decibel; a steady tone beside it."""
    tone = sine(997, seconds * RATE, peak=0.5)
    paths = tmp_path / "sinks.wav", tmp_path / "stays.wav"
    for path, shape in zip(paths, (np.linspace(1, 0.85, len(tone)), 1.0), strict=True):
        soundfile.write(path, tone * shape, RATE, subtype="PCM_24")
    sinks, stays = (gainkit("measure", path, "--json").json["notes"] for path in paths)
    told = [each for each in sinks if each["code"] == "level_drifts"]
    assert [each["severity"] for each in told] == ["fault"]
    assert told[0]["change_db"] == pytest.approx(-1.4, abs=0.2)
    assert "level_drifts" not in {each["code"] for each in stays}
