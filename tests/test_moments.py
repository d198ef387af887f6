"""Clipping that lasts for a part of a recording only is never told clean, and what is none never clipped."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from gainkit.advice import Checks, is_clean
from gainkit.analysis import Measurement, MeasureOptions, measure
from gainkit.analysis.clean import clips_in_part, waveform_state
from gainkit.capture import Capture
from gainkit.cli.measure_text import verdict
from gainkit.remarks import codes
from tests.movement import clock, down, noisy
from tests.waves import RATE, Floats

SECONDS = 3.0
PEAK = 23.0


def recorded(
    gain: Callable[[Floats], Floats], rail: Callable[[Floats], Floats], hz: float = 400.0, seed: int = 1
) -> Measurement:
    """A tone of 23 V peak times gain, held at 23 V times rail, with noise."""
    t = clock(SECONDS)
    wave = PEAK * np.clip(gain(t) * np.sin(2 * np.pi * hz * t + 0.4), -rail(t), rail(t))
    return measure(Capture.from_array(noisy(np.random.default_rng(seed), down(wave)), RATE))


def during(start: float, stop: float, inside: float, outside: float = 1.0) -> Callable[[Floats], Floats]:
    return lambda t: np.where((t > start) & (t < stop), inside, outside)


def constant(value: float) -> Callable[[Floats], Floats]:
    return lambda t: np.full_like(t, value)


@pytest.mark.parametrize("hz", [50.0, 400.0, 2500.0])
@pytest.mark.parametrize(("start", "stop"), [(1.4, 1.48), (2.8, 4.0), (0.5, 2.4)])
def test_a_supply_that_gives_way_for_a_moment_is_told_with_its_time(
    start: float, stop: float, hz: float
) -> None:
    found = recorded(constant(1.0), during(start, stop, 0.75, 1.2), hz)
    (part,) = [each for each in found.stretches if each.state == "clipped"]
    assert part.start_seconds == pytest.approx(start, abs=0.06)
    assert part.stop_seconds == pytest.approx(min(stop, SECONDS), abs=0.06)
    assert part.overdrive_db == pytest.approx(20 * np.log10(1 / 0.75), abs=0.5)
    assert waveform_state(found) == "clipped-in-part"
    assert not is_clean(found, Checks())


def test_bursts_that_come_back_are_counted() -> None:
    found = recorded(lambda t: np.where(t % 0.5 < 0.03, 1.7, 1.0), constant(1.1))
    (told,) = [note for note in found.notes if note.code == "clipped_in_part"]
    assert told.values["count"] == 6
    assert told.values["seconds"] == pytest.approx(6 * 0.03, rel=0.2)
    assert told.values["overdrive_db"] == pytest.approx(20 * np.log10(1.7 / 1.1), abs=0.5)
    assert verdict(found, Checks()).startswith("CLIPPED IN A PART")


def test_a_gain_turned_down_from_clipping_is_told_although_it_ends_clean() -> None:
    found = recorded(during(1.8, 9.0, 0.8, 1.3), constant(1.0))
    assert found.clipping.state == "clean"
    assert clips_in_part(found)
    assert {"clipped_in_part", "level_fell"} <= codes(found.notes)


CALM: dict[str, Callable[[Floats], Floats]] = {
    "nothing moves": constant(0.95),
    "a knob is turned": during(1.0, 9.0, 0.7, 0.9),
    "it fades in": lambda t: np.clip(t / 0.7, 0, 0.95),
    "it drops out": during(1.5, 1.52, 0.0, 0.9),
    "it stops": during(2.3, 9.0, 0.0, 0.9),
    "it swells": lambda t: 0.9 + 0.04 * np.sin(2 * np.pi * 3 * t),
}


@pytest.mark.parametrize("what", CALM)
@pytest.mark.parametrize("hz", [50.0, 2500.0])
def test_what_does_not_clip_is_not_told_as_clipped(what: str, hz: float) -> None:
    found = recorded(CALM[what], constant(1.0), hz)
    assert "clipped_in_part" not in codes(found.notes)
    assert not clips_in_part(found)


def test_clicks_are_not_clipping() -> None:
    t = clock(SECONDS)
    rng = np.random.default_rng(4)
    wave = noisy(rng, down(PEAK * 0.9 * np.sin(2 * np.pi * 300 * t)))
    for at in rng.integers(0, len(wave), 30):
        wave[at : at + rng.integers(1, 30)] += rng.uniform(-15, 15)
    assert "clipped_in_part" not in codes(measure(Capture.from_array(wave, RATE)).notes)


def test_a_short_burst_in_a_long_recording_is_found() -> None:
    seconds = np.arange(30 * RATE) / RATE
    wave = np.sin(2 * np.pi * 400 * seconds)
    wave[25 * RATE : 25 * RATE + 2400] = np.clip(wave[25 * RATE : 25 * RATE + 2400], -0.7, 0.7)
    found = measure(Capture.from_array(wave + 1e-4 * np.random.default_rng(2).standard_normal(len(wave)), RATE))
    (part,) = [each for each in found.stretches if each.state == "clipped"]
    assert part.start_seconds == pytest.approx(25.0, abs=0.01)
    assert part.stop_seconds == pytest.approx(25.05, abs=0.01)


@pytest.mark.parametrize(
    ("first_hz", "last_hz", "seconds"),
    [(900.0, 1100.0, 4.0), (40.0, 44.0, 4.0), (20.0, 12_000.0, 2.0), (3000.0, 200.0, 8.0), (137.0, 160.0, 0.6)],
)
@pytest.mark.parametrize("law", ["linear", "logarithmic"])
def test_a_sweep_is_no_steady_tone(first_hz: float, last_hz: float, seconds: float, law: str) -> None:
    """scipy.signal.chirp makes the sweep."""
    from scipy.signal import chirp

    wave = PEAK * chirp(np.arange(int(seconds * RATE)) / RATE, first_hz, seconds, last_hz, method=law)
    found = measure(Capture.from_array(noisy(np.random.default_rng(3), wave), RATE))
    assert not found.steady_tone
    assert not is_clean(found, Checks())
    (told,) = [note for note in found.notes if note.code == "no_steady_tone"]
    assert told.values["reason"] != "second_tone"


def test_tones_one_after_another_are_no_steady_tone() -> None:
    seconds = np.arange(RATE) / RATE
    wave = np.concatenate([np.sin(2 * np.pi * hz * seconds) for hz in (100.0, 250.0, 630.0, 1600.0)])
    assert not measure(Capture.from_array(wave, RATE)).steady_tone


@pytest.mark.parametrize("hz", [30.0, 997.0, 6000.0])
def test_a_clock_that_is_off_and_noise_make_no_sweep(hz: float) -> None:
    seconds = np.arange(3 * RATE) * 1.0002 / RATE
    wave = np.sin(2 * np.pi * hz * seconds) + 0.1 * np.random.default_rng(5).standard_normal(3 * RATE)
    found = measure(Capture.from_array(wave, RATE))
    assert found.steady_tone
    assert found.frequency_hz == pytest.approx(hz * 1.0002, rel=1e-5)


@pytest.mark.parametrize("hum_hz", [50.0, 60.0])
@pytest.mark.parametrize("hum_volts", [0.5, 4.0])
def test_hum_is_not_counted_as_the_tone_s_level(hum_hz: float, hum_volts: float) -> None:
    seconds = np.arange(2 * RATE) / RATE
    tone = 15.0 * np.sqrt(2) * np.sin(2 * np.pi * 997 * seconds)
    hum = hum_volts * np.sqrt(2) * np.sin(2 * np.pi * hum_hz * seconds + 1)
    capture = Capture.from_array(noisy(np.random.default_rng(6), tone + hum), RATE)
    found = measure(capture, MeasureOptions(target_volts=16.6))
    assert found.rms_volts == pytest.approx(np.hypot(15.0, hum_volts), rel=1e-3)
    assert found.interference_volts == pytest.approx(hum_volts, rel=0.02)
    assert found.tone_volts == pytest.approx(15.0, rel=1e-3)
    assert found.target is not None
    assert found.target.change_db == pytest.approx(20 * np.log10(16.6 / 15.0), abs=0.01)
    assert [note.severity for note in found.notes if note.code == "hum"] == ["fault"]
    assert "HUM" in verdict(found, Checks())


@pytest.mark.parametrize(
    ("hz", "period_seconds", "dip_db"),
    [(46.0, 0.61, 1.9), pytest.param(424.0, 0.19, 1.7, marks=pytest.mark.long)],
)
def test_a_gain_that_steps_within_a_cycle_cuts_no_crest(
    hz: float, period_seconds: float, dip_db: float
) -> None:
    """A limiter that pumps: the level drops at once at any place of the cycle, and comes back slowly."""
    rng = np.random.default_rng(7)
    t = clock(5.0)
    gain = 10 ** (-dip_db * np.exp(-(t % period_seconds) / 0.1) / 20)
    for _ in range(3):
        wave = down(15 * gain * np.sin(2 * np.pi * hz * t + rng.uniform(0, 2 * np.pi)))
        found = measure(Capture.from_array(noisy(rng, wave), RATE))
        assert "clipped_in_part" not in codes(found.notes)
