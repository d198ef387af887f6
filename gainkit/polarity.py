"""The sign of a loudspeaker's direct sound, from a microphone's recording of one-sided pulses.

A one-sided pulse through anything causal answers first with the pulse's own sign; high-passes, crossovers and
the cabin shape what follows. So the pulses are lined up and averaged, and the sign of the first swing that
stands clear of the noise is the answer. It is 'undecided' where no swing does, or where the pulses disagree.

Behind a crossover that turns the phase (second order: its high-pass leg is often wired the other way round on
purpose) the answer is still the sign of the drive that reaches this driver's first movement: compare like with
like, left tweeter with right tweeter.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gainkit.capture.model import Capture
from gainkit.errors import GainkitError
from gainkit.generator.pulses import LOBE_SECONDS, SPACING_SECONDS

Floats = NDArray[np.float64]
Sign = Literal["positive", "negative", "undecided"]

LEAST_PULSES = 4
MOST_SECONDS = 60.0
LARGEST_CLOCK_ERROR = 3e-4
CLEAR_OF_NOISE = 4.5
"""The deciding swing stands this many standard deviations of the averaged noise above it [-]."""

FIRST_SWING_SHARE = 0.08
"""... and reaches this share of the largest swing [-]: behind two filters of fourth order the first swing is
smaller than the second, but hardly ever below a tenth of the largest."""

HIDDEN_SWING_SHARE = 0.2
"""Noise that could hide a first swing of this share of the largest leaves the sign undecided [-]."""

AGREEING_SHARE = 0.75
"""At least this share of the single pulses must have the sign of their average [-]."""

BEFORE_LOBES, AFTER_LOBES = 6.0, 8.0
"""Window around the arrival, in lengths of the lobe [-]."""


@dataclass(frozen=True)
class PolarityResult:
    """confidence : probability that the sign is right, from the swing's distance to the noise [0..1].

    pulses : found. agreeing : how many of them have the sign of their average. band : train that was assumed.
    """

    polarity: Sign
    confidence: float
    pulses: int
    agreeing: int
    band: str
    notes: tuple[str, ...]


@dataclass(frozen=True)
class _Train:
    """Pulses lined up: (pulses, frames) each scaled to unit rms, the arrival's frame, frames of a lobe."""

    rows: Floats
    arrival: int
    lobe_frames: int


def polarity(
    capture: Capture,
    *,
    channel: int = 1,
    band: str | None = None,
    drive: Capture | None = None,
    invert_microphone: bool = False,
) -> PolarityResult:
    """Decide the sign of the direct sound in a recording of the pulses track.

    band : "bass", "midrange" or "treble": the train that was played; None: the one that shows most clearly.
    drive : another signal that was played; the answer to a pulse is then reckoned from both.
    invert_microphone : the recorder turns the sign around. Raises GainkitError for a recording that is too
    short or silent, or a band that is none.
    """
    if band is not None and band not in LOBE_SECONDS:
        raise GainkitError(f"--band is {band}.", f"Choose one of {', '.join(LOBE_SECONDS)}.")
    samples = _loaded(capture, channel)
    rate = capture.sample_rate_hz
    names = [band] if band else [name for name in LOBE_SECONDS if LOBE_SECONDS[name] * rate >= 4]
    if drive is None:
        found = [(name, _decide(_lined_up(samples, rate, name))) for name in names]
    else:
        found = [(name, _decide(_reckoned(samples, rate, drive, name))) for name in names]
    name, (sign, confidence, pulses, agreeing, reasons) = max(found, key=lambda entry: entry[1][1])
    if sign != "undecided" and invert_microphone:
        sign = "negative" if sign == "positive" else "positive"
    notes = list(capture.notes) + reasons
    if sign == "undecided":
        notes.append(
            "Move the microphone to a hand's width from the cone, play louder, or use another band's pulses."
        )
    elif not invert_microphone:
        notes.append(
            "Some recorders invert. Record a loudspeaker whose wiring you know once; if it comes out negative, "
            "give --invert-microphone from then on."
        )
    return PolarityResult(sign, confidence, pulses, agreeing, name, tuple(notes))


@dataclass(frozen=True)
class PairResult:
    """relation : "same", "opposite" or "undecided": needs no known recorder. captures : each on its own."""

    relation: Literal["same", "opposite", "undecided"]
    confidence: float
    captures: tuple[PolarityResult, ...]
    files: tuple[str, ...]


def pair(results: Sequence[PolarityResult], files: Sequence[str]) -> PairResult:
    """Same or opposite, for two loudspeakers recorded with the same recorder."""
    signs = {result.polarity for result in results}
    confidence = float(np.prod([result.confidence for result in results]))
    if "undecided" in signs:
        return PairResult("undecided", confidence, tuple(results), tuple(files))
    return PairResult("same" if len(signs) == 1 else "opposite", confidence, tuple(results), tuple(files))


def _loaded(capture: Capture, channel: int) -> Floats:
    if capture.seconds < (LEAST_PULSES + 1) * SPACING_SECONDS:
        raise GainkitError(
            f"{capture.file}: {capture.seconds:.2f} s are too short for {LEAST_PULSES} pulses.",
            "Record the pulses track for ten seconds.",
        )
    stop = min(capture.frames, int(MOST_SECONDS * capture.sample_rate_hz))
    samples = capture.volts(0, stop, channel=channel)
    samples -= samples.mean()
    if not samples.any():
        raise GainkitError(f"{capture.file}: the recording is silent.", "Check the channel and record again.")
    return samples


def _reckoned(samples: Floats, rate: float, drive: Capture, band: str) -> _Train | None:
    """The answer to one pulse of a band, reckoned by deconvolution from what was played and recorded."""
    from scipy.signal import resample_poly

    played = drive.volts()
    if drive.sample_rate_hz != rate:
        played = resample_poly(played, round(rate), round(drive.sample_rate_hz))
    lobe = max(round(LOBE_SECONDS[band] * rate), 2)
    size = 1 << int(np.ceil(np.log2(len(samples) + len(played))))
    source = np.fft.rfft(played, size)
    power = np.abs(source) ** 2
    pulse = np.hanning(lobe + 3)[1:-1]
    answer = np.fft.irfft(
        np.fft.rfft(samples, size) * np.conj(source) / (power + 1e-3 * power.max()) * np.fft.rfft(pulse, size),
        size,
    )
    answer = np.roll(answer, size // 4)
    arrival = int(np.argmax(np.abs(answer)))
    before, after = round(BEFORE_LOBES * lobe), round(AFTER_LOBES * lobe)
    if arrival < 4 * before or arrival + after > size:
        return None
    row = answer[arrival - before : arrival + after]
    return _Train(row[None, :] / np.sqrt(np.mean(row**2)), before, lobe)


def _smoothed(samples: Floats, lobe_frames: int) -> Floats:
    """The recording through a lobe-shaped filter, a quarter lobe long: noise goes, signs stay."""
    size = max(lobe_frames // 4, 1) | 1
    kernel = np.hanning(size + 2)[1:-1]
    return np.convolve(samples, kernel / kernel.sum(), "same")


def _drift_free(samples: Floats, lobe_frames: int) -> Floats:
    """Without what is slower than the band: a running mean of 12 lobes taken off, centred."""
    size = 12 * lobe_frames | 1
    total = np.cumsum(np.concatenate([np.zeros(size // 2 + 1), samples, np.zeros(size // 2)]))
    return np.asarray(samples - (total[size:] - total[:-size]) / size)


def _lined_up(samples: Floats, rate: float, band: str) -> _Train | None:
    """Find the pulses of a train and line them up; None where there is no train."""
    lobe = max(round(LOBE_SECONDS[band] * rate), 2)
    clean = _smoothed(samples, lobe)
    if band != "bass":
        clean = _drift_free(clean, lobe)
    period = SPACING_SECONDS * rate
    count = int(len(clean) / period)
    phase = _phase(clean, period, count, lobe)
    before, after = round(BEFORE_LOBES * lobe), round(AFTER_LOBES * lobe)
    reach = max(lobe, round(0.002 * rate))
    places, rows = [], []
    for number in range(count + 1):
        centre = round(phase + number * period)
        if centre - before - reach < 0 or centre + after + reach > len(clean):
            continue
        places.append(centre)
        rows.append(clean[centre - before - reach : centre + after + reach])
    if len(rows) < LEAST_PULSES:
        return None
    table = np.array(rows)
    table = _aligned(table, reach)
    scale = np.sqrt(np.mean(table**2, axis=1, keepdims=True))
    keep = scale[:, 0] > 0.1 * np.median(scale)
    table = (table / np.maximum(scale, 1e-30))[keep]
    return _Train(table, before, lobe)


def _phase(samples: Floats, period: float, count: int, lobe: int) -> float:
    """Where in the period the energy arrives [frames]: squares folded at the period, smoothed over a lobe."""
    size = max(lobe // 2, 1)
    energy = np.add.reduceat(samples**2, np.arange(0, len(samples), size))
    hop = period / size
    bins = int(hop)
    index = np.minimum((np.arange(len(energy)) % hop).astype(np.int64), bins)
    folded = np.bincount(index, np.sqrt(energy), minlength=bins + 1)[:bins]
    wide = np.convolve(np.concatenate([folded[-2:], folded, folded[:2]]), np.ones(5), "valid")
    return float(int(np.argmax(wide)) * size)


def _aligned(table: Floats, reach: int) -> Floats:
    """Rows shifted onto their average, sign included; a recorder's clock moves them along a straight line."""
    width = table.shape[1] - 2 * reach
    lags = np.arange(-reach, reach + 1)
    moved = table[:, reach : reach + width]
    reference = table[:, reach : reach + width].mean(axis=0)
    loudest = table[int(np.argmax(np.sum(table**2, axis=1)))][reach : reach + width]
    if np.sum(reference**2) < 0.3 * np.mean(np.sum(table**2, axis=1)):
        reference = loudest
    for _ in range(3):
        scores = np.array(
            [[float(row[reach + lag : reach + lag + width] @ reference) for lag in lags] for row in table]
        )
        best = lags[np.argmax(scores, axis=1)]
        line = _robust_line(best.astype(np.float64))
        shifts = np.clip(np.rint(line), -reach, reach)
        moved = np.array(
            [row[reach + int(s) : reach + int(s) + width] for row, s in zip(table, shifts, strict=True)]
        )
        reference = moved.mean(axis=0)
    return moved


def _robust_line(values: Floats) -> Floats:
    """A straight line through values (n,), by medians of slopes (Theil and Sen): a few wild ones do no harm."""
    index = np.arange(len(values), dtype=np.float64)
    upper = np.triu_indices(len(values), 1)
    slopes = (values[upper[1]] - values[upper[0]]) / (upper[1] - upper[0])
    slope = float(np.median(slopes))
    return np.asarray(np.median(values - slope * index) + slope * index)


def _decide(train: _Train | None) -> tuple[Sign, float, int, int, list[str]]:
    """Sign, confidence, pulses, agreeing, reasons."""
    if train is None:
        return "undecided", 0.0, 0, 0, ["No train of pulses every half second is heard."]
    count = len(train.rows)
    average = train.rows.mean(axis=0)
    scatter = np.std(train.rows - average, axis=0)
    noise = float(np.median(scatter)) / np.sqrt(count)
    early = average[: train.arrival // 2]
    noise = max(noise, float(np.sqrt(np.mean((early - early.mean()) ** 2))) if len(early) > 8 else 0.0, 1e-12)
    average = average - float(np.mean(early)) if len(early) else average
    top = float(np.max(np.abs(average)))
    threshold = max(CLEAR_OF_NOISE * noise, FIRST_SWING_SHARE * top)
    beyond = np.flatnonzero(np.abs(average) > threshold)
    if not len(beyond) or top < CLEAR_OF_NOISE * noise / HIDDEN_SWING_SHARE:
        return "undecided", 0.0, count, 0, ["The pulses hardly stand out of the noise."]
    first = int(beyond[0])
    positive = bool(average[first] > 0)
    swing = first
    while swing + 1 < len(average) and (average[swing + 1] > average[swing]) == positive:
        swing += 1
    window = slice(max(swing - train.lobe_frames // 8, 0), swing + train.lobe_frames // 8 + 1)
    single = train.rows[:, window].mean(axis=1) - train.rows[:, : train.arrival // 2].mean(axis=1)
    agreeing = int(np.count_nonzero((single > 0) == positive))
    ratio = abs(float(average[swing])) / noise
    confidence = float(1 - 0.5 * np.exp(-0.5 * max(ratio - CLEAR_OF_NOISE, 0.0))) if ratio > 0 else 0.5
    if agreeing < AGREEING_SHARE * count:
        return "undecided", 0.5, count, agreeing, [f"Only {agreeing} of {count} pulses agree on a sign."]
    return ("positive" if positive else "negative"), confidence, count, agreeing, []
