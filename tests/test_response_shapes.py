"""Chains that no family and no band names: they are not told as filters and boosts that happen to fit."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy import signal

from gainkit.capture import Capture, read_capture
from gainkit.generator.spec import ToneSpec
from gainkit.remarks import codes
from gainkit.response import Response, Sweep, find_response
from tests.chains import RATE, Transfer, boosted, filtered, in_a_row, noisy, played, through


@pytest.fixture(scope="module")
def track() -> tuple[np.ndarray, Sweep]:
    samples, sweep = played(ToneSpec("sweep", seconds=10.0))
    return samples[:, 0], sweep


def read(track: tuple[np.ndarray, Sweep], transfer: Transfer, snr_db: float = 45.0) -> Response:
    return find_response(Capture.from_array(noisy(through(track[0], transfer), snr_db), RATE), track[1])


def second_order(kind: str, corner_hz: float, quality: float) -> Transfer:
    """(jx)^2 or 1 over 1 - x^2 + jx/Q: a closed box's high-pass (R. H. Small, J. Audio Eng. Soc. 20, 1972, from
    memory), or its mirror."""

    def transfer(hertz: np.ndarray) -> np.ndarray:
        s = 1j * hertz / corner_hz
        return np.asarray((s**2 if kind == "high" else 1.0) / (s**2 + s / quality + 1.0))

    return transfer


@pytest.mark.parametrize(
    ("kind", "corner_hz", "quality"),
    [
        ("high", 103.0, 1.25),
        pytest.param("high", 61.0, 0.8, marks=pytest.mark.long),
        pytest.param("low", 2100.0, 0.6, marks=pytest.mark.long),
        pytest.param("low", 1244.0, 0.99, marks=pytest.mark.long),
    ],
)
def test_a_box_s_resonance_is_no_bass_boost(
    track: tuple[np.ndarray, Sweep], kind: str, corner_hz: float, quality: float
) -> None:
    answer = read(track, second_order(kind, corner_hz, quality))
    side = answer.highpass if kind == "high" else answer.lowpass
    assert side is not None
    assert (side.family, side.order) == ("other", 2)
    assert (answer.verdict, answer.boosts) == ("filtered", ())
    assert "bass_raised" not in codes(answer.notes)
    (note,) = [each for each in answer.notes if each.code == "filter_resonates"]
    assert note.values["quality"] == pytest.approx(quality, rel=0.03)
    assert note.values["corner_hz"] == pytest.approx(corner_hz, rel=0.02)
    # half the power where x^4 (1 or x^-4) equals half of (1 - x^2)^2 + x^2 / Q^2
    turn = 0.5 * quality**-2 - 1.0
    x = np.sqrt(-turn + np.sqrt(turn**2 + 1.0))
    assert side.corner_hz == pytest.approx(corner_hz / x if kind == "high" else corner_hz * x, rel=0.01)


@pytest.mark.parametrize(
    ("kind", "low_hz", "high_hz"),
    [("high", 40.0, 120.0), pytest.param("low", 2000.0, 6000.0, marks=pytest.mark.long)],
)
def test_two_couplings_in_a_row_are_no_shelf(
    track: tuple[np.ndarray, Sweep], kind: str, low_hz: float, high_hz: float
) -> None:
    """s^2 + (a + b) s + a b: poles at the root of a b, of quality root (a b) / (a + b). Without noise the pair
    was once a Linkwitz-Riley filter with a shelf of 8 dB on its slope."""
    middle = np.sqrt(low_hz * high_hz)
    answer = read(track, second_order(kind, middle, middle / (low_hz + high_hz)), 90.0)
    side = answer.highpass if kind == "high" else answer.lowpass
    assert side is not None
    assert (side.family, side.order, answer.boosts) == ("other", 2, ())
    (note,) = [each for each in answer.notes if each.code == "filter_is_two"]
    assert note.values["low_hz"] == pytest.approx(low_hz, rel=0.03)
    assert note.values["high_hz"] == pytest.approx(high_hz, rel=0.03)


@pytest.mark.long
def test_a_shelf_on_a_slope_of_second_order_is_still_a_shelf(track: tuple[np.ndarray, Sweep]) -> None:
    """Within 0.15 dB two filters of first order would do as well; the recording tells them apart."""
    chain = in_a_row(filtered("linkwitz-riley", 2, 4384.0, "low"), boosted("high-shelf", 5257.0, -2.3, 0.61))
    answer = read(track, chain, 60.0)
    assert answer.lowpass is not None
    assert (answer.lowpass.family, answer.lowpass.order) == ("linkwitz-riley", 2)
    assert [round(boost.gain_db, 1) for boost in answer.boosts] == [-2.3]


@pytest.mark.long
def test_a_boost_on_a_second_order_slope_is_still_a_boost(track: tuple[np.ndarray, Sweep]) -> None:
    chain = in_a_row(filtered("butterworth", 2, 70.0, "high"), boosted("peak", 75.0, 6.0, 2.0))
    answer = read(track, chain)
    assert answer.highpass is not None
    assert answer.highpass.family == "butterworth"
    assert [round(boost.gain_db) for boost in answer.boosts] == [6]


@pytest.mark.parametrize(("low_hz", "high_hz"), [(11.0, 34_800.0), (4.0, 45_600.0), (9.0, 83_000.0)])
def test_where_an_amplifier_s_band_ends_is_no_equaliser(
    track: tuple[np.ndarray, Sweep], low_hz: float, high_hz: float
) -> None:
    chain = in_a_row(filtered("butterworth", 1, low_hz, "high"), filtered("butterworth", 1, high_hz, "low"))
    answer = read(track, chain)
    assert (answer.verdict, answer.boosts, answer.highpass, answer.lowpass) == ("flat", (), None, None)


@pytest.mark.long
def test_a_boost_within_an_amplifier_s_band_is_told_alone(track: tuple[np.ndarray, Sweep]) -> None:
    chain = in_a_row(
        filtered("butterworth", 1, 8.0, "high"),
        filtered("butterworth", 2, 38_000.0, "low"),
        boosted("peak", 450.0, 4.0, 1.5),
    )
    answer = read(track, chain)
    assert answer.verdict == "equalised"
    assert [(round(boost.centre_hz, -1), round(boost.gain_db, 1)) for boost in answer.boosts] == [(450, 4.0)]


@pytest.mark.long
def test_two_filters_in_a_row_are_not_told_as_one_family(track: tuple[np.ndarray, Sweep]) -> None:
    chain = in_a_row(filtered("bessel", 7, 634.0, "high"), filtered("linkwitz-riley", 6, 783.0, "high"))
    answer = read(track, chain, 60.0)
    assert answer.highpass is None or answer.highpass.family == "other"
    assert (answer.verdict or "").startswith("filtered")


@pytest.mark.long
@pytest.mark.parametrize("snr_db", [50.0, 60.0])
def test_ripple_of_a_filter_is_no_tower_of_bands(track: tuple[np.ndarray, Sweep], snr_db: float) -> None:
    b, a = signal.cheby1(5, 0.7, 2 * np.pi * 338.0, "low", analog=True)
    answer = read(track, lambda hertz: signal.freqs(b, a, 2 * np.pi * hertz)[1], snr_db)
    assert answer.lowpass is None or answer.lowpass.family == "other"
    assert answer.boosts == ()
    assert (answer.verdict or "").startswith("filtered")


@pytest.mark.long
def test_a_room_raises_no_bass(track: tuple[np.ndarray, Sweep]) -> None:
    rng = np.random.default_rng(11_001)
    times = rng.exponential(0.006, 30)
    sizes = rng.normal(0.0, 0.25, 30) * np.exp(-times / 0.01)

    def room(hertz: np.ndarray) -> np.ndarray:
        return np.asarray(
            1.0 + sum(s * np.exp(-2j * np.pi * hertz * t) for s, t in zip(sizes, times, strict=True))
        )

    answer = read(track, in_a_row(filtered("bessel", 3, 272.0, "high"), room))
    assert answer.boosts == ()
    assert "bass_raised" not in codes(answer.notes)


@pytest.mark.parametrize(("at_seconds", "lost"), [(5.0, 0.084), (9.0, 0.19), (7.0, -0.06)])
def test_samples_that_the_recorder_lost_are_told(
    track: tuple[np.ndarray, Sweep], at_seconds: float, lost: float
) -> None:
    """A negative loss: a block stands twice."""
    whole = noisy(through(track[0], filtered("butterworth", 2, 60.0, "high")), 50.0)
    at, count = round(at_seconds * RATE), round(abs(lost) * RATE)
    broken = (
        np.delete(whole, slice(at, at + count)) if lost > 0 else np.insert(whole, at, whole[at - count : at])
    )
    answer = find_response(Capture.from_array(broken, RATE), track[1])
    (note,) = answer.notes
    assert (answer.found, note.code, note.severity) == (False, "sweep_lost_samples", "fault")
    assert note.values["lost_seconds"] == pytest.approx(lost, abs=1e-3)


@pytest.mark.parametrize(
    ("family", "order", "corner_hz", "last_seconds"),
    [("bessel", 3, 288.0, 8.0), ("butterworth", 1, 231.0, 7.0)],
)
def test_a_filter_s_delay_is_no_clock(
    track: tuple[np.ndarray, Sweep], family: str, order: int, corner_hz: float, last_seconds: float
) -> None:
    """A recording that stops early has no last mark: octaves below a kilohertz come late by the filter."""
    whole = noisy(through(track[0], filtered(family, order, corner_hz, "high")), 40.0)
    answer = find_response(Capture.from_array(whole[: round(last_seconds * RATE)], RATE), track[1])
    assert answer.found
    assert answer.drift_ppm is None or abs(answer.drift_ppm) < 20.0
    assert "recorder_clock_differs" not in codes(answer.notes)


@pytest.mark.long
def test_a_reference_that_is_of_no_use_is_told(track: tuple[np.ndarray, Sweep]) -> None:
    chain = filtered("butterworth", 2, 60.0, "high")
    whole = noisy(through(track[0], chain), 50.0)

    def against(reference: np.ndarray) -> Response:
        there = Capture.from_array(reference, RATE)
        return find_response(Capture.from_array(whole, RATE), track[1], reference=there)

    lost = against(np.delete(whole, slice(5 * RATE, 5 * RATE + 4_000)))
    assert (lost.found, codes(lost.notes)) == (False, {"sweep_lost_samples"})
    top = float(np.abs(track[0]).max())
    cut = against(noisy(through(np.clip(track[0], -0.6 * top, 0.6 * top), chain), 60.0))
    assert "reference_distorted" in codes(cut.notes)
    assert (cut.flat, cut.verdict) == (None, "distorted")
    assert "reference_distorted" not in codes(against(whole).notes)


def test_a_reference_that_the_recorder_cut_is_told(track: tuple[np.ndarray, Sweep], tmp_path: Path) -> None:
    whole = noisy(through(track[0], filtered("butterworth", 2, 60.0, "high")), 50.0)
    loud = np.clip(1.6 * whole / np.abs(whole).max(), -1.0, 1.0)
    soundfile.write(tmp_path / "cut.wav", loud, RATE, subtype="PCM_16")
    answer = find_response(
        Capture.from_array(whole, RATE), track[1], reference=read_capture(tmp_path / "cut.wav")
    )
    assert "reference_overloaded" in codes(answer.notes)
    assert (answer.verdict or "").endswith("distorted")


@pytest.mark.long
def test_no_band_of_a_tenth_of_a_decibel_is_told(track: tuple[np.ndarray, Sweep]) -> None:
    chain = in_a_row(filtered("butterworth", 1, 11_594.0, "low"), boosted("high-shelf", 2_707.0, 0.2, 0.7))
    answer = read(track, chain, 60.0)
    assert all(abs(boost.gain_db) >= 0.4 for boost in answer.boosts)


@pytest.mark.long
@pytest.mark.parametrize("edge_hz", [11_000.0, 15_000.0])
@pytest.mark.parametrize(
    ("inside", "verdict"),
    [
        (filtered("linkwitz-riley", 4, 80.0, "high"), "filtered"),
        (boosted("peak", 1_000.0, 5.0, 1.0), "filtered and equalised"),
    ],
)
def test_a_band_that_ends_at_a_wall_has_no_other_filter_for_it(
    track: tuple[np.ndarray, Sweep], inside: Transfer, verdict: str, edge_hz: float
) -> None:
    """As a tuner or a coded file ends it: by 511 taps of scipy.signal.firwin."""
    taps = signal.firwin(511, edge_hz, fs=RATE)
    ends = in_a_row(inside, lambda hertz: signal.freqz(taps, worN=2 * np.pi * hertz / RATE)[1])
    result = read(track, ends, 60.0)
    (note,) = [each for each in result.notes if each.code == "band_ends"]
    assert note.values["at_hz"] == pytest.approx(edge_hz, rel=0.02)
    assert result.high_corner_hz == note.values["at_hz"]
    assert (result.verdict, result.lowpass, result.bends) == (verdict, None, ())
    if verdict == "filtered":
        assert result.highpass is not None
        assert (result.highpass.family, result.highpass.order) == ("linkwitz-riley", 4)
        assert result.boosts == ()
    else:
        (band,) = result.boosts
        assert band.gain_db == pytest.approx(5.0, abs=0.2)


@pytest.mark.long
def test_the_steepest_crossover_is_no_wall(track: tuple[np.ndarray, Sweep]) -> None:
    result = read(track, filtered("linkwitz-riley", 8, 9_000.0, "low"), 60.0)
    assert "band_ends" not in codes(result.notes)
    assert result.lowpass is not None
    assert (result.lowpass.family, result.lowpass.order) == ("linkwitz-riley", 8)
