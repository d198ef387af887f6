"""A recorder's automatic gain, read off the noise beside the chirps and taken out. Closed forms: the gain is
the one that was applied."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from scipy import signal

from gainkit.generator.chirps import CHIRPS, chirp_of, one_chirp
from gainkit.polarity import find_polarity
from gainkit.polarity.levelling import GainCourse, gain_course
from tests import cabins
from tests.cabins import Floats

RATE = 48_000
PLACES = (RATE // 2 * np.arange(1, 18) + 1_000).astype(np.int64)


def recording(band: str, noise: float, seed: int = 5) -> Floats:
    """Chirps at PLACES in white noise of that rms, (frames,)."""
    heard = noise * np.random.default_rng(seed).standard_normal(10 * RATE)
    one = one_chirp(chirp_of(band), RATE)
    for place in PLACES:
        heard[place : place + len(one)] += one
    return heard


def falling_db(band: str, span_db: float) -> Floats:
    """A gain that falls by so much over each chirp and comes back over 0.1 s, (frames,)."""
    length = CHIRPS[band][2]
    course = np.zeros(10 * RATE)
    for place in PLACES:
        after = np.arange(round(0.4 * RATE)) / RATE
        shape = np.interp(after, [0.0, length, length + 0.1], [0.0, -span_db, 0.0])
        course[place : place + len(after)] = shape
    return course


def read(samples: Floats, band: str) -> GainCourse:
    return gain_course(samples, RATE, band, PLACES)


@pytest.mark.parametrize("band", list(CHIRPS))
@pytest.mark.parametrize("span_db", [4.0, 12.0])
def test_the_gain_that_was_applied_is_read_and_taken_out(band: str, span_db: float) -> None:
    clean, course_db = recording(band, 0.1), falling_db(band, span_db)
    heard = clean * 10 ** (course_db / 20)
    course = read(heard, band)
    assert course.is_told
    frames = np.rint(PLACES[3] + course.seconds * RATE).astype(np.int64)
    during = (course.seconds > 0) & (course.seconds < CHIRPS[band][2])
    assert np.abs(course.gain_db - course_db[frames])[during].max() < 1.3
    freed = course.taken_from(heard, RATE, PLACES)
    before, after = (
        1 - np.corrcoef(each[RATE : 8 * RATE], clean[RATE : 8 * RATE])[0, 1] for each in (heard, freed)
    )
    assert after < 0.35 * before


@pytest.mark.parametrize("band", list(CHIRPS))
@pytest.mark.parametrize("noise", [0.0, 1e-6, 1e-3, 0.1, 1.0])
def test_where_there_is_none_none_is_told(band: str, noise: float) -> None:
    """In silence the chirps' own leakage is all that there is beside them."""
    assert not read(recording(band, noise), band).is_told


@pytest.mark.parametrize("band", ["bass", "midrange"])
def test_what_moves_each_frequency_by_itself_is_no_automatic_gain(band: str) -> None:
    """A codec that drops high noise under a chirp; a gate that opens for it."""
    noise, course_db = recording(band, 0.1) - recording(band, 0.0), falling_db(band, 12.0)
    high = signal.sosfilt(signal.butter(6, 12_000, "high", fs=RATE, output="sos"), noise)
    coded = recording(band, 0.0) + noise - high + high * 10 ** (course_db / 20)
    assert not read(coded, band).is_told
    gated = recording(band, 0.0) + noise * 10 ** (-falling_db(band, 40.0) / 20) * 1e-2
    assert not read(gated, band).is_told


@pytest.mark.parametrize(
    "seed",
    [41_016, pytest.param(41_015, marks=pytest.mark.long), pytest.param(41_036, marks=pytest.mark.long)],
)
def test_a_phone_that_follows_the_chirps(seed: int) -> None:
    """Midbasses behind 10 to 1: told the wrong way round, or not, before the gain was taken out."""
    scene = dataclasses.replace(cabins.drawn(seed, role="midbass", snr_db=20.0), kind="chirps")
    result = find_polarity(cabins.capture(scene), band=scene.band)
    assert result.polarity == scene.truth
    (told,) = [note for note in result.notes if note.code == "automatic_gain_levelled"]
    assert 3.0 < dict(told.values)["span_db"] < 30.0


def test_a_recorder_without_it_is_not_told_to_have_one() -> None:
    scene = cabins.Scene(driver=cabins.Driver(corner_hz=150.0), kind="chirps")
    assert not [
        note for note in find_polarity(cabins.capture(scene)).notes if note.code == "automatic_gain_levelled"
    ]
