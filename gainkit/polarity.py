"""The sign of a loudspeaker's direct sound, from a microphone's recording of one-sided pulses.

A one-sided pulse through anything causal answers first with the pulse's own sign; high-passes, crossovers and
the cabin shape what follows. So the pulses are lined up, averaged, and looked at through smoothing of many
widths: positive kernels and means over the past keep the first swing's sign, whatever they do to the rest. At
each width the first swing that stands clear of the noise is taken; as sound grows by no more than a known
factor from one swing to the next, a swing that is high enough cannot hide an earlier, opposite one. Where no
width shows such a swing, or two disagree, the answer is 'undecided'.

Behind a crossover that turns the phase (second order: its high-pass leg is often wired the other way round on
purpose) the answer is still the sign of the drive that reaches this driver's first movement: compare like with
like, left tweeter with right tweeter.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gainkit.capture.model import Capture
from gainkit.errors import GainkitError
from gainkit.generator.pulses import LOBE_SECONDS, SPACING_SECONDS, pattern_seconds

Floats = NDArray[np.float64]
Sign = Literal["positive", "negative", "undecided"]
Answer = tuple[Sign, float, int, int, list[str]]
"""Sign, confidence, pulses, agreeing, reasons."""

LEAST_PULSES = 5
HEARD_SHARE = 0.5
"""So many must be heard, and more than this share of those that fit in the recording [-]: the track may begin
late in it, but an even beat meets the pattern in fewer."""

MOST_SECONDS = 30.0
LEAST_RATE_HZ, MOST_RATE_HZ = 4000.0, 400_000.0
LEAST_LOBE_FRAMES = 4
LARGEST_CLOCK_ERROR = 3e-4
QUIET_SECONDS, MARGIN_SECONDS, AFTER_SECONDS = 0.2, 0.04, 0.08
"""A pulse is looked at from so long before its arrival to so long after; its first swing comes at most a
margin before the arrival of its energy [s]."""

WIDEST_SECONDS = 0.005
CLEAR_OF_NOISE = 4.5
"""The deciding swing rises so many standard deviations of the averaged noise before it counts [-]."""

SEEN = 3.0
"""An earlier, opposite swing of so many standard deviations would not be missed [-]."""

GROWTH = 5.5
"""From one swing to the next the sound grows by no more than this [-]: 0.183 is the smallest quotient in the
simulated population of tests/cabins.py (boxes of fourth order behind crossovers of fourth order, 20 echoes)."""

SMALLEST_SHARE = 0.01
"""Swings below this share of the largest may be a converter's own filter, which rings before the sound [-]."""

SURE = 0.9
"""Two trains that both answer with more confidence than this must agree [0..1]."""

PROBABLE = 0.95
"""An answer with less confidence is called probable [0..1]."""

CLOCKS_PPM = (-200.0, -150.0, -100.0, -50.0, -20.0, 20.0, 50.0, 100.0, 150.0, 200.0)
ON_THE_CLOCK = 0.75
"""Clock errors that recorders have; an answer from another drive signal that one of them would turn has no more
confidence than this [0..1]: a sweep cannot tell a clock from a loudspeaker's own phase."""

LEAST_COVER = 0.7
"""Share of a pulse's energy that another drive signal must hold too [-]."""

LEAST_TYPICAL = 0.5
"""Median over mean of the single pulses' heights: under this a few of them, clicks or strokes, make the average
[-]."""

AGREEING_SHARE = 0.75
"""At least this share of the single pulses must have the sign of their average [-]."""

CHANCE = 0.05
"""And so many that tossed coins would do as well at most this often [0..1]: of few, all."""


NOTHING_HEARD = "The train of pulses is not heard."
NOTHING_RECKONED = (
    "The drive signal does not fill the band of a pulse: play wide-band noise, a sweep, or the pulses."
)
CLOCK_REASON = (
    "With this drive signal the answer hangs on the recorder's clock: one that runs a ten-thousandth off would "
    "turn it. Wide-band noise and the pulses do not."
)
REMEDY = (
    "Move the microphone to a hand's width from the cone, play louder, switch the recorder's noise suppression "
    "and voice mode off, or use another band's pulses (the midrange ones suit most loudspeakers)."
)


@dataclass(frozen=True)
class PolarityResult:
    """confidence : 1 less half the chance that the noise hid an earlier swing, taken as if there always were
    one as small as sound allows [0..1]; 0.0 when undecided.

    pulses : found. agreeing : how many of them have the sign of their average. band : train that was
    named, or else the one whose pulses lined up best.
    """

    polarity: Sign
    confidence: float
    pulses: int
    agreeing: int
    band: str
    notes: tuple[str, ...]


@dataclass(frozen=True)
class _Train:
    """Pulses lined up: (pulses, frames), the arrival's frame, the rate [Hz]."""

    rows: Floats
    arrival: int
    rate: float


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
    if band is not None and LOBE_SECONDS[band] * rate < LEAST_LOBE_FRAMES:
        raise GainkitError(
            f"{capture.file}: at {rate:g} Hz the {band} pulses are too short to be seen.",
            f"Record at {LEAST_LOBE_FRAMES / LOBE_SECONDS[band]:g} Hz or more, or play the midrange pulses.",
        )
    seen = [name for name, seconds in LOBE_SECONDS.items() if seconds * rate >= LEAST_LOBE_FRAMES]
    names = [band] if band else seen
    found = []
    for name in names:
        if drive is None:
            found.append((name, _decide(_lined_up(samples, rate, name))))
        else:
            found.append((name, _by_drive(samples, rate, drive, name)))
    name, (sign, confidence, pulses, agreeing, reasons) = max(found, key=lambda entry: entry[1][1:4])
    if len({answer[0] for _, answer in found if answer[1] > SURE}) > 1:
        sign, confidence, reasons = "undecided", 0.0, ["Looked at in two bands, the sound begins two ways."]
    if sign != "undecided" and invert_microphone:
        sign = "negative" if sign == "positive" else "positive"
    if not pulses:
        reasons = [NOTHING_HEARD if drive is None else NOTHING_RECKONED]
    notes = list(capture.notes) + reasons
    if sign != "undecided" and confidence < PROBABLE:
        notes.append(f"Only probable: record again to be sure. {REMEDY}")
    if sign == "undecided":
        notes.append(REMEDY)
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
    one, other = (result.confidence for result in results)
    confidence = one * other + (1 - one) * (1 - other)  # both right, or both wrong
    if "undecided" in signs:
        return PairResult("undecided", 0.0, tuple(results), tuple(files))
    return PairResult("same" if len(signs) == 1 else "opposite", confidence, tuple(results), tuple(files))


def _loaded(capture: Capture, channel: int) -> Floats:
    if capture.seconds < (LEAST_PULSES + 1) * SPACING_SECONDS:
        raise GainkitError(
            f"{capture.file}: {capture.seconds:.2f} s are too short for {LEAST_PULSES} pulses.",
            "Record the pulses track for ten seconds.",
        )
    if not LEAST_RATE_HZ <= capture.sample_rate_hz <= MOST_RATE_HZ:
        raise GainkitError(
            f"{capture.file}: a rate of {capture.sample_rate_hz:g} Hz is not a sound recording's.",
            f"Record at {LEAST_RATE_HZ:g} to {MOST_RATE_HZ:g} Hz.",
        )
    stop = min(capture.frames, int(MOST_SECONDS * capture.sample_rate_hz))
    samples = capture.volts(0, stop, channel=channel)
    samples -= samples.mean()
    top = float(np.abs(samples).max())
    if top == 0:
        raise GainkitError(f"{capture.file}: the recording is silent.", "Check the channel and record again.")
    return samples / top


def _by_drive(samples: Floats, rate: float, drive: Capture, band: str) -> Answer:
    """The answer from another drive signal, with little confidence where another clock of the recorder would
    turn it."""
    sign, confidence, pulses, agreeing, reasons = _decide(_reckoned(samples, rate, drive, band))
    if sign != "undecided":
        others = (_decide(_reckoned(samples, rate, drive, band, clock_ppm=ppm))[0] for ppm in CLOCKS_PPM)
        if any(other not in ("undecided", sign) for other in others):
            return sign, min(confidence, ON_THE_CLOCK), pulses, agreeing, [*reasons, CLOCK_REASON]
    return sign, confidence, pulses, agreeing, reasons


def _reckoned(samples: Floats, rate: float, drive: Capture, band: str, clock_ppm: float = 0.0) -> _Train | None:
    """The answer to one pulse of a band, reckoned by deconvolution from what was played and recorded.

    clock_ppm : by how much the recorder's clock is taken to run slow. None where the drive signal lacks the
    pulse's band. Raises GainkitError for a silent drive signal.
    """
    from scipy.signal import resample_poly

    played = drive.volts(0, min(drive.frames, int(MOST_SECONDS * drive.sample_rate_hz)))
    if not played.any():
        raise GainkitError(f"{drive.file}: the drive signal is silent.", "Give the file that was played.")
    if drive.sample_rate_hz != rate:
        played = resample_poly(played, round(rate), round(drive.sample_rate_hz))
    if clock_ppm:
        places = np.arange(len(played))
        played = np.interp(places * (1 + 1e-6 * clock_ppm), places, played, right=0.0)
    lobe = max(round(LOBE_SECONDS[band] * rate), 2)
    size = 1 << int(np.ceil(np.log2(len(samples) + len(played))))
    source = np.fft.rfft(played, size)
    power = np.abs(source) ** 2
    kept = power / (power + 1e-3 * power.max())
    pulse = np.fft.rfft(np.hanning(lobe + 3)[1:-1], size)
    if np.sum(kept * np.abs(pulse) ** 2) < LEAST_COVER * np.sum(np.abs(pulse) ** 2):
        return None
    answer = np.fft.irfft(np.fft.rfft(samples, size) * np.conj(source) / (power + 1e-3 * power.max()) * pulse)
    before, after = round(QUIET_SECONDS * rate), round(AFTER_SECONDS * rate)
    answer = np.roll(answer, size // 4)
    arrival = int(np.argmax(np.abs(answer)))
    if arrival < before or arrival + after > size:
        return None
    return _Train(answer[None, arrival - before : arrival + after], before, rate)


def _smoothed(samples: Floats, frames: int) -> Floats:
    """Through a raised cosine of so many frames: noise goes; as it is positive everywhere, signs stay."""
    kernel = np.hanning((max(frames, 1) | 1) + 2)[1:-1]
    return np.convolve(samples, kernel / kernel.sum(), "same")


def _drift_free(samples: Floats, frames: int) -> Floats:
    """Less the mean of so many frames around each: for finding pulses, not for their sign."""
    size = frames | 1
    total = np.cumsum(np.concatenate([np.zeros(size // 2 + 1), samples, np.zeros(size // 2)]))
    return np.asarray(samples - (total[size:] - total[:-size]) / size)


def _lined_up(samples: Floats, rate: float, band: str) -> _Train | None:
    """Find the pulses of a train and line them up; None where there are too few."""
    lobe = max(round(LOBE_SECONDS[band] * rate), 2)
    clean = _drift_free(_smoothed(samples, lobe // 4), 12 * lobe)
    pattern = (np.array(pattern_seconds()) - pattern_seconds()[0]) * rate
    period = SPACING_SECONDS * rate * len(pattern)
    phase = _phase(clean, period, pattern, lobe)
    before, after = round(QUIET_SECONDS * rate), round(AFTER_SECONDS * rate)
    reach = LARGEST_CLOCK_ERROR * len(samples) / 2 + lobe
    places = (phase + period * np.arange(-1, int(len(samples) / period) + 1)[:, None] + pattern).ravel()
    places = places[(places >= before + reach) & (places + after + reach < len(samples))]
    if len(places) < LEAST_PULSES:
        return None
    near = round(max(8 * lobe, 0.004 * rate) + reach)
    near = min(near, int(places[0]), len(samples) - int(places[-1]) - 1)
    table = np.array([clean[int(p) - near : int(p) + near] for p in places])
    index = (places - places.mean()) / (SPACING_SECONDS * rate)
    places = np.rint(places + _slope(table, index, reach, lobe) * index).astype(np.int64)
    table = np.array([clean[p - near // 2 : p + near // 2] for p in places])
    share = table @ table.mean(axis=0)
    kept = np.abs(share) > 0.2 * np.median(np.sort(np.abs(share))[len(share) // 2 :])
    rows = np.array([samples[p - before : p + after] for p in places[kept]])
    loud = np.sqrt(np.mean(rows[:, before - before // 5 :] ** 2, axis=1, keepdims=True))
    rows *= np.minimum(1.0, 2 * np.median(loud) / np.maximum(loud, 1e-30))
    heard = len(rows) >= LEAST_PULSES and len(rows) > HEARD_SHARE * len(places)
    return _Train(rows, before, rate) if heard else None


def _phase(samples: Floats, period: float, pattern: Floats, lobe: int) -> float:
    """Where a pattern's first pulse arrives [frames]: amplitudes folded at the period, smoothed over a lobe,
    added up at the pattern's places."""
    size = max(lobe // 2, 1)
    energy = np.add.reduceat(samples**2, np.arange(0, len(samples), size))
    hop = period / size
    bins = int(hop)
    index = np.minimum((np.arange(len(energy)) % hop).astype(np.int64), bins)
    folded = np.bincount(index, np.sqrt(energy), minlength=bins + 1)[:bins]
    wide = np.convolve(np.concatenate([folded[-2:], folded, folded[:2]]), np.ones(5), "valid")
    heard = sum(np.roll(wide, -round(place / size)) for place in pattern)
    return float(int(np.argmax(heard)) * size)


def _slope(table: Floats, index: Floats, reach: float, lobe: int) -> float:
    """Frames per spacing by which the recorder's clock moves the rows.

    table : (pulses, frames). index : when each row was played, in spacings from their middle (pulses,). All
    slopes up to the largest clock error are tried, and the one taken at which the rows add up to the most
    energy; rows and their sum are compared in the frequency domain.
    """
    pulses, frames = table.shape
    spectrum = np.fft.rfft(table, axis=1)
    strong = np.mean(np.abs(spectrum) ** 2, axis=0)
    used = strong > 1e-3 * strong.max()
    spectrum, turn = spectrum[:, used], 2j * np.pi * np.arange(frames // 2 + 1)[used] / frames
    step = lobe / 8 / (pulses / 2)
    tries = np.arange(-np.ceil(reach / (pulses / 2) / step), np.ceil(reach / (pulses / 2) / step) + 1) * step

    def energies(slopes: Floats) -> Floats:
        return np.array(
            [np.sum(np.abs(np.sum(spectrum * np.exp(turn * s * index[:, None]), axis=0)) ** 2) for s in slopes]
        )

    fine = tries[int(np.argmax(energies(tries)))] + np.linspace(-step, step, 9)
    return float(fine[int(np.argmax(energies(fine)))])


@dataclass(frozen=True)
class _Swing:
    """The first swing seen at one scale. sign : +1 or -1. ratio : its height over the noise, or over what its
    surroundings allow to be seen [-]. agreeing : pulses that show the same sign. typical : median over mean of
    the single pulses' heights [-]."""

    sign: int
    ratio: float
    agreeing: int
    typical: float


def _decide(train: _Train | None) -> Answer:
    """Sign, confidence, pulses, agreeing, reasons."""
    if train is None:
        return "undecided", 0.0, 0, 0, []
    count = len(train.rows)
    widest = round(WIDEST_SECONDS * train.rate)
    widths = [3 << power for power in range(20) if 3 << power <= widest]
    swings = [swing for swing in (_first_swing(train, width) for width in widths) if swing is not None]
    if not swings:
        return "undecided", 0.0, count, 0, ["The pulses hardly stand out of the noise."]
    best = max(swings, key=lambda swing: swing.ratio)
    clear = [swing for swing in swings if swing.ratio >= GROWTH * SEEN]
    if not clear:
        reason = "The first swing of the sound may be hidden in the noise."
        return "undecided", 0.0, count, best.agreeing, [reason]
    if len({swing.sign for swing in clear}) > 1:
        return "undecided", 0.0, count, best.agreeing, ["The sound begins one way and the other at once."]
    if best.agreeing < AGREEING_SHARE * count or (count > 1 and _by_chance(best.agreeing, count) > CHANCE):
        reason = f"Only {best.agreeing} of {count} pulses agree on a sign."
        return "undecided", 0.0, count, best.agreeing, [reason]
    if best.typical < LEAST_TYPICAL:
        return "undecided", 0.0, count, best.agreeing, ["A few loud sounds make up all that is heard."]
    hidden = 0.5 * math.erfc((best.ratio / GROWTH - SEEN) / math.sqrt(2))
    return ("positive" if best.sign > 0 else "negative"), 1 - 0.5 * hidden, count, best.agreeing, []


def _by_chance(agreeing: int, count: int) -> float:
    """How often so many or more of `count` tossed coins show heads [0..1]."""
    return sum(math.comb(count, heads) for heads in range(agreeing, count + 1)) / 2.0**count


def _first_swing(train: _Train, width: int) -> _Swing | None:
    """The first swing of the averaged pulses, smoothed over a width [frames] and freed from what went before.

    From each smoothed sample the mean of the four widths before it is taken off: rumble goes, and as nothing
    later is used, the first swing keeps its sign.
    """
    past = 4 * width
    lost = (width | 1) // 2
    rows = np.apply_along_axis(_smoothed, 1, train.rows, width)[:, lost:-lost]
    total = np.cumsum(np.concatenate([np.zeros((len(rows), 1)), rows], axis=1), axis=1)
    base = np.zeros_like(rows)
    base[:, past + width :] = (total[:, past:] - total[:, :-past])[:, : -width - 1] / past
    freed = rows - base
    start = train.arrival - lost - round(MARGIN_SECONDS * train.rate)
    quiet = slice(past + width, start)
    if quiet.stop - quiet.start < 4 * width:
        return None
    average = freed.mean(axis=0)
    spread = np.sqrt(np.mean(np.var(freed[:, quiet], axis=0)) / max(len(rows) - 1, 1))
    noise = max(float(spread), float(np.sqrt(np.mean(average[quiet] ** 2))), 1e-9)
    top = float(np.abs(average[start:]).max())
    floor = max(noise, SMALLEST_SHARE * top / SEEN)
    beyond = np.flatnonzero(np.abs(average[start:]) > CLEAR_OF_NOISE * floor)
    if not len(beyond):
        return None
    first = start + int(beyond[0])
    sign = 1 if average[first] > 0 else -1
    if np.any(sign * average[max(first - 6 * width, start) : first] < -SEEN * floor):
        return None
    course = sign * average[first:]
    ends = np.flatnonzero(course <= 0)
    peak = int(np.argmax(course[: int(ends[0])])) if len(ends) else int(np.argmax(course))
    heights = sign * freed[:, first + peak]
    typical = float(np.median(heights) / max(heights.mean(), 1e-30))
    return _Swing(sign, float(course[peak]) / floor, int(np.count_nonzero(heights > 0)), typical)
