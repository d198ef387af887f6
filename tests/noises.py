"""A noise track through two loudspeakers in a car, and what spoils the comparison; the right trim is known.

Each loudspeaker has its own short room answer; surroundings and recorders are added on top. All from a seed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from gainkit.capture import Capture
from gainkit.generator import kinds
from gainkit.generator.spec import ToneSpec

Floats = NDArray[np.float64]
RATE = 48_000
SECONDS = 10.0

FAMILIES = (
    "nothing happens", "dead loudspeaker", "silence", "automatic gain", "gain turned midway",
    "engine 3 dB under", "background 4 dB under", "noise suppression",
)  # fmt: skip


@dataclass(frozen=True)
class Pair:
    """Two recordings, what was played, and the trim of the second to the first [dB]; None where none is
    right."""

    captures: tuple[Capture, Capture]
    played: Capture
    trim_db: float | None


@lru_cache(maxsize=1)
def track() -> Floats:
    return kinds.build(ToneSpec("noise", band="full", seconds=20.0), RATE).samples()[:, 0]


def pair(family: str, seed: int) -> Pair:
    """One comparison of a family."""
    rng = np.random.default_rng([FAMILIES.index(family), seed])
    begin = int(rng.integers(0, len(track()) - round(SECONDS * RATE) - RATE // 2))
    wanted_db = float(rng.uniform(-6, 6))
    sounds = []
    for number in range(2):
        frames = RATE // 12
        answer = rng.standard_normal(frames) * np.exp(
            -6.9 * np.arange(frames) / RATE / float(rng.uniform(0.03, 0.08))
        )
        answer *= 0.3
        answer[0] += 3.0
        place = begin + int(rng.integers(0, RATE // 3))
        part = track()[place : place + round(SECONDS * RATE)]
        ppm = float(rng.uniform(-60, 60))
        heard = signal.fftconvolve(part, answer)[: len(part)]
        heard = np.interp(np.arange(len(part)) * (1 + 1e-6 * ppm), np.arange(len(part)), heard)
        heard *= 0.03 * 10 ** (-wanted_db * number / 20) / np.sqrt(np.mean(heard**2))
        sounds.append(heard)
    second = sounds[1]
    level = float(np.sqrt(np.mean(second**2)))
    surroundings = 10 ** (-float(rng.uniform(35, 50)) / 20) * level
    trim: float | None = wanted_db
    if family == "dead loudspeaker":
        second, surroundings, trim = 1e-9 * second, level * 10 ** (-float(rng.uniform(8, 25)) / 20), None
    elif family == "silence":
        second, surroundings, trim = 0.0 * second, level * 10 ** (-float(rng.uniform(35, 45)) / 20), None
    elif family == "automatic gain":
        second = second * 10 ** (
            float(rng.uniform(3, 8)) * np.exp(-np.arange(len(second)) / RATE / float(rng.uniform(0.5, 2))) / 20
        )
        second = second * 10 ** (-float(rng.uniform(3, 6)) / 20)
        trim = None
    elif family == "gain turned midway":
        second = second * np.where(np.arange(len(second)) < float(rng.uniform(0.25, 0.75)) * len(second), 1.0,
                                   10 ** (float(rng.choice([-1, 1]) * rng.uniform(1.5, 4)) / 20))  # fmt: skip
        trim = None
    elif family in {"engine 3 dB under", "background 4 dB under"}:
        surroundings = level * 10 ** (-(3.0 if family.startswith("engine") else 4.0) / 20)
    elif family == "noise suppression":
        second = second * 10 ** (
            -float(rng.uniform(2, 6)) * (1 - np.exp(-np.arange(len(second)) / RATE / 1.5)) / 20
        )
        trim = None
    around = rng.standard_normal(len(second))
    if family == "engine 3 dB under":
        around = signal.sosfilt(signal.butter(1, 150, fs=RATE, output="sos"), around)
    around *= surroundings / np.sqrt(np.mean(around**2))
    quiet = 1e-4 * rng.standard_normal(len(second))
    captures = tuple(
        Capture.from_array(each, RATE, file=name, calibrated=False)
        for name, each in (("left.wav", sounds[0] + quiet), ("right.wav", second + around))
    )
    return Pair(
        (captures[0], captures[1]), Capture.from_array(track(), RATE, file="noise.wav", calibrated=False), trim
    )


COPIES = ("24 to 16 bit", "24 to 8 bit", "rescaled in 16 bit", "trimmed", "padded and turned over", "dithered")
TAKES = (
    "loudspeakers", "line", "line, channels unlike", "line, 16 bit track", "line into 16 bit files",
    "one loudspeaker twice",
)  # fmt: skip


def saved(samples: Floats, bits: int, name: str, dither: Floats | float = 0.0) -> Capture:
    """As a file of so many bits is read back; dither in steps."""
    step = 2.0 ** (1 - bits)
    stored = np.clip(np.round(samples / step + dither) * step, -1, 1 - step)
    capture = Capture.from_array(stored, RATE, file=name, calibrated=False)
    return replace(capture, step_units=step, has_full_scale=True)


def copied(way: str, seed: int) -> tuple[Capture, Capture]:
    """A recording of a loudspeaker in a car, 3 s in 24 bit, and a copy of it."""
    rng = np.random.default_rng([40 + COPIES.index(way), seed])
    wave = pair("nothing happens", seed).captures[seed % 2].volts()[: 3 * RATE]
    wave = 0.12 * wave / np.std(wave)
    first = saved(wave, 24, "first.wav")
    gain = float(rng.uniform(0.4, 0.9))
    if way == "24 to 8 bit":
        return first, saved(wave, 8, "copy.wav")
    if way == "rescaled in 16 bit":
        whole = saved(wave, 16, "first.wav")
        return whole, saved(gain * whole.volts(), 16, "copy.wav")
    if way == "trimmed":
        start, stop = round(rng.uniform(0.1, 0.6) * RATE), round(rng.uniform(2.2, 2.9) * RATE)
        return first, saved(wave[start:stop], 16, "copy.wav")
    if way == "padded and turned over":
        silence = np.zeros(int(rng.integers(1, RATE)))
        return first, saved(np.concatenate([silence, -gain * wave, silence]), 24, "copy.wav")
    dither = rng.uniform(-0.5, 0.5, (2, len(wave))).sum(axis=0) if way == "dithered" else 0.0
    return first, saved(wave if way == "24 to 16 bit" else gain * wave, 16, "copy.wav", dither)


def taken_twice(way: str, seed: int) -> tuple[Capture, Capture]:
    """Two recordings of one track, each with its recorder's own noise."""
    rng = np.random.default_rng([60 + TAKES.index(way), seed])
    if way == "loudspeakers":
        both = (each.volts()[: 3 * RATE] for each in pair("nothing happens", seed).captures)
        first, second = (saved(0.12 * each / np.std(each), 24, f"{n}.wav") for n, each in enumerate(both))
        return first, second
    begin = int(rng.integers(0, len(track()) - 4 * RATE))
    played = track()[begin : begin + 3 * RATE]
    played = 0.12 * played / np.std(played)
    noise = 0.7 * 10 ** (float(rng.uniform(-115, -75)) / 20)
    other, late, bits = played, int(rng.integers(0, 3000)), 24
    if way == "line, channels unlike":
        other = float(rng.uniform(0.5, 1)) * signal.lfilter(
            [1.0, float(rng.uniform(-0.02, 0.02))], [1.0], played
        )
    elif way == "line, 16 bit track":
        played = other = np.round(played * 2**15) / 2**15
    elif way == "line into 16 bit files":
        bits = 16
    elif way == "one loudspeaker twice":
        noise = 0.12 * 10 ** (float(rng.uniform(-45, -8)) / 20)
    first = played + noise * rng.standard_normal(len(played))
    second = np.concatenate([np.zeros(late), other])
    second = second + noise * rng.standard_normal(len(second))
    return saved(first, bits, "first.wav"), saved(second, bits, "second.wav")


def called_same(one: Capture, other: Capture) -> bool:
    """Whether a match of the two calls them one recording."""
    from gainkit.matching import match_levels

    return any(note.code == "same_recording" for note in match_levels([one, other]).notes)


def outcome(scene: Pair, *, with_track: bool) -> str:
    """ "right", "refused", "told" (a fault stands beside a trim that is off) or "wrong"."""
    from gainkit.errors import GainkitError
    from gainkit.matching import match_levels

    try:
        result = match_levels(scene.captures, played=scene.played if with_track else None)
    except GainkitError as fault:
        return f"refused ({fault.code})"
    told = any(note.severity == "fault" for note in result.notes)
    row = result.captures[1]
    assert row.trim_uncertainty_db is not None
    if scene.trim_db is not None and abs(row.trim_db - scene.trim_db) < max(row.trim_uncertainty_db, 0.3):
        return "right, but accused" if told else "right"
    return "told" if told else "wrong"
