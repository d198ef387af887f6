"""Filters and equaliser bands that `response` names in a sweep, against chains whose truth is known."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import signal

from gainkit.generator.spec import ToneSpec
from gainkit.response import Sweep, find_response
from tests.chains import (
    boosted,
    filtered,
    heard,
    in_a_row,
    noisy,
    off_db,
    played,
    through,
)

SPEC = ToneSpec("sweep", seconds=10.0)


@pytest.fixture(scope="module")
def track() -> tuple[np.ndarray, Sweep]:
    return played(SPEC)


@pytest.mark.parametrize(
    ("family", "order", "corner_hz", "kind", "snr_db"),
    [
        ("butterworth", 1, 300.0, "high", 40.0),
        pytest.param("butterworth", 4, 80.0, "low", 40.0, marks=pytest.mark.long),
        ("butterworth", 8, 2_500.0, "high", 40.0),
        pytest.param("linkwitz-riley", 2, 500.0, "low", 40.0, marks=pytest.mark.long),
        pytest.param("linkwitz-riley", 4, 3_000.0, "high", None, marks=pytest.mark.long),
        ("bessel", 2, 90.0, "high", 40.0),
        ("bessel", 5, 1_200.0, "low", None),
    ],
)
def test_filters_by_name(
    track: tuple[np.ndarray, Sweep], family: str, order: int, corner_hz: float, kind: str, snr_db: float | None
) -> None:
    samples, sweep = track
    chain = filtered(family, order, corner_hz, kind)
    result = find_response(heard(noisy(through(samples[:, 0], chain), snr_db)), sweep)
    found, other = (result.highpass, result.lowpass) if kind == "high" else (result.lowpass, result.highpass)
    assert found is not None
    assert (found.family, found.order) == (family, order)
    assert found.corner_hz == pytest.approx(corner_hz, rel=0.01)
    assert other is None
    assert result.boosts == ()
    assert result.verdict == "filtered"
    assert np.abs(off_db(result, chain, 25.0)).max() < (0.2 if snr_db else 0.05)


@pytest.mark.long
def test_a_band_pass_with_a_boost(track: tuple[np.ndarray, Sweep]) -> None:
    samples, sweep = track
    chain = in_a_row(
        filtered("butterworth", 3, 28.0, "high"),
        boosted("peak", 50.0, 6.0, 1.2),
        filtered("linkwitz-riley", 4, 110.0, "low"),
    )
    result = find_response(heard(through(samples[:, 0], chain)), sweep)
    assert result.verdict == "filtered and equalised"
    assert result.highpass is not None
    assert result.lowpass is not None
    assert (result.highpass.family, result.highpass.order) == ("butterworth", 3)
    assert (result.lowpass.family, result.lowpass.order) == ("linkwitz-riley", 4)
    [boost] = result.boosts
    assert boost.gain_db == pytest.approx(6.0, abs=0.2)
    assert abs(math.log2(boost.centre_hz / 50.0)) < 1 / 12


def test_bands_in_a_row(track: tuple[np.ndarray, Sweep]) -> None:
    samples, sweep = track
    bands = [("low-shelf", 90.0, 6.1, 0.707), ("peak", 400.0, -4.0, 1.4), ("peak", 2_500.0, 3.0, 2.0)]
    chain = in_a_row(*(boosted(*band) for band in bands))
    result = find_response(heard(noisy(through(samples[:, 0], chain), 40.0)), sweep)
    assert result.verdict == "equalised"
    assert len(result.boosts) == 3
    for (kind, centre_hz, gain_db, quality), boost in zip(bands, result.boosts, strict=True):
        assert boost.kind == kind
        assert boost.gain_db == pytest.approx(gain_db, abs=0.2)
        assert abs(math.log2(boost.centre_hz / centre_hz)) < 1 / 12
        if kind == "peak":
            width = 2 * math.asinh(0.5 / quality) / math.log(2)
            assert boost.width_octaves == pytest.approx(width, rel=0.05)
    raised = next(note for note in result.notes if note.code == "bass_raised")
    assert raised.values["gain_db"] == pytest.approx(6.1, abs=0.2)


@pytest.mark.long
def test_a_filter_of_no_family_is_told_as_such(track: tuple[np.ndarray, Sweep]) -> None:
    """Chebyshev of fifth order, 2 dB of ripple: its corner 3 dB down, by scipy's own response."""
    samples, sweep = track
    b, a = signal.cheby1(5, 2, 2 * np.pi * 300, "low", analog=True)

    def chain(hertz: np.ndarray) -> np.ndarray:
        return np.asarray(signal.freqs(b, a, 2 * np.pi * hertz)[1])

    result = find_response(heard(through(samples[:, 0], chain)), sweep)
    assert result.lowpass is not None
    assert result.lowpass.family == "other"
    assert result.lowpass.corner_hz == pytest.approx(305.0, rel=0.03)
    assert result.boosts == ()


@pytest.mark.long
def test_a_room_is_no_equaliser(track: tuple[np.ndarray, Sweep]) -> None:
    """Twenty echoes behind a loudspeaker: combs, but no bands of an equaliser."""
    samples, sweep = track
    rng = np.random.default_rng(5)
    times = rng.uniform(0.0005, 0.03, 20)
    sizes = 0.5 * rng.standard_normal(20) * np.exp(-times / 0.012)

    def room(hertz: np.ndarray) -> np.ndarray:
        echoes = sizes[:, None] * np.exp(-2j * np.pi * times[:, None] * hertz)
        return np.asarray(1.0 + echoes.sum(axis=0))

    speaker = filtered("butterworth", 2, 70.0, "high")
    recording = noisy(through(samples[:, 0], in_a_row(speaker, room)), 40.0)
    result = find_response(heard(recording), sweep)
    assert result.found
    assert result.low_corner_hz == pytest.approx(75.0, abs=20.0)
    assert result.high_corner_hz is None
    assert len(result.boosts) <= 2


def test_before_against_after(track: tuple[np.ndarray, Sweep]) -> None:
    samples, sweep = track
    room = in_a_row(filtered("bessel", 2, 60.0, "high"), boosted("peak", 900.0, -7.0, 3.0))
    change = boosted("peak", 200.0, 5.0, 1.0)
    before, after = (through(samples[:, 0], chain) for chain in (room, in_a_row(room, change)))
    result = find_response(heard(after), sweep, reference=heard(before[5_000:]))
    assert np.abs(off_db(result, change)).max() < 0.02
    [boost] = result.boosts
    assert boost.gain_db == pytest.approx(5.0, abs=0.05)
    assert boost.centre_hz == pytest.approx(200.0, rel=0.005)
    assert result.verdict == "equalised"


@pytest.mark.long
@pytest.mark.parametrize(
    ("corner_hz", "centre_hz", "gain_db"), [(80.0, 60.0, 6.0), (80.0, 120.0, -4.0), (60.0, 90.0, 5.0)]
)
def test_a_shelf_on_a_slope_hides_no_filter(corner_hz: float, centre_hz: float, gain_db: float) -> None:
    """Fitted one after the other, the first is a Bessel filter of 103 Hz with a peak."""
    shelf = boosted("low-shelf", centre_hz, gain_db, 0.7)
    chain = in_a_row(filtered("butterworth", 4, corner_hz, "high"), shelf)
    samples, sweep = played(ToneSpec("sweep", seconds=6.0))
    result = find_response(heard(noisy(through(samples[:, 0], chain), 40.0, seed=5)), sweep)
    assert result.highpass is not None
    assert (result.highpass.family, result.highpass.order) == ("butterworth", 4)
    assert result.highpass.corner_hz == pytest.approx(corner_hz, rel=0.02)
    (boost,) = result.boosts
    assert boost.kind == "low-shelf"
    assert boost.gain_db == pytest.approx(gain_db, abs=0.3)
    assert boost.centre_hz == pytest.approx(centre_hz, rel=0.05)


GRAPHIC_DB = (-7.0, 9.0, -4.0, 6.0, -8.0, 3.0, -9.0, 7.0, -5.0, 4.0)
GRAPHIC = [(31.25 * 2.0**number, gain_db) for number, gain_db in enumerate(GRAPHIC_DB)]


@pytest.mark.long
@pytest.mark.parametrize("crossover_hz", [None, 300.0])
def test_many_bands_are_told_as_a_curve_and_not_as_filters(
    track: tuple[np.ndarray, Sweep], crossover_hz: float | None
) -> None:
    """All bands of an octave equaliser moved: peaks and dips at their places, no filter that is not there."""
    samples, sweep = track
    chain = in_a_row(*(boosted("peak", hertz, gain_db, 1.41) for hertz, gain_db in GRAPHIC))
    if crossover_hz is not None:
        chain = in_a_row(chain, filtered("linkwitz-riley", 4, crossover_hz, "high"))
    result = find_response(heard(through(samples[:, 0], chain)), sweep)
    assert result.verdict == ("equalised" if crossover_hz is None else "filtered and equalised")
    assert result.highpass is result.lowpass is None
    assert result.boosts == ()
    assert (result.low_corner_hz is None) == (crossover_hz is None)
    told = next(note.values for note in result.notes if note.code == "equalised_between")
    assert result.passband_db is not None
    heard_points = [p for p in result.points if p.frequency_hz >= (result.low_corner_hz or 0.0)]
    for figure, extreme in (("highest", max), ("lowest", min)):
        point = extreme(heard_points, key=lambda each: each.level_db)
        assert told[f"{figure}_db"] == pytest.approx(point.level_db - result.passband_db, abs=0.01)
        assert told[f"{figure}_hz"] == pytest.approx(point.frequency_hz)
    for hertz, gain_db in GRAPHIC[2 if crossover_hz is None else 5 : -1]:
        near = min(result.bends, key=lambda bend: abs(np.log(bend.frequency_hz / hertz)))
        assert near.frequency_hz == pytest.approx(hertz, rel=0.15), gain_db
