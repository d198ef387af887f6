"""Which sign the average pulse has, by all the answers that loudspeakers, crossovers, cabins and recorders
give.

Some thousand answers are drawn: box, crossover leg, upper end, microphone, echoes; each is minimum-phase but
for its echoes, and one-sided in time, so that its sign is that of its drive. Against the average pulse,
whitened by its own noise, each answer has a likelihood at every delay and with either sign; their sums are the
odds.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from gainkit.generator.pulses import LOBE_SECONDS
from gainkit.polarity.answers import Answers, LinearPhase, lobe
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


FIRST_STEP, STEP_FALLS = 0.15, 0.8
"""Answers that come near are varied by such a share of their figures, and by so much less each time [-]."""

KEPT, COPIES, ROUNDS = 30, 20, 6
"""So many of the nearest answers are kept, each varied so often, so many times."""


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
        likelihood = self.likelihood(likeness)
        top = float(likelihood.max())
        weights = np.exp(likelihood - top)
        positive, negative = (float(np.sum(weights, where=side)) for side in (likeness > 0, likeness < 0))
        return top + math.log(max(positive, 1e-300)), top + math.log(max(negative, 1e-300))

    def likelihood(self, likeness: Floats) -> Floats:
        """Of answers by the power that they explain [log]."""
        return np.asarray(-EFFECTIVE_SHARE * self.bins * np.log(1 - likeness**2 / self.power / (1 + MISMATCH)))

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
    """How much likelier the best answer of a sign is than the best of the other sign behind a high-pass of
    linear phase, whose sound begins before its first swing [log].

    Few of the drawn answers come near a sound that has both a loudspeaker's and such a filter's slope: the
    nearest of either kind are varied until they are as near as they come.
    """
    heard = _AverageSpectrum.of(train, band)
    return _best(heard, sign, ringing=False) - _best(heard, -sign, ringing=True)


def _best(heard: _AverageSpectrum, sign: int, *, ringing: bool) -> float:
    """Likelihood of the best answer of a sign [log]."""
    rng = np.random.default_rng(SEED)
    hz = np.arange(1, heard.bins + 1) / heard.drawn[1]
    likeness = np.max(sign * heard.likeness(_answers(*heard.drawn, ringing)), axis=1)
    nearest = np.argsort(likeness)[-KEPT:]
    answers, likeness, step = _drawn(heard.band, ringing).taken(nearest), likeness[nearest], FIRST_STEP
    for _ in range(ROUNDS):
        near = answers.taken(np.repeat(np.arange(len(likeness)), COPIES)).near(rng, step)
        answers = answers.joined(near)
        likeness = np.concatenate([likeness, np.max(sign * heard.likeness(near.spectra(hz)), axis=1)])
        nearest = np.argsort(likeness)[-KEPT:]
        answers, likeness, step = answers.taken(nearest), likeness[nearest], step * STEP_FALLS
    return float(heard.likelihood(likeness.max()))


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
def _drawn(band: str, ringing: bool) -> Answers:
    """The same ones always."""
    drawn = Answers.drawn(band, np.random.default_rng(SEED), ANSWERS[band])
    if not ringing:
        return drawn
    return dataclasses.replace(
        drawn, linear=LinearPhase.drawn(band, np.random.default_rng(SEED), ANSWERS[band])
    )


@lru_cache(maxsize=8)
def _answers(band: str, seconds: float, bins: int, ringing: bool = False) -> Phasors:
    """Spectra of the drawn answers, (answers, bins), at multiples of 1/seconds; each begins at time 0."""
    hz = np.arange(1, bins + 1) / seconds
    answers = _drawn(band, ringing).spectra(hz)
    if not ringing:
        answers[0] = lobe(band, hz)  # a wire in the loudspeaker's place: a self-check of track and recorder
    return np.asarray(answers.astype(np.complex64))
