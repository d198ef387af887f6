"""The simulator against its own closed form, and its parts against what they promise."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gainkit.errors import GainkitError
from gainkit.simulator import (
    Amplifier,
    Recorder,
    capture_track,
    harmonics,
    resample,
    thd_percent,
    true_onset,
)

RATE = 48_000.0


def lines(wave: np.ndarray, cycles: int, orders: int) -> np.ndarray:
    """Orders 0..K of a wave of whole cycles, complex peak volts, by Fourier transform."""
    spectrum = np.fft.rfft(wave)[: cycles * orders + 1 : cycles] * (2 / len(wave))
    spectrum[0] /= 2
    return spectrum


@pytest.mark.parametrize(
    "amplifier",
    [
        Amplifier(gain_db=20, positive_rail_volts=20),
        Amplifier(gain_db=20, positive_rail_volts=20, negative_rail_volts=math.inf),
        Amplifier(gain_db=20, positive_rail_volts=20, negative_rail_volts=18, knee=3),
        Amplifier(gain_db=20, positive_rail_volts=20, dead_zone_volts=0.1),
        Amplifier(gain_db=20, positive_rail_volts=20, sag_db=0.5, sag_seconds=0.05),
    ],
    ids=["hard", "one-sided", "soft, unequal", "dead zone", "sag"],
)
@pytest.mark.parametrize("overdrive_db", [0.25, 6.0])
def test_oversampled_output_follows_the_series(amplifier: Amplifier, overdrive_db: float) -> None:
    peak = 20 * 10 ** (overdrive_db / 20)
    time = np.arange(2 * int(RATE)) / RATE
    wave = amplifier.amplify(peak / 10 * np.cos(2 * np.pi * 997 * time), RATE)[-int(RATE) - 4800 : -4800]
    found = lines(wave, 997, 15)
    found *= np.exp(-1j * np.angle(found[1]) * np.arange(16))  # time counted from the crest
    series = harmonics(amplifier, peak, 15)
    # -110 dB is what the oversampling filter promises
    assert found.real == pytest.approx(series, abs=3e-6 * peak)
    assert np.abs(found.imag[1:]).max() < 3e-6 * peak


def test_unclipped_sine_passes_untouched() -> None:
    time = np.arange(9600) / RATE
    wave = np.sin(2 * np.pi * 997 * time)
    assert Amplifier(gain_db=20, positive_rail_volts=30).amplify(wave, RATE) == pytest.approx(
        10 * wave, abs=1e-12
    )


def test_clipping_does_not_alias() -> None:
    # 7 kHz: orders 5, 7, ... would fold to 13, 1, ... kHz if samples were clipped as they stand
    peak = 20 * 10 ** (3 / 20)
    time = np.arange(48_000) / RATE
    drive = peak * np.cos(2 * np.pi * 7000 * time)
    amplifier = Amplifier(gain_db=0, positive_rail_volts=20)

    def folded(wave: np.ndarray) -> float:
        spectrum = np.abs(np.fft.rfft(wave[6000:-6000] * np.hanning(36_000))) / 9000
        step = RATE / 36_000
        return float(spectrum[round(13_000 / step) - 3 : round(13_000 / step) + 4].max())

    assert folded(np.clip(drive, -20, 20)) > 0.1  # the trap is there
    assert folded(amplifier.amplify(drive, RATE)) < 1e-3


@given(od=st.floats(-3, 20), knee=st.floats(0.6, 20))
@settings(max_examples=30, deadline=None, derandomize=True)
def test_output_never_passes_the_rail_and_never_gains(od: float, knee: float) -> None:
    amplifier = Amplifier(positive_rail_volts=20, negative_rail_volts=15, knee=knee)
    wanted = 20 * 10 ** (od / 20) * np.cos(np.linspace(0, 2 * np.pi, 400))
    out = amplifier.hold(wanted)
    assert out.max() <= 20 + 1e-12
    assert out.min() >= -15 - 1e-12
    assert np.all(np.abs(out) <= np.abs(wanted))
    assert np.all(out * wanted >= 0)


@given(
    knee=st.sampled_from([0.8, 1.5, 3.0, 8.0, math.inf]),
    limit=st.floats(0.1, 10.0),
    sag=st.floats(0, 1, allow_subnormal=False).filter(lambda db: not 0 < db < 1e-9),
)
@settings(max_examples=30, deadline=None, derandomize=True)
def test_onset_is_where_thd_meets_the_limit(knee: float, limit: float, sag: float) -> None:
    amplifier = Amplifier(gain_db=26, positive_rail_volts=28, knee=knee, sag_db=sag)
    found = true_onset(amplifier, 2.0, limit)
    assert found is not None
    peak = 2 * math.sqrt(2) * amplifier.gain * 10 ** (found.level_dbfs / 20)
    assert thd_percent(amplifier, peak) == pytest.approx(limit, rel=1e-6)
    assert thd_percent(amplifier, peak * 0.99) < limit


def test_onset_of_what_never_clips_is_none() -> None:
    assert true_onset(Amplifier(positive_rail_volts=math.inf), 1.0) is None
    # a square wave has 48.3 %: no limit above is ever reached
    assert true_onset(Amplifier(), 1.0, limit_thd_percent=60) is None


@pytest.mark.parametrize("frequency_hz", [50, 997, 10_000, 19_000])
@pytest.mark.parametrize("new_rate", [48_000 * (1 + 200e-6), 44_100.0, 96_000.0])
def test_resampling_is_exact(frequency_hz: float, new_rate: float) -> None:
    wave = np.sin(2 * np.pi * frequency_hz * np.arange(24_000) / RATE)
    heard = resample(wave, RATE, new_rate)
    wanted = np.sin(2 * np.pi * frequency_hz * np.arange(len(heard)) / new_rate)
    assert heard[500:-500] == pytest.approx(wanted[500:-500], abs=10 ** (-110 / 20))


def test_recorder_quantises_and_overloads() -> None:
    volts = np.linspace(-12, 12, 4801)
    units = Recorder(full_scale_volts=10, bits=16).record(volts, RATE)
    assert units.max() == 1 - 2.0**-15
    assert units.min() == -1.0
    inside = np.abs(volts) < 9.99
    assert np.abs(units[inside] - volts[inside] / 10).max() <= 2.0**-16
    assert np.array_equal(units * 2**15, np.rint(units * 2**15))


def test_lead_in_and_late_start_shift_the_track() -> None:
    track = np.sin(2 * np.pi * 997 * np.arange(4800) / RATE)
    chain = Amplifier(gain_db=0, positive_rail_volts=100), Recorder(bits=None, full_scale_volts=1)
    plain = capture_track(track, RATE, 1 / math.sqrt(2), chain)
    assert plain == pytest.approx(track, abs=1e-12)
    for lead in (0.02, -0.02):
        recorder = Recorder(bits=None, full_scale_volts=1, lead_in_seconds=lead, lead_out_seconds=lead)
        shifted = capture_track(track, RATE, 1 / math.sqrt(2), (chain[0], recorder))
        assert len(shifted) == len(track) + 2 * round(lead * RATE)
        core = slice(960, -960)
        assert (shifted[core] if lead > 0 else shifted) == pytest.approx(track if lead > 0 else track[core])


def test_noise_and_hum_have_the_rms_asked_for() -> None:
    out = Amplifier(noise_volts=0.01).amplify(np.zeros(96_000), RATE, seed=3)
    assert out.std() == pytest.approx(0.01, rel=0.02)
    out = Amplifier(hum_volts=0.02, hum_hz=100, offset_volts=0.5).amplify(np.zeros(48_000), RATE)
    assert out.mean() == pytest.approx(0.5)
    assert out.std() == pytest.approx(0.02)


@pytest.mark.parametrize(
    ("kind", "name", "figure"),
    [
        (Amplifier, "positive_rail_volts", 0.0),
        (Amplifier, "negative_rail_volts", -5.0),
        (Amplifier, "knee", 0.1),
        (Amplifier, "knee", math.nan),
        (Amplifier, "sag_db", -1.0),
        (Amplifier, "noise_volts", math.inf),
        (Amplifier, "sag_seconds", 0.0),
        (Amplifier, "gain_db", "26"),
        (Recorder, "full_scale_volts", -1.0),
        (Recorder, "sample_rate_hz", 0.0),
        (Recorder, "bits", 15.5),
        (Recorder, "noise_volts", -1e-6),
    ],
)
def test_what_cannot_be_is_refused_by_its_name(kind: type, name: str, figure: object) -> None:
    with pytest.raises(GainkitError) as fault:
        kind(**{name: figure})
    assert (fault.value.code, fault.value.parameter) == ("outside_range", name)
