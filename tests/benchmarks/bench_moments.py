"""Clipping in a part of a recording, and sweeps: how many are told right, family by family.

Run with: pytest -m benchmark -s tests/benchmarks/bench_moments.py. Tones of 40 Hz to 4 kHz, 2.5 to 20 s at 48 kHz, made at
eight times the rate (tests/movement.py), noise 50 to 85 dB under. Right: told as clipped, in a part or all over, where a
burst clips (1.5 to 6 dB, by a source that is louder for a moment or a rail that is lower); not told so where nothing
clips; and a sweep is no steady tone.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy.signal import chirp

from gainkit.analysis import measure
from gainkit.analysis.clean import waveform_state
from gainkit.capture import Capture
from tests.movement import clock, down
from tests.waves import RATE, Floats

pytestmark = pytest.mark.benchmark

TRIALS, FIRST_SEED, SWEEPS = 30, 62_000, 100
PEAK = 23.5

Rng = np.random.Generator
Where = Callable[[Rng, Floats, float, float], Floats]
"""Generator, times [s], length [s], frequency [Hz] -> where the burst is (bool)."""

BURSTS: dict[str, Where] = {
    "10 to 100 ms each second": lambda rng, t, _, hz: (
        np.abs(t % 1.0 - 0.5) < max(rng.uniform(0.005, 0.05), 2 / hz)
    ),
    "the last 100 to 300 ms": lambda rng, t, seconds, _: t > seconds - rng.uniform(0.1, 0.3),
    "half a second in the middle": lambda rng, t, seconds, _: np.abs(t - seconds / 2) < 0.25,
    "the first three quarters": lambda rng, t, seconds, _: t < 0.75 * seconds,
    "20 to 60 ms, once": lambda rng, t, seconds, hz: (
        np.abs(t - rng.uniform(0.4, seconds - 0.4)) < max(rng.uniform(0.01, 0.03), 2 / hz)
    ),
}


def _ratio(db: float) -> float:
    return float(10 ** (db / 20))


def _calm(what: str, rng: Rng, t: Floats, seconds: float) -> Floats:
    """The gain of a recording in which nothing clips."""
    at = rng.uniform(0.3, 0.7) * seconds
    gain = np.ones_like(t)
    if what == "a knob turned down":
        gain[t > at] *= _ratio(rng.uniform(-3, -0.3))
    elif what == "a fade in":
        gain *= np.clip(t / rng.uniform(0.2, 1), 0, 1)
    elif what == "a dropout":
        gain[(t > at) & (t < at + rng.uniform(0.002, 0.05))] = 0
    elif what == "silence at the end":
        gain[t > at] = 0
    elif what == "swelling":
        gain *= 1 - rng.uniform(0.01, 0.1) * (1 + np.sin(2 * np.pi * rng.uniform(0.3, 20) * t)) / 2
    return gain


def _beside(what: str, rng: Rng, wave: Floats) -> Floats:
    """What is added to it, noise included."""
    seconds = np.arange(len(wave)) / RATE
    if what == "clicks":
        wave = wave.copy()
        for at in rng.integers(0, len(wave), rng.integers(1, 40)):
            wave[at : at + rng.integers(1, 30)] += rng.uniform(-15, 15)
    elif what == "hum":
        wave = wave + PEAK * rng.uniform(0.01, 0.1) * np.sin(2 * np.pi * 50 * seconds)
    elif what == "a whine":
        phase = 2 * np.pi * (500 * seconds - 100 * np.cos(seconds))
        wave = wave + PEAK * rng.uniform(0.005, 0.05) * np.sin(phase)
    snr_db = rng.uniform(15, 45) if what == "much noise" else rng.uniform(50, 85)
    return wave + float(np.std(wave)) * _ratio(-snr_db) * rng.standard_normal(len(wave))


def _recorded(what: str, rng: Rng) -> Capture:
    seconds = float(rng.choice([2.5, 4, 8, 20]))
    t = clock(seconds)
    hz = float(np.exp(rng.uniform(np.log(40), np.log(4000))))
    gain, rail = _calm(what, rng, t, seconds), np.full_like(t, 1.2)
    if what in BURSTS:
        burst, deep = BURSTS[what](rng, t, seconds, hz), rng.uniform(1.5, 6)
        if rng.random() < 0.5:
            gain[burst] *= 1.2 * _ratio(deep)
        else:
            rail[burst] = _ratio(-deep)
    sine = np.sin(2 * np.pi * hz * t + rng.uniform(0, 2 * np.pi))
    return Capture.from_array(_beside(what, rng, PEAK * down(np.clip(gain * sine, -rail, rail))), RATE)


CALM = (
    "nothing", "a knob turned down", "a fade in", "a dropout", "silence at the end", "swelling", "clicks", "hum", "a whine",
    "much noise",
)  # fmt: skip


@pytest.mark.parametrize("what", [*BURSTS, *CALM])
def test_bursts(what: str) -> None:
    states = [
        waveform_state(measure(_recorded(what, np.random.default_rng([FIRST_SEED, trial]))))
        for trial in range(TRIALS)
    ]
    clipped = sum(state in ("clipped", "clipped-in-part") for state in states)
    print(f"\n{what:30} told as clipped: {clipped} of {TRIALS}")
    assert clipped >= TRIALS - 2 if what in BURSTS else clipped <= 1


def test_sweeps() -> None:
    refused = 0
    for trial in range(SWEEPS):
        rng = np.random.default_rng([FIRST_SEED, 1, trial])
        seconds = float(rng.choice([1, 2, 4, 10, 20]))
        first_hz = float(np.exp(rng.uniform(np.log(20), np.log(5000))))
        last_hz = float(np.clip(first_hz * 2 ** (rng.choice([-1, 1]) * rng.uniform(0.05, 6)), 15, 20_000))
        law = str(rng.choice(["linear", "logarithmic"]))
        wave = PEAK * chirp(np.arange(int(seconds * RATE)) / RATE, first_hz, seconds, last_hz, method=law)
        wave = wave + float(np.std(wave)) * _ratio(-rng.uniform(50, 80)) * rng.standard_normal(len(wave))
        refused += not measure(Capture.from_array(wave, RATE)).steady_tone
    print(f"\nsweeps of 0.05 to 6 octaves: {refused} of {SWEEPS} are no steady tone")
    assert refused >= SWEEPS - 2
