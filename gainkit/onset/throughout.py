"""Where a rail is first met by a tone that is distorted already when it reaches the amplifier.

A source that clips, or bends its wave, gives every step the same shape: THD is over the limit at all of them,
and tells no rail. What an amplifier's rail does is seen against that shape: the source's harmonics, and the
rails that hold them, are found together from the harmonics of all steps.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis.rails import HARD, Knee, harmonics_of, held_half
from gainkit.levels import db_from_ratio, ratio_from_db
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
"""Rails must leave less than this share of the power of what sets the louder steps' shapes apart [-]."""

FROM_RAIL_ALONE = 0.1
"""... and less than this share of the power that rails alone leave, on a pure sine [-]."""

MOST_HELD_DB = 2.0
"""Steps are asked whose fundamental is held down by no more: a deep rail tells its own place worse [dB]."""

POINTS = 512
"""Of one period [-]."""

KNEES = (HARD, *(Knee("algebraic", s) for s in (2.0, 4.0, 8.0)), Knee("exponential", 1.5))
"""From which rails the search starts."""

SOFT_ADVANTAGE = 0.7
"""A bent rail must leave less than this share of what a hard one leaves [-]."""

STARTS_DB = (-0.25, -0.75, -1.5, -3.0, -5.0)
"""How far under the loudest step's crest rails are looked for first [dB]."""

ROUNDS = 8
"""So many times the source's own shape is corrected by what rails do to the softest steps; each leaves a small
share of what the last one did."""

CORRECTED = 1e-14
"""A correction of no more is rounding: nothing is left to correct [-]."""

LAST_STRIDE_DB = 0.002
"""How closely a bend is followed down to the limit [dB]."""


@dataclass(frozen=True)
class DistortingSource:
    """A shape that does not move with the level.

    harmonics : (K,) of the tone from its crest, over the fundamental [-]. steps : how many of the softest
    have it.
    """

    harmonics: Phasors
    steps: int


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
    return DistortingSource(shape, len(own))


def rail_met(steps: Sequence[StepFit], limit_thd_percent: float) -> Met | None:
    """Where a source's shape first meets a rail; None where the shapes of the steps are not told by one source
    over the limit and one pair of rails.

    steps : judged, by rising level. A soft rail bends the softest steps too: source and rails are found
    together, by least squares over the harmonics of all steps that are not deep in the rail.
    """
    orders = min(len(step.harmonics) for step in steps)
    if orders < 2 or steps[0].thd_percent < limit_thd_percent:
        return None
    ladder = _Ladder.of(steps, orders)
    if ladder is None:
        return None
    fits = [_fitted(ladder, knee) for knee in KNEES]
    best = min(fits, key=lambda fit: fit.left * (SOFT_ADVANTAGE if fit.knee is HARD else 1.0) ** 2)
    shape = ladder.shape(best)
    alone = _fitted(ladder, best.knee, pure=True)
    if (
        best.left > LEFT_SHARE * ladder.apart
        or best.left > FROM_RAIL_ALONE * alone.left
        or 100 * float(np.linalg.norm(shape[1:])) < limit_thd_percent
    ):
        return None
    met = _met(ladder, best, shape, limit_thd_percent)
    return met if met.level_dbfs <= steps[-1].level_dbfs else None


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


@dataclass(frozen=True)
class _SourceAtRails:
    """Rails of a fit.

    gain : fundamental at 0 dBFS before them [V peak]. volts : (positive, negative) [V peak]. pure : whether the
    source is a pure sine. left : squares that are left, each over its step's fundamental [-].
    """

    gain: float
    volts: tuple[float, float]
    knee: Knee
    pure: bool
    left: float = math.inf

    def held(self, period: Floats, drive: Floats) -> Floats:
        """A period of the source, (n,), behind them at each drive, (m,): (m, n) [V]."""
        sides = []
        for sign, rail in zip((1, -1), self.volts, strict=True):
            top = max(float(np.max(sign * period)), 1e-300)
            tops = self.gain * top * drive
            half = held_half(np.maximum(sign * period, 0) / top, db_from_ratio(tops / rail), self.knee)
            sides.append(tops[:, None] * half)
        return sides[0] - sides[1]


@dataclass(frozen=True)
class _Ladder:
    """What is fitted: steps, their drive [-], shapes (n, K) [-], and how many of the softest tell the source.

    apart : squares by which the other steps' shapes differ from those of the softest [-].
    """

    steps: Sequence[StepFit]
    drive: Floats
    shapes: Phasors
    fundamentals: Floats
    soft: int
    apart: float

    @staticmethod
    def of(steps: Sequence[StepFit], orders: int) -> _Ladder | None:
        """The steps that are not deep in a rail; None where they are too few to tell source from rail."""
        drive = np.array([ratio_from_db(step.level_dbfs) for step in steps])
        fundamentals = np.array([abs(step.harmonics[0]) for step in steps])
        gains = fundamentals / drive
        soft = sum(step.level_dbfs < steps[0].level_dbfs + LEAST_SPAN_DB + ROUNDING_DB for step in steps)
        soft = max(soft, LEAST_STEPS)
        if len(steps) < soft:
            return None
        told = gains > np.median(gains[:soft]) * ratio_from_db(-MOST_HELD_DB)
        count = len(steps) if told.all() else int(np.argmin(told))
        if count < soft:
            return None
        shapes = np.array([_shape(step)[:orders] for step in steps[:count]])
        mean = _mean_shape(steps[:soft], orders)
        apart = float(np.sum(np.abs(shapes - mean)[:, 1:] ** 2))
        return _Ladder(steps[:count], drive[:count], shapes, fundamentals[:count], soft, apart)

    def model(self, rails: _SourceAtRails, shape: Phasors, count: int) -> Phasors:
        """Harmonics of the softest steps, each from its fundamental's crest: (count, K) [V peak]."""
        period, orders = _period(shape), self.shapes.shape[1]
        lines = np.fft.rfft(rails.held(period, self.drive[:count]))[:, 1 : orders + 1] * (2 / POINTS)
        return np.asarray(lines * np.exp(-1j * np.arange(1, orders + 1) * np.angle(lines[:, :1])))

    def shape(self, rails: _SourceAtRails) -> Phasors:
        """Of the source, such that the softest steps are as measured behind these rails: (K,) [-]."""
        pure = np.zeros(self.shapes.shape[1], dtype=np.complex128)
        pure[0] = 1.0
        if rails.pure:
            return pure
        weights = self.fundamentals[: self.soft] ** 2
        shape = np.average(self.shapes[: self.soft], axis=0, weights=weights)
        for _ in range(ROUNDS):
            model = self.model(rails, shape, self.soft)
            missed = self.shapes[: self.soft] - model / np.abs(model[:, :1])
            correction = np.average(missed, axis=0, weights=weights)
            shape = shape + correction
            if np.linalg.norm(correction) < CORRECTED:
                break
        return np.asarray(shape)

    def misses(self, rails: _SourceAtRails) -> Floats:
        """What rails leave of all steps, each over its fundamental [-]."""
        model = self.model(rails, self.shape(rails), len(self.steps))
        missed = model / self.fundamentals[:, None] - self.shapes
        return np.concatenate([missed.real.ravel(), missed.imag.ravel()])


def _fitted(ladder: _Ladder, start: Knee, *, pure: bool = False) -> _SourceAtRails:
    """The rails of one kind that leave least."""
    from scipy.optimize import least_squares  # a third of a second to import, and few tracks need it

    gain = float(np.median(ladder.fundamentals[: ladder.soft] / ladder.drive[: ladder.soft]))
    shape = ladder.shapes[0] if not pure else np.eye(1, ladder.shapes.shape[1], dtype=np.complex128)[0]
    period = gain * ladder.drive[-1] * _period(shape)
    tops = np.array([float(np.max(period)), float(np.max(-period))])

    def rails_at(figures: Floats) -> _SourceAtRails:
        knee = start if start is HARD else start.moved(math.exp(float(figures[3])))
        up, down = np.exp(np.clip(figures[1:3], -30, 30)) * tops
        return _SourceAtRails(
            gain * math.exp(float(np.clip(figures[0], -3, 3))), (float(up), float(down)), knee, pure
        )

    def left(figures: Floats) -> float:
        return float(np.sum(ladder.misses(rails_at(figures)) ** 2))

    knee_figure = [] if start is HARD else [math.log(start.sharpness)]
    starts = [np.array([0.0, *(2 * [math.log(ratio_from_db(db))]), *knee_figure]) for db in STARTS_DB]
    first = min(starts, key=left)
    found = least_squares(lambda x: ladder.misses(rails_at(x)), first, x_scale="jac", max_nfev=60)
    return replace(rails_at(found.x), left=2 * float(found.cost))


def _met(ladder: _Ladder, rails: _SourceAtRails, shape: Phasors, limit_thd_percent: float) -> Met:
    """Where the crest comes to the nearer rail, or a bend alone would make the limit."""
    period = _period(shape)
    tops = float(np.max(period)), float(np.max(-period))
    most = min(rail / top for rail, top in zip(rails.volts, tops, strict=True)) / rails.gain
    level = db_from_ratio(most) - _before_rail_db(rails.knee, limit_thd_percent)
    rms_volts = float(np.std(rails.held(period, np.array([ratio_from_db(level)]))))
    louder = [step for step in ladder.steps if step.level_dbfs >= level]
    return Met(level, rms_volts, min(rails.volts), louder[0] if louder else ladder.steps[-1])


def _period(shape: Phasors) -> Floats:
    """One period from the fundamental's crest, for a fundamental of peak 1: (POINTS,)."""
    spectrum = np.zeros(POINTS // 2 + 1, dtype=np.complex128)
    spectrum[1 : len(shape) + 1] = shape * (POINTS / 2)
    return np.asarray(np.fft.irfft(spectrum, POINTS))
