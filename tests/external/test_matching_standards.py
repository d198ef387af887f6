"""Band levels and A-weighting against the standards' figures and against filters of another library."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from gainkit.analysis.bands import a_weighting_db, bands
from gainkit.capture import Capture
from gainkit.matching import MatchOptions, match_levels
from tests.waves import Floats

pytestmark = pytest.mark.long

RATE = 48_000

OCTAVES_HZ = {
    31.5: (22.3872, 44.6684), 63: (44.6684, 89.1251), 125: (89.1251, 177.8279), 250: (177.8279, 354.8134),
    500: (354.8134, 707.9458), 1000: (707.9458, 1412.5375), 2000: (1412.5375, 2818.3829),
    4000: (2818.3829, 5623.4133), 8000: (5623.4133, 11220.1845), 16000: (11220.1845, 22387.2114),
}  # fmt: skip
"""IEC 61260-1:2014, G = 10^0.3 about 1000 Hz: edges of the octaves (derived from the clauses on G, mid-band and
edge frequencies)."""

THIRDS_HZ = {
    20: (17.783, 22.387), 25: (22.387, 28.184), 100: (89.125, 112.202), 125: (112.202, 141.254),
    800: (707.946, 891.251), 1250: (1122.018, 1412.538), 8000: (7079.458, 8912.509),
    20000: (17782.794, 22387.211),
}  # fmt: skip
"""The same for thirds, from the same derivation; nominal frequencies of ISO 266:1997, R10."""

A_WEIGHTING_DB = {
    20: -50.45, 31.5: -39.44, 50: -30.23, 63: -26.19, 100: -19.14, 125: -16.10, 200: -10.87, 250: -8.63,
    500: -3.23, 1000: 0.00, 2000: 1.20, 2500: 1.27, 4000: 0.97, 5000: 0.55, 8000: -1.11, 10000: -2.49,
    12500: -4.32, 16000: -6.60, 20000: -9.32,
}  # fmt: skip
"""A-weighting at exact frequencies (after IEC 61672-1, recomputed from its pole frequencies; they agree to
0.05 dB with a published table of the standard's values)."""


@pytest.mark.parametrize(
    ("third", "table"), [(False, OCTAVES_HZ), (True, THIRDS_HZ)], ids=["octaves", "thirds"]
)
def test_edges_are_those_of_iec_61260_1(third: bool, table: dict[float, tuple[float, float]]) -> None:
    found = {band.center_hz: (band.low_hz, band.high_hz) for band in bands(third)}
    assert len(found) == (31 if third else 10)
    for nominal, edges in table.items():
        assert found[nominal] == pytest.approx(edges, rel=3e-5)


def test_a_weighting_is_that_of_iec_61672_1() -> None:
    """Exact frequencies 1000 x 10^(n/10) behind the nominal ones."""
    for nominal, weight in A_WEIGHTING_DB.items():
        exact = 1000 * 10 ** (round(10 * np.log10(nominal / 1000)) / 10)
        assert float(a_weighting_db(np.array([exact]))[0]) == pytest.approx(weight, abs=0.006)


def noise(slope_db_per_octave: float, seconds: float = 20.0) -> Floats:
    """Gaussian noise whose power density falls or rises by so much an octave."""
    size = round(seconds * RATE)
    spectrum = np.fft.rfft(np.random.default_rng(3).standard_normal(size))
    hertz = np.maximum(np.fft.rfftfreq(size, 1 / RATE), 5.0)
    spectrum *= (hertz / 1000) ** (slope_db_per_octave / (20 * np.log10(2)))
    wave = np.fft.irfft(spectrum, size)
    return np.asarray(0.1 * wave / np.std(wave))


def filtered_level_db(wave: Floats, low_hz: float, high_hz: float, order: int) -> float:
    """Level re a full-scale sine behind a Butterworth band filter of scipy, its start-up left out."""
    sections = signal.butter(order, [low_hz, high_hz], "band", fs=RATE, output="sos")
    heard = signal.sosfilt(sections, wave)[RATE:]
    return float(10 * np.log10(np.mean(heard**2) / 0.5))


CLASS_1_ATTENUATION_DB = {
    0: (-0.3, 0.3),
    1 / 4: (-0.3, 0.6),
    3 / 8: (-0.3, 1.3),
    1: (16.6, np.inf),
    2: (40.5, np.inf),
}
"""IEC 61260-1:2014, table 1, class 1: attenuation of an octave filter at G^x from its mid-band frequency (from
memory; edition 2014 sets 0.4 in the place of 0.3 at mid-band, so these limits are not wider)."""


@pytest.mark.parametrize("nominal", [125.0, 1000.0, 4000.0])
def test_the_reference_filters_are_of_class_1(nominal: float) -> None:
    """The independent filters must themselves lie within the standard's mask, or they prove nothing."""
    low, high = OCTAVES_HZ[nominal]
    centre = (low * high) ** 0.5
    sections = signal.butter(4, [low, high], "band", fs=RATE, output="sos")
    for place, (least, most) in CLASS_1_ATTENUATION_DB.items():
        hertz = [centre * 10 ** (0.3 * sign * place) for sign in (-1, 1)]
        gain = np.abs(signal.sosfreqz(sections, np.array(hertz), fs=RATE)[1])
        attenuation = -20 * np.log10(np.maximum(gain, 1e-12))
        assert np.all(attenuation >= least - 1e-6)
        assert np.all(attenuation <= most)


@pytest.mark.parametrize("third", [False, True], ids=["octaves", "thirds"])
@pytest.mark.parametrize("slope", [-3.0103, 0.0, 3.0103, -6.0206], ids=["pink", "white", "blue", "red"])
def test_band_levels_agree_with_filters_within_a_fifth_of_a_decibel(slope: float, third: bool) -> None:
    """Filters of high order (4 are class 1, above); what they pass beyond the edges of a steep spectrum is
    their own error, so 8 are used, and bands from 63 Hz up, where a record of 20 s tells 0.1 dB."""
    wave = noise(slope)
    (found,) = match_levels(
        [Capture.from_array(wave, RATE, calibrated=False)], MatchOptions(third_octave=third)
    ).captures
    levels = {band.center_hz: band for band in found.bands}
    for band in bands(third):
        if not 63 <= band.center_hz <= 16_000:
            continue
        reference = filtered_level_db(wave, band.low_hz, band.high_hz, 8)
        assert levels[band.center_hz].level_db == pytest.approx(reference, abs=0.2), band


def test_totals_of_white_and_pink_noise_lose_what_a_weighting_takes() -> None:
    """White noise 20 Hz to 20 kHz loses 2.048 dB, pink 2.859 dB (integrals of the curve, derived)."""
    for slope, loss in ((0.0, 2.048), (-3.0103, 2.859)):
        (found,) = match_levels([Capture.from_array(noise(slope), RATE)]).captures
        assert found.z_weighted_db - found.a_weighted_db == pytest.approx(loss, abs=0.05)


def test_pink_noise_holds_a_tenth_in_every_octave() -> None:
    """Pink noise limited to 20 Hz to 20 kHz: a base-ten octave inside holds exactly 1/10 of its power."""
    (found,) = match_levels([Capture.from_array(noise(-3.0103, 60.0), RATE)]).captures
    for band in found.bands:
        if 63 <= band.center_hz <= 8000:
            assert band.level_db - found.z_weighted_db == pytest.approx(-10.0, abs=0.1)


@pytest.mark.parametrize(
    ("low_hz", "high_hz"),
    [
        (200.0, 300.0),
        *(pytest.param(*each, marks=pytest.mark.long) for each in ((90.0, 110.0), (1000.0, 2000.0))),
    ],
)
def test_the_uncertainty_is_the_spread_of_repeated_averages(low_hz: float, high_hz: float) -> None:
    """White noise of known density: errors of 250 records against what each states, and the closed form
    2 / sqrt(B T) in dB (Bendat and Piersol, Random Data, from memory)."""
    seconds, rate = 6.0, 8_000
    true_db = 10 * np.log10(0.1**2 * 2 / rate * (high_hz - low_hz))
    errors, told = [], []
    for seed in range(250):
        wave = 0.1 * np.random.default_rng(seed).standard_normal(round(seconds * rate))
        (found,) = match_levels(
            [Capture.from_array(wave, rate)], MatchOptions(band_hz=(low_hz, high_hz))
        ).captures
        errors.append(found.level_db - true_db)
        told.append(found.uncertainty_db)
    closed_db = 2 * 10 / np.log(10) / np.sqrt((high_hz - low_hz) * seconds)
    assert 1.0 < np.mean(told) / closed_db < 1.2  # tapered ends and overlap cost some of the seconds
    # the spread of 250 draws is known to 4.5 %, their share within to 1.3 %: over twice that
    assert 2 * np.std(errors, ddof=1) / np.mean(told) == pytest.approx(1.0, abs=0.1)
    assert np.mean(np.abs(errors) < np.array(told)) == pytest.approx(0.954, abs=0.03)
