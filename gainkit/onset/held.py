"""Where a level begins to be held, by the fundamental alone: a filter behind a rail takes harmonics, not this.

The fundamental of a sine at a rail stays behind its level by a share that the rail's shape gives (the
describing function of a limiter; Gelb and Vander Velde, Multiple-Input Describing Functions, 1968, from memory;
it is order 1 of `gainkit.analysis.rails`). A linear filter behind the rail turns and scales it by the same
figure at every step. So the levels alone tell rails from limiters, and where each of them begins, whatever the
harmonics say.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis.rails import HARD, MOST_ORDERS, Knee, Knees, held_harmonics
from gainkit.levels import SINE_CREST, db_from_ratio, ratio_from_db
from gainkit.onset.knee import Crossing
from gainkit.onset.steps import StepFit

Floats = NDArray[np.float64]

LEAST_HELD_DB = 0.3
"""A fundamental that stays behind by less tells nothing of what holds it [dB]: supplies and warm amplifiers
move gains by a tenth."""

MOST_OF_BEND = 5.0
"""By how many times its THD a curve without a filter holds the fundamental at most [-]: a cube law by 3, a
curve of u |u| by 5, a hard rail by 0.6 (their Fourier series). More than that was held with its harmonics taken
away, or by no curve at all."""

SMOOTHED = 1.3
"""Harmonics are taken away where every curve that holds the fundamental so would make so much more [-]."""

LEAST_STEPS = 4
"""So many steps tell a law [-]."""

SOFTEST_STEPS = 3
"""The gain is first told by so many of the softest steps [-]."""

STEP_DB = 0.01
"""Standard deviation of a step's level beside its noise [dB]: supplies and warmth."""

FITS_DB = 0.06
"""A law that misses the steps by more than this (rms) is not theirs [dB]."""

BETTER = 4.0
"""One law is believed over the other when it leaves so many times less [-] ..."""

NO_WORSE = 9.0
"""Shapes whose sum of squares, over what the best leaves a step, is worse by less than this fit as well [-]:
three standard deviations."""

DEEPEST_DB, SHALLOWEST_DB, GRID_DB = 40.0, -30.0, 0.01
"""Overdrives over which a shape's law is laid out, and how finely [dB]."""

LEAST_WITHIN_DB = 0.15
"""No rail is told more closely by levels alone [dB]: between two shapes that are tried it moves by a tenth."""

NEAR_DB = 8.0
"""A shape is laid out finely so near to its rail, and farther off it runs straight or hardly bends [dB]."""

PLACES = 400
"""A law is tried at so many places along the staircase, then more narrowly three times [-]."""

SLOPES = (0.0, 0.05, 0.1, 0.15, 0.2, 0.25, 0.33, 0.4, 0.5, 0.6)
KNEE_WIDTHS_DB = (0.0, 3.0, 6.0, 10.0)
"""Of limiters: decibels that come through for each beyond the threshold [-], and over how much they bend
[dB]."""

Law = Literal["rail", "limiter", "either"]


@dataclass(frozen=True)
class Held:
    """What holds a level that rises, told by the fundamental.

    law : a rail, a limiter, or one of them. from_dbfs : of the tone where the holding begins; for a rail where
    THD before any filter reaches the limit [dBFS]. within_db : to either side of it [dB]. rms_volts : output
    there [V rms]. rail_rms_volts : of a sine whose crest stands at the rail, as it comes through the filter [V
    rms]. at : first step that is held.
    """

    law: Law
    from_dbfs: float
    within_db: float
    rms_volts: float
    rail_rms_volts: float
    at: StepFit


@dataclass(frozen=True)
class _Shape:
    """How far the fundamental stays behind, (grid,) [dB] over the level's place [dB].

    limit_db : place at which THD is at the limit [dB]. knee, apart_db : of a rail, and by how much the other
    lies farther out [dB].
    """

    behind: Floats
    limit_db: float
    knee: Knee = HARD
    apart_db: float = 0.0


@dataclass(frozen=True)
class _Fit:
    """A shape laid through the steps: its place and the gain there [dB], and what it leaves in standard
    deviations, squared and summed [-]."""

    shape: _Shape
    place_dbfs: float
    gain_db: float
    left: float


def held_without_harmonics(usable: Sequence[StepFit], limit_thd_percent: float) -> Held | None:
    """What holds the level where the harmonics do not tell it; None where they do, and where nothing is held.

    usable : judged, by rising level.
    """
    if len(usable) < LEAST_STEPS:
        return None
    gains = _gains(usable)
    start = float(np.median(gains[:SOFTEST_STEPS]))
    behind = start - gains
    if not _may_be_smoothed(usable[-1], float(behind[-1])):
        return None
    levels = np.array([fit.level_dbfs for fit in usable])
    noise = np.array([_deviation_db(fit) for fit in usable])
    rails = _fits(_rail_shapes(limit_thd_percent), levels, gains, noise)
    if not _smoothed(usable[-1], float(behind[-1]), rails, noise):
        return None
    limiters = _fits(_limiter_shapes(), levels, gains, noise)
    return _told(usable, rails, limiters, behind, noise)


def not_later(crossing: Crossing | None, held: Held | None) -> Crossing | None:
    """Where THD meets the limit, if the level is not held before that: at a rail before a filter then, or
    nowhere that is known."""
    if held is None or (crossing is not None and crossing.level_dbfs <= held.from_dbfs):
        return crossing
    if held.law != "rail":
        return None
    rail_volts = SINE_CREST * held.rail_rms_volts
    return Crossing(held.from_dbfs, held.rms_volts, held.at, filtered=True, rail_volts=rail_volts)


def _gains(usable: Sequence[StepFit]) -> Floats:
    """Fundamental over level of each step, (n,) [dB re 1 V rms at 0 dBFS]."""
    return np.array([db_from_ratio(fit.fundamental_volts) - fit.level_dbfs for fit in usable])


def _deviation_db(fit: StepFit) -> float:
    """Standard deviation of a step's level [dB]."""
    noise = float(fit.noise_peak[0]) / (math.sqrt(2) * max(fit.fundamental_volts, 1e-300))
    return math.hypot(STEP_DB, 20 / math.log(10) * noise / math.sqrt(2))


def _may_be_smoothed(loudest: StepFit, behind_db: float) -> bool:
    """Whether a step has fewer harmonics than a hard rail would make that holds it so; no curve has more."""
    if behind_db < LEAST_HELD_DB or loudest.crossover:
        return False
    depths = np.linspace(0.0, DEEPEST_DB, PLACES)
    series = held_harmonics(np.stack([depths, depths], axis=1), Knees.of([HARD] * PLACES), MOST_ORDERS // 2)
    at = int(np.argmax(-20 * np.log10(np.abs(series[:, 1])) >= behind_db))
    hard = 100 * float(np.linalg.norm(series[at, 2 : loudest.orders + 1]) / abs(series[at, 1]))
    return SMOOTHED * loudest.thd_percent < hard


def _smoothed(loudest: StepFit, behind_db: float, rails: list[_Fit], noise: Floats) -> bool:
    """Whether every curve that holds the steps so would make more THD than the loudest has; where none of them
    does, whether no curve would."""
    if min(rails, key=_left).left > _most_left(noise):
        return 100 * (1 - ratio_from_db(-behind_db)) > MOST_OF_BEND * loudest.thd_percent
    return all(SMOOTHED * loudest.thd_percent < _thd_at(fit, loudest) for fit in _alike(rails, len(noise)))


def _thd_at(fit: _Fit, step: StepFit) -> float:
    """THD of a law's wave at a step, in as many orders as the step shows [%]."""
    over = step.level_dbfs - fit.place_dbfs
    depths = np.array([[over, over - fit.shape.apart_db]])
    series = held_harmonics(depths, Knees.of([fit.shape.knee]), max(min(step.orders, MOST_ORDERS), 2))[0]
    return 100 * float(np.linalg.norm(series[2:]) / abs(series[1]))


def _told(
    usable: Sequence[StepFit], rails: list[_Fit], limiters: list[_Fit], behind: Floats, noise: Floats
) -> Held:
    """The law that the steps follow, with its place."""
    best, other = min(rails, key=_left), min(limiters, key=_left)
    first = int(np.argmax(behind > LEAST_HELD_DB))
    at = usable[first]
    fits = [each for each in (best, other) if each.left <= _most_left(noise)]
    if not fits:
        before = usable[max(first - 1, 0)]
        return Held("either", before.level_dbfs, 0.0, before.rms_volts or math.nan, math.nan, at)
    if best.left * BETTER < other.left:
        return _rail(usable, best, rails, at)
    if other.left * BETTER < best.left:
        level = other.place_dbfs
        return Held("limiter", level, 0.0, _rms(other, level), math.nan, at)
    level = min(each.place_dbfs for each in fits)
    return Held("either", level, 0.0, _rms(best, level), math.nan, at)


def _left(fit: _Fit) -> float:
    return fit.left


def _most_left(noise: Floats) -> float:
    return float(np.sum((FITS_DB / noise) ** 2))


def _alike(fits: list[_Fit], steps: int) -> list[_Fit]:
    """Those that fit about as well as the best."""
    best = min(fits, key=_left).left
    scale = max(best / max(steps - 3, 1), 1.0)
    return [each for each in fits if each.left - best < NO_WORSE * scale]


def _rms(fit: _Fit, level_dbfs: float) -> float:
    """Output of a law at a level [V rms]."""
    lag = float(np.interp(level_dbfs - fit.place_dbfs, _grid(), fit.shape.behind))
    return ratio_from_db(fit.gain_db + level_dbfs - lag)


def _rail(usable: Sequence[StepFit], best: _Fit, rails: list[_Fit], at: StepFit) -> Held:
    """The rail with its onset, and how far shapes that fit as well put it elsewhere."""
    levels = [each.place_dbfs + each.shape.limit_db for each in _alike(rails, len(usable))]
    level = best.place_dbfs + best.shape.limit_db
    within = max(max(levels) - level, level - min(levels), LEAST_WITHIN_DB)
    return Held("rail", level, within, _rms(best, level), ratio_from_db(best.gain_db + best.place_dbfs), at)


def _fits(shapes: Sequence[_Shape], levels: Floats, gains: Floats, noise: Floats) -> list[_Fit]:
    """Each shape where it leaves the least."""
    return [_fit(shape, levels, gains, noise) for shape in shapes]


def _fit(shape: _Shape, levels: Floats, gains: Floats, noise: Floats) -> _Fit:
    """The place along the levels by ever narrower search; the gain is a weighted mean at each."""
    weights = noise**-2
    low, high = float(levels[0]) - 6.0, float(levels[-1]) + 12.0
    place, gain, left = low, 0.0, math.inf
    for _ in range(3):
        places = np.linspace(low, high, PLACES)
        lag = np.interp(levels - places[:, None], _grid(), shape.behind)
        gain_at = (gains + lag) @ weights / weights.sum()
        left_at = (gains + lag - gain_at[:, None]) ** 2 @ weights
        least = int(np.argmin(left_at))
        place, gain, left = float(places[least]), float(gain_at[least]), float(left_at[least])
        stride = 2 * (high - low) / PLACES
        low, high = place - stride, place + stride
    return _Fit(shape, place, gain, left)


@lru_cache(maxsize=1)
def _grid() -> Floats:
    return np.arange(SHALLOWEST_DB, DEEPEST_DB, GRID_DB)


UNEQUAL_DB = (0.25, 0.5, 0.75, 1.0, 1.25, 1.5, 1.75, 2.0, 2.5, 3.0, 4.0, 6.0, 100.0)
"""By how much the other rail lies farther out [dB]; the last: never met."""

KNEES = (
    *(Knee("algebraic", s) for s in (1.2, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0, 12.0, 20.0)),
    *(Knee("exponential", s) for s in (1.0, 1.5, 2.5)),
)
BOTH = tuple(
    (Knee("algebraic", s), apart) for s in (2.0, 4.0, 8.0, 12.0) for apart in (0.5, 1.0, 1.5, 2.5, 100.0)
)
"""Bent and unequal."""


@lru_cache(maxsize=4)
def _rail_shapes(limit_thd_percent: float) -> tuple[_Shape, ...]:
    """Laws of rails: hard ones, alike or not, and knees."""
    pairs = [*((HARD, apart) for apart in (0.0, *UNEQUAL_DB)), *((knee, 0.0) for knee in KNEES), *BOTH]
    return tuple(_rail_shape(knee, apart, limit_thd_percent) for knee, apart in pairs)


def _rail_shape(knee: Knee, apart_db: float, limit_thd_percent: float) -> _Shape:
    coarse = np.concatenate(
        [
            np.arange(SHALLOWEST_DB, -NEAR_DB, 1.0),
            np.arange(-NEAR_DB, NEAR_DB, 10 * GRID_DB),
            np.arange(NEAR_DB, DEEPEST_DB + 1, 1.0),
        ]
    )
    depths = np.stack([coarse, coarse - apart_db], axis=1)
    series = held_harmonics(depths, Knees.of([knee] * len(depths)), MOST_ORDERS // 2)
    fundamental = np.abs(series[:, 1])
    thd = 100 * np.linalg.norm(series[:, 2:], axis=1) / fundamental
    place = float(coarse[int(np.argmax(thd >= limit_thd_percent))])
    fine = np.arange(place - (10 * GRID_DB if place > -NEAR_DB else 1.0), place + GRID_DB, GRID_DB / 10)
    near = held_harmonics(
        np.stack([fine, fine - apart_db], axis=1), Knees.of([knee] * len(fine)), MOST_ORDERS // 2
    )
    at = int(np.argmax(100 * np.linalg.norm(near[:, 2:], axis=1) >= limit_thd_percent * np.abs(near[:, 1])))
    return _Shape(np.interp(_grid(), coarse, -20 * np.log10(fundamental)), float(fine[at]), knee, apart_db)


@lru_cache(maxsize=1)
def _limiter_shapes() -> tuple[_Shape, ...]:
    """Laws of limiters: straight beyond a threshold, with a parabola about it where the knee has a width."""
    shapes = []
    for slope in SLOPES:
        for width in KNEE_WIDTHS_DB:
            over = _grid()
            bent = (over + width / 2) ** 2 / (2 * width) if width else np.maximum(over, 0.0)
            lag = np.where(over > width / 2, over, np.where(over < -width / 2, 0.0, bent))
            shapes.append(_Shape((1 - slope) * lag, -width / 2))
    return tuple(shapes)
