"""The analysis on waves whose truth is known by construction."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gainkit.analysis import (
    Measurement,
    MeasureOptions,
    fit_tone,
    measure,
)
from gainkit.analysis.clean import is_clean_tone
from gainkit.analysis.decimate import decimate, decimation_factor
from gainkit.analysis.harmonic import coarse_frequency, dirichlet, fit_harmonics
from gainkit.capture import Capture
from gainkit.remarks import codes
from tests.waves import RATE, Floats, held, shaped, sine, with_noise


def figures(samples: Floats, rate: float = RATE, **asked: object) -> Measurement:
    return measure(Capture.from_array(samples, rate), MeasureOptions(**asked))  # type: ignore[arg-type]


# -- estimation --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("frames", [7, 100, 101])
def test_dirichlet_sums_are_the_sums(frames: int) -> None:
    index = np.arange(frames) - (frames - 1) / 2
    theta = np.array([0, 1e-7, 0.01, 0.5, 3.0, 6.2831853, 6.5, -2.0, 12.7, 2 * np.pi])
    turns = np.outer(theta, index)
    sums = np.cos(turns).sum(1), (index * np.sin(turns)).sum(1), (index**2 * np.cos(turns)).sum(1)
    for ours, theirs in zip(dirichlet(theta, frames), sums, strict=True):
        np.testing.assert_allclose(ours, theirs, rtol=1e-9, atol=1e-9 * frames**3)


@pytest.mark.parametrize(
    ("frames", "frequency_hz"), [(1 << 19, 997.0), (4800, 997.3), (150, 997.3), (3072, 50.0), (1 << 18, 49.97)]
)
def test_a_noiseless_harmonic_signal_is_found_exactly(frames: int, frequency_hz: float) -> None:
    turn = 2 * np.pi * frequency_hz / RATE * np.arange(frames)
    wave = 0.3 + np.cos(turn + 0.4) + 0.01 * np.cos(3 * turn + 0.2) + 1e-6 * np.sin(5 * turn)
    start = coarse_frequency(wave, RATE, 10, 20_000)
    assert start is not None
    fit = fit_harmonics(wave, RATE, start, highest_hz=20_000)
    assert fit.angular * RATE / (2 * np.pi) == pytest.approx(frequency_hz, rel=1e-11)
    assert np.abs(fit.phasors[[0, 2, 4]]) == pytest.approx([1, 0.01, 1e-6], abs=1e-10)
    assert np.angle(fit.phasors_at(0)[0]) == pytest.approx(0.4, abs=1e-8)
    assert fit.dc == pytest.approx(0.3, abs=1e-10)


@pytest.mark.parametrize("snr_db", [20, pytest.param(100, marks=pytest.mark.long)])
def test_variance_at_the_cramer_rao_bound(snr_db: float) -> None:
    """Kay 1993 ch. 3 (from memory): var A >= 2 s^2/N, var f >= 12 fs^2/((2 pi)^2 eta N (N^2-1)). 200 trials
    have a standard error of 10 % in a variance: 1.35 holds a true ratio of 1.0 by 3.5 of them."""
    frames, frequency_hz, trials = 1200, 997.3, 200
    spread = 10 ** (-snr_db / 20) / np.sqrt(2)
    draw = np.random.default_rng(3)
    errors = []
    for _ in range(trials):
        wave = sine(frequency_hz, frames, phase=draw.uniform(0, 6.28)) + spread * draw.standard_normal(frames)
        tone = fit_tone(wave, RATE)
        assert tone is not None
        errors.append((tone.frequency_hz - frequency_hz, np.sqrt(2) * tone.fundamental_volts - 1))
    eta = 1 / (2 * spread**2)
    bounds = np.array(
        [12 * RATE**2 / ((2 * np.pi) ** 2 * eta * frames * (frames**2 - 1)), 2 * spread**2 / frames]
    )
    ratio = np.mean(np.square(errors), axis=0) / bounds
    assert np.all(ratio < 1.35)
    assert np.all(ratio > 0.65), "better than the bound: the trial is wrong"


@settings(deadline=None, derandomize=True, max_examples=40)
@given(
    frequency_hz=st.floats(20, 9000),
    peak=st.floats(1e-4, 100),
    dc=st.floats(-10, 10),
    cycles=st.floats(3.05, 200),
)
def test_any_clean_tone_is_clean(frequency_hz: float, peak: float, dc: float, cycles: float) -> None:
    frames = max(int(cycles * RATE / frequency_hz), 64)
    found = figures(dc * peak + sine(frequency_hz, frames, peak=peak))
    assert found.steady_tone
    assert found.frequency_hz == pytest.approx(frequency_hz, rel=1e-6)
    assert found.rms_volts == pytest.approx(peak / np.sqrt(2), rel=1e-6)
    assert found.thd_percent is not None
    assert found.thd_percent < 2e-4
    too_high = frequency_hz > 0.45 / 3 * RATE  # no third harmonic: nothing tells that it is clean
    assert found.clipping.state == (None if too_high else "clean")


@pytest.mark.parametrize("frequency_hz", [40.0, 997.0, 1000.0, 6543.21])
def test_a_24_bit_tone_shows_under_two_millionths(frequency_hz: float) -> None:
    wave = np.rint(sine(frequency_hz, peak=0.5) * 2**23) / 2**23
    thd = figures(wave).thd_percent
    assert thd is not None
    assert thd < 2e-4


# -- distortion --------------------------------------------------------------------------------------------


def test_thd_floor_is_what_noise_shows() -> None:
    """20 seeds: the floor is the expected THD of noise alone, so their mean ratio is near 1."""
    ratios = []
    for seed in range(20):
        found = figures(with_noise(sine(997), 50, seed))
        assert found.thd_percent is not None
        assert found.thd_floor_percent is not None
        ratios.append(found.thd_percent / found.thd_floor_percent)
    assert np.mean(ratios) == pytest.approx(1.0, abs=0.1)


def test_thd_above_ten_floors_is_within_one_percent() -> None:
    wave = sine(997) + sine(3 * 997, peak=0.002, phase=1.0)
    for seed in range(5):
        found = figures(with_noise(wave, 72, seed))
        assert found.thd_floor_percent is not None
        assert found.thd_floor_percent * 10 < 0.2
        assert found.thd_percent == pytest.approx(0.2, rel=0.01)


def test_thd_and_noise_add_as_powers() -> None:
    """1 % THD with noise at -60 dB in band: 1.004988 % of the fundamental (derived: root of summed squares)."""
    noise = np.random.default_rng(4).standard_normal(4 * RATE)
    spectrum = np.fft.rfft(noise)
    spectrum[20_000 * 4 :] = 0
    spectrum[: 4 * 10] = 0
    band = np.fft.irfft(spectrum, len(noise))
    band *= 10 ** (-60 / 20) / np.sqrt(2) / band.std()
    found = figures(sine(997, 4 * RATE) + sine(2 * 997, 4 * RATE, peak=0.01) + band)
    assert found.thd_n_percent is not None
    of_fundamental = found.thd_n_percent / np.sqrt(1 - (found.thd_n_percent / 100) ** 2)
    assert of_fundamental == pytest.approx(1.004988, rel=2e-3)


def test_hum_is_named_and_is_no_distortion() -> None:
    found = figures(with_noise(sine(997) + sine(50, peak=0.01) + sine(100, peak=0.005), 90))
    hum = next(note for note in found.notes if note.code == "hum")
    assert (hum.values["mains_hz"], hum.values["frequency_hz"]) == (50, pytest.approx(50, abs=0.1))
    assert hum.values["rms_volts"] == pytest.approx(0.01 / np.sqrt(2), rel=0.02)
    assert "Hum of the 50 Hz family: 0.00707 V" in str(hum)
    assert found.clipping.state == "clean"
    assert found.thd_percent is not None
    assert found.thd_percent < 0.001


def test_what_is_not_calibrated_is_not_told_in_volts() -> None:
    wave = with_noise(sine(997, peak=0.5) + sine(50, peak=0.005), 90)
    (hum,) = measure(Capture.from_array(wave, RATE, calibrated=False)).notes
    assert "0.00354 of full scale" in str(hum)


def test_a_tone_without_its_third_harmonic_tells_nothing_of_clipping() -> None:
    found = figures(with_noise(sine(9000, rate=24_000), 80), 24_000)
    assert codes(found.notes) == {"tone_too_high"}
    assert found.clipping.state is None
    assert not is_clean_tone(found, 1.0)


@pytest.mark.parametrize("frequency_hz", [6_000.0, 8_000.0, 10_000.0, 12_500.0])
def test_a_high_tone_is_judged_at_the_rate_that_the_remark_names(frequency_hz: float) -> None:
    slow = figures(with_noise(shaped(held(3.0), frequency_hz), 80))
    if frequency_hz < 7_000:
        assert slow.clipping.state == "clipped"
        return
    assert slow.clipping.state is None
    (least_rate_hz,) = (note.values["least_rate_hz"] for note in slow.notes if note.code == "tone_too_high")
    fast = figures(with_noise(shaped(held(3.0), frequency_hz, rate=least_rate_hz), 80), least_rate_hz)
    assert fast.clipping.state == "clipped"
    assert fast.clipping.overdrive_db == pytest.approx(3.0, abs=0.1)


def test_a_soft_knee_is_named_with_what_it_holds_down() -> None:
    found = figures(with_noise(shaped(lambda s, _: np.tanh(s), 997), 60))
    held_db = [note.values["held_db"] for note in found.notes if note.code == "soft_knee"]
    assert held_db == [pytest.approx(-20 * np.log10(np.tanh(1)), abs=0.2)]


def test_an_alternators_whine_is_named() -> None:
    found = figures(with_noise(sine(997) + sine(612, peak=0.01), 90))
    whine = next(note for note in found.notes if note.code == "interfering_tone")
    assert whine.values["frequency_hz"] == pytest.approx(612, abs=0.1)
    assert whine.values["percent"] == pytest.approx(1.0, rel=0.02)
    assert "alternator" in str(whine)


# -- rails -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("sides", ["both", "positive", "negative"])
@pytest.mark.parametrize("overdrive_db", [0.1, 0.5, 1.0, 3.0, 6.0])
@pytest.mark.parametrize("frequency_hz", [40.0, 997.0, 3150.0])
def test_overdrive_of_hard_rails_at_60_db(sides: str, overdrive_db: float, frequency_hz: float) -> None:
    found = figures(with_noise(shaped(held(overdrive_db, sides), frequency_hz), 60)).clipping
    assert found.overdrive_db == pytest.approx(overdrive_db, abs=0.05)
    assert found.side == sides
    assert found.state in ("at-onset", "clipped")
    for rail, there in ((found.positive_rail_volts, "positive"), (found.negative_rail_volts, "negative")):
        if sides in ("both", there):
            assert rail is not None
            assert abs(rail) == pytest.approx(1.0, abs=0.002)
        else:
            assert rail is None


@pytest.mark.parametrize("gain_db", [0.0, 1.0, 3.0])
@pytest.mark.parametrize("knee", ["algebraic", "tanh", "quadratic", "diode"])
def test_overdrive_of_soft_knees(knee: str, gain_db: float) -> None:
    gain = 10 ** (gain_db / 20)

    def algebraic(s: Floats, _: Floats) -> Floats:
        return gain * s / (1 + np.abs(gain * s) ** 10) ** 0.1

    def tanh(s: Floats, _: Floats) -> Floats:
        return np.tanh(gain * s)

    def quadratic(s: Floats, _: Floats, width: float = 0.2) -> Floats:
        u = np.abs(gain * s)
        bend = u - (u - 1 + width / 2) ** 2 / (2 * width)
        return np.sign(s) * np.where(u < 1 - width / 2, u, np.where(u > 1 + width / 2, 1, bend))

    def diode(s: Floats, _: Floats) -> Floats:
        u = np.abs(gain * s)
        return np.sign(s) * (u - 0.02 * np.logaddexp(0, (u - 1) / 0.02))

    shape = {"algebraic": algebraic, "tanh": tanh, "quadratic": quadratic, "diode": diode}[knee]
    found = figures(with_noise(shaped(shape, 997), 60)).clipping
    assert found.overdrive_db == pytest.approx(gain_db, abs=0.3)
    assert found.state in ("at-onset", "clipped")


@pytest.mark.parametrize("corner_hz", [1.6, 5.0, 10.0])
@pytest.mark.parametrize("sides", ["both", "positive"])
def test_an_ac_coupled_recorder_does_not_hide_the_rail(corner_hz: float, sides: str) -> None:
    wave = shaped(held(1.0, sides), 50, 2 * RATE)
    frequencies = np.fft.rfftfreq(len(wave), 1 / RATE)
    coupled = np.fft.irfft(np.fft.rfft(wave) * (1j * frequencies / (1j * frequencies + corner_hz)), len(wave))
    found = figures(with_noise(coupled, 80))
    assert found.clipping.overdrive_db == pytest.approx(1.0, abs=0.02)
    assert found.clipping.side == sides
    corners = [note.values["corner_hz"] for note in found.notes if note.code == "ac_coupling"]
    assert corners == ([pytest.approx(corner_hz, rel=0.1)] if corner_hz > 0.02 * 50 else [])


def test_outliers_are_left_out() -> None:
    draw = np.random.default_rng(5)
    for shape in (held(-1.0), held(1.0)):
        wave = with_noise(shaped(shape, 997), 80)
        wave[draw.integers(0, len(wave), 12)] += draw.choice([-3, 3], 12)
        found = figures(wave)
        assert [note.values["count"] for note in found.notes if note.code == "outliers"] == [12]
        assert found.clipping.overdrive_db == pytest.approx(
            max(0.0, 1.0 if shape(np.ones(1), np.ones(1)) == 1 else 0.0), abs=0.01
        )


@pytest.mark.parametrize(
    ("shape", "code"),
    [
        (lambda s, _: np.sign(s) * np.maximum(np.abs(s) - 0.02, 0), "crossover_distortion"),
        (lambda s, _: np.maximum(s, 0), "even_harmonics"),
        (lambda s, _: np.maximum(s, -0.1), "missing_half"),
        (lambda s, _: s + 0.02 * s**2, "even_harmonics"),
        (lambda s, t: s + 0.03 * np.sin(5 * 2 * np.pi * 997 * t), "not_by_a_rail"),
        (lambda s, _: np.arcsin(s), "slew_limited"),
    ],
)
def test_other_distortion_is_named_and_not_called_clipping(shape: object, code: str) -> None:
    found = figures(with_noise(shaped(shape, 997), 80))  # type: ignore[arg-type]
    assert found.clipping.state == "clean"
    assert codes(found.notes) == {code}
    assert {note.severity for note in found.notes} == {"fault"}


def test_turning_by_change_db_reaches_the_target_even_from_clipping() -> None:
    """The output does not follow the gain beyond the rail; the change is told for the sine behind it."""
    found = figures(shaped(held(2.0), 997), target_volts=0.6)
    assert found.target is not None
    assert found.target.change_db == pytest.approx(20 * np.log10(0.6 * np.sqrt(2)) - 2.0, abs=0.01)
    beyond = figures(shaped(held(2.0), 997), target_volts=1.1)
    assert beyond.target is not None
    assert beyond.target.change_db is None
    assert "target_beyond_rails" in codes(beyond.notes)


# -- band and quantiser ------------------------------------------------------------------------------------


@pytest.mark.parametrize("overdrive_db", [-1.0, 0.5, 2.0])
def test_switching_residue_is_told_and_left_out(overdrive_db: float) -> None:
    rate = 2_000_000
    seconds = np.arange(200_000) / rate
    wave = 20 * held(overdrive_db)(np.sin(2 * np.pi * 997 * seconds), seconds)
    residue = np.sin(2 * np.pi * 384e3 * seconds) + 0.4 * np.sin(2 * np.pi * 768e3 * seconds)
    found = figures(wave + residue, rate)
    assert found.clipping.overdrive_db == pytest.approx(max(overdrive_db, 0.0), abs=0.01)
    volts = np.sqrt((1 + 0.4**2) / 2)
    above = next(note for note in found.notes if note.code == "above_band")
    assert above.values["rms_volts"] == pytest.approx(volts, rel=0.005)
    assert above.values["high_hz"] == 20_000


def test_decimation_keeps_the_band_and_stops_the_rest() -> None:
    rate, high = 2e6, 20e3
    assert decimation_factor(rate, high) == 25
    for frequency, gain in ((50.0, 1.0), (1000.0, 1.0), (20e3, 1.0), (rate / 25 - 19e3, 0.0), (384e3, 0.0)):
        out, _, _ = decimate(sine(frequency, 100_000, rate=rate), rate, high)
        assert np.sqrt(2 * np.mean(out**2)) == pytest.approx(gain, abs=2e-5 if gain == 0 else 2e-3)


@pytest.mark.parametrize(
    ("rate", "frames", "overdrive_db"),
    [
        *((100_000, 5000, db) for db in (-3.0, 0.3, 1.0, 3.0)),
        *((1_000_000, 100_000, db) for db in (-3.0, 0.3)),
        *((50_000, 1000, db) for db in (-3.0, 0.3)),
    ],
)
def test_an_8_bit_oscilloscope(rate: int, frames: int, overdrive_db: float) -> None:
    """160 steps over the wave, no noise: the worst case for a plain least-squares fit, which sees 0.1 % THD."""
    seconds = np.arange(frames) / rate
    wave = 20 * held(overdrive_db)(np.sin(2 * np.pi * 997 * seconds + 1), seconds)
    found = figures(np.round(wave / 0.25) * 0.25, rate)
    assert found.clipping.overdrive_db == pytest.approx(max(overdrive_db, 0.0), abs=0.03)
    if overdrive_db < 0:
        assert found.thd_percent is not None
        assert found.thd_percent < 0.01
