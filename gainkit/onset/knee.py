"""The level at which THD reaches its limit, from steps that lie on both sides of it.

THD is no straight line in any scale: at a hard rail it springs from the floor to percents within a fraction
of a decibel. So the wave of the fitted rails is followed down from a step beyond the limit, which is exact for
a rail of the fitted shape; where the step before it shows a knee of its own, the two are joined in the log
domain: what the model misses at either step [log THD] is interpolated between them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from gainkit.analysis.rails import RailFit, harmonics_of
from gainkit.onset.steps import Judged

FARTHEST_DB = 30.0
MARCH_DB = 0.1
LEAST_ABOVE_FLOOR = 3.0
LEAST_OF_LIMIT = 0.2
"""A step below the limit has its say when its THD is this far above its floor [-] and above this share of the
limit [-]: below, it shows the knee's foot, of which the limit says nothing."""

NEAR_DB = 2.5


@dataclass(frozen=True)
class Crossing:
    """Where THD meets the limit.

    level_dbfs, rms_volts : of the tone there. at : the step it was followed from. rail_up_db : by how much the
    rail stands higher there than at that step [dB]. extrapolated : no step lies below the limit. by_shape :
    along fitted rails, else along a straight line.
    """

    level_dbfs: float
    rms_volts: float
    at: Judged
    rail_up_db: float = 0.0
    extrapolated: bool = False
    by_shape: bool = True


def model_thd(rails: RailFit, change_db: float, orders: int) -> float:
    """THD of the fitted rails after a change of level [%], orders 2..K."""
    up, down = rails.overdrive_db
    series = harmonics_of(up + change_db, down + change_db, rails.knee.after(change_db), orders)
    return 100 * float(np.linalg.norm(series[2:]) / abs(series[1]))


def first_beyond(steps: Sequence[Judged], limit_thd_percent: float) -> int | None:
    """Index of the first step of the final run at or above the limit; steps : judged, by rising level.

    A run that begins with distortion of another kind (a dead zone, noise at low level) is entered at its first
    step that shows a rail. None when the loudest step is below the limit.
    """
    first = len(steps)
    while first > 0 and steps[first - 1].thd_percent >= limit_thd_percent:
        first -= 1
    if first == len(steps):
        return None
    shown = [index for index in range(first, len(steps)) if steps[index].state == "clipped"]
    if shown and first == 0:
        return shown[0]
    return first


def crossing(steps: Sequence[Judged], limit_thd_percent: float) -> Crossing | None:
    """Where THD reaches the limit; steps : judged, by rising level. None when it does not."""
    place = first_beyond(steps, limit_thd_percent)
    if place is None:
        return None
    beyond = steps[place]
    before = steps[place - 1] if place > 0 else None
    below = before is not None and before.thd_percent < limit_thd_percent
    if beyond.state == "clipped" and beyond.rails is not None:
        return _by_rails(beyond, steps, before if below else None, limit_thd_percent)
    if before is None or not below:
        return None
    return _by_logarithm(before, beyond, limit_thd_percent)


def _by_rails(
    beyond: Judged, steps: Sequence[Judged], before: Judged | None, limit_thd_percent: float
) -> Crossing | None:
    """Follow the fitted rails down from a step beyond the limit, in overdrive, then tell the level from it."""
    rails, target = beyond.rails, math.log(limit_thd_percent)
    assert rails is not None
    here = math.log(beyond.thd_percent / model_thd(rails, 0.0, beyond.orders))
    there = here
    gap = beyond.level_dbfs - before.level_dbfs if before is not None else math.inf
    fall = _overdrive_between(before, beyond) or gap
    if before is not None and _has_say(before, limit_thd_percent):
        model = model_thd(rails, -fall, beyond.orders)
        clean = math.sqrt(max(before.thd_percent**2 - before.thd_floor_percent**2, 0.0))
        if model > LEAST_OF_LIMIT * limit_thd_percent:
            there = math.log(clean / model)

    def beyond_limit(less_db: float) -> float:
        share = min(less_db / fall, 1.0) if fall < math.inf else 0.0
        model = max(model_thd(rails, -less_db, beyond.orders), 1e-12)
        return math.log(model) + here + share * (there - here) - target

    less = _root(beyond_limit, FARTHEST_DB)
    if less is None:
        return None
    slope = _sag_slope(beyond, steps) if fall == gap else None
    down, rms = _down(beyond, less, slope) if slope is not None else _down_between(beyond, less, gap / fall)
    return Crossing(beyond.level_dbfs - min(down, gap), rms, beyond, less - down, before is None)


def _overdrive_between(before: Judged | None, beyond: Judged) -> float | None:
    """Difference of overdrive of two steps that both stand at a hard rail [dB]; None for others."""
    if before is None or before.state != "at-onset" or before.rails is None or beyond.rails is None:
        return None
    if not (before.rails.hard and beyond.rails.hard):
        return None
    between = max(beyond.rails.overdrive_db) - max(before.rails.overdrive_db)
    return between if between > 0.5 * (beyond.level_dbfs - before.level_dbfs) else None


def _has_say(before: Judged, limit_thd_percent: float) -> bool:
    return (
        before.thd_percent > LEAST_ABOVE_FLOOR * before.thd_floor_percent
        and before.thd_percent > LEAST_OF_LIMIT * limit_thd_percent
    )


def _down_between(beyond: Judged, less_db: float, ratio: float) -> tuple[float, float]:
    """Fall of level [dB] and rms output [V] for a fall of overdrive; ratio : dB of level per dB of it [-]."""
    rails = beyond.rails
    assert rails is not None
    rms = _rms(beyond) * rails.rms_at(-less_db) / rails.rms_at(0.0)
    return less_db * ratio, rms * 10 ** (less_db * (1 - ratio) / 20)


def _down(beyond: Judged, less_db: float, slope: float) -> tuple[float, float]:
    """Fall of level [dB] and rms output [V] for a fall of overdrive, where the supply sags.

    A supply sags with the power drawn from it: the rail in dB is taken as a straight line in the output's mean
    square, slope : dB per square volt.
    """
    rails, rms = beyond.rails, _rms(beyond)
    assert rails is not None
    held = rms * rails.rms_at(-less_db) / rails.rms_at(0.0)  # at the same rail
    recovered = 0.0
    for _ in range(20):  # settles quickly: a rail changes the power that it depends on by little
        recovered = slope * (rms**2 - (held * 10 ** (recovered / 20)) ** 2)
    return less_db - recovered, held * 10 ** (recovered / 20)


def _sag_slope(beyond: Judged, steps: Sequence[Judged]) -> float:
    """dB by which the rails come down per square volt of output, 0 or more; 0 where it cannot be told."""
    rails, rms = beyond.rails, _rms(beyond)
    slopes = []
    for step in steps:
        rise = step.level_dbfs - beyond.level_dbfs
        if (
            rails is None
            or not rails.hard
            or not 0 < rise <= NEAR_DB
            or step.rails is None
            or not step.rails.hard
        ):
            continue
        sunk = max(step.rails.overdrive_db) - max(rails.overdrive_db) - rise
        noise = math.hypot(max(step.rails.deviation_db), max(rails.deviation_db))
        if noise < 0.03 * rise and _rms(step) > rms:
            slopes.append(sunk / (_rms(step) ** 2 - rms**2))
    return max(float(np.median(slopes)), 0.0) if slopes else 0.0


def _by_logarithm(before: Judged, beyond: Judged, limit_thd_percent: float) -> Crossing:
    """Straight line in log THD against level: for distortion of a shape that is no rail's."""
    low, high = math.log(max(before.thd_percent, 1e-9)), math.log(beyond.thd_percent)
    share = (math.log(limit_thd_percent) - low) / (high - low)
    return Crossing(
        level_dbfs=before.level_dbfs + share * (beyond.level_dbfs - before.level_dbfs),
        rms_volts=_rms(before) ** (1 - share) * _rms(beyond) ** share,
        at=beyond,
        by_shape=False,
    )


def _rms(step: Judged) -> float:
    return step.rms_volts if step.rms_volts is not None else math.nan


def _root(falling: Callable[[float], float], deepest: float) -> float | None:
    """Where a function that is positive at 0 first becomes zero on 0..deepest; None if it does not.

    March, then bisection: with a dead zone THD rises again further down.
    """
    if falling(0.0) <= 0:
        return 0.0
    high = 0.0
    while falling(high) > 0:
        if high >= deepest:
            return None
        low, high = high, high + MARCH_DB
    while high - low > 1e-7:
        middle = (low + high) / 2
        low, high = (middle, high) if falling(middle) > 0 else (low, middle)
    return (low + high) / 2
