"""Chains on paper for the sweep: what an amplifier's output, or a microphone, would have recorded of it."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import numpy as np
from scipy import fft, signal

from gainkit.capture import Capture
from gainkit.generator.kinds import build
from gainkit.generator.spec import ToneSpec
from gainkit.response import Response, Sweep, from_track

Transfer = Callable[[np.ndarray], np.ndarray]
Placed = tuple[str, int, float]
Band = tuple[str, float, float, float]
"""A filter's family, order and corner [Hz]; a band's kind, centre [Hz], gain [dB] and quality."""

RATE = 48_000


def played(spec: ToneSpec, rate: int = RATE) -> tuple[np.ndarray, Sweep]:
    """A sweep's track, (frames, 2), and what index.json tells of it."""
    wave = build(spec, rate)
    facts = {
        "steps": [dataclasses.asdict(step) for step in wave.steps],
        "parameters": {"fall_above_hz": spec.fall_above_hz},
    }
    return wave.samples(), from_track(facts, rate)


def through(samples: np.ndarray, transfer: Transfer, rate: int = RATE, late: float = 0.3) -> np.ndarray:
    """(frames,) through a transfer function of frequency [Hz], begun `late` seconds after the recorder."""
    padded = np.concatenate([np.zeros(round(late * rate)), samples, np.zeros(rate // 2)])
    size = 1 << len(padded).bit_length()
    hertz = np.fft.rfftfreq(size, 1 / rate)
    spectrum = np.fft.rfft(padded, size)
    spectrum[1:] *= transfer(hertz[1:])
    return np.fft.irfft(spectrum, size)[: len(padded)]


def on_another_clock(samples: np.ndarray, rate: int, recorder_hz: int, drift_ppm: float) -> np.ndarray:
    """What a recorder of another rate, whose clock runs so fast, stores of (frames,).

    Eight times finer by zeros in the spectrum, then by polynomials of fifth order through six points.
    """
    finer = 8
    samples = np.pad(samples, (0, fft.next_fast_len(len(samples)) - len(samples)))
    spectrum = np.zeros(len(samples) * finer // 2 + 1, dtype=complex)
    half = np.fft.rfft(samples)
    keep = np.fft.rfftfreq(len(samples), 1 / rate) < 0.49 * recorder_hz  # the recorder's own filter
    spectrum[: len(half)] = half * keep * finer
    fine = np.fft.irfft(spectrum, len(samples) * finer)
    count = int(len(samples) / rate * recorder_hz)
    at = np.arange(count) / recorder_hz / (1 + drift_ppm * 1e-6) * rate * finer
    whole = np.floor(at).astype(int)
    part = at - whole
    taps = range(-2, 4)
    out = np.zeros(count)
    for tap in taps:
        weight = np.ones(count)
        for other in taps:
            if other != tap:
                weight *= (part - other) / (tap - other)
        out += fine[np.clip(whole + tap, 0, len(fine) - 1)] * weight
    return out


def noisy(samples: np.ndarray, snr_db: float | None, seed: int = 1) -> np.ndarray:
    """White noise so far under the rms of the whole recording; None: none."""
    if snr_db is None:
        return samples
    noise = np.random.default_rng(seed).standard_normal(len(samples))
    return samples + noise * np.std(samples) * 10 ** (-snr_db / 20)


def filtered(family: str, order: int, corner_hz: float, kind: str) -> Transfer:
    """An analogue filter by scipy.signal; kind "low" or "high"; Linkwitz-Riley as two Butterworth in a row."""
    radians = 2 * np.pi * corner_hz
    if family == "bessel":
        b, a = signal.bessel(order, radians, kind, analog=True, norm="mag")
    else:
        b, a = signal.butter(order // 2 if family == "linkwitz-riley" else order, radians, kind, analog=True)
    times = 2 if family == "linkwitz-riley" else 1
    return lambda hertz: signal.freqs(b, a, 2 * np.pi * hertz)[1] ** times


def boosted(kind: str, centre_hz: float, gain_db: float, quality: float) -> Transfer:
    """An equaliser band as its second-order polynomials stand in the cookbook (`gainkit.response.boosts`)."""
    amount = 10 ** (gain_db / 40)
    root = np.sqrt(amount) / quality
    over, under = {
        "peak": ([1, amount / quality, 1], [1, 1 / (amount * quality), 1]),
        "low-shelf": ([amount, amount * root, amount**2], [amount, root, 1]),
        "high-shelf": ([amount**2, amount * root, amount], [1, root, amount]),
    }[kind]
    return lambda hertz: np.polyval(over, 1j * hertz / centre_hz) / np.polyval(under, 1j * hertz / centre_hz)


def digital(transfer: Transfer, corner_hz: float, rate: int = RATE) -> Transfer:
    """The same as a bilinear transform at a rate makes it, exact at one frequency (closed form)."""

    def bent(hertz: np.ndarray) -> np.ndarray:
        ratio = np.tan(np.pi * np.minimum(hertz / rate, 0.4999)) / np.tan(np.pi * corner_hz / rate)
        return transfer(corner_hz * ratio)

    return bent


def filter_and_band(seed: int, *, two_sided: bool) -> tuple[dict[str, Placed], Band, Transfer]:
    """A crossover of first to fourth order on one side or on both, and a boost or cut on or near a slope, half
    of the chains digital: its filters by side, its band, and all of it."""
    rng = np.random.default_rng(seed)
    is_digital = bool(rng.integers(2))
    sides = ["high", "low"] if two_sided else [str(rng.choice(["high", "high", "low"]))]
    filters: dict[str, Placed] = {}
    for side in sides:
        family = str(rng.choice(["butterworth", "linkwitz-riley", "bessel"]))
        order = int(rng.choice([2, 4] if family == "linkwitz-riley" else [1, 2, 3, 4]))
        corner_hz = float(np.exp(rng.uniform(*np.log((50, 150) if side == "high" else (1500, 5000)))))
        filters[side] = ("butterworth" if order == 1 else family, order, corner_hz)
    side = str(rng.choice(sides))
    shelf = "low-shelf" if side == "high" else "high-shelf"
    kind = str(rng.choice(["peak", shelf]))
    octaves = rng.uniform(-0.7, 1.5) * (1 if side == "high" else -1)
    centre_hz = float(filters[side][2] * 2**octaves)
    gain_db = float(rng.choice([-1, 1, 1]) * rng.uniform(2, 9))
    quality = float(rng.uniform(0.7, 3.0) if kind == "peak" else rng.uniform(0.5, 0.9))
    parts = [(filtered(*placed, of), placed[2]) for of, placed in filters.items()]
    parts.append((boosted(kind, centre_hz, gain_db, quality), centre_hz))
    chain = in_a_row(*(digital(part, at) if is_digital else part for part, at in parts))
    return filters, (kind, centre_hz, gain_db, quality), chain


def delayed(seconds: float) -> Transfer:
    """Nothing but later."""
    return lambda hertz: np.exp(-2j * np.pi * hertz * seconds)


def in_a_row(*transfers: Transfer) -> Transfer:
    """One after the other."""
    return lambda hertz: np.prod([each(hertz) for each in transfers], axis=0)


def plain(hertz: np.ndarray) -> np.ndarray:
    """A wire."""
    return np.ones(len(hertz), dtype=complex)


def heard(samples: np.ndarray, rate: int = RATE) -> Capture:
    return Capture.from_array(samples, rate, calibrated=False)


def off_db(response: Response, transfer: Transfer, over_floor_db: float = 30.0) -> np.ndarray:
    """Level less the truth [dB], where it stands so far over the noise and in the upper 30 dB of the
    response."""
    hertz = np.array([point.frequency_hz for point in response.points])
    truth = 20 * np.log10(np.abs(transfer(hertz)))
    levels = np.array([point.level_db for point in response.points])
    floors = np.array([point.floor_db for point in response.points])
    clear = (levels - floors > over_floor_db) & (truth > -30.0)
    assert clear.any()
    return (levels - truth)[clear]
