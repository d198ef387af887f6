"""The Python door: names, options, examples, what is told of a result."""

from __future__ import annotations

import doctest
import inspect
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

import gainkit
from gainkit.remarks import codes
from tests.waves import RATE, sine

VERBS = [name for name in gainkit.__all__ if name[0].islower() and name != "__version__"]
JOBS = {
    "calibrate_recorder", "check_routing", "check_tones", "compare_polarity", "draw_bands", "draw_headroom",
    "draw_levels", "draw_onset", "draw_power", "draw_spectrum", "draw_volume", "draw_waveform",
    "find_clean_volume", "find_feed", "find_loads", "find_meter_reading", "find_noise", "find_onset",
    "find_pad", "find_polarity", "find_response", "find_target", "find_trim", "job_status",
    "list_readings", "list_tones", "load_system", "log_reading", "match_levels", "measure", "note_typed",
    "report_jobs", "start_visit", "undo_last", "void_reading",
    "plan_system", "read_capture", "run_bench", "run_demo", "simulate", "start_job", "write_sheet",
    "write_tone", "write_tones",
}  # fmt: skip


def test_there_is_a_function_for_each_job() -> None:
    assert set(VERBS) >= JOBS


@pytest.mark.parametrize("name", ["gainkit", *gainkit.__all__])
def test_examples_are_true(name: str) -> None:
    """Every example in the docstrings of what is exported runs, and gives what stands there."""
    thing: Any = gainkit if name == "gainkit" else getattr(gainkit, name)
    module = sys.modules[getattr(thing, "__module__", "gainkit")]
    names = {**vars(module), "gainkit": gainkit}
    for test in doctest.DocTestFinder(recurse=False).find(thing, name, module=False, globs=names):
        told: list[str] = []
        doctest.DocTestRunner(verbose=False).run(test, out=told.append)
        assert not told, "".join(told)


@pytest.mark.parametrize("name", sorted(JOBS))
def test_docstrings_have_their_sections(name: str) -> None:
    function = getattr(gainkit, name)
    text = inspect.getdoc(function) or ""
    wanted = ["Returns", "Raises", "Examples"] + (
        ["Parameters"] if inspect.signature(function).parameters else []
    )
    cannot_fail = {"draw_bands", "draw_power", "draw_spectrum", "draw_volume", "draw_waveform", "list_tones"}
    wanted = [each for each in wanted if each != "Raises" or name not in cannot_fail]
    missing = [each for each in wanted if f"\n{each}\n{'-' * len(each)}\n" not in text]
    assert not missing, f"{name} says nothing of {missing}"


def test_rooms_need_no_import_of_their_own() -> None:
    assert gainkit.charts.Look().size == "page"
    assert gainkit.results.to_plain({"a": 1.5}) == {"a": 1.5}


@pytest.fixture
def tone(tmp_path: Path) -> Path:
    path = tmp_path / "tone.wav"
    soundfile.write(path, sine(997, peak=0.5), RATE, subtype="PCM_24")
    return path


def test_paths_texts_and_captures_are_alike(tone: Path) -> None:
    found = [gainkit.measure(each, full_scale_volts=20.0) for each in (tone, str(tone))]
    found.append(gainkit.measure(gainkit.read_capture(tone, full_scale_volts=20.0)))
    assert {each.rms_volts for each in found} == {found[0].rms_volts}
    assert found[0].rms_volts == pytest.approx(10 / np.sqrt(2), rel=1e-5)


def test_unknown_options_are_refused_with_the_nearest(tone: Path) -> None:
    for call, near in (
        (lambda: gainkit.measure(tone, target_volt=3), "target_volts"),
        (lambda: gainkit.find_onset(tone, full_scale_volt=3), "full_scale_volts"),
        (lambda: gainkit.find_clean_volume({1: tone}, chanel=2), "channel"),
        (lambda: gainkit.match_levels([tone, tone], third_octaves=True), "third_octave"),
        (lambda: gainkit.compare_polarity(tone, tone, bandd="bass"), "band"),
    ):
        with pytest.raises(gainkit.GainkitError) as fault:
            call()
        assert fault.value.code == "unknown_option"
        assert fault.value.values["nearest"] == near
        assert near in str(fault.value)


def test_an_open_capture_is_not_read_again(tone: Path) -> None:
    with pytest.raises(gainkit.GainkitError) as fault:
        gainkit.measure(gainkit.read_capture(tone), full_scale_volts=20.0)
    assert (fault.value.code, fault.value.parameter) == ("capture_is_open", "full_scale_volts")


@pytest.mark.parametrize(
    ("fields", "parameter"),
    [
        ({"margin_db": -3}, "margin_db"),
        ({"load_ohms": -4}, "load_ohms"),
        ({"supply_volts": -12}, "supply_volts"),
        ({"speaker_watts": -5}, "speaker_watts"),
        ({"overlap_db": float("nan")}, "overlap_db"),
        ({"tone_hz": "997"}, "tone_hz"),
    ],
)
def test_figures_that_cannot_be_are_refused_in_python_too(fields: dict[str, Any], parameter: str) -> None:
    with pytest.raises(gainkit.GainkitError) as fault:
        gainkit.find_target(gainkit.Channel((gainkit.Rating(75, 4),), **{"load_ohms": 4, **fields}))
    assert (fault.value.code, fault.value.parameter) == ("outside_range", parameter)


def test_a_reading_is_taken_beside_its_plan(tmp_path: Path, tone: Path) -> None:
    example = Path(gainkit.__file__).parent / "job" / "example_system.toml"
    planned = gainkit.plan_system(example).channels[0]
    read = gainkit.measure(tone, full_scale_volts=50.0, system=example, for_output=planned.outputs[0])
    assert read.target is not None
    assert read.target.set_volts == planned.set_volts
    sub = gainkit.plan_system(example).channels[-1]
    other = gainkit.measure(tone, full_scale_volts=50.0, system=example, for_output=sub.outputs[0])
    assert codes(other.notes) >= {"one_lead", "other_tone"}
    assert other.target is None
    for options, code in (
        ({"for_output": "Front/left"}, "needs_system_file"),
        ({"system": example}, "output_missing"),
    ):
        with pytest.raises(gainkit.GainkitError) as fault:
            gainkit.measure(tone, **options)
        assert fault.value.code == code


def results() -> Iterator[Any]:
    front = gainkit.Channel((gainkit.Rating(75, 4),), load_ohms=4, overlap_db=5, source_volts=4.0)
    yield gainkit.find_target(front)
    yield gainkit.plan_system(Path(gainkit.__file__).parent / "job" / "example_system.toml")
    yield gainkit.find_loads(4, coils=2, drivers=2, min_ohms=2)
    yield gainkit.find_pad(gainkit.PadCall(30.0, 1.0))
    yield gainkit.find_feed(5, watts=500, awg="4")
    yield gainkit.find_feed(5, speaker_ohms=4, mm2=2.5)
    yield gainkit.find_meter_reading(20, overdrive_db=3)
    yield gainkit.find_trim(-9, -5)
    yield gainkit.list_tones()
    clipped = gainkit.simulate(gainkit.Amplifier(positive_rail_volts=20.0), source_volts=2.0, seconds=0.2)
    yield gainkit.measure(clipped, target_volts=12.0)
    yield gainkit.find_clean_volume({30: clipped, 31: clipped})
    noise = np.random.default_rng(1).normal(0.0, 0.1, 3 * RATE)
    yield gainkit.match_levels([gainkit.Capture.from_array(noise, RATE, file=file) for file in ("a", "b")])


def test_a_result_tells_its_verdict_and_five_lines_at_most() -> None:
    for result in results():
        lines = str(result).splitlines()
        assert 1 <= len(lines) <= 6
        assert repr(result) == f"<{type(result).__name__}: {lines[0]}>"
        assert len(repr(result)) < 120
        assert "None" not in str(result)
        assert "e-0" not in str(result)
        assert "e+0" not in str(result)


def test_what_can_hurt_is_told_first_of_the_remarks() -> None:
    hot = gainkit.Capture.from_array(sine(997, peak=10.0) + 3.0, RATE)
    lines = str(gainkit.measure(hot, target_volts=7.0)).splitlines()
    assert any(line.startswith("  danger: STOP: DC of +3") for line in lines)


@pytest.mark.parametrize("band_hz", [(100,), "10:200", None, (1, 2, 3)])
def test_a_band_of_two_frequencies_is_asked_for(tone: Path, band_hz: Any) -> None:
    with pytest.raises(gainkit.GainkitError) as fault:
        gainkit.measure(tone, band_hz=band_hz)
    assert (fault.value.code, fault.value.parameter) == ("wrong_kind", "band_hz")


def test_a_status_comes_back_from_its_plain_values(tmp_path: Path) -> None:
    """Of a sentence its text is kept."""
    job = gainkit.start_job(tmp_path / "estate").folder
    gainkit.note_typed(job, "Front/left", gainkit.TypedLevel(volts=3, dc_volts=2))
    status = gainkit.job_status(job)
    plain = gainkit.results.to_plain(status)
    back = gainkit.results.from_plain(type(status), plain)
    assert gainkit.results.to_plain(back) == plain
    assert str(back.headline) == str(status.headline)


def test_what_is_none_of_the_typed_readings_is_refused(tmp_path: Path) -> None:
    job = gainkit.start_job(tmp_path / "estate").folder
    with pytest.raises(gainkit.GainkitError) as fault:
        gainkit.note_typed(job, "Front/left", 5)
    assert (fault.value.code, fault.value.received) == ("not_that_kind", "int")
