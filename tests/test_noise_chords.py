"""Notes that are held, a phone's bursts and lines that wander beside an engine's orders: the truth is known."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
from scipy import signal

from gainkit.noise import NoiseResult, find_noise
from gainkit.noise.chords import chord_of
from tests.test_noise import ALTERNATOR, RATE, hiss, lines, orders, volts_of
from tests.waves import Floats

CHORDS = ((0, 4, 7), (0, 3, 7), (0, 4, 7, 10), (0, 5, 9), (0, 4, 7, 11, 14), (0, 3, 8), (0, 3, 6, 9))
SECONDS = 8
TIME = np.arange(SECONDS * RATE) / RATE


def chord(seed: int, way: str) -> Floats:
    """Three to five notes with harmonics; they stand still, tremble each for itself, or drift together."""
    chance = np.random.default_rng([seed, len(way)])
    root, harmonics = 110 * 2 ** (chance.integers(0, 25) / 12), int(chance.integers(3, 9))
    depth = {"still": 0.0, "trembling": float(chance.uniform(0.003, 0.02)), "drifting": 0.006}[way]
    sound = hiss(SECONDS, seed=seed)
    for semitones in CHORDS[int(chance.integers(len(CHORDS)))]:
        rate, begun = chance.uniform(4, 7), chance.uniform(0, 6)
        if way == "drifting":
            rate, begun = 0.27, 1.0
        speed = np.exp(depth * np.sin(2 * np.pi * rate * TIME + begun))
        phase = 2 * np.pi * root * 2 ** (semitones / 12) * np.cumsum(speed) / RATE
        for order in range(1, harmonics + 1):
            sound += 1e-3 / order * np.cos(order * phase + chance.uniform(0, 6))
    return sound


def bursts(seed: int) -> Floats:
    """A phone's envelope: one slot of eight in frames of 120/26 ms, each 26th idle, behind two couplings."""
    chance = np.random.default_rng([seed, 217])
    fine = np.arange(SECONDS * RATE * 8) / (8 * RATE)
    frame, place = np.divmod(fine * 26 / 0.12, 1.0)
    sends = (place < 1 / 8) & (frame % 26 != 25)
    sound = signal.resample_poly(sends.astype(np.float64), 1, 8)
    low = signal.butter(1, chance.uniform(60, 500), "high", fs=RATE, output="sos")
    high = signal.butter(1, chance.uniform(2000, 12000), fs=RATE, output="sos")
    return np.asarray(
        hiss(SECONDS, seed=seed)
        + 10 ** chance.uniform(-2.7, -1.8) * signal.sosfilt(high, signal.sosfilt(low, sound))
    )


def engine(seed: int) -> Floats:
    """An alternator's orders about an idle's wander."""
    chance = np.random.default_rng([seed, 3])
    parts = [(order, volts * chance.uniform(0.5, 2)) for order, volts in ALTERNATOR]
    wander = float(np.exp(chance.uniform(np.log(0.003), np.log(0.03))))
    return hiss(SECONDS, seed=seed) + orders(SECONDS, float(chance.uniform(120, 500)), wander, parts)


def read(samples: Floats) -> NoiseResult:
    return find_noise(volts_of(samples))


def kinds(result: NoiseResult) -> set[str]:
    return {family.kind for family in result.families}


@pytest.mark.parametrize("way", [pytest.param("still", marks=pytest.mark.long), "trembling", "drifting"])
def test_a_chord_that_is_held_is_told_and_no_engine(way: str) -> None:
    result = read(chord(2, way))
    assert (result.verdict, result.notes[0].code) == ("not known", "noise_chord")
    assert 3 <= result.notes[0].values["notes"] <= 5
    assert kinds(result) == {"unknown"}


def test_a_phone_is_told_by_its_frames_and_is_no_mains() -> None:
    """Every sixth line between its frames falls on 50 Hz; hum of 50.02 Hz beside it keeps what is its own."""
    result = read(bursts(0) + lines(SECONDS, [(50.02, 3e-3), (100.04, 1e-3), (150.06, 1e-3)]))
    assert (result.verdict, result.notes[0].code) == ("whine", "whine_bursts")
    assert result.families[0].fundamental_hz == pytest.approx(26 / 0.12, rel=1e-4)
    assert "phone" in str(result.notes[0])
    assert kinds(result) == {"digital", "mains"}
    (mains,) = [family for family in result.families if family.kind == "mains"]
    assert mains.orders == (1, 2, 3)
    assert mains.rms_volts == pytest.approx(np.sqrt(11) * 1e-3, rel=0.01)


def test_one_recording_says_likely_and_a_second_speed_is_sure() -> None:
    idle = hiss(6) + orders(6, 211.7, 0.01, ALTERNATOR)
    alone = read(idle)
    assert str(alone.notes[0]).startswith("Likely the alternator")
    assert "record once more at another speed" in str(alone.notes[0])
    faster = volts_of(hiss(6, seed=7) + orders(6, 330.0, 0.005, ALTERNATOR))
    both = find_noise(volts_of(idle), against=faster)
    told = next(note for note in both.notes if note.code == "whine_alternator")
    assert str(told).startswith("Alternator, ")


def test_orders_of_one_shaft_are_no_chord() -> None:
    shaft = [(71.3 * order, 1e-6) for order in (4, 6, 9, 12, 18)]
    assert chord_of(shaft) == ()
    tempered = [(285.2 * 2 ** (semitones / 12), 1e-6) for semitones in (0, 4, 7)]
    assert chord_of(tempered) == pytest.approx([285.2, 359.33, 427.32], abs=0.01)
    assert chord_of([(285.2, 1e-6), (359.3, 1e-6), (440.0, 1e-6)]) == ()


@pytest.mark.long
@pytest.mark.parametrize("way", ["still", "trembling", "drifting"])
def test_of_thirty_chords_none_is_an_engine_and_most_are_told(way: str) -> None:
    results = [read(chord(seed, way)) for seed in range(100, 130)]
    assert not any("alternator" in kinds(result) for result in results)
    assert Counter(result.notes[0].code for result in results)["noise_chord"] >= 20


@pytest.mark.long
def test_thirty_engines_and_thirty_phones() -> None:
    assert sum(read(engine(seed)).notes[0].code == "whine_alternator" for seed in range(100, 130)) >= 29
    phones = [read(bursts(seed)) for seed in range(100, 130)]
    assert not any(kinds(phone) & {"mains", "alternator"} for phone in phones)
    assert sum(phone.notes[0].code == "whine_bursts" for phone in phones) >= 28
