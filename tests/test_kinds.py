"""Arguments of the wrong kind through Python: refused as GainkitError, or taken where they mean the same."""

from __future__ import annotations

import inspect
import json
import math
import pickle
from collections.abc import Callable
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import gainkit
from gainkit.kinds import fitting, hints_of
from gainkit.onset import staircase
from gainkit.response import Sweep
from tests.waves import RATE, sine

FUNCTIONS = {
    name: getattr(gainkit, name) for name in gainkit.__all__ if inspect.isfunction(getattr(gainkit, name))
}
TAKES_ANYTHING = {("log_reading", "result"), ("note_typed", "typed")}
"""What these take is looked at when it is known what it is for."""

ARGUMENTS = [
    (name, parameter)
    for name, function in FUNCTIONS.items()
    for parameter, each in inspect.signature(function).parameters.items()
    if each.kind is not each.VAR_KEYWORD and (name, parameter) not in TAKES_ANYTHING
]
STRANGE = [object(), b"x", 1j, {1, 2}, Decimal(1)]

TONE = gainkit.Capture.from_array(sine(997), RATE)
CHANNEL = gainkit.Channel((gainkit.Rating(75, 4),), load_ohms=4)


@pytest.mark.parametrize(("name", "parameter"), ARGUMENTS)
def test_no_exported_function_takes_what_it_does_not_know(name: str, parameter: str) -> None:
    hint = hints_of(FUNCTIONS[name])[parameter]
    for value in STRANGE:
        with pytest.raises(gainkit.GainkitError) as fault:
            fitting(parameter, value, hint)
        assert fault.value.code in ("wrong_kind", "not_a_choice")
        assert (fault.value.parameter, fault.value.received) == (parameter, value)
        assert parameter in str(fault.value)
        assert fault.value.allowed


@pytest.mark.parametrize("name", sorted(FUNCTIONS))
def test_what_is_exported_asks_before_it_does_anything(name: str) -> None:
    parameters = inspect.signature(FUNCTIONS[name]).parameters.values()
    needed = [
        each.name for each in parameters if each.default is each.empty and each.kind is not each.VAR_KEYWORD
    ]
    if needed:
        with pytest.raises(gainkit.GainkitError) as fault:
            FUNCTIONS[name](**dict.fromkeys(needed, object()))
        assert fault.value.parameter == needed[0]


CALLS: list[tuple[Callable[[], Any], str, str]] = [
    (lambda: gainkit.measure(3), "capture", "a Capture or a path"),
    (lambda: gainkit.measure(None), "capture", "a Capture or a path"),
    (lambda: gainkit.measure(TONE, channel="1"), "channel", "a whole number"),
    (lambda: gainkit.measure(TONE, channel=1.0), "channel", "a whole number"),
    (lambda: gainkit.measure("x.wav", calibration=3), "calibration", "a path"),
    (lambda: gainkit.measure(TONE, band_hz=(1, 2, 3)), "band_hz", "2 numbers"),
    (lambda: gainkit.find_target("75"), "channel", "a Channel"),
    (lambda: gainkit.Channel([75], load_ohms=4), "ratings", "a tuple of Rating"),
    (lambda: gainkit.find_noise(TONE, band_hz=20), "band_hz", "2 numbers"),
    (lambda: gainkit.find_response(TONE, from_what()), "sweep", "a Sweep"),
    (lambda: gainkit.find_onset(TONE, "staircase"), "plan", "a LevelPlan"),
    (lambda: gainkit.find_clean_volume([TONE]), "captures", "a table of a Capture or a path"),
    (lambda: gainkit.match_levels(TONE), "captures", "a list of a Capture or a path"),
    (lambda: gainkit.find_loads(math.nan), "coil_ohms", "a number"),
    (lambda: gainkit.find_loads(True), "coil_ohms", "a number"),
    (lambda: gainkit.staircase(frequency_hz="50"), "frequency_hz", "a number"),
    (lambda: gainkit.draw_power(1, 2), "ax", "an Axes"),
    (lambda: gainkit.fit_tone("abc", RATE), "samples", "an array of numbers"),
    (lambda: gainkit.Capture.from_array([None], RATE), "samples", "an array of numbers"),
    (lambda: gainkit.save_chart(3, "x.svg"), "draws", "a function or a list of a function"),
]


def from_what() -> Sweep:
    """What a person takes for a sweep."""
    sweep: Any = "20 to 20000"
    return sweep


@pytest.mark.parametrize(
    ("call", "parameter", "allowed"), CALLS, ids=[f"{p} {n}" for n, (_, p, _) in enumerate(CALLS)]
)
def test_calls_with_the_wrong_kind(call: Callable[[], Any], parameter: str, allowed: str) -> None:
    with pytest.raises(gainkit.GainkitError) as fault:
        call()
    assert (fault.value.code, fault.value.parameter, fault.value.allowed) == ("wrong_kind", parameter, allowed)


@pytest.mark.parametrize("load_ohms", ["4", math.nan, True, [4], 1j, b"4"])
def test_a_figure_of_another_kind_is_outside_its_range(load_ohms: Any) -> None:
    with pytest.raises(gainkit.GainkitError) as fault:
        gainkit.Channel((gainkit.Rating(75, 4),), load_ohms=load_ohms)
    assert (fault.value.code, fault.value.parameter) == ("outside_range", "load_ohms")
    assert fault.value.allowed.words() == "above 0 and at most 1000 ohm"


def test_words_are_chosen_from_those_that_there_are() -> None:
    for call, parameter, choice in (
        (lambda: gainkit.Look("huge"), "size", ("phone", "page", "slide")),
        (lambda: gainkit.TypedPolarity("up"), "polarity", ("positive", "negative")),
        (lambda: gainkit.Channel((), 4, bridged="yes"), "bridged", ("true", "false")),
        (lambda: gainkit.simulate(calibrated=1), "calibrated", ("true", "false")),
    ):
        with pytest.raises(gainkit.GainkitError) as fault:
            call()
        assert (fault.value.code, fault.value.parameter, fault.value.allowed) == (
            "not_a_choice",
            parameter,
            choice,
        )


@pytest.mark.parametrize(
    "four", [4, 4.0, np.float64(4), np.float32(4), np.int32(4), np.uint8(4), np.array(4.0), Fraction(4)]
)
def test_numbers_of_any_make_are_numbers(four: Any) -> None:
    rating = gainkit.Rating(75, four)
    target = gainkit.find_target(gainkit.Channel([rating], load_ohms=four))
    usual = gainkit.results.to_plain(gainkit.find_target(CHANNEL))
    assert json.loads(gainkit.results.to_json(target)) == usual
    assert gainkit.find_loads(four, 2).wirings[0].ohms == gainkit.find_loads(4, 2).wirings[0].ohms


def test_flags_lists_arrays_and_whole_numbers_of_numpy() -> None:
    assert gainkit.Channel(CHANNEL.ratings, 4, bridged=np.bool_(True)) == gainkit.Channel(
        CHANNEL.ratings, 4, bridged=True
    )
    plain = gainkit.measure(TONE, channel=1, band_hz=(100.0, 5000.0))
    of_numpy = gainkit.measure(TONE, channel=np.int64(1), band_hz=np.array([100, 5000]))
    assert gainkit.results.to_json(of_numpy) == gainkit.results.to_json(plain)
    assert staircase(np.int64(-10), 0, np.float32(1)) == staircase(-10, 0, 1)
    samples = [float(each) for each in sine(997)[:9600]]
    assert gainkit.Capture.from_array(samples, np.int32(RATE)).frames == 9600


def test_texts_and_paths_are_alike(tmp_path: Path) -> None:
    job = gainkit.start_job(str(tmp_path / "estate"))
    assert gainkit.job_status(Path(job.folder)).headline == gainkit.job_status(job.folder).headline
    gainkit.log_reading(job.folder, "measure", np.array(["Front/left"]), gainkit.measure(TONE), [])
    assert gainkit.list_readings(job.folder).readings[0].outputs == ("Front/left",)


def test_an_exported_function_can_be_sent_to_another_process() -> None:
    for function in FUNCTIONS.values():
        assert pickle.loads(pickle.dumps(function)) is function


def test_a_call_that_does_not_fit_is_pythons_own_fault() -> None:
    with pytest.raises(TypeError, match="missing a required argument: 'capture'"):
        gainkit.measure()
    with pytest.raises(TypeError, match="unexpected keyword argument 'ohms'"):
        gainkit.find_loads(4, ohms=3)
