"""A noise track through two loudspeakers in a car, and what spoils the comparison; the right trim is known.

Each loudspeaker has its own short room answer; surroundings and recorders are added on top. All from a seed.
"""

from __future__ import annotations

import subprocess
import tempfile
from dataclasses import dataclass, replace
from functools import lru_cache
from math import gcd
from pathlib import Path

import numpy as np
import soundfile
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


COPIES = (
    "24 to 16 bit", "24 to 8 bit", "rescaled in 16 bit", "trimmed", "padded and turned over", "dithered",
    "other rate by scipy", "other rate by sox", "other rate by ffmpeg",
)  # fmt: skip
TAKES = (
    "loudspeakers", "line", "line, channels unlike", "line, 16 bit track", "line into 16 bit files",
    "one loudspeaker twice", "line, other rate", "line into 16 bit files, other rate",
    "one loudspeaker twice, other rate",
)  # fmt: skip
OTHER_RATES = ((44_100, 48_000), (48_000, 44_100), (96_000, 48_000))


def saved(samples: Floats, bits: int, name: str, dither: Floats | float = 0.0, rate: int = RATE) -> Capture:
    """As a file of so many bits is read back; dither in steps."""
    step = 2.0 ** (1 - bits)
    stored = np.clip(np.round(samples / step + dither) * step, -1, 1 - step)
    capture = Capture.from_array(stored, rate, file=name, calibrated=False)
    return replace(capture, step_units=step, has_full_scale=True)


def at_rate(samples: Floats, rate: int, other: int) -> Floats:
    return np.asarray(signal.resample_poly(samples, other // gcd(rate, other), rate // gcd(rate, other)))


def at_other_rate(wave: Floats, tool: str, rng: np.random.Generator) -> tuple[Capture, Capture]:
    """A recording and what a program makes of it at another rate, perhaps in other bits; trimmed."""
    rate, other = OTHER_RATES[int(rng.integers(len(OTHER_RATES)))]
    wave = wave if rate == RATE else at_rate(wave, RATE, rate)
    wave = 0.12 * wave / np.std(wave) + 1e-5 * rng.standard_normal(len(wave))
    bits, other_bits = ((16, 16), (24, 16), (24, 24), (16, 24))[int(rng.integers(4))]
    first, start = saved(wave, bits, "first.wav", rate=rate), int(rng.integers(0, other // 3))
    if tool == "scipy":
        return first, saved(at_rate(first.volts(), rate, other)[start:], other_bits, "copy.wav", rate=other)
    with tempfile.TemporaryDirectory() as folder:
        before, after = Path(folder) / "first.wav", Path(folder) / "copy.wav"
        soundfile.write(before, first.volts(), rate, subtype=f"PCM_{bits}")
        orders = {
            "sox": ["sox", before, "-b", str(other_bits), after, "rate", str(other)],
            "ffmpeg": [
                "ffmpeg", "-v", "error", "-i", before, "-ar", str(other), "-c:a", f"pcm_s{other_bits}le", after
            ],
        }  # fmt: skip
        subprocess.run(orders[tool], check=True, capture_output=True)
        stored, got = soundfile.read(after)
    assert got == other
    return first, saved(stored[start:], other_bits, "copy.wav", rate=other)


def copied(way: str, seed: int) -> tuple[Capture, Capture]:
    """A recording of a loudspeaker in a car, 3 s in 24 bit, and a copy of it."""
    rng = np.random.default_rng([40 + COPIES.index(way), seed])
    wave = pair("nothing happens", seed).captures[seed % 2].volts()[: 3 * RATE]
    wave = 0.12 * wave / np.std(wave)
    if way.startswith("other rate by "):
        return at_other_rate(wave, way.removeprefix("other rate by "), rng)
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
    elif way.startswith("line into 16 bit files"):
        bits = 16
    elif way.startswith("one loudspeaker twice"):
        noise = 0.12 * 10 ** (float(rng.uniform(-45, -8)) / 20)
    rates = (RATE, RATE)
    if way.endswith("other rate"):  # of one interface, so that no clock runs off
        rates = OTHER_RATES[int(rng.integers(len(OTHER_RATES)))]
        played, other = (signal.resample(played, len(played) * rate // RATE) for rate in rates)
        bits = bits if bits == 16 else int(rng.choice([16, 24]))
    first = played + noise * rng.standard_normal(len(played))
    second = np.concatenate([np.zeros(late), other])
    second = second + noise * rng.standard_normal(len(second))
    first_bits = 24 if rates[0] != rates[1] and seed % 2 else bits
    return saved(first, first_bits, "first.wav", rate=rates[0]), saved(
        second, bits, "second.wav", rate=rates[1]
    )


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


BANDS = ("bass", "midrange", "treble")
SPEAKERS = ("plain", "small", "big and boosted", "woofer")


@lru_cache(maxsize=8)
def band_track(band: str, number: int) -> Floats:
    return kinds.build(ToneSpec("noise", band=band, seconds=15.0, seed=number), RATE).samples()[:, 0]


def speaker(kind: str, rng: np.random.Generator) -> Floats:
    """Filters of a loudspeaker, (sections, 6)."""
    low_hz, order = float(rng.uniform(45, 80)), 2
    if kind == "small":
        low_hz, order = float(rng.uniform(80, 400)), int(rng.choice([2, 4, 8]))
    elif kind == "big and boosted":
        low_hz = float(rng.uniform(22, 40))
    parts = [signal.butter(order, low_hz, "high", fs=RATE, output="sos")]
    if kind == "woofer":
        parts.append(
            signal.butter(int(rng.choice([2, 4])), float(rng.uniform(800, 4000)), fs=RATE, output="sos")
        )
    tilt_db, tilt_hz = float(rng.uniform(-4, 4)), float(rng.uniform(500, 3000))
    shelves = [(tilt_db, tilt_hz)]
    if kind == "big and boosted":
        shelves.append((float(rng.uniform(-18, -6)), float(rng.uniform(60, 140))))
    for gain_db, corner_hz in shelves:  # first-order shelves: what lies above comes up by so much
        gain = 10 ** (gain_db / 20)
        zeros, poles = signal.bilinear([gain, 2 * np.pi * corner_hz], [1, 2 * np.pi * corner_hz], RATE)
        parts.append(np.array([[*zeros, 0, *poles, 0]]))
    return np.concatenate(parts)


def tracks(
    bands: tuple[str, str], seed: int, kinds_of: tuple[str, str] | None = None
) -> tuple[Capture, Capture]:
    """Two loudspeakers that play a noise track each, which share no noise, in a car with its surroundings."""
    rng = np.random.default_rng([80, *((*BANDS, "full").index(band) for band in bands), seed])
    seconds, captures = float(rng.uniform(3, 12)), []
    for number, band in enumerate(bands):
        begin, frames = round(float(rng.uniform(0, 2)) * RATE), round(seconds * RATE)
        part, whole = (band_track(each, number)[begin : begin + frames] for each in (band, "full"))
        kind = str(rng.choice(SPEAKERS)) if kinds_of is None else kinds_of[number]
        late = np.arange(RATE // 12) / RATE
        answer = 0.3 * rng.standard_normal(len(late)) * np.exp(-6.9 * late / float(rng.uniform(0.03, 0.08)))
        answer[0] += float(rng.uniform(1, 4))
        filters = speaker(kind, rng)
        heard, full = (
            signal.fftconvolve(signal.sosfilt(filters, each), answer)[: len(part)] for each in (part, whole)
        )
        heard *= 0.03 * 10 ** (float(rng.uniform(-3, 3)) / 20) / np.std(full)
        engine = signal.sosfilt(
            signal.butter(1, float(rng.uniform(50, 300)), fs=RATE, output="sos"), rng.standard_normal(len(part))
        )
        for around, least_db, most_db in ((engine, 20, 45), (rng.standard_normal(len(part)), 35, 60)):
            heard = heard + around * 0.03 * 10 ** (-float(rng.uniform(least_db, most_db)) / 20) / np.std(around)
        captures.append(saved(heard, 24, ("left.wav", "right.wav")[number]))
    return captures[0], captures[1]


def tracks_told(pair: tuple[Capture, Capture]) -> str:
    """ "refused", "end", "perhaps" or "nothing"."""
    from gainkit.errors import GainkitError
    from gainkit.matching import match_levels

    try:
        codes = {note.code for note in match_levels(pair).notes}
    except GainkitError as fault:
        return f"refused ({fault.code})"
    words = {"track_ends": "end", "perhaps_other_track": "perhaps"}
    return next((word for code, word in words.items() if code in codes), "nothing")
