"""What the analysis judges and tells: targets, results as data, a sentence for every code."""

from __future__ import annotations

import ast
import doctest
import importlib
import json
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

import gainkit.analysis as analysis_room
from gainkit import batch
from gainkit.advice import Checks, what_to_turn
from gainkit.analysis import (
    Measurement,
    MeasureOptions,
    analyse_tone,
    fit_tone,
    measure,
    model,
    thresholds,
)
from gainkit.capture import Capture
from gainkit.remarks import codes
from gainkit.results import from_plain, to_json
from gainkit.words import analysis as words
from gainkit.words.analysis import DEEPEST_TOLD_DB, overdrive_words
from tests.sources import syntax_tree
from tests.waves import RATE, Floats, held, shaped, sine, with_noise

# `gainkit.analysis.measure` is the function, not the module
measure_module = importlib.import_module("gainkit.analysis.measure")
tone_module = importlib.import_module("gainkit.analysis.tone")


def figures(samples: Floats, rate: float = RATE, **asked: object) -> Measurement:
    return measure(Capture.from_array(samples, rate), MeasureOptions(**asked))  # type: ignore[arg-type]


# -- judgements and words ----------------------------------------------------------------------------------


def test_distortion_is_seen_from_one_and_a_half_floors_on() -> None:
    result = figures(with_noise(sine(997), 60))
    assert result.thd_floor_percent is not None
    for floors, seen in ((1.0, False), (1.499, False), (1.501, True), (10.0, True)):
        assert replace(result, thd_percent=floors * result.thd_floor_percent).distortion_seen is seen
    assert not replace(result, thd_percent=None).distortion_seen
    for third, seen in ((0.0, False), (0.01, True)):
        tone = fit_tone(with_noise(sine(997) + sine(3 * 997, peak=third), 60), RATE)
        assert tone is not None
        assert tone.distortion_seen is seen


@pytest.mark.parametrize("target_volts", [0.5, 0.7, 0.9])
def test_a_distorted_tone_is_told_to_go_down_or_nothing(target_volts: float) -> None:
    curved = figures(shaped(lambda s, _: s - 0.1 * s**3, 997), target_volts=target_volts)
    assert curved.clipping.state == "clean"
    assert curved.thd_percent is not None
    assert curved.thd_percent > 1
    assert curved.target is not None
    if target_volts < curved.rms_volts:
        assert curved.target.change_db == pytest.approx(20 * np.log10(target_volts / curved.rms_volts))
    else:
        assert curved.target.change_db is None


def test_a_distorted_tone_is_not_on_target_however_near() -> None:
    """No rail is seen, so a hair less does not make it clean; the same level undistorted is on target."""
    curved, pure = shaped(lambda s, _: s - 0.1 * s**3, 997), sine(997)
    for wave, state in ((curved, "out-of-reach"), (pure, "on-target")):
        near = figures(wave, target_volts=float(np.std(wave)) * 0.995)
        assert what_to_turn(near, Checks()).state == state


def test_the_tone_behind_a_measurement_is_the_one_measured() -> None:
    capture = Capture.from_array(with_noise(shaped(held(1.0), 997), 60), RATE)
    result, analysis = measure(capture), analyse_tone(capture)
    assert analysis.reason is None
    assert analysis.tone is not None
    assert analysis.verdict is not None
    assert analysis.tone.frequency_hz == result.frequency_hz
    assert analysis.verdict.clipping == result.clipping
    assert analysis.verdict.rails is not None
    assert analysis.verdict.rails.rail_volts(0) == pytest.approx(1.0, abs=0.002)


def test_an_overloaded_recorder_says_nothing_of_the_amplifier() -> None:
    capture = replace(
        Capture.from_array(np.clip(1.5 * sine(997), -1, 1), RATE, calibrated=False),
        has_full_scale=True, hard_full_scale=True, step_units=2.0**-23,
    )  # fmt: skip
    result, analysis = measure(capture, MeasureOptions(target_volts=1.0)), analyse_tone(capture)
    assert result.recorder_overload
    assert codes(result.notes) >= {"recorder_overload", "target_needs_calibration"}
    assert result.target is not None
    assert (result.clipping.state, result.target.change_db) == (None, None)
    assert analysis.verdict is not None
    assert analysis.verdict.clipping.state is None


def test_the_deepest_overdrive_that_is_looked_for_is_told_as_at_least_that() -> None:
    assert DEEPEST_TOLD_DB == thresholds.LARGEST_OVERDRIVE_DB
    assert overdrive_words(59.95) == "60 dB or more"
    assert overdrive_words(3.456) == "3.46 dB"


def test_a_measurement_comes_back_from_its_plain_values() -> None:
    result = figures(with_noise(shaped(held(1.0), 997) + sine(50, RATE - 400, peak=0.02), 60), target_volts=0.5)
    assert codes(result.notes) == {"hum"}
    again = from_plain(Measurement, json.loads(to_json(result)))
    assert again == result


ROOM = ("around", "clipping", "measure", "named", "report", "steady", "stretches", "window")


def test_every_code_has_its_sentence_and_every_sentence_its_code() -> None:
    """All codes in the room's sources, read from them, against the catalogue."""
    folder = Path(analysis_room.__file__).parent
    sources = [*(folder / f"{name}.py" for name in (*ROOM, "model")), folder.parent / "batch.py"]
    told, raised = set(), set()
    for node in (node for source in sources for node in ast.walk(syntax_tree(source))):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.args:
            first = node.args[0]
            if node.func.id in ("fault", "remark", "danger") and isinstance(first, ast.Constant):
                told.add(first.value)
            if node.func.id == "GainkitError" and isinstance(first, ast.Constant):
                raised.add(first.value)
    assert told == set(words.REMARKS)
    assert raised == set(words.FAULTS) - {"no_steady_tone", "not_a_band"}  # raised by those who ask


@pytest.mark.parametrize("module", [measure_module, model, tone_module, batch])
def test_examples_of_docstrings(module: ModuleType) -> None:
    outcome = doctest.testmod(module)
    assert outcome.attempted
    assert not outcome.failed


@pytest.mark.parametrize("tone_hz", [25.0, 100.0, 440.0])
@pytest.mark.parametrize("percent", [0.1, 1.5, 12.0, 90.0])
def test_a_second_tone_on_a_high_multiple_counts(tone_hz: float, percent: float) -> None:
    """Beyond the orders that are fitted: THD of two sines is the second's amplitude over the first's."""
    turn = 2 * np.pi * tone_hz / 48_000 * np.arange(48_000)
    for order in (21, 31, int(19_900 / tone_hz)):
        wave = 0.5 * (np.sin(turn) + percent / 100 * np.sin(order * turn + 1.0))
        hiss = 1e-5 * np.random.default_rng(order).standard_normal(len(wave))
        found = measure(Capture.from_array(wave + hiss, 48_000))
        codes = {note.code: note for note in found.notes}
        if percent > 20:
            assert codes["no_steady_tone"].values["reason"] == "second_tone"
            continue
        assert found.thd_percent == pytest.approx(percent, rel=0.02)
        assert codes["interfering_tone"].values["frequency_hz"] == pytest.approx(order * tone_hz, abs=1.0)
        assert ("not_by_a_rail" in codes) == (percent >= 1.0)


@pytest.mark.parametrize("overdrive_db", [0.02, 1.0, 12.0])
def test_a_low_tones_many_harmonics_are_no_lines(overdrive_db: float) -> None:
    """20 Hz at a hard rail: harmonics far above the fitted ones belong to the same wave."""
    sine = 10 ** (overdrive_db / 20) * np.sin(2 * np.pi * 20 / 48_000 * np.arange(96_000) + 1.0)
    found = measure(Capture.from_array(0.5 * np.clip(sine, -1, 1), 48_000))
    assert found.clipping.side == "both"
    assert found.clipping.overdrive_db == pytest.approx(overdrive_db, rel=0.02)
    assert not {note.code for note in found.notes} & {"interfering_tone", "not_by_a_rail"}
