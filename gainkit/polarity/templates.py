"""Which sign the average pulse has, by all the answers that loudspeakers, crossovers, cabins and recorders
give.

Some thousand answers are drawn: box, crossover leg, upper end, microphone, echoes; each is minimum-phase but
for its echoes, and one-sided in time, so that its sign is that of its drive. Against the average pulse,
whitened by its own noise, each answer has a likelihood at every delay and with either sign; their sums are the
odds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from gainkit.generator.pulses import LOBE_SECONDS
from gainkit.polarity.train import Train

Floats = NDArray[np.float64]
Phasors = NDArray[np.complex128]

ANSWERS = {"bass": 8192, "midrange": 4096, "treble": 2048}
"""So many answers are drawn for each train [-]: the boxes and legs of bass shape all that is heard."""

SEED = 20
"""... always the same ones."""

TOP_OF_LOBE = 4.0
"""A pulse is looked at up to this over its length [-]: what it holds above is 50 dB down (closed form)."""

BEFORE_SECONDS = {"bass": 0.068, "midrange": 0.026, "treble": 0.0015}
AFTER_SECONDS = {"bass": 0.086, "midrange": 0.037, "treble": 0.001}
"""The average is looked at from so long before a pulse's arrival to so long after it [s]. Of treble the direct
sound alone: echoes come many of its pulses later, and no drawn answer has them in the right places."""

ONSET_BANDS = frozenset({"treble"})
ONSET_SHARE = 0.5
"""Where the look is that short, the arrival is told anew: where the sound, its power over a lobe, first reaches
this share of its strongest [-]."""

ONSET_BEFORE_SECONDS, ONSET_AFTER_SECONDS = 0.01, 0.03
"""... within so much of the arrival that the train tells [s]."""

LATE_LOBES = 2.0
"""The arrival is told to within so many lobes: an answer may begin so much later [lobes]."""

OVERSAMPLED = 4
"""Delays are tried so many times finer than the highest frequency's period over two [-]."""

EFFECTIVE_SHARE = 0.6
"""Bins that count as if they were free: no drawn answer is quite the right one, and what it misses is alike
from bin to bin [-]. Chosen on simulated scenes so that confidences come true."""


LEAST_POWER = 1.4
"""The average must hold so many times the noise that is left in it [-]: beneath there is no sound to tell of,
but one or two loud clicks among noise."""

MISMATCH = 0.1
"""Share of the power that even the right answer among those drawn may miss [-]: more than it is not held
against another."""


@dataclass(frozen=True)
class CornerRange:
    """Corners are drawn between these frequencies, evenly in octaves [Hz]."""

    low: float
    high: float


@dataclass(frozen=True)
class TemplateFamily:
    """What the loudspeakers meant for a train are like. box : high-pass. leg : of a crossover's high-pass. top
    : of its low-pass. upper : of the driver."""

    box: CornerRange
    leg: CornerRange
    top: CornerRange
    upper: CornerRange


FAMILIES = {
    "bass": TemplateFamily(
        CornerRange(20, 120), CornerRange(20, 150), CornerRange(50, 600), CornerRange(150, 6000)
    ),
    "midrange": TemplateFamily(
        CornerRange(50, 400), CornerRange(60, 700), CornerRange(1000, 6000), CornerRange(3000, 15_000)
    ),
    "treble": TemplateFamily(
        CornerRange(400, 2000), CornerRange(1200, 7000), CornerRange(8000, 30_000), CornerRange(14_000, 30_000)
    ),
}
MICROPHONE = CornerRange(15, 200)
"""Loudspeakers and recorders of the trade, common practice, no source; the drawn ones go a little further."""

VOICE = CornerRange(100, 400)
VOICE_SHARE = 0.25
"""Recorders for voice cut below a corner there [Hz] with fourth order; so many of the drawn ones do [-] (common
practice, no source)."""

LINEAR = {"bass": CornerRange(30, 200), "midrange": CornerRange(60, 700), "treble": CornerRange(800, 7000)}
LINEAR_ORDERS = (2, 4, 4, 8, 16)
STEEP_WIDTHS = 0.05, 0.5
"""High-passes of linear phase, as processors and players offer them: corners [Hz], orders of the slope [-], and
half widths of steep ones over the corner [-] (common practice, no source)."""

BUTTERWORTH = 0.541, 1.307
"""Qualities of the two halves of a Butterworth filter of fourth order [-] (closed form)."""

ORDERS = (0, 0, 0, 1, 2, 2, 3, 4, 4)
"""Orders of a crossover's legs, as often as they are met: none often, second and fourth more than others
[-]."""

MOST_ECHOES, ECHO_DECAY_SECONDS = 24, 0.008
LATEST_ECHO_SECONDS = {"bass": 0.025, "midrange": 0.025, "treble": 0.0012}


@dataclass(frozen=True)
class Odds:
    """log_odds : of positive over negative [-]. misfit : share of the sound, its noise taken off, that not even
    the best answer explains [-].
    likeness : of each pulse to the sum of the others, whitened (pulses,): positive where they resemble."""

    log_odds: float
    misfit: float
    likeness: Floats


@dataclass(frozen=True)
class _AverageSpectrum:
    """The average of a train at the frequencies that its pulse holds. spectra : of each pulse, (pulses, bins).
    noise : power left in the average, (bins,). seconds : how much is looked at; latest : an answer begins
    before [s]."""

    spectra: Phasors
    noise: Floats
    band: str
    seconds: float
    latest: float

    @classmethod
    def of(cls, train: Train, band: str) -> _AverageSpectrum:
        lobe = LOBE_SECONDS[band]
        arrival = _onset(train, lobe) if band in ONSET_BANDS else train.arrival
        before = min(round(BEFORE_SECONDS[band] * train.rate), arrival)
        after = min(round(AFTER_SECONDS[band] * train.rate), train.rows.shape[1] - arrival)
        rows = train.rows[:, arrival - before : arrival + after] * _taper(before + after)
        seconds = rows.shape[1] / train.rate
        bins = min(int(TOP_OF_LOBE / lobe * seconds), rows.shape[1] // 2)
        spectra = np.fft.rfft(rows, axis=1)[:, 1 : bins + 1]
        average = spectra.mean(axis=0)
        noise = _smooth(np.mean(np.abs(spectra - average) ** 2, axis=0) / (len(rows) - 1))
        noise = np.maximum(noise, 1e-7 * np.max(np.abs(average) ** 2))
        return cls(spectra, noise, band, seconds, before / train.rate + LATE_LOBES * lobe)

    @property
    def bins(self) -> int:
        return int(self.spectra.shape[1])

    @cached_property
    def white(self) -> Phasors:
        """The average over its noise, (bins,)."""
        return np.asarray(self.spectra.mean(axis=0) / np.sqrt(self.noise))

    @cached_property
    def power(self) -> float:
        return float(np.sum(np.abs(self.white) ** 2))

    def likeness(self, answers: Phasors) -> Floats:
        """Of the average to each answer at every delay, (answers, delays): its square is the power that the
        answer explains."""
        answers = answers / np.sqrt(self.noise)
        answers /= np.sqrt(np.sum(np.abs(answers) ** 2, axis=1, keepdims=True))
        size = 2 * OVERSAMPLED * self.bins
        padded = np.zeros((len(answers), size // 2 + 1), dtype=np.complex64)
        padded[:, 1 : self.bins + 1] = np.conj(answers) * self.white
        delays = round(size * self.latest / self.seconds)
        return np.fft.irfft(padded, size, axis=1)[:, :delays] * (size / 2)

    def evidence(self, likeness: Floats) -> tuple[float, float]:
        """For either sign, positive first, of what answers explain [log]."""
        likelihood = -EFFECTIVE_SHARE * self.bins * np.log(1 - likeness**2 / self.power / (1 + MISMATCH))
        top = float(likelihood.max())
        weights = np.exp(likelihood - top)
        positive, negative = (float(np.sum(weights, where=side)) for side in (likeness > 0, likeness < 0))
        return top + math.log(max(positive, 1e-300)), top + math.log(max(negative, 1e-300))

    @property
    def drawn(self) -> tuple[str, float, int]:
        """What answers are drawn for."""
        return self.band, round(self.seconds * 1e5) / 1e5, self.bins


def odds_of(train: Train, band: str) -> Odds:
    """The odds of either sign, from the average of a train."""
    heard = _AverageSpectrum.of(train, band)
    likeness = heard.likeness(_answers(*heard.drawn))
    positive, negative = heard.evidence(likeness)
    log_odds = positive - negative if heard.power >= LEAST_POWER * heard.bins else 0.0
    left = heard.power - float(np.square(likeness).max())
    misfit = (left - heard.bins) / max(heard.power - heard.bins, 1e-300)
    others = np.sum(heard.spectra, axis=0) - heard.spectra
    alike = np.real(np.sum(heard.spectra * np.conj(others) / heard.noise, axis=1))
    return Odds(log_odds, misfit, np.asarray(alike))


def odds_over_ringing(train: Train, band: str, sign: int) -> float:
    """The odds of a sign over the other one behind a high-pass of linear phase, whose sound begins before its
    first swing [log]."""
    heard = _AverageSpectrum.of(train, band)
    causal = heard.evidence(heard.likeness(_answers(*heard.drawn)))
    ringing = heard.evidence(heard.likeness(_ringing_answers(*heard.drawn)))
    return causal[0] - ringing[1] if sign > 0 else causal[1] - ringing[0]


def _onset(train: Train, lobe: float) -> int:
    """Where the average of a train becomes strong [frame]."""
    start = max(train.arrival - round(ONSET_BEFORE_SECONDS * train.rate), 0)
    average = train.rows[:, start : train.arrival + round(ONSET_AFTER_SECONDS * train.rate)].mean(axis=0)
    width = max(round(lobe * train.rate), 1)
    power = np.convolve(average**2, np.full(width, 1.0 / width), "same")
    return start + int(np.argmax(power > ONSET_SHARE**2 * power.max()))


def _taper(frames: int) -> Floats:
    """Even but for a raised cosine over the first and last tenths, (frames,)."""
    edge = frames // 10
    shape = np.ones(frames)
    shape[:edge] = 0.5 - 0.5 * np.cos(np.pi * (np.arange(edge) + 0.5) / edge)
    shape[-edge:] = shape[:edge][::-1]
    return shape


def _smooth(power: Floats) -> Floats:
    """Power over neighbouring bins, (bins,): a tenth of the frequency to either side."""
    total = np.concatenate([[0.0], np.cumsum(power)])
    number = np.arange(len(power))
    half_width = np.maximum(number // 10, 2)
    low, high = np.maximum(number - half_width, 0), np.minimum(number + half_width + 1, len(power))
    return np.asarray((total[high] - total[low]) / (high - low))


@lru_cache(maxsize=8)
def _answers(band: str, seconds: float, bins: int) -> Phasors:
    """Spectra of the drawn answers, (answers, bins), at multiples of 1/seconds; each begins at time 0."""
    rng = np.random.default_rng(SEED)
    count = ANSWERS[band]
    family = FAMILIES[band]
    hz = np.arange(1, bins + 1) / seconds

    def corners(span: CornerRange) -> Floats:
        return np.exp(rng.uniform(math.log(span.low), math.log(span.high), (count, 1)))

    answer = np.repeat(_lobe(band, hz)[None, :], count, axis=0)
    box = corners(family.box)
    quality = rng.uniform(0.5, 1.4, (count, 1))
    answer *= _high(hz / box, quality)
    vented = rng.random((count, 1)) < 0.4
    answer *= np.where(
        vented, _high(hz / (box * rng.uniform(0.7, 1.1, (count, 1))), rng.uniform(0.6, 1.4, (count, 1))), 1
    )
    for span, high in ((family.leg, True), (family.top, False)):
        ratio = hz / corners(span)
        order = rng.choice(ORDERS, (count, 1))
        soft = rng.uniform(0.5, 1.0, (count, 1))
        first = _first(ratio, high)
        second = _high(ratio, soft) if high else _low(ratio, soft)
        answer *= (
            np.where(order % 2 == 1, first, 1)
            * np.where(order >= 2, second, 1)
            * np.where(order == 4, second, 1)
        )
    answer *= _low(hz / corners(family.upper), 0.7)
    ratio = hz / corners(MICROPHONE)
    answer *= np.where(rng.random((count, 1)) < 0.5, _first(ratio, True), _high(ratio, 0.7))
    ratio = hz / corners(VOICE)
    voice = _high(ratio, BUTTERWORTH[0]) * _high(ratio, BUTTERWORTH[1])
    answer *= np.where(rng.random((count, 1)) < VOICE_SHARE, voice, 1)
    answer *= _echoes(hz, count, LATEST_ECHO_SECONDS[band], rng)
    answer[0] = _lobe(band, hz)  # a wire in the loudspeaker's place: a self-check of track and recorder
    return np.asarray(answer.astype(np.complex64))


@lru_cache(maxsize=8)
def _ringing_answers(band: str, seconds: float, bins: int) -> Phasors:
    """As `_answers`, each behind a high-pass of linear phase: half of them with the slopes of a Butterworth
    filter, half steep as designed by a window."""
    answers = _answers(band, seconds, bins)[1:]
    rng = np.random.default_rng(SEED)
    span, count = LINEAR[band], (len(answers), 1)
    hz = np.arange(1, bins + 1) / seconds
    corner = np.exp(rng.uniform(math.log(span.low), math.log(span.high), count))
    order = rng.choice(LINEAR_ORDERS, count)
    narrowest, widest = STEEP_WIDTHS
    width = corner * np.exp(rng.uniform(math.log(narrowest), math.log(widest), count))
    steep = 0.5 + 0.5 * np.tanh((hz - corner) / width)
    sloped = 1 / np.sqrt(1 + (corner / hz) ** (2 * order))
    shape = np.where(rng.random(count) < 0.5, sloped, steep)
    return np.asarray((answers * shape).astype(np.complex64))


def _echoes(hz: Floats, count: int, latest: float, rng: np.random.Generator) -> Phasors:
    """1 and what echoes add, (answers, bins); each has lost some treble."""
    total = np.zeros((count, len(hz)), dtype=np.complex128)
    echoes = rng.integers(0, MOST_ECHOES, (count, 1))
    strength = rng.uniform(0.0, 0.7, (count, 1))
    for number in range(MOST_ECHOES):
        delay = rng.uniform(0.0003, latest, (count, 1))
        gain = strength * rng.uniform(0.2, 1.0, (count, 1)) * np.exp(-delay / ECHO_DECAY_SECONDS)
        gain *= rng.choice([1.0, 1.0, 1.0, -1.0], (count, 1))
        has = number < echoes[:, 0]
        turn = np.exp(-2j * np.pi * hz[0] * delay[has])  # from one multiple of the lowest frequency to the next
        total[has] += gain[has] * np.cumprod(np.broadcast_to(turn, (len(turn), len(hz))), axis=1)
    return 1 + _first(hz / 5000.0, False) * total


def _lobe(band: str, hz: Floats) -> Phasors:
    """Spectrum of a raised cosine that begins at time 0 (closed form)."""
    turns = hz * LOBE_SECONDS[band]
    shape = np.sinc(turns) + 0.5 * np.sinc(turns - 1) + 0.5 * np.sinc(turns + 1)
    return np.asarray(shape * np.exp(-1j * np.pi * turns))


def _first(ratio: Floats, high: bool) -> Phasors:
    return np.asarray((1j * ratio if high else 1) / (1 + 1j * ratio))


def _high(ratio: Floats, quality: Floats | float) -> Phasors:
    return np.asarray(-(ratio**2) / (1 - ratio**2 + 1j * ratio / quality))


def _low(ratio: Floats, quality: Floats | float) -> Phasors:
    return np.asarray(1 / (1 - ratio**2 + 1j * ratio / quality))
