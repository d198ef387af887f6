"""The noise of a chain: known mixes come apart into what was put in, and what is no silence is told."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from gainkit.analysis.lines import amplitude_bound_volts, fit_lines, frequency_bound_hz
from gainkit.capture import Capture, read_capture
from gainkit.errors import GainkitError
from gainkit.noise import Family, NoiseResult, find_noise
from gainkit.remarks import codes
from gainkit.results import to_json
from tests.waves import Floats

RATE = 48_000
HISS = 1e-4
IN_BAND = HISS * math.sqrt(19_980 / 24_000)
"""White noise of rms s up to half the rate: 20 Hz to 20 kHz hold 19980 of 24000 Hz of its power."""


def hiss(seconds: float, rms: float = HISS, seed: int = 1) -> Floats:
    return rms * np.random.default_rng(seed).standard_normal(round(seconds * RATE))


def lines(seconds: float, parts: Sequence[tuple[float, float]], seed: int = 2) -> Floats:
    """Sines of (frequency [Hz], rms [V]) with phases by chance."""
    phases = np.random.default_rng(seed).uniform(0, 2 * np.pi, len(parts))
    time = np.arange(round(seconds * RATE)) / RATE
    return np.asarray(
        sum(
            volts * math.sqrt(2) * np.cos(2 * np.pi * frequency * time + phase)
            for (frequency, volts), phase in zip(parts, phases, strict=True)
        )
    )


def orders(
    seconds: float, hz: float, wander: float, parts: Sequence[tuple[int, float]], period: float = 3.7
) -> Floats:
    """Orders (number, rms [V]) of a fundamental that wanders by a part of itself, slowly and faster."""
    time = np.arange(round(seconds * RATE)) / RATE
    speed = 1 + wander * (np.sin(2 * np.pi * time / period + 1) + 0.3 * np.sin(2 * np.pi * time / 1.1))
    phase = 2 * np.pi * hz * np.cumsum(speed) / RATE
    return np.asarray(sum(volts * math.sqrt(2) * np.cos(order * phase + order) for order, volts in parts))


def read(samples: Floats, **asked: object) -> NoiseResult:
    return find_noise(Capture.from_array(samples, RATE), **asked)  # type: ignore[arg-type]


def volts_of(samples: Floats) -> Capture:
    return Capture.from_array(samples, RATE)


def only(result: NoiseResult, kind: str) -> Family:
    found = [family for family in result.families if family.kind == kind]
    assert len(found) == 1, result.families
    return found[0]


ALTERNATOR = [(1, 3e-4), (2, 2e-4), (3, 1e-4), (6, 8e-4), (12, 3e-4)]
ALTERNATOR_RMS = math.sqrt(sum(volts**2 for _, volts in ALTERNATOR))


def test_hiss_alone_is_hiss_and_nothing_else() -> None:
    for seed in range(5):
        result = read(hiss(4, seed=seed))
        assert result.families == ()
        assert result.verdict == "hiss"
        assert result.hiss_volts == pytest.approx(IN_BAND, rel=0.01)
        assert result.hiss_volts == pytest.approx(result.rms_volts, rel=1e-12)
        # white noise loses 2.048 dB in A-weighting from 20 Hz to 20 kHz (integral of the weighting)
        assert 20 * math.log10(result.rms_volts / result.a_weighted_volts) == pytest.approx(2.048, abs=0.06)


@pytest.mark.parametrize("mains", [49.9, 50.01, 60.02])
def test_hum_comes_apart_into_its_orders(mains: float) -> None:
    parts = [(mains, 1e-3), (3 * mains, 5e-4), (5 * mains, 3e-4), (7 * mains, 1e-4)]
    result = read(hiss(5) + lines(5, parts) + 0.02)
    family = only(result, "mains")
    assert family.orders == (1, 3, 5, 7)
    assert family.fundamental_hz == pytest.approx(mains, abs=0.001)
    assert family.line_volts == pytest.approx([volts for _, volts in parts], abs=4e-6)
    assert result.hiss_volts == pytest.approx(IN_BAND, rel=0.01)
    assert result.rms_volts == pytest.approx(math.hypot(IN_BAND, family.rms_volts), rel=0.003)
    assert result.dc_volts == pytest.approx(0.02, abs=1e-5)
    assert result.verdict == "hum"
    assert result.notes[0].code == "hum_mains"


def test_hum_with_its_first_order_missing_is_still_the_mains() -> None:
    family = only(read(hiss(5) + lines(5, [(150.03, 5e-4), (250.05, 3e-4)])), "mains")
    assert family.orders == (3, 5)
    assert family.fundamental_hz == pytest.approx(50.01, abs=0.002)


@pytest.mark.parametrize("alternator_hz", [200.03, 239.9, 250.1, 299.95, 300.0])
def test_an_engines_orders_on_high_multiples_of_the_mains_are_not_the_mains(alternator_hz: float) -> None:
    parts = [(alternator_hz * order, 5e-4 / order) for order in (1, 2, 3)]
    assert only(read(hiss(5) + lines(5, parts)), "unknown").orders == (1, 2, 3)


def test_what_one_mains_leaves_does_not_make_the_other() -> None:
    parts = [(60 * order, 5e-4) for order in (1, 2, 3, 5)]
    result = read(hiss(5) + lines(5, [*parts, (350.0, 3e-4)]))
    assert {(round(each.fundamental_hz), each.kind) for each in result.families} == {
        (60, "mains"),
        (350, "unknown"),
    }


def test_even_orders_alone_are_a_rectifier_s() -> None:
    family = only(read(hiss(5) + lines(5, [(119.98, 5e-4), (239.96, 3e-4), (359.94, 1e-4)])), "mains")
    assert family.fundamental_hz == pytest.approx(119.98, abs=0.002)
    assert family.orders == (1, 2, 3)


def test_two_mains_in_one_capture_stay_apart() -> None:
    result = read(hiss(5) + lines(5, [(50, 1e-3), (150, 3e-4), (59.98, 5e-4), (179.94, 2e-4)]))
    assert {(round(f.fundamental_hz, 1), f.orders, f.kind) for f in result.families} == {
        (50.0, (1, 3), "mains"),
        (60.0, (1, 3), "mains"),
    }


def test_whole_kilohertz_are_a_clock_s() -> None:
    result = read(hiss(5) + lines(5, [(1000.03, 5e-4), (2000.06, 3e-4), (8000.24, 1e-4)]))
    assert only(result, "digital").orders == (1, 2, 8)
    assert result.notes[0].code == "whine_digital"


def test_a_line_elsewhere_is_unknown_and_exact() -> None:
    result = read(hiss(5) + lines(5, [(3777.7, 3e-4)]))
    family = only(result, "unknown")
    assert family.fundamental_hz == pytest.approx(3777.7, abs=0.001)
    assert family.moves is None
    assert result.notes[0].code == "whine_unknown"


@pytest.mark.parametrize("wander", [0.003, 0.01, 0.03])
def test_an_engine_that_idles_shows_as_orders_that_move_together(wander: float) -> None:
    hum = [(60.0, 1e-3), (180.0, 5e-4)]
    result = read(hiss(8) + orders(8, 211.7, wander, ALTERNATOR) + lines(8, hum))
    family = only(result, "alternator")
    assert family.orders == (1, 2, 3, 6, 12)
    assert family.moves is True
    assert family.fundamental_hz == pytest.approx(211.7, rel=0.2 * wander + 1e-3)
    assert family.rms_volts == pytest.approx(ALTERNATOR_RMS, rel=0.03)
    assert family.highest_hz - family.lowest_hz == pytest.approx(2 * 1.2 * wander * 211.7, rel=0.25)
    assert only(result, "mains").orders == (1, 3)
    assert result.hiss_volts == pytest.approx(IN_BAND, rel=0.03)
    assert result.verdict == "whine"
    assert result.notes[0].code == "whine_alternator"


def test_an_engine_under_strong_hum_is_still_found() -> None:
    hum = [(50.0 * order, 0.1 / order**2) for order in range(1, 11)]
    result = read(hiss(8, 1e-5) + lines(8, hum) + orders(8, 240.3, 0.01, [(1, 1e-3), (6, 1e-3)]))
    assert only(result, "alternator").orders == (1, 6)
    assert only(result, "alternator").rms_volts == pytest.approx(math.sqrt(2) * 1e-3, rel=0.15)
    assert only(result, "mains").orders == tuple(range(1, 11))


def test_two_speeds_show_which_family_moves() -> None:
    clock = lines(5, [(3000.6, 1e-4)])
    idle = hiss(5) + lines(5, [(211.7 * order, volts) for order, volts in ALTERNATOR]) + clock
    revved = hiss(5, seed=9) + lines(5, [(311.1 * order, volts) for order, volts in ALTERNATOR]) + clock
    alone = read(idle)
    assert {family.kind for family in alone.families} == {"unknown", "digital"}
    result = read(idle, against=volts_of(revved))
    moving = only(result, "alternator")
    assert (moving.moves, moving.orders) == (True, (1, 2, 3, 6, 12))
    assert only(result, "digital").moves is False
    assert {"line_family_moves", "line_family_stays"} <= codes(result.notes)
    (moved,) = [note for note in result.notes if note.code == "line_family_moves"]
    assert moved.values["speed_ratio"] == pytest.approx(211.7 / 311.1, rel=1e-4)
    assert result.changed_db == pytest.approx(
        20 * math.log10(result.a_weighted_volts / read(revved).a_weighted_volts)
    )


def test_what_goes_with_the_source_is_told() -> None:
    whole = hiss(4, 2e-4) + lines(4, [(50, 1e-3), (5321.0, 3e-4)])
    without = hiss(4, seed=5) + lines(4, [(50, 1e-3)])
    result = read(whole, against=volts_of(without))
    told = codes(result.notes)
    assert {"line_family_gone", "line_family_stays", "hiss_changes"} <= told
    (gone,) = [note for note in result.notes if note.code == "line_family_gone"]
    assert gone.values["fundamental_hz"] == pytest.approx(5321.0, abs=0.01)
    (falls,) = [note for note in result.notes if note.code == "hiss_changes"]
    assert falls.values["changed_db"] == pytest.approx(20 * math.log10(2), abs=0.1)
    assert only(result, "mains").moves is False
    same = read(without, against=volts_of(hiss(4, seed=6) + lines(4, [(50, 1e-3)])))
    assert "hiss_stays" in codes(same.notes)


def test_engines_that_idle_in_both_captures_are_one_engine() -> None:
    idle = hiss(6) + orders(6, 211.7, 0.01, ALTERNATOR)
    faster = hiss(6, seed=7) + orders(6, 330.0, 0.005, ALTERNATOR)
    result = read(idle, against=volts_of(faster))
    (moved,) = [note for note in result.notes if note.code == "line_family_moves"]
    assert moved.values["speed_ratio"] == pytest.approx(211.7 / 330.0, rel=0.01)
    off = read(idle, against=volts_of(hiss(6, seed=8)))
    assert "line_family_gone" in codes(off.notes)
    assert only(off, "alternator").moves is True


def test_a_single_line_that_wanders_is_no_hiss_and_no_engine_s_for_sure() -> None:
    result = read(hiss(6) + orders(6, 1270.0, 0.01, [(1, 8e-4)]))
    family = only(result, "unknown")
    assert (family.moves, result.notes[0].code) == (True, "whine_unknown")
    assert family.rms_volts == pytest.approx(8e-4, rel=0.03)
    assert result.hiss_volts == pytest.approx(IN_BAND, rel=0.03)
    assert result.verdict == "whine"


def test_ignition_is_a_comb_that_moves() -> None:
    time = np.arange(8 * RATE) / RATE
    turns = np.cumsum(30 * (1 + 0.005 * np.sin(2 * np.pi * time / 3))) / RATE
    spark = 5e-3 * np.exp(-np.arange(480) / 60) * np.sin(2 * np.pi * 3000 * np.arange(480) / RATE)
    ticks = np.convolve(np.diff(np.floor(turns), prepend=0.0), spark)[: len(time)]
    family = read(hiss(8) + ticks).families[0]
    assert family.kind == "alternator"
    assert family.fundamental_hz == pytest.approx(30.0, rel=0.01)
    assert len(family.orders) > 50
    assert family.rms_volts == pytest.approx(float(np.sqrt(np.mean(ticks**2))), rel=0.1)


def test_a_line_that_comes_and_goes_does_not_move() -> None:
    time = np.arange(8 * RATE) / RATE
    result = read(hiss(8) + lines(8, [(1234.0, 1e-3), (2468.0, 5e-4)]) * (np.sin(2 * np.pi * time / 4) > 0))
    assert not any(family.moves for family in result.families)


def test_a_thump_is_left_out_and_told() -> None:
    samples = hiss(10)
    samples[24_000:28_800] += 0.5 * np.exp(-np.arange(4800) / 1000)
    result = read(samples + lines(10, [(3777.7, 3e-4)]))
    assert result.hiss_volts == pytest.approx(IN_BAND, rel=0.01)
    assert only(result, "unknown").rms_volts == pytest.approx(3e-4, rel=0.01)
    (told,) = [note for note in result.notes if note.code == "noise_clicks"]
    assert 1.0 < told.values["left_out_seconds"] < 4.0


def test_a_bridged_output_is_read_across_both_leads() -> None:
    noise, common = hiss(3), lines(3, [(50.0, 1e-2)])
    both = np.stack([common + noise / 2, common - noise / 2], axis=1)
    result = find_noise(Capture.from_array(both, RATE), channel=1, minus=2)
    assert result.families == ()
    assert result.hiss_volts == pytest.approx(IN_BAND, rel=0.01)
    assert (result.channel, result.minus) == (1, 2)


@pytest.mark.parametrize("rate", [44_100, 96_000, 192_000])
def test_other_rates_read_the_same(rate: int) -> None:
    time = np.arange(3 * rate) / rate
    noise = HISS * np.random.default_rng(3).standard_normal(len(time))
    hum = 1e-3 * math.sqrt(2) * np.sin(2 * np.pi * 60 * time)
    result = find_noise(Capture.from_array(noise + hum, rate))
    assert only(result, "mains").rms_volts == pytest.approx(1e-3, rel=0.01)
    assert result.hiss_volts == pytest.approx(HISS * math.sqrt(19_980 / (rate / 2)), rel=0.01)


def test_noise_is_told_against_the_target() -> None:
    quiet = read(hiss(3), target_volts=20.0)
    assert quiet.verdict == "quiet"
    assert quiet.below_target_db == pytest.approx(20 * math.log10(20 / quiet.a_weighted_volts))
    loud = read(hiss(3, 3e-3), target_volts=20.0)
    assert (loud.verdict, loud.notes[0].code) == ("hiss", "hiss")
    assert read(hiss(3)).below_target_db is None
    relative = find_noise(Capture.from_array(hiss(3), RATE, calibrated=False), target_volts=20.0)
    assert relative.below_target_db is None
    assert "noise_not_calibrated" in codes(relative.notes)


def test_the_recorder_s_own_noise_is_told() -> None:
    own = hiss(4, 8e-5, seed=8)
    limited = read(own + hiss(4, 2e-5), recorder=volts_of(hiss(4, 8e-5, seed=18)))
    assert limited.recorder_limited is True
    assert (limited.verdict, limited.notes[0].code) == ("not known", "noise_recorder_limited")
    hum = [(50.0, 2e-4)]
    heard = read(hiss(4, 4e-4) + lines(4, hum), recorder=volts_of(own + lines(4, hum)))
    assert heard.recorder_limited is False
    assert "recorder_line" in codes(heard.notes)
    (share,) = [note for note in heard.notes if note.code == "recorder_share"]
    assert share.values["share_percent"] == pytest.approx(4.0, abs=0.2)
    assert read(hiss(2)).recorder_limited is None


def test_steps_of_the_recorder_are_seen_without_a_second_capture(tmp_path: Path) -> None:
    step = 2.0**-15
    samples = np.round(hiss(3, 0.7 * step) / step) * step
    soundfile.write(tmp_path / "coarse.wav", samples, RATE, "PCM_16")
    result = find_noise(read_capture(tmp_path / "coarse.wav"))
    assert result.recorder_limited is None  # 0.7 steps of noise stand 7.7 dB over the rounding
    samples = np.round((hiss(3, 0.1 * step) + lines(3, [(5.3, 300 * step)])) / step) * step
    soundfile.write(tmp_path / "steps.wav", samples, RATE, "PCM_16")
    limited = find_noise(read_capture(tmp_path / "steps.wav"))
    assert limited.recorder_limited is True
    assert limited.verdict == "not known"
    (told,) = [note for note in limited.notes if note.code == "recorder_steps"]
    # rounding adds step^2 / 12, white up to half the rate
    assert told.values["rounding_volts"] == pytest.approx(step / math.sqrt(12) * IN_BAND / HISS, rel=1e-6)
    hum = [(120.0 * order, 20 * step / order) for order in (1, 2, 3)]
    samples = np.round((hiss(3, 0.1 * step) + lines(3, hum)) / step) * step
    soundfile.write(tmp_path / "hum.wav", samples, RATE, "PCM_16")
    heard = find_noise(read_capture(tmp_path / "hum.wav"))  # the hiss is the recorder's, the hum is not
    assert (heard.recorder_limited, heard.verdict) == (None, "hum")
    assert "recorder_steps" in codes(heard.notes)


@pytest.mark.parametrize("frequency", [50.0, 997.0, 1000.0])
def test_a_tone_that_plays_is_no_noise(frequency: float) -> None:
    result = read(hiss(3) + lines(3, [(frequency, 1.0)]))
    assert (result.verdict, result.notes[0].code) == ("not known", "noise_tone_plays")
    assert result.notes[0].values["frequency_hz"] == pytest.approx(frequency, abs=0.01)


def test_a_tone_or_a_noise_track_far_too_loud_for_silence() -> None:
    for samples in (hiss(3, 0.5), hiss(3, 0.02) + lines(3, [(997.0, 2.0), (1994.0, 0.05)])):
        result = read(samples, target_volts=20.0)
        assert (result.verdict, result.notes[0].code) == ("not known", "noise_too_loud")


def test_music_is_no_noise() -> None:
    chance = np.random.default_rng(5)
    music = np.zeros(12 * RATE)
    time = np.arange(RATE // 2) / RATE
    for _ in range(120):
        start = int(chance.uniform(0, 11) * RATE)
        hz = 110 * 2 ** (chance.integers(0, 36) / 12)
        tones = sum(np.sin(2 * np.pi * hz * part * time) / part for part in range(1, 6))
        music[start : start + len(time)] += 0.1 * np.exp(-6 * time) * tones
    result = read(music + hiss(12))
    assert (result.verdict, result.notes[0].code) == ("not known", "noise_not_steady")


def test_digital_zeros_are_told() -> None:
    result = read(np.zeros(2 * RATE))
    assert (result.verdict, result.notes[0].code) == ("not known", "noise_digital_zero")
    assert (result.rms_volts, result.hiss_volts, result.families) == (0.0, 0.0, ())
    muted = hiss(4)
    muted[RATE : 2 * RATE] = 0.0
    result = read(muted)
    assert (result.verdict, result.notes[0].code) == ("not known", "noise_partly_still")
    assert result.notes[0].values["still_seconds"] == pytest.approx(1.0, abs=0.2)


def test_a_recorder_at_full_scale_is_told(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "over.wav", np.clip(hiss(2, 1.0), -1, 1), RATE, "PCM_24")
    result = find_noise(read_capture(tmp_path / "over.wav"))
    assert (result.verdict, result.notes[0].code) == ("not known", "noise_recorder_overload")


def test_dc_at_an_output_is_told() -> None:
    assert "dc_at_output" in codes(read(hiss(2) - 0.5).notes)
    assert "dc_at_output" not in codes(read(hiss(2) - 0.01).notes)


@pytest.mark.parametrize(
    ("samples", "asked", "code"),
    [
        (hiss(0.9), {}, "noise_too_short"),
        (hiss(2), {"band_hz": (100.0, 50.0)}, "empty_band"),
        (hiss(2), {"band_hz": (23_000.0, 24_000.0)}, "band_above_rate"),
        (hiss(2), {"target_volts": 0.0}, "outside_range"),
        (hiss(2), {"against": Capture.from_array(hiss(2), RATE, calibrated=False)}, "calibrations_differ"),
    ],
)
def test_what_cannot_be_read_is_refused(samples: Floats, asked: dict[str, object], code: str) -> None:
    with pytest.raises(GainkitError) as told:
        read(samples, **asked)
    assert told.value.code == code


def test_a_slow_recorder_cuts_the_band() -> None:
    slow = Capture.from_array(hiss(4)[: 3 * 8000], 8000.0)
    result = find_noise(slow)
    assert result.band_hz == (20.0, pytest.approx(3760.0))
    assert "noise_band_cut" in codes(result.notes)
    assert {band.center_hz for band in result.bands} >= {25.0, 3150.0}
    assert max(band.center_hz for band in result.bands) <= 4000.0


@pytest.mark.parametrize("slope", ["pink", "brown", "cliff", "hump"])
def test_noise_of_any_colour_has_no_lines(slope: str) -> None:
    frequency = np.maximum(np.fft.rfftfreq(5 * RATE, 1 / RATE), 1.0)
    gain = {
        "pink": frequency**-0.5,
        "brown": 1 / frequency,
        "cliff": np.where(frequency < 15_000, 1.0, 1e-3),
        "hump": 1 + 10 / (1 + ((frequency - 3000) / 100) ** 2),
    }[slope]
    for seed in range(3):
        samples = np.fft.irfft(np.fft.rfft(hiss(5, seed=seed)) * gain)
        result = read(samples)
        assert result.families == ()
        assert result.verdict == "hiss"


def test_bands_add_up_to_the_whole() -> None:
    result = read(hiss(5) + lines(5, [(50.0, 1e-3)]))
    assert math.sqrt(sum(band.rms_volts**2 for band in result.bands)) == pytest.approx(
        result.rms_volts, rel=0.1
    )
    (fifty,) = [band for band in result.bands if band.center_hz == 50.0]
    assert fifty.rms_volts == pytest.approx(1e-3, rel=0.01)
    # a third around 50 Hz is 14.5 Hz wide (IEC 61260-1: 44.668 to 56.234 Hz)
    assert fifty.hiss_volts == pytest.approx(HISS * math.sqrt((56.234 - 44.668) / 24_000), rel=0.3)


def test_a_long_capture_reads_like_a_short_one() -> None:
    whole = np.concatenate([hiss(1, seed=seed) for seed in range(60)])
    result = read(whole + lines(60, [(1234.5, 2e-5)]))
    assert result.hiss_volts == pytest.approx(IN_BAND, rel=0.003)
    assert only(result, "unknown").fundamental_hz == pytest.approx(1234.5, abs=0.003)


@settings(max_examples=15, deadline=None)
@given(
    frequency=st.floats(70.0, 15_000.0),
    volts=st.floats(3e-5, 3e-3),
    gain=st.floats(1e-3, 1e3),
    seed=st.integers(0, 10_000),
)
def test_a_line_anywhere_is_found_and_everything_scales(
    frequency: float, volts: float, gain: float, seed: int
) -> None:
    samples = hiss(2, seed=seed) + lines(2, [(frequency, volts)], seed=seed)
    result = read(samples)
    density = 2 * HISS**2 / RATE
    spread_hz = frequency_bound_hz(volts * math.sqrt(2), density, 2.0)
    spread_volts = amplitude_bound_volts(density, 2.0) / math.sqrt(2)
    found = [
        volts_
        for family in result.families
        for order, volts_ in zip(family.orders, family.line_volts, strict=True)
        if abs(order * family.fundamental_hz - frequency) < 6 * spread_hz + 1e-4
    ]
    assert len(found) == 1
    assert found[0] == pytest.approx(volts, abs=6 * spread_volts)
    scaled = read(gain * samples)
    assert scaled.rms_volts == pytest.approx(gain * result.rms_volts, rel=1e-9)
    assert scaled.hiss_volts == pytest.approx(gain * result.hiss_volts, rel=1e-6)
    assert [family.orders for family in scaled.families] == [family.orders for family in result.families]


def test_lines_are_solved_together_down_to_the_noise() -> None:
    """Two lines 6 Hz and 40 dB apart, and hum beside them: errors stay within five times the bound."""
    parts = [(997.13, 1.0), (1003.2, 0.01), (50.02, 0.3)]
    spread = 0.05
    samples = lines(2, parts) + spread * np.random.default_rng(3).standard_normal(2 * RATE)
    density = 2 * spread**2 / RATE
    fitted = fit_lines(samples, RATE, [hz + 0.05 for hz, _ in parts])
    for line, (hz, volts) in zip(fitted, parts, strict=True):
        assert line is not None
        assert abs(line.frequency_hz - hz) < 5 * frequency_bound_hz(volts * math.sqrt(2), density, 2.0)
        assert abs(line.peak_volts - volts * math.sqrt(2)) < 5 * amplitude_bound_volts(density, 2.0)


def test_a_line_too_close_to_a_stronger_one_is_left_out() -> None:
    samples = lines(2, [(1000.0, 1.0)])
    assert fit_lines(samples, RATE, [1000.0, 1000.3])[1] is None


def test_the_result_is_plain_data() -> None:
    result = read(hiss(2) + lines(2, [(50.0, 1e-3)]), target_volts=10.0)
    names = [field.name for field in dataclasses.fields(result)]
    assert names[:10] == [
        "rms_volts", "a_weighted_volts", "below_target_db", "dc_volts", "hiss_volts", "families",
        "recorder_limited", "changed_db", "verdict", "notes",
    ]  # fmt: skip
    text = to_json(result)
    assert '"fundamental_hz"' in text
    assert "NaN" not in text


def test_a_file_that_is_cut_off_is_told(tmp_path: Path) -> None:
    path = tmp_path / "cut.flac"
    soundfile.write(path, 1e-3 * np.random.default_rng(1).standard_normal(6 * RATE), RATE, "PCM_24")
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    assert "file_cut_off" in codes(find_noise(read_capture(path)).notes)
