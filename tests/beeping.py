"""Recordings of the counted beeps, with what is wrong with their wiring known, by line and by ear.

Own waves: the track that `tones write` makes, through gains, losses, rooms of decaying noise, speech-like
sound, beepers outside, hum, another clock.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from gainkit.capture import Capture
from gainkit.errors import GainkitError
from gainkit.generator import kinds
from gainkit.generator.spec import ToneSpec
from gainkit.routing import check_routing

RATE = 44_100
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Wired:
    """samples : (frames, channels) or (frames,) by ear. problems : codes that may be told, one of which must;
    none: all is right. silent : nothing of the track is there."""

    samples: Floats
    problems: frozenset[str] = frozenset()
    silent: bool = False


def played(rng: np.random.Generator) -> Floats:
    """What the source plays, (frames, 2): the track from anywhere in it, on a clock up to 200 ppm off."""
    track = kinds.build(ToneSpec("beeps", seconds=24.0), RATE).samples()
    begun = int(rng.uniform(0, 4.2) * RATE)
    part = track[begun : begun + int(rng.uniform(11, 18) * RATE)]
    lead = np.zeros((int(rng.uniform(0.1, 1.5) * RATE), 2))
    whole = np.concatenate([lead, part, lead[::2]])
    places = np.arange(len(whole)) * (1 + rng.uniform(-200e-6, 200e-6))
    return np.stack([np.interp(places, np.arange(len(whole)), each) for each in whole.T], axis=1)


def speech(rng: np.random.Generator, frames: int) -> Floats:
    """Noise of a voice's spectrum in syllables, rms 1."""
    sound = signal.lfilter([1], [1, -1.6, 0.8], rng.standard_normal(frames))
    syllables = np.abs(signal.lfilter(*signal.butter(2, 4, fs=RATE), rng.standard_normal(frames)))
    sound = sound * syllables
    return np.asarray(sound / np.std(sound))


def beeper(rng: np.random.Generator, frames: int) -> Floats:
    """A vehicle's reversing beeper near the pitch, rms of its beeps 1."""
    seconds = np.arange(frames) / RATE
    period = rng.uniform(0.6, 1.3)
    on = seconds % period < period * rng.uniform(0.3, 0.55)
    return np.sqrt(2) * np.sin(2 * np.pi * rng.uniform(985, 1015) * seconds) * on


def _level(track: Floats) -> float:
    """Rms of a beep."""
    return float(np.abs(track).max() / np.sqrt(2))


def _line(rng: np.random.Generator, track: Floats, gains: list[list[float]]) -> Floats:
    """Through gains, rows left and right, columns the recorded channels; noise 45 to 75 dB under, some hum."""
    heard = track @ np.array(gains)
    under = _level(track) * 10 ** (-rng.uniform(45, 75) / 20)
    hum = rng.uniform(0, 0.02) * _level(track) * np.sin(2 * np.pi * 50 * np.arange(len(heard)) / RATE)
    return np.asarray(heard + hum[:, None] + under * rng.standard_normal(heard.shape))


def _ear(
    rng: np.random.Generator, track: Floats, gains: tuple[float, float], snr_db: float | None = None
) -> Floats:
    """One microphone, echoes of 0.1 to 0.4 s, white noise 5 to 30 dB under a beep."""
    dry = track @ np.array(gains)
    size = int(RATE * 0.3)
    tail = rng.standard_normal(size) * np.exp(-6.9 * np.arange(size) / RATE / rng.uniform(0.1, 0.4))
    sound = dry + rng.uniform(0, 0.4) * signal.fftconvolve(dry, tail / np.linalg.norm(tail))[: len(dry)]
    snr_db = rng.uniform(5, 30) if snr_db is None else snr_db
    return np.asarray(sound + _level(track) * 10 ** (-snr_db / 20) * rng.standard_normal(len(dry)))


def _two(rng: np.random.Generator) -> tuple[float, float]:
    return float(10 ** (rng.uniform(-8, 0) / 20)), float(10 ** (rng.uniform(-8, 0) / 20))


def right(rng: np.random.Generator) -> Wired:
    """Two or four channels, crosstalk 30 to 60 dB under, faders up to 8 dB apart."""
    a, b = _two(rng)
    leak = 10 ** (-rng.uniform(30, 60) / 20)
    front = [[a, leak * a], [leak * b, b]]
    down = 10 ** (-rng.uniform(0, 12) / 20)
    gains = front if rng.random() < 0.5 else [[*row, *(down * each for each in row)] for row in front]
    return Wired(_line(rng, played(rng), gains))


def unused_inputs(rng: np.random.Generator) -> Wired:
    """An interface of four inputs, two of them open."""
    a, b = _two(rng)
    return Wired(_line(rng, played(rng), [[a, 0, 0, 0], [0, b, 0, 0]]))


def swapped(rng: np.random.Generator) -> Wired:
    a, b = _two(rng)
    return Wired(_line(rng, played(rng), [[0, a], [b, 0]]), frozenset({"channel_swapped"}))


def rear_swapped_and_low(rng: np.random.Generator) -> Wired:
    """The rear pair changed over, 15 to 26 dB under the front."""
    down = 10 ** (-rng.uniform(15, 26) / 20)
    gains = [[1, 0, 0, down], [0, 1, down, 0]]
    return Wired(_line(rng, played(rng), gains), frozenset({"channel_swapped", "channel_weak"}))


def bridged(rng: np.random.Generator) -> Wired:
    a, b = _two(rng)
    mixed = 10 ** (-rng.uniform(0, 14) / 20)
    return Wired(_line(rng, played(rng), [[a, mixed * a], [0, b]]), frozenset({"channels_mixed"}))


def one_silent(rng: np.random.Generator) -> Wired:
    a, b = _two(rng)
    gains = [[a, 0], [0, 0]] if rng.random() < 0.5 else [[0, 0], [0, b]]
    return Wired(_line(rng, played(rng), gains), frozenset({"channel_silent"}))


def one_weak(rng: np.random.Generator) -> Wired:
    down = 10 ** (-rng.uniform(22, 34) / 20)
    return Wired(_line(rng, played(rng), [[1, 0], [0, down]]), frozenset({"channel_weak"}))


def one_dies(rng: np.random.Generator) -> Wired:
    """From 4 s on one channel is gone, or 18 to 40 dB down."""
    track, column = played(rng), int(rng.integers(2))
    track[int(rng.uniform(4.5, 6.0) * RATE) :, column] *= (
        0.0 if rng.random() < 0.5 else 10 ** (-rng.uniform(18, 40) / 20)
    )
    return Wired(_line(rng, track, [[1, 0], [0, 1]]), frozenset({"beeps_lost"}))


def heard_both(rng: np.random.Generator) -> Wired:
    return Wired(_ear(rng, played(rng), _two(rng)))


def heard_one(rng: np.random.Generator) -> Wired:
    gains = (1.0, 0.0) if rng.random() < 0.5 else (0.0, 1.0)
    return Wired(_ear(rng, played(rng), gains), frozenset({"beeps_not_heard"}))


def heard_one_weak(rng: np.random.Generator) -> Wired:
    """One side 22 to 28 dB down in a quiet car."""
    down = 10 ** (-rng.uniform(22, 28) / 20)
    return Wired(_ear(rng, played(rng), (1.0, down), 50.0), frozenset({"beeps_weak"}))


def heard_one_dies(rng: np.random.Generator) -> Wired:
    track, column = played(rng), int(rng.integers(2))
    track[int(rng.uniform(4.5, 6.0) * RATE) :, column] = 0.0
    return Wired(_ear(rng, track, (1.0, 1.0)), frozenset({"beeps_lost"}))


def heard_beside_speech(rng: np.random.Generator) -> Wired:
    """Somebody talks, 6 to 20 dB under a beep."""
    track = played(rng)
    sound = _ear(rng, track, _two(rng))
    return Wired(sound + _level(track) * 10 ** (-rng.uniform(6, 20) / 20) * speech(rng, len(sound)))


def _beside_a_beeper(rng: np.random.Generator, track: Floats, gains: tuple[float, float]) -> Floats:
    """A van reverses outside for a while, 8 to 20 dB under a beep."""
    sound = _ear(rng, track, gains)
    begun = int(rng.uniform(0, 6) * RATE)
    outside = beeper(rng, len(sound))
    outside[:begun], outside[begun + int(rng.uniform(2, 5) * RATE) :] = 0.0, 0.0
    return np.asarray(sound + _level(track) * 10 ** (-rng.uniform(8, 20) / 20) * outside)


def heard_beside_a_beeper(rng: np.random.Generator) -> Wired:
    track = played(rng)
    return Wired(_beside_a_beeper(rng, track, _two(rng)))


def one_missing_beside_a_beeper(rng: np.random.Generator) -> Wired:
    gains = (1.0, 0.0) if rng.random() < 0.5 else (0.0, 1.0)
    sound = _beside_a_beeper(rng, played(rng), gains)
    return Wired(sound, frozenset({"beeps_not_heard", "beeps_hardly_heard"}))


def one_dies_beside_a_beeper(rng: np.random.Generator) -> Wired:
    track, column = played(rng), int(rng.integers(2))
    track[int(rng.uniform(4.5, 6.0) * RATE) :, column] = 0.0
    sound = _beside_a_beeper(rng, track, _two(rng))
    return Wired(sound, frozenset({"beeps_lost", "beeps_hardly_heard"}))


def no_beeps(rng: np.random.Generator) -> Wired:
    """Speech, noise, a beeper, or a tone alone."""
    frames = int(12 * RATE)
    kind = int(rng.integers(4))
    tone = np.sin(2 * np.pi * rng.uniform(985, 1015) * np.arange(frames) / RATE)
    sound = [speech(rng, frames), rng.standard_normal(frames), beeper(rng, frames), tone][kind]
    return Wired(0.1 * sound + 1e-3 * rng.standard_normal(frames), silent=True)


FAMILIES: dict[str, Callable[[np.random.Generator], Wired]] = {
    "line, right": right,
    "line, unused inputs": unused_inputs,
    "line, swapped": swapped,
    "line, rear swapped and low": rear_swapped_and_low,
    "line, bridged": bridged,
    "line, one silent": one_silent,
    "line, one weak": one_weak,
    "line, one dies": one_dies,
    "ear, both": heard_both,
    "ear, one missing": heard_one,
    "ear, one weak": heard_one_weak,
    "ear, one dies": heard_one_dies,
    "ear, beside speech": heard_beside_speech,
    "ear, beside a beeper": heard_beside_a_beeper,
    "ear, missing beside a beeper": one_missing_beside_a_beeper,
    "ear, dying beside a beeper": one_dies_beside_a_beeper,
    "no beeps": no_beeps,
}


def outcome(scene: Wired) -> str:
    """right; wrong: something else was told; refused or not judged, where the track was there."""
    try:
        result = check_routing(Capture.from_array(scene.samples, RATE, calibrated=False))
    except GainkitError as fault:
        return "right" if scene.silent else f"refused ({fault.code})"
    told = {problem.code for problem in result.problems}
    if scene.silent:
        return f"wrong ({', '.join(sorted(told)) or 'all right'})"
    if not result.judged:
        return "not judged"
    fits = (told <= scene.problems and bool(told)) if scene.problems else not told
    return "right" if fits else f"wrong ({', '.join(sorted(told)) or 'all right'})"
