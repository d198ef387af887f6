"""Where a rail is first met by a tone that is distorted already when it reaches the amplifier.

A source that clips, or bends its wave, gives every step the same shape: THD is over the limit at all of them,
and tells no rail. What an amplifier's rail does is seen against that shape: it is learnt from the softer steps,
as harmonics, and held at rails until it makes the harmonics of a louder step.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis.rails import HARD, Knee, harmonics_of, held_half
from gainkit.levels import ratio_from_db
from gainkit.onset.steps import StepFit

Floats = NDArray[np.float64]
Phasors = NDArray[np.complex128]

LEAST_STEPS = 3
"""So many of the softest steps must have one shape to tell that it is the source's [-]."""

LEAST_SPAN_DB = 3.0
"""... over so many decibels: over less, a bend that grows with the level passes for one shape [dB]."""

ROUNDING_DB = 0.01
"""By which levels of steps may fall short of their span [dB]."""

ALIKE_NOISES, ALIKE_SHARE = 2.5, 0.1
"""Shapes are one when all their harmonics together differ by less than so many times what noise makes of them
[-], and by less than this share of them [-]."""

LEFT_SHARE = 0.1
"""Rails must leave less than this share of what sets a louder step's shape apart [-]."""

MOST_TOLD = 3
"""So many louder steps are asked: a deep rail tells its own place worse [-]."""

AGREE_DB = 0.3
"""Two louder steps that put the rail further apart than this do not tell it [dB]."""

POINTS = 512
"""Of one period [-]."""

KNEES = (HARD, *(Knee("algebraic", s) for s in (2.0, 4.0, 8.0)), Knee("exponential", 1.5))
"""Rails that are tried."""

DEEPEST_DB, SOFTEST_DB = 9.0, -3.0
FIRST_STRIDE_DB, LAST_STRIDE_DB = 1.0, 0.002
"""Between which overdrives of the crest, and in which strides, rails are looked for [dB]."""


@dataclass(frozen=True)
class DistortingSource:
    """A shape that does not move with the level.

    harmonics : (K,) of the tone from its crest, over the fundamental [-]. gain : fundamental at 0 dBFS
    [V peak]. steps : how many of the softest have it.
    """

    harmonics: Phasors
    gain: float
    steps: int

    @property
    def period(self) -> Floats:
        """One period from the fundamental's crest, for a fundamental of peak 1: (POINTS,)."""
        spectrum = np.zeros(POINTS // 2 + 1, dtype=np.complex128)
        spectrum[1 : len(self.harmonics) + 1] = self.harmonics * (POINTS / 2)
        return np.asarray(np.fft.irfft(spectrum, POINTS))


@dataclass(frozen=True)
class Met:
    """Where the rail is met: level [dBFS], output there [V rms], rail [V peak], and the step that tells it."""

    level_dbfs: float
    rms_volts: float
    rail_volts: float
    at: StepFit


def source_of(steps: Sequence[StepFit], limit_thd_percent: float) -> DistortingSource | None:
    """The shape that the softest steps share; None where they share none, or none over the limit.

    steps : judged, by rising level.
    """
    orders = min(len(step.harmonics) for step in steps)
    if orders < 2 or steps[0].thd_percent < limit_thd_percent:
        return None
    own = steps[:1]
    for step in steps[1:]:
        if not _alike(step, _mean_shape(own, orders)):
            break
        own = steps[: len(own) + 1]
    shape = _mean_shape(own, orders)
    # one soft step may be over the limit by its noise alone; that of all of them together is not
    span_db = own[-1].level_dbfs - own[0].level_dbfs
    if (
        len(own) < LEAST_STEPS
        or span_db < LEAST_SPAN_DB - ROUNDING_DB
        or 100 * float(np.linalg.norm(shape[1:])) < limit_thd_percent
    ):
        return None
    gain = float(np.median([abs(step.harmonics[0]) / ratio_from_db(step.level_dbfs) for step in own]))
    return DistortingSource(shape, gain, len(own))


def rail_met(steps: Sequence[StepFit], source: DistortingSource, limit_thd_percent: float) -> Met | None:
    """Where the source's shape first meets a rail, by the first louder steps whose shape is another; None where
    no step's is, where rails do not explain it, and where two of them disagree."""
    louder = of_another_shape(steps, source)[:MOST_TOLD]
    met_at = [met for step in louder if (met := _met_by(step, source, limit_thd_percent)) is not None]
    if not met_at or (len(met_at) > 1 and abs(met_at[0].level_dbfs - met_at[1].level_dbfs) > AGREE_DB):
        return None
    return met_at[min(1, len(met_at) - 1)]


def of_another_shape(steps: Sequence[StepFit], source: DistortingSource) -> list[StepFit]:
    """The louder steps that do not show the source's shape alone."""
    return [step for step in steps[source.steps :] if not _alike(step, source.harmonics)]


def _shape(step: StepFit) -> Phasors:
    return np.asarray(step.harmonics / abs(step.harmonics[0]))


def _mean_shape(steps: Sequence[StepFit], orders: int) -> Phasors:
    """Weighted by the power of each step: noise is the same on all of them."""
    weights = np.array([abs(step.harmonics[0]) ** 2 for step in steps])
    return np.asarray(np.average([_shape(step)[:orders] for step in steps], axis=0, weights=weights))


def _alike(step: StepFit, mean: Phasors) -> bool:
    """Whether a step has a shape, by all its harmonics together."""
    orders = len(mean)
    apart = float(np.linalg.norm((_shape(step)[:orders] - mean)[1:]))
    noise = float(np.linalg.norm(step.noise_peak[1:orders])) / abs(step.harmonics[0])
    return apart < math.hypot(ALIKE_NOISES * noise, ALIKE_SHARE * float(np.linalg.norm(mean[1:])))


def _met_by(step: StepFit, source: DistortingSource, limit_thd_percent: float) -> Met | None:
    """The same told by one step."""
    orders = len(source.harmonics)
    if len(step.harmonics) < orders:
        return None
    drive = source.gain * ratio_from_db(step.level_dbfs)
    wave = drive * source.period
    wanted = step.harmonics[:orders]
    apart = float(np.linalg.norm(wanted - drive * source.harmonics))
    best = min((_fitted(wave, wanted, knee) for knee in KNEES), key=lambda fit: fit[0] / fit[3])
    left, overdrive, knee, _ = best
    if left > LEFT_SHARE**0.5 * apart or (max(overdrive) <= 0 and knee is HARD):
        return None
    less_db = max(overdrive) + _before_rail_db(knee, limit_thd_percent)
    level = step.level_dbfs - less_db
    crest = float(np.abs(wave).max())
    softer = _held(wave * ratio_from_db(-less_db), crest, overdrive, knee)
    return Met(level, float(np.std(softer)), crest * ratio_from_db(-max(overdrive)), step)


def _before_rail_db(knee: Knee, limit_thd_percent: float) -> float:
    """By how much a clean sine stays under its rail where the bend alone makes the limit [dB]; 0 if hard."""
    if knee is HARD:
        return 0.0
    low, high = 0.0, 30.0
    while high - low > LAST_STRIDE_DB:
        middle = (low + high) / 2
        series = harmonics_of(-middle, -middle, knee, 20)
        over = 100 * float(np.linalg.norm(series[2:]) / abs(series[1])) > limit_thd_percent
        low, high = (middle, high) if over else (low, middle)
    return low


def _held(wave: Floats, crest: float, overdrive_db: tuple[float, float], knee: Knee) -> Floats:
    """A wave held at rails so far under a crest."""
    up, down = np.maximum(wave, 0) / crest, np.maximum(-wave, 0) / crest
    return crest * (held_half(up, overdrive_db[0], knee) - held_half(down, overdrive_db[1], knee))


def _fitted(wave: Floats, wanted: Phasors, knee: Knee) -> tuple[float, tuple[float, float], Knee, float]:
    """Overdrives of the crest at which a wave held at rails comes nearest to wanted harmonics: what is left [V
    peak], the overdrives [dB], the knee, and what a bent rail has to be better by [-]."""
    crest = float(np.abs(wave).max())

    def left(pair: tuple[float, float]) -> float:
        lines = np.fft.rfft(_held(wave, crest, pair, knee))[1 : len(wanted) + 1] * (2 / POINTS)
        turned = lines * np.exp(-1j * np.arange(1, len(wanted) + 1) * np.angle(lines[0]))
        return float(np.linalg.norm(turned - wanted))

    best = min(((d, d) for d in np.arange(SOFTEST_DB, DEEPEST_DB + 1, FIRST_STRIDE_DB)), key=left)
    cost, stride = left(best), FIRST_STRIDE_DB
    while stride > LAST_STRIDE_DB:
        moves = [
            (best[0] + stride * a, best[1] + stride * b)
            for a, b in itertools.product((-1, 0, 1), repeat=2)
            if min(best[0] + stride * a, best[1] + stride * b) >= SOFTEST_DB
            and max(best[0] + stride * a, best[1] + stride * b) <= DEEPEST_DB
        ]
        trial = min(moves, key=left)
        there = left(trial)
        if there < cost:
            best, cost = trial, there
        else:
            stride /= 2
    return cost, best, knee, 1.0 if knee is HARD else 0.7
