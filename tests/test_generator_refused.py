"""What the generator refuses, by the name of what is wrong."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from gainkit.errors import GainkitError
from gainkit.generator.kinds import build
from gainkit.generator.spec import ToneSpec

REFUSED = [
    ("outside_range", "frequency_hz", {"kind": "sine", "frequency_hz": 0.0}),
    ("outside_range", "frequency_hz", {"kind": "sine", "frequency_hz": -50.0}),
    ("outside_range", "frequency_hz", {"kind": "sine", "frequency_hz": float("nan")}),
    ("outside_range", "frequency_hz", {"kind": "sine", "frequency_hz": 10**400}),
    ("outside_range", "level_dbfs", {"kind": "sine", "level_dbfs": 0.1}),
    ("outside_range", "level_dbfs", {"kind": "sine", "level_dbfs": float("-inf")}),
    ("outside_range", "seconds", {"kind": "sine", "seconds": 0.0}),
    ("outside_range", "seconds", {"kind": "sine", "seconds": "long"}),
    ("outside_range", "step_db", {"kind": "staircase", "step_db": -1.0}),
    ("outside_range", "crest_db", {"kind": "noise", "crest_db": 3}),
    ("wrong_kind", "kind", {"kind": 5}),
    ("wrong_kind", "channels", {"kind": "sine", "channels": ["left"]}),
    ("not_a_choice", "dither", {"kind": "sine", "dither": "yes"}),
    ("unknown_choice", "channels", {"kind": "sine", "channels": "middle"}),
    ("seed_not_whole", "seed", {"kind": "sine", "seed": -1}),
    ("wrong_kind", "seed", {"kind": "sine", "seed": True}),
    ("band_upside_down", "low_hz", {"kind": "sweep", "low_hz": 1000, "high_hz": 100}),
    ("levels_alike", "to_dbfs", {"kind": "staircase", "from_dbfs": -6, "to_dbfs": -6}),
]
"""What no tone can be, whatever the rate: refused where the spec is made."""

UNBUILT = [
    ("tone_above_rate", "frequency_hz", ToneSpec("sine", frequency_hz=20_000)),
    ("tone_above_rate", "high_hz", ToneSpec("sweep", high_hz=21_000)),
    ("foreign_parameter", "low_hz", ToneSpec("sine", low_hz=20.0)),
    ("unknown_choice", "kind", ToneSpec("sinus")),
    ("uneven_steps", "step_db", ToneSpec("staircase", step_db=0.7)),
    ("levels_alike", "to_dbfs", ToneSpec("glide", from_dbfs=0)),
    ("dwell_too_short", "dwell_seconds", ToneSpec("staircase", frequency_hz=20, dwell_seconds=0.1)),
    ("noise_past_full_scale", "level_dbfs", ToneSpec("noise", level_dbfs=-6)),
    ("band_edge_missing", "high_hz", ToneSpec("noise", low_hz=40)),
    ("band_given_twice", "band", ToneSpec("noise", low_hz=40, high_hz=80, band="bass")),
    ("unknown_choice", "band", ToneSpec("noise", band="base")),
    ("unknown_choice", "band", ToneSpec("pulses", band="full")),
    ("band_given_twice", "band", ToneSpec("sweep", band="bass", low_hz=30.0)),
    ("in_turn_of_one_channel", "in_turn", ToneSpec("sweep", in_turn=True, channels="left")),
    ("foreign_parameter", "fall_above_hz", ToneSpec("sine", fall_above_hz=1_000.0)),
    ("band_too_narrow", "high_hz", ToneSpec("noise", low_hz=100, high_hz=101, seconds=1)),
    ("band_upside_down", "low_hz", ToneSpec("sweep", high_hz=10)),
]
"""What a kind of tone or its defaults forbid: refused where it is built."""


@pytest.mark.parametrize(("code", "parameter", "fields"), REFUSED)
def test_a_spec_holds_only_what_a_tone_can_be(code: str, parameter: str, fields: dict[str, Any]) -> None:
    with pytest.raises(GainkitError) as fault:
        ToneSpec(**fields)
    assert (fault.value.code, fault.value.parameter) == (code, parameter)
    assert parameter in fault.value.problem
    assert fault.value.remedy


@pytest.mark.parametrize(("code", "parameter", "spec"), UNBUILT)
def test_what_cannot_be_made_is_refused_by_name(code: str, parameter: str, spec: ToneSpec) -> None:
    with pytest.raises(GainkitError) as fault:
        build(spec, 44_100)
    assert (fault.value.code, fault.value.parameter) == (code, parameter)
    assert fault.value.problem[-1] == "."
    assert fault.value.remedy


def test_misspelt_words_are_answered_with_the_nearest() -> None:
    for spec, nearest in ((ToneSpec("sinus"), "sine"), (ToneSpec("noise", band="base"), "bass")):
        with pytest.raises(GainkitError) as fault:
            build(spec, 44_100)
        assert fault.value.remedy == f"Did you mean {nearest}?"
    with pytest.raises(GainkitError) as fault:
        build(ToneSpec("pulses", band="full"), 44_100)
    assert fault.value.remedy == "Give one of bass, midrange, treble."


def test_noise_too_loud_names_the_level_that_fits() -> None:
    with pytest.raises(GainkitError) as fault:
        build(ToneSpec("noise", level_dbfs=-6.0, crest_db=12.0), 44_100)
    assert fault.value.values["highest_dbfs"] == -8.99
    assert "-8.99 dBFS" in fault.value.remedy
    wave = build(ToneSpec("noise", level_dbfs=-8.99, crest_db=12.0, seconds=1.0), 44_100)
    assert np.abs(wave.samples()).max() <= 1.0


def test_odd_rate_is_refused() -> None:
    with pytest.raises(GainkitError) as fault:
        build(ToneSpec("sine"), 22_050)
    assert (fault.value.code, fault.value.parameter) == ("unknown_choice", "rate")
    assert "44100" in fault.value.remedy
