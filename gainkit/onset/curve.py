"""The amplifier's own curve from a coarse quantiser: all steps together see what none of them sees alone.

An oscilloscope of 8 bits tells of every reading only between which two thresholds it lies. But an amplifier
without memory crosses a threshold at the same input whatever the level, and the input is known: a sine of the
played level, at the phase of the recorded tone. So the readings of all steps are pooled, and each threshold
gets the input that as many of them stay below as below the threshold (order statistics of a monotone curve:
P(y < t) = P(x < f^-1(t))). Between the thresholds the curve is monotone and smooth (Fritsch and Carlson,
Monotone Piecewise Cubic Interpolation, 1980), and THD is that of a sine through it. The quantiser's harmonics,
which go their own way at every step, are no part of it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis.harmonic import NYQUIST_SHARE, refine
from gainkit.analysis.quantised import quantiser_step
from gainkit.capture.model import Capture
from gainkit.levels import ratio_from_db
from gainkit.onset.knee import FARTHEST_DB, Crossing
from gainkit.onset.steps import StepFit

Floats = NDArray[np.float64]

MOST_FRAMES = 1 << 15
"""Readings of one step that are pooled, at most [samples]."""

ORDERS = 20
"""Of the fit that tells the tone's phase and what is no harmonic of it [-]."""

LEAST_STEPS = 6
LEAST_THRESHOLDS = 12
"""So many steps, and so many thresholds that they cross, tell a curve [-]."""

MOST_NOISE_STEPS = 0.5
"""Readings that a sine and its harmonics leave so much of [steps rms] are noisy enough to see between the
thresholds by their mean: least squares does better (0.289 is the quantiser alone)."""

MOST_MISSED = 1.2
"""A curve misses the readings of no step by more than so many times what free harmonics leave of them [-]: else
it has a memory, moves, or is a source's distortion."""

GROUPS = 4
STUDENT = 3.18
"""The onset is found without each of so many groups of steps in turn (jackknife; Efron and Tibshirani, An
Introduction to the Bootstrap, 1993, ch. 11), and its deviation widened by Student's t of 95 % for three degrees
of freedom [-]."""

FLOOR_DB = 0.02
"""No curve tells an onset more closely [dB]: what half of its thresholds move it by may be small by chance."""

POINTS = 1024
"""Of the period whose THD is reckoned [-]."""

CLEARLY = 0.8
"""By such a share nearer a curve must tell an onset than single steps do [-]."""

MARCH_DB = 0.1
NARROWED_DB = 1e-4
"""The onset is looked for in such strides from the loudest step, then narrowed to so much [dB]."""


@dataclass(frozen=True)
class Told:
    """crossing : where the curve meets the limit. within_db : to either side, with 95 % [dB]."""

    crossing: Crossing
    within_db: float

    def nearer_than(self, other: Crossing | None, within_db: float | None) -> bool:
        """Whether it is surer than what single steps tell. A curve has no filter that takes its harmonics; and
        where softer steps seem to be distorted by something else, it shows that the quantiser does it."""
        if other is None or within_db is None or other.at_rail:
            return other is None or other.at_rail
        return not other.filtered and self.within_db < CLEARLY * within_db


@dataclass(frozen=True)
class _Step:
    """Readings of one step, (frames,): the input at each, 1 for digital full scale [-], and what was read [V];
    left_volts : what harmonics leave of it [V rms]."""

    level_dbfs: float
    played: Floats
    read: Floats
    left_volts: float


@dataclass(frozen=True)
class _Curve:
    """Thresholds that are crossed, (n,): at which input [-], and how high they stand [V]."""

    played: Floats
    volts: Floats

    def thinned(self, first: int) -> _Curve:
        """With every other threshold."""
        return _Curve(self.played[first::2], self.volts[first::2])

    def beyond(self, step_volts: float) -> _Curve:
        """Gone on straight as far as the next thresholds, which are not crossed."""
        first, last = (step_volts / slope for slope in (np.diff(self.volts) / np.diff(self.played))[[0, -1]])
        played = [self.played[0] - first, *self.played, self.played[-1] + last]
        volts = [self.volts[0] - step_volts, *self.volts, self.volts[-1] + step_volts]
        return _Curve(np.array(played), np.array(volts))

    def at(self, played: Floats) -> Floats:
        """Output for inputs, as far as thresholds go, and held from there on [V]."""
        from scipy.interpolate import PchipInterpolator

        inside = np.clip(played, self.played[0], self.played[-1])
        return np.asarray(PchipInterpolator(self.played, self.volts)(inside))


def by_curve(
    capture: Capture,
    parts: Sequence[tuple[float, float]],
    fits: Sequence[StepFit],
    channel: int,
    limit_thd_percent: float,
) -> Told | None:
    """The onset that the curve behind a coarse quantiser tells; None where there is none, or it tells nothing.

    parts : start and stop of each step in the recording [s]; fits : of the same steps.
    """
    coarse = [(part, fit) for part, fit in zip(parts, fits, strict=True) if fit.judged and fit.blur_volts]
    if len(coarse) < LEAST_STEPS:
        return None
    steps = [_read(capture, part, fit, channel) for part, fit in coarse]
    step_volts = quantiser_step(np.concatenate([step.read for step in steps]))
    if step_volts is None or any(step.left_volts > MOST_NOISE_STEPS * step_volts for step in steps):
        return None
    curve = _curve(steps, step_volts)
    if curve is None or not all(_tells(curve, step, step_volts) for step in steps):
        return None
    beyond = sorted((fit for _, fit in coarse), key=lambda fit: fit.level_dbfs)
    limit = _Limit(beyond[-1].level_dbfs, min(fit.orders for fit in beyond), limit_thd_percent)
    found = _between(limit, steps, curve, step_volts)
    if found is None:
        return None
    level, within_db = found
    at = next(fit for fit in beyond if fit.level_dbfs >= level)
    volts, below = float(np.std(_period(curve, level))), level < beyond[0].level_dbfs
    return Told(Crossing(level, volts, at, extrapolated=below, by_shape=at.rails is not None), within_db)


def _between(
    limit: _Limit, steps: Sequence[_Step], curve: _Curve, step_volts: float
) -> tuple[float, float] | None:
    """The onset [dBFS], and how near the truth lies with 95 % [dB]; None where not every part tells one.

    Asked without a part of the steps each, with half of the thresholds, and with a rail anywhere between the
    last threshold that is crossed and the next.
    """
    without = [_curve([s for n, s in enumerate(steps) if n % GROUPS != g], step_volts) for g in range(GROUPS)]
    of_steps = [limit.met_by(each) for each in without]
    thinned = [limit.met_by(curve.thinned(first)) for first in (0, 1)]
    nearest, farthest = limit.met_by(curve), limit.met_by(curve.beyond(step_volts))
    if nearest is None or farthest is None:
        return None
    jackknife = [each for each in of_steps if each is not None]
    moved = [abs(each - nearest) for each in thinned if each is not None]
    if len(jackknife) < GROUPS or len(moved) < 2:
        return None
    deviation_db = math.sqrt((GROUPS - 1) * float(np.var(jackknife)))
    within_db = math.hypot(STUDENT * deviation_db, max(moved), (farthest - nearest) / 2, FLOOR_DB)
    return (nearest + farthest) / 2, within_db


def _read(capture: Capture, part: tuple[float, float], fit: StepFit, channel: int) -> _Step:
    """Readings of one step, with the input that stands behind each."""
    rate = capture.sample_rate_hz
    start, stop = (round(seconds * rate) for seconds in part)
    start, stop = max(start, 0), min(stop, capture.frames)
    spare = max(stop - start - MOST_FRAMES, 0) // 2
    read = capture.volts(start + spare, stop - spare, channel=channel)
    angular = 2 * np.pi * fit.frequency_hz / rate
    orders = min(ORDERS, int(NYQUIST_SHARE * rate / fit.frequency_hz))
    wave = refine(read, angular, orders)
    index = np.arange(len(read)) - (len(read) - 1) / 2
    played = ratio_from_db(fit.level_dbfs) * np.cos(wave.angular * index + np.angle(wave.phasors[0]))
    return _Step(fit.level_dbfs, played, read, float(np.sqrt(np.mean(wave.residual**2))))


def _curve(steps: Sequence[_Step], step_volts: float) -> _Curve | None:
    """The thresholds that the readings cross; None where they are too few."""
    played = np.sort(np.concatenate([step.played for step in steps]))
    read = np.concatenate([step.read for step in steps])
    lowest = float(read.min())
    codes = np.rint((read - lowest) / step_volts).astype(np.int64)
    below = np.cumsum(np.bincount(codes))[:-1]
    below = below[np.diff(below, prepend=0) > 0]
    volts = lowest + (np.flatnonzero(np.bincount(codes))[: len(below)] + 0.5) * step_volts
    inputs = (played[below - 1] + played[below]) / 2
    rising = np.diff(inputs, prepend=-np.inf) > 0
    return _Curve(inputs[rising], volts[rising]) if rising.sum() >= LEAST_THRESHOLDS else None


def _tells(curve: _Curve, step: _Step, step_volts: float) -> bool:
    """Whether a curve leaves hardly more of a step's readings than free harmonics do."""
    told = curve.at(step.played)
    told[step.played > curve.played[-1]] += step_volts / 2
    told[step.played < curve.played[0]] -= step_volts / 2
    missed = float(np.sqrt(np.mean((step.read - told) ** 2)))
    return missed < MOST_MISSED * max(step.left_volts, step_volts / math.sqrt(12))


def _period(curve: _Curve, level_dbfs: float) -> Floats:
    """One period of a sine through a curve, (points,) [V]."""
    phase = 2 * np.pi * (np.arange(POINTS) + 0.5) / POINTS
    return curve.at(ratio_from_db(level_dbfs) * np.sin(phase))


@dataclass(frozen=True)
class _Limit:
    """top_dbfs : the loudest step. orders : counted in THD. thd_percent : the limit."""

    top_dbfs: float
    orders: int
    thd_percent: float

    def met_by(self, curve: _Curve | None) -> float | None:
        """Where THD falls below the limit on the way down from the loudest step [dBFS]; None where never."""
        if curve is None or not self._over(curve, self.top_dbfs):
            return None
        high, low = self.top_dbfs, self.top_dbfs - MARCH_DB
        while self._over(curve, low):
            high, low = low, low - MARCH_DB
            if low < self.top_dbfs - FARTHEST_DB:
                return None
        while high - low > NARROWED_DB:
            middle = (low + high) / 2
            low, high = (low, middle) if self._over(curve, middle) else (middle, high)
        return (low + high) / 2

    def _over(self, curve: _Curve, level_dbfs: float) -> bool:
        lines = np.abs(np.fft.rfft(_period(curve, level_dbfs)))[1 : self.orders + 1]
        return bool(100 * np.linalg.norm(lines[1:]) >= self.thd_percent * lines[0])
