"""Noise beside another recording, and what sounds like an engine and is none."""

from __future__ import annotations

import numpy as np
import pytest

from gainkit.capture import Capture
from gainkit.noise import NoiseResult, find_noise
from gainkit.remarks import Remark, codes
from tests.test_noise import ALTERNATOR, RATE, hiss, lines, orders, volts_of
from tests.waves import Floats


def against(samples: Floats, other: Floats, rate: int = RATE) -> NoiseResult:
    return find_noise(volts_of(samples), against=Capture.from_array(other, rate))


def told(result: NoiseResult, code: str) -> Remark:
    (note,) = [note for note in result.notes if note.code == code]
    return note


def syllables(seconds: float, seed: int) -> Floats:
    """A voice on paper: a pitch that wanders, and pulses of it that come and go several times a second."""
    chance = np.random.default_rng(seed)
    time = np.arange(round(seconds * RATE)) / RATE
    pitch = 120 * (1 + 0.05 * np.sin(2 * np.pi * 0.4 * time + chance.uniform(0, 6)))
    phase = 2 * np.pi * np.cumsum(pitch) / RATE
    loud = np.clip(np.sin(2 * np.pi * 3.1 * time) + 0.5 * np.sin(2 * np.pi * 1.3 * time), 0.02, None)
    return np.asarray(1e-3 * loud * sum(np.cos(order * phase) / order for order in range(1, 20)))


OTHERS = {
    "noise_digital_zero": np.zeros(5 * RATE),
    "noise_tone_plays": lines(5, [(997.0, 0.2)]) + hiss(5),
    "noise_not_steady": hiss(8) * (1 + 30 * (np.sin(np.arange(8 * RATE) / RATE * 2) > 0)),
    "noise_partly_still": hiss(5) * (np.arange(5 * RATE) > 2 * RATE),
}


@pytest.mark.parametrize("reason", OTHERS)
def test_nothing_is_compared_with_what_is_no_silence(reason: str) -> None:
    result = against(hiss(5, 1e-3), OTHERS[reason])
    note = told(result, "noise_against_useless")
    assert (note.severity, note.values["reason"]) == ("fault", reason)
    assert str(note).startswith("Nothing is compared with array. Of it: ")
    assert result.changed_db is None
    assert not {"hiss_changes", "hiss_stays", "line_family_gone"} & codes(result.notes)


def test_a_recorder_s_recording_that_holds_a_tone_says_nothing_of_it() -> None:
    result = find_noise(volts_of(hiss(5)), recorder=volts_of(OTHERS["noise_tone_plays"]))
    assert told(result, "noise_recorder_useless").values["reason"] == "noise_tone_plays"
    assert result.recorder_limited is None


def test_a_line_that_louder_hiss_hides_has_not_gone() -> None:
    whistle = lines(5, [(3210.0, 2e-5)])
    hidden = against(hiss(5) + whistle, hiss(5, 5e-3, seed=3))
    assert "line_family_gone" not in codes(hidden.notes)
    assert told(hidden, "line_family_hidden").values["fundamental_hz"] == pytest.approx(3210.0, abs=0.05)
    gone = against(hiss(5) + whistle, hiss(5, seed=3))
    assert "line_family_gone" in codes(gone.notes)


def test_a_slower_recorder_is_compared_in_the_band_it_has() -> None:
    """White noise of one density at 48 and 8 kHz; a whistle that the slower recorder cannot hold."""
    slow = 8_000
    same = np.random.default_rng(5).standard_normal(5 * slow) * 1e-4 * np.sqrt(slow / RATE)
    result = against(hiss(5) + lines(5, [(9100.0, 1e-4)]), same, slow)
    assert {"hiss_stays", "line_family_hidden"} <= codes(result.notes)
    assert "line_family_gone" not in codes(result.notes)
    assert result.changed_db == pytest.approx(0.0, abs=0.3)


def test_an_engine_at_one_speed_in_both_has_not_moved() -> None:
    result = against(
        hiss(6) + orders(6, 311.7, 0.01, ALTERNATOR), hiss(6, seed=8) + orders(6, 311.7, 0.01, ALTERNATOR)
    )
    assert "line_family_stays" in codes(result.notes)
    assert "line_family_moves" not in codes(result.notes)
    assert [family.kind for family in result.families] == ["alternator"]


def test_a_high_line_that_drifts_is_not_called_the_alternator() -> None:
    drifting = hiss(6) + orders(6, 10_300.0, 0.002, [(1, 5e-4)])
    alone = find_noise(volts_of(drifting))
    assert alone.notes[0].code == "whine_unknown"
    assert [family.moves for family in alone.families] == [True]
    result = against(drifting, hiss(6, seed=4) + orders(6, 9_900.0, 0.002, [(1, 5e-4)]))
    assert "line_family_drifts" in codes(result.notes)
    assert [family.kind for family in result.families] == ["unknown"]


@pytest.mark.parametrize("seed", range(3))
def test_a_voice_is_no_engine(seed: int) -> None:
    result = find_noise(volts_of(syllables(8, seed) + hiss(8, 3e-5)))
    assert (result.verdict, result.notes[0].code) == ("not known", "noise_not_steady")


def test_a_tune_is_no_whine() -> None:
    """Notes that ring into each other, so that the level hardly varies."""
    chance = np.random.default_rng(0)
    time = np.arange(2 * RATE) / RATE
    tune = np.zeros(12 * RATE)
    for begin in np.arange(0, 10, 0.3):
        hz = 220 * 2 ** (chance.integers(0, 24) / 12)
        part = tune[round(begin * RATE) :][: len(time)]
        part += (np.exp(-3 * time) * sum(np.cos(2 * np.pi * hz * k * time) / k for k in range(1, 6)))[
            : len(part)
        ]
    result = find_noise(volts_of(1e-3 * tune[RATE : -2 * RATE] + hiss(9, 3e-4)))
    assert (result.verdict, result.notes[0].code) == ("not known", "noise_not_steady")


@pytest.mark.parametrize("rails", [(-1.0, 1.0), (-0.8, 0.8), (-0.5, 0.5), (-1.0, 0.6), (-1e-3, 1e-3)])
@pytest.mark.parametrize("peak", [0.5, 0.01])
def test_a_tone_that_is_cut_is_no_silence_to_compare_with(rails: tuple[float, float], peak: float) -> None:
    """From a sine through rails on one side or both to a square wave."""
    seconds = np.arange(4 * RATE) / RATE
    tone = np.clip(np.sin(2 * np.pi * 997.0 * seconds), *rails) / max(rails)
    result = against(hiss(4, 2e-5), peak * tone + hiss(4, 2e-5, seed=2))
    useless = told(result, "noise_against_useless")
    assert useless.values["reason"] == "noise_tone_plays"
    assert useless.values["frequency_hz"] == pytest.approx(997.0, abs=0.1)
    assert result.changed_db is None
    assert result.verdict == "hiss"


def test_hum_of_an_open_input_is_still_compared() -> None:
    """An input whose cable is off may hum a thousand times louder than what it was recorded beside."""
    seconds = np.arange(4 * RATE) / RATE
    hum = sum(0.05 / order * np.sin(2 * np.pi * 50.02 * order * seconds + order) for order in range(1, 12))
    result = against(hiss(4, 2e-5), hum + hiss(4, 2e-5, seed=2))
    assert "noise_against_useless" not in codes(result.notes)
    assert result.changed_db is not None
    assert result.changed_db < -20.0
